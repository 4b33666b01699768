"""Breaths from a channel of breathing: impedance of the chest, or carbon dioxide."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..errors import InputError
from .claim import FASTEST_CHANNEL, Claims, channel_claims, joined
from .phase import turns
from .series import LEVEL_S, Bool, Carriers, Float, local_mean
from .spectrum import Spectrum, periodogram

#: Roles of channels that record breathing.
ROLES = ("respiration", "co2")
#: A channel is thinned to about these rates [Hz]: for its spectrum, and for placing starts and ends.
_COARSE_HZ, _FINE_HZ = 4.0, 12.5
#: Length and distance of the windows [s].
WINDOW_S, HOP_S = 48.0, 12.0
RATE = np.arange(1.8, FASTEST_CHANNEL + 2.0, 0.7)
#: Averaging kernel of the phase [breaths]: short, since breaths differ.
_KERNEL = (2.0, 2.0)
#: Mean less median, in standard deviations, from which an impedance tells which way is in.
_SKEWED = 0.04
#: Points for each look at a piece of a breath.
_LOOK = 33
#: A breath of which more than this part is missing is none.
_MISSING = 0.1
#: Inspiration has begun when this part of the swing has been passed.
_BEGUN = 0.1


@dataclass(frozen=True)
class BreathSignal:
    """
    A channel of breathing.

    Attributes
    ----------
    values : ndarray, shape (n,)
        Samples in any unit; NaN in gaps.
    fs : float
        Sampling rate [Hz], at least 4.
    role : str
        One of `ROLES`.
    first_s : float
        Time of the first sample [s from the start of the recording].
    """

    values: NDArray[np.floating[Any]]
    fs: float
    role: str = "respiration"
    first_s: float = 0.0

    def __post_init__(self) -> None:
        if self.role not in ROLES:
            raise InputError(f"breaths: a breathing channel is one of {', '.join(ROLES)}, got {self.role!r}")
        if np.ndim(self.values) != 1 or not self.fs >= _COARSE_HZ:
            raise InputError(
                f"breaths: need one row of samples at {_COARSE_HZ:g} Hz or more, got {self.fs} Hz"
            )


@dataclass(frozen=True)
class Read:
    """Breaths of a channel, and where it holds samples: `time`, `known` on an even grid."""

    start: Float
    end: Float
    inspiration_end: Float
    time: Float
    known: Bool


def _thinned(values: NDArray[np.floating[Any]], n: int) -> Float:
    """Means of `n` samples each; NaN where most are missing."""
    size = values.size // n
    rows = np.asarray(values[: size * n]).reshape(size, n)
    if n == 1:
        return rows[:, 0].astype(np.float64)
    mean: Float = rows.mean(axis=1, dtype=np.float64)
    broken = np.flatnonzero(~np.isfinite(mean))
    known = np.isfinite(rows[broken])
    count = known.sum(axis=1)
    total = np.where(known, rows[broken], 0.0).sum(axis=1, dtype=np.float64)
    mean[broken] = np.where(2 * count > n, total / np.maximum(count, 1), np.nan)
    return mean


def breaths_of_channel(signal: BreathSignal, duration_s: float, heart: tuple[Float, Float]) -> Read:
    """
    Find the breaths in a channel.

    Parameters
    ----------
    signal : BreathSignal
        The channel.
    duration_s : float
        Length of the recording [s].
    heart : tuple of ndarray
        Times [s] and heart rate there [1/min], so that the beating of the heart is not taken for breathing.

    Returns
    -------
    Read
        Start: air begins to flow in. An impedance of unknown polarity is read as if it rose then, and the
        end of inspiration stays unknown.

    Notes
    -----
    Expiration is passive and ends in a pause: a channel lingers near its end-expiratory level. An impedance
    whose median lies below its mean therefore rises with inspiration (our own rule).
    """
    n = max(1, round(signal.fs / _FINE_HZ))
    spacing = n / signal.fs
    fine = _thinned(np.asarray(signal.values), n)
    time = signal.first_s + (np.arange(fine.size, dtype=np.float64) + 0.5 * (n - 1) / n) * spacing
    several = max(1, round(1.0 / (_COARSE_HZ * spacing)))
    coarse = _thinned(fine, several)
    at = (
        signal.first_s
        + (np.arange(coarse.size, dtype=np.float64) * several + 0.5 * (several - 1 / n)) * spacing
    )
    known = np.isfinite(coarse)
    none = np.zeros(0)
    nothing = Read(none, none, none, at, known)
    value, when = coarse[known], at[known]
    if value.size < 4 * WINDOW_S or not np.ptp(value) > 0:
        return nothing
    value = np.asarray(value - local_mean(when, value, LEVEL_S), dtype=np.float64)
    size = float(np.median(np.abs(value)))
    if size == 0:
        return nothing
    value = np.clip(value, -8.0 * size, 8.0 * size)
    inward, way_known = _inward(value, signal.role)
    even = np.full(value.size, several * spacing)
    of = Carriers(when, inward * value[None], np.ones(value.size), np.array([1e-3 * size]), even)

    def looked(spectrum: Spectrum) -> Claims:
        # Neighbouring samples tell the same: about one a second counts.
        spectrum = replace(spectrum, gain=spectrum.gain * np.float32(several * spacing))
        return channel_claims(spectrum, WINDOW_S, np.interp(spectrum.centre_s, *heart, left=np.nan))

    claimed = joined(map(looked, periodogram(of, duration_s, WINDOW_S, HOP_S, RATE)), bridge=True)
    found = turns(of, claimed, duration_s, _KERNEL)
    seen = np.isfinite(fine)
    wave = np.interp(time, time[seen], inward * fine[seen])
    placed = _placed(signal.role, found.start, found.end, time, wave, way_known)
    lost = np.concatenate(([0], np.cumsum(~seen)))
    first, last = (np.searchsorted(time, edge) for edge in placed[:2])
    whole = lost[last] - lost[first] <= _MISSING * (last - first)
    start, end, turn = (x[whole] for x in placed)
    return Read(start, end, turn, at, known)


def _inward(value: Float, role: str) -> tuple[float, bool]:
    """Sign that makes a channel rise as air flows in, and whether it is known."""
    if role == "co2":
        return -1.0, True
    lean = float(value.mean() - np.median(value)) / float(value.std())
    return (-1.0 if lean < -_SKEWED else 1.0), abs(lean) >= _SKEWED


def _placed(
    role: str, start: Float, end: Float, time: Float, wave: Float, way_known: bool
) -> tuple[Float, Float, Float]:
    """Move each start from the middle of the rise to its foot, and find the end of inspiration."""
    if not start.size:
        return start, end, start
    length = end - start
    place = np.linspace(0.0, 1.0, _LOOK)

    def look(first: float, last: float) -> tuple[Float, Float]:
        t = start[:, None] + length[:, None] * (first + (last - first) * place)
        return t, np.interp(t, time, wave)

    before, low = look(-0.5, 0.1)
    after, high = look(0.0, 0.6)
    bottom, top = low.min(axis=1), high.max(axis=1)
    swing = top - bottom
    level = bottom + _BEGUN * swing
    # The last point that is still at rest.
    still = low <= level[:, None]
    row = np.arange(start.size)
    foot = before[row, _LOOK - 1 - still[:, ::-1].argmax(axis=1)]
    if role == "co2":
        # It lies low while air flows in; the rise behind that is late by the dead space.
        resting = high >= (top - 0.5 * swing)[:, None]
        last = after[row, _LOOK - 1 - resting[:, ::-1].argmax(axis=1)]
    else:
        last = after[row, high.argmax(axis=1)]
    joined = np.abs(start[1:] - end[:-1]) < 1e-6
    stop = end.copy()
    stop[:-1] = np.where(joined, foot[1:], np.minimum(end[:-1], foot[1:]))
    good = (stop > foot) & (swing > 0)
    inspiration_end = np.where((last > foot) & (last < stop) & way_known, last, np.nan)
    return foot[good], stop[good], inspiration_end[good]
