"""Run-off and areas: decays with known truth, properties, rules."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import hemoidx as hx
from hemoidx import Context, default_catalogue
from hemoidx.facts import mask
from hemoidx.indices.area import (
    diastolic_area,
    systolic_area,
    systolic_area_above_zero,
    systolic_area_corrected,
)
from hemoidx.indices.rules import judge
from hemoidx.indices.runoff.decay import INDICES
from hemoidx.indices.runoff.diastole import downslope, notch_height, notch_pressure
from hemoidx.indices.runoff.joint import joint_decay
from hemoidx.indices.runoff.thirds import runoff_early, runoff_late, runoff_middle, runoff_time, tau
from hemoidx.samples import integral
from hemoidx.simulate import Scenario, simulate
from hemoidx.validation.worked_pulse import both_decays, windkessel_beat
from tests.waves import Float, pulses


def decay(
    tau_s: float, level: float, above: float, fs: float, diastole_s: float = 0.6
) -> tuple[Float, Float, Float]:
    """One decay from sample 10 on: wave, notch and end."""
    n = round(diastole_s * fs)
    wave = level + above * np.exp(-np.arange(-10, n + 20) / fs / tau_s)
    return wave, np.array([10.0]), np.array([10.0 + n])


def zero(wave: Float, notch: Float, end: Float, fs: float) -> Float:
    thirds = (runoff_early(wave, notch, end, fs), runoff_late(wave, notch, end, fs))
    return tau(*thirds, runoff_time(notch, end, fs))


@given(st.floats(0.3, 4.0), st.floats(60.0, 160.0), st.sampled_from([62.5, 125.0, 250.0, 500.0]))
def test_a_decay_to_zero_returns_its_time_constant(tau_s: float, height: float, fs: float) -> None:
    # The trapezoidal rule between samples costs (step / tau)^2 / 12 alike in all thirds, and cancels.
    np.testing.assert_allclose(zero(*decay(tau_s, 0.0, height, fs), fs), tau_s, rtol=2e-3)


@given(st.floats(0.3, 2.0), st.floats(0.3, 3.0), st.floats(5.0, 40.0))
def test_the_zero_convention_ignores_gain_but_not_an_offset(tau_s: float, gain: float, offset: float) -> None:
    wave, notch, end = decay(tau_s, 0.0, 120.0, 125.0)
    plain = zero(wave, notch, end, 125.0)
    scaled = zero(gain * wave, notch, end, 125.0)
    if np.isfinite(plain + scaled).all():
        np.testing.assert_allclose(scaled, plain, rtol=1e-9)
    assert zero(wave + offset, notch, end, 125.0)[0] > plain[0]


@given(st.floats(0.2, 0.8), st.floats(20.0, 75.0))
@settings(max_examples=30, deadline=None)
def test_the_free_convention_lies_below_that_of_zero_where_the_asymptote_is_positive(
    tau_s: float, level: float
) -> None:
    found = both_decays(round(tau_s, 3), round(level, 1), 45.0, 0.55)
    assert found["free"] == pytest.approx(round(tau_s, 3), rel=2e-3)
    assert found["asymptote"] == pytest.approx(round(level, 1), abs=0.3)
    assert found["free"] < found["zero"]


def test_the_zero_convention_depends_on_the_length_of_diastole_and_the_free_one_does_not() -> None:
    found = [both_decays(0.45, 58.0, 45.0, length) for length in (0.45, 0.60, 0.80)]
    assert np.all(np.diff([one["zero"] for one in found]) > 0.08)
    np.testing.assert_allclose([one["free"] for one in found], 0.45, rtol=1e-3)


def windows_of_decays(
    seed: int, noise: float, tau_s: float = 0.45, level: float = 58.0, beats: int = 35 * 300
) -> tuple[Float, Float, Float, Float, Float, np.ndarray, int]:
    """Thirds of noisy decays, 35 beats to a window; the means are in closed form."""
    rng = np.random.default_rng(seed)
    length = np.clip(rng.normal(0.5, 0.03, beats), 0.36, 2.0)
    time = length * 2.0 / 3.0 - 0.03
    begin, height = length / 3.0, rng.normal(40.0, 3.0, beats)
    parts = []
    for k in range(3):
        a, b = begin + k * time / 3.0, begin + (k + 1) * time / 3.0
        mean = level + height * tau_s * (np.exp(-a / tau_s) - np.exp(-b / tau_s)) / (b - a)
        parts.append(mean + rng.normal(0.0, noise, beats))
    window = np.arange(beats) // 35
    onset = np.arange(beats) * 30.0 / 35.0
    return (*parts, time, onset, window, int(window[-1]) + 1)


def test_the_joint_fit_is_exact_without_noise_and_one_value_a_window() -> None:
    given_ = windows_of_decays(0, 0.0)
    found, level, se, level_se = joint_decay(*given_)
    np.testing.assert_allclose(found, 0.45, rtol=3e-4)
    np.testing.assert_allclose(level, 58.0, atol=0.03)
    assert se.max() < 0.001
    assert level_se.max() < 0.05
    for index in INDICES:
        value, error = (f(*given_) for f in (index.function, index.error_function) if f is not None)
        np.testing.assert_array_equal(value, found if index.name == "tau_free" else level)
        np.testing.assert_array_equal(error, se if index.name == "tau_free" else level_se)


@pytest.mark.parametrize("noise", [0.1, 0.2])
def test_the_standard_error_of_the_joint_fit_covers_the_truth(noise: float) -> None:
    # Six stretches of 5 s: Student's t of four to five degrees of freedom is 2.6 to 2.8.
    found, level, se, level_se = joint_decay(*windows_of_decays(1, noise))
    assert np.isfinite(found).mean() > 0.99
    assert abs(np.nanmean(found) - 0.45) < 0.01
    for value, error, truth in ((found, se, 0.45), (level, level_se, 58.0)):
        known = np.isfinite(value)
        covered = np.mean(np.abs(value - truth)[known] < 2.6 * error[known])
        assert 0.92 < covered < 0.99
        # Random error, as it is from window to window.
        assert np.nanmean(error) == pytest.approx(np.nanstd(value), rel=0.2)


def test_the_joint_fit_is_far_steadier_than_single_beats() -> None:
    early, middle, late, time, onset, window, n = windows_of_decays(2, 0.2)
    # One beat: the ratio of its two falls (exact without noise).
    with np.errstate(invalid="ignore", divide="ignore"):
        single = -time / 3.0 / np.log((middle - late) / (early - middle))
    low, high = np.nanpercentile(single, [2.5, 97.5])
    joint = joint_decay(early, middle, late, time, onset, window, n)[0]
    assert high - low > 4.0 * (np.nanpercentile(joint, 97.5) - np.nanpercentile(joint, 2.5))


@given(st.floats(0.5, 2.0), st.floats(-30.0, 30.0))
@settings(max_examples=15, deadline=None)
def test_scale_and_offset_of_the_joint_fit(gain: float, offset: float) -> None:
    early, middle, late, *rest = windows_of_decays(3, 0.1, beats=70)
    plain = joint_decay(early, middle, late, *rest)
    moved = joint_decay(gain * early + offset, gain * middle + offset, gain * late + offset, *rest)
    np.testing.assert_allclose(moved[0], plain[0], rtol=1e-4)
    np.testing.assert_allclose(moved[1], gain * plain[1] + offset, atol=0.02)
    np.testing.assert_allclose(moved[2], plain[2], rtol=1e-2)


def test_too_few_decays_and_hopeless_ones_have_no_answer() -> None:
    early, middle, late, time, onset, window, n = windows_of_decays(4, 0.2, beats=70)
    few = np.where(np.arange(70) % 35 < 9, early, np.nan)
    assert np.isnan(joint_decay(few, middle, late, time, onset, window, n)[0]).all()
    bent_down = joint_decay(late + 6.0, late + 4.0, late, time, onset, window, n)
    assert np.isnan(bent_down).all()
    rng = np.random.default_rng(0)
    lost = joint_decay(
        *(part + rng.normal(0.0, 4.0, 70) for part in (early, middle, late)), time, onset, window, n
    )
    assert np.isnan(lost).all()
    nothing = joint_decay(np.full(70, np.nan), middle, late, time, onset, window, n)
    assert np.isnan(nothing).all()
    # Crowded into 10 s there are too few stretches for an error, and no value without one.
    assert np.isnan(joint_decay(early, middle, late, time, onset / 6.0, window * 0, 1)[0]).all()


def test_windows_do_not_touch_each_other() -> None:
    early, middle, late, time, onset, window, n = windows_of_decays(5, 0.2, beats=35 * 400)
    spoilt = early.copy()
    spoilt[35 * 7 : 35 * 8] += 40.0
    before = joint_decay(early, middle, late, time, onset, window, n)[0]
    after = joint_decay(spoilt, middle, late, time, onset, window, n)[0]
    others = np.arange(n) != 7
    np.testing.assert_allclose(after[others], before[others], rtol=1e-9)
    assert np.isnan(after[7]) or abs(after[7] - before[7]) > 0.05


def test_a_short_diastole_shows_no_decay() -> None:
    fs = 125.0
    wave, notch, end = decay(1.0, 0.0, 100.0, fs)
    assert np.isfinite(zero(wave, notch, notch + 0.36 * fs, fs)).all()
    assert np.isnan(zero(wave, notch, notch + 0.34 * fs, fs)).all()
    assert np.isnan(zero(wave, np.array([np.nan]), end, fs)).all()
    assert np.isnan(zero(0.02 * wave, notch, end, fs)).all(), "a fall of less than 2 mmHg"
    assert np.isnan(runoff_middle(wave, notch, np.array([np.nan]), fs)).all()


@given(st.floats(0.3, 3.0), st.floats(-40.0, 40.0), st.floats(0.0, 0.9))
def test_notch_and_downslope_move_with_scale_and_offset(gain: float, offset: float, part: float) -> None:
    wave, notch, end = decay(0.9, 20.0, 90.0, 125.0)
    notch, end = notch + part, end + part
    plain, moved = notch_pressure(wave, notch, 125.0), notch_pressure(gain * wave + offset, notch, 125.0)
    np.testing.assert_allclose(moved, gain * plain + offset, atol=1e-9)
    # Read between samples, not at the nearest one: 90 mmHg over 0.9 s lose 0.4 mmHg in half a sample.
    np.testing.assert_allclose(plain, 20.0 + 90.0 * np.exp(-part / 125.0 / 0.9), atol=0.02)
    slope = downslope(wave, plain, notch, end, 125.0)
    np.testing.assert_allclose(
        downslope(gain * wave + offset, moved, notch, end, 125.0), gain * slope, rtol=1e-6
    )
    height = notch_height(plain, 40.0, 80.0)
    np.testing.assert_allclose(notch_height(moved, gain * 40.0 + offset, gain * 80.0), height, atol=1e-9)


@given(
    st.floats(0.6, 1.8),
    st.floats(0.5, 2.0),
    st.floats(0.6, 1.3),
    st.floats(0.2, 0.35),
    st.floats(40.0, 110.0),
)
@settings(max_examples=25, deadline=None)
def test_a_windkessel_is_read_back(
    resistance: float, compliance: float, duration: float, ejection: float, volume: float
) -> None:
    # The human range of resistance and compliance: Segers 2002, Am J Physiol Heart Circ Physiol 282:H1041.
    duration = max(round(duration, 3), round(ejection, 3) + 0.36)
    found = windkessel_beat(resistance, compliance, duration, round(ejection, 3), volume)
    if np.isfinite(found["tau"]):
        assert found["tau"] == pytest.approx(resistance * compliance, rel=1e-4)
    assert found["mbp"] == pytest.approx(resistance * volume / duration, rel=1e-3)
    assert found["beat_area"] == pytest.approx(found["systolic_area_above_zero"] + found["diastolic_area"])
    assert found["sevr"] * found["systolic_area_above_zero"] == pytest.approx(found["diastolic_area"])


@given(st.floats(0.3, 3.0), st.floats(-40.0, 40.0), st.integers(0, 3))
def test_areas_move_with_scale_and_offset(gain: float, offset: float, seed: int) -> None:
    fs = 125.0
    wave = pulses(fs, 3.0) + np.random.default_rng(seed).normal(0.0, 1.0, int(3.0 * fs))
    onset, notch, end = np.array([10.4, 110.2]), np.array([48.7, 149.9]), np.array([110.2, 211.0])
    dbp, time = np.array([80.0, 81.0]), (notch - onset) / fs
    moved = gain * wave + offset
    above = systolic_area(wave, onset, notch, dbp, fs)
    whole = systolic_area_above_zero(wave, onset, notch, fs)
    np.testing.assert_allclose(
        systolic_area(moved, onset, notch, gain * dbp + offset, fs), gain * above, rtol=1e-9, atol=1e-9
    )
    np.testing.assert_allclose(
        systolic_area_above_zero(moved, onset, notch, fs), gain * whole + offset * time, rtol=1e-9, atol=1e-9
    )
    np.testing.assert_allclose(whole - above, dbp * time)
    beat = integral(wave, onset, end) / fs
    np.testing.assert_allclose(diastolic_area(beat, whole), integral(wave, notch, end) / fs, rtol=1e-9)


def test_the_correction_adds_the_share_of_run_off() -> None:
    # No ejection, no correction; ejection as long as the rest doubles the area.
    np.testing.assert_allclose(systolic_area_corrected(10.0, np.array([0.0, 0.4]), 0.8), [10.0, 20.0])


def test_a_simulated_recording_gives_both_conventions_in_its_tables() -> None:
    scenario = Scenario(
        seed=5, duration_s=95.0, fs=125.0, rate=60.0, dicrotic=0.0, line_hz=40.0, noise=0.1, step=0.1
    )
    result = hx.analyse(
        simulate(scenario).recording, context=Context.read({"site": "radial"}), progress=False
    )
    windows = result.windows.iloc[:3]
    assert windows.tau_s.notna().all()
    free = windows.tau_free_s.notna()
    assert (windows.tau_free_s[free] < windows.tau_s[free]).all()
    assert windows.asymptote[free].notna().all()
    assert (windows.asymptote[free] < windows.dbp[free]).all()
    assert {"tau_free_s_se", "asymptote_se", "tau_s_se"} <= set(windows.columns)
    np.testing.assert_array_equal(windows.tau_free_s_se.notna(), free)
    assert (windows.diastolic_area / windows.systolic_area_above_zero).to_numpy() == pytest.approx(
        windows.sevr.to_numpy(), rel=0.01
    )


@pytest.mark.parametrize("decay_s", [0.6, 1.5])
def test_the_free_time_constant_follows_broad_pulses_and_reads_high_on_radial_ones(decay_s: float) -> None:
    # What the limits say in figures. The simulator scales and shifts the pulse: its asymptote is not zero.
    ratio = {}
    for site, shape in (("aorta", {"amplification": 0.6, "dicrotic": 0.0}), ("radial", {})):
        found = []
        for seed in (0, 1):
            scenario = Scenario(
                seed=seed, duration_s=90.0, fs=125.0, rate=60.0, noise=0.3, decay_s=decay_s, **shape
            )
            result = hx.analyse(simulate(scenario).recording, progress=False)
            found.append(result.windows["tau_free_s"].dropna().to_numpy() / decay_s)
        ratio[site] = np.concatenate(found)
    assert ratio["aorta"].size >= 5
    assert ratio["aorta"].min() > 0.75
    assert ratio["aorta"].max() < 1.45
    assert ratio["radial"].min() > 0.9
    assert np.median(ratio["radial"]) > np.median(ratio["aorta"])
    assert ratio["radial"].max() < 2.2


def test_decays_too_short_to_tell_do_not_count() -> None:
    early, middle, late, time, onset, window, n = windows_of_decays(6, 0.1, beats=70)
    assert np.isfinite(joint_decay(early, middle, late, time, onset, window, n)[0]).all()
    assert np.isnan(joint_decay(early, middle, late, np.full(70, 0.24), onset, window, n)[0]).all()


@pytest.mark.parametrize(
    ("name", "value", "cautious"),
    [
        ("notch_height", 0.05, True),
        ("notch_height", 0.45, False),
        ("systolic_fraction", 0.59, True),
        ("systolic_fraction", 0.42, False),
    ],
)
def test_a_mark_at_the_floor_of_the_wave_is_doubted(name: str, value: float, cautious: bool) -> None:
    # A real pulse of 45/28 mmHg at 122/min had its mark there: 0.59 of the beat, at diastolic pressure.
    judged = judge(
        default_catalogue()[name].rules,
        (),
        "beats",
        np.zeros(1, dtype=np.int64),
        lambda c: np.array([value if c == name else np.nan]),
        np.array([value]),
    )
    assert (judged.measurement[0] == "caution") == cautious
    assert ("trough before a reflected wave" in judged.reasons[0]) == cautious


@pytest.mark.parametrize(
    ("fact", "refused", "cautioned"),
    [
        (
            "no_notch",
            "tau downslope notch_pressure notch_height diastolic_fraction systolic_area_above_zero "
            "diastolic_area systolic_area_corrected",
            "",
        ),
        ("end_unknown", "tau downslope diastolic_fraction diastolic_area systolic_area_corrected", ""),
        (
            "saturated",
            "notch_height systolic_area_above_zero diastolic_area systolic_area_corrected",
            "tau downslope notch_pressure",
        ),
        # A zero that is off harms what stands above zero, not a difference.
        ("zero_not_applied", "", "tau notch_pressure systolic_area_above_zero diastolic_area"),
        # The gain cancels in ratios.
        (
            "setup_gain",
            "",
            "downslope notch_pressure systolic_area_above_zero diastolic_area systolic_area_corrected",
        ),
        ("mechanical_support", "tau downslope", ""),
        ("irregular_rhythm", "", "tau"),
    ],
)
def test_what_each_fault_does(fact: str, refused: str, cautioned: str) -> None:
    found: dict[str, set[str]] = {}
    names = (
        "tau downslope notch_pressure notch_height diastolic_fraction systolic_area_above_zero "
        "diastolic_area systolic_area_corrected"
    )
    for name in names.split():
        index = default_catalogue()[name]
        facts = np.array([mask(fact)], dtype=np.int64)
        judged = judge(index.rules, (), "beats", facts, lambda c: np.array([np.nan]), np.ones(1))
        found.setdefault(judged.measurement[0], set()).add(name)
    assert found.get("rejected", set()) == set(refused.split())
    assert found.get("caution", set()) == set(cautioned.split())
