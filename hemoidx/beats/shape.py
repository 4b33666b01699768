"""Pulses laid side by side from their feet: how much each resembles its neighbours, and their average."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from ..samples import around, nearest

Float = NDArray[np.float64]
Bool = NDArray[np.bool_]

#: Length of the pulse that is laid out [s]; no notch lies later, at any rate.
SPAN_S = 0.58
#: Neighbours on each side that make the local average pulse.
NEIGHBOURS = 7


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
    sample = around(np.pad(thin, (0, columns), mode="edge"), base, 0, columns).astype(np.float32, copy=False)
    wave = sample[:, :-1] * (1.0 - part) + sample[:, 1:] * part
    wave -= low.astype(np.float32)[:, None]
    wave /= np.maximum(scale, 1e-3).astype(np.float32)[:, None]
    length = np.where(np.isfinite(end), end - at, columns)
    return Pulses(wave, np.clip(np.rint(length), 4, columns).astype(np.int64), rate)


def _local_mean(rows: NDArray[np.float32], weight: NDArray[np.float32]) -> NDArray[np.float32]:
    """Weighted mean of each row and its neighbours."""
    from scipy.ndimage import uniform_filter1d

    size = min(2 * NEIGHBOURS + 1, max(1, rows.shape[0]))
    top = uniform_filter1d(np.ascontiguousarray(rows.T) * weight, size, axis=1, mode="nearest")
    bottom = uniform_filter1d(weight, size, mode="nearest")
    return np.asarray((top / np.maximum(bottom, 1e-6)).T, dtype=np.float32)


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
    short = length < columns
    for lag in range(1, min(NEIGHBOURS, count - 1) + 1):
        common = np.minimum(length[lag:], length[:-lag])
        step = wave[lag:] - wave[:-lag]
        cut = np.flatnonzero(short[lag:] | short[:-lag])
        step[cut] = np.where(place < common[cut, None], step[cut], 0.0)
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
