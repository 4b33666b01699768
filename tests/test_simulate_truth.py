"""Truth of a simulation: against closed forms, a second derivation, and its own rules."""

import dataclasses

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from hemoidx.errors import InputError
from hemoidx.simulate import (
    EVENT_KINDS,
    FAMILIES,
    Event,
    Scenario,
    random_scenarios,
    simulate,
    simulate_arrays,
)
from hemoidx.simulate.heart import BeatTrain
from hemoidx.simulate.truth import landmarks

QUIET = Scenario(duration_s=40.0, seed=4, noise=0.0, step=0.01, drift=0.0)


def test_landmarks_of_a_wave_drawn_with_ruler_and_pencil() -> None:
    """A straight rise of 40 mmHg in 0.1 s and a straight fall in 0.7 s: every value is known."""
    fs, period, n = 1000.0, 0.8, 10
    t = np.arange(0, n * period, 1 / fs)
    place = t % period
    wave = np.where(place < 0.1, 80 + 400 * place, 120 - (place - 0.1) * 40 / 0.7)
    start = np.arange(n) * period
    train = BeatTrain(start, np.full(n, period), np.full(n, 0.3), np.ones(n), np.zeros(n, dtype=np.int64))
    marks = landmarks(wave, fs, 0.0, train, 0.0)
    beats = slice(2, n - 2)
    assert marks.onset[beats] == pytest.approx(start[beats], abs=0.001)
    assert marks.peak[beats] == pytest.approx(start[beats] + 0.1, abs=0.001)
    assert marks.end[beats] == pytest.approx(start[beats] + period, abs=0.001)
    assert marks.dpdt_max[beats] == pytest.approx(400.0, rel=1e-6)
    assert marks.dbp[beats] == pytest.approx(80.0, abs=0.1)
    assert marks.sbp[beats] == pytest.approx(120.0, abs=0.3)
    assert marks.mbp[beats] == pytest.approx(100.0, abs=0.1)
    # A straight fall has no incisura.
    assert np.isnan(marks.notch[beats]).all()


def test_truth_agrees_with_a_plain_second_derivation() -> None:
    """Beat by beat, from samples without noise at 1000 Hz, with nothing but the definitions."""
    p, fs, _, truth = simulate_arrays(QUIET.replace(fs=1000.0, dicrotic=0.3))
    p = p.astype(float)
    beats = truth.beats[truth.beats.clear]
    slope = np.gradient(p) * fs
    for beat in beats.iloc[2:30].itertuples():
        i = round(beat.steepest_s * fs)
        near = np.arange(i - 30, i + 30)
        top = near[np.argmax(slope[near])]
        # The slope is nearly level round its maximum, and even 0.01 mmHg steps roughen it.
        assert top == pytest.approx(beat.steepest_s * fs, abs=8)
        dbp = p[i - round(min(0.25, beat.duration_s / 3) * fs) : i].min()
        assert dbp == pytest.approx(beat.dbp, abs=0.1)
        assert (top - (p[top] - dbp) / slope[top] * fs) / fs == pytest.approx(beat.onset_s, abs=0.003)
        whole = p[round(beat.onset_s * fs) : round(beat.end_s * fs)]
        assert whole.max() == pytest.approx(beat.sbp, abs=0.1)
        assert whole.mean() == pytest.approx(beat.mbp, abs=0.1)
        notch = round(beat.notch_s * fs)
        assert p[notch] == pytest.approx(p[notch - 40 : notch + 41].min(), abs=0.05)


def test_no_notch_behind_a_slow_line() -> None:
    seen = simulate_arrays(QUIET.replace(dicrotic=0.05))[3].beats
    blurred = simulate_arrays(QUIET.replace(dicrotic=0.05, line_hz=3.5, line_damping=1.8))[3].beats
    assert seen.notch_s.notna().mean() > 0.95
    assert blurred.notch_s.notna().mean() < 0.05
    ejection = seen.ejection_time_s.median()
    assert ejection == pytest.approx(0.3 * np.sqrt(0.8), abs=0.06)


