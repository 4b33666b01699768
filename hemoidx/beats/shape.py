"""Pulses laid side by side from their feet: dicrotic notch, and how much each resembles its neighbours."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from ..samples import around, nearest, polynomial_kernel, vertex

Float = NDArray[np.float64]
Bool = NDArray[np.bool_]

#: Length of the pulse that is laid out [s]; no notch lies later, at any rate.
SPAN_S = 0.58
#: Neighbours on each side that make the local average pulse.
NEIGHBOURS = 7
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


class Pulses(NamedTuple):
    """Rows: pulses from the foot on. `wave` is scaled so that the foot is 0 and the peak 1."""

    wave: NDArray[np.float32]
    #: Columns of each row that belong to the pulse itself.
    length: NDArray[np.int64]
    #: Columns a second.
    rate: float


def lay_out(
    thin: NDArray[np.floating], onset: Float, end: Float, scale: Float, low: Float, rate: float
) -> Pulses:
    """
    Lay the pulses out from their feet.

    Parameters
    ----------
    thin : ndarray
        Wave at the low rate.
    onset, end : ndarray, shape (n_beats,)
        Foot and end [low-rate samples]; an unknown end is taken as far away.
    scale, low : ndarray, shape (n_beats,)
        Pulse pressure and foot pressure of each beat.
    rate : float
        Low rate [Hz].

    Returns
    -------
    Pulses
        One row a beat.
    """
    columns = max(8, round(SPAN_S * rate))
    at = np.where(np.isfinite(onset), onset, 0.0)
    base = np.floor(at).astype(np.int64)
    part = (at - base).astype(np.float32)[:, None]
    index = np.clip(base[:, None] + np.arange(columns + 1), 0, thin.size - 1)
    sample = thin[index].astype(np.float32)
    wave = sample[:, :-1] * (1.0 - part) + sample[:, 1:] * part
    wave -= low.astype(np.float32)[:, None]
    wave /= np.maximum(scale, 1e-3).astype(np.float32)[:, None]
    length = np.where(np.isfinite(end), end - at, columns)
    return Pulses(wave, np.clip(np.rint(length), 4, columns).astype(np.int64), rate)


def _local_mean(rows: NDArray[np.float32], weight: NDArray[np.float32]) -> NDArray[np.float32]:
    """Weighted mean of each row and its neighbours."""
    from scipy.ndimage import uniform_filter1d

    size = min(2 * NEIGHBOURS + 1, max(1, rows.shape[0]))
    top = uniform_filter1d(rows * weight[:, None], size, axis=0, mode="nearest")
    bottom = uniform_filter1d(weight, size, mode="nearest")
    return np.asarray(top / np.maximum(bottom, 1e-6)[:, None])


def unlikeness(pulses: Pulses) -> Float:
    """
    How little each pulse resembles the pulses around it.

    Returns
    -------
    ndarray, shape (n_beats,)
        Root mean square difference, in pulse pressures, to the fourth nearest in shape of the
        neighbouring pulses, over the part that both have, at most half a second. Not the distance to
        their mean: in bigeminy and in irregular rhythm good pulses come in several shapes.
    """
    wave = np.clip(pulses.wave[:, : max(4, round(0.5 * pulses.rate))], -2.0, 3.0)
    # Every other column is enough for a shape below 16 Hz.
    wave = np.ascontiguousarray(wave[:, ::2])
    count, columns = wave.shape
    length = np.clip((pulses.length + 1) // 2, 2, columns)
    distance = np.full((count, 2 * NEIGHBOURS), np.inf, dtype=np.float32)
    place = np.arange(columns)
    for lag in range(1, min(NEIGHBOURS, count - 1) + 1):
        common = np.minimum(length[lag:], length[:-lag])
        step = wave[lag:] - wave[:-lag]
        step[place >= common[:, None]] = 0.0
        apart = np.sqrt(np.einsum("ij,ij->i", step, step) / common)
        distance[lag:, lag - 1] = apart
        distance[:-lag, NEIGHBOURS + lag - 1] = apart
    rank = min(3, max(count - 2, 0))
    return np.partition(distance, rank, axis=1)[:, rank].astype(np.float64)


def typical(pulses: Pulses, unlike: Float) -> NDArray[np.float32]:
    """
    Local average pulse around each pulse; pulses unlike the rest count little.

    Returns
    -------
    ndarray, shape (n_beats, n_columns)
        Mean of up to 15 neighbouring pulses.
    """
    weight = (1.0 / (1.0 + (np.minimum(unlike, 9.0) / 0.12) ** 4)).astype(np.float32)
    return _local_mean(np.clip(pulses.wave, -2.0, 3.0), np.maximum(weight, 1e-3))


def _curvature_kernel(rate: float) -> NDArray[np.float32]:
    half = max(2, round(0.5 * CURVATURE_S * rate))
    return np.asarray(polynomial_kernel(half, 2, 2) * rate**2, dtype=np.float32)


def _curvature(wave: NDArray[np.float32], rate: float) -> NDArray[np.float32]:
    """Second derivative along the rows, per second squared; the borders repeat."""
    kernel = _curvature_kernel(rate)
    half = kernel.size // 2
    padded = np.pad(wave, ((0, 0), (half, half)), mode="edge")
    out: NDArray[np.float32] = kernel[half] * wave
    for k in range(half):
        # The kernel is symmetric: two shifted columns share a weight.
        far = 2 * half - k
        out += kernel[k] * (padded[:, k : k + wave.shape[1]] + padded[:, far : far + wave.shape[1]])
    return out


def _curvature_near(
    wave: NDArray[np.float32], centre: NDArray[np.int64], reach: int, rate: float
) -> NDArray[np.float32]:
    """Second derivative of each row at `reach` columns on both sides of its own centre."""
    kernel = _curvature_kernel(rate)
    wide = reach + kernel.size // 2
    column = np.clip(centre[:, None] + np.arange(-wide, wide + 1), 0, wave.shape[1] - 1)
    near = np.take_along_axis(wave, column, axis=1)
    return np.asarray(np.lib.stride_tricks.sliding_window_view(near, kernel.size, axis=1) @ kernel)


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


def notches(pulses: Pulses, average: NDArray[np.float32], peak: Float, interval: Float) -> Float:
    """
    Dicrotic notch of each pulse.

    Parameters
    ----------
    pulses : Pulses
        Pulses from the foot on.
    average : ndarray
        Local average pulses, see :func:`typical`.
    peak, interval : ndarray, shape (n_beats,)
        Peak after the foot, and usual interval of the beats there [s].

    Returns
    -------
    ndarray, shape (n_beats,)
        Notch after the foot [s]; NaN where the average pulse has none or this pulse shows none near it.

    Notes
    -----
    The notch is the lowest point of an incisura, or the largest curvature where pressure only falls more
    slowly behind it. It is looked for by curvature in the local average pulse
    between 0.6 and 1.5 times the ejection time that goes with the rate (0.3 sqrt(interval), from
    memory, used as a window and never as an answer), and then in each pulse within 30 ms of that.
    Second derivative as the established rule: Pal et al., Comput Methods Programs Biomed 2024;254:108283.
    """
    rate = pulses.rate
    columns = np.arange(average.shape[1])
    expected = 0.30 * np.sqrt(np.clip(interval, 0.25, 2.0))
    first = np.maximum(0.60 * expected, peak + 0.03) * rate
    last = np.minimum(
        np.minimum(1.5 * expected + 0.05, 0.62 * np.clip(interval, 0.25, 2.0) + 0.02) * rate,
        pulses.length - 2.0,
    )
    allowed = (columns >= first[:, None]) & (columns <= last[:, None])
    bend = _curvature(average, rate)
    # Only a local maximum of curvature counts: at a border the search window would be the answer.
    inner = np.zeros_like(allowed)
    inner[:, 1:-1] = (bend[:, 1:-1] >= bend[:, :-2]) & (bend[:, 1:-1] >= bend[:, 2:])
    # A resonant line draws several troughs; the one near the expected time is the notch.
    near_expected = 1.0 / (
        1.0 + ((columns / rate - EXPECTED * expected[:, None]) / (0.4 * expected[:, None])) ** 2
    )
    dip = np.zeros_like(allowed)
    dip[:, 1:-1] = (average[:, 1:-1] <= average[:, :-2]) & (average[:, 1:-1] < average[:, 2:])
    # An incisura outweighs a bend; curvature is greatest within a column or two of its bottom.
    dip[:, 1:] |= dip[:, :-1].copy()
    dip[:, :-1] |= dip[:, 1:].copy()
    score = np.where(allowed & inner, bend * near_expected * np.where(dip, INCISURA, 1.0), -np.inf)
    row = np.arange(average.shape[0])
    centre = np.argmax(score, axis=1)
    found = (score[row, centre] > -np.inf) & (bend[row, centre] > NOTCH_CURVATURE)
    found &= _relaxation(average, centre, rate) > NOTCH_RELAXATION
    within = max(1, round(NOTCH_WITHIN_S * rate))
    near = _curvature_near(pulses.wave, centre, within + 1, rate)
    offset = np.arange(-within - 1, within + 2)
    best = np.clip(np.argmax(near[:, 1:-1], axis=1) + 1, 1, near.shape[1] - 2)
    shift = vertex(near[row, best - 1], near[row, best], near[row, best + 1])
    clear = near[row, best] > 0.5 * NOTCH_CURVATURE
    place = offset[best] + shift
    trough, deep = _trough_near(pulses.wave, centre, offset)
    position = (centre + np.where(deep, trough, place)) / rate
    good = found & clear & (position > peak) & (position * rate < pulses.length - 1)
    return np.where(good, position, np.nan)


def fall_to_rise(thin: NDArray[np.floating], onset: Float, end: Float, rate: float) -> Float:
    """
    Steepest fall over steepest rise of some pulses, from the foot to the next foot.

    Parameters
    ----------
    thin : ndarray
        Wave at the low rate.
    onset, end : ndarray, shape (n_beats,)
        Foot and next foot [low-rate samples]; an unknown end is taken to come after a second.
    rate : float
        Low rate [Hz].

    Returns
    -------
    ndarray, shape (n_beats,)
        Below 1 for an arterial pulse, which rises faster than it falls; above 1 upside down.
    """
    first, _ = nearest(onset)
    length = np.where(np.isfinite(end), end - onset, rate)
    count = np.clip(length, 4, 3.0 * rate).astype(np.int64)
    wave = around(thin, first - 1, 0, int(count.max(initial=4)) + 1)
    step = np.diff(wave, axis=1)
    inside = (np.arange(step.shape[1]) <= count[:, None]) & np.isfinite(step)
    fall = -np.min(np.where(inside, step, 0.0), axis=1)
    rise = np.max(np.where(inside, step, 1e-6), axis=1)
    return np.asarray(fall / rise, dtype=np.float64)
