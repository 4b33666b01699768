"""Windows of 30 s: their grid, the time that usable beats cover, and how values of beats become one value."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from ..errors import InputError

Float = NDArray[np.float64]
Bool = NDArray[np.bool_]
Int = NDArray[np.intp]

WINDOW_S = 30.0
"""Length of a window [s]."""
LEAST_VALID = 0.8
"""Share of a window that usable beats must cover."""
LEAST_WINDOW_S = 10.0
"""A first or last window cut shorter than this [s] is never valid."""
LEAST_BEATS = 3
"""Beats that a window's or a recording's value needs; also that a standard error needs."""


class Grid(NamedTuple):
    """Windows of a recording: `number` counts from the recording's start, `start` and `end` in s."""

    number: NDArray[np.int64]
    start: Float
    end: Float

    def of(self, time: Float) -> Int:
        """Row of the window that holds each time, -1 outside all windows."""
        if not self.number.size:
            return np.full(np.shape(time), -1, dtype=np.intp)
        row = np.floor_divide(time, WINDOW_S).astype(np.intp) - int(self.number[0])
        return np.where((row >= 0) & (row < self.number.size), row, -1)


def grid(start_s: float, end_s: float) -> Grid:
    """
    Windows over a stretch of a recording, aligned to multiples of 30 s of the recording's start.

    Parameters
    ----------
    start_s, end_s : float
        First and last time [s from the start of the recording].

    Returns
    -------
    Grid
        The first and the last window are cut to the stretch.

    Examples
    --------
    >>> grid(20.0, 70.0).start.tolist(), grid(20.0, 70.0).end.tolist()
    ([20.0, 30.0, 60.0], [30.0, 60.0, 70.0])
    """
    if not end_s > start_s:
        raise InputError(f"windows: need an end after the start, got {start_s:g} to {end_s:g} s")
    number = np.arange(int(start_s // WINDOW_S), int(np.ceil(end_s / WINDOW_S)), dtype=np.int64)
    start = np.maximum(number * WINDOW_S, start_s)
    return Grid(number, start, np.minimum((number + 1) * WINDOW_S, end_s))


def covered(start: Float, end: Float, onset: Float, stop: Float) -> Float:
    """
    Seconds of each stretch that beats cover.

    Parameters
    ----------
    start, end : ndarray, shape (n_windows,)
        The stretches [s].
    onset, stop : ndarray, shape (n_beats,)
        Onset and end of the beats [s], finite, increasing, each ending before or where the next begins.

    Returns
    -------
    ndarray, shape (n_windows,)
        Covered time [s]. A beat across an edge counts on both sides with its share.

    Examples
    --------
    >>> covered(np.array([0.0, 30.0]), np.array([30.0, 60.0]), np.array([10.0, 29.0]), np.array([11.0, 31.0]))
    array([2., 1.])
    """
    if not onset.size:
        return np.zeros(start.shape)
    knots = np.column_stack([onset, stop]).ravel()
    steps = np.column_stack([stop - onset, np.zeros(onset.size)]).ravel()[:-1]
    so_far = np.concatenate([[0.0], np.cumsum(steps)])
    return np.asarray(np.interp(end, knots, so_far) - np.interp(start, knots, so_far), dtype=np.float64)


def statistic(kind: str, values: Float, weights: Float, group: Int, n_groups: int) -> tuple[Float, Float]:
    """
    One value for each group of beats, and its random standard error.

    Parameters
    ----------
    kind : str
        "mean" or "shared" over beats, "time_mean" weighted by `weights`, or "rate": 60 divided by the
        mean of 60 / value, so that a rate is that of the mean interval.
    values : ndarray, shape (n_beats,)
        Values of the beats. A NaN leaves its beat out, and never spoils the group.
    weights : ndarray, shape (n_beats,)
        Duration of the beats [s], for "time_mean".
    group : ndarray of int, shape (n_beats,)
        Group of each beat; a negative number leaves it out.
    n_groups : int
        Number of groups.

    Returns
    -------
    value : ndarray, shape (n_groups,)
        NaN with fewer than three beats.
    se : ndarray, shape (n_groups,)
        Random standard error of the mean over beats, sd / sqrt(n); of the weighted mean, that of a ratio of
        sums; of the rate, carried over from the interval. NaN with fewer than three beats.

    Notes
    -----
    Beats are not independent: breathing moves neighbours together, so that this error is a description of
    scatter, too small for slow variation and too large for a variation that a whole number of breaths
    averages out. It holds random error only; what line, zero and level add is shared by all beats.

    References
    ----------
    .. [1] Cochran WG. Sampling Techniques, 3rd ed. Wiley 1977, chapter 6 (variance of a ratio).
    """
    keep = np.isfinite(values) & (group >= 0)
    if not keep.any():
        return np.full(n_groups, np.nan), np.full(n_groups, np.nan)
    if kind == "time_mean":
        keep &= np.isfinite(weights)
    v, g = values[keep], group[keep]
    if kind == "rate":
        v = 60.0 / v
    w = weights[keep] if kind == "time_mean" else np.ones(v.size)
    count = np.bincount(g, minlength=n_groups)
    enough = count >= LEAST_BEATS
    with np.errstate(invalid="ignore", divide="ignore"):
        total = np.bincount(g, w, n_groups)
        mean = np.bincount(g, w * v, n_groups) / total
        scatter = np.bincount(g, (w * (v - mean[g])) ** 2, n_groups)
        se = np.sqrt(scatter * count / (count - 1.0)) / total
        if kind == "rate":
            mean, se = 60.0 / mean, 60.0 * se / mean**2
    return np.where(enough, mean, np.nan), np.where(enough, se, np.nan)
