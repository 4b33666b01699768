"""Breaths read off the beats: closed forms, simulated truth, what must not be claimed, properties."""

from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from hemoidx.breaths import Breaths, beat_series, read
from hemoidx.breaths.series import Spreader, kept, level_passed, local_mean
from hemoidx.errors import InputError
from hemoidx.facts import mask, names
from hemoidx.simulate import Scenario, simulate_arrays
from tests.bench.breathing import compare, series_of


def table(
    rate: float = 15.0,
    heart: float = 72.0,
    seconds: float = 180.0,
    seed: int = 0,
    second: float = 0.0,
    swing: float = 2.0,
    jitter: float = 0.015,
    noise: float = 0.3,
    first_s: float = 0.0,
) -> dict[str, np.ndarray]:
    """Beats whose pulse pressure follows a sine of known rate, and a second harmonic of it."""
    rng = np.random.default_rng(seed)
    interval = 60.0 / heart * (1.0 + jitter * rng.normal(size=int(seconds * heart / 60.0)))
    onset = np.cumsum(interval) - interval
    turn = 2 * np.pi * rate / 60.0 * onset
    wave = swing * (np.sin(turn) + second * np.sin(2 * turn + 0.6))
    dbp = 70.0 + 0.3 * wave + noise * rng.normal(size=onset.size)
    pulse = 50.0 + wave + noise * rng.normal(size=onset.size)
    return {
        "onset_s": onset + first_s, "interval_s": interval, "sbp": dbp + pulse, "dbp": dbp,
        "mbp": dbp + 0.4 * pulse,
    }  # fmt: skip


def simulated(seconds: float = 180.0, seed: int = 3, **changes: Any) -> tuple[Breaths, Any]:
    scenario = Scenario(duration_s=seconds, seed=seed).replace(**changes)
    pressure, fs, scale, truth = simulate_arrays(scenario)
    return read(series_of(pressure, fs, scale), seconds), truth


@pytest.mark.parametrize("heart", [58.0, 75.0, 131.0])
@pytest.mark.parametrize("rate", [8.3, 12.0, 20.0])
def test_breaths_of_a_sine_start_where_it_rises_through_its_mean(rate: float, heart: float) -> None:
    found = read(beat_series(**table(rate, heart)), 180.0)
    assert found.source == "pressure"
    assert found.from_pressure.all()
    assert np.isnan(found.inspiration_end_s).all()
    assert found.start_s.size >= 180.0 * rate / 60.0 - 4
    assert found.rate.mean() == pytest.approx(rate, abs=0.1)
    turn = found.start_s * rate / 60.0
    assert np.abs(turn - np.round(turn)).max() < 0.06
    assert found.rate == pytest.approx(60.0 / (found.end_s - found.start_s))


def test_breaths_do_not_overlap_and_are_in_order() -> None:
    found, _ = simulated(breath_irregularity=0.12, ectopic_share=0.05)
    assert found.start_s.size > 20
    assert np.all(found.end_s > found.start_s)
    assert np.all(found.start_s[1:] >= found.end_s[:-1])


@pytest.mark.parametrize(
    "changes",
    [
        {"breathing": "controlled", "breath_rate": 12.0, "breath_pulse": 0.03, "step": 1.0, "fs": 60.0},
        {"breathing": "spontaneous", "breath_rate": 24.0, "rate": 130.0, "breath_pulse": 0.06, "fs": 500.0},
        {"breathing": "controlled", "breath_rate": 9.0, "rate": 55.0, "breath_pulse": 0.15},
        {"breathing": "controlled", "breath_rate": 18.0, "alternans": 0.15, "rate": 95.0},
        {"breathing": "controlled", "breath_rate": 16.0, "ectopic_share": 0.08, "breath_pulse": 0.12},
        {"breathing": "controlled", "breath_rate": 14.0, "vasomotor": 8.0, "breath_pulse": 0.1},
    ],
)  # fmt: skip
def test_rate_of_simulated_breathing(changes: dict[str, Any]) -> None:
    found, truth = simulated(**changes)
    claimed, real = compare(found, truth.breaths, 180.0)
    assert np.isfinite(claimed).sum() >= 4
    said = np.isfinite(claimed)
    assert np.abs(claimed - real)[said].max() < 0.5


