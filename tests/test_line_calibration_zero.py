"""Zero read off open stretches, drift, and zero at a moment."""

from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from hemoidx import beats, load
from hemoidx.errors import InputError
from hemoidx.line.drift import STALE_AFTER_S, drift_allowance, zero_at, zero_drift
from hemoidx.line.zero import ZeroReadings, differs_from_zero, zero_readings
from hemoidx.simulate import Event, Scenario, simulate_arrays

from .waves import pulses


def opened(levels: list[float], seconds: float, fs: float, step: float, noise: float, seed: int = 0) -> Any:
    """Pulses, then an open line at these levels in turn with a splash at its start, then pulses."""
    rng = np.random.default_rng(seed)
    n = round(seconds * fs)
    t = np.arange(n * len(levels)) / fs
    still = np.repeat(np.array(levels, dtype=float), n) + rng.normal(0.0, noise, t.size)
    still -= 60.0 * np.exp(-t / 0.08) * np.sin(2 * np.pi * 8 * t)
    before = pulses(fs, 8.0)
    wave = np.concatenate([before, still, pulses(fs, 8.0)])
    if step:
        wave = step * np.rint(wave / step)
    return wave, before.size, before.size + t.size


def readings(level: Any, se: Any, start_s: Any, found: Any = None) -> ZeroReadings:
    """Readings of one second each, one to a stretch unless `found` says otherwise."""
    n = len(level)
    first = np.ones(n, dtype=bool) if found is None else np.array(found)
    start = np.array(start_s, dtype=np.int64)
    holds = np.append(first[1:], True)
    flat = np.full(n, 0.0)
    arrays = (np.array(level, dtype=float), np.broadcast_to(np.array(se, dtype=float), n), flat)
    return ZeroReadings(np.cumsum(first) - 1, start, start + 1, *arrays, ~first, first, holds, fs=1.0)


@pytest.mark.parametrize("step", [0.0, 0.25, 0.5, 1.25])
def test_levels_within_their_standard_error(step: float) -> None:
    # Truth by construction: 95 % of levels within two standard errors, which do not outgrow the rounding.
    off = []
    for seed in range(80):
        rng = np.random.default_rng([seed, 9])
        level = float(rng.uniform(-8, 8))
        wave, a, b = opened([level], float(rng.uniform(2, 9)), 125.0, step, 0.1, seed)
        z = zero_readings(wave, 125.0, [a], [b], step)
        assert len(z) == 1
        off.append((z.level[0] - level) / z.se[0])
        assert z.se[0] < step / np.sqrt(12.0) + 0.1
    assert np.mean(np.abs(off) < 2.0) >= 0.95


@pytest.mark.parametrize("noise", [0.05, 0.3, 0.5])
def test_rounding_error_of_a_mean(noise: float) -> None:
    # The formula of the notes against many levels; noise in steps.
    rng = np.random.default_rng(4)
    levels = rng.uniform(-0.5, 0.5, 400)
    seen = np.rint(levels[:, None] + noise * rng.normal(size=(400, 4000))).mean(axis=1) - levels
    k = np.arange(1, 51)
    law = np.sqrt(np.sum(np.exp(-4 * np.pi**2 * k**2 * noise**2) / (2 * np.pi**2 * k**2)))
    assert np.sqrt(np.mean(seen**2)) == pytest.approx(law, abs=0.012)
    said = []
    for level in levels[:40]:
        y = np.rint(level + noise * rng.normal(size=1500))
        said.append(zero_readings(y, 125.0, [0], [1500], 1.0).se[0])
    # What is said is at least about what is true; it is more where two codes do not tell the noise, but never
    # as much as without noise.
    assert 0.8 * law < np.sqrt(np.mean(np.square(said))) < 1.0 / np.sqrt(12.0)


