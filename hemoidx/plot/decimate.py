"""Minimum-maximum envelopes: a long wave drawn with a few thousand points and no peak lost."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.floating]


def envelope(values: FloatArray, n_bins: int) -> tuple[NDArray[np.int64], FloatArray, FloatArray]:
    """
    Lowest and highest value in each of `n_bins` equal stretches.

    Parameters
    ----------
    values : ndarray, shape (n_samples,)
        Evenly sampled wave, NaN where there is none [any unit].
    n_bins : int
        Number of stretches wanted; fewer are given when there are fewer samples.

    Returns
    -------
    starts : ndarray of int, shape (n,)
        First sample of each stretch.
    low, high : ndarray, shape (n,)
        Extremes of each stretch [unit of `values`]. NaN only where every sample is NaN.

    Notes
    -----
    A gap must not blank its neighbours, hence fmin and fmax rather than minimum and maximum.
    """
    if values.size == 0 or n_bins < 1:
        nothing = np.empty(0, dtype=np.float64)
        return np.empty(0, dtype=np.int64), nothing, nothing
    edges = np.linspace(0, values.size, min(n_bins, values.size) + 1)
    starts = edges[:-1].astype(np.int64)
    return starts, np.fmin.reduceat(values, starts), np.fmax.reduceat(values, starts)


def thin(seconds: FloatArray, values: FloatArray, n_bins: int = 2000) -> tuple[FloatArray, FloatArray]:
    """
    Points to draw for a wave: all of them when they are few, else both extremes of every stretch.

    Parameters
    ----------
    seconds, values : ndarray, shape (n_samples,)
        Time [s] and wave [any unit].
    n_bins : int
        Number of stretches across the picture; at most two points are given for each.

    Returns
    -------
    seconds, values : ndarray, shape (n_points,)
        Time [s] and value to be joined by a line. Gaps remain NaN.
    """
    if values.size <= 2 * n_bins:
        return seconds, values
    starts, low, high = envelope(values, n_bins)
    zigzag = np.column_stack([low, high]).ravel()
    return np.repeat(seconds[starts], 2), zigzag
