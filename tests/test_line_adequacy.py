"""What a line does to these beats against truth and published sizes; what the picture draws."""

import dataclasses

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from hemoidx.errors import InputError
from hemoidx.indices.pressure.readings import diastolic_pressure, systolic_pressure
from hemoidx.indices.upstroke.rise import dpdt_max
from hemoidx.line.adequacy import STEPS, SURE_TO, errors_of_lines, expected_error
from hemoidx.line.dynamics import Dynamics, slow_pole
from hemoidx.line.likely import likely_lines, usual_correlation
from hemoidx.line.response import free_response
from hemoidx.line.typical import QUANTITIES, TypicalBeat, numbers_of, typical_beat
from hemoidx.plot.line import DAMPING, FREQUENCIES, error_plane, line_plane
from tests.bench.line import FINE_HZ, draw_patient, dynamics, numbers, one_line, record, second_order


@pytest.fixture(scope="module")
def patient():
    """A patient with a pulse of medium steepness; nothing was fitted on this seed."""
    return draw_patient(41001, duration_s=25.0)


@pytest.fixture(scope="module")
def sound(patient):
    """That patient's typical beat at the cannula."""
    marks = (patient.beats[name].to_numpy() * FINE_HZ for name in ("onset_s", "steepest_s", "end_s"))
    return typical_beat(patient.wave, FINE_HZ, *marks)


def recorded_beat(patient, hz, damping, fs=125.0, **how):
    """Typical beat of what the recorder wrote behind a line."""
    rec = record(second_order(patient.wave, FINE_HZ, hz, damping), fs, 5, **how)
    found = numbers(rec.wave, fs, rec.scale).reading
    return typical_beat(rec.wave, fs, found.onset, found.steepest, found.end)


# --- truth from simulation -----------------------------------------------------------------------------


@pytest.mark.parametrize("fs", [125.0, 250.0])
@pytest.mark.parametrize(("hz", "damping"), [(10, 0.1), (14, 0.2), (20, 0.3), (5, 1.3), (6.5, 1.1), (8, 0.9)])
def test_expected_error_is_the_real_one(patient, hz, damping, fs):
    got = one_line(patient, hz, damping, fs, seed=6)
    for name, tolerance in (("sbp", 1.0), ("dbp", 1.0), ("mbp", 0.05)):
        assert got[f"expected_{name}"] == pytest.approx(got[f"raw_{name}"], abs=tolerance), name
    assert got["expected_dpdt_max"] == pytest.approx(got["raw_dpdt_max"], abs=6.0)  # per cent


def test_the_error_is_there_to_be_expected(patient):
    ringing, slow = one_line(patient, 10, 0.1, 125.0, 6), one_line(patient, 5, 1.3, 125.0, 6)
    assert ringing["raw_sbp"] > 5
    assert slow["raw_sbp"] < -5
    assert ringing["expected_dpdt_max"] > 30
    assert slow["expected_dpdt_max"] < -30


def test_numbers_are_those_of_the_indices(patient, sound):
    got = numbers_of(sound)
    fs = 250.0
    rec = record(patient.wave, fs, 1, noise=0.01, step=0.01)
    found = numbers(rec.wave, fs, rec.scale).reading
    assert got["sbp"] == pytest.approx(np.median(systolic_pressure(rec.wave, found.peak, fs)), abs=0.7)
    trough = np.median(diastolic_pressure(rec.wave, found.onset, found.steepest, fs))
    assert got["dbp"] == pytest.approx(trough, abs=0.7)
    assert got["dpdt_max"] == pytest.approx(np.median(dpdt_max(rec.wave, found.steepest, fs)), rel=0.03)
    assert got["mbp"] == pytest.approx(np.median(patient.beats["mbp"]), abs=0.7)
    assert sound.heart_rate == pytest.approx(patient.heart_rate, rel=0.01)


def test_noise_and_steps_do_not_move_the_expected_error(patient):
    quiet = expected_error(recorded_beat(patient, 10, 0.15, noise=0.01, step=0.01), dynamics(10, 0.15))
    coarse = expected_error(recorded_beat(patient, 10, 0.15, noise=0.5, step=1.0), dynamics(10, 0.15))
    assert coarse.sbp.value == pytest.approx(quiet.sbp.value, abs=0.4)
    assert coarse.sbp.undistorted == pytest.approx(quiet.sbp.undistorted, abs=0.6)


