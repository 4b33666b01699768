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
"""Beats that a window's or a recording's value needs; of breaths, as many as published for ppv."""
LEAST_BLOCKS = 3
"""Blocks that a standard error needs."""
BLOCK_S = 5.0
"""Length of a block [s] where there are no breaths: our convention, about one breath."""


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


class Groups(NamedTuple):
    """
    Which rows make up which group, and which of them belong together.

    Attributes
    ----------
    row : ndarray of int, shape (n,)
        Group of each row, increasing in time; a negative number leaves it out.
    block : ndarray of int, shape (n,)
        Rows of one number, one after the other, are left out together when the error is estimated.
    n : int
        Number of groups.
    """

    row: Int
    block: NDArray[np.int64]
    n: int


def blocks_of(onset: Float, breath_start: Float) -> NDArray[np.int64]:
    """
    Number the blocks of beats that the standard error leaves out together.

    Parameters
    ----------
    onset : ndarray, shape (n_beats,)
        Onset of the beats [s].
    breath_start : ndarray, shape (n_beats,)
        Start of the breath of each beat [s], NaN where it belongs to none.

    Returns
    -------
    ndarray of int, shape (n_beats,)
        Whole breaths that begin in the same 5 s, so that breathing itself does not count as error; without
        breaths, the beats of 5 s.
    """
    begin = np.where(np.isfinite(breath_start), breath_start, onset)
    return np.floor_divide(begin, BLOCK_S).astype(np.int64)


def statistic(
    kind: str, values: Float, weights: Float, groups: Groups, step: Float | float = 0.0
) -> tuple[Float, Float]:
    """
    One value for each group of beats or breaths, and its random standard error.

    Parameters
    ----------
    kind : str
        "mean" or "shared" over rows, "time_mean" weighted by `weights`, or "rate": 60 divided by the
        mean of 60 / value, so that a rate is that of the mean interval.
    values : ndarray, shape (n,)
        Values of the rows. A NaN leaves its row out, and never spoils the group.
    weights : ndarray, shape (n,)
        Duration of the rows [s], for "time_mean".
    groups : Groups
        What belongs together.
    step : float or ndarray, shape (n_groups,)
        How far the step of the recorder moves a value [its unit].

    Returns
    -------
    value : ndarray, shape (n_groups,)
        NaN with fewer than three rows.
    se : ndarray, shape (n_groups,)
        Random standard error; NaN with fewer than three rows or three blocks.

    Notes
    -----
    Taken as a sample of a steady state, a window is as uncertain as the means of its blocks differ. With
    B blocks of weight w and mean m, W the sum of the weights and M the mean of the window,

        se**2 = sum(w / (W - w) * (m - M)**2) / B,

    which is the jackknife for blocks of unequal size [1]_ in closed form, since the pseudo-value of a mean
    is the mean of its block. Six blocks have five degrees of freedom: 95 % lie within 2.6 standard errors.
    Waves slower than the window are not in it. Where the values scatter (standard deviation s) by less than
    the step q of the recorder, rounding moves all of them alike, and q**2 / 12 * exp(-(2 pi s / q)**2) is
    added, as the characteristic function of a rounded normal variable has it [2]_. What line, zero and level
    add is shared by all rows and not in it.

    References
    ----------
    .. [1] Busing FMTA, Meijer E, van der Leeden R. Delete-m jackknife for unequal m. Statistics and
       Computing 1999;9:3-8 (from memory).
    .. [2] Widrow B, Kollar I. Quantization Noise. Cambridge University Press 2008 (from memory).
    """
    value, se = statistics(kind, values[None], weights, groups, np.atleast_2d(step))
    return value[0], se[0]


