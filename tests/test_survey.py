"""First pass: the grid of tiles, cells, swings, gaps and rails."""

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from hemoidx.survey import Rail, Swings, grid, noise_level, runs, survey
from hemoidx.swings import find_swings, prune


@given(st.integers(1, 40_000_000), st.sampled_from([40.0, 60.0, 125.0, 124.945, 250.0, 1000.0]))
def test_tiles_cover_every_sample_once_and_start_on_cells(size: int, fs: float) -> None:
    g = grid(size, fs)
    tiles = list(g.tiles())
    assert tiles[0][0] == 0
    assert tiles[-1][1] == size
    for (_, stop, _, _), (start, _, first, _) in pairwise(tiles):
        assert start == stop
        assert start % g.cell == 0
        assert first % g.cell == 0
    for start, stop, first, last in tiles:
        assert 0 <= first <= start < stop <= last <= size
    assert 60.0 <= g.low_rate < 120.0 or fs < 60.0


def test_blocks_hold_the_samples_of_their_tiles() -> None:
    wave = np.arange(125 * 3600 * 2, dtype=np.float32)
    g = grid(wave.size, 125.0)
    for at_once in (1, 3, 99):
        for (_, _, first, last), samples in g.stretches(wave, at_once):
            assert samples[0] == wave[first]
            assert samples.size == last - first


@given(st.lists(st.booleans(), max_size=60))
def test_runs_are_what_their_mask_was(values: list[bool]) -> None:
    mask = np.array(values, dtype=bool)
    back = np.zeros(mask.size, dtype=bool)
    found = runs(mask)
    for start, stop in found:
        back[start:stop] = True
    np.testing.assert_array_equal(back, mask)
    assert (found[1:, 0] > found[:-1, 1]).all()


@given(st.lists(st.integers(1, 100), min_size=4, max_size=80), st.integers(1, 60), st.booleans())
def test_pruning_keeps_alternation_and_no_small_step(steps: list[int], least: int, down: bool) -> None:
    sign = np.where(np.arange(len(steps)) % 2 == int(down), 1.0, -1.0)
    value = np.concatenate([[0.0], np.cumsum(sign * steps)])
    place = np.arange(value.size)
    kept, level = prune(place, value, np.full(value.size, float(least)))
    np.testing.assert_array_equal(value[kept], level)
    step = np.diff(level)
    assert (step[1:] * step[:-1] < 0).all()
    assert kept.size <= 3 or (np.abs(step) >= least).all()


def test_swings_of_a_sine() -> None:
    fs, rate = 62.5, 1.25
    t = np.arange(int(20 * fs)) / fs
    wave = 90 - 20 * np.cos(2 * np.pi * rate * t)
    trough, steepest, crest, low, high, slope = find_swings(wave, np.full(wave.size, 4.0))
    np.testing.assert_allclose(np.diff(trough) / fs, 1 / rate, atol=1.1 / fs)
    np.testing.assert_allclose((crest - trough) / fs, 0.5 / rate, atol=1.1 / fs)
    np.testing.assert_allclose(low, 70, atol=0.1)
    np.testing.assert_allclose(high, 110, atol=0.1)
    np.testing.assert_allclose(slope * fs, 2 * np.pi * rate * 20, rtol=0.01)
    assert ((trough < steepest) & (steepest < crest)).all()


def test_ripple_does_not_make_swings() -> None:
    fs = 62.5
    t = np.arange(int(20 * fs)) / fs
    wave = 90 - 20 * np.cos(2 * np.pi * t) + 1.5 * np.sin(2 * np.pi * 7 * t)
    assert find_swings(wave, np.full(wave.size, 5.0))[0].size == pytest.approx(19, abs=1)
    assert find_swings(wave, np.full(wave.size, 0.1))[0].size > 40


def test_gaps_are_found_to_the_sample_and_across_tiles() -> None:
    fs = 125.0
    wave = 80 + 20 * np.sin(2 * np.pi * 1.2 * np.arange(int(2 * 3600 * fs)) / fs)
    edge = next(grid(wave.size, fs).tiles())[1]
    for start, stop in ((7, 9), (5000, 9000), (edge - 40, edge + 60)):
        wave[start:stop] = np.nan
    found = survey(wave, fs).gaps
    np.testing.assert_array_equal(found, [[7, 9], [5000, 9000], [edge - 40, edge + 60]])


@pytest.mark.parametrize("fs", [60.0, 125.0, 1000.0])
def test_runs_at_known_rails_are_found_to_the_sample(fs: float) -> None:
    t = np.arange(int(20 * fs)) / fs
    wave = np.clip(100 + 60 * np.sin(2 * np.pi * t), None, 140)
    found = survey(wave, fs, 0.5, (Rail(0, wave.size, -20.0, 140.0),)).rails
    expected = runs(wave >= 140 - 0.125)
    np.testing.assert_array_equal(found, expected[expected[:, 1] - expected[:, 0] >= 3])
    assert found.shape[0] == 20


def test_a_hole_of_a_few_samples_at_a_known_rail_is_noise() -> None:
    wave = np.clip(100 + 60 * np.sin(2 * np.pi * np.arange(5000) / 250.0), None, 140)
    (start, stop) = survey(wave, 250.0, 0.5, (Rail(0, wave.size, -20.0, 140.0),)).rails[0]
    broken = wave.copy()
    broken[[start + 3, start + 4, start + 9]] = 139.0
    rails = (Rail(0, wave.size, -20.0, 140.0),)
    np.testing.assert_array_equal(survey(broken, 250.0, 0.5, rails).rails[0], [start, stop])
    # Two samples are enough where the rail is known, one is not.
    alone = np.full(2500, 100.0) + np.arange(2500) % 7
    alone[998:1004] = [136.0, 139.0, 140.0, 140.0, 139.0, 136.0]
    alone[1998:2003] = [136.0, 139.0, 140.0, 139.0, 136.0]
    np.testing.assert_array_equal(survey(alone, 250.0, 0.5, rails[:1]).rails, [[1000, 1002]])


def test_an_extreme_is_no_rail_by_itself() -> None:
    """A coarse wave stays at its highest code for several samples on rounded peaks."""
    t = np.arange(125 * 30) / 125
    wave = np.round(80 + 20 * np.sin(2 * np.pi * t))
    assert survey(wave, 125.0, 1.0).rails.shape[0] == 0


def test_noise_level_is_that_of_white_noise() -> None:
    rng = np.random.default_rng(4)
    wave = 80 + rng.normal(0, 2.0, 125 * 600)
    first = survey(wave, 125.0)
    # Two neighbours are averaged at 125 Hz; the calmer third of the cells reads somewhat low.
    got = noise_level(first.cells, np.zeros(first.cells.low.size, dtype=bool))
    assert 0.7 * 2 / np.sqrt(2) < got < 1.05 * 2 / np.sqrt(2)


def test_rows_are_taken_together() -> None:
    columns = Swings(*(np.arange(3.0) + 10 * k for k in range(6)))
    assert columns.take(np.array([False, True, False])).slope.tolist() == [51.0]
