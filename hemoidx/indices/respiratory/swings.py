"""Swings over breaths: extremes of the beats of each breath, how much of a swing they show, its noise."""

from __future__ import annotations

from math import erf
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ...errors import InputError

Float = NDArray[np.float64]

LEAST_BEATS_OF_BREATH = 2
"""Beats without which a breath has no swing."""


class Extremes(NamedTuple):
    """Lowest and highest value of the beats of each breath, and the number of beats; NaN where unknown."""

    low: Float
    high: Float
    beats: NDArray[np.intp]


def extremes(values: ArrayLike, breath_of_beat: ArrayLike, n_breaths: int) -> Extremes:
    """
    Lowest and highest value over the beats of each breath.

    Parameters
    ----------
    values : array_like, shape (n_beats,)
        One value for each beat, in the order of time.
    breath_of_beat : array_like of int, shape (n_beats,)
        Breath of each beat, 0 to `n_breaths` - 1, never falling; negative for a beat in no breath.
    n_breaths : int
        Number of breaths.

    Returns
    -------
    Extremes
        Arrays of shape (n_breaths,). NaN where a beat of the breath has no value, since the missing one may
        be the extreme, and where a breath holds fewer than two beats.

    Raises
    ------
    InputError
        If the shapes differ, or breaths are out of order or range.

    Examples
    --------
    >>> low, high, beats = extremes([60.0, 40.0, 50.0, 55.0], [0, 0, 0, -1], 1)
    >>> low.tolist(), high.tolist(), beats.tolist()
    ([40.0], [60.0], [3])
    """
    value = np.asarray(values, dtype=np.float64)
    breath = np.asarray(breath_of_beat)
    if value.shape != breath.shape or value.ndim != 1:
        raise InputError(
            f"breaths: need one breath for each beat, got shapes {value.shape} and {breath.shape}"
        )
    inside = breath >= 0
    value, breath = value[inside], breath[inside].astype(np.intp)
    if breath.size and (np.any(np.diff(breath) < 0) or breath[-1] >= n_breaths):
        raise InputError(f"breaths: numbers of breaths must not fall and lie below {n_breaths}")
    low, high = np.full(n_breaths, np.nan), np.full(n_breaths, np.nan)
    count = np.bincount(breath, minlength=n_breaths)
    if breath.size:
        first = np.flatnonzero(np.diff(breath, prepend=-1))
        row = breath[first]
        # Both pass NaN on, so that one missing beat leaves its breath out.
        low[row] = np.minimum.reduceat(value, first)
        high[row] = np.maximum.reduceat(value, first)
        few = count < LEAST_BEATS_OF_BREATH
        low[few] = high[few] = np.nan
    return Extremes(low, high, count)


def swing(values: ArrayLike, breath_of_beat: ArrayLike, n_breaths: int) -> Float:
    """
    Highest less lowest value over the beats of each breath.

    Parameters
    ----------
    values, breath_of_beat, n_breaths
        As in `extremes`.

    Returns
    -------
    ndarray, shape (n_breaths,)
        The swing, in the unit of the values.

    Raises
    ------
    InputError
        As in `extremes`.

    Examples
    --------
    >>> swing([113.0, 120.0, 128.0], [0, 0, 0], 1)
    array([15.])
    """
    low, high, _ = extremes(values, breath_of_beat, n_breaths)
    return high - low


def relative_swing(
    values: ArrayLike, breath_of_beat: ArrayLike, n_breaths: int, over: str = "extremes"
) -> Float:
    """
    Highest less lowest value over the beats of each breath, as a percentage of their mean.

    Parameters
    ----------
    values, breath_of_beat, n_breaths
        As in `extremes`; values above zero.
    over : str
        What it is divided by: the mean of the two "extremes", as first published, or the mean of "all" beats
        of the breath, as some authors do.

    Returns
    -------
    ndarray, shape (n_breaths,)
        Relative swing [%]. NaN where the mean is not above zero.

    Raises
    ------
    InputError
        As in `extremes`, and if `over` is another word.

    Notes
    -----
    ``100 (max - min) / ((max + min) / 2)``. A factor common to all beats cancels, an offset does not.

    References
    ----------
    .. [1] Michard F, Boussat S, Chemla D, et al. Relation between respiratory changes in arterial pulse
       pressure and fluid responsiveness in septic patients with acute circulatory failure. Am J Respir Crit
       Care Med 2000;162:134-138.

    Examples
    --------
    >>> relative_swing([60.0, 50.0, 40.0], [0, 0, 0], 1)
    array([40.])
    """
    if over not in ("extremes", "all"):
        raise InputError(f"swing: over must be extremes or all, got {over!r}")
    low, high, count = extremes(values, breath_of_beat, n_breaths)
    if over == "extremes":
        mean = (high + low) / 2.0
    else:
        breath = np.asarray(breath_of_beat)
        inside = breath >= 0
        total = np.bincount(breath[inside], np.asarray(values, dtype=np.float64)[inside], minlength=n_breaths)
        mean = np.where(count > 0, total / np.maximum(count, 1), np.nan)
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.where(mean > 0, 100.0 * (high - low) / mean, np.nan)


class Capture(NamedTuple):
    """Share of a sinusoidal swing that the beats of one breath show, 0 to 1."""

    worst: Float
    mean: Float
    best: Float