def test_a_few_odd_beats_do_not_move_the_typical_one(patient):
    rec = record(second_order(patient.wave, FINE_HZ, 12, 0.2), 125.0, 5)
    found = numbers(rec.wave, 125.0, rec.scale).reading
    clean = typical_beat(rec.wave, 125.0, found.onset, found.steepest, found.end)
    spoilt = rec.wave.copy()
    for k in (3, 9):
        spoilt[int(found.peak[k]) - 3 : int(found.peak[k]) + 4] += 40.0
    odd = typical_beat(spoilt, 125.0, found.onset, found.steepest, found.end)
    assert numbers_of(odd)["sbp"] == pytest.approx(numbers_of(clean)["sbp"], abs=0.5)


def test_missing_samples_are_left_out_and_too_few_beats_refused(patient):
    rec = record(patient.wave, 125.0, 5)
    found = numbers(rec.wave, 125.0, rec.scale).reading
    marks = found.onset, found.steepest, found.end
    holed = rec.wave.copy()
    holed[int(found.peak[4])] = np.nan
    whole = typical_beat(rec.wave, 125.0, *marks)
    assert typical_beat(holed, 125.0, *marks).beats == whole.beats - 1
    with pytest.raises(InputError, match="needs 5 whole undisturbed beats"):
        typical_beat(rec.wave, 125.0, *(m[:4] for m in marks))
    with pytest.raises(InputError, match="needs 5 whole"):
        typical_beat(np.full_like(rec.wave, np.nan), 125.0, *marks)


# --- uncertainty of the line ---------------------------------------------------------------------------


def test_interval_follows_the_uncertainty_of_the_line(patient):
    beat = recorded_beat(patient, 10, 0.15)
    sharp = expected_error(beat, Dynamics(10, 0.15, 0.1, 0.005, resolved=True))
    vague = expected_error(beat, Dynamics(10, 0.15, 0.4, 0.02, resolved=True))
    assert sharp.sbp.low < sharp.sbp.value < sharp.sbp.high
    assert vague.sbp.high - vague.sbp.low == pytest.approx(4 * (sharp.sbp.high - sharp.sbp.low), rel=0.15)
    # By drawing lines at random: the nine points stand for all of them.
    rng = np.random.default_rng(1)
    lines = zip(
        10 * np.exp(rng.normal(0, 0.04, 400)), 0.15 * np.exp(rng.normal(0, 0.02 / 0.15, 400)), strict=True
    )
    values = [expected_error(beat, Dynamics(a, b, 0.0, 0.0, resolved=True)).sbp.value for a, b in lines]
    assert (vague.sbp.high - vague.sbp.low) / (2 * 1.96) == pytest.approx(np.std(values), rel=0.15)


def test_a_line_known_by_bounds_gives_an_interval_that_holds_the_truth(patient):
    beat = recorded_beat(patient, 30, 0.4)
    fast = Dynamics(45, 0.4, natural_frequency_hz_low=25, damping_ratio_low=0.2, damping_ratio_high=0.8)
    result = expected_error(beat, fast)
    truth = float(errors_of_lines(beat.undistorted(30, 0.4), 30, 0.4)["sbp"])
    # All these lines do next to nothing, so that there is a best estimate.
    assert result.within == 2.0
    assert result.sbp.low - 0.3 <= truth <= result.sbp.high + 0.3
    assert result.sbp.value == pytest.approx(truth, abs=0.5)
    assert result.unsure < 0.5


def test_bounds_that_leave_much_open_give_no_best_estimate(patient):
    beat = recorded_beat(patient, 8, 0.3)
    wide = Dynamics(8, 0.3, natural_frequency_hz_low=6, damping_ratio_low=0.1, damping_ratio_high=0.8)
    result = expected_error(beat, wide)
    assert not result.known
    assert np.isnan(result.sbp.value)
    assert result.unsure > SURE_TO
    assert "off by" in result.words()


def test_a_slow_pole_narrows_what_bounds_leave_open(patient):
    beat = recorded_beat(patient, 6, 1.3)
    bounds = {"natural_frequency_hz_low": 4.0, "natural_frequency_hz_high": 9.0, "damping_ratio_low": 0.9,
              "damping_ratio_high": 2.0}  # fmt: skip
    tau = (1.3 + np.sqrt(1.3**2 - 1)) / (2 * np.pi * 6)
    box = expected_error(beat, Dynamics(6, 1.3, **bounds))
    pole = expected_error(beat, Dynamics(6, 1.3, **bounds, slow_pole_s=tau))
    assert pole.sbp.high - pole.sbp.low < 0.5 * (box.sbp.high - box.sbp.low)
    real = one_line(patient, 6, 1.3, 125.0, 5)["raw_sbp"]
    assert pole.sbp.low - 1.5 <= real <= pole.sbp.high + 1.5


