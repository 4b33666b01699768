"""Which swings are pulses: strong ones at once, weak ones by their timing and shape, dicrotic waves never."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from ..survey import Swings

Float = NDArray[np.float64]
Bool = NDArray[np.bool_]

#: Length [s] of the stretches whose strongest swing stands for the pulse there: longer than half the
#: slowest beat, so that at 25/min every other stretch at least holds a pulse.
STRETCH_S = 1.5
#: Stretches on each side that make the local reference.
STRETCHES = 6
#: A swing of this share of the local reference is a pulse by strength alone.
STRONG = 0.45
#: Below this share it is not looked at.
WEAK = 0.16
#: Two upstrokes cannot follow each other faster [s]; 220/min leaves 0.27 s.
SILENT_S = 0.20


class Chosen(NamedTuple):
    """Numbers of the swings that are pulses, whether each is weak, and the local reference strength."""

    index: NDArray[np.int64]
    weak: Bool
    reference: Float
    interval: Float


def strength(swings: Swings) -> Float:
    """Geometric mean of the rise and of the slope times 0.1 s [mmHg]: tall and steep counts."""
    return np.sqrt(np.maximum(swings.high - swings.low, 0.0) * np.maximum(swings.slope, 0.0) * 0.1)


def rolling_quantile(value: Float, half: int, q: float) -> Float:
    """Quantile of the known values among each value and its `half` neighbours on each side; NaN if none."""
    padded = np.pad(value, half, constant_values=np.nan)
    window = np.sort(np.lib.stride_tricks.sliding_window_view(padded, 2 * half + 1), axis=1)
    count = np.sum(np.isfinite(window), axis=1)
    place = np.floor(q * np.maximum(count - 1, 0)).astype(np.int64)
    return np.where(count > 0, window[np.arange(window.shape[0]), place], np.nan)


def _bridge(value: Float) -> Float:
    known = np.flatnonzero(np.isfinite(value))
    if not known.size:
        return np.zeros_like(value)
    return np.interp(np.arange(value.size), known, value[known])


def local_reference(time: Float, value: Float, usable: Bool, duration: float) -> Float:
    """
    Usual strength of the pulse around each swing.

    Parameters
    ----------
    time, value : ndarray, shape (n,)
        Times [s] and strengths of the swings.
    usable : ndarray of bool, shape (n,)
        False for swings inside events, which say nothing about the pulse.
    duration : float
        Length of the recording [s].

    Returns
    -------
    ndarray, shape (n,)
        Upper-middle strength over 20 s, not below a third of that over four minutes.

    Notes
    -----
    The long reference keeps the ripple of a pulseless stretch from becoming its own reference.
    """
    count = max(1, int(duration // STRETCH_S) + 1)
    top = np.full(count, -np.inf)
    cell = np.minimum((time / STRETCH_S).astype(np.int64), count - 1)
    np.maximum.at(top, cell[usable], value[usable])
    top = np.where(np.isfinite(top), top, np.nan)
    near = _bridge(rolling_quantile(top, STRETCHES, 0.65))
    every = 8
    coarse = np.array(near[::every])
    far = rolling_quantile(coarse, 10, 0.5)
    long = np.interp(np.arange(count), np.arange(0, count, every), far)
    reference = np.maximum(near, long / 3.0)
    centre = (np.arange(count) + 0.5) * STRETCH_S
    return np.interp(time, centre, reference)


def _strongest_nearby(time: Float, value: Float, within: float) -> Bool:
    """True for swings that no stronger one precedes or follows within `within` seconds."""
    best = np.ones(time.size, dtype=bool)
    for k in range(1, 5):
        close = (time[k:] - time[:-k]) < within
        if not close.any():
            break
        best[:-k] &= ~(close & (value[k:] > value[:-k]))
        best[k:] &= ~(close & (value[:-k] >= value[k:]))
    return best


def _local_interval(time: Float, at: Float) -> Float:
    """Median interval of the pulses at `time` around each time in `at`."""
    if time.size < 2:
        return np.full(at.size, 1.0)
    gap = np.diff(time)
    gap = np.where(gap < 3.0, gap, np.nan)
    middle = _bridge(rolling_quantile(gap, 7, 0.5))
    if not middle.any():
        return np.full(at.size, 1.0)
    return np.interp(at, time[:-1] + 0.5 * np.diff(time), middle)


def choose(swings: Swings, fs: float, duration: float, inside_event: Bool) -> Chosen:
    """
    Choose the pulses among the swings.

    Parameters
    ----------
    swings : Swings
        Rises found by the survey, in order.
    fs : float
        Sampling rate [Hz].
    duration : float
        Length of the recording [s].
    inside_event : ndarray of bool, shape (n_swings,)
        Swings that lie in a flush, an open line or another stretch that is not the patient.

    Returns
    -------
    Chosen
        The pulses.
    """
    time = swings.steepest / fs
    power = strength(swings)
    reference = local_reference(time, power, ~inside_event, duration)
    ratio = np.where(reference > 0, power / np.maximum(reference, 1e-9), 0.0)
    candidate = ~inside_event & (ratio >= WEAK)
    strong = np.flatnonzero(candidate & (ratio >= STRONG))
    strong = strong[_strongest_nearby(time[strong], power[strong], SILENT_S)]
    interval = _local_interval(time[strong], time)
    is_strong = np.zeros(time.size, dtype=bool)
    is_strong[strong] = True
    weak = np.flatnonzero(candidate & ~is_strong)
    keep = weak[_weak_pulses(swings, time, power, ratio, strong, weak, interval)]
    chosen = np.sort(np.concatenate([strong, keep]))
    chosen = chosen[_strongest_nearby(time[chosen], power[chosen], SILENT_S)]
    return Chosen(chosen, ratio[chosen] < STRONG, reference[chosen], interval[chosen])


def _weak_pulses(
    swings: Swings,
    time: Float,
    power: Float,
    ratio: Float,
    strong: NDArray[np.int64],
    weak: NDArray[np.int64],
    interval: Float,
) -> Bool:
    """Which weak swings are pulses of their own and not the dicrotic wave of the pulse before."""
    if not strong.size:
        return np.zeros(weak.size, dtype=bool)
    after = np.searchsorted(strong, weak)
    before = strong[np.maximum(after - 1, 0)]
    delay = np.where(after > 0, time[weak] - time[before], np.inf)
    following = strong[np.minimum(after, strong.size - 1)]
    ahead = np.where(after < strong.size, time[following] - time[weak], np.inf)
    usual = np.minimum(interval[weak], 1.2)
    dicrotic_until = 0.30 * np.sqrt(usual) + 0.16
    return (delay > dicrotic_until) & (ahead > SILENT_S)
