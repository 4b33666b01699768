"""Where in each pulse: foot, steepest rise, peak, next foot; sub-sample, from the samples themselves."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from ..samples import around, nearest, neighbour_means, polynomial_kernel, vertex
from ..survey import Grid

Float = NDArray[np.float64]
Int = NDArray[np.int64]
Wave = NDArray[np.floating]

#: The end-diastolic minimum is looked for this long [s] before the steepest rise, at most a third of
#: the interval to the pulse before: closer than any dicrotic trough, longer than a damped upstroke.
TROUGH_S = 0.25
#: Span [s] of the straight-line fit that gives the slope for the tangent.
TANGENT_S = 0.04
#: A peak later than this after the steepest rise [s] belongs to something else.
PEAK_S = 0.5


class Landmarks(NamedTuple):
    """Positions [samples] of one beat a row; `low` is the pressure of the horizontal under the tangent."""

    onset: Float
    steepest: Float
    peak: Float
    low: Float
    trough: Float


def _refine_steepest(wave: Wave, rough: Float, g: Grid) -> tuple[Float, Float, Float]:
    """Position, pressure and slope [per sample] at the steepest rise near a low-rate estimate."""
    half = max(1, round(0.5 * TANGENT_S * g.fs))
    reach = g.thin + max(1, round(0.016 * g.fs))
    index, _ = nearest(rough)
    window = around(wave, index, half + reach, half + reach)
    views = np.lib.stride_tricks.sliding_window_view(window, 2 * half + 1, axis=1)
    slope = views @ polynomial_kernel(half, 1, 1)
    slope = np.where(np.isfinite(slope), slope, -np.inf)
    row = np.arange(slope.shape[0])
    best = np.clip(np.argmax(slope, axis=1), 1, slope.shape[1] - 2)
    left, middle, right = slope[row, best - 1], slope[row, best], slope[row, best + 1]
    shift = vertex(left, middle, right)
    # At an end of the wave a neighbour may be missing; the foot is then unknown and the beat left out.
    with np.errstate(invalid="ignore"):
        level = views[row, best].mean(axis=1) + middle * shift
        top = middle - 0.25 * (left - right) * shift
    return index + best - reach + shift, level, np.where(np.isfinite(top), top, np.nan)


def _trough(smooth: Wave, steep: Float, previous: Float, g: Grid) -> tuple[Float, Float]:
    """Position [low-rate samples] and level of the minimum before each steepest rise."""
    back = max(2, round(TROUGH_S * g.low_rate))
    index, _ = nearest(steep)
    window = around(smooth, index, back, 0)
    allowed = np.minimum(back, np.maximum(2, (steep - previous) / 3.0))
    # The last of equal minima: on 8-bit steps the foot is where the flat stretch ends.
    window = window[:, ::-1]
    np.copyto(window, np.inf, where=~(np.arange(back + 1) <= allowed[:, None]) | np.isnan(window))
    before = np.argmin(window, axis=1)
    return (index - before).astype(np.float64), window[np.arange(index.size), before]


def _peak(wave: Wave, thin: Wave, steep: Float, stop: Float, g: Grid) -> Float:
    """Position of the highest pressure between the steepest rise and `stop`, both in samples."""
    centre = 0.5 * (g.thin - 1)
    a = np.clip(np.floor((steep - centre) / g.thin), 0, thin.size - 2).astype(np.int64)
    b = np.clip(np.ceil((stop - centre) / g.thin), a + 1, thin.size - 1).astype(np.int64)
    width = int(np.max(b - a, initial=1))
    window = around(thin, a, 0, width)
    np.copyto(window, -np.inf, where=np.arange(width + 1) > (b - a)[:, None])
    rough = (a + np.argmax(window, axis=1)) * g.thin + centre
    half = max(1, round(0.012 * g.fs))
    reach = g.thin + 1
    index, _ = nearest(rough)
    near = around(wave, index, half + reach, half + reach)
    smooth = neighbour_means(near, 2 * half + 1)
    smooth = np.where(np.isfinite(smooth), smooth, -np.inf)
    row = np.arange(index.size)
    best = np.clip(np.argmax(smooth, axis=0), 1, smooth.shape[0] - 2)
    with np.errstate(invalid="ignore"):
        shift = vertex(smooth[best - 1, row], smooth[best, row], smooth[best + 1, row])
    return np.asarray(index + best - reach + shift, dtype=np.float64)


def locate(
    wave: Wave,
    thin: Wave,
    smooth: Wave,
    rough: Float,
    previous: Float,
    following: Float,
    limit: Float,
    g: Grid,
) -> Landmarks:
    """
    Landmarks of the pulses in one stretch of the wave.

    Parameters
    ----------
    wave : ndarray, shape (n_samples,)
        Pressure, missing samples bridged.
    thin, smooth : ndarray
        The same wave at the low rate, see :func:`hemoidx.survey.thinned`.
    rough : ndarray, shape (n_beats,)
        Steepest rise to the accuracy of the low rate [samples].
    previous, following : ndarray, shape (n_beats,)
        Rough steepest rise of the pulse before and after, far away where there is none [samples].
    limit : ndarray, shape (n_beats,)
        Where the next event begins; a peak is not looked for behind it [samples].
    g : Grid
        Sampling.

    Returns
    -------
    Landmarks
        Foot by the tangent method: where the line of steepest rise meets the horizontal through the
        lowest pressure before it (common practice for pulse timing; see also Hemon and Phillips,
        J Clin Monit Comput 2016, doi 10.1007/s10877-015-9695-6).
    """
    centre = 0.5 * (g.thin - 1)
    steepest, level, slope = _refine_steepest(wave, rough, g)
    before = np.minimum(previous, steepest - 1.0)
    place, low = _trough(smooth, (steepest - centre) / g.thin, (before - centre) / g.thin, g)
    trough = place * g.thin + centre
    with np.errstate(invalid="ignore", divide="ignore"):
        onset = steepest - (level - low) / slope
    onset = np.where(slope > 0, np.maximum(onset, trough - 0.02 * g.fs), np.nan)
    # The next trough ends this beat; until it is known to the sample, a third of the way back will do.
    stop = np.minimum(
        following - np.minimum(TROUGH_S * g.fs, (following - steepest) / 3.0), steepest + PEAK_S * g.fs
    )
    nxt, _ = _trough(
        smooth, (np.minimum(following, wave.size - 1.0) - centre) / g.thin, (steepest - centre) / g.thin, g
    )
    stop = np.where(following < wave.size, np.clip(nxt * g.thin + centre, steepest + 1, None), stop)
    latest = np.minimum(limit, steepest + PEAK_S * g.fs)
    peak = _peak(wave, thin, steepest, np.minimum(stop, latest), g)
    return Landmarks(onset, steepest, peak, low, trough)