@pytest.mark.parametrize("pulse", [8.0, 55.0, 150.0])
@pytest.mark.parametrize("line", [(25.0, 0.5), (10.0, 0.15), (4.0, 1.2)])
def test_wanted_level_and_pulse_are_met(pulse: float, line: tuple[float, float]) -> None:
    scenario = QUIET.replace(
        pulse_pressure=pulse, mean_pressure=100.0, line_hz=line[0], line_damping=line[1], rail_high=320.0
    )
    p, _, _, truth = simulate_arrays(scenario)
    assert truth.beats.pp.median() == pytest.approx(pulse, rel=0.03)
    assert p.mean() == pytest.approx(100.0, abs=0.01 * pulse + 0.2)


def test_deep_dicrotic_wave_leaves_diastolic_alone() -> None:
    """The trough before the dicrotic wave may be the lowest point of the beat; it is not diastolic."""
    springy = {"dicrotic": 0.3, "dicrotic_delay": 0.5, "amplification": 3.5, "tube_hz": 3.0, "decay_s": 3.0}
    p, fs, _, truth = simulate_arrays(QUIET.replace(rate=100.0, fs=500.0, **springy))
    beats = truth.beats[truth.beats.clear]
    for beat, after in zip(beats.iloc[5:15].itertuples(), beats.iloc[6:16].itertuples(), strict=True):
        trough = p[round(beat.peak_s * fs) : round((beat.onset_s + 0.8 * beat.duration_s) * fs)].min()
        foot = p[round((after.onset_s - 0.1) * fs) : round(after.steepest_s * fs)].min()
        assert after.dbp == pytest.approx(foot, abs=0.1)
        assert trough < after.dbp - 3.0


@settings(max_examples=60, deadline=None)
@given(seed=st.integers(0, 10_000), family=st.integers(0, len(FAMILIES) - 1))
def test_truth_is_in_order(seed: int, family: int) -> None:
    scenario = random_scenarios(family + 1, seed, duration_s=40.0)[family]
    p, fs, scale, truth = simulate_arrays(scenario)
    assert p.dtype == np.float32
    assert p.size == round(40.0 * fs)
    beats = truth.beats[truth.beats.clear]
    assert (beats.onset_s < beats.steepest_s).all()
    assert (beats.steepest_s < beats.peak_s).all()
    assert (beats.peak_s < beats.end_s).all()
    assert (beats.sbp >= beats.mbp).all()
    notched = beats[beats.notch_s.notna()]
    assert ((notched.notch_s > notched.peak_s) & (notched.notch_s < notched.end_s)).all()
    # A premature beat starts high; in the pause behind it pressure may fall below its own foot.
    if scenario.rhythm == "sinus" and not scenario.ectopic_share:
        assert (beats.mbp >= beats.dbp).all()
    assert truth.spans.kind.isin(EVENT_KINDS).all()
    assert (truth.spans.start_s < truth.spans.end_s).all()
    assert (truth.spans.touch_start_s <= truth.spans.start_s).all()
    assert (truth.spans.touch_end_s >= truth.spans.end_s).all()
    for span in truth.spans.itertuples():
        near = (beats.onset_s - 0.25 < span.touch_end_s) & (beats.end_s + 0.25 > span.touch_start_s)
        assert not near.any()
        if span.kind not in ("motion", "saturated"):
            inside = (truth.beats.onset_s > span.start_s) & (truth.beats.peak_s < span.end_s)
            assert not inside.any()
    code = p[np.isfinite(p)].astype(float) * scale[0]["gain"]
    assert np.abs(code - np.round(code)).max() < 0.02
    assert scale[0]["rail_low"] - 1e-3 <= np.nanmin(p)
    assert np.nanmax(p) <= scale[0]["rail_high"] + 1e-3


@settings(max_examples=10, deadline=None)
@given(step=st.floats(0.05, 1.25), seed=st.integers(0, 1000), fs=st.sampled_from([60.0, 125.0, 1000.0]))
def test_steps_cost_half_a_step_at_most(step: float, seed: int, fs: float) -> None:
    scenario = Scenario(seed=seed, duration_s=20.0, fs=fs, noise=0.2, step=0.01)
    fine = simulate_arrays(scenario)[0].astype(float)
    coarse = simulate_arrays(scenario.replace(step=step))[0].astype(float)
    assert np.abs(fine - coarse).max() <= 0.5 / scenario.replace(step=step).gain + 0.006


