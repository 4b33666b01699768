"""Exposure: time, area and average beyond a threshold that the user sets, with gaps left open."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ...errors import InputError

Float = NDArray[np.float64]
Bool = NDArray[np.bool_]

METHODS = ("hold", "linear")


class Exposure(NamedTuple):
    """
    What lay beyond a threshold. Times are in the unit of the time that was given.

    Attributes
    ----------
    time : float
        Time beyond the threshold.
    area : float
        Area between threshold and value over that time [unit of the value times unit of time].
    average : float
        Area over covered time: by how much the value lay beyond on average; not the average of the value.
    share : float
        Time over covered time [%].
    covered : float
        Time that readings cover.
    gaps : int
        Steps from one reading to the next that were too long to be bridged.
    gap : float
        Time in them that no reading covers.
    interval : float
        Median step from one reading to the next, of those that were bridged: sparse readings miss exposure.
    """

    time: float
    area: float
    average: float
    share: float
    covered: float
    gaps: int
    gap: float
    interval: float


class Episodes(NamedTuple):
    """Stretches beyond a threshold: `start`, `end` and `area` beyond it; each of shape (n_episodes,)."""

    start: Float
    end: Float
    area: Float


class _Pieces(NamedTuple):
    """Pieces of covered time: length, the part beyond, its area, whether a gap lies before; and the gaps."""

    length: Float
    start: Float
    end: Float
    area: Float
    opens: Bool
    gaps: int
    gap: float
    interval: float


def exposure(
    time: ArrayLike,
    value: ArrayLike,
    threshold: float,
    below: bool = True,
    method: str = "hold",
    *,
    longest_gap_s: float,
    last_s: float | None = None,
    inclusive: bool = False,
) -> Exposure:
    """
    Time and area beyond a threshold.

    Parameters
    ----------
    time : array_like, shape (n,)
        Times of the readings, increasing [s, or another unit of time for all times here].
    value : array_like, shape (n,)
        The readings; a NaN is no reading.
    threshold : float
        The threshold, in the unit of the readings.
    below : bool
        Whether exposure is what lies below it; else above.
    method : str
        "hold": each reading holds until the next one. "linear": readings are joined by straight lines, cut
        where they cross the threshold.
    longest_gap_s : float
        A longer step from one reading to the next is a gap: it counts neither as exposure nor as covered.
    last_s : float, optional
        With "hold", how long a reading holds that has no next one, at a gap or at the end; by default the
        median of the steps that are bridged.
    inclusive : bool
        Whether readings at the threshold count as beyond it. Papers differ.

    Returns
    -------
    Exposure
        All NaN without a reading.

    Raises
    ------
    InputError
        If times do not increase, or method or gap cannot be used.

    Notes
    -----
    time = sum(dt [value < threshold]), area = sum(dt max(threshold - value, 0)), average = area / covered.
    Of beats' means, holding each from its foot to the next is exact; straight lines mix a long beat with its
    neighbours. Nothing is drawn on beyond the first and the last reading, except that a held reading lasts
    its step.

    References
    ----------
    .. [1] Salmasi V, Maheshwari K, Yang D and others. Relationship between intraoperative hypotension,
       defined by either reduction from baseline or absolute thresholds, and acute kidney and myocardial
       injury after noncardiac surgery. Anesthesiology 2017;126:47-65. doi:10.1097/ALN.0000000000001432

    Examples
    --------
    >>> found = exposure([0, 1, 2, 3, 4, 5], [70, 64, 60, 58, 66, 72], 65, longest_gap_s=2)
    >>> found.time, found.area, found.covered
    (3.0, 13.0, 6.0)
    """
    t, v = _readings(time, value)
    if not v.size:
        return Exposure(*(np.nan,) * 5, 0, np.nan, np.nan)
    pieces = _pieces(t, v, threshold, below, method, longest_gap_s, last_s, inclusive)
    beyond = float(np.sum(pieces.end - pieces.start))
    area = float(np.sum(pieces.area))
    covered = float(np.sum(pieces.length))
    average, share = (area / covered, 100.0 * beyond / covered) if covered > 0 else (np.nan, np.nan)
    return Exposure(beyond, area, average, share, covered, pieces.gaps, pieces.gap, pieces.interval)


def episodes(
    time: ArrayLike,
    value: ArrayLike,
    threshold: float,
    below: bool = True,
    method: str = "hold",
    *,
    longest_gap_s: float,
    at_least_s: float,
    joined_s: float = 0.0,
    last_s: float | None = None,
    inclusive: bool = False,
) -> Episodes:
    """
    Stretches beyond a threshold that last long enough.

    Parameters
    ----------
    time, value, threshold, below, method, longest_gap_s, last_s, inclusive
        As in `exposure`.
    at_least_s : float
        Shortest stretch that counts.
    joined_s : float
        Stretches that are no further apart are one, with what lies between; by default none are joined.
        A gap always ends a stretch.

    Returns
    -------
    Episodes
        In order.

    Raises
    ------
    InputError
        As `exposure`.

    Examples
    --------
    >>> found = episodes(
    ...     [0, 20, 40, 60, 80, 100, 120], [64, 63, 66, 64, 64, 64, 70], 65, longest_gap_s=60, at_least_s=60
    ... )
    >>> found.start, found.end
    (array([60.]), array([120.]))
    """
    t, v = _readings(time, value)
    if not v.size:
        return Episodes(np.zeros(0), np.zeros(0), np.zeros(0))
    pieces = _pieces(t, v, threshold, below, method, longest_gap_s, last_s, inclusive)
    stretch = np.cumsum(pieces.opens)
    some = pieces.end > pieces.start
    start, end, area, stretch = pieces.start[some], pieces.end[some], pieces.area[some], stretch[some]
    if not start.size:
        return Episodes(start, end, area)
    # Ends and starts of neighbouring pieces are the same number but for rounding.
    apart = start[1:] - end[:-1] > joined_s + 1e-9 * np.abs(end[:-1])
    first = np.flatnonzero(np.concatenate([[True], apart | (np.diff(stretch) != 0)]))
    start, end = start[first], end[np.append(first[1:], start.size) - 1]
    long = end - start >= at_least_s * (1.0 - 1e-9)
    return Episodes(start[long], end[long], np.add.reduceat(area, first)[long])


def lowest_for(
    time: ArrayLike,
    value: ArrayLike,
    cumulative_s: float,
    *,
    longest_gap_s: float,
    last_s: float | None = None,
) -> float:
    """
    Lowest value at or below which the readings stayed for some time altogether.

    Parameters
    ----------
    time, value, longest_gap_s, last_s
        As in `exposure`; readings hold until the next one.
    cumulative_s : float
        The time, in one stretch or in many [unit of time].

    Returns
    -------
    float
        In the unit of the readings; NaN if they cover less than that time.

    Raises
    ------
    InputError
        As `exposure`.

    References
    ----------
    .. [1] Salmasi V and others. Anesthesiology 2017;126:47-65 (lowest mean pressure for 1, 3, 5 or 10 min).

    Examples
    --------
    >>> lowest_for(range(8), [70, 64, 60, 58, 66, 72, 61, 63], 5, longest_gap_s=2)
    64.0
    """
    t, v = _readings(time, value)
    if not v.size:
        return np.nan
    length = _pieces(t, v, 0.0, True, "hold", longest_gap_s, last_s, False).length
    order = np.argsort(v, kind="stable")
    so_far = np.cumsum(length[order])
    at = int(np.searchsorted(so_far, cumulative_s * (1.0 - 1e-9)))
    return float(v[order][at]) if at < v.size else np.nan


def _readings(time: ArrayLike, value: ArrayLike) -> tuple[Float, Float]:
    t, v = (np.asarray(given, dtype=np.float64) for given in (time, value))
    if t.shape != v.shape or t.ndim != 1:
        raise InputError(f"exposure: needs one time for each value, got shapes {t.shape} and {v.shape}")
    if not (np.isfinite(t).all() and (np.diff(t) > 0).all()):
        raise InputError("exposure: times must be finite and increase from one reading to the next")
    known = np.isfinite(v)
    return t[known], v[known]


def _pieces(
    t: Float,
    v: Float,
    threshold: float,
    below: bool,
    method: str,
    longest_gap_s: float,
    last_s: float | None,
    inclusive: bool,
) -> _Pieces:
    """Covered time in pieces, one for each reading (hold) or bridged step (linear)."""
    if method not in METHODS:
        raise InputError(f"exposure: method must be one of {', '.join(METHODS)}, got {method!r}")
    if not longest_gap_s > 0:
        raise InputError(f"exposure: longest_gap_s must be above 0, got {longest_gap_s:g}")
    step = np.diff(t)
    bridged = step <= longest_gap_s
    interval = float(np.median(step[bridged])) if bridged.any() else np.nan
    beyond = (threshold - v) if below else (v - threshold)
    if method == "hold":
        lasts = last_s if last_s is not None else (0.0 if np.isnan(interval) else interval)
        length = np.append(np.where(bridged, step, np.minimum(lasts, step)), lasts)
        there = beyond >= 0 if inclusive else beyond > 0
        start, end = t, t + np.where(there, length, 0.0)
        area = np.maximum(beyond, 0.0) * length
        opens = np.concatenate([[True], ~bridged])
        gap = float(np.sum((step - length[:-1])[~bridged]))
    else:
        length = step[bridged]
        start, end, area = _lines(
            t[:-1][bridged], length, beyond[:-1][bridged], beyond[1:][bridged], inclusive
        )
        # A bridged step opens a stretch when the step before it was a gap.
        opens = np.concatenate([[True], ~bridged[:-1]])[bridged] if step.size else np.zeros(0, dtype=bool)
        gap = float(np.sum(step[~bridged]))
    return _Pieces(length, start, end, area, opens, int(np.count_nonzero(~bridged)), gap, interval)


def _lines(t: Float, length: Float, a: Float, b: Float, inclusive: bool) -> tuple[Float, Float, Float]:
    """Part of straight lines from `a` to `b` that lies above zero: start, end, area."""
    with np.errstate(invalid="ignore", divide="ignore"):
        crossing = np.where((a > 0) != (b > 0), a / (a - b), 0.0)
    start = t + length * np.where((a <= 0) & (b > 0), crossing, 0.0)
    on = (a > 0) | (b > 0) | (inclusive & (a == 0) & (b == 0))
    end = np.where(on, t + length * np.where((a > 0) & (b <= 0), crossing, 1.0), start)
    return start, end, 0.5 * (np.maximum(a, 0.0) + np.maximum(b, 0.0)) * (end - start)
