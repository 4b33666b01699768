"""Run-off: what pressure does between the notch and the next beat."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ...samples import Float, integral
from ..index import Index, Range
from ..limits import NO_PUMP, supported
from ..rules import (
    CAUTION,
    DYNAMIC_SHAPE,
    GAIN,
    PRESSURE_RULES,
    SHAPE_RULES,
    STATIC_LINE,
    Limit,
    Rule,
    When,
    caution,
    reject,
)

Wave = NDArray[np.floating]

#: The decay is read in the last two thirds of diastole, and not within this time of the notch [s] ...
AFTER_NOTCH_S = 0.05
#: ... up to this time before the next foot [s], which lies behind the trough.
BEFORE_FOOT_S = 0.03
#: A diastole shorter than this [s] shows too little of a decay.
LEAST_DIASTOLE_S = 0.35
#: Least fall between the first and the last third of the decay [mmHg]: below it noise and ripple decide.
LEAST_FALL_MMHG = 2.0

_WESTERHOF = (
    "Westerhof N, Lankhaar JW, Westerhof BE. The arterial windkessel. Med Biol Eng Comput 2009;47:131-141. "
    "doi:10.1007/s11517-008-0359-2"
)
_CLASSIC = (
    "Chemla D, Lau EMT, Herve P, et al. Influence of critical closing pressure on systemic vascular "
    "resistance and total arterial compliance: a clinical invasive study. Arch Cardiovasc Dis "
    "2017;110:659-666. doi:10.1016/j.acvd.2017.03.008 (abstract)"
)


def decay_window(notch: ArrayLike, end: ArrayLike, fs: float) -> tuple[Float, Float]:
    """
    Stretch of each beat in which pressure decays.

    Parameters
    ----------
    notch, end : array_like, shape (n_beats,)
        Notch and next foot [samples].
    fs : float
        Sampling rate [Hz].

    Returns
    -------
    start, stop : ndarray, shape (n_beats,)
        The last two thirds of diastole, from 50 ms after the notch at the earliest to 30 ms before the next
        foot [samples]; NaN where a landmark is unknown or diastole is shorter than 0.35 s.
    """
    a, b = np.asarray(notch, dtype=np.float64), np.asarray(end, dtype=np.float64)
    with np.errstate(invalid="ignore"):
        length = np.where(b - a >= LEAST_DIASTOLE_S * fs, b - a, np.nan)
    return a + np.maximum(AFTER_NOTCH_S * fs, length / 3.0), b - BEFORE_FOOT_S * fs + 0.0 * length


def runoff_time(notch: ArrayLike, end: ArrayLike, fs: float) -> Float:
    """
    Length of the stretch in which the decay is read, see `decay_window`.

    Parameters
    ----------
    notch, end : array_like, shape (n_beats,)
        Notch and next foot [samples].
    fs : float
        Sampling rate [Hz].

    Returns
    -------
    ndarray, shape (n_beats,)
        [s].

    References
    ----------
    .. [1] Our convention, after windows in use (from the steepest fall on; from 50 ms after the notch).

    Examples
    --------
    >>> runoff_time([30.0], [90.0], fs=100.0)
    array([0.37])
    """
    start, stop = decay_window(notch, end, fs)
    return (stop - start) / fs


def _third(pressure: Wave, notch: ArrayLike, end: ArrayLike, fs: float, number: int) -> Float:
    start, stop = decay_window(notch, end, fs)
    length = (stop - start) / 3.0
    first = start + number * length
    return integral(pressure, first, first + length) / length


def runoff_early(pressure: Wave, notch: ArrayLike, end: ArrayLike, fs: float) -> Float:
    """
    Mean pressure in the first third of the decay, see `decay_window`.

    Parameters
    ----------
    pressure : ndarray, shape (n_samples,)
        Arterial pressure, evenly sampled [mmHg].
    notch, end : array_like, shape (n_beats,)
        Notch and next foot [samples].
    fs : float
        Sampling rate [Hz].

    Returns
    -------
    ndarray, shape (n_beats,)
        [mmHg]; NaN where the decay is too short or samples are missing.

    Notes
    -----
    Means over equal lengths of an exponential stand to each other as single values at their distance do,
    whatever their length: three of them hold all that a decay tells, with the noise averaged out.

    References
    ----------
    .. [1] Our convention; arithmetic.
    """
    return _third(pressure, notch, end, fs, 0)


def runoff_middle(pressure: Wave, notch: ArrayLike, end: ArrayLike, fs: float) -> Float:
    """
    Mean pressure in the second third of the decay, see `decay_window`.

    Parameters
    ----------
    pressure, notch, end, fs
        As for `runoff_early`.

    Returns
    -------
    ndarray, shape (n_beats,)
        [mmHg]; NaN where the decay is too short or samples are missing.

    References
    ----------
    .. [1] As `runoff_early`.
    """
    return _third(pressure, notch, end, fs, 1)


def runoff_late(pressure: Wave, notch: ArrayLike, end: ArrayLike, fs: float) -> Float:
    """
    Mean pressure in the last third of the decay, see `decay_window`.

    Parameters
    ----------
    pressure, notch, end, fs
        As for `runoff_early`.

    Returns
    -------
    ndarray, shape (n_beats,)
        [mmHg]; NaN where the decay is too short or samples are missing.

    References
    ----------
    .. [1] As `runoff_early`.
    """
    return _third(pressure, notch, end, fs, 2)


def tau(runoff_early: ArrayLike, runoff_late: ArrayLike, runoff_time: ArrayLike) -> Float:
    """
    Time constant of the diastolic decay, if pressure decays to zero.

    Parameters
    ----------
    runoff_early, runoff_late : array_like, shape (n_beats,)
        Mean pressure in the first and last third of the decay [mmHg].
    runoff_time : array_like, shape (n_beats,)
        Length of the decay [s].

    Returns
    -------
    ndarray, shape (n_beats,)
        [s]; NaN where pressure falls by less than 2 mmHg between the thirds.

    Notes
    -----
    P = A exp(-t / tau). The straight line fitted by least squares to the logarithms of the means of three
    equal parts: the middle one drops out of its slope, and tau = (2/3) time / ln(early / late), exact for an
    exponential. If the true decay ends above zero the value is too large, and grows with the length of
    diastole.

    References
    ----------
    .. [1] Westerhof N, Lankhaar JW, Westerhof BE. Med Biol Eng Comput 2009;47:131-141 (tau = R C).

    Examples
    --------
    >>> tau([100.0 * np.exp(-0.1)], [100.0 * np.exp(-0.3)], [0.3]).round(6)
    array([1.])
    """
    early, late = np.asarray(runoff_early, dtype=np.float64), np.asarray(runoff_late, dtype=np.float64)
    falls = (early - late >= LEAST_FALL_MMHG) & (late > 0.0)
    ratio = np.where(falls, early, np.nan) / np.where(falls, late, np.nan)
    return np.asarray(2.0 / 3.0 * np.asarray(runoff_time, dtype=np.float64) / np.log(ratio))


#: A clipped crest says nothing about diastole, but the rail may be the lower one.
LOWER_RAIL = (
    *caution("saturated", tables=("beats",)),
    Rule(
        CAUTION,
        When(column="clipped_share", above=0.0, tables=("windows", "record")),
        "the recorder clipped some beats at its rail: if that is the lower one, diastole is cut off",
    ),
)
_DIASTOLE = reject("no_notch", "end_unknown")
_MISSING = "it has no notch, its diastole is shorter than 0.35 s, or pressure falls by less than 2 mmHg in it"
_CONVENTION = (
    "our convention, after windows in use (from the steepest fall, or from 50 ms after the notch)",
)

RUNOFF_TIME = Index(
    name="runoff_time",
    title="Length of the stretch in which the decay is read",
    unit="s",
    level="beat",
    family="runoff",
    formula=(
        "last two thirds of diastole, from 50 ms after the notch at the earliest to 30 ms before the next "
        "foot"
    ),
    inputs=("notch", "end", "fs"),
    function=runoff_time,
    sources=_CONVENTION,
    rules=SHAPE_RULES + _DIASTOLE + DYNAMIC_SHAPE + NO_PUMP,
    harmed_by=("line",),
    column="runoff_time_s",
    window="none",
    inner=True,
    missing="its diastole is shorter than 0.35 s",
)


def _third_entry(part: str, words: str, function: Callable[..., Float]) -> Index:
    return Index(
        name=f"runoff_{part}",
        title=f"Mean pressure in the {words} third of the decay",
        unit="mmHg",
        level="beat",
        family="runoff",
        formula=f"time average over the {words} third of the stretch of runoff_time",
        inputs=("pressure", "notch", "end", "fs"),
        function=function,
        sources=_CONVENTION,
        rules=PRESSURE_RULES + LOWER_RAIL + _DIASTOLE + STATIC_LINE + DYNAMIC_SHAPE + NO_PUMP,
        harmed_by=("offset", "gain", "line"),
        window="none",
        inner=True,
        missing="its diastole is shorter than 0.35 s",
    )


RUNOFF_EARLY = _third_entry("early", "first", runoff_early)
RUNOFF_MIDDLE = _third_entry("middle", "second", runoff_middle)
RUNOFF_LATE = _third_entry("late", "last", runoff_late)

TAU = Index(
    name="tau",
    title="Time constant of the diastolic decay to zero",
    unit="s",
    level="beat",
    family="runoff",
    formula="(2/3) runoff_time / ln(runoff_early / runoff_late): P = A exp(-t / tau)",
    inputs=("runoff_early", "runoff_late", "runoff_time"),
    function=tau,
    sources=(_WESTERHOF, _CLASSIC),
    # The gain cancels in the ratio, the offset does not.
    rules=(
        *PRESSURE_RULES,
        *LOWER_RAIL,
        *_DIASTOLE,
        *(rule for rule in STATIC_LINE if rule not in GAIN),
        *DYNAMIC_SHAPE,
        *NO_PUMP,
        Rule(
            CAUTION,
            When(facts=("irregular_rhythm", "ectopic")),
            "with the asymptote held at zero the value grows with the length of diastole, which varies here",
        ),
    ),
    harmed_by=("offset", "line"),
    limits=(
        Limit(
            "resistance times compliance",
            "reads high",
            "pressure does not decay to zero: with the asymptote fitted too, the published time constant "
            "is a third of this one (tau_free)",
            source=f"{_CLASSIC}; Artery Res 2018, abstract P11, doi:10.1016/j.artres.2018.10.064",
        ),
        *supported("resistance times compliance"),
    ),
    column="tau_s",
    missing=_MISSING,
    published_range=Range(
        1.064, 1.680, "aorta, 16 people, high-fidelity catheter, mean and one standard deviation", _CLASSIC
    ),
)

INDICES = (RUNOFF_TIME, RUNOFF_EARLY, RUNOFF_MIDDLE, RUNOFF_LATE, TAU)