def test_uneven_breaths_are_followed_one_by_one() -> None:
    found, truth = simulated(
        breathing="controlled", breath_rate=14.0, breath_irregularity=0.12, breath_pulse=0.2, rate=90.0
    )
    starts = truth.breaths.start_s.to_numpy()
    # The pulse rises after the breath has begun, always by about as much.
    behind = (found.start_s[:, None] - starts)[found.start_s > 10][:, None]
    nearest = behind[np.arange(behind.shape[0]), 0, np.abs(behind[:, 0]).argmin(axis=1)]
    assert nearest.std() < 0.35
    lengths = np.interp(found.start_s, starts, truth.breaths.end_s - starts)
    assert np.corrcoef(lengths, found.end_s - found.start_s)[0, 1] > 0.6


@pytest.mark.parametrize(
    "changes",
    [
        {"breathing": "none"},
        {"breathing": "none", "vasomotor": 10.0, "vasomotor_hz": 0.11},
        {"breathing": "none", "vasomotor": 10.0, "vasomotor_rate": 0.04},
        {"breathing": "none", "alternans": 0.2},
        {"breathing": "none", "ectopic_share": 0.12, "rate": 130.0},
        {"rhythm": "atrial_fibrillation", "irregularity": 0.2, "rate": 100.0},
        {"rhythm": "atrial_fibrillation", "irregularity": 0.2, "breathing": "none"},
        # Faster than half the heart rate: what the beats show is an alias.
        {"breathing": "controlled", "rate": 48.0, "breath_rate": 29.0, "breath_pulse": 0.2},
    ],
)  # fmt: skip
def test_what_is_not_breathing_is_not_claimed(changes: dict[str, Any]) -> None:
    found, _ = simulated(**changes)
    assert found.source == "none"
    assert found.start_s.size == 0
    assert names(int(found.facts_between([30.0], [60.0])[0]))[0] == "breathing_unclear"


@pytest.mark.parametrize(
    ("heart", "rate", "seed"), [(64.716, 26.143, 7019), (68.3, 27.3, 2023), (75.0, 15.0, 1), (75.0, 30.0, 1)]
)
def test_second_harmonics_that_fold_back_are_not_read_as_breaths(
    heart: float, rate: float, seed: int
) -> None:
    # With 2.5 beats in a breath its second harmonic is seen at half its rate; with 5, at twice its rate.
    scenario: dict[str, Any] = {"rate": heart, "breath_rate": rate, "breathing": "controlled", "seed": seed}
    found, truth = simulated(
        **scenario, breath_pulse=0.26, breath_level=2.3, sinus_arrhythmia=0.0, rate_variability=0.012,
        pulse_pressure=59.8, step=1.0, inspiration=0.28,
    )  # fmt: skip
    claimed, real = compare(found, truth.breaths, 180.0)
    said = np.isfinite(claimed)
    assert np.all(np.abs(claimed - real)[said] < 0.5)


def test_slow_waves_are_told() -> None:
    alone, _ = simulated(breathing="none", vasomotor=10.0)
    beside, _ = simulated(breathing="controlled", breath_pulse=0.05, breath_level=1.0, vasomotor=12.0)
    without, _ = simulated(breathing="controlled", breath_pulse=0.15, breath_level=4.0, drift=0.5)
    start, end = np.array([30.0, 60.0, 90.0]), np.array([60.0, 90.0, 120.0])
    slow = mask("slow_waves")
    assert np.all(alone.facts_between(start, end) & slow)
    assert np.all(beside.facts_between(start, end) & slow)
    assert not np.any(without.facts_between(start, end) & slow)
    assert beside.source == "pressure"


def test_no_breath_while_the_breath_is_held() -> None:
    found, truth = simulated(breathing="controlled", breath_pulse=0.15, breath_holds=((70.0, 40.0),))
    held = truth.breaths.end_s[truth.breaths.end_s < 80].max()
    inside = (found.start_s > held + 5.0) & (found.end_s < 109.0)
    assert not inside.any()
    assert (found.end_s < held + 5.0).sum() >= 10
    assert (found.start_s > 109.0).sum() >= 10
    assert found.facts_between([held + 3.0], [108.0])[0] & mask("breathing_unclear")


