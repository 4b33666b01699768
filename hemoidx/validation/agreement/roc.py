"""Receiver operating characteristics: area with its interval, and comparison of areas."""

from __future__ import annotations

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
    note : str
        Where the interval does not hold what it promises; else empty.
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
    note: str = ""

    def plot(self, ax: matplotlib.axes.Axes | None = None) -> matplotlib.axes.Axes:
        """Draw the curve."""
        from .pictures import roc_plot

        return roc_plot(self, ax)


def groups(marker: ArrayLike, positive: ArrayLike) -> tuple[Float, NDArray[np.bool_]]:
    """
    Values and their group, without those that lack one of them.

    Raises
    ------
    InputError
        If they do not have the same shape, or a group has fewer than two values.
    """
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

    Notes
    -----
    Coverage in simulation, nominal 95 %, groups of equal size: "logit" 94 to 97 % from 10 a group on, 97 to
    99 % with 4 to 6, where up to a half of the samples do not overlap and have no interval; "delong" 87 to
    92 % with up to 20 a group, and at an area of 0.92 below 93 % with 42 too. `note` says so.

    References
    ----------
    .. [1] DeLong ER, DeLong DM, Clarke-Pearson DL. Biometrics 1988;44:837-845 (from memory).
    .. [2] Sun X, Xu W. IEEE Signal Process Lett 2014;21:1389-1393 (by midranks; from memory).
    .. [3] Pepe MS. The Statistical Evaluation of Medical Tests. Oxford 2003 (logit interval; from memory).
    """
    if interval not in INTERVALS:
        raise InputError(f"roc: interval must be one of {', '.join(INTERVALS)}, got {interval!r}")
    x, group = groups(marker, positive)
    x = x if positive_high else -x
    v1, v0 = _placements(x, group)
    area = float(v1.mean())
    variance = float(v1.var(ddof=1) / v1.size + v0.var(ddof=1) / v0.size)
    threshold, sensitivity, specificity = _curve(x, group)
    return Roc(
        area, variance, _interval(area, variance, level, interval), interval, v1.size, v0.size,
        threshold if positive_high else -threshold, sensitivity, specificity, positive_high, (v1, v0),
        _note(area, variance, min(v1.size, v0.size), interval),
    )  # fmt: skip


def _note(area: float, variance: float, smaller: int, interval: str) -> str:
    """What is known against the interval."""
    if not variance > 0:
        return "the groups do not overlap: there is no interval"
    if interval == "delong" and (smaller < 40 or area > 0.9):
        return (
            f"with {smaller} in the smaller group and an area of {area:.2f} the symmetric interval holds in "
            "85 to 92 % instead of 95; interval='logit' holds better"
        )
    if interval == "logit" and smaller < 10:
        return f"with {smaller} in the smaller group the interval is too wide: it holds in 97 to 99 %"
    return ""


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
        Satterthwaite. Without a variance (no overlap on either side, or the same marker twice) interval,
        statistic and p are NaN. Coverage in simulation, nominal 95 %: 93 to 97 % with 4 to 42 a group.

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
        z = _over(apart, variance)
        q, p = float(stats.norm.ppf(0.5 + 0.5 * level)), 2.0 * float(stats.norm.sf(abs(z)))
    else:
        z = _over(apart, variance)
        if np.isnan(z):
            return RocDifference(apart, (z, z), z, z, paired)
        n1, n2 = (c.n_positive + c.n_negative for c in (first, second))
        free = variance**2 / (first.variance**2 / (n1 - 1) + second.variance**2 / (n2 - 1))
        q, p = float(stats.t.ppf(0.5 + 0.5 * level, free)), 2.0 * float(stats.t.sf(abs(z), free))
    half = q * float(np.sqrt(variance)) if np.isfinite(z) else float("nan")
    return RocDifference(apart, (apart - half, apart + half), float(z), p, paired)


def _over(apart: float, variance: float) -> float:
    """Difference in standard errors; NaN where there is none, rounding left aside."""
    return apart / float(np.sqrt(variance)) if variance > 1e-15 else float("nan")
