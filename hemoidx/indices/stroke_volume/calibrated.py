"""
Calibration of what is proportional to flow, against a documented reference.

Conventions, all named, since they are not interchangeable:

- *pairing*: a window of 30 s and a reference belong together when half of the shorter of window and averaging
  time of the reference is common to both; successive windows of one reference are averaged, and a window
  counts whose usable beats last at least half of it;
- *factor*: from the first reference alone (the default: nothing later leaks into what came before), from
  all references by least squares through zero, or from all as the ratio of the means. The two latter look
  back over the whole recording and make agreement look better than it would have been at the time;
- *validity*: from the first paired window on, never before.

References that were themselves read off a pressure are left out: they would agree with themselves.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ...errors import InputError
from ...samples import Float

#: Share of a window that usable beats must last: our convention.
LEAST_LASTING = 0.5
#: References behind the first that a standard error needs.
LEAST_LATER = 3


def factor_of_first(estimate: ArrayLike, reference: ArrayLike) -> float:
    """
    Factor by the first pair: reference / estimate.

    Parameters
    ----------
    estimate : array_like, shape (n_pairs,)
        What is proportional to flow, in order of time.
    reference : array_like, shape (n_pairs,)
        Reference flow [L/min].

    Returns
    -------
    float
        Factor [L/min per unit of the estimate]; NaN without a pair.

    References
    ----------
    .. [1] Monge Garcia MI and others. Crit Care 2013;17:R113 (estimators scaled with the baseline value).
    """
    x, y = _pairs(estimate, reference)
    return float(y[0] / x[0]) if x.size and x[0] > 0 else float("nan")


def factor_by_least_squares(estimate: ArrayLike, reference: ArrayLike) -> float:
    """
    Factor by all pairs: least squares through zero.

    Parameters
    ----------
    estimate, reference : array_like, shape (n_pairs,)
        As in `factor_of_first`.

    Returns
    -------
    float
        sum(reference * estimate) / sum(estimate^2); NaN without a pair.

    References
    ----------
    .. [1] Sun JX, Reisner AT, Saeed M, Heldt T, Mark RG. Crit Care Med 2009;37:72-80 (recalled).
    """
    x, y = _pairs(estimate, reference)
    return float(np.sum(x * y) / np.sum(x**2)) if x.size and x.any() else float("nan")


def factor_by_means(estimate: ArrayLike, reference: ArrayLike) -> float:
    """
    Factor by all pairs: ratio of the means.

    Parameters
    ----------
    estimate, reference : array_like, shape (n_pairs,)
        As in `factor_of_first`.

    Returns
    -------
    float
        mean(reference) / mean(estimate); NaN without a pair.

    References
    ----------
    .. [1] Sun JX, Reisner AT, Saeed M, Heldt T, Mark RG. Crit Care Med 2009;37:72-80 (recalled).
    """
    x, y = _pairs(estimate, reference)
    return float(np.sum(y) / np.sum(x)) if x.size and np.sum(x) > 0 else float("nan")


#: Conventions by name; "first" is that of the tables.
CONVENTIONS: dict[str, Callable[[ArrayLike, ArrayLike], float]] = {
    "first": factor_of_first,
    "least_squares": factor_by_least_squares,
    "means": factor_by_means,
}


def _pairs(estimate: ArrayLike, reference: ArrayLike) -> tuple[Float, Float]:
    x, y = np.asarray(estimate, dtype=np.float64), np.asarray(reference, dtype=np.float64)
    both = np.isfinite(x) & np.isfinite(y)
    return x[both], y[both]


class Paired(NamedTuple):
    """
    Pairs of references and estimates.

    Attributes
    ----------
    row : ndarray of int, shape (n_pairs,)
        First window of each.
    estimate, reference : ndarray, shape (n_pairs,)
        Means over the windows of the pair.
    """

    row: NDArray[np.intp]
    estimate: Float
    reference: Float


def paired(estimate: ArrayLike, reference: ArrayLike, from_pressure: ArrayLike) -> Paired:
    """
    Bring windows and references together.

    Parameters
    ----------
    estimate : array_like, shape (n_windows,)
        What is proportional to flow; NaN where it was not measured.
    reference : array_like, shape (n_windows,)
        Reference flow held in each window [L/min]; NaN where there is none.
    from_pressure : array_like of str or None, shape (n_windows,)
        Whether the reference was itself read off a pressure; those with "yes" are left out.

    Returns
    -------
    Paired
        Neighbouring windows with the same reference are one pair.
    """
    x, y = np.asarray(estimate, dtype=np.float64), np.asarray(reference, dtype=np.float64)
    circular = np.asarray(from_pressure, dtype=object) == "yes"
    good = np.isfinite(x) & (x > 0) & np.isfinite(y) & ~circular
    same = np.zeros(x.size, dtype=bool)
    same[1:] = y[1:] == y[:-1]
    # A reference goes on over a window in which the estimate is missing.
    number = np.cumsum(~same)[good]
    rows = np.flatnonzero(good)
    _, first, group = np.unique(number, return_index=True, return_inverse=True)
    count = np.maximum(np.bincount(group, minlength=first.size), 1)
    means = (np.bincount(group, v[good], first.size) / count for v in (x, y))
    return Paired(rows[first], *means)


class Calibrated(NamedTuple):
    """Absolute flow and its standard error, each of shape (n_windows,) [L/min]."""

    value: Float
    se: Float


def calibrated(
    estimate: ArrayLike, reference: ArrayLike, from_pressure: ArrayLike, convention: str = "first"
) -> Calibrated:
    """
    Absolute flow from what is proportional to it, with its standard error.

    Parameters
    ----------
    estimate, reference, from_pressure : array_like, shape (n_windows,)
        As in `paired`.
    convention : str
        One of `CONVENTIONS`.

    Returns
    -------
    value : ndarray, shape (n_windows,)
        Factor times estimate [L/min]; NaN before the first pair, and everywhere without one.
    se : ndarray, shape (n_windows,)
        Root mean square of the relative differences at references, times the flow [L/min]. With "first", at
        those behind the first, of which it takes three; with the others at all, of which it takes four. It
        holds the error of the reference and the drift of the factor as well as chance.

    Raises
    ------
    InputError
        If there is no such convention.
    """
    if convention not in CONVENTIONS:
        raise InputError(f"calibration: {convention!r} is none of {', '.join(CONVENTIONS)}")
    x = np.asarray(estimate, dtype=np.float64)
    pairs = paired(x, reference, from_pressure)
    flow = np.full(x.shape, np.nan)
    if not pairs.row.size:
        return Calibrated(flow, flow.copy())
    factor = CONVENTIONS[convention](pairs.estimate, pairs.reference)
    flow[pairs.row[0] :] = factor * x[pairs.row[0] :]
    difference = factor * pairs.estimate / pairs.reference - 1.0
    left = difference[1:]
    squares = np.sum(left**2) if convention == "first" else np.sum(difference**2)
    spread = np.sqrt(squares / left.size) if left.size >= LEAST_LATER else np.nan
    return Calibrated(flow, np.abs(flow) * spread)


def window_flow(
    stroke: ArrayLike,
    duration: ArrayLike,
    window_of_beat: ArrayLike,
    start_s: ArrayLike,
    end_s: ArrayLike,
) -> Float:
    """
    Relative flow of each window from relative stroke volumes.

    Parameters
    ----------
    stroke, duration : array_like, shape (n_beats,)
        Proportional to stroke volume, and duration [s]; NaN where a beat is not usable.
    window_of_beat : array_like of int, shape (n_beats,)
        Row of the window of each beat, -1 outside all.
    start_s, end_s : array_like, shape (n_windows,)
        The windows [s].

    Returns
    -------
    ndarray, shape (n_windows,)
        Sum of the strokes over sum of the durations, times 60 [unit of the stroke / min]. NaN where usable
        beats last less than half of the window.
    """
    value, time = np.asarray(stroke, dtype=np.float64), np.asarray(duration, dtype=np.float64)
    row = np.asarray(window_of_beat, dtype=np.intp)
    length = np.asarray(end_s, dtype=np.float64) - np.asarray(start_s, dtype=np.float64)
    good = np.isfinite(value) & np.isfinite(time) & (row >= 0)
    lasts = np.bincount(row[good], time[good], length.size)
    total = np.bincount(row[good], value[good], length.size)
    enough = (lasts > 0) & (lasts >= LEAST_LASTING * length)
    return np.where(enough, 60.0 * total / np.where(enough, lasts, 1.0), np.nan)


def flow_of_beats(
    stroke: ArrayLike,
    duration: ArrayLike,
    window_of_beat: ArrayLike,
    start_s: ArrayLike,
    end_s: ArrayLike,
    co: ArrayLike,
    reference_flow_from_pressure: ArrayLike,
) -> Calibrated:
    """
    Calibrated cardiac output from an estimator at beat level, by the first reference.

    Parameters
    ----------
    stroke, duration, window_of_beat, start_s, end_s : array_like
        As in `window_flow`.
    co, reference_flow_from_pressure : array_like, shape (n_windows,)
        Reference flow [L/min] and whether it was read off a pressure, as in `paired`.

    Returns
    -------
    Calibrated
        Cardiac output and its standard error [L/min], each of shape (n_windows,), see `calibrated`.
    """
    if not np.isfinite(np.asarray(co, dtype=np.float64)).any():
        # Without a reference there is nothing to find, whatever the beats say.
        nothing = np.full(np.shape(co), np.nan)
        return Calibrated(nothing, nothing.copy())
    estimate = window_flow(stroke, duration, window_of_beat, start_s, end_s)
    return calibrated(estimate, co, reference_flow_from_pressure)


def flow_of_windows(
    stroke: ArrayLike, hr: ArrayLike, co: ArrayLike, reference_flow_from_pressure: ArrayLike
) -> Calibrated:
    """
    Calibrated cardiac output from an estimator at window level, by the first reference.

    Parameters
    ----------
    stroke : array_like, shape (n_windows,)
        Proportional to stroke volume.
    hr : array_like, shape (n_windows,)
        Heart rate [1/min].
    co, reference_flow_from_pressure : array_like, shape (n_windows,)
        Reference flow [L/min] and whether it was read off a pressure, as in `paired`.

    Returns
    -------
    Calibrated
        Cardiac output and its standard error [L/min], each of shape (n_windows,), see `calibrated`.
    """
    estimate = np.asarray(stroke, dtype=np.float64) * np.asarray(hr, dtype=np.float64)
    return calibrated(estimate, co, reference_flow_from_pressure)
