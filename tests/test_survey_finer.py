"""First pass, finer points: margins of tiles, what pruning takes first, positions of thinned samples."""

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from hemoidx.survey import fill, grid, survey, thinned
from hemoidx.swings import find_swings, prune
from tests.waves import pulses

RATES = st.sampled_from([40.0, 60.0, 62.4725, 75.0, 119.99, 125.0, 128.0, 250.0, 500.0, 1000.0])


@given(st.integers(0, 40_000_000), RATES)
def test_tiles_cover_every_sample_once(size, fs):
    g = grid(size, fs)
    tiles = list(g.tiles())
    if size == 0:
        assert tiles == []
        return
    assert tiles[0][0] == 0
    assert tiles[-1][1] == size
    for left, right in pairwise(tiles):
        assert left[1] == right[0]
    for start, stop, first, last in tiles:
        assert start < stop
        assert start % g.cell == first % g.cell == 0
        assert 0 <= first <= start
        assert stop <= last <= size
        # The margin reaches farther than anything a tile looks for around its own samples.
        assert first == 0 or start - first >= 16 * fs
        assert last == size or last - stop >= 16 * fs


def test_the_smallest_ripple_goes_first():
    # 0 up 10, a ripple of 2 on its crest, down 10: pairwise from the left one would lose the crest.
    value = np.array([0.0, 9.0, 8.0, 10.0, 0.0, 10.0, 9.5, 10.5, 0.0])
    kept, left = prune(np.arange(9), value, np.full(9, 3.0))
    np.testing.assert_array_equal(left, [0.0, 10.0, 0.0, 10.5, 0.0])
    np.testing.assert_array_equal(kept, [0, 3, 4, 7, 8])


def test_an_extremum_that_does_not_move_lies_in_its_middle():
    wave = np.array([3, 2, 1, 0, 0, 0, 0, 0, 1, 2, 3, 3, 3, 2, 1, 0, 1], dtype=np.float32)
    trough, steepest, crest, *_ = find_swings(wave, np.full(wave.size, 0.5, np.float32))
    assert trough[0] == 5
    assert crest[0] == 11
    assert trough[0] <= steepest[0] < crest[0]


def test_no_swing_in_a_constant_or_falling_wave():
    for wave in (np.zeros(50), np.arange(50.0)[::-1], np.zeros(1)):
        assert all(column.size == 0 for column in find_swings(wave, np.full(wave.size, 0.1)))


def test_gaps_are_bridged_by_straight_lines():
    wave, missing = fill(np.array([np.nan, 1.0, np.nan, np.nan, 4.0, np.nan]))
    np.testing.assert_allclose(wave, [1, 1, 2, 3, 4, 4])
    np.testing.assert_array_equal(missing, [1, 0, 1, 1, 0, 1])
    same, none = fill(np.arange(4.0))
    assert none is None
    np.testing.assert_array_equal(same, np.arange(4.0))


@pytest.mark.parametrize("fs", [60.0, 125.0, 360.0, 1000.0])
def test_a_thinned_sample_stands_for_the_middle_of_its_neighbours(fs):
    g = grid(1, fs)
    ramp = np.arange(g.thin * 64, dtype=np.float64)
    thin, smooth = thinned(ramp, g)
    centre = np.arange(64) * g.thin + 0.5 * (g.thin - 1)
    np.testing.assert_allclose(thin, centre)
    # A symmetrical window of unit sum leaves a straight line where it is.
    np.testing.assert_allclose(smooth[8:-8], centre[8:-8], rtol=1e-5)


def test_the_highest_pressure_is_no_rail():
    found = survey(pulses(125.0, 60.0), 125.0)
    assert not found.rails_known
    assert found.rails.shape == (0, 2)


@settings(max_examples=8, deadline=None)
@given(st.integers(1, 9), st.integers(0, 2**31))
def test_how_many_tiles_are_read_at_once_changes_nothing(at_once, seed):
    fs = 60.0
    rng = np.random.default_rng(seed)
    wave = pulses(fs, 6000.0) + rng.standard_normal(int(fs * 6000.0))
    for start in rng.integers(0, wave.size, 20):
        wave[start : start + int(rng.integers(1, 9000))] = np.nan
    first, other = survey(wave, fs), survey(wave, fs, at_once=at_once)
    for a, b in ((first.cells, other.cells), (first.swings, other.swings)):
        for one, two in zip(a, b, strict=True):
            np.testing.assert_array_equal(one, two)
    np.testing.assert_array_equal(first.gaps, other.gaps)


def test_every_cell_once_and_every_swing_once():
    fs = 125.0
    wave = pulses(fs, 4000.0)
    found = survey(wave, fs)
    assert found.cells.low.size == -(-wave.size // found.grid.cell)
    assert (np.diff(found.swings.steepest) > 0).all()
    # One rise and one dicrotic rise at most in each 0.8 s, none lost at the border of two tiles.
    gap = np.diff(found.swings.steepest[found.swings.high - found.swings.low > 30]) / fs
    np.testing.assert_allclose(gap, 0.8, atol=1.5 / fs)


@pytest.mark.parametrize("fs", [60.0, 125.0, 250.0, 1000.0])
def test_the_rough_steepest_rise_is_not_off_to_one_side(fs):
    wave = 90.0 - 20.0 * np.cos(2 * np.pi * 1.13 * np.arange(int(60 * fs)) / fs)
    found = survey(wave, fs)
    expected = (0.25 + np.arange(found.swings.steepest.size)) / 1.13
    offset = found.swings.steepest / fs - expected
    offset -= np.round(offset * 1.13) / 1.13
    # Single ones lie within a thinned sample, of which there are 60 to 120 a second, and evenly.
    assert np.abs(offset).max() < 1.0 / found.grid.low_rate
    assert abs(offset.mean()) < 0.15 / found.grid.low_rate


def test_progress_adds_up_to_one():
    done = []
    survey(pulses(60.0, 5500.0), 60.0, progress=done.append)
    assert len(done) > 2
    assert sum(done) == pytest.approx(1.0)