def test_standard_errors_that_are_missing_do_not_pass_for_certainty(patient):
    beat = recorded_beat(patient, 10, 0.15)
    result = expected_error(beat, Dynamics(10, 0.15, resolved=True))
    assert result.sbp.high - result.sbp.low > 10
    with pytest.raises(InputError, match="measure a flush first"):
        expected_error(beat, Dynamics(float("nan"), float("nan")))


def test_words_say_what_the_numbers_say(patient):
    ringing = expected_error(recorded_beat(patient, 10, 0.1), dynamics(10, 0.1))
    assert f"systolic {ringing.sbp.value:.1f} mmHg too high" in ringing.words()
    assert "mean unchanged" in ringing.words()
    slow = expected_error(recorded_beat(patient, 5, 1.2), dynamics(5, 1.2))
    assert f"systolic {-slow.sbp.value:.1f} mmHg too low" in slow.words()
    for result in (ringing, slow):
        worst = max(result.sbp.worst, result.dbp.worst)
        assert result.within == next((s for s in STEPS if worst <= s), np.inf)
        assert not {"adequate", "acceptable", "safe"} & set(result.words().lower().split())


def test_frequency_and_damping_are_taken_together():
    # By least squares of a general-purpose library on simulated releases with white noise.
    from scipy.optimize import curve_fit

    t = np.arange(300) / 250.0
    for hz, z in ((12.0, 0.2), (6.0, 1.1), (6.5, 1.3)):

        def wave(t, log_hz, log_z, size, level, drift):
            return size * free_response(t, np.exp(log_hz), np.exp(log_z), 1.0, 0.0) + level + drift * t

        true = np.array([np.log(hz), np.log(z), 200.0, 80.0, 0.0])
        y = wave(t, *true) + np.random.default_rng(3).normal(0, 0.3, t.size)
        _, covariance = curve_fit(wave, t, y, p0=true)
        expected = covariance[0, 1] / np.sqrt(covariance[0, 0] * covariance[1, 1])
        assert usual_correlation(hz, z) == pytest.approx(expected, abs=0.03)


def test_likely_lines_have_the_mean_and_spread_of_the_measurement():
    lines, weight = likely_lines(Dynamics(6.0, 1.2, 0.12, 0.024, resolved=True))
    logs = np.log(lines)
    assert weight.sum() == pytest.approx(1.0)
    np.testing.assert_allclose(weight @ logs, np.log([6.0, 1.2]), atol=1e-12)
    covariance = (weight[:, None] * (logs - logs[0])).T @ (logs - logs[0])
    np.testing.assert_allclose(np.sqrt(np.diag(covariance)), [0.02, 0.02], rtol=1e-9)
    assert covariance[0, 1] / 0.02**2 == pytest.approx(usual_correlation(6.0, 1.2))
    # What both errors do together to the slow return is far less than what they would do alone.
    slow = np.log([slow_pole(*line) for line in lines])
    alone = np.hypot(0.02, np.log(slow_pole(6.0, 1.2 * np.exp(0.02)) / slow_pole(6.0, 1.2)))
    assert np.sqrt(weight @ (slow - weight @ slow) ** 2) < 0.6 * alone


def test_a_measurement_may_say_how_its_errors_go_together(patient):
    @dataclasses.dataclass(frozen=True)
    class Told(Dynamics):
        correlation: float = 0.0
        slow_pole_s_se: float = float("nan")

    beat = recorded_beat(patient, 6, 1.2)
    apart, together = (
        expected_error(beat, Told(6.0, 1.2, 0.12, 0.024, resolved=True, correlation=r)) for r in (0.0, 0.98)
    )
    assert together.unsure < 0.5 * apart.unsure
    # The same said by the standard error of the slow pole.
    slope = np.log(slow_pole(6.0, 1.21) / slow_pole(6.0, 1.19)) / np.log(1.21 / 1.19)
    tau = slow_pole(6.0, 1.2)
    for r, like in ((0.0, apart), (0.98, together)):
        tau_se = tau * 0.02 * np.sqrt(1 + slope**2 - 2 * r * slope)
        told = Told(6.0, 1.2, 0.12, 0.024, resolved=True, slow_pole_s=tau, slow_pole_s_se=tau_se,
                    correlation=float("nan"))  # fmt: skip
        assert expected_error(beat, told).unsure == pytest.approx(like.unsure, rel=0.05)
    bounds = {"natural_frequency_hz_low": 5.0, "natural_frequency_hz_high": 7.0, "damping_ratio_low": 1.1,
              "damping_ratio_high": 1.3, "slow_pole_s": slow_pole(6.0, 1.2)}  # fmt: skip
    sharp, vague = (
        expected_error(beat, Told(6, 1.2, **bounds, slow_pole_s_se=s, correlation=float("nan")))
        for s in (1e-4, 4e-3)
    )
    assert sharp.unsure < 0.5 * vague.unsure


