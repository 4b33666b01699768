"""Which swings are pulses: strong ones at once, weak ones by their timing and shape, dicrotic waves never."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from ..samples import rolling_quantile
from ..survey import Swings
from .twice import NO_BLUR, SILENT_S, Blur, dicrotic_until, doubled

Float = NDArray[np.float64]
Int = NDArray[np.int64]
Bool = NDArray[np.bool_]

#: Length [s] of the stretches whose strongest swing stands for the pulse there: longer than half the
#: slowest beat, so that at 25/min every other stretch at least holds a pulse.
STRETCH_S = 1.5
#: Stretches on each side that make the local reference.
STRETCHES = 6
#: A swing of this share of the local reference is a pulse by strength alone.
STRONG = 0.60
#: Below this share it is not looked at.
WEAK = 0.16
#: A swing behind the dicrotic time needs this share.
LATE = 0.40
#: A premature pulse against a tall dicrotic wave: it starts higher on the runoff and is taller for its
#: delay. Weights of a linear discriminant fitted on simulated bigeminy and on dicrotic waves of all kinds.
TALL, PROMPT, MIDWAY, EARLY = 1.25, 0.85, 0.30, 0.33
LEAST_SHARE = 0.24
#: A weak pulse between two strong ones: pressure ran off for this share of the time since the strong one.
RAN_OFF = 0.62
#: No two pulses of an even rhythm follow each other faster [s]: 225/min.
FASTEST_S = 60.0 / 225.0


class Chosen(NamedTuple):
    """Numbers of the swings that are pulses, whether each is weak, and the local reference strength."""

    number: Int
    weak: Bool
    reference: Float
    interval: Float
    #: Of a row in which every second one may be a dicrotic wave.
    doubtful: Bool
    #: Followed by a wave that was left out and may be a beat.
    missing: Bool


def strength(swings: Swings) -> Float:
    """Geometric mean of the rise and of the slope times 0.1 s [mmHg]: tall and steep counts."""
    return np.sqrt(np.maximum(swings.high - swings.low, 0.0) * np.maximum(swings.slope, 0.0) * 0.1)


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
    far = rolling_quantile(coarse, 10, 0.75)
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
    middle = _bridge(rolling_quantile(gap, 7, 0.5, every=2))
    if not middle.any():
        return np.full(at.size, 1.0)
    return np.interp(at, time[:-1] + 0.5 * np.diff(time), middle)


def choose(
    swings: Swings,
    fs: float,
    duration: float,
    inside_event: Bool,
    least: float = 0.0,
    blur: Blur = NO_BLUR,
) -> Chosen:
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
    least : float
        A smaller rise is no pulse [mmHg].
    blur : Blur
        How exactly heights and times of the swings are known.

    Returns
    -------
    Chosen
        The pulses.
    """
    time = swings.steepest / fs
    power = strength(swings)
    reference = local_reference(time, power, ~inside_event, duration)
    ratio = np.where(reference > 0, power / np.maximum(reference, 1e-9), 0.0)
    candidate = ~inside_event & (ratio >= WEAK) & (swings.high - swings.low >= least)
    strong = np.flatnonzero(candidate & (ratio >= STRONG))
    strong = strong[_strongest_nearby(time[strong], power[strong], SILENT_S)]
    interval = _local_interval(time[strong], time)
    is_strong = np.zeros(time.size, dtype=bool)
    is_strong[strong] = True
    weak = np.flatnonzero(candidate & ~is_strong)
    keep = weak[_weak_pulses(swings, fs, ratio, strong, weak, interval)]
    chosen = np.sort(np.concatenate([strong, keep]))
    chosen = chosen[_strongest_nearby(time[chosen], power[chosen], SILENT_S)]
    chosen = chosen[~_dicrotic_of_weak(time[chosen], ratio[chosen], interval[chosen])]
    waves, doubtful, missing = doubled(swings, fs, chosen, ~inside_event, blur)
    if waves.any():
        chosen, doubtful, missing = chosen[~waves], doubtful[~waves], missing[~waves]
        interval = _local_interval(time[chosen], time)
    return Chosen(chosen, ratio[chosen] < STRONG, reference[chosen], interval[chosen], doubtful, missing)


def _weak_pulses(swings: Swings, fs: float, ratio: Float, strong: Int, weak: Int, interval: Float) -> Bool:
    """
    Which weak swings are pulses of their own and not the dicrotic wave of the pulse before.

    Notes
    -----
    A swing behind the dicrotic time is a pulse. One within it is a pulse only if it stands out from what
    follows the neighbouring pulses at that time (a premature beat among ordinary dicrotic waves), if it
    starts high above the foot of the pulse before and is tall for its delay (bigeminy: there was no time
    to run off, while a deep dicrotic trough lies low), or if it falls midway between strong pulses,
    after a diastole of its own, at a rate that a heart can have (alternans).
    """
    if not strong.size:
        return np.zeros(weak.size, dtype=bool)
    time = swings.steepest / fs
    after = np.searchsorted(strong, weak)
    owner = np.maximum(after - 1, 0)
    before = strong[owner]
    delay = np.where(after > 0, time[weak] - time[before], 9.0)
    following = strong[np.minimum(after, strong.size - 1)]
    ahead = np.where(after < strong.size, time[following] - time[weak], 9.0)
    early = delay <= dicrotic_until(interval[weak])
    wave = np.zeros(strong.size)
    np.maximum.at(wave, owner[early], ratio[weak][early])
    usual = rolling_quantile(wave, 7, 0.5)[owner]
    foot = swings.low[weak] - swings.low[before]
    rise = np.maximum(swings.high[before] - swings.low[before], 1e-9)
    height = foot / rise
    stands_out = (ratio[weak] > 1.35 * usual + 0.05) & (ratio[weak] > 0.24)
    share = (swings.high[weak] - swings.low[weak]) / rise
    whole = delay + ahead
    prompt = PROMPT * delay / np.sqrt(np.minimum(interval[weak], 1.4)) + MIDWAY * delay / whole
    comes_early = (height + TALL * share - prompt > EARLY) & (share > LEAST_SHARE)
    climb = (swings.crest - swings.trough)[weak] / (swings.crest - swings.trough)[before]
    midway = np.abs(delay - ahead) < 0.07 * np.minimum(whole, 9.0)
    # The trough before a pulse ends a diastole; the one before a dicrotic wave closely follows a peak. A
    # rise much longer than that of the pulse before began in such a trough, with a diastole after it.
    ran_off = (swings.trough[weak] - swings.crest[before]) / fs > RAN_OFF * delay
    alternates = midway & (ran_off | (climb > 1.75)) & (ratio[weak] > 0.30) & (delay > FASTEST_S)
    return (ahead > SILENT_S) & np.where(early, stands_out | comes_early | alternates, ratio[weak] > LATE)


def _dicrotic_of_weak(time: Float, ratio: Float, interval: Float) -> Bool:
    """Among pulses: small ones that closely follow a weak pulse, as its dicrotic wave does."""
    gap = np.diff(time, prepend=-np.inf)
    previous = np.concatenate([[np.inf], ratio[:-1]])
    return (gap < dicrotic_until(interval)) & (previous < STRONG) & (ratio < 0.7 * previous)
