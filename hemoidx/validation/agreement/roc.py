"""Receiver operating characteristics: area with its interval, comparison, cut-offs, grey zone."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike, NDArray

from hemoidx.errors import InputError

from .limits import Float, Interval

if TYPE_CHECKING:
    import matplotlib.axes

INTERVALS = ("logit", "delong")


@dataclass(frozen=True)
class Roc:
    """
    How well a marker tells two groups apart.

    Attributes
    ----------
    area, variance, ci : float, float, tuple of float
        Area under the curve, DeLong's variance, interval.
    interval : str
        How the interval was taken.
    n_positive, n_negative : int
        Group sizes.
    threshold, sensitivity, specificity : ndarray
        The empirical curve: calling positive what lies beyond each threshold; thresholds lie midway between
        neighbouring values.
    positive_high : bool
        Whether high values speak for the positive group.
    placements : tuple of ndarray
        Share of the other group that each positive, and each negative, stands above or below.
    """

    area: float
    variance: float
    ci: Interval
    interval: str
    n_positive: int
    n_negative: int
    threshold: Float
    sensitivity: Float
    specificity: Float
    positive_high: bool
    placements: tuple[Float, Float]

    def plot(self, ax: matplotlib.axes.Axes | None = None) -> matplotlib.axes.Axes:
        """Draw the curve."""
        from .pictures import roc_plot

        return roc_plot(self, ax)


def _groups(marker: ArrayLike, positive: ArrayLike) -> tuple[Float, NDArray[np.bool_]]:
    x = np.asarray(marker, dtype=np.float64)
    given = np.asarray(positive, dtype=np.float64)
    if x.shape != given.shape or x.ndim != 1:
        raise InputError(f"roc: need two rows of equal length, got shapes {x.shape} and {given.shape}")
    known = np.isfinite(x) & np.isfinite(given)
    group = given[known] != 0
    if min(group.sum(), (~group).sum()) < 2:
        raise InputError("roc: each group needs at least two values")
    return x[known], group


def _placements(x: Float, group: NDArray[np.bool_]) -> tuple[Float, Float]:
    """By midranks: share of the negatives below each positive, of the positives above each negative."""
    from scipy.stats import rankdata

    n1, n0 = int(group.sum()), int((~group).sum())
    together = rankdata(x)
    of_positive = (together[group] - rankdata(x[group])) / n0
    of_negative = 1.0 - (together[~group] - rankdata(x[~group])) / n1
    return of_positive, of_negative


def roc(
    marker: ArrayLike,
    positive: ArrayLike,
    positive_high: bool = True,
    level: float = 0.95,
    interval: str = "logit",
) -> Roc:
    """
    Area under the curve, with an interval, and the curve itself.

    Parameters
    ----------
    marker : array_like, shape (n,)
        Values; those that are NaN are left out.
    positive : array_like of bool, shape (n,)
        Which belong to the positive group.
    positive_high : bool
        Whether high values speak for the positive group; never guessed from the data.
    level : float
        Level of the interval.
    interval : str
        "logit", DeLong's standard error on the logit scale, or "delong", symmetric about the area, which
        covers too seldom in small groups and near 1.

    Returns
    -------
    Roc
        The curve. Without any overlap DeLong's variance is zero and there is no interval (NaN).

    Raises
    ------
    InputError
        If a group has fewer than two values, or there is no such interval.

    References
    ----------
    .. [1] DeLong ER, DeLong DM, Clarke-Pearson DL. Biometrics 1988;44:837-845 (from memory).
    .. [2] Sun X, Xu W. IEEE Signal Process Lett 2014;21:1389-1393 (by midranks; from memory).
    .. [3] Pepe MS. The Statistical Evaluation of Medical Tests. Oxford 2003 (logit interval; from memory).
    """
    if interval not in INTERVALS:
        raise InputError(f"roc: interval must be one of {', '.join(INTERVALS)}, got {interval!r}")
    x, group = _groups(marker, positive)
    x = x if positive_high else -x
    v1, v0 = _placements(x, group)
    area = float(v1.mean())
    variance = float(v1.var(ddof=1) / v1.size + v0.var(ddof=1) / v0.size)
    threshold, sensitivity, specificity = _curve(x, group)
    return Roc(
        area, variance, _interval(area, variance, level, interval), interval, v1.size, v0.size,
        threshold if positive_high else -threshold, sensitivity, specificity, positive_high, (v1, v0),
    )  # fmt: skip


def _interval(area: float, variance: float, level: float, interval: str) -> Interval:
    from scipy import stats

    if not variance > 0:
        return float("nan"), float("nan")
    half = float(stats.norm.ppf(0.5 + 0.5 * level)) * float(np.sqrt(variance))
    if interval == "delong":
        return max(area - half, 0.0), min(area + half, 1.0)
    middle, half = np.log(area / (1.0 - area)), half / (area * (1.0 - area))
    return float(1.0 / (1.0 + np.exp(half - middle))), float(1.0 / (1.0 + np.exp(-half - middle)))


def _curve(x: Float, group: NDArray[np.bool_]) -> tuple[Float, Float, Float]:
    """Thresholds from below all values to above all, with sensitivity and specificity of lying above."""
    values = np.unique(x)
    threshold = np.concatenate([[-np.inf], 0.5 * (values[:-1] + values[1:]), [np.inf]])
    ones, zeros = np.sort(x[group]), np.sort(x[~group])
    sensitivity = 1.0 - np.searchsorted(ones, threshold, side="left") / ones.size
    specificity = np.searchsorted(zeros, threshold, side="left") / zeros.size
    return threshold, sensitivity, specificity


@dataclass(frozen=True)
class RocDifference:
    """Difference of two areas, its interval, and DeLong's test: `difference, ci, statistic, p, paired`."""

    difference: float
    ci: Interval
    statistic: float
    p: float
    paired: bool