@pytest.mark.parametrize(("fs", "step"), [(100.0, 0.25), (125.0, 1.25), (250.0, 0.5), (500.0, 0.0)])
def test_zero_taken_within_a_stretch(fs: float, step: float) -> None:
    wave, a, b = opened([7.0, 0.1], 4.0, fs, step, 0.1, seed=2)
    z = zero_readings(wave, fs, [a], [b], step, first=1000)
    assert z.level == pytest.approx([7.0, 0.1], abs=max(0.05, 0.55 * step))
    assert abs(z.start[1] - (a + b) / 2) <= 1
    assert z.stop[0] == z.start[1]
    assert z.start_s[1] == (1000 + z.start[1]) / fs
    assert (z.zeroed.tolist(), z.found.tolist(), z.holds.tolist()) == (
        [False, True],
        [True, False],
        [False, True],
    )
    assert z.not_applied.tolist() == [False, False]
    assert "zeroed at" in z.words()[0]
    assert z.to_frame()["zeroed"].tolist() == [False, True]


def test_a_move_away_from_zero_is_no_zeroing() -> None:
    wave, a, b = opened([0.0, 6.0], 4.0, 125.0, 0.25, 0.1)
    z = zero_readings(wave, 125.0, [a], [b], 0.25)
    assert z.zeroed.tolist() == [False, False]
    assert z.not_applied.tolist() == [False, True]
    assert "the level moved" in z.words()[0]
    assert "left without a zero" in z.words()[0]


def test_a_slope_is_not_cut_into_steps() -> None:
    rng = np.random.default_rng(1)
    slow = np.linspace(0.0, 6.0, 125 * 12) + rng.normal(0, 0.1, 125 * 12)
    z = zero_readings(slow, 125.0, [0], [slow.size], 0.0)
    assert len(z) == 1
    assert z.se[0] > 1.0  # no single level describes it, and the standard error says so


def test_a_first_level_too_short_is_not_what_was_found() -> None:
    wave, a, _ = opened([5.0, 0.0], 4.0, 125.0, 0.25, 0.1)
    change = a + 4 * 125
    z = zero_readings(wave, 125.0, [change - 50], [change + 400], 0.25)
    assert len(z) == 1
    assert not z.found[0]
    assert z.holds[0]


def test_nothing_quiet_gives_no_reading() -> None:
    wave = pulses(125.0, 20.0)
    assert len(zero_readings(wave, 125.0, [0, 1000], [900, 1010])) == 0
    assert len(zero_readings(np.full(500, np.nan), 125.0, [0], [500])) == 0
    empty = zero_readings(wave, 125.0, [], [])
    assert (len(empty), empty.words(), len(empty.to_frame())) == (0, [], 0)
    assert np.isnan(zero_drift(empty).per_hour)
    assert zero_at(empty, [5.0]).stale.all()


def test_gaps_and_splashes_do_not_move_the_level() -> None:
    wave, a, b = opened([3.0], 8.0, 125.0, 0.25, 0.1)
    rough = wave.copy()
    rough[a + 400 : a + 430] += 25.0
    rough[a + 600 : a + 640] = np.nan
    one, two = (zero_readings(w, 125.0, [a], [b], 0.25) for w in (wave, rough))
    assert two.level == pytest.approx(one.level, abs=0.03)
    assert len(two) == 1


def test_a_slow_end_of_the_opening_is_left_out() -> None:
    wave, a, b = opened([3.0], 8.0, 125.0, 0.0, 0.05)
    wave[a:b] += 2.5 * np.exp(-np.arange(b - a) / 125.0 / 0.7)
    z = zero_readings(wave, 125.0, [a], [b])
    assert z.level == pytest.approx([3.0], abs=0.06)


@settings(max_examples=40)
@given(st.floats(-9, 9), st.integers(0, 1000))
def test_a_shift_of_the_wave_shifts_the_level(shift: float, seed: int) -> None:
    wave, a, b = opened([2.0], 3.0, 125.0, 0.0, 0.1, seed)
    one, two = (zero_readings(w, 125.0, [a], [b]) for w in (wave, wave + shift))
    assert two.level == pytest.approx(one.level + shift, abs=1e-9)
    assert two.se == pytest.approx(one.se, abs=1e-9)