def swing_capture(beats_per_breath: ArrayLike) -> Capture:
    """
    Share of a sinusoidal swing that evenly spaced beats show in one breath.

    Parameters
    ----------
    beats_per_breath : array_like
        Beats in a breath, two or more; worst and best hold for whole numbers, between them they are those of
        the whole number below.

    Returns
    -------
    Capture
        Worst, mean and best share over the phase of the beats; NaN below two beats.

    Notes
    -----
    The beat nearest to a crest lies, over all phases, evenly within half an interval of it: the mean share is
    ``sin(pi / N) / (pi / N)``. With an even number crest and trough are hit or missed together: ``cos(pi /
    N)`` at worst, 1 at best. With an odd number one is hit where the other is missed: ``cos(pi / 2N)`` at
    best, its square at worst. Geometry, no property of patients.

    Examples
    --------
    >>> [float(share.round(4)) for share in swing_capture(4)]
    [0.7071, 0.9003, 1.0]
    """
    n = np.asarray(beats_per_breath, dtype=np.float64)
    with np.errstate(invalid="ignore", divide="ignore"):
        known = n >= 2
        n = np.where(known, n, np.nan)
        whole = np.floor(n)
        even = whole % 2 == 0
        half = np.cos(np.pi / (2 * whole))
        worst = np.where(even, np.cos(np.pi / whole), half**2)
        best = np.where(even, 1.0, half)
        mean = np.sinc(1.0 / n)
    return Capture(*(np.where(known, np.maximum(share, 0.0), np.nan) for share in (worst, mean, best)))


def range_factor(n: ArrayLike) -> Float:
    """
    Expected range of N independent normal errors, in standard deviations.

    Parameters
    ----------
    n : array_like
        Number of errors, two or more; numbers between whole ones are interpolated by the formula.

    Returns
    -------
    ndarray
        The factor; NaN below two.

    Notes
    -----
    The integral of ``1 - F**N - (1 - F)**N`` over all errors, F being their distribution.

    References
    ----------
    .. [1] Tippett LHC. On the extreme individuals and the range of samples taken from a normal population.
       Biometrika 1925;17:364-387 (quoted from memory).

    Examples
    --------
    >>> float(range_factor(5).round(3))
    2.326
    """
    n = np.asarray(n, dtype=np.float64)
    # The curve is smooth: a table by tenths of a beat, linear between them, is right to four figures.
    tens = np.clip(np.nan_to_num(n, nan=2.0), 2.0, _MOST_BEATS) * 10.0 - 20.0
    return np.asarray(np.where(n >= 2, np.interp(tens, np.arange(_FACTORS.size), _FACTORS), np.nan))


def _factors(most: float) -> Float:
    x = np.linspace(-8.0, 8.0, 641)
    below = np.array([0.5 * (1.0 + erf(v / np.sqrt(2.0))) for v in x])
    n = np.arange(20, round(10 * most) + 1)[:, None] / 10.0
    return np.asarray((1.0 - below**n - (1.0 - below) ** n).sum(axis=1) * (x[1] - x[0]))


_MOST_BEATS = 40.0
_FACTORS = _factors(_MOST_BEATS)

FIT_SHARE = 17.0 / 35.0
"""Share of the variance of roundings that a parabola through five samples leaves in its middle."""
FINE_STEP, COARSE_STEP = 0.022, 0.044
"""
Steps, in shares of the pulse pressure, up to which the five samples about a crest are rounded each on its
own, and from which on all alike: read off the simulations named in `ppv_floor`.
"""


def ppv_floor(step: ArrayLike, pp: ArrayLike, beats_per_breath: ArrayLike, noise: ArrayLike = 0.0) -> Float:
    """
    What pulse pressure variation reads on average where breathing does nothing.

    Parameters
    ----------
    step : array_like
        Step of the recorder [mmHg].
    pp : array_like
        Pulse pressure [mmHg].
    beats_per_breath : array_like
        Beats in a breath.
    noise : array_like, optional
        Standard deviation of the pulse pressure from beat to beat for other reasons than breathing and
        rounding [mmHg].

    Returns
    -------
    ndarray
        Expected variation [%], by the formula for one breath; NaN below two beats or without pulse.

    Notes
    -----
    A range is never negative, so noise does not cancel: N independent errors spread over their standard
    deviation times `range_factor`. Pulse pressure is the difference of two levels, each read from a parabola
    through samples that were rounded by up to half a step: a standard deviation of ``step sqrt(2 / 12 *
    17 / 35) = 0.285 step`` with five samples, which is how many there are at 125 Hz. Measured on simulated
    recordings with a pulse of 45 mmHg: 0.34 steps at 125 Hz and 0.25 to 0.27 at 250 and 500 Hz for a step of
    1 mmHg. Coarse steps leave a crest on one step, so that nothing is averaged: ``step / sqrt(6) = 0.41
    step``, measured 0.40 to 0.43 for a step of 2 mmHg; a straight line joins the two. With a variation V the
    reading lies between V and V + floor on average, less what the beats miss of V (`swing_capture`).

    Examples
    --------
    >>> float(ppv_floor(1.0, 40.0, 5.0).round(2))
    1.77
    """
    step, pulse, noise = (np.asarray(v, dtype=np.float64) for v in (step, pp, noise))
    with np.errstate(invalid="ignore", divide="ignore"):
        alike = np.clip((step / pulse - FINE_STEP) / (COARSE_STEP - FINE_STEP), 0.0, 1.0)
        sd = np.sqrt(step**2 * (FIT_SHARE + (1.0 - FIT_SHARE) * alike) / 6.0 + noise**2)
        return np.where(pulse > 0, 100.0 * sd * range_factor(beats_per_breath) / pulse, np.nan)
