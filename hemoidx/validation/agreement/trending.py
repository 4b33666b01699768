"""Trending: whether changes go the same way, and by as much."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike, NDArray

from hemoidx.errors import InputError

from .limits import Float, Interval, pairs

if TYPE_CHECKING:
    import matplotlib.axes

ZONES = ("square", "circle", "mean")
RADII = ("mean_of_sizes", "size_of_mean")


@dataclass(frozen=True)
class Concordance:
    """
    Share of changes that agree in direction.

    Attributes
    ----------
    rate, ci : float, tuple of float
        Concordance [%] and its interval (Wilson).
    n, excluded : int
        Changes that count, and those inside the exclusion zone.
    zone, shape : float, str
        Half width of the zone [unit of the changes] and its shape.
    test, reference : ndarray
        All changes.
    kept : ndarray of bool
        Those outside the zone.
    """

    rate: float
    ci: Interval
    n: int
    excluded: int
    zone: float
    shape: str
    test: Float
    reference: Float
    kept: NDArray[np.bool_]

    def plot(self, ax: matplotlib.axes.Axes | None = None) -> matplotlib.axes.Axes:
        """Draw changes of the test against those of the reference, in four quadrants."""
        from .pictures import four_quadrant_plot

        return four_quadrant_plot(self, ax)


def _outside(test: Float, reference: Float, zone: float, shape: str) -> NDArray[np.bool_]:
    if shape not in ZONES:
        raise InputError(f"trending: the zone must be one of {', '.join(ZONES)}, got {shape!r}")
    if not zone >= 0:
        raise InputError(f"trending: the zone must not be negative, got {zone:g}")
    if shape == "circle":
        return np.hypot(test, reference) > zone
    if shape == "mean":
        return np.abs(0.5 * (test + reference)) > zone
    return (np.abs(test) > zone) | (np.abs(reference) > zone)


def four_quadrant(
    change_test: ArrayLike,
    change_reference: ArrayLike,
    zone: float,
    shape: str = "square",
    level: float = 0.95,
) -> Concordance:
    """
    Concordance of changes outside a central exclusion zone.

    Parameters
    ----------
    change_test, change_reference : array_like, shape (n,)
        Successive changes [same unit, or %].
    zone : float
        Half width of the zone in which changes are too small to have a direction; 15 % of the mean has been
        recommended for cardiac output [1]_.
    shape : str
        "square" (left out where both are small), "circle", or "mean" (of both changes).
    level : float
        Level of the interval, which takes the changes for independent: with several of one patient use
        `cluster_bootstrap`.

    Returns
    -------
    Concordance
        The share; NaN with no change outside the zone.

    Raises
    ------
    InputError
        If the zone cannot be, or fewer than three changes are given.

    Notes
    -----
    A change of exactly zero on one side, outside the zone by the other, agrees with nothing and counts
    against the test.

    References
    ----------
    .. [1] Critchley LA, Lee A, Ho AM. Anesth Analg 2010;111:1180-1192.
    .. [2] Saugel B, Grothe O, Wagner JY. Anesth Analg 2015;121:514-524.
    """
    a, b = pairs(change_test, change_reference, where="trending")
    kept = _outside(a, b, zone, shape)
    n = int(kept.sum())
    agree = int(np.count_nonzero((a * b > 0)[kept]))
    ends = wilson(agree, n, level)
    rate = 100.0 * agree / n if n else float("nan")
    return Concordance(rate, (100 * ends[0], 100 * ends[1]), n, a.size - n, zone, shape, a, b, kept)


def wilson(count: int, n: int, level: float = 0.95) -> Interval:
    """
    Interval of a share, after Wilson.

    References
    ----------
    .. [1] Wilson EB. J Am Stat Assoc 1927;22:209-212 (from memory).
    """
    from scipy import stats

    if not n:
        return float("nan"), float("nan")
    q = float(stats.norm.ppf(0.5 + 0.5 * level))
    share = count / n
    middle = (share + q**2 / (2 * n)) / (1 + q**2 / n)
    half = q / (1 + q**2 / n) * float(np.sqrt(share * (1 - share) / n + q**2 / (4 * n**2)))
    return middle - half, middle + half


@dataclass(frozen=True)
class Polar:
    """
    Changes as angle from the line of identity and distance from the origin.

    Attributes
    ----------
    bias, sd : float
        Mean angle and its standard deviation [degrees].
    lower, upper : float
        Radial limits of agreement, bias -/+ 1.96 sd [degrees].
    within_30 : float
        Share of angles within 30 degrees [%].
    n, excluded : int
        Changes that count, and those inside the zone.
    zone, radius : float, str
        Least distance that counts, and how distance was taken.
    angle, distance : ndarray
        Of the changes that count [degrees, unit of the changes].
    """

    bias: float
    sd: float
    lower: float
    upper: float
    within_30: float
    n: int
    excluded: int
    zone: float
    radius: str
    angle: Float
    distance: Float

    def plot(self, ax: matplotlib.axes.Axes | None = None) -> matplotlib.axes.Axes:
        """Draw the changes around the line of identity."""
        from .pictures import polar_plot

        return polar_plot(self, ax)


def polar(
    change_test: ArrayLike, change_reference: ArrayLike, zone: float, radius: str = "mean_of_sizes"
) -> Polar:
    """
    Polar reading of changes: how far they turn away from the line of identity.

    Parameters
    ----------
    change_test, change_reference : array_like, shape (n,)
        Successive changes [same unit].
    zone : float
        Least distance that counts.
    radius : str
        "mean_of_sizes", (|test| + |reference|) / 2, or "size_of_mean", |test + reference| / 2: the two differ
        where the changes disagree in sign.

    Returns
    -------
    Polar
        Angles; NaN with fewer than two changes outside the zone.

    Raises
    ------
    InputError
        If an option is unknown or fewer than three changes are given.

    Notes
    -----
    The angle is atan2(test - reference, test + reference). Falls are turned by 180 degrees, so that falls and
    rises share one half plane (from memory). Leaving small changes out removes data, and the transform bends
    the scale: read it beside the four quadrants [2]_.

    References
    ----------
    .. [1] Critchley LA, Yang XX, Lee A. J Cardiothorac Vasc Anesth 2011;25:536-546 (not seen).
    .. [2] Saugel B, Grothe O, Wagner JY. Anesth Analg 2015;121:514-524.
    """
    if radius not in RADII:
        raise InputError(f"trending: radius must be one of {', '.join(RADII)}, got {radius!r}")
    a, b = pairs(change_test, change_reference, where="trending")
    distance = 0.5 * (np.abs(a) + np.abs(b)) if radius == "mean_of_sizes" else 0.5 * np.abs(a + b)
    kept = distance > zone
    turned = np.where(a + b < 0, -1.0, 1.0)
    angle = np.degrees(np.arctan2(turned * (a - b), turned * (a + b)))[kept]
    n = int(kept.sum())
    bias = float(angle.mean()) if n else float("nan")
    sd = float(angle.std(ddof=1)) if n > 1 else float("nan")
    near = 100.0 * float(np.mean(np.abs(angle) <= 30.0)) if n else float("nan")
    return Polar(
        bias, sd, bias - 1.96 * sd, bias + 1.96 * sd, near, n, a.size - n, zone, radius, angle, distance[kept]
    )
