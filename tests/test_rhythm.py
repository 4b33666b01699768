"""Rhythm facts: invented interval series whose rhythm is known."""

import numpy as np
import pytest

from hemoidx.beats.rhythm import alternating, early, irregular, rolling_mean
from hemoidx.facts import mask
from hemoidx.simulate import Scenario, simulate_arrays

RNG = np.random.default_rng(7)
REGULAR = 0.8 + 0.01 * RNG.normal(size=200)
ARRHYTHMIC = np.clip(0.7 + 0.17 * RNG.normal(size=200), 0.35, 1.3)
BREATHING = 0.8 + 0.05 * np.sin(2 * np.pi * np.arange(200) / 5)


def premature(every: int) -> tuple[np.ndarray, np.ndarray]:
    """Regular intervals with a premature beat and its pause each so many beats; which beat is premature."""
    interval = REGULAR.copy()
    beat = np.zeros(interval.size, dtype=bool)
    for k in range(10, interval.size - 2, every):
        interval[k], interval[k + 1] = 0.5, 1.1
        beat[k + 1] = True
    return interval, beat


def test_rolling_mean_counts_what_is_known() -> None:
    value = np.array([1.0, np.nan, 3.0, np.nan, np.nan, np.nan, np.nan, 8.0])
    got = rolling_mean(value, 1)
    assert got[0] == 1.0
    assert got[1] == 2.0
    assert np.isnan(got[5])
    assert got[6] == 8.0


def test_a_regular_rhythm_has_no_facts() -> None:
    for interval in (REGULAR, BREATHING):
        assert not early(interval).any()
        assert not irregular(interval, early(interval)).any()


def test_an_irregular_rhythm_is_seen() -> None:
    assert irregular(ARRHYTHMIC, early(ARRHYTHMIC)).mean() > 0.95


@pytest.mark.parametrize("every", [9, 15, 40])
def test_premature_beats_are_seen_and_not_taken_for_irregularity(every: int) -> None:
    interval, expected = premature(every)
    found = early(interval)
    assert found[expected].mean() > 0.95
    assert found[~expected].sum() == 0
    assert not irregular(interval, found).any()


def test_alternans_is_seen_only_at_even_intervals() -> None:
    """Regular alternation at constant cycle length (Harrison's Principles, chapter 267, as quoted)."""
    turn = np.where(np.arange(200) % 2, 1.0, -1.0)
    strong_weak = 46 + 4 * turn + 0.5 * RNG.normal(size=200)
    assert alternating(strong_weak, REGULAR).mean() > 0.95
    bigeminy = 0.8 + 0.15 * turn
    assert not alternating(strong_weak, bigeminy).any()
    breathing = 46 + 4 * np.sin(2 * np.pi * np.arange(200) / 4.3)
    assert alternating(breathing, REGULAR).mean() < 0.05
    assert not alternating(46 + 0.5 * RNG.normal(size=200), REGULAR).any()


@pytest.mark.parametrize(
    ("change", "fact", "least", "most"),
    [
        ({}, "irregular_rhythm", 0.0, 0.02),
        ({}, "ectopic", 0.0, 0.02),
        ({}, "alternating", 0.0, 0.02),
        ({"rhythm": "atrial_fibrillation"}, "irregular_rhythm", 0.8, 1.0),
        ({"ectopic_share": 0.08}, "ectopic", 0.03, 0.15),
        ({"ectopic_share": 0.08}, "irregular_rhythm", 0.0, 0.3),
        ({"alternans": 0.15}, "alternating", 0.8, 1.0),
        ({"rhythm": "bigeminy"}, "alternating", 0.0, 0.05),
    ],
)
def test_facts_of_simulated_rhythms(change: dict, fact: str, least: float, most: float) -> None:
    from hemoidx.beats import read

    pressure, fs, scale, _ = simulate_arrays(Scenario(seed=21, duration_s=180.0, **change))
    share = np.mean((read(pressure, fs, scale).facts & mask(fact)) > 0)
    assert least <= share <= most
