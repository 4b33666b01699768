"""
Which lines a measurement leaves possible: natural frequency and damping together, never one alone.

Behind an overdamped line the two trade off: a flush that was read a little too slow in frequency was read
with a little too much damping less, so that the slow return is known far better than either. What harms the
patient's numbers is that return. So the errors of both are taken together.
"""

from __future__ import annotations

import dataclasses
from functools import lru_cache
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from ..errors import InputError
from .dynamics import Dynamics, slow_pole
from .response import free_response

Float = NDArray[np.float64]

# All ours. Where the bounds of an unresolved line end [Hz, ratio]; lines on each side of such bounds.
_WIDEST = (3.0, 80.0, 0.03, 3.0)
_SIDE = 7
# Bounds whose ends differ by less than this factor are taken for 95 % intervals of so many standard errors.
_NARROW, _REACH = 2.0, 2.0
# Relative standard error of a slow pole that comes without one.
_POLE_KNOWN_TO = 0.02
# Two errors are not taken to go together more firmly than this.
_FIRMEST = 0.999
# Rate [Hz] and length [s] of the flush from which the usual correlation is reckoned.
_USUAL_HZ, _USUAL_S = 250.0, 1.2


class Likely(NamedTuple):
    """
    Lines that stand for all that a measurement allows.

    Attributes
    ----------
    lines : ndarray, shape (n, 2)
        Natural frequency [Hz] and damping ratio.
    weight : ndarray, shape (n,), or None
        Weights for mean and variance, the first line being the measured one; None where the lines are the
        corners and insides of bounds, of which none is more likely than another.
    """

    lines: Float
    weight: Float | None


def likely_lines(dynamics: Dynamics) -> Likely:
    """
    Lines that stand for all that a measurement allows.

    Parameters
    ----------
    dynamics : Dynamics
        The line.

    Returns
    -------
    Likely
        With standard errors, or narrow bounds that stand for such: nine lines, in mean and covariance of
        logarithms those of the measurement. With wide or open bounds only: a grid over them, or, where the
        slow pole is known, the pairs that have it, and those that have it 1.96 standard errors to either
        side.

    Raises
    ------
    InputError
        If nothing is known of the line.

    Notes
    -----
    Along two axes that are uncorrelated each takes three values (mean, and 1.73 standard deviations to either
    side, with weights 2/3 and 1/6) [1]_. How the two errors go together is reckoned from the standard error
    of the slow pole; a measurement without one is given the usual correlation (`usual_correlation`), and 2 %
    for its slow pole.

    References
    ----------
    .. [1] Julier SJ, Uhlmann JK. Unscented filtering and nonlinear estimation. Proc IEEE 2004;92:401-422
       (the three points; quoted from memory).
    """
    if not np.isfinite(dynamics.natural_frequency_hz) or not np.isfinite(dynamics.damping_ratio):
        raise InputError("line: nothing is known of its dynamic response; measure a flush first")
    errors_known = np.isfinite(dynamics.natural_frequency_hz_se) and np.isfinite(dynamics.damping_ratio_se)
    if dynamics.resolved and errors_known:
        return _about(dynamics, dynamics.natural_frequency_hz_se, dynamics.damping_ratio_se)
    spread = None if dynamics.disagree else _as_errors(dynamics)
    if spread is None:
        return Likely(_within(dynamics), None)
    if np.isfinite(dynamics.slow_pole_s):
        # What is known best decides: the frequency that has this pole at this damping.
        hz = slow_pole(1.0, dynamics.damping_ratio) / dynamics.slow_pole_s
        hz = float(np.clip(hz, dynamics.natural_frequency_hz_low, dynamics.natural_frequency_hz_high))
        dynamics = dataclasses.replace(dynamics, natural_frequency_hz=hz)
    return _about(dynamics, *spread)


def _as_errors(dynamics: Dynamics) -> tuple[float, float] | None:
    """Standard errors that narrow bounds of both parameters stand for; None where they are wide or open."""
    out = []
    for name in ("natural_frequency_hz", "damping_ratio"):
        best, low, high = (getattr(dynamics, f"{name}{end}") for end in ("", "_low", "_high"))
        if not 0 < low <= best <= high < _NARROW * low:
            return None
        out.append(best * float(np.log(max(high / best, best / low))) / _REACH)
    return out[0], out[1]


def _said(dynamics: Dynamics, name: str) -> float:
    """What a measurement says beyond the least; NaN where it does not."""
    return float(getattr(dynamics, name, np.nan))


