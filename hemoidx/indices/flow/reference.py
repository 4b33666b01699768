"""Documented reference flow: which beats it was averaged over, and in which windows it holds."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ...samples import Float

#: Time that a window and a reference must share, of the shorter of window and averaging time: our convention.
LEAST_COMMON = 0.5
#: No beat stands for more than this [s]: behind a gap the time is not counted.
LONGEST_BEAT_S = 3.0


def reference_of_beat(flow: ArrayLike, averaged_s: ArrayLike, onset_s: ArrayLike) -> NDArray[np.intp]:
    """
    Number of the reference that each beat was averaged into.

    Parameters
    ----------
    flow : array_like, shape (n_beats,)
        Reference cardiac output documented at each beat [L/min]; NaN where there is none.
    averaged_s : array_like, shape (n_beats,)
        Its averaging time [s].
    onset_s : array_like, shape (n_beats,)
        Onset of the beats [s].

    Returns
    -------
    ndarray of int, shape (n_beats,)
        References in order of time; -1 for a beat outside of all. A reference begins with the first beat at
        which it is documented and lasts for its averaging time, no longer than it is documented. Two of the
        same value and averaging time that follow each other without a gap are one.
    """
    value, length = np.asarray(flow, dtype=np.float64), np.asarray(averaged_s, dtype=np.float64)
    time = np.asarray(onset_s, dtype=np.float64)
    known = np.isfinite(value) & np.isfinite(length) & (length > 0)
    changed = np.ones(time.size, dtype=bool)
    changed[1:] = ~known[:-1] | (value[1:] != value[:-1]) | (length[1:] != length[:-1])
    first = known & changed
    number = np.cumsum(first) - 1
    if not first.any():
        return np.full(time.shape, -1, dtype=np.intp)
    since = time - time[first][np.maximum(number, 0)]
    return np.where(known & (since < length), number, -1).astype(np.intp)


def reference_flow(
    reference_flow_l_per_min: ArrayLike,
    reference_flow_window_s: ArrayLike,
    onset_s: ArrayLike,
    window_of_beat: ArrayLike,
    start_s: ArrayLike,
    end_s: ArrayLike,
) -> Float:
    """
    Reference cardiac output of each window, held over its averaging time.

    Parameters
    ----------
    reference_flow_l_per_min, reference_flow_window_s, onset_s : array_like, shape (n_beats,)
        Documented flow [L/min], its averaging time [s] and onset of the beats [s], as in `reference_of_beat`.
    window_of_beat : array_like of int, shape (n_beats,)
        Row of the window of each beat, -1 outside all.
    start_s, end_s : array_like, shape (n_windows,)
        The windows [s].

    Returns
    -------
    ndarray, shape (n_windows,)
        Cardiac output [L/min]: mean of the references, weighted by common time. NaN where half of the shorter
        of window and averaging time is not common to both.

    Notes
    -----
    Time is counted in beats, since a reference is known at beats only: a window without usable wave has none.

    Examples
    --------
    >>> onset = [3.0, 12.0, 21.0, 33.0]
    >>> reference_flow([5.0] * 4, [9.0] * 4, onset, [0, 0, 0, 1], [0.0, 30.0], [30.0, 60.0])
    array([ 5., nan])
    """
    value = np.asarray(reference_flow_l_per_min, dtype=np.float64)
    time = np.asarray(onset_s, dtype=np.float64)
    length = np.asarray(end_s, dtype=np.float64) - np.asarray(start_s, dtype=np.float64)
    number = reference_of_beat(value, reference_flow_window_s, time)
    row = np.asarray(window_of_beat, dtype=np.intp)
    # The last beat stands for as long as the one before.
    lasts = np.minimum(np.diff(time, append=2.0 * time[-1:] - time[-2:-1]), LONGEST_BEAT_S)
    lasts = np.resize(lasts, time.shape)
    inside = number >= 0
    # From the first to the last beat of each reference, gaps included.
    _, first, count = np.unique(number[inside], return_index=True, return_counts=True)
    begins, ends = time[inside], time[inside] + lasts[inside]
    averaged = ends[first + count - 1] - begins[first]
    inside &= row >= 0
    rows, weight = row[inside], lasts[inside]

    def total(values: Float) -> Float:
        return np.asarray(np.bincount(rows, weight * values, length.size), dtype=np.float64)

    common = total(np.ones(weight.size))
    with np.errstate(invalid="ignore", divide="ignore"):
        least = LEAST_COMMON * np.minimum(length, total(averaged[number[inside]]) / common)
        mean = total(value[inside]) / common
    return np.where((common > 0) & (common >= least), mean, np.nan)