def test_same_seed_same_bytes_other_seed_other_beats() -> None:
    scenario = random_scenarios(24, 5, 40.0)[23]
    one, two = simulate_arrays(scenario), simulate_arrays(scenario)
    assert one[0].tobytes() == two[0].tobytes()
    assert one[3].beats.equals(two[3].beats)
    assert one[3].spans.equals(two[3].spans)
    other = simulate_arrays(scenario.replace(seed=scenario.seed + 1))
    assert other[0].tobytes() != one[0].tobytes()
    assert random_scenarios(30, 5, 40.0) == random_scenarios(30, 5, 40.0)


def test_random_scenarios_cover_the_range() -> None:
    drawn = random_scenarios(20 * len(FAMILIES), seed=1)
    assert {s.family for s in drawn} == set(FAMILIES)
    rates = np.array([s.rate for s in drawn])
    pulses = np.array([s.pulse_pressure for s in drawn])
    steps = np.array([s.step for s in drawn])
    assert rates.min() < 28
    assert rates.max() > 210
    assert pulses.min() < 8.5
    assert pulses.max() > 140
    assert steps.min() < 0.07
    assert steps.max() > 1.2
    assert {s.fs for s in drawn} >= {60.0, 125.0, 250.0, 500.0, 1000.0}
    assert {e.kind for s in drawn for e in s.events} == set(EVENT_KINDS)
    assert {s.breathing for s in drawn} == {"controlled", "spontaneous"}
    for s in drawn:
        assert s.noise <= 0.06 * s.pulse_pressure
        assert s.step <= 0.11 * s.pulse_pressure
    assert max(s.pulse_pressure for s in drawn if s.rate > 140) < 100
    assert max(s.pulse_pressure for s in drawn if s.rate > 200) < 70
    # Even, not only wide: each quarter of the sampling rates holds about a quarter of the scenarios.
    quarters = np.histogram([s.fs for s in drawn], bins=[0, 110, 190, 330, 1001])[0]
    assert quarters.min() > 0.15 * len(drawn)


@pytest.mark.parametrize(
    "changes",
    [
        {"rate": 400.0},
        {"fs": 1.0},
        {"pulse_pressure": float("nan")},
        {"rhythm": "waltz"},
        {"breathing": "never"},
        {"rail_low": 300.0},
        {"decay_s": 0.0},
        {"step": 0.01, "rail_high": 2000.0},
    ],
)
def test_impossible_scenarios_are_refused(changes: dict[str, object]) -> None:
    with pytest.raises(InputError, match="scenario steady"):
        Scenario().replace(**changes)


def test_impossible_events_are_refused() -> None:
    with pytest.raises(InputError, match="earthquake"):
        Event("earthquake", 1.0, 2.0)
    with pytest.raises(InputError, match="start_s >= 0"):
        Event("flush", -1.0, 2.0)
    with pytest.raises(InputError, match="n >= 1"):
        random_scenarios(0)


def test_a_scenario_cannot_be_changed() -> None:
    with pytest.raises(dataclasses.FrozenInstanceError):
        Scenario().rate = 80.0  # type: ignore[misc]


def test_one_patient_can_be_put_behind_several_lines() -> None:
    # What the line does is what separates them; the mean passes through any of them.
    base = Scenario(seed=5, duration_s=40.0, fs=250.0, step=0.1, noise=0.0, meant_at="artery", drift=0.0)
    clear, ringing, damped = (
        simulate(base.replace(line_hz=hz, line_damping=damping)).truth.beats
        for hz, damping in ((80.0, 0.7), (8.0, 0.15), (4.0, 1.5))
    )
    assert clear["sbp"].median() - clear["dbp"].median() == pytest.approx(base.pulse_pressure, abs=1.0)
    assert ringing["sbp"].median() > clear["sbp"].median() + 4.0
    assert damped["sbp"].median() < clear["sbp"].median() - 4.0
    for beats in (ringing, damped):
        assert beats["mbp"].median() == pytest.approx(clear["mbp"].median(), abs=0.2)
    # Meant at the recorder, the pulse there is the one asked for, whatever the line.
    there = simulate(base.replace(line_hz=8.0, line_damping=0.15, meant_at="recorder")).truth.beats
    assert there["sbp"].median() - there["dbp"].median() == pytest.approx(base.pulse_pressure, abs=1.0)