def test_second_harmonic_is_not_taken_for_the_breath() -> None:
    found = read(beat_series(**table(rate=11.0, heart=80.0, second=1.3)), 180.0)
    assert found.rate.mean() == pytest.approx(11.0, abs=0.1)
    # Unless nothing stands at half of it.
    found = read(beat_series(**table(rate=22.0, heart=80.0)), 180.0)
    assert found.rate.mean() == pytest.approx(22.0, abs=0.1)


def test_line_at_a_third_of_the_heart_rate_with_swinging_intervals_is_no_breath() -> None:
    given_ = table(rate=25.0, heart=75.0, jitter=0.002)
    third = np.arange(given_["onset_s"].size) % 3 == 0
    assert read(beat_series(**given_), 180.0).source == "pressure"
    given_["interval_s"] = np.where(third, 0.7, 0.85)
    given_["onset_s"] = np.cumsum(given_["interval_s"])
    given_["sbp"] = 120.0 - 6.0 * third + 0.2 * np.random.default_rng(1).normal(size=third.size)
    assert read(beat_series(**given_), 180.0).source == "none"


@settings(max_examples=12)
@given(shift=st.floats(0.0, 3000.0), seed=st.integers(0, 50))
def test_time_of_the_start_does_not_matter(shift: float, seed: int) -> None:
    here = read(beat_series(**table(13.0, seed=seed)), 180.0)
    there = read(beat_series(**table(13.0, seed=seed, first_s=shift)), 180.0 + shift)
    assert there.rate.mean() == pytest.approx(here.rate.mean(), abs=0.1)
    assert there.start_s.min() > shift - 1.0
    # The same breaths, but for those at the ends.
    apart = np.abs((there.start_s - shift)[:, None] - here.start_s).min(axis=1)
    assert (apart < 0.15).sum() >= here.start_s.size - 5


@settings(max_examples=12)
@given(scale=st.floats(0.2, 5.0), offset=st.floats(-40.0, 40.0), seed=st.integers(0, 50))
def test_unit_and_zero_of_the_pressure_do_not_matter(scale: float, offset: float, seed: int) -> None:
    given_ = table(17.0, seed=seed)
    here = read(beat_series(**given_), 180.0)
    moved = {name: scale * given_[name] + offset for name in ("sbp", "dbp", "mbp")}
    there = read(beat_series(**{**given_, **moved}), 180.0)
    assert there.start_s.size == here.start_s.size > 30
    assert there.start_s == pytest.approx(here.start_s, abs=0.02)


@settings(max_examples=12)
@given(share=st.floats(0.0, 0.25), seed=st.integers(0, 50))
def test_lost_beats_do_not_change_the_rate(share: float, seed: int) -> None:
    given_ = table(14.0, seed=seed)
    lost = np.random.default_rng(seed).uniform(size=given_["onset_s"].size) < share
    given_["sbp"] = np.where(lost, np.nan, given_["sbp"])
    found = read(beat_series(**given_), 180.0)
    assert found.start_s.size > 25
    assert found.rate.mean() == pytest.approx(14.0, abs=0.15)
    # Beats that are not believed count as lost, whatever they say.
    given_["sbp"] = np.where(lost, 400.0, given_["sbp"])
    marked = read(beat_series(**given_, usable=~lost), 180.0)
    assert marked.start_s == pytest.approx(found.start_s, abs=1e-6)


def test_beats_around_a_premature_one_are_left_out() -> None:
    given_ = table(15.0)
    early = np.zeros(given_["onset_s"].size, dtype=bool)
    early[10::25] = True
    behind = np.roll(early, 1)
    for name in ("sbp", "mbp"):
        given_[name] = given_[name] - 25.0 * early + 15.0 * behind
    found = read(beat_series(**given_, ectopic=early), 180.0)
    assert found.rate.mean() == pytest.approx(15.0, abs=0.1)
    assert found.rate.std() < 0.6


