"""Calibration lines, height of the transducer and static uncertainty: published numbers, libraries, laws."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from hemoidx.errors import InputError
from hemoidx.line.calibration import OFFSET, Calibration, calibrate, level_calibration
from hemoidx.line.level import BLOOD_DENSITY, Level, column_pressure, limb_error
from hemoidx.line.static import StaticUncertainty, static_uncertainty

# Readings of a thermometer and their corrections: JCGM 100:2008 (GUM), annex H.3, table H.6. Quoted from
# memory; that all of the printed results below follow from them confirms the digits.
GUM_T = np.array([21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511])
GUM_B = -np.array([0.171, 0.169, 0.166, 0.159, 0.164, 0.165, 0.156, 0.157, 0.159, 0.161, 0.160])


def test_line_of_the_guide_to_uncertainty() -> None:
    # GUM H.3: y1 = -0.1712 (0.0029), y2 = 0.00218 (0.00067), r = -0.930, s = 0.0035,
    # b(30) = -0.1494 (0.0041).
    line = calibrate(GUM_T - 20.0, GUM_T - 20.0 + GUM_B)
    assert line.offset == pytest.approx(-0.1712, abs=5e-5)
    assert line.offset_se == pytest.approx(0.0029, abs=5e-5)
    assert line.gain - 1.0 == pytest.approx(0.00218, abs=5e-6)
    assert line.gain_se == pytest.approx(0.00067, abs=5e-6)
    assert line.covariance / (line.offset_se * line.gain_se) == pytest.approx(-0.930, abs=5e-4)
    assert line.residual_sd == pytest.approx(0.0035, abs=5e-5)
    assert float(line.pressure(10.0)) - 10.0 == pytest.approx(-0.1494, abs=5e-5)
    assert float(line.se(10.0)) == pytest.approx(0.0041, abs=5e-5)


def test_two_points_worked_by_hand() -> None:
    # 70 + 0.1 mV against 0 and 2.6 mV against 100 mmHg; arithmetic only, no source.
    line = calibrate([0.1, 2.6], [0.0, 100.0], any_gain=True)
    assert float(line.pressure(1.85)) == pytest.approx(70.0, abs=1e-9)
    assert math.isnan(line.gain_se)
    assert math.isnan(line.residual_sd)
    assert line.sets_gain


@pytest.mark.parametrize("n", [3, 5, 40])
def test_line_agrees_with_scipy_and_numpy(n: int) -> None:
    rng = np.random.default_rng(n)
    applied = np.linspace(0.0, 300.0, n)
    read = 1.5 + 1.03 * applied + rng.normal(0.0, 0.8, n)
    line, other = calibrate(read, applied), stats.linregress(read, applied)
    assert (line.gain, line.offset) == pytest.approx((other.slope, other.intercept), rel=1e-10)
    assert (line.gain_se, line.offset_se) == pytest.approx((other.stderr, other.intercept_stderr), rel=1e-9)
    assert line.residuals == pytest.approx(applied - other.intercept - other.slope * read, abs=1e-9)
    assert line.largest_residual == pytest.approx(np.abs(line.residuals).max())
    if n > 3:
        _, covariance = np.polyfit(read, applied, 1, cov=True)
        assert line.covariance == pytest.approx(covariance[0, 1], rel=1e-9)
        x = np.linspace(0.0, 300.0, 7)
        basis = np.column_stack([x, np.ones(7)])
        assert line.se(x) == pytest.approx(np.sqrt(np.einsum("ij,jk,ik->i", basis, covariance, basis)))


def test_weighted_line_agrees_with_numpy() -> None:
    rng = np.random.default_rng(3)
    applied = np.array([0.0, 50.0, 100.0, 150.0, 200.0, 300.0])
    se = np.array([0.4, 0.5, 0.6, 0.8, 1.0, 2.0])
    read = 2.0 + 0.98 * applied + 0.3 * se * rng.normal(size=6)
    line = calibrate(read, applied, se)
    (gain, offset), covariance = np.polyfit(read, applied, 1, w=1 / se, cov="unscaled")
    assert (line.gain, line.offset) == pytest.approx((gain, offset), rel=1e-9)
    assert (line.gain_se, line.offset_se) == pytest.approx(np.sqrt(np.diag(covariance)), rel=1e-8)
    chi2 = float(np.sum((np.array(line.residuals) / se) ** 2))
    assert line.goodness == pytest.approx(stats.chi2.sf(chi2, 4), rel=1e-9)


def test_poor_agreement_raises_the_standard_errors() -> None:
    applied = np.array([0.0, 50.0, 100.0, 150.0, 200.0])
    read = applied + np.array([4.0, -4.0, 0.0, 4.0, -4.0])
    honest, boastful = calibrate(read, applied), calibrate(read, applied, 0.1)
    assert boastful.gain_se == pytest.approx(honest.gain_se, rel=1e-9)
    assert boastful.goodness < 1e-12


def test_intervals_hold_the_truth() -> None:
    # Truth from simulation: pressures of a manometer, readings with noise; 95 % by Student's t.
    rng = np.random.default_rng(11)
    applied = np.array([0.0, 50.0, 100.0, 150.0, 200.0, 250.0])
    inside = 0
    for _ in range(600):
        read = (applied - 3.0) / 1.04 + rng.normal(0.0, 0.5, 6)
        line = calibrate(read, applied)
        inside += abs(line.gain - 1.04) < stats.t.ppf(0.975, 4) * line.gain_se
    assert 0.92 < inside / 600 < 0.98


def test_one_point_is_an_offset() -> None:
    line = calibrate(8.4, 0.0, 0.35)
    assert (line.offset, line.gain, line.offset_se, line.fitted) == (-8.4, 1.0, 0.35, OFFSET)
    assert math.isnan(line.gain_se)
    assert not line.sets_gain
    assert "gain not looked at" in line.words()
    several = calibrate([8.0, 8.6], [0.0, 0.0], fit=OFFSET)
    assert several.offset == pytest.approx(-8.3)
    assert several.offset_se == pytest.approx(0.3)


points = st.lists(st.integers(0, 300), min_size=3, max_size=8, unique=True)


@given(points, st.floats(0.85, 1.2), st.floats(-20, 20), st.randoms(use_true_random=False))
def test_order_of_points_does_not_matter(applied: list[int], gain: float, offset: float, random) -> None:
    p = np.array(applied, dtype=float)
    read = (p - offset) / gain + 0.2 * np.sin(p)
    order = list(range(p.size))
    random.shuffle(order)
    one, two = calibrate(read, p, any_gain=True), calibrate(read[order], p[order], any_gain=True)
    assert (one.offset, one.gain) == pytest.approx((two.offset, two.gain), rel=1e-9, abs=1e-9)
    assert one.gain_se == pytest.approx(two.gain_se, rel=1e-6, abs=1e-12)
    assert np.array(one.residuals)[order] == pytest.approx(two.residuals, abs=1e-8)


@given(points, st.floats(0.85, 1.2), st.floats(-20, 20), st.floats(0.1, 3.0), st.floats(1.0, 5.0))
def test_standard_errors_scale(
    applied: list[int], gain: float, offset: float, se: float, times: float
) -> None:
    p = np.array(applied, dtype=float)
    read = (p - offset) / gain
    one, two = calibrate(read, p, se), calibrate(read, p, times * se)
    assert (one.offset, one.gain) == pytest.approx((offset, gain), rel=1e-6, abs=1e-6)
    assert two.gain_se == pytest.approx(times * one.gain_se)
    assert two.se(80.0) == pytest.approx(times * one.se(80.0))
    assert two.covariance == pytest.approx(times**2 * one.covariance)


@given(st.floats(-50, 50), st.floats(0.2, 5), st.floats(-100, 400))
def test_line_and_its_inverse(offset: float, gain: float, value: float) -> None:
    line = Calibration(offset, gain)
    assert float(line.indicated(line.pressure(value))) == pytest.approx(value, abs=1e-9)


@pytest.mark.parametrize(
    ("read", "applied", "options", "words"),
    [
        ([5.0, 5.0], [0.0, 100.0], {}, "reads the same"),
        ([0.0, 100.0], [50.0, 50.0], {}, "not above 0"),
        ([0.0, 100.0], [100.0, 0.0], {"any_gain": True}, "not above 0"),
        ([0.0, 136.0], [0.0, 100.0], {}, "outside"),
        ([0.0, 13.3], [0.0, 100.0], {}, "outside"),
        ([0.0, np.nan], [0.0, 100.0], {}, "point 2"),
        ([0.0, 100.0], [0.0, np.inf], {}, "point 2"),
        ([], [], {}, "no point"),
        ([1.0], [0.0], {"fit": "offset and gain"}, "one point gives no gain"),
        ([1.0, 2.0], [0.0], {}, "2 readings for 1"),
        ([0.0, 100.0], [0.0, 100.0], {"se": 0.0}, "above 0"),
        ([0.0, 100.0], [0.0, 100.0], {"se": [1.0, 1.0, 1.0]}, "one for each point"),
        ([0.0, 100.0], [0.0, 100.0], {"fit": "cubic"}, "fit must be"),
        (["a", 1.0], [0.0, 100.0], {}, "must be numbers"),
    ],
)
def test_nonsense_is_refused(read: list, applied: list, options: dict, words: str) -> None:
    with pytest.raises(InputError, match=words) as caught:
        calibrate(read, applied, **options)
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize("options", [{"gain": 0.0}, {"gain": -1.0}, {"gain": np.nan}, {"fitted": "x"}])
def test_a_line_must_make_sense(options: dict) -> None:
    with pytest.raises(InputError):
        Calibration(0.0, **options)
    with pytest.raises(InputError, match="valid_from_s"):
        Calibration(0.0, valid_from_s=np.nan)


def test_a_level_is_undone_by_its_calibration() -> None:
    read = np.array([120.0, 80.0]) + Level(above_cm=10.0).reading_error
    assert level_calibration(Level(above_cm=10.0)).pressure(read) == pytest.approx([120.0, 80.0])
    assert Level(above_cm=-20.0).reading_error == -Level(above_cm=20.0).reading_error


def test_a_raised_limb_moves_the_reading_by_the_difference_of_the_densities() -> None:
    assert limb_error(20.0) == pytest.approx(-float(column_pressure(20.0, BLOOD_DENSITY - 1000.0)))
    assert limb_error([-20.0, 0.0, 20.0]).tolist() == pytest.approx([0.736, 0.0, -0.736], abs=0.001)


def test_uncertainty_of_the_level() -> None:
    rng = np.random.default_rng(5)
    level = Level(above_cm=15.0, above_cm_se=0.3, density_se=20.0)
    drawn = column_pressure(rng.normal(15.0, 0.3, 200000)) * rng.normal(1.0, 0.02, 200000)
    assert level.se == pytest.approx(drawn.std(), rel=0.02)
    assert Level(0.0).se == 0.0
    assert "15 cm above" in level_calibration(level).source
    for wrong in (
        {"above_cm": np.nan},
        {"above_cm": 1.0, "above_cm_se": -1.0},
        {"above_cm": 1.0, "density": 0.0},
    ):
        with pytest.raises(InputError):
            Level(**wrong)
    with pytest.raises(InputError):
        column_pressure(10.0, density=-1.0)


def test_static_errors_by_simulation() -> None:
    # Draw zero, level and gain; see what they do to systolic and pulse pressure.
    rng = np.random.default_rng(8)
    static = StaticUncertainty(zero_se=1.0, level_se=1.5, gain_se=0.02)
    offset = rng.normal(0.0, 1.0, 100000) + rng.normal(0.0, 1.5, 100000)
    gain = rng.normal(1.0, 0.02, 100000)
    systolic, pulse = gain * 120.0 + offset, gain * 120.0 + offset - (gain * 75.0 + offset)
    assert float(static.propagate(120.0).combined) == pytest.approx(systolic.std(), rel=0.02)
    assert float(static.propagate(45.0, difference=True).combined) == pytest.approx(pulse.std(), rel=0.02)
    low, high = static.plus_minus([120.0, 75.0], times=1.96)
    assert np.mean((systolic > low[0]) & (systolic < high[0])) == pytest.approx(0.95, abs=0.005)


@given(st.floats(0, 5), st.floats(0, 5), st.floats(0, 0.1), st.floats(-50, 300))
def test_static_laws(zero: float, level: float, gain: float, value: float) -> None:
    static = StaticUncertainty(zero, level, gain)
    error = static.propagate(value)
    assert float(error.offset) == pytest.approx(math.hypot(zero, level))
    assert float(error.gain) == pytest.approx(abs(value) * gain)
    assert float(static.propagate(value, difference=True).offset) == 0.0


def test_static_unknown_is_not_zero() -> None:
    assert np.isnan(StaticUncertainty(zero_se=1.0, gain_se=0.0).propagate(100.0).combined)
    assert np.isnan(StaticUncertainty(1.0, 1.0).propagate(40.0, difference=True).combined)
    for wrong in (-1.0, np.inf):
        with pytest.raises(InputError, match="level_se"):
            StaticUncertainty(level_se=wrong)


def test_static_from_a_calibration_states_enough() -> None:
    applied = np.array([0.0, 50.0, 100.0, 150.0, 200.0])
    line = calibrate(1.02 * applied + np.array([0.5, -0.3, 0.2, -0.6, 0.4]), applied)
    static = static_uncertainty(line, Level(0.0))
    assert static.zero_se == line.offset_se
    for indicated in (20.0, 80.0, 120.0, 200.0):
        assert float(static.propagate(line.pressure(indicated)).combined) >= 0.98 * float(line.se(indicated))
    assert math.isnan(static_uncertainty(calibrate(3.0, 0.0, 0.5)).gain_se)
