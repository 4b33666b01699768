"""Beat-by-beat scoring of detections against reference beats, in the manner of ANSI/AAMI EC57."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ..errors import InputError

Float = NDArray[np.float64]
Int = NDArray[np.int64]

#: Largest time difference of a pair [s], inclusive: the match window of ANSI/AAMI EC57, as described in
#: the WFDB Applications Guide (the standard itself was not read).
WINDOW_S = 0.150


@dataclass(frozen=True)
class Score:
    """
    Counts and rates of one comparison.

    Attributes
    ----------
    true_positive, false_positive, false_negative : int
        Paired beats, detections without a reference beat, reference beats without a detection.
    offset_s : ndarray
        Detection less reference of each pair [s].
    """

    true_positive: int
    false_positive: int
    false_negative: int
    offset_s: Float

    @property
    def sensitivity(self) -> float:
        """TP / (TP + FN); NaN without reference beats."""
        total = self.true_positive + self.false_negative
        return self.true_positive / total if total else float("nan")

    @property
    def positive_predictivity(self) -> float:
        """TP / (TP + FP); NaN without detections."""
        total = self.true_positive + self.false_positive
        return self.true_positive / total if total else float("nan")


def _sorted_times(values: ArrayLike, name: str) -> Float:
    times = np.asarray(values, dtype=np.float64)
    if times.ndim != 1 or not np.isfinite(times).all():
        raise InputError(f"{name}: need a one-dimensional list of finite times in seconds")
    if times.size > 1 and (np.diff(times) < 0).any():
        raise InputError(f"{name}: times must not decrease; sort them first")
    return times


def _nearest(of: Float, among: Float) -> Int:
    after = np.clip(np.searchsorted(among, of), 1, max(among.size - 1, 1))
    before = after - 1
    after = np.minimum(after, among.size - 1)
    return np.where(np.abs(among[before] - of) <= np.abs(among[after] - of), before, after)


def pair(reference_s: ArrayLike, test_s: ArrayLike, window_s: float = WINDOW_S) -> tuple[Int, Int]:
    """
    Pair detections with reference beats, one to one, closest first.

    Parameters
    ----------
    reference_s, test_s : array_like, shape (n,) and (m,)
        Times in ascending order [s].
    window_s : float
        Largest difference of a pair [s], inclusive.

    Returns
    -------
    reference, test : ndarray of int
        Numbers of the paired beats, in order of the reference.

    Raises
    ------
    InputError
        If times are not finite or decrease.

    Notes
    -----
    Beats that are each other's nearest neighbour pair off; the rest is looked at again without them
    until nothing changes, so a contested beat goes to the closer one.
    """
    reference = _sorted_times(reference_s, "reference")
    test = _sorted_times(test_s, "test")
    free_r, free_t = np.arange(reference.size), np.arange(test.size)
    pairs: list[NDArray[np.int64]] = []
    # A microsecond of slack: 0.15 s is not a binary number, and the window is inclusive.
    limit = window_s + 1e-6
    while free_r.size and free_t.size:
        to_test = _nearest(reference[free_r], test[free_t])
        to_reference = _nearest(test[free_t], reference[free_r])
        mutual = to_reference[to_test] == np.arange(free_r.size)
        close = np.abs(reference[free_r] - test[free_t][to_test]) <= limit
        hit = np.flatnonzero(mutual & close)
        if not hit.size:
            break
        pairs.append(np.column_stack([free_r[hit], free_t[to_test[hit]]]))
        free_t = np.delete(free_t, to_test[hit])
        free_r = np.delete(free_r, hit)
    rows = np.concatenate(pairs) if pairs else np.zeros((0, 2), dtype=np.int64)
    rows = rows[np.argsort(rows[:, 0], kind="stable")]
    return rows[:, 0], rows[:, 1]


def typical_delay(reference_s: ArrayLike, test_s: ArrayLike, longest_s: float = 0.6) -> float:
    """
    Median time from each reference beat to the next detection.

    Parameters
    ----------
    reference_s, test_s : array_like
        Times in ascending order [s], for instance QRS marks and pulse feet.
    longest_s : float
        Later detections belong to another beat and are left out [s].

    Returns
    -------
    float
        Delay [s]; NaN if no detection follows a reference beat in time.
    """
    reference = _sorted_times(reference_s, "reference")
    test = _sorted_times(test_s, "test")
    place = np.searchsorted(test, reference)
    inside = place < test.size
    delay = test[place[inside]] - reference[inside]
    delay = delay[delay <= longest_s]
    return float(np.median(delay)) if delay.size else float("nan")


def score(
    reference_s: ArrayLike,
    test_s: ArrayLike,
    window_s: float = WINDOW_S,
    scored_s: tuple[float, float] | None = None,
) -> Score:
    """
    Score detections against reference beats.

    Parameters
    ----------
    reference_s, test_s : array_like
        Times in ascending order [s]; either may be empty.
    window_s : float
        Match window [s], inclusive. Another than 0.150 is not the standard's.
    scored_s : tuple of float, optional
        Start and stop of the scored time [s]. Beats outside do not count, but a beat near the border may
        pair with one just outside, so that the border makes no errors of its own.

    Returns
    -------
    Score
        Counts, rates and time differences.

    Raises
    ------
    InputError
        If times are not finite or decrease.

    Examples
    --------
    >>> s = score([1.0, 2.0, 3.0], [1.1, 2.05, 4.0])
    >>> s.true_positive, s.false_positive, s.false_negative
    (2, 1, 1)
    """
    reference = _sorted_times(reference_s, "reference")
    test = _sorted_times(test_s, "test")
    first, second = pair(reference, test, window_s)
    in_r = np.ones(reference.size, dtype=bool)
    in_t = np.ones(test.size, dtype=bool)
    if scored_s is not None:
        in_r = (reference >= scored_s[0]) & (reference <= scored_s[1])
        in_t = (test >= scored_s[0]) & (test <= scored_s[1])
    counted = in_r[first]
    alone_r = in_r.copy()
    alone_r[first] = False
    alone_t = in_t.copy()
    alone_t[second] = False
    return Score(
        int(counted.sum()), int(alone_t.sum()), int(alone_r.sum()), (test[second] - reference[first])[counted]
    )