def test_an_irregular_rhythm_allows_no_claim() -> None:
    given_ = table(15.0)
    n = given_["onset_s"].size
    assert read(beat_series(**given_), 180.0).source == "pressure"
    found = read(beat_series(**given_, irregular=np.arange(n) > n // 2), 180.0)
    assert found.end_s.max() < 110.0
    assert found.source == "pressure"


def test_breath_of_gives_row_and_place() -> None:
    breaths = Breaths(
        np.array([1.0, 5.0, 20.0]), np.array([5.0, 8.0, 24.0]), np.full(3, np.nan), np.full(3, 15.0),
        np.array([True, False, True]), "pressure", np.array([0.0, 12.0, 24.0]), np.array([False, True, True]),
    )  # fmt: skip
    row, phase = breaths.breath_of([0.5, 1.0, 4.0, 5.0, 8.0, 22.0, 30.0, np.nan])
    assert row.tolist() == [-1, 0, 0, 1, -1, 2, -1, -1]
    assert phase == pytest.approx([np.nan, 0.0, 0.75, 0.0, np.nan, 0.5, np.nan, np.nan], nan_ok=True)
    assert breaths.covered([0.0, 8.0, 20.0], [8.0, 20.0, 28.0]) == pytest.approx([7 / 8, 0.0, 0.5])
    facts = breaths.facts_between([1.0, 5.0, 8.0, 20.0], [5.0, 8.0, 20.0, 24.0])
    assert [names(int(value)) for value in facts] == [
        ["breathing_from_pressure"],
        ["slow_waves"],
        ["breathing_unclear", "slow_waves"],
        ["slow_waves", "breathing_from_pressure"],
    ]


def test_too_little_gives_no_breath() -> None:
    few = {name: value[:5] for name, value in table().items()}
    empty = {name: value[:0] for name, value in table().items()}
    for given_, seconds in ((few, 180.0), (empty, 180.0), (table(seconds=15.0), 15.0)):
        found = read(beat_series(**given_), seconds)
        assert found.source == "none"
        assert found.breath_of([3.0])[0].tolist() == [-1]
        assert found.facts_between([0.0], [10.0])[0] & mask("breathing_unclear")


@pytest.mark.parametrize("absent", ["sbp", "dbp", "mbp"])
def test_breathing_shows_without_one_of_the_pressures(absent: str) -> None:
    given_ = table(15.0, swing=5.0)
    given_[absent] = np.full(given_[absent].size, np.nan)
    found = read(beat_series(**given_), 180.0)
    assert found.start_s.size > 30
    assert found.rate.mean() == pytest.approx(15.0, abs=0.1)


def test_wrong_use_is_refused() -> None:
    given_ = table()
    with pytest.raises(InputError, match="order"):
        beat_series(**{**given_, "onset_s": given_["onset_s"][::-1]})
    with pytest.raises(InputError, match="one value a beat"):
        beat_series(**{**given_, "sbp": given_["sbp"][:-1]})
    with pytest.raises(InputError, match="length"):
        read(beat_series(**given_), 0.0)


def test_spreading_keeps_sums_of_waves() -> None:
    rng = np.random.default_rng(2)
    time, value = np.sort(rng.uniform(5.0, 95.0, 150)), rng.normal(size=150)
    grid = Spreader(time, 401).spread(value)
    for hz in (0.0, 0.1, 0.4, 0.75):
        exact = np.sum(value * np.exp(-2j * np.pi * hz * time))
        spread = np.sum(grid * np.exp(-2j * np.pi * hz * np.arange(401) * 0.25)) / kept(np.array(hz))
        assert abs(spread - exact) < 0.02 * np.sqrt(np.sum(value**2))


def test_level_is_taken_out_as_far_as_is_said() -> None:
    time = np.arange(0.0, 600.0, 0.8)
    assert local_mean(time, 3.0 + 0.02 * time, 26.0)[50:-50] == pytest.approx((3.0 + 0.02 * time)[50:-50])
    for hz in (0.03, 0.05, 0.15):
        wave = np.cos(2 * np.pi * hz * time)
        left = (wave - local_mean(time, wave, 26.0))[100:-100]
        expected = float(level_passed(np.array(hz)))
        assert np.std(left) / np.std(wave) == pytest.approx(expected, abs=0.06)


@pytest.mark.parametrize("seconds", [3.0, 8.0, 15.0, 30.0, 45.0])
def test_short_recordings_are_read_without_complaint(seconds: float) -> None:
    t = np.arange(0.1, seconds, 0.8)
    wave = np.sin(2 * np.pi * t / 4.0)
    found = read(beat_series(t, np.full(t.size, 0.8), 120 + 3 * wave, 80 + wave, 95 + wave), seconds)
    assert np.all(found.end_s <= seconds + 1.0)
    assert np.all(np.abs(found.rate - 15.0) < 2.0)