def _about(dynamics: Dynamics, hz_se: float, damping_se: float) -> Likely:
    """Nine lines about the measured one, that one first, and their weights."""
    hz, z = dynamics.natural_frequency_hz, dynamics.damping_ratio
    hz_sd, z_sd = hz_se / hz, damping_se / z
    correlation = _correlation(dynamics, hz_sd, z_sd)
    point = np.sqrt(3.0) * np.array([0.0, -1.0, 1.0])
    first, second = (axis.ravel() for axis in np.meshgrid(point, point, indexing="ij"))
    other = correlation * first + np.sqrt(max(1.0 - correlation**2, 0.0)) * second
    one = np.array([2.0 / 3.0, 1.0 / 6.0, 1.0 / 6.0])
    lines = np.column_stack([hz * np.exp(hz_sd * first), z * np.exp(z_sd * other)])
    return Likely(lines, np.outer(one, one).ravel())


def _correlation(dynamics: Dynamics, hz_sd: float, z_sd: float) -> float:
    """Correlation of the errors of both logarithms: as said, as the slow pole's error tells, or the usual."""
    hz, z = dynamics.natural_frequency_hz, dynamics.damping_ratio
    said, pole_se = _said(dynamics, "correlation"), _said(dynamics, "slow_pole_s_se")
    if np.isfinite(said):
        return float(np.clip(said, -_FIRMEST, _FIRMEST))
    if np.isfinite(pole_se) and dynamics.slow_pole_s > 0 and min(hz_sd, z_sd) > 0:
        d = 1e-3
        by_damping = np.log(slow_pole(hz, z * np.exp(d)) / slow_pole(hz, z * np.exp(-d))) / (2 * d)
        apart = hz_sd**2 + (by_damping * z_sd) ** 2 - (pole_se / dynamics.slow_pole_s) ** 2
        return float(np.clip(apart / (2 * by_damping * hz_sd * z_sd), -_FIRMEST, _FIRMEST))
    return usual_correlation(hz, z)


@lru_cache(maxsize=64)
def _correlation_at(hz: float, damping: float) -> float:
    """Correlation of the errors of both logarithms that the samples of one whole flush leave."""
    t = np.arange(0.0, _USUAL_S, 1.0 / _USUAL_HZ)
    d = 1e-3

    def change(in_hz: float, in_damping: float) -> Float:
        ends = (
            free_response(t, hz * np.exp(s * in_hz), damping * np.exp(s * in_damping), 1.0, 0.0)
            for s in (d, -d)
        )
        return np.asarray(next(ends) - next(ends))

    size = free_response(t, hz, damping, 1.0, 0.0)
    # Size of the fall, level and drift of the pressure below are as unknown as the line.
    columns = np.column_stack([change(1.0, 0.0), change(0.0, 1.0), size, np.ones(t.size), t])
    covariance = np.linalg.pinv(columns.T @ columns, rcond=1e-14)
    return float(covariance[0, 1] / np.sqrt(covariance[0, 0] * covariance[1, 1]))


def usual_correlation(frequency_hz: float, damping: float) -> float:
    """
    How the errors of natural frequency and damping go together when a flush is fitted.

    Parameters
    ----------
    frequency_hz, damping : float
        The line [Hz, ratio].

    Returns
    -------
    float
        Correlation of the errors of both logarithms, by the information (Cramer and Rao) in samples with
        white noise: about 0.2 at a damping ratio of 0.1, 0.87 at 0.9 and 0.96 at 1.3.
    """
    hz, z = (float(np.clip(x, *ends)) for x, ends in ((frequency_hz, (3, 80)), (damping, (0.03, 3))))
    return _correlation_at(round(hz, 1), round(z, 2))


def _within(dynamics: Dynamics) -> Float:
    """Lines spread over the bounds of one that is not resolved."""
    low, high, z_low, z_high = _WIDEST
    hz = (max(low, dynamics.natural_frequency_hz_low), min(high, dynamics.natural_frequency_hz_high))
    damping = (max(z_low, dynamics.damping_ratio_low), min(z_high, dynamics.damping_ratio_high))
    # Bounds beyond the widest grid: the line lies at its edge for all that matters.
    hz = (min(hz[0], high), max(min(hz[0], high), hz[1]))
    damping = (min(damping[0], z_high), max(min(damping[0], z_high), damping[1]))
    z = np.geomspace(*damping, _SIDE)
    if np.isfinite(dynamics.slow_pole_s):
        # Only pairs of that time constant fit the flush; it is inverse to frequency.
        se = _said(dynamics, "slow_pole_s_se") / dynamics.slow_pole_s
        reach = 1.96 * (se if np.isfinite(se) else _POLE_KNOWN_TO)
        one = np.array([slow_pole(1.0, float(v)) for v in z]) / dynamics.slow_pole_s
        along = one[None, :] * np.exp(reach * np.array([-1.0, 0.0, 1.0]))[:, None]
        return np.column_stack([np.clip(along, *hz).ravel(), np.tile(z, 3)])
    grid = np.meshgrid(np.geomspace(*hz, _SIDE), z, indexing="ij")
    return np.column_stack([g.ravel() for g in grid])
