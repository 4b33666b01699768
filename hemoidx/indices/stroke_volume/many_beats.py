"""
Stroke volume that needs many beats: the time constant of the arteries from how beats follow each other.

The wave inside the beat, which reflections bend, is hardly looked at. What is needed instead is that the
pressure of the feet goes up and down from beat to beat.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ...samples import Float

#: A beat that begins within this of the end of another follows it [s].
SAME_S = 1e-6
#: A window's least squares needs so many pairs of successive beats: our convention.
LEAST_PAIRS = 10
#: A segment of the long-interval method, in windows of 30 s: six minutes.
SEGMENT_WINDOWS = 12
#: It needs so many pairs of successive beats, half of six minutes at 40/min: our convention.
LEAST_SEGMENT_PAIRS = 120
#: Largest relative standard error of the rate of decay with which a segment counts: our convention.
LARGEST_ERROR = 0.25


class Pairs(NamedTuple):
    """
    Successive beats, both usable.

    Attributes
    ----------
    window : ndarray of int, shape (n_pairs,)
        Window of the first of the two.
    rise : ndarray, shape (n_pairs,)
        Pressure of the second foot minus that of the first [mmHg].
    runoff : ndarray, shape (n_pairs,)
        Mean pressure of the first beat times its duration [mmHg s].
    pulse : ndarray, shape (n_pairs,)
        Pulse pressure of the first [mmHg].
    duration : ndarray, shape (n_pairs,)
        Duration of the first [s].
    """

    window: NDArray[np.intp]
    rise: Float
    runoff: Float
    pulse: Float
    duration: Float


def successive(
    onset_s: ArrayLike,
    end_s: ArrayLike,
    dbp: ArrayLike,
    mbp: ArrayLike,
    pulse: ArrayLike,
    window_of_beat: ArrayLike,
) -> Pairs:
    """
    Pairs of beats of which the second begins where the first ends.

    Parameters
    ----------
    onset_s, end_s : array_like, shape (n_beats,)
        Foot of the beat and of the next one [s].
    dbp, mbp, pulse : array_like, shape (n_beats,)
        Diastolic, mean and pulse pressure [mmHg]; NaN where a beat is not usable.
    window_of_beat : array_like of int, shape (n_beats,)
        Row of the window of each beat, -1 outside all.

    Returns
    -------
    Pairs
        One entry for each pair.
    """
    start, stop = np.asarray(onset_s, dtype=np.float64), np.asarray(end_s, dtype=np.float64)
    low, mean = np.asarray(dbp, dtype=np.float64), np.asarray(mbp, dtype=np.float64)
    high = np.asarray(pulse, dtype=np.float64)[:-1]
    row = np.asarray(window_of_beat, dtype=np.intp)
    rise = low[1:] - low[:-1]
    joined = np.abs(start[1:] - stop[:-1]) < SAME_S
    good = joined & np.isfinite(rise) & np.isfinite(mean[:-1]) & np.isfinite(high) & (row[:-1] >= 0)
    duration = (stop - start)[:-1][good]
    return Pairs(row[:-1][good].astype(np.intp), rise[good], mean[:-1][good] * duration, high[good], duration)


def beat_averaged_windkessel(
    onset_s: ArrayLike,
    end_s: ArrayLike,
    dbp: ArrayLike,
    mbp: ArrayLike,
    window_of_beat: ArrayLike,
    n_windows: int,
) -> Float:
    """
    Storage and run-off of the beats of a window, with one time constant fitted to them.

    Parameters
    ----------
    onset_s, end_s : array_like, shape (n_beats,)
        Foot of the beat and of the next one [s].
    dbp, mbp : array_like, shape (n_beats,)
        Diastolic and mean pressure [mmHg]; NaN where a beat is not usable.
    window_of_beat : array_like of int, shape (n_beats,)
        Row of the window of each beat, -1 outside all.
    n_windows : int
        Number of windows.

    Returns
    -------
    ndarray, shape (n_windows,)
        Proportional to stroke volume [mmHg]: mean over the beats of rise + mbp T / tau. NaN with fewer than
        ten pairs of successive beats or where no positive time constant fits.

    Notes
    -----
    A pulse into a constant compliance raises pressure by SV / C. So 2 (mbp - dbp) = rise + mbp T / tau for
    each beat; 1/tau by least squares of this, divided by T, over the window. The pulse pressure is that of a
    triangle, which a peripheral systolic peak does not reach into. In a window as long as that of the fit the
    value is close to the pulse pressure it was fitted to, twice that of Herd; equal, where beats are alike.

    References
    ----------
    .. [1] Parlikar TA, Heldt T, Ranade GV, Verghese GC. Model-based estimation of cardiac output and total
       peripheral resistance. Comput Cardiol 2007;34:379-382 (fit and equation recalled).
    """
    triangle = 2.0 * (np.asarray(mbp, dtype=np.float64) - np.asarray(dbp, dtype=np.float64))
    pairs = successive(onset_s, end_s, dbp, mbp, triangle, window_of_beat)
    mean = pairs.runoff / pairs.duration

    def total(values: Float) -> Float:
        return np.bincount(pairs.window, values, n_windows).astype(np.float64)

    count = np.bincount(pairs.window, minlength=n_windows)
    with np.errstate(invalid="ignore", divide="ignore"):
        rate = total((pairs.pulse - pairs.rise) / pairs.duration * mean) / total(mean**2)
        stroke = (total(pairs.rise) + rate * total(pairs.runoff)) / count
    return np.where((count >= LEAST_PAIRS) & (rate > 0), stroke, np.nan)


def long_interval_rate(pairs: Pairs, n_windows: int) -> tuple[Float, Float, Float]:
    """
    Rate of decay of the arteries from six minutes of feet.

    Parameters
    ----------
    pairs : Pairs
        Successive beats.
    n_windows : int
        Number of windows.

    Returns
    -------
    rate : ndarray, shape (n_windows,)
        1 / tau [1/s] of the segment around each window.
    error : ndarray, shape (n_windows,)
        Its standard error by the residuals, as if they were independent [1/s].
    runoff : ndarray, shape (n_windows,)
        Mean of mbp T over the segment [mmHg s].

    Notes
    -----
    Least squares of rise = a pulse - mbp T / tau over the beats of the segment. The gain a is free, so that
    the size of the pulse, which reflection changes, does not set the time constant.
    """
    u, x, y = pairs.pulse, pairs.runoff, pairs.rise
    products = (np.ones(x.size), x, u * u, u * x, x * x, u * y, x * y, y * y)
    sums = np.stack([np.bincount(pairs.window, v, n_windows) for v in products]).astype(np.float64)
    n, total, uu, ux, xx, uy, xy, yy = _segments(sums)
    with np.errstate(invalid="ignore", divide="ignore"):
        determinant = uu * xx - ux**2
        gain = (uy * xx - xy * ux) / determinant
        rate = (uy * ux - xy * uu) / determinant
        left = np.maximum(yy - gain * uy + rate * xy, 0.0)
        error = np.sqrt(left / (n - 2.0) * uu / determinant)
        runoff = total / n
    enough = (n >= LEAST_SEGMENT_PAIRS) & (determinant > 0)
    return tuple(np.where(enough, v, np.nan) for v in (rate, error, runoff))  # type: ignore[return-value]


def _segments(columns: Float) -> Float:
    """Sum each column over the twelve windows around every window; fewer at the ends are none."""
    half = SEGMENT_WINDOWS // 2
    padded = np.pad(columns, ((0, 0), (half, half - 1)), constant_values=np.nan)
    return np.asarray(np.lib.stride_tricks.sliding_window_view(padded, SEGMENT_WINDOWS, axis=1).sum(axis=-1))


def long_interval(
    onset_s: ArrayLike,
    end_s: ArrayLike,
    dbp: ArrayLike,
    mbp: ArrayLike,
    pp: ArrayLike,
    window_of_beat: ArrayLike,
    n_windows: int,
) -> Float:
    """
    Mean pressure over the slow time constant that six minutes of beats follow.

    Parameters
    ----------
    onset_s, end_s : array_like, shape (n_beats,)
        Foot of the beat and of the next one [s].
    dbp, mbp, pp : array_like, shape (n_beats,)
        Diastolic, mean and pulse pressure [mmHg]; NaN where a beat is not usable.
    window_of_beat : array_like of int, shape (n_beats,)
        Row of the window of each beat, -1 outside all.
    n_windows : int
        Number of windows.

    Returns
    -------
    ndarray, shape (n_windows,)
        Proportional to stroke volume [mmHg]: mean of mbp T over the time constant, both over the six minutes
        around the window. NaN where the segment does not lie in the recording, holds fewer than 120 pairs of
        successive beats, or tells the time constant no better than to a quarter.

    Notes
    -----
    The principle is published: the decay that would follow if pulsation stopped, identified over intervals
    longer than a beat, where the wave's reflections have died out. The identification here is our own and
    simpler, one recursion from foot to foot (see `long_interval_rate`). It lives on variation from beat to
    beat, and has no value where rhythm and breathing give none.

    References
    ----------
    .. [1] Mukkamala R, Reisner AT, Hojman HM, Mark RG, Cohen RJ. Continuous cardiac output monitoring by
       peripheral blood pressure waveform analysis. IEEE Trans Biomed Eng 2006;53:459-467 (principle).
    """
    pairs = successive(onset_s, end_s, dbp, mbp, pp, window_of_beat)
    rate, error, runoff = long_interval_rate(pairs, n_windows)
    return np.where((rate > 0) & (error < LARGEST_ERROR * rate), rate * runoff, np.nan)