def statistics(
    kind: str, values: Float, weights: Float, groups: Groups, step: Float | float = 0.0
) -> tuple[Float, Float]:
    """
    `statistic` for several columns at once.

    Parameters
    ----------
    kind, weights, groups
        As in `statistic`; groups never fall from one row to the next, apart from rows left out.
    values : ndarray, shape (n_columns, n)
        Values of the rows.
    step : float or ndarray, shape (n_columns, n_groups)
        How far the step of the recorder moves a value.

    Returns
    -------
    value, se : ndarray, shape (n_columns, n_groups)
        As in `statistic`.
    """
    shape = (values.shape[0], groups.n)
    inside = groups.row >= 0
    out = np.full(shape, np.nan), np.full(shape, np.nan)
    if not inside.any():
        return out
    every = bool(inside.all())
    g, block = (groups.row, groups.block) if every else (groups.row[inside], groups.block[inside])
    v, w = (values, weights) if every else (values[:, inside], weights[inside])
    cell = _begins(np.diff(g) != 0, np.diff(block) != 0)
    group = _begins(np.diff(g[cell]) != 0)
    of_cell = np.cumsum(np.isin(np.arange(cell.size), group)) - 1
    there = g[cell][group]
    with np.errstate(invalid="ignore", divide="ignore"):
        if kind == "rate":
            v = 60.0 / v
        ok = np.isfinite(v)
        timed = kind == "time_mean"
        if timed:
            ok &= np.isfinite(w)
        product = v * w if timed else v
        sums = product if ok.all() else np.where(ok, product, 0.0)
        if (ok == ok[0]).all():
            # Columns mostly miss the same rows: what they count is then counted once.
            ok = ok[:1]
        weight = np.where(ok, w, 0.0) if timed else ok.astype(np.float64)
        in_cell, of_sums = (np.add.reduceat(x, cell, axis=1) for x in (weight, sums))
        total = np.add.reduceat(in_cell, group, axis=1)
        mean = np.add.reduceat(of_sums, group, axis=1) / total
        variance = _between_blocks(in_cell, of_sums, total, mean, group, of_cell)
        count = total if not timed else np.add.reduceat(ok.astype(np.float64), cell, axis=1)
        if timed:
            count = np.add.reduceat(count, group, axis=1)
        steps = np.broadcast_to(np.asarray(step, dtype=np.float64), shape)[:, there]
        if np.any(steps > 0):
            row = np.repeat(of_cell, np.diff(np.append(cell, g.size)))
            apart = np.where(ok, v - mean[:, row], 0.0) ** 2
            scatter = np.add.reduceat(np.add.reduceat(apart, cell, axis=1), group, axis=1)
            variance = variance + _rounding(scatter / np.maximum(count - 1.0, 1.0), steps)
        se = np.sqrt(variance)
        if kind == "rate":
            mean, se = 60.0 / mean, 60.0 * se / mean**2
    enough = count >= LEAST_BEATS
    out[0][:, there] = np.where(enough, mean, np.nan)
    out[1][:, there] = np.where(enough, se, np.nan)
    return out


def _begins(*changes: NDArray[np.bool_]) -> Int:
    """Places where something begins: the first, and where any of these changes."""
    return np.flatnonzero(np.concatenate([[True], np.logical_or.reduce(changes)]))


def _between_blocks(
    in_cell: Float, sums: Float, total: Float, mean: Float, group: Int, of_cell: Int
) -> Float:
    """Variance of the mean of each group from the means of its blocks; NaN with fewer than three."""
    apart = sums / in_cell - mean[:, of_cell]
    used = in_cell > 0
    term = np.where(used, in_cell / (total[:, of_cell] - in_cell) * apart**2, 0.0)
    blocks = np.add.reduceat(used.astype(np.float64), group, axis=1)
    variance = np.add.reduceat(term, group, axis=1) / blocks
    return np.where(blocks >= LEAST_BLOCKS, variance, np.nan)


def _rounding(scatter: Float, step: Float) -> Float:
    """Variance by which rounding to steps moves all values of a group alike."""
    shared = step**2 / 12.0 * np.exp(-4.0 * np.pi**2 * scatter / step**2)
    return np.where(step > 0, shared, 0.0)
