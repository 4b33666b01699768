"""
Means of clustered numbers: thousands of windows of a few patients are a few patients.

Readings of one recording resemble each other, recordings of one patient do too. The unit of every interval
here is the patient (or the recording, where nobody said which patient it is of); nothing is resampled, so
the same numbers give the same interval.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ..errors import InputError

Float = NDArray[np.float64]
Interval = tuple[float, float]

#: Fewer clusters than this, and the interval of a mean leans on their normal distribution.
ENOUGH = 20
_NONE = float("nan")


class Mean(NamedTuple):
    """
    Mean over clusters.

    Attributes
    ----------
    value, low, high : float
        Mean of the clusters' means, and its interval.
    sd : float
        Standard deviation of the clusters' means.
    clusters : int
        How many.
    note : str
        What is to be known against the interval; else empty.
    """

    value: float
    low: float
    high: float
    sd: float
    clusters: int
    note: str


def mean_of(values: ArrayLike, level: float = 0.95) -> Mean:
    """
    Mean of one number a cluster, with Student's interval.

    Parameters
    ----------
    values : array_like, shape (n_clusters,)
        One number a cluster; NaN is none.
    level : float
        Level of the interval.

    Returns
    -------
    Mean
        The interval is NaN with fewer than two clusters.

    Notes
    -----
    Each cluster counts once, however many readings it has: the mean estimates that of the patients, not that
    of the hours that happened to be recorded. Its variance between clusters holds all that is within them
    too, so that no model of the readings is needed. With equal clusters it is the interval of a mixed model
    with a random intercept, and the cluster-robust interval of a mean with n - 1 degrees of freedom.

    Examples
    --------
    >>> found = mean_of([80.0, 84.0, 88.0])
    >>> found.value, round(found.low, 1), round(found.high, 1)
    (84.0, 74.1, 93.9)
    """
    known = np.asarray(values, dtype=np.float64)
    known = known[np.isfinite(known)]
    n = int(known.size)
    if n < 2:
        return Mean(float(known[0]) if n else _NONE, _NONE, _NONE, _NONE, n, "too few for an interval")
    from scipy import stats

    value, sd = float(known.mean()), float(known.std(ddof=1))
    half = float(stats.t.ppf(0.5 + 0.5 * level, n - 1)) * sd / np.sqrt(n)
    note = "" if n >= ENOUGH else f"with {n} clusters it holds if their means are normally distributed"
    return Mean(value, value - float(half), value + float(half), sd, n, note)


def median_interval(values: ArrayLike, level: float = 0.95) -> tuple[float, float, float]:
    """
    Median of one number a cluster, with the interval that its order statistics give.

    Parameters
    ----------
    values : array_like, shape (n_clusters,)
        One number a cluster; NaN is none.
    level : float
        Level that the interval has at least.

    Returns
    -------
    median, low, high : float
        The interval is NaN with too few clusters (fewer than six at 95 %).

    Notes
    -----
    The r-th smallest and the r-th largest value enclose the median with probability 1 - 2 P(B <= r - 1), B
    binomial with n trials and one half [1]_; r is the largest that reaches the level. It holds for any
    distribution.

    References
    ----------
    .. [1] Conover WJ. Practical Nonparametric Statistics. Wiley, 3rd edition 1999 (from memory).

    Examples
    --------
    >>> median_interval([1.0, 2.0, 3.0, 4.0, 5.0, 6.0])
    (3.5, 1.0, 6.0)
    """
    known = np.asarray(values, dtype=np.float64)
    known = np.sort(known[np.isfinite(known)])
    n = int(known.size)
    if not n:
        return _NONE, _NONE, _NONE
    from scipy import stats

    middle = float(np.median(known))
    tail = stats.binom.cdf(np.arange(n // 2 + 1), n, 0.5)
    reach = int(np.sum(tail <= 0.5 * (1.0 - level)))
    if reach == 0:
        return middle, _NONE, _NONE
    return middle, float(known[reach - 1]), float(known[n - reach])


class Components(NamedTuple):
    """
    Where the variance of clustered readings lies.

    Attributes
    ----------
    icc, low, high : float
        Share of it between clusters (intraclass correlation, one way, single reading), and its interval.
    between_sd, within_sd : float
        Standard deviations between and within clusters [unit of the readings].
    clusters, readings : int
        How many.
    effective : float
        How many independent readings the readings are worth for their mean.
    """

    icc: float
    low: float
    high: float
    between_sd: float
    within_sd: float
    clusters: int
    readings: int
    effective: float


def components(count: ArrayLike, mean: ArrayLike, sd: ArrayLike, level: float = 0.95) -> Components:
    """
    Intraclass correlation from number, mean and standard deviation of each cluster.

    Parameters
    ----------
    count, mean, sd : array_like, shape (n_clusters,)
        Of each cluster; `sd` with n - 1, NaN where there is one reading.
    level : float
        Level of the interval.

    Returns
    -------
    Components
        All NaN with fewer than two clusters, or where none has two readings.

    Raises
    ------
    InputError
        If the rows do not have one length.

    Notes
    -----
    One-way analysis of variance: with mean squares S between and R within and
    m0 = (N - sum(m**2) / N) / (n - 1), the variance between is (S - R) / m0, not below zero [1]_. The
    interval is that of F = S / R; for unequal clusters it is taken with m0 and is approximate. Readings are
    worth N / (1 + icc (sum(m**2) / N - 1)) independent ones [2]_.

    References
    ----------
    .. [1] Shrout PE, Fleiss JL. Psychol Bull 1979;86:420-428, ICC(1, 1).
    .. [2] Kish L. Survey Sampling. Wiley 1965 (design effect, from memory).
    """
    m, means, sds = (np.asarray(x, dtype=np.float64) for x in (count, mean, sd))
    if not m.shape == means.shape == sds.shape:
        raise InputError(f"components: need rows of one length, got {m.shape}, {means.shape}, {sds.shape}")
    here = (m > 0) & np.isfinite(means)
    m, means, sds = m[here], means[here], sds[here]
    n, total = int(m.size), float(m.sum())
    free = total - n
    if n < 2 or free < 1:
        return Components(_NONE, _NONE, _NONE, _NONE, _NONE, n, int(total), _NONE)
    from scipy import stats

    grand = float(np.sum(m * means) / total)
    between = float(np.sum(m * (means - grand) ** 2) / (n - 1))
    within = float(np.sum((m - 1.0) * np.nan_to_num(sds) ** 2) / free)
    size = (total - float(np.sum(m**2)) / total) / (n - 1)
    over = max(between - within, 0.0) / size
    if over + within == 0.0:
        return Components(_NONE, _NONE, _NONE, 0.0, 0.0, n, int(total), _NONE)
    icc = over / (over + within)
    if within == 0.0:
        low = high = 1.0
    else:
        ratio, tail = between / within, 0.5 * (1.0 - level)
        least = ratio / float(stats.f.ppf(1.0 - tail, n - 1, free))
        most = ratio * float(stats.f.ppf(1.0 - tail, free, n - 1))
        low, high = ((f - 1.0) / (f + size - 1.0) for f in (least, most))
    effective = total / (1.0 + icc * (float(np.sum(m**2)) / total - 1.0))
    between_sd, within_sd = float(np.sqrt(over)), float(np.sqrt(within))
    return Components(
        icc, max(low, 0.0), max(high, 0.0), between_sd, within_sd, n, int(total), effective
    )  # fmt: skip


def pooled(cluster: ArrayLike, values: ArrayLike) -> tuple[NDArray[np.generic], Float, Float, Float]:
    """
    Number, mean and standard deviation of each cluster.

    Parameters
    ----------
    cluster : array_like, shape (n,)
        Cluster of each value.
    values : array_like, shape (n,)
        The values; NaN is none.

    Returns
    -------
    names, count, mean, sd : ndarray, shape (n_clusters,)
        In the order of the names; clusters without a value are left out.
    """
    value = np.asarray(values, dtype=np.float64)
    known = np.isfinite(value)
    names, number = np.unique(np.asarray(cluster)[known], return_inverse=True)
    value = value[known]
    count = np.bincount(number, minlength=names.size).astype(np.float64)
    mean = np.bincount(number, value, names.size) / np.maximum(count, 1.0)
    squares = np.bincount(number, (value - mean[number]) ** 2, names.size)
    with np.errstate(invalid="ignore", divide="ignore"):
        sd = np.where(count > 1, np.sqrt(squares / (count - 1.0)), np.nan)
    return names, count, mean, sd