def test_narrow_bounds_count_as_errors_and_wide_ones_do_not(patient):
    beat = recorded_beat(patient, 6, 1.2)

    def bounds(by: float) -> Dynamics:
        return Dynamics(
            6.0, 1.2, natural_frequency_hz_low=6.0 / by, natural_frequency_hz_high=6.0 * by,
            damping_ratio_low=1.2 / by, damping_ratio_high=1.2 * by, slow_pole_s=slow_pole(6.0, 1.2),
            slow_pole_s_se=0.01 * slow_pole(6.0, 1.2),
        )  # fmt: skip

    narrow = expected_error(beat, bounds(1.06))
    se = np.log(1.06) / 2.0
    same = Dynamics(6.0, 1.2, 6.0 * se, 1.2 * se, resolved=True, slow_pole_s=slow_pole(6.0, 1.2),
                    slow_pole_s_se=0.01 * slow_pole(6.0, 1.2))  # fmt: skip
    assert narrow.unsure == pytest.approx(expected_error(beat, same).unsure)
    assert narrow.known
    # Of flushes that contradict each other no middle is more likely than the ends.
    torn = dataclasses.replace(bounds(1.06), disagree=True)
    assert likely_lines(torn).weight is None
    assert likely_lines(bounds(1.5)).weight is None


# --- properties ----------------------------------------------------------------------------------------

LINES = st.tuples(st.floats(4, 50), st.floats(0.05, 2.0))


@settings(max_examples=30)
@given(line=LINES, gain=st.floats(0.2, 3.0), level=st.floats(-20, 60))
def test_errors_scale_with_the_pulse_and_not_with_the_level(sound, line, gain, level):
    once = errors_of_lines(sound, *line)
    harmonics = gain * sound.harmonics
    harmonics[0] += level
    other = errors_of_lines(TypicalBeat(harmonics, sound.period_s, sound.fs, sound.noise, sound.beats), *line)
    for name in QUANTITIES:
        assert other[name] == pytest.approx(gain * once[name], rel=1e-6, abs=1e-6)
    assert once["mbp"] == pytest.approx(0.0, abs=1e-9)


@settings(max_examples=30)
@given(line=LINES)
def test_in_front_of_a_line_and_behind_it_again_is_the_recorded_beat(sound, line):
    quiet = TypicalBeat(sound.harmonics[:12], sound.period_s, sound.fs, np.zeros(12), sound.beats)
    low = quiet.f < 13.0  # below the part of the band that is closed
    again = quiet.undistorted(*line).behind(*line)
    np.testing.assert_allclose(again[low], quiet.harmonics[low], rtol=1e-6, atol=1e-9)


def test_a_line_without_limit_changes_nothing(sound):
    errors = errors_of_lines(sound, 5000.0, 0.7)
    for name in ("sbp", "dbp", "pp"):
        assert errors[name] == pytest.approx(0.0, abs=0.01)


# --- published: directions, ordering, sizes ------------------------------------------------------------


def test_diastolic_pressure_suffers_less_than_systolic():
    # Gardner RM 1981, Anesthesiology 54:227-236, abstract: diastolic tolerates poor response better.
    for seed in range(41010, 41016):
        one = draw_patient(seed, duration_s=12.0)
        marks = (one.beats[name].to_numpy() * FINE_HZ for name in ("onset_s", "steepest_s", "end_s"))
        beat = typical_beat(one.wave, FINE_HZ, *marks)
        for line in ((8.0, 0.15), (6.0, 1.2)):
            errors = errors_of_lines(beat, *line)
            assert abs(errors["sbp"]) > abs(errors["dbp"]), (seed, line)


