"""Rises of a smoothed wave from a trough to a crest, ripples on larger ones left out."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Int = NDArray[np.int64]
Wave = NDArray[np.floating]


def usual_swing(low: Wave, high: Wave, cell_s: float) -> NDArray[np.float32]:
    """Range of the wave within 2.5 s that 70 % of the 15 s around each cell exceed; flushes do not set it."""
    # Blocks of 1.25 s, two neighbours at a time: every pulse falls whole into one of the pairs.
    every = max(1, round(1.25 / cell_s))
    edge = np.arange(0, low.size, every)
    top, bottom = np.maximum.reduceat(high, edge), np.minimum.reduceat(low, edge)
    coarse = np.maximum(top, np.append(top[1:], top[-1:])) - np.minimum(
        bottom, np.append(bottom[1:], bottom[-1:])
    )
    half = max(1, round(7.5 / cell_s / every))
    padded = np.pad(coarse, half, mode="edge")
    window = np.lib.stride_tricks.sliding_window_view(padded, 2 * half + 1)
    place = int(0.3 * 2 * half)
    middle = np.partition(window, place, axis=1)[:, place]
    return np.repeat(middle, every)[: low.size].astype(np.float32)


def prune(position: Int, value: Wave, threshold: Wave) -> tuple[Int, Wave]:
    """
    Remove ripples from a chain of alternating extrema.

    Parameters
    ----------
    position : ndarray of int, shape (n,)
        Sample numbers of alternating minima and maxima.
    value : ndarray, shape (n,)
        The wave there.
    threshold : ndarray, shape (n,)
        Smallest step between neighbours that is kept, at each extremum.

    Returns
    -------
    position, value : ndarray
        A chain that still alternates, in which every step reaches its threshold or borders the ends.

    Notes
    -----
    The smallest steps go first: in each round all steps that are below threshold and not larger than
    both neighbours are removed together with the two extrema they join, until none is left.
    """
    while position.size > 3:
        step = np.abs(np.diff(value))
        left = np.concatenate([[np.inf], step[:-1]])
        right = np.concatenate([step[1:], [np.inf]])
        gone = (step < threshold[:-1]) & (step < left) & (step <= right)
        if not gone.any():
            break
        keep = np.ones(position.size, dtype=bool)
        keep[:-1][gone] = False
        keep[1:][gone] = False
        position, value, threshold = position[keep], value[keep], threshold[keep]
    return position, value


def _steepest(slope: Wave, start: Int, stop: Int) -> tuple[Int, Wave]:
    """Position and size of the largest slope in each stretch; stretches in order, not overlapping."""
    edges = np.column_stack([start, stop]).ravel()
    top = np.maximum.reduceat(slope, np.minimum(edges, slope.size - 1))
    # The largest of each stretch laid over it; between the stretches nothing reaches infinity.
    top[1::2] = np.inf
    level = np.repeat(top, np.diff(edges, append=slope.size))
    hit = edges[0] + np.flatnonzero(slope[edges[0] :] == level)
    return hit[np.searchsorted(hit, start)], top[::2]


def find_swings(smooth: Wave, ripple: Wave) -> tuple[Int, Int, Int, Wave, Wave, Wave]:
    """
    Rises of a smoothed wave.

    Parameters
    ----------
    smooth : ndarray, shape (n,)
        Smoothed wave.
    ripple : ndarray, shape (n,) or (n / k,)
        Smallest step kept, at each sample or in each k of them.

    Returns
    -------
    trough, steepest, crest : ndarray of int
        Sample numbers; `steepest` is the sample before the largest difference.
    low, high : ndarray
        The wave at trough and crest.
    slope : ndarray
        Largest difference between neighbouring samples.
    """
    step = smooth[1:] - smooth[:-1]
    rising = step > 0
    # An extremum lies between the last move one way and the first the other way: in the middle of what does
    # not move. Numbers among the moves become numbers of samples by the stills before them.
    still = np.flatnonzero(step == 0)
    rising = np.delete(rising, still)
    turn = np.flatnonzero(rising[1:] != rising[:-1])
    moves_before = still - np.arange(still.size)
    before = turn + np.searchsorted(moves_before, turn, side="right")
    after = turn + 1 + np.searchsorted(moves_before, turn + 1, side="right")
    position = (before + 1 + after) // 2
    empty = np.zeros(0, dtype=np.int64)
    if position.size < 2:
        return empty, empty, empty, np.zeros(0), np.zeros(0), np.zeros(0)
    place = position // (smooth.size // ripple.size)
    position, value = prune(position, smooth[position], ripple[place])
    up = np.flatnonzero(np.diff(value) > 0)
    trough, crest = position[up], position[up + 1]
    if not up.size:
        return empty, empty, empty, np.zeros(0), np.zeros(0), np.zeros(0)
    steepest, slope = _steepest(step, trough, crest)
    return trough, steepest, crest, value[up], value[up + 1], slope
