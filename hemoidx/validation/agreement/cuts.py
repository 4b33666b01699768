"""Cut-offs of a marker: Youden, with its interval, and grey zones."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from hemoidx.errors import InputError

from .limits import Interval
from .resampling import draws
from .roc import Roc, groups, roc


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
    x, _ = groups(marker, positive)
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
        Percentiles of the cut-off over the draws that hold both groups; an end is infinite where a draw has
        no better cut-off than one beyond all values. Coverage in simulation, nominal 95 %: 84 to 90 % with 4
        a group, 92 to 94 % with 6 to 20.

    References
    ----------
    .. [1] Cannesson M et al. Anesthesiology 2011;115:231-241 (from memory).
    """
    x, group = groups(marker, positive)
    names = np.arange(x.size) if cluster is None else np.asarray(cluster)
    if names.shape != x.shape:
        raise InputError("grey zone: cluster must have one entry for each value, none of them missing")
    found = [
        youden(roc(x[rows], group[rows], positive_high)).threshold
        for rows in draws(names, times, seed)
        if min(group[rows].sum(), (~group[rows]).sum()) >= 2
    ]
    # Of the draws themselves: between a cut-off and an infinite one nothing can be interpolated.
    ends = np.quantile(found, [0.5 - 0.5 * level, 0.5 + 0.5 * level], method="inverted_cdf")
    return float(ends[0]), float(ends[1])
