"""Documented reference flow: when it was averaged, and in which windows it holds."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from ..samples import Float

#: Time that a window and a reference must share, of the shorter of window and averaging time: our convention.
LEAST_COMMON = 0.5


class Documented(NamedTuple):
    """
    Documented references, in order.

    Attributes
    ----------
    start_s, end_s : ndarray, shape (n_references,)
        Averaging time [s].
    flow : ndarray, shape (n_references,)
        Cardiac output [L/min].
    """

    start_s: Float
    end_s: Float
    flow: Float


def references(flow: ArrayLike, averaged_s: ArrayLike, onset_s: ArrayLike) -> Documented:
    """
    Find the references in what was documented at each beat.

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
    Documented
        A reference begins with the first beat at which it is documented and lasts for its averaging time, no
        longer than it is documented. Two of the same value and averaging time that follow each other without
        a gap are one.
    """
    value, length = np.asarray(flow, dtype=np.float64), np.asarray(averaged_s, dtype=np.float64)
    time = np.asarray(onset_s, dtype=np.float64)
    known = np.isfinite(value) & np.isfinite(length) & (length > 0)
    changed = np.ones(time.size, dtype=bool)
    changed[1:] = ~known[:-1] | (value[1:] != value[:-1]) | (length[1:] != length[:-1])
    first = np.flatnonzero(known & changed)
    # Ends where the next value or a beat without one begins; the last one is open.
    stops = np.append(np.flatnonzero(changed | ~known), time.size)
    after = stops[np.searchsorted(stops, first, side="right")]
    until = np.append(time, np.inf)[after]
    return Documented(time[first], np.minimum(time[first] + length[first], until), value[first])


def reference_flow(
    flow: ArrayLike, averaged_s: ArrayLike, onset_s: ArrayLike, start_s: ArrayLike, end_s: ArrayLike
) -> Float:
    """
    Reference cardiac output of each window, held over its averaging time.

    Parameters
    ----------
    flow, averaged_s, onset_s : array_like, shape (n_beats,)
        As in `references`.
    start_s, end_s : array_like, shape (n_windows,)
        The windows [s].

    Returns
    -------
    ndarray, shape (n_windows,)
        Cardiac output [L/min]: mean of the references, weighted by common time. NaN where half of the shorter
        of window and averaging time is not common to both.

    Examples
    --------
    >>> reference_flow([5.0, 5.0, 5.0], [40.0] * 3, [3.0, 4.0, 5.0], [0.0, 30.0, 60.0], [30.0, 60.0, 90.0])
    array([ 5., nan, nan])
    """
    found = references(flow, averaged_s, onset_s)
    start, end = np.asarray(start_s, dtype=np.float64), np.asarray(end_s, dtype=np.float64)
    if not found.flow.size:
        return np.full(start.shape, np.nan)
    length = found.end_s - found.start_s
    edges = np.column_stack([found.start_s, found.end_s]).ravel()

    def common(weight: Float) -> Float:
        sums = np.cumsum(np.column_stack([np.zeros(length.size), weight * length]).ravel())
        return np.asarray(np.interp(end, edges, sums) - np.interp(start, edges, sums))

    together = common(np.ones(length.size))
    with np.errstate(invalid="ignore", divide="ignore"):
        least = LEAST_COMMON * np.minimum(end - start, common(length) / together)
        value = common(found.flow) / together
    return np.where((together > 0) & (together >= least * (1.0 - 1e-9)), value, np.nan)