def compare_roc(first: Roc, second: Roc, paired: bool = True, level: float = 0.95) -> RocDifference:
    """
    Compare two areas.

    Parameters
    ----------
    first, second : Roc
        Curves; of the same subjects in the same order if `paired`.
    paired : bool
        Whether the markers were read in the same subjects.
    level : float
        Level of the interval.

    Returns
    -------
    RocDifference
        With z for paired curves; for separate subjects Student's t with the degrees of freedom of Welch and
        Satterthwaite.

    Raises
    ------
    InputError
        If paired curves have different group sizes.

    References
    ----------
    .. [1] DeLong ER, DeLong DM, Clarke-Pearson DL. Biometrics 1988;44:837-845 (from memory).
    """
    from scipy import stats

    apart = first.area - second.area
    variance = first.variance + second.variance
    if paired:
        sizes = [(c.n_positive, c.n_negative) for c in (first, second)]
        if sizes[0] != sizes[1]:
            raise InputError("roc: paired curves must be of the same subjects, their numbers differ")
        for mine, other in zip(first.placements, second.placements, strict=True):
            variance -= 2.0 * float(np.cov(mine, other)[0, 1]) / mine.size
        z = apart / float(np.sqrt(variance))
        q, p = float(stats.norm.ppf(0.5 + 0.5 * level)), 2.0 * float(stats.norm.sf(abs(z)))
    else:
        z = apart / float(np.sqrt(variance))
        n1, n2 = (c.n_positive + c.n_negative for c in (first, second))
        free = variance**2 / (first.variance**2 / (n1 - 1) + second.variance**2 / (n2 - 1))
        q, p = float(stats.t.ppf(0.5 + 0.5 * level, free)), 2.0 * float(stats.t.sf(abs(z), free))
    half = q * float(np.sqrt(variance))
    return RocDifference(apart, (apart - half, apart + half), float(z), p, paired)


@dataclass(frozen=True)
class Cut:
    """A cut-off: `threshold, sensitivity, specificity`."""

    threshold: float
    sensitivity: float
    specificity: float


def youden(curve: Roc) -> Cut:
    """
    Cut-off with the largest sum of sensitivity and specificity; of several, the most sensitive one.

    References
    ----------
    .. [1] Youden WJ. Cancer 1950;3:32-35 (from memory).
    """
    at = int(np.argmax(np.round(curve.sensitivity + curve.specificity, 12)))
    return Cut(float(curve.threshold[at]), float(curve.sensitivity[at]), float(curve.specificity[at]))


@dataclass(frozen=True)
class GreyZone:
    """
    Values that decide neither way.

    Attributes
    ----------
    lower, upper : float
        Bounds; between them the marker is inconclusive. NaN where no cut-off reaches what was asked.
    inside : float
        Share of all values strictly between the bounds [%].
    method : str
        How the bounds were taken.
    """

    lower: float
    upper: float
    inside: float
    method: str