def test_simulated_recordings() -> None:
    # Truth from simulation: offsets of an opened transducer, some of them zeroed on the way.
    off, taken, left = [], 0, []
    for seed in range(24):
        rng = np.random.default_rng(seed)
        level, step = float(rng.uniform(2.5, 7)) * rng.choice([-1, 1]), float(rng.choice([0.25, 0.5, 1.25]))
        event = Event("open_to_air", 6.0, float(rng.uniform(6, 12)), level=level)
        wave, fs, _, truth = simulate_arrays(Scenario(duration_s=20.0, seed=seed, step=step, events=(event,)))
        span = truth.spans[truth.spans["kind"] == "open_to_air"]
        edges = np.rint(span[["start_s", "end_s"]].to_numpy() * fs).astype(int)
        z = zero_readings(wave, fs, edges[:, 0], edges[:, 1], step)
        off.append((z.level[0] - level) / z.se[0])
        assert z.not_applied[-1] == (len(z) == 1)
        taken += int(z.zeroed.sum())
        left += z.level[z.zeroed].tolist()
    assert np.abs(off).max() < 2.5
    # The simulation zeroes every second one, to within 0.4 mmHg; half a step of rounding comes on top.
    assert 6 <= taken <= 18
    assert np.abs(left).max() <= 0.4 + 0.625


def test_real_recording_brought_into_use(real_data: Path) -> None:
    path = real_data / "mimic2wdb-excerpt" / "s00001" / "3975656_0013"
    if not path.with_suffix(".hea").exists():
        pytest.skip("record mimic2wdb-excerpt/s00001/3975656_0013 is not among the real recordings")
    data = load(path)["ABP"]
    open_to_air = beats.read(data.values, 125.0, data.attrs["scale"]).spans.of("open_to_air")
    z = zero_readings(data.values, 125.0, open_to_air.start, open_to_air.stop, data.attrs["scale"][0]["step"])
    # Read by eye: codes of 7.2 and 8.4 mmHg from 7.5 s, a fall to 0.0 within four samples at 10.46 to
    # 10.50 s, and 0.0 at the second opening from 134.3 s on.
    assert z.level == pytest.approx([7.6, 0.0, 0.0], abs=0.3)
    assert z.zeroed.tolist() == [False, True, False]
    assert z.start_s[1] == pytest.approx(10.48, abs=0.03)
    assert z.differs.tolist() == [True, False, False]
    assert z.holds.tolist() == [False, True, True]
    assert not z.not_applied.any()
    assert "zeroed at 10.5 s, then 0.0 mmHg" in z.words()[0]
    held = zero_at(z, np.array([5.0, 9.0, 60.0, 140.0]) * 125)
    assert np.isnan(held.level[0])
    assert held.level[1:] == pytest.approx([7.6, 0.0, 0.0], abs=0.3)


def test_drift_agrees_with_numpy_and_scipy() -> None:
    rng = np.random.default_rng(6)
    hours = np.array([0.0, 1.0, 2.5, 4.0, 7.0])
    level, se = 0.4 * hours + rng.normal(0.0, 0.05, 5), np.array([0.1, 0.2, 0.1, 0.3, 0.2])
    got = zero_drift(readings(level, se, hours * 3600))
    (slope, _), cov = np.polyfit(hours, level, 1, w=1 / se, cov="unscaled")
    assert (got.per_hour, got.se) == pytest.approx((slope, np.sqrt(cov[0, 0])), rel=1e-9)
    assert (got.readings, got.hours) == (5, pytest.approx(7.0))
    # Scatter beyond the standard errors raises that of the slope to what the scatter itself says.
    wild = np.array([0.0, 2.0, -1.0, 2.0, 0.5])
    other = stats.linregress(hours, wild)
    rough = zero_drift(readings(wild, 0.01, hours * 3600))
    assert (rough.per_hour, rough.se) == pytest.approx((other.slope, other.stderr), rel=1e-9)


