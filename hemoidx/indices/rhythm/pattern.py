"""Pattern of the pulse intervals whatever their size: entropy and turning points."""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from ..blocks import Estimate, Float, Part, of_sums, rows_of, terms
from ..index import Index
from ..rules import Limit
from .ectopy import without_ectopy
from .intervals import DASH, ENOUGH, INTERVALS, LEAST_STEPS, LIMITS, MISSING, SINUS, USE, others

BINS = 16
"""Bins of the histogram of intervals, and the share (1/16) that is cut off at either end before."""


def interval_entropy(
    duration: ArrayLike, facts: ArrayLike, window_of_beat: ArrayLike, n_windows: int
) -> Float:
    """
    Shannon entropy of the histogram of pulse intervals, 0 to 1.

    Parameters
    ----------
    duration, facts, window_of_beat, n_windows
        As in `hemoidx.indices.rhythm.intervals.rmssd_over_mean`; premature beats are left out as there.

    Returns
    -------
    ndarray, shape (n_windows,)
        Entropy over log 16 [1]; NaN with fewer than 32 intervals, or when all are equal.

    Notes
    -----
    A sixteenth of the intervals is cut off at either end, the rest falls into 16 bins between its shortest
    and its longest: -sum p log p / log 16. The bins stretch with the intervals, so that small and large
    irregularity of one shape have one entropy: it says nothing without a measure of size beside it.

    References
    ----------
    .. [1] Dash S, Chon KH, Lu S, Raeder EA. Automatic real time detection of atrial fibrillation. Ann Biomed
       Eng 2009;37:1701-1709 (128 beats, 16 bins, 8 beats cut at either end: from memory).
    """
    rows = np.sort(
        rows_of(without_ectopy(duration, facts, window_of_beat, n_windows), window_of_beat, n_windows)
    )
    if not rows.size:
        return np.full(n_windows, np.nan)
    count = np.isfinite(rows).sum(axis=1)
    cut = count // BINS
    enough = count >= 2 * BINS
    place = np.arange(rows.shape[1])
    kept = (place >= cut[:, None]) & (place < (count - cut)[:, None])
    row = np.arange(n_windows)
    low = rows[row, np.minimum(cut, rows.shape[1] - 1)][:, None]
    high = rows[row, np.maximum(count - cut - 1, 0)][:, None]
    with np.errstate(invalid="ignore", divide="ignore"):
        spread = (rows - low) / (high - low) * BINS
        bins = np.clip(np.nan_to_num(spread), 0, BINS - 1).astype(np.intp)
        code = (row[:, None] * BINS + bins)[kept]
        held = np.bincount(code, minlength=n_windows * BINS).reshape(n_windows, BINS)
        share = held / held.sum(axis=1, keepdims=True)
        entropy = -np.sum(share * np.log(np.where(share > 0, share, 1.0)), axis=1) / math.log(BINS)
    return np.where(enough & (high[:, 0] > low[:, 0]), entropy, np.nan)


class TurningPoints(NamedTuple):
    """Turning points expected of an independent series: number, share of inner points, deviation."""

    expected: float
    ratio: float
    sd: float


def expected_turning_points(n: int) -> TurningPoints:
    """
    Turning points that an independent series of some length is expected to have.

    Parameters
    ----------
    n : int
        Length of the series, at least 3, without repeated neighbours.

    Returns
    -------
    TurningPoints
        2 (n - 2) / 3, two thirds, and sqrt((16 n - 29) / 90).

    Examples
    --------
    >>> round(expected_turning_points(128).sd, 3)
    4.736
    """
    return TurningPoints(2.0 * (n - 2) / 3.0, 2.0 / 3.0, math.sqrt((16.0 * n - 29.0) / 90.0))


def turning_point_ratio(duration: ArrayLike, window_of_beat: ArrayLike, n_windows: int) -> Estimate:
    """
    Share of the inner pulse intervals that are longer, or shorter, than both neighbours.

    Parameters
    ----------
    duration, window_of_beat, n_windows
        As in `hemoidx.indices.rhythm.intervals.rmssd`.

    Returns
    -------
    Estimate
        Ratio and its standard error [1], shape (n_windows,); NaN with fewer than three inner intervals. Two
        thirds for an independent series, less where the intervals swing slowly, 1 where they alternate.

    Notes
    -----
    An interval equal to the one before it is left out first.
    """
    interval = np.asarray(duration, dtype=np.float64)
    of = np.asarray(window_of_beat, dtype=np.intp)
    fresh = np.append(True, (np.diff(interval) != 0) | (np.diff(of) != 0))[: of.size]
    kept, group = interval[fresh], of[fresh]
    turn = np.full(kept.size, np.nan)
    if kept.size > 2:
        whole = np.isfinite(kept[2:] + kept[1:-1] + kept[:-2]) & (group[2:] == group[:-2])
        with np.errstate(invalid="ignore"):
            turns = (kept[1:-1] - kept[:-2]) * (kept[1:-1] - kept[2:]) > 0
        turn[1:-1] = np.where(whole, turns, np.nan)
    return of_sums(terms(turn), group, n_windows, lambda n, x: x / n, LEAST_STEPS)


INTERVAL_ENTROPY = Index(
    name="interval_entropy",
    title="Shannon entropy of the pulse intervals",
    unit="1",
    level="window",
    family="rhythm",
    formula="-sum p log p / log 16 over 16 bins from the shortest to the longest interval, a sixteenth cut "
    "off at either end, premature beats left out",
    inputs=SINUS,
    function=interval_entropy,
    sources=(f"{DASH} (from memory)",),
    rules=ENOUGH,
    limits=(
        *LIMITS,
        Limit(
            USE,
            "says nothing",
            "its bins stretch with the intervals: small and large irregularity of one shape have one "
            "entropy, and the few beats of a window keep it low",
            source="follows from the definition",
        ),
    ),
    shared_inputs=others("interval_entropy"),
    missing="fewer than 32 intervals were measured, or all were equal",
)

TURNING_POINT_RATIO = Index(
    name="turning_point_ratio",
    title="Turning point ratio of the pulse intervals",
    unit="1",
    level="window",
    family="rhythm",
    formula="share of inner intervals that are longer, or shorter, than both neighbours",
    inputs=INTERVALS,
    function=Part(turning_point_ratio),
    error_function=Part(turning_point_ratio, "se"),
    sources=(f"Kendall M, turning point test for randomness, as used in {DASH}",),
    rules=ENOUGH,
    limits=(
        *LIMITS,
        Limit(
            USE,
            "says nothing",
            "noise of the feet on an even rhythm turns as often as a rhythm without a pattern, and bigeminy "
            "more often",
            source="follows from the definition",
        ),
    ),
    shared_inputs=others("turning_point_ratio"),
    missing=MISSING,
)

INDICES = (INTERVAL_ENTROPY, TURNING_POINT_RATIO)