def grey_zone(
    marker: ArrayLike,
    positive: ArrayLike,
    positive_high: bool = True,
    sensitivity: float = 0.9,
    specificity: float = 0.9,
) -> GreyZone:
    """
    Grey zone between the cut-offs that reach a wanted sensitivity and a wanted specificity.

    Parameters
    ----------
    marker, positive, positive_high
        As for `roc`.
    sensitivity, specificity : float
        Wanted on either side.

    Returns
    -------
    GreyZone
        Where the curve reaches both at one cut-off the zone is empty: its bounds cross.

    References
    ----------
    .. [1] Coste J, Pouchot J. Int J Epidemiol 2003;32:304-313 (the principle).
    .. [2] Cannesson M et al. Anesthesiology 2011;115:231-241 (this rule; from memory).
    """
    curve = roc(marker, positive, positive_high)
    return _zone(
        marker, positive, curve, curve.sensitivity >= sensitivity, curve.specificity >= specificity,
        f"sensitivity of {100 * sensitivity:g} % and specificity of {100 * specificity:g} %",
    )  # fmt: skip


def grey_zone_by_likelihood(
    marker: ArrayLike,
    positive: ArrayLike,
    pretest: float,
    positive_high: bool = True,
    rule_in: float = 0.95,
    rule_out: float = 0.05,
) -> GreyZone:
    """
    Grey zone between the cut-offs whose likelihood ratios reach wanted post-test probabilities.

    Parameters
    ----------
    marker, positive, positive_high
        As for `roc`.
    pretest : float
        Probability before the test, 0 to 1.
    rule_in, rule_out : float
        Wanted probability beyond the upper cut-off (at least) and below the lower one (at most).

    Returns
    -------
    GreyZone
        The zone.

    Raises
    ------
    InputError
        If the probabilities are not in order.

    References
    ----------
    .. [1] Coste J, Pouchot J. Int J Epidemiol 2003;32:304-313.
    """
    if not 0 < rule_out < pretest < rule_in < 1:
        raise InputError("grey zone: need 0 < rule_out < pretest < rule_in < 1")
    curve = roc(marker, positive, positive_high)
    odds = pretest / (1.0 - pretest)
    with np.errstate(divide="ignore", invalid="ignore"):
        for_it = curve.sensitivity / (1.0 - curve.specificity)
        against = (1.0 - curve.sensitivity) / curve.specificity
    out, into = rule_out / (1.0 - rule_out) / odds, rule_in / (1.0 - rule_in) / odds
    method = f"likelihood ratios at a pre-test probability of {pretest:g}"
    return _zone(marker, positive, curve, against <= out, for_it >= into, method)


def _zone(
    marker: ArrayLike,
    positive: ArrayLike,
    curve: Roc,
    out: NDArray[np.bool_],
    into: NDArray[np.bool_],
    method: str,
) -> GreyZone:
    """Highest threshold that rules out, lowest that rules in; both in the direction of the marker."""
    x, _ = _groups(marker, positive)
    turn = 1.0 if curve.positive_high else -1.0
    at = turn * curve.threshold
    real = np.isfinite(at)
    lower = float(np.max(at[out & real], initial=-np.inf))
    upper = float(np.min(at[into & real], initial=np.inf))
    inside = 100.0 * float(np.mean((turn * x > lower) & (turn * x < upper)))
    first, last = (turn * end if np.isfinite(end) else float("nan") for end in (lower, upper))
    return GreyZone(first, last, inside, method) if turn > 0 else GreyZone(last, first, inside, method)


def youden_interval(
    marker: ArrayLike,
    positive: ArrayLike,
    positive_high: bool = True,
    cluster: ArrayLike | None = None,
    times: int = 1000,
    seed: int = 0,
    level: float = 0.95,
) -> Interval:
    """
    Bootstrap interval of the Youden cut-off.

    Parameters
    ----------
    marker, positive, positive_high
        As for `roc`.
    cluster : array_like, shape (n,), optional
        Patients, if one gave several values; they are drawn whole.
    times, seed : int
        Draws, and the seed of their generator.
    level : float
        Level of the interval.

    Returns
    -------
    tuple of float
        Percentiles of the cut-off over the draws that hold both groups.

    References
    ----------
    .. [1] Cannesson M et al. Anesthesiology 2011;115:231-241 (from memory).
    """
    x, group = _groups(marker, positive)
    names = np.arange(x.size) if cluster is None else np.asarray(cluster)
    if names.shape != x.shape:
        raise InputError("grey zone: cluster must have one entry for each value, none of them missing")
    found = [
        youden(roc(x[rows], group[rows], positive_high)).threshold
        for rows in _draws(names, times, seed)
        if min(group[rows].sum(), (~group[rows]).sum()) >= 2
    ]
    ends = np.quantile(found, [0.5 - 0.5 * level, 0.5 + 0.5 * level])
    return float(ends[0]), float(ends[1])


def _draws(names: NDArray[np.generic], times: int, seed: int) -> Iterator[NDArray[np.intp]]:
    from .resampling import draws

    return draws(names, times, seed)