def test_the_slower_the_line_the_narrower_the_damping_that_serves(sound):
    # Part One (Barlow C and contributors), pressure transduction: monotone narrowing.
    z = np.geomspace(0.05, 2.0, 200)
    width = [
        float(np.sum(np.abs(errors_of_lines(sound, hz, z)["sbp"]) <= 2.0))
        for hz in (5.0, 7.0, 10.0, 15.0, 30.0)
    ]
    assert np.all(np.diff(width) >= 0)
    assert width[-1] > 2 * width[0]


def test_overshoot_of_usual_damping():
    # Evaluation of dynamic performance in liquid-filled catheter systems (abstract): damping of 0.1 to 0.2
    # gives systolic overshoot up to 13 %, of 0.5 to 0.7 1 to 2 %.
    for seed in range(41020, 41026):
        one = draw_patient(seed, duration_s=12.0)
        marks = (one.beats[name].to_numpy() * FINE_HZ for name in ("onset_s", "steepest_s", "end_s"))
        beat = typical_beat(one.wave, FINE_HZ, *marks)
        top = numbers_of(beat)["sbp"]
        usual = (
            100 * errors_of_lines(beat, np.array([14.7, 14.7, 23.7]), np.array([0.1, 0.2, 0.15]))["sbp"] / top
        )
        assert np.all((usual > -0.5) & (usual < 13.0))
        good = 100 * errors_of_lines(beat, np.array([14.7, 23.7]), np.array([0.5, 0.7]))["sbp"] / top
        assert np.all(np.abs(good) < 2.0)


def test_dpdt_beyond_40_hz_is_within_a_tenth(sound):
    # The rule of Falsetti and others holds for these radial beats as well, at usual damping.
    errors = errors_of_lines(sound, 40.0, np.array([0.15, 0.26, 0.4]))["dpdt_max"]
    assert np.all(np.abs(errors) < 0.1 * numbers_of(sound)["dpdt_max"])


# --- picture -------------------------------------------------------------------------------------------


def test_plane_holds_the_errors_of_its_lines(sound):
    hz, z, error = error_plane(sound, points=(12, 9))
    assert error.shape == (9, 12)
    assert (hz[0], hz[-1]) == pytest.approx(FREQUENCIES)
    assert (z[0], z[-1]) == pytest.approx(DAMPING)
    assert error[3, 7] == pytest.approx(float(errors_of_lines(sound, hz[7], z[3])["sbp"]))


def test_picture_shows_line_interval_and_contours(patient):
    line = Dynamics(10, 0.15, 0.2, 0.01, 9.6, 10.4, 0.13, 0.17, resolved=True, n_flushes=2)
    result = expected_error(recorded_beat(patient, 10, 0.15), line)
    ax = line_plane(result)
    point, *_ = ax.containers[0].lines
    assert (point.get_xdata()[0], point.get_ydata()[0]) == (10, 0.15)
    bars = [bar.get_segments()[0] for bar in ax.containers[0].lines[2]]
    np.testing.assert_allclose(bars[0][:, 0], [9.6, 10.4])
    np.testing.assert_allclose(bars[1][:, 1], [0.13, 0.17])
    assert any(f"{result.sbp.value:+.1f} mmHg" in text.get_text() for text in ax.texts)
    sets = [c for c in ax.collections if hasattr(c, "levels") and not c.filled]
    before = result.beat.undistorted(10, 0.15)
    for drawn in sets:
        for level, path in zip(drawn.levels, drawn.get_paths(), strict=True):
            for hz, z in path.vertices[::40]:
                assert float(errors_of_lines(before, hz, z)["sbp"]) == pytest.approx(level, abs=1.5)
    # Told apart without colour.
    assert {str(d.linestyles) for d in sets} == {"solid", "dashed"}


def test_picture_draws_a_box_where_only_bounds_are_known(patient):
    from hemoidx.plot.style import new_figure

    bounds = Dynamics(40, 0.4, natural_frequency_hz_low=25, damping_ratio_low=0.2, damping_ratio_high=0.8)
    given_ax = new_figure(6, 4).subplots()
    ax = line_plane(expected_error(recorded_beat(patient, 30, 0.4), bounds), ax=given_ax)
    assert ax is given_ax
    box = ax.patches[0]
    assert (box.get_x(), box.get_y()) == (25, 0.2)
    assert box.get_x() + box.get_width() == pytest.approx(FREQUENCIES[1])
    assert box.get_y() + box.get_height() == pytest.approx(0.8)
    assert not ax.containers
