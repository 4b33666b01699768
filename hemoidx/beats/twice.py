"""Is every second pulse a pulse? Tall dicrotic waves against premature and alternating beats, by the row.

A dicrotic wave is an echo of its own pulse: from beat to beat it comes after the same time and with the same
share of the height. A premature beat fills the heart according to its own timing, which never repeats so
well, and as a rule comes after a diastole of its own. One wave alone does not tell; thirty in a row do.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from ..samples import rolling_quantile
from ..survey import Swings
from .rhythm import rolling_mean

Float = NDArray[np.float64]
Int = NDArray[np.int64]
Bool = NDArray[np.bool_]

#: Waves on each side in the judgement of one, and how many there must be at least.
ROW, LEAST_ROW = 15, 6
#: A wave between two pulses is the lesser one if it has less than this share of both.
LESSER = 0.95
#: Two upstrokes cannot follow each other faster [s].
SILENT_S = 0.20
#: With a diastole of its own before it the trough before a wave comes this long after the crest of the pulse,
#: and no dicrotic wave comes later than this after its pulse, both in roots of the interval [s], or than this
#: share of the interval.
OWN_DIASTOLE, LATE, LATEST_SHARE = 0.28, 0.58, 0.65
#: In the middle between two pulses it speaks for alternans if pressure fell for more than this share of the
#: delay.
MIDWAY, RAN_OFF = 0.45, 0.62
#: There a wave that rises this slowly (in roots of the interval, from trough to steepest rise) may be either;
#: slower than the second number, as slow as its pulse and this near the middle it is a beat that alternates.
SLOW, SLOWEST, ALIKE_SLOW, EVEN = 0.10, 0.19, 0.85, 0.015
#: Mean change from one interval to the next between pulses, wave left out, of a rhythm without order.
UNEVEN = 0.08
#: Where there is such a rhythm, and every second beat or more has a wave that was chosen, it is left open
#: unless pulses are told more surely than this.
LEFT_OPEN = -7.0
#: Waves left out that are this tall, in shares of the pulse, in a row told as one of pulses as surely as this
#: may be beats.
MAY_BEAT, TOLD_BEATS = 0.2, -5.0
#: Weights of a linear discriminant between dicrotic waves and pulses, fitted on simulated rows of either:
#: delay, and time from the trough to the steepest rise (both in roots of the interval), logarithms of the
#: relative change of height and of delay from wave to wave; and its constant.
WEIGHTS = (23.7, -37.0, -4.1, -4.1)
CONSTANT = -31.0
#: Beyond this on either side it is told, between it is not; pulses for sure.
TOLD, SURE = 1.5, -9.0
#: A chosen wave is one of the row if it is not taller than this, in usual heights of the row, plus a little,
#: and comes within this share of the usual delay.
STANDS_OUT, A_LITTLE, IN_TIME = 1.35, 0.05, 0.25
#: ... and one of those left out if not taller than this.
ALIKE = 1.15


class Echoes(NamedTuple):
    """One row for each pulse that a lesser wave follows; times in s, heights in shares of the pulse."""

    #: Numbers of the wave and of its pulse among the swings, and whether the wave was chosen as a pulse.
    number: Int
    owner: Int
    chosen: Bool
    #: Share of the pulses around that such a wave follows.
    followed: Float
    #: Time since the pulse, to the next pulse, from the crest to the trough before the wave, from there to
    #: its steepest rise, and the like of the next pulse.
    delay: Float
    ahead: Float
    ran: Float
    early: Float
    before: Float
    #: Height of the wave, and of its pulse [mmHg].
    share: Float
    height: Float


class Blur(NamedTuple):
    """Standard deviation of a height [mmHg] and of a time [s] of the swings."""

    height: float
    time: float


NO_BLUR = Blur(0.0, 0.0)


def dicrotic_until(interval: Float) -> Float:
    """Latest delay of a dicrotic upstroke after the upstroke of its pulse [s]."""
    return 0.32 * np.sqrt(np.minimum(interval, 1.2)) + 0.18


def doubled(
    swings: Swings, fs: float, chosen: Int, usable: Bool, blur: Blur = NO_BLUR
) -> tuple[Bool, Bool, Bool]:
    """
    Tell rows of tall dicrotic waves from rows of premature or weak beats.

    Parameters
    ----------
    swings : Swings
        All rises.
    fs : float
        Sampling rate [Hz].
    chosen : ndarray of int, shape (n_chosen,)
        Numbers of those that were taken for pulses, in order.
    usable : ndarray of bool, shape (n_swings,)
        False for what lies in an event.
    blur : Blur
        How exactly heights and times are known; steadier than that nothing can be seen to be.

    Returns
    -------
    waves, doubtful, missing : ndarray of bool, shape (n_chosen,)
        Chosen ones that are dicrotic waves; chosen ones, pulses and waves alike, of which it cannot be told;
        pulses behind which a wave was left out though its row is more like one of pulses.

    Notes
    -----
    The row decides: fifteen waves on each side, if at least half of the pulses there are followed by one. It
    is told by the time from the crest to the trough before the wave (in a row of pulses a diastole lies
    between), by how long the wave takes to rise, by its delay, and by how steadily height and delay repeat.
    The rules are our own.
    """
    out = np.zeros(chosen.size, dtype=bool)
    if chosen.size < 2:
        return out, out, out
    lesser = _lesser(swings.steepest[chosen] / fs, (swings.high - swings.low)[chosen])
    row = _echoes(swings, fs, chosen, lesser, usable)
    if not row.number.size:
        return out, out, out
    told = _told(row, blur)
    usual = rolling_quantile(row.share, ROW, 0.5, every=5), rolling_quantile(row.delay, ROW, 0.5, every=5)
    # Where most of the row was left out as dicrotic waves, so must be what is no taller than they are; by
    # itself where the recorder clipped its pulse.
    tall = row.share * row.height
    alike = (row.share <= ALIKE * usual[0]) | (tall <= ALIKE * rolling_quantile(tall, ROW, 0.5, every=5))
    alike &= rolling_mean(row.chosen.astype(np.float64), ROW) < 0.5
    fits = (row.share <= STANDS_OUT * usual[0] + A_LITTLE) | alike
    fits &= np.abs(row.delay / usual[1] - 1.0) <= IN_TIME
    judged = row.chosen & fits & (row.followed >= 0.5)
    told = np.where(alike & (told > -2.0 * TOLD), np.maximum(told, 2.0 * TOLD), told)
    wave = row.number[judged & (told > TOLD)]
    unsure = judged & (np.abs(told) <= TOLD)
    missing = ~row.chosen & (row.followed >= 0.5) & (told < TOLD_BEATS) & (usual[0] >= MAY_BEAT)
    missing &= (row.share >= MAY_BEAT) & ~_without_order(row)
    return (
        np.isin(chosen, wave),
        np.isin(chosen, np.concatenate([row.number[unsure], row.owner[unsure]])),
        np.isin(chosen, row.owner[missing]),
    )


def _lesser(time: Float, rise: Float) -> Bool:
    """Pulses lower than both neighbours that come no later after the one before than a dicrotic wave can."""
    lesser = np.zeros(time.size, dtype=bool)
    if time.size > 2:
        lesser[1:-1] = rise[1:-1] < LESSER * np.minimum(rise[:-2], rise[2:])
        delay, whole = time[1:-1] - time[:-2], time[2:] - time[:-2]
        lesser[1:-1] &= (delay <= LATEST_SHARE * whole) & (delay <= LATE * _root(whole))
    return lesser


def _root(interval: Float) -> Float:
    """Square root of the interval [s], by which ejection lasts; not longer than that of 50/min."""
    return np.sqrt(np.minimum(interval, 1.44))


def _echoes(swings: Swings, fs: float, chosen: Int, lesser: Bool, usable: Bool) -> Echoes:
    """Find the greatest wave behind each pulse, those that were chosen before all others."""
    rise = swings.high - swings.low
    time = swings.steepest / fs
    owner = chosen[~lesser]
    first, last = owner[:-1], owner[1:]
    whole = time[last] - time[first]
    until = np.minimum(LATE * _root(whole), whole - SILENT_S)
    taken = np.zeros(time.size, dtype=bool)
    taken[chosen[lesser]] = True
    inner = np.flatnonzero(usable)
    place = np.searchsorted(first, inner, side="right") - 1
    held = (place >= 0) & (inner != first[place]) & (inner < last[place])
    inner, place = inner[held], place[held]
    delay = time[inner] - time[first[place]]
    held = taken[inner] | ((delay <= until[place]) & (delay >= SILENT_S))
    inner, place = inner[held], place[held]
    order = np.lexsort((rise[inner], taken[inner], place))
    inner, place = inner[order], place[order]
    top = np.append(place[1:] != place[:-1], True)[: place.size]
    wave, place = inner[top], place[top]
    pulse, following = first[place], last[place]
    has = np.zeros(first.size)
    has[place] = 1.0
    return Echoes(
        wave,
        pulse,
        taken[wave],
        rolling_mean(has, ROW)[place],
        time[wave] - time[pulse],
        time[following] - time[wave],
        (swings.trough[wave] - swings.crest[pulse]) / fs,
        (swings.steepest[wave] - swings.trough[wave]) / fs,
        (swings.steepest[following] - swings.trough[following]) / fs,
        rise[wave] / np.maximum(rise[pulse], 1e-9),
        rise[pulse],
    )


def _without_order(row: Echoes) -> Bool:
    """Whether the pulses around, waves left out, follow each other without order."""
    whole = row.delay + row.ahead
    usual = rolling_quantile(whole, ROW, 0.5, every=5)
    step = np.abs(np.diff(whole, prepend=whole[:1])) / np.maximum(usual, 1e-3)
    return np.asarray(rolling_mean(np.minimum(step, 0.3), ROW) > UNEVEN)


def _told(row: Echoes, blur: Blur) -> Float:
    """For each wave how surely its row is one of dicrotic waves: positive for these, negative for pulses."""

    def usual(value: Float) -> Float:
        return rolling_quantile(value, ROW, 0.5, every=5)

    def unsteady(value: Float, middle: Float, blurred: Float) -> Float:
        step = np.abs(np.diff(value, prepend=value[:1])) / np.maximum(middle, 1e-3)
        seen = rolling_mean(np.minimum(step, 0.3), ROW)
        # The mean absolute difference of two values is 2 / sqrt(pi) standard deviations.
        seen = np.sqrt(np.maximum(seen**2 - (1.128 * blurred) ** 2, (0.3 * seen) ** 2))
        return np.log(0.01 + seen)

    delay, share = usual(row.delay), usual(row.share)
    whole = usual(row.delay + row.ahead)
    root = _root(whole)
    late, ran, early = delay / root, usual(row.ran) / root, usual(row.early) / root
    part = blur.height / np.maximum(usual(row.height) * share, 1e-9)
    heights = np.sqrt(2.0 * (1.0 + share**2)) * part
    times = np.sqrt(2.0) * blur.time / delay
    columns = (late, early, unsteady(row.share, share, heights), unsteady(row.delay, delay, times))
    told = CONSTANT + sum(w * column for w, column in zip(WEIGHTS, columns, strict=True))
    if row.number.size < LEAST_ROW:
        # Too few to see whether they repeat.
        told = np.zeros(row.number.size)
    midway = delay > MIDWAY * whole
    told = told - np.where(midway, 60.0 * np.maximum(ran / late - RAN_OFF, 0.0), 0.0)
    # A wave just there that takes long to rise may be an alternating beat that rises out of a dicrotic wave,
    # and is one if it comes in the very middle and the pulses take as long.
    told = np.where(midway & (early > SLOW), np.minimum(told, 0.0), told)
    even = (np.abs(delay / whole - 0.5) < EVEN) & (usual(row.before) > ALIKE_SLOW * usual(row.early))
    told = np.where(even & (early > SLOWEST), SURE, told)
    # In a rhythm without order not every second beat is premature.
    often = rolling_mean(row.chosen.astype(np.float64), ROW) * row.followed >= 0.5
    told = np.where(often & _without_order(row) & (told > LEFT_OPEN), np.maximum(told, 0.0), told)
    return np.where(ran > OWN_DIASTOLE, SURE, told)
