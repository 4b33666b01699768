"""Bias and limits of agreement between two ways of measuring, one pair for each subject."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike, NDArray

from hemoidx.errors import InputError

if TYPE_CHECKING:
    import matplotlib.axes

Float = NDArray[np.float64]
Interval = tuple[float, float]

SCALES = ("difference", "log", "percent")
INTERVALS = ("exact", "1986", "1999")


@dataclass(frozen=True)
class Limits:
    """
    Agreement of a test with a reference.

    Attributes
    ----------
    bias : float
        Mean difference, test less reference; on a log scale the geometric mean of test / reference.
    sd : float
        Standard deviation of the differences of single readings, on the scale of computation.
    lower, upper : float
        Limits between which the given share of differences is expected to lie.
    bias_ci, lower_ci, upper_ci : tuple of float
        Confidence intervals.
    n, subjects : int
        Pairs and subjects used.
    multiplier, level : float
        Standard deviations between bias and limit; level of the intervals.
    scale : str
        "difference" (unit of the data), "log" (ratios), "percent" (of the mean of both).
    method : str
        How they were computed, in words.
    mean, difference : ndarray, shape (n,)
        Mean of each pair and its difference (ratio on a log scale), for the picture.
    parts : mapping of str to float
        Variance components and what else the method found on its way.
    note : str
        Where the intervals do not hold what they promise, and why; empty where nothing is known against them.
    """

    bias: float
    sd: float
    lower: float
    upper: float
    bias_ci: Interval
    lower_ci: Interval
    upper_ci: Interval
    n: int
    subjects: int
    multiplier: float
    level: float
    scale: str
    method: str
    mean: Float
    difference: Float
    parts: Mapping[str, float] = field(default_factory=dict)
    note: str = ""

    def plot(self, ax: matplotlib.axes.Axes | None = None) -> matplotlib.axes.Axes:
        """Draw differences against means, with bias, limits and their intervals."""
        from .pictures import difference_plot

        return difference_plot(self, ax)


def pairs(
    test: ArrayLike, reference: ArrayLike, least: int = 3, where: str = "agreement"
) -> tuple[Float, Float]:
    """
    Test and reference as arrays, without the pairs that lack one of them.

    Raises
    ------
    InputError
        If they do not have the same shape, or too few pairs are left.
    """
    a, b = np.asarray(test, dtype=np.float64), np.asarray(reference, dtype=np.float64)
    if a.shape != b.shape or a.ndim != 1:
        raise InputError(f"{where}: need two rows of equal length, got shapes {a.shape} and {b.shape}")
    known = np.isfinite(a) & np.isfinite(b)
    if known.sum() < least:
        raise InputError(f"{where}: need at least {least} pairs, got {int(known.sum())}")
    return a[known], b[known]


def on_scale(test: Float, reference: Float, scale: str) -> Float:
    """
    Differences on a scale: as they are, of logarithms, or in per cent of the mean of both.

    Raises
    ------
    InputError
        If there is no such scale, or logarithms of values that are not positive are asked for.
    """
    if scale not in SCALES:
        raise InputError(f"agreement: scale must be one of {', '.join(SCALES)}, got {scale!r}")
    if scale == "difference":
        return test - reference
    if scale == "percent":
        return np.asarray(100.0 * (test - reference) / (0.5 * (test + reference)), dtype=np.float64)
    if (test <= 0).any() or (reference <= 0).any():
        raise InputError("agreement: a log scale needs positive values on both sides")
    return np.asarray(np.log(test) - np.log(reference), dtype=np.float64)


def limits_of_agreement(
    test: ArrayLike,
    reference: ArrayLike,
    multiplier: float = 1.96,
    level: float = 0.95,
    interval: str = "exact",
    scale: str = "difference",
) -> Limits:
    """
    Bias and limits of agreement, one pair for each subject.

    Parameters
    ----------
    test, reference : array_like, shape (n,)
        Readings of the same subjects. Pairs that lack one are left out.
    multiplier : float
        Standard deviations between bias and limit: 1.96, or 2 as in the paper of 1986.
    level : float
        Level of the confidence intervals.
    interval : str
        "exact": Student's t for the bias, non-central t for the limits; "1986": standard error of a limit
        sqrt(3 / n) sd, with Student's t; "1999": sd sqrt(1 / n + k**2 / (2 (n - 1))), with the normal
        quantile.
    scale : str
        "difference"; "log", for differences that grow with the level: results are ratios; "percent" of the
        mean of both.

    Returns
    -------
    Limits
        The agreement.

    Raises
    ------
    InputError
        If fewer than three pairs are left, or an option is unknown.

    Notes
    -----
    The limit bias + k sd is exactly distributed as a non-central t [3]_: its interval holds at any size, for
    normal differences of independent subjects. With several pairs of one subject use
    `repeated_limits`: taking them for subjects makes the intervals too narrow.

    Coverage in simulation, nominal 95 %: "exact" 94 to 96 % from 8 to 85 subjects; "1986" 92 to 95 %; "1999"
    90 to 92 % with up to 20 and within 93 to 97 % from 40 on. Of skewed differences the limits themselves
    mean something else: the interval of the limit on the long side holds in 77 to 80 % at any size. Where
    this bears on a result, its `note` says so.

    References
    ----------
    .. [1] Bland JM, Altman DG. Lancet 1986;327:307-310.
    .. [2] Bland JM, Altman DG. Stat Methods Med Res 1999;8:135-160.
    .. [3] Carkeet A. Optom Vis Sci 2015;92:e71-e80 (from memory).

    Examples
    --------
    >>> found = limits_of_agreement([512, 430, 520, 428, 500], [494, 395, 516, 434, 476])
    >>> round(found.bias, 1), round(found.lower, 1), round(found.upper, 1)
    (15.0, -16.7, 46.7)
    """
    a, b = pairs(test, reference)
    d = on_scale(a, b, scale)
    n, bias, sd = d.size, float(d.mean()), float(d.std(ddof=1))
    ends = (bias - multiplier * sd, bias + multiplier * sd)
    bias_ci, lower_ci, upper_ci = _intervals(bias, sd, n, multiplier, level, interval)
    found = Limits(
        bias, sd, *ends, bias_ci, lower_ci, upper_ci, n, n, multiplier, level, scale,
        f"one pair for each subject, {interval} intervals", 0.5 * (a + b), d, note=_note(d, interval),
    )  # fmt: skip
    return as_ratios(found) if scale == "log" else found


#: Fewer subjects than this, and large-sample intervals hold too seldom.
LARGE = 40


def _note(d: Float, interval: str) -> str:
    """What is known against the intervals of these differences."""
    from scipy import stats

    notes = []
    if interval != "exact" and d.size < LARGE:
        share = "92 to 94" if interval == "1986" else "90 to 92"
        notes.append(
            f"with {d.size} subjects the intervals of {interval} hold in {share} % instead of 95; "
            "interval='exact' holds at any size"
        )
    # From 8 on a skew can be told; above 5000 anything is.
    if 8 <= d.size <= 5000 and np.ptp(d) > 0 and float(stats.shapiro(d).pvalue) < 0.01:
        notes.append(
            "the differences are not normally distributed (Shapiro and Wilk, p < 0.01): the limits are not "
            "where 95 % lie, and their intervals may hold in fewer than 80 %"
        )
    return "; ".join(notes)


def _intervals(
    bias: float, sd: float, n: int, k: float, level: float, interval: str
) -> tuple[Interval, Interval, Interval]:
    """Intervals of bias, lower and upper limit."""
    from scipy import stats

    if interval not in INTERVALS:
        raise InputError(f"agreement: interval must be one of {', '.join(INTERVALS)}, got {interval!r}")
    tail = 0.5 * (1.0 - level)
    se_bias = sd / np.sqrt(n)
    if interval == "1999":
        q = float(stats.norm.ppf(1.0 - tail))
        se_limit = sd * np.sqrt(1.0 / n + k**2 / (2.0 * (n - 1.0)))
    else:
        q = float(stats.t.ppf(1.0 - tail, n - 1))
        se_limit = sd * np.sqrt(3.0 / n)
    if interval == "exact":
        low, high = (
            float(stats.nct.ppf(p, n - 1, k * np.sqrt(n))) / np.sqrt(n) * sd for p in (tail, 1.0 - tail)
        )
        # By symmetry the interval of the lower limit is that of the upper one, turned over.
        lower_ci, upper_ci = (bias - high, bias - low), (bias + low, bias + high)
    else:
        lower, upper = bias - k * sd, bias + k * sd
        lower_ci = (lower - q * se_limit, lower + q * se_limit)
        upper_ci = (upper - q * se_limit, upper + q * se_limit)
    return (bias - q * se_bias, bias + q * se_bias), lower_ci, upper_ci


def as_ratios(found: Limits) -> Limits:
    """Turn differences of logarithms into ratios of test to reference."""

    def ratio(ends: Interval) -> Interval:
        return (float(np.exp(ends[0])), float(np.exp(ends[1])))

    return replace(
        found,
        bias=float(np.exp(found.bias)),
        lower=float(np.exp(found.lower)),
        upper=float(np.exp(found.upper)),
        bias_ci=ratio(found.bias_ci),
        lower_ci=ratio(found.lower_ci),
        upper_ci=ratio(found.upper_ci),
        difference=np.exp(found.difference),
    )


@dataclass(frozen=True)
class Trend:
    """
    Whether differences, or their spread, grow with the level.

    Attributes
    ----------
    slope, slope_ci : float, tuple of float
        Of the differences on the means.
    intercept : float
        Difference at a mean of zero.
    residual_sd : float
        Spread about the line.
    spread_slope, spread_p : float
        Slope of absolute residuals on the mean, and its p value: limits should widen if it is not zero.
    rank_correlation : float
        Spearman's, of absolute difference and mean.
    """

    slope: float
    slope_ci: Interval
    intercept: float
    residual_sd: float
    spread_slope: float
    spread_p: float
    rank_correlation: float


def proportional_bias(test: ArrayLike, reference: ArrayLike, level: float = 0.95) -> Trend:
    """
    Regress differences on means, and their spread on means.

    Parameters
    ----------
    test, reference : array_like, shape (n,)
        Readings of the same subjects.
    level : float
        Level of the interval.

    Returns
    -------
    Trend
        Slopes. A slope also arises where one method merely scatters more than the other.

    Raises
    ------
    InputError
        If fewer than four pairs are left, or all means are equal.

    References
    ----------
    .. [1] Bland JM, Altman DG. Stat Methods Med Res 1999;8:135-160, section 3.2.
    """
    from scipy import stats

    a, b = pairs(test, reference, 4)
    mean, d = 0.5 * (a + b), a - b
    if np.ptp(mean) == 0:
        raise InputError("agreement: all means are equal, no trend can be seen")
    line = stats.linregress(mean, d)
    left = d - line.intercept - line.slope * mean
    spread = stats.linregress(mean, np.abs(left))
    q = float(stats.t.ppf(0.5 + 0.5 * level, d.size - 2))
    return Trend(
        slope=float(line.slope),
        slope_ci=(float(line.slope - q * line.stderr), float(line.slope + q * line.stderr)),
        intercept=float(line.intercept),
        residual_sd=float(np.sqrt(np.sum(left**2) / (d.size - 2))),
        spread_slope=float(spread.slope),
        spread_p=float(spread.pvalue),
        rank_correlation=float(stats.spearmanr(np.abs(d), mean).statistic),
    )
