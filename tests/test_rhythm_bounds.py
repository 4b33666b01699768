"""Bounds of the rhythm facts, from intervals and pulse pressures that were written down."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from hemoidx.beats.rhythm import HALF, alternating, early, irregular, rolling_mean

COUNT = 200


def rng(seed=4):
    return np.random.default_rng(seed)


def judged(interval, pulse):
    ectopic = early(interval)
    return ectopic, irregular(interval, ectopic), alternating(pulse, interval)


def premature(at, normal=0.8, coupling=0.65, pause=1.35):
    """Even intervals but for a short one before each beat in `at` and a long one behind it."""
    interval = np.full(COUNT, normal)
    interval[at - 1] *= coupling
    interval[at] *= pause
    return interval


@pytest.mark.parametrize("beats_per_breath", [3.3, 4.0, 5.0, 7.2])
def test_breathing_is_no_irregularity_and_no_alternans(beats_per_breath):
    phase = 2 * np.pi * np.arange(COUNT) / beats_per_breath
    for facts in judged(0.8 * (1 + 0.08 * np.sin(phase)), 40 + 5 * np.sin(phase)):
        assert not facts.any()


@pytest.mark.parametrize(("spread", "most"), [(0.15, 0.5), (0.2, 0.85), (0.28, 0.97)])
def test_intervals_without_a_pattern_are_irregular(spread, most):
    found = []
    for seed in range(10):
        interval = 0.7 * np.clip(1 + spread * rng(seed).standard_normal(COUNT), 0.5, 1.8)
        _, odd, alternates = judged(interval, 40 + 20 * (interval - 0.7))
        found.append(odd.mean())
        assert alternates.mean() < 0.05
    assert np.mean(found) > most


def test_a_clearly_irregular_set():
    # Worked example (computed from the definition): 600, 900, 500, 1100, 700 ms have a root mean square
    # successive difference of 438.75 ms, 0.5773 of their mean: far beyond the 0.1 of Dash et al. 2009
    # (from memory).
    interval = np.tile([0.6, 0.9, 0.5, 1.1, 0.7], 20)
    assert np.sqrt(np.mean(np.diff(interval[:5]) ** 2)) / interval[:5].mean() == pytest.approx(
        0.5773, abs=1e-4
    )
    assert irregular(interval, np.zeros(interval.size, dtype=bool)).all()


def test_irregular_needs_both_far_intervals_and_uneven_steps():
    # Two rates in turn every 40 beats: steps are rare. Small unevenness: no interval is far off.
    slow = np.repeat([0.7, 0.72, 0.7, 0.72, 0.7], 40)
    nothing = np.zeros(COUNT, dtype=bool)
    assert not irregular(slow, nothing).any()
    blocks = np.tile(np.repeat([0.64, 0.88], 15), 7)[:COUNT]
    assert not irregular(blocks, nothing)[20:180].any()
    small = 0.8 + 0.1 * np.tile([0.5, -0.5, 0.9, -0.9], COUNT // 4)
    assert not irregular(small, nothing).any()


def test_premature_beats_are_named_one_by_one():
    at = np.arange(9, COUNT - 1, 10)
    pulse = np.full(COUNT, 40.0)
    pulse[at] = 25.0
    ectopic, odd, alternates = judged(premature(at), pulse)
    np.testing.assert_array_equal(np.flatnonzero(ectopic), at)
    assert not odd.any()
    assert not alternates.any()


def test_interpolated_beats_and_runs_without_a_pause():
    interval = np.full(COUNT, 0.9)
    interval[49:51] = 0.45
    ectopic = early(interval)
    assert ectopic[50]
    assert ectopic.sum() <= 2
    # A short interval alone, neither very short nor followed by a pause, is sinus arrhythmia.
    interval = np.full(COUNT, 0.9)
    interval[49] = 0.9 * 0.8
    assert not early(interval).any()


def test_alternating_pulses_at_an_even_rate():
    # Definition after the textbook: strong and weak beats in turn at constant cycle length. Worked
    # example: 50 and 42 mmHg, an alternation of 8 mmHg.
    pulse = np.tile([50.0, 42.0], COUNT // 2)
    _, odd, alternates = judged(np.full(COUNT, 0.6), pulse)
    assert alternates.all()
    assert not odd.any()
    noisy = pulse + rng().standard_normal(COUNT)
    assert alternating(noisy, 0.6 + 0.005 * rng(6).standard_normal(COUNT)).all()


@pytest.mark.parametrize(("share", "found"), [(0.03, False), (0.05, True)])
def test_the_bound_of_alternation(share, found):
    pulse = 40.0 * (1 + 0.5 * share * np.tile([1.0, -1.0], COUNT // 2))
    assert (alternating(pulse, np.full(COUNT, 0.7)) == found).all()


def test_random_pulses_alternate_as_seldom_as_three_standard_errors_say():
    found = [
        alternating(40 * (1 + 0.12 * rng(seed).standard_normal(93)), np.full(93, 0.8))[46]
        for seed in range(300)
    ]
    # Three standard errors of a normal distribution: 0.27 %; 2 % leaves room for the few beats.
    assert np.mean(found) < 0.02


@pytest.mark.parametrize("coupling", [0.6, 0.7, 0.8, 0.9])
def test_bigeminy_is_no_alternans(coupling):
    interval = np.tile([coupling, 2 - coupling], COUNT // 2) * 0.8
    pulse = np.tile([48.0, 26.0], COUNT // 2)
    assert not alternating(pulse, interval).any()


@pytest.mark.parametrize(("short", "long"), [(0.52, 1.08), (0.66, 0.94)])
def test_premature_beats_of_bigeminy_are_named(short, long):
    # The interval before every odd beat is the short one.
    interval = np.tile([short, long], COUNT // 2)
    ectopic = early(interval)
    assert ectopic[21:180:2].all()
    assert not ectopic[20:180:2].any()
    # A rhythm that repeats itself every other beat is not without a pattern.
    assert not irregular(interval, ectopic).any()


def test_unknown_intervals_say_nothing():
    interval = np.full(COUNT, 0.8)
    interval[60:150] = np.nan
    pulse = np.where(np.isfinite(interval), np.tile([50.0, 42.0], COUNT // 2), np.nan)
    ectopic, odd, alternates = judged(interval, pulse)
    assert not ectopic.any()
    assert not odd.any()
    assert not alternates[80:130].any()
    assert alternates[:40].all()


@pytest.mark.parametrize("count", [0, 1, 2, 3])
def test_hardly_any_beats(count):
    interval = np.full(count, 0.8)
    for facts in judged(interval, interval * 50):
        assert facts.shape == (count,)
        assert not facts.any()


@given(
    st.lists(st.one_of(st.floats(-100, 100), st.just(np.nan)), min_size=1, max_size=60), st.integers(0, HALF)
)
def test_rolling_mean_of_what_is_known(value, half):
    value = np.array(value)
    found = rolling_mean(value, half)
    for k in range(value.size):
        near = value[max(k - half, 0) : k + half + 1]
        known = near[np.isfinite(near)]
        if known.size * 3 >= near.size:
            assert found[k] == pytest.approx(known.mean(), abs=1e-9)
        else:
            assert np.isnan(found[k])
