"""The table of beats as evenly spread series: what of pressure and interval may carry the breathing."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ..errors import InputError

Float = NDArray[np.float64]
Int = NDArray[np.int64]
Bool = NDArray[np.bool_]

#: Spacing of the grid onto which beats are spread [s].
SPACING_S = 0.25
#: Slower than this [s, from end to end of the averaging kernel] is level, not breathing.
LEVEL_S = 26.0
#: Averaging kernel of what alternates from beat to beat [s].
TURN_S = 50.0
#: Width of the bins in which level and alternation are averaged [s].
_BIN_S = 2.0
#: Fewer beats tell nothing.
LEAST_BEATS = 8
#: A value further from its level than this many usual distances is drawn in to it.
_FAR = 4.0
#: Size of a difference that means nothing: as a fraction of the usual pulse pressure, or of the interval.
_NOTHING = 0.004


@dataclass(frozen=True)
class BeatSeries:
    """
    What is asked of the beats, one value each, in the order of time.

    Attributes
    ----------
    onset_s : ndarray
        Feet [s from the start of the recording], increasing.
    interval_s : ndarray
        From each foot to the next [s]; NaN where unknown.
    sbp, dbp, mbp : ndarray
        Systolic, diastolic, mean pressure [mmHg]; NaN where unknown.
    usable : ndarray of bool
        Beats that are believed.
    ectopic, irregular : ndarray of bool
        Premature beats; beats in an irregular rhythm.
    """

    onset_s: Float
    interval_s: Float
    sbp: Float
    dbp: Float
    mbp: Float
    usable: Bool
    ectopic: Bool
    irregular: Bool

    def __post_init__(self) -> None:
        sizes = {np.shape(getattr(self, name)) for name in self.__dataclass_fields__}
        if len(sizes) > 1 or any(len(shape) != 1 for shape in sizes):
            raise InputError("breaths: every series of the beats needs one value a beat")
        if not np.all(np.diff(self.onset_s) > 0):
            raise InputError("breaths: beats must be in the order of time, each foot after the one before")


def beat_series(
    onset_s: ArrayLike,
    interval_s: ArrayLike,
    sbp: ArrayLike,
    dbp: ArrayLike,
    mbp: ArrayLike,
    usable: ArrayLike | None = None,
    ectopic: ArrayLike | None = None,
    irregular: ArrayLike | None = None,
) -> BeatSeries:
    """Make a `BeatSeries` of whatever turns into arrays; what is left out is True, False, False."""
    onset = np.asarray(onset_s, dtype=np.float64)
    interval, high, low, mean = (np.asarray(x, dtype=np.float64) for x in (interval_s, sbp, dbp, mbp))

    def mark(given: ArrayLike | None, otherwise: bool) -> Bool:
        return np.full(onset.shape, otherwise) if given is None else np.asarray(given, dtype=np.bool_)

    marks = mark(usable, True), mark(ectopic, False), mark(irregular, False)
    return BeatSeries(onset, interval, high, low, mean, *marks)


@dataclass(frozen=True)
class Carriers:
    """
    Beats that may be used, and what their carriers leave once level and alternation are taken out.

    `value` has shape (4, n): pulse pressure, diastolic, mean pressure [mmHg], interval [s], each about zero.
    `floor` is the size below which each carrier says nothing.
    """

    time_s: Float
    value: Float
    weight: Float
    floor: Float
    #: Usual interval around each beat [s].
    interval_s: Float


def _hann(width_s: float) -> Float:
    half = round(0.5 * width_s / _BIN_S)
    return np.asarray(np.hanning(2 * half + 1)[1:-1])


def smoothed(row: NDArray[Any], kernel: Float) -> Float:
    """Convolve, giving back as many values as there were, also where the kernel is the longer one."""
    begin = (kernel.size - 1) // 2
    return np.convolve(row, kernel)[begin : begin + row.size]


class _Bins:
    """Local weighted means over a few bins, given back at the beats."""

    def __init__(self, time_s: Float, weight: Float) -> None:
        self.time = time_s
        self.at = np.floor(time_s / _BIN_S).astype(np.int64) if time_s.size else np.zeros(0, dtype=np.int64)
        self.weight = weight
        self.size = int(self.at[-1]) + 1 if time_s.size else 0
        self.mass = np.bincount(self.at, weight, self.size)
        self.moment = np.bincount(self.at, weight * time_s, self.size)
        self.of_width: dict[float, tuple[Float, Float]] = {}

    def smooth(self, value: Float, width_s: float) -> Float:
        """Mean around each beat under a Hann kernel of that width; local straight lines are kept."""
        kernel = _hann(width_s)
        if width_s not in self.of_width:
            mass, moment = (smoothed(row, kernel) for row in (self.mass, self.moment))
            self.of_width[width_s] = mass, moment
        mass, moment = self.of_width[width_s]
        total = smoothed(np.bincount(self.at, self.weight * value, self.size), kernel)
        known = mass > 1e-9
        mean, centre = total[known] / mass[known], moment[known] / mass[known]
        # Where beats are spread evenly the centre is that of the bin; at a gap it is that of the beats.
        return np.interp(self.time, centre, mean)


def local_mean(time_s: Float, value: Float, width_s: float) -> Float:
    """Mean around each of some times, increasing, under a Hann kernel of that width [s]."""
    return _Bins(time_s, np.ones(time_s.size)).smooth(value, width_s)


def carriers(series: BeatSeries) -> Carriers:
    """
    Prepare the carriers.

    Premature beats and those behind them are left out; the interval that a premature beat cut short counts
    as no deviation. What alternates from beat to beat (alternans, bigeminy) is averaged over the minute and
    taken out, and so is the level.
    """
    n = series.onset_s.size
    behind = np.concatenate(([False], series.ectopic[:-1]))[:n]
    before = np.concatenate((series.ectopic[1:], [False]))[:n]
    pulse = series.sbp - series.dbp
    raw = np.stack((pulse, series.dbp, series.mbp, series.interval_s))
    # A pressure that nobody measured carries nothing; breathing may show in the others.
    raw[:3][~np.isfinite(raw[:3]).any(axis=1)] = 0.0
    known = np.isfinite(raw[:3]).all(axis=0) & np.isfinite(series.interval_s)
    keep = series.usable & known & ~series.ectopic & ~behind
    time, raw = series.onset_s[keep], raw[:, keep]
    if time.size < LEAST_BEATS or before[keep].mean() > 0.5:
        return Carriers(time[:0], np.zeros((4, 0)), time[:0], np.ones(4), time[:0])
    bins = _Bins(time, np.ones(time.size))
    turn = np.where(np.flatnonzero(keep) % 2, -1.0, 1.0)
    interval = np.where(before[keep], np.nan, raw[3])
    first_guess = np.where(np.isfinite(interval), interval, np.nanmedian(interval))
    usual = bins.smooth(first_guess, LEVEL_S)
    raw[3] = np.where(before[keep], usual, raw[3])
    pulse_like = np.median(raw[0]) if raw[0].any() else 0.5 * np.median(np.abs(raw[1:3]))
    floor = _NOTHING * np.array([*[pulse_like] * 3, np.median(raw[3])])
    for row in raw:
        row -= bins.smooth(row, LEVEL_S)
        row -= turn * bins.smooth(turn * row, TURN_S)
        far = _FAR * np.sqrt(bins.smooth(np.minimum(row**2, (6.0 * np.median(np.abs(row))) ** 2), 2 * TURN_S))
        np.clip(row, -far, far, out=row)
    return Carriers(time, raw, np.ones(time.size), np.maximum(np.abs(floor), 1e-9), usual)


class Spreader:
    """
    Puts values at given times onto the grid of `SPACING_S` so that sums of waves over them are kept.

    Each value is laid under a cubic B-spline: a sum of `value * exp(-i w t)` over the beats is the same sum
    over the grid divided by `kept(w)`.

    Parameters
    ----------
    time_s : ndarray, shape (n,)
        Times [s].
    size : int
        Points of the grid; the first stands for time 0.
    """

    def __init__(self, time_s: Float, size: int) -> None:
        place = time_s / SPACING_S
        base = np.floor(place)
        x = place - base
        y = 1.0 - x
        self.parts = [y**3 / 6, 0.5 * x**3 - x**2 + 2 / 3, 0.5 * y**3 - y**2 + 2 / 3, x**3 / 6]
        self.at = np.clip(base.astype(np.int64), 0, size - 1)
        self.size = size

    def spread(self, value: Float) -> Float:
        """Values on the grid, shape (size,)."""
        # Two points are added on each side, so that what is spread beyond an end has a place to go.
        out = np.zeros(self.size + 4)
        for k, part in enumerate(self.parts):
            out[k + 1 :] += np.bincount(self.at, part * value, self.size + 3 - k)
        return out[2 : self.size + 2]


def kept(frequency_hz: Float) -> Float:
    """Share of a wave of that frequency that a `Spreader` keeps."""
    return np.asarray(np.sinc(frequency_hz * SPACING_S) ** 4)


def level_passed(frequency_hz: Float) -> Float:
    """Share of a wave of that frequency that is left once the level is taken out, at least 0.3."""
    x = frequency_hz * LEVEL_S
    # Transform of the Hann kernel; at x = 1 its limit.
    whole = np.abs(x - 1.0) < 1e-6
    averaged = np.where(whole, 0.5, np.sinc(x) / np.where(whole, 1.0, 1.0 - x**2))
    return np.maximum(1.0 - averaged, 0.3)


def share_around(time_s: Float, total: Int, centre_s: Float, reach_s: float) -> Float:
    """Share of marked ones, of which `total` counts those before each, among the beats around each centre."""
    i0 = np.searchsorted(time_s, centre_s - reach_s)
    i1 = np.searchsorted(time_s, centre_s + reach_s)
    return np.asarray((total[i1] - total[i0]) / np.maximum(i1 - i0, 1))