def test_taking_a_zero_is_no_drift() -> None:
    # Levels 1, 2 | zeroed to 0 | 1 at even times: one slope of 1 mmHg/h with two origins.
    z = readings([1.0, 2.0, 0.0, 1.0], 0.1, [0, 3600, 3601, 7201], found=[True, True, False, True])
    got = zero_drift(z)
    assert got.per_hour == pytest.approx(1.0)
    design = np.array([[0.0, 1, 0], [1, 1, 0], [1 + 1 / 3600, 0, 1], [2 + 1 / 3600, 0, 1]])
    cov = 0.01 * np.linalg.inv(design.T @ design)
    assert got.se == pytest.approx(np.sqrt(cov[0, 0]), rel=1e-9)
    assert np.isnan(zero_drift(readings([3.0, 0.0], 0.1, [0, 5], found=[True, False])).per_hour)


@given(st.lists(st.floats(-3, 3), min_size=2, max_size=2), st.floats(0.05, 2.0), st.floats(1.0, 9.0))
def test_drift_scales(level: list[float], se: float, times: float) -> None:
    one, two = (zero_drift(readings(level, s, [0, 7200])) for s in (se, times * se))
    assert two.per_hour == pytest.approx(one.per_hour)
    assert two.se == pytest.approx(times * one.se)
    assert zero_drift(readings(level[::-1], se, [0, 7200])).per_hour == pytest.approx(-one.per_hour)


def test_the_last_level_holds_until_it_is_stale() -> None:
    z = readings([8.0, 0.0, 1.0], 0.1, [100, 101, 5000], found=[True, False, True])
    state = zero_at(z, [50, 103, 4999, 5001, 5001 + STALE_AFTER_S + 1], disturbances=[3000])
    assert state.level[1:].tolist() == [0.0, 0.0, 1.0, 1.0]
    assert np.isnan([state.level[0], state.se[0], state.age_s[0]]).all()
    assert state.age_s[1:].tolist() == [1.0, 4897.0, 0.0, STALE_AFTER_S + 1]
    assert state.stale.tolist() == [True, False, True, False, True]


def test_published_drift() -> None:
    # Grows evenly to the range of three hours, -2 to 2 mmHg (Gordon et al., Med Instrum 1987;21:87-91).
    low, high = drift_allowance([0.0, 5400.0, 36000.0])
    assert (low.tolist(), high.tolist()) == ([0.0, -1.0, -2.0], [0.0, 1.0, 2.0])
    with pytest.raises(InputError, match="unknown"):
        drift_allowance(1.0, "other")
    with pytest.raises(InputError, match="negative"):
        drift_allowance(-1.0)
    # Drift of a typical sensor under 0.5 mmHg over 15 to 35 C (technical note on IEC 60601-2-34): no fault.
    assert differs_from_zero([0.49, -0.49, 0.6], 0.01).tolist() == [False, False, True]


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"starts": [0], "stops": [10, 20]}, "1 starts and 2 stops"),
        ({"starts": [10], "stops": [5]}, "empty or outside"),
        ({"starts": [0], "stops": [5000]}, "empty or outside"),
        ({"starts": [300, 0], "stops": [400, 100]}, "in order"),
        ({"fs": 0.0}, "rate above 0"),
        ({"step": -1.0}, "step of the recorder"),
    ],
)
def test_refusals(change: dict[str, Any], words: str) -> None:
    asked: dict[str, Any] = {"fs": 125.0, "starts": [0], "stops": [500], **change}
    with pytest.raises(InputError, match=words):
        zero_readings(np.zeros(1000), **asked)
