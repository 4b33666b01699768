"""Change of a value after a marked event: a tidal volume challenge, an occlusion, a leg raise."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ...errors import InputError

Float = NDArray[np.float64]

LEAST_ROWS = 3
"""Breaths (or beats) on each side without which there is no change, as many as published for ppv."""


class Change(NamedTuple):
    """
    Values on either side of events, arrays of shape (n_events,).

    Attributes
    ----------
    before, after : ndarray
        Means on either side; NaN with fewer than three values.
    difference : ndarray
        After less before, in the unit of the values: points, where that is %.
    percent : ndarray
        Difference as a share of the value before [%]; NaN where that is not above zero.
    se : ndarray
        Random standard error of the difference, from the scatter on both sides.
    """

    before: Float
    after: Float
    difference: Float
    percent: Float
    se: Float


def change_after(values: ArrayLike, time_s: ArrayLike, before_s: ArrayLike, after_s: ArrayLike) -> Change:
    """
    Change of a value of breaths or beats from one stretch to another.

    Parameters
    ----------
    values : array_like, shape (n,)
        One value for each breath, such as ``ppv``, or each beat, such as ``pp``; NaN leaves a row out.
    time_s : array_like, shape (n,)
        Where the rows begin [s], not falling.
    before_s, after_s : array_like, shape (n_events, 2)
        From and to [s] of the two stretches of each event; a row belongs to a stretch if it begins in it.

    Returns
    -------
    Change
        One row an event.

    Raises
    ------
    InputError
        If shapes do not fit or times fall.

    Notes
    -----
    Which stretches to give depends on the manoeuvre:

    - *tidal volume challenge*: the event marks the minute at the larger volume. Variation before it, and
      in its last part, when the new volume has settled: ``difference`` in points of ``ppv`` [1]_.
    - *end-expiratory occlusion*: there is no breath in it, hence no variation. Take ``pp`` (or a stroke
      volume) of the beats in its last 5 s against that of whole breaths before it: ``percent``.
    - *leg raise*, *fluid*: ``pp`` (``percent``) or ``ppv`` (``difference``) over a minute or more on each
      side. Pulse pressure is a poor stand-in for flow there: of those whose flow rises, nearly half show no
      rise of pulse pressure [2]_.

    What a change of some size means is left to the reader: cut-offs between 2 and 3.5 points were published
    for one and the same challenge.

    References
    ----------
    .. [1] Myatra SN, Prabu NR, Divatia JV, et al. The changes in pulse pressure variation or stroke volume
       variation after a tidal volume challenge. Crit Care Med 2017;45:415-421 (from memory).
    .. [2] Monnet X, Marik P, Teboul JL. Passive leg raising for predicting fluid responsiveness: a
       systematic review and meta-analysis. Intensive Care Med 2016;42:1935-1947.

    Examples
    --------
    >>> found = change_after([6.0, 6.0, 6.0, 10.0, 10.0, 10.0], [0, 4, 8, 12, 16, 20], [[0, 12]], [[12, 24]])
    >>> found.difference.tolist(), found.percent.round(1).tolist()
    ([4.0], [66.7])
    """
    value, time = np.asarray(values, dtype=np.float64), np.asarray(time_s, dtype=np.float64)
    if value.shape != time.shape or value.ndim != 1:
        raise InputError(f"change: need one time for each value, got shapes {value.shape} and {time.shape}")
    if np.any(np.diff(time) < 0):
        raise InputError("change: times must not fall")
    before, after = (np.asarray(stretch, dtype=np.float64) for stretch in (before_s, after_s))
    if before.shape != after.shape or before.ndim != 2 or before.shape[1] != 2:
        raise InputError(
            f"change: stretches must be of shape (n_events, 2), got {before.shape} and {after.shape}"
        )
    known = np.isfinite(value)
    value, time = value[known], time[known]
    (first, first_variance), (second, second_variance) = (
        _mean_within(value, time, stretch) for stretch in (before, after)
    )
    difference = second - first
    with np.errstate(invalid="ignore", divide="ignore"):
        percent = np.where(first > 0, 100.0 * difference / first, np.nan)
    return Change(first, second, difference, percent, np.sqrt(first_variance + second_variance))


def _mean_within(value: Float, time: Float, stretch: Float) -> tuple[Float, Float]:
    """Mean of the values in each stretch, and the variance of that mean."""
    low, high = np.searchsorted(time, stretch[:, 0]), np.searchsorted(time, stretch[:, 1])
    count = np.maximum(high - low, 0)
    # About their own mean, so that sums of squares keep their figures.
    centre = float(value.mean()) if value.size else 0.0
    sums = np.concatenate([[0.0], np.cumsum(value - centre)])
    squares = np.concatenate([[0.0], np.cumsum((value - centre) ** 2)])
    with np.errstate(invalid="ignore", divide="ignore"):
        mean = (sums[high] - sums[low]) / count
        spread = (squares[high] - squares[low]) / count - mean**2
        variance = np.maximum(spread, 0.0) / (count - 1.0)
    enough = count >= LEAST_ROWS
    return np.where(enough, mean + centre, np.nan), np.where(enough, variance, np.nan)
