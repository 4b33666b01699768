"""Dynamic response as it is read at the bedside: period and amplitude ratio of successive swings."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ..samples import vertex

Float = NDArray[np.float64]
Bool = NDArray[np.bool_]


def damping_from_half_cycle(ratio: ArrayLike) -> Float:
    """
    Damping ratio from the sizes of two successive swings, half a period apart.

    Parameters
    ----------
    ratio : array_like
        Second swing (say from trough to crest) over the first (from crest to trough), 0 to 1. The overshoot
        of a step, as a part of the step, is the same thing.

    Returns
    -------
    ndarray
        ``|ln r| / sqrt(pi^2 + ln(r)^2)``.

    References
    ----------
    .. [1] Mark JB. Atlas of Cardiovascular Monitoring. Churchill Livingstone 1998, Figs 9-9 and 9-10 (a ratio
       of 0.71 is a damping of 0.11 on its graph).
    """
    log = np.log(np.asarray(ratio, dtype=np.float64))
    return np.asarray(np.abs(log) / np.hypot(np.pi, log))


def damping_from_full_cycle(ratio: ArrayLike) -> Float:
    """
    Damping ratio from two successive crests on the same side of the final level, a whole period apart.

    For the same ratio it is about half of what `damping_from_half_cycle` gives: say which amplitudes were
    measured.
    """
    log = np.log(np.asarray(ratio, dtype=np.float64))
    return np.asarray(np.abs(log) / np.hypot(2 * np.pi, log))


def half_cycle_ratio(damping: ArrayLike) -> Float:
    """
    Size of a swing over the one before it, half a period earlier; the overshoot of a step.

    0 at a damping ratio of one and more, where nothing swings.
    """
    z = np.asarray(damping, dtype=np.float64)
    swings = z < 1
    below = np.where(swings, z, 0.0)
    return np.where(swings, np.exp(-np.pi * below / np.sqrt(1.0 - below * below)), 0.0)


def undamped_frequency(ringing_hz: ArrayLike, damping: ArrayLike) -> Float:
    """Natural frequency from the frequency at which a damped line rings [Hz]."""
    z = np.asarray(damping, dtype=np.float64)
    return np.asarray(np.asarray(ringing_hz, dtype=np.float64) / np.sqrt(1.0 - z * z))


def ringing_frequency(natural_hz: ArrayLike, damping: ArrayLike) -> Float:
    """Frequency at which a line rings [Hz]: the inverse of `undamped_frequency`."""
    z = np.asarray(damping, dtype=np.float64)
    return np.asarray(np.asarray(natural_hz, dtype=np.float64) * np.sqrt(1.0 - z * z))


class BedsideReading(NamedTuple):
    """
    Reading of the first swings.

    Attributes
    ----------
    natural_frequency_hz, natural_frequency_hz_se : float
        From the mean period of the ringing, corrected for damping, and its standard error [Hz].
    damping_ratio, damping_ratio_se : float
        From the half-cycle amplitude ratio, and its standard error.
    swings : int
        How many swings after the first fall could be told from pulse and noise.
    """

    natural_frequency_hz: float
    natural_frequency_hz_se: float
    damping_ratio: float
    damping_ratio_se: float
    swings: int


def read_swings(
    value: Float, usable: Bool, fs: float, noise: float, restless: Float | None = None
) -> BedsideReading | None:
    """
    Read period and amplitude ratio off the first three turning points after a release.

    Parameters
    ----------
    value : ndarray, shape (n,)
        Pressure from the release on [mmHg].
    usable : ndarray of bool, shape (n,)
        False at a rail.
    fs : float
        Sampling rate [Hz].
    noise : float
        Standard deviation of the noise, steps included [mmHg].
    restless : ndarray, optional
        Root mean square change of the patient's pressure over 0, 1, 2, ... samples [mmHg]; goes into the
        standard errors, for nothing is subtracted.

    Returns
    -------
    BedsideReading or None
        None if fewer than two swings follow the fall, or a turning point is cut off by a rail.

    Notes
    -----
    Swings are differences of successive turning points, so that level and slow change of the pulse hardly
    matter; but at a damping above about 0.4 the second swing drowns in the pulse, and the reading is worth
    nothing even where it exists.
    """
    from scipy.signal import find_peaks

    clear = max(4.0 * noise, 1.0)
    troughs, _ = find_peaks(-value, prominence=clear)
    crests, _ = find_peaks(value, prominence=clear)
    turn = np.sort(np.concatenate([troughs, crests]))
    if turn.size and value[turn[0]] > value[-1] and turn[0] in crests:
        turn = turn[1:]
    if turn.size < 3:
        return None
    near = turn[:3]
    if near[-1] + 1 >= value.size or not all(usable[i - 1 : i + 2].all() for i in near):
        return None
    left, middle, right = value[near - 1], value[near], value[near + 1]
    shift = vertex(left, middle, right)
    height = middle - 0.25 * (left - right) * shift
    first, second = abs(height[1] - height[0]), abs(height[2] - height[1])
    if not 0 < second < first:
        return None
    ratio = second / first
    z = float(damping_from_half_cycle(ratio))
    period = float((near[2] + shift[2] - near[0] - shift[0]) / fs)
    hz = float(undamped_frequency(1 / period, z))
    lag = max(1, min(round(0.5 * period * fs), (restless.size - 1) if restless is not None else 1))
    pulse = float(restless[lag]) if restless is not None else 0.0
    off = np.hypot(np.sqrt(2.0) * noise, pulse)
    log_se = off * np.hypot(1 / first, 1 / second)
    z_se = log_se * np.pi**2 / np.hypot(np.pi, np.log(ratio)) ** 3
    # A slope beneath moves a turning point by slope over bend; a crest of swing D bends by D w^2 / 2.
    bend = 0.5 * np.array([first, second]) * (2 * np.pi / period) ** 2
    moved = np.hypot(pulse / (0.5 * period), noise * fs / np.sqrt(2.0)) / bend
    hz_se = hz * np.hypot(float(np.hypot(*moved)) / period, z * z_se / (1 - z * z))
    later = np.abs(np.diff(value[turn]))
    small = np.flatnonzero(later < clear)
    swings = int(small[0]) if small.size else later.size
    return BedsideReading(hz, float(hz_se), z, float(z_se), swings)
