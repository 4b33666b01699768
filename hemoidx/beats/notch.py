"""The dicrotic notch: where the average pulse has it, then in each pulse nearby."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from ..samples import correlated, polynomial_kernel, vertex
from .shape import Pulses

Float = NDArray[np.float64]
Int = NDArray[np.int64]
Bool = NDArray[np.bool_]

#: Span of the parabola whose curvature finds the notch [s].
CURVATURE_S = 0.08
#: The notch of a single pulse may lie this far [s] from that of the local average.
NOTCH_WITHIN_S = 0.03
#: Least curvature of a notch in the average pulse, pulse pressures per second squared.
NOTCH_CURVATURE = 22.0
#: ... and least easing of the slope around it, pulse pressures per second: less is not seen by eye (ours).
NOTCH_RELAXATION = 1.2
#: A local minimum counts so many times its curvature against a mere bend.
INCISURA = 4.0
#: Where the notch is expected, in expected ejection times after the foot: it travels, and the foot is late.
EXPECTED = 1.1
#: Every so manieth average pulse is searched.
EVERY = 3


def _curvature_kernel(rate: float) -> NDArray[np.float32]:
    half = max(2, round(0.5 * CURVATURE_S * rate))
    return np.asarray(polynomial_kernel(half, 2, 2) * rate**2, dtype=np.float32)


def _curvature(wave: NDArray[np.float32], rate: float) -> NDArray[np.float32]:
    """Second derivative along the columns, per second squared; the borders repeat."""
    kernel = _curvature_kernel(rate)
    half, size = kernel.size // 2, wave.shape[0]
    padded = wave[np.clip(np.arange(-half, size + half), 0, size - 1)]
    out: NDArray[np.float32] = kernel[half] * wave
    for k in range(half):
        # The kernel is symmetric: two shifted rows share a weight.
        far = 2 * half - k
        out += kernel[k] * (padded[k : k + size] + padded[far : far + size])
    return out


def _curvature_near(
    wave: NDArray[np.float32], centre: NDArray[np.int64], reach: int, rate: float
) -> NDArray[np.float32]:
    """Second derivative of each row at `reach` columns on both sides of its own centre, one row a column."""
    kernel = _curvature_kernel(rate)
    wide = reach + kernel.size // 2
    column = np.clip(centre[:, None] + np.arange(-wide, wide + 1), 0, wave.shape[1] - 1)
    near = np.take_along_axis(wave, column, axis=1)
    return correlated(near, kernel)


def _relaxation(average: NDArray[np.float32], centre: NDArray[np.int64], rate: float) -> Float:
    """How much the slope eases around each centre [1/s]: greatest within 0.1 s after less least before."""
    reach = max(2, round(0.1 * rate))
    column = np.clip(centre[:, None] + np.arange(-reach, reach + 1), 0, average.shape[1] - 1)
    step = np.diff(np.take_along_axis(average, column, axis=1), axis=1) * rate
    return np.asarray(step[:, reach:].max(axis=1) - step[:, :reach].min(axis=1), dtype=np.float64)


def _trough_near(
    wave: NDArray[np.float32], centre: NDArray[np.int64], offset: NDArray[np.int64]
) -> tuple[Float, Bool]:
    """Lowest local minimum of each row around its centre, in columns from there, and whether there is one."""
    column = np.clip(centre[:, None] + offset, 0, wave.shape[1] - 1)
    near = np.take_along_axis(wave, column, axis=1)
    dip = (near[:, 1:-1] <= near[:, :-2]) & (near[:, 1:-1] < near[:, 2:])
    best = np.argmin(np.where(dip, near[:, 1:-1], np.inf), axis=1) + 1
    row = np.arange(near.shape[0])
    shift = vertex(near[row, best - 1], near[row, best], near[row, best + 1])
    return offset[best] + shift, np.asarray(dip.any(axis=1))


def _usual(
    average: NDArray[np.float32], peak: Float, interval: Float, length: Int, rate: float
) -> tuple[Int, Bool]:
    """Column of the notch in average pulses, and whether they have one."""
    # One pulse a column: what follows runs over all pulses at once.
    wave = np.ascontiguousarray(average.T)
    place = np.arange(wave.shape[0])[:, None]
    expected = 0.30 * np.sqrt(np.clip(interval, 0.25, 2.0))
    first = np.maximum(0.60 * expected, peak + 0.03) * rate
    late = np.minimum(1.5 * expected + 0.05, 0.62 * np.clip(interval, 0.25, 2.0) + 0.02) * rate
    allowed = (place >= first) & (place <= np.minimum(late, length - 2.0))
    bend = _curvature(wave, rate)
    # Only a local maximum of curvature counts: at a border the search window would be the answer.
    allowed[1:-1] &= (bend[1:-1] >= bend[:-2]) & (bend[1:-1] >= bend[2:])
    allowed[[0, -1]] = False
    dip = np.zeros_like(allowed)
    dip[1:-1] = (wave[1:-1] <= wave[:-2]) & (wave[1:-1] < wave[2:])
    # An incisura outweighs a bend; curvature is greatest within a column or two of its bottom.
    dip[1:] |= dip[:-1].copy()
    dip[:-1] |= dip[1:].copy()
    # Few columns of a pulse are left: only these are weighed.
    at, pulse = np.nonzero(allowed)
    # A resonant line draws several troughs; the one near the expected time is the notch.
    away = at / (0.4 * rate * expected[pulse]) - EXPECTED / 0.4
    score = np.full(wave.shape, -np.inf)
    score[at, pulse] = bend[at, pulse] * np.where(dip[at, pulse], INCISURA, 1.0) / (1.0 + away**2)
    every = np.arange(wave.shape[1])
    centre = np.argmax(score, axis=0)
    found = (score[centre, every] > -np.inf) & (bend[centre, every] > NOTCH_CURVATURE)
    return centre, found & (_relaxation(average, centre, rate) > NOTCH_RELAXATION)


def notches(pulses: Pulses, average: NDArray[np.float32], peak: Float, interval: Float) -> Float:
    """
    Dicrotic notch of each pulse.

    Parameters
    ----------
    pulses : Pulses
        Pulses from the foot on.
    average : ndarray
        Local average pulses, see :func:`hemoidx.beats.shape.typical`.
    peak, interval : ndarray, shape (n_beats,)
        Peak after the foot, and usual interval of the beats there [s].

    Returns
    -------
    ndarray, shape (n_beats,)
        Notch after the foot [s]; NaN where the average pulse has none or this pulse shows none near it.

    Notes
    -----
    The notch is the lowest point of an incisura, or the largest curvature where pressure only falls more
    slowly behind it. It is looked for by curvature in the local average pulse between 0.6 and 1.5 times
    the ejection time that goes with the rate (0.3 sqrt(interval), from memory, used as a window and never
    as an answer), and then in each pulse within 30 ms of that. Second derivative as the established rule:
    Pal et al., Comput Methods Programs Biomed 2024;254:108283.
    """
    rate = pulses.rate
    # The average of 15 pulses changes slowly: every third one will do.
    some = slice(None, None, EVERY)
    centre, found = _usual(average[some], peak[some], interval[some], pulses.length[some], rate)
    centre = np.repeat(centre, EVERY)[: peak.size]
    found = np.repeat(found, EVERY)[: peak.size]
    row = np.arange(peak.size)
    within = max(1, round(NOTCH_WITHIN_S * rate))
    near = _curvature_near(pulses.wave, centre, within + 1, rate)
    offset = np.arange(-within - 1, within + 2)
    best = np.clip(np.argmax(near[1:-1], axis=0) + 1, 1, near.shape[0] - 2)
    shift = vertex(near[best - 1, row], near[best, row], near[best + 1, row])
    clear = near[best, row] > 0.5 * NOTCH_CURVATURE
    trough, deep = _trough_near(pulses.wave, centre, offset)
    position = (centre + np.where(deep, trough, offset[best] + shift)) / rate
    good = found & clear & (position > peak) & (position * rate < pulses.length - 1)
    return np.where(good, position, np.nan)
