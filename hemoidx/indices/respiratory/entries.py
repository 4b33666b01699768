"""Swings of pressure over a breath: pulse pressure, systolic, diastolic, mean."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ..index import Index, Range
from ..rules import CAUTION, CLIPPED, DYNAMIC_SHAPE, GAIN, SHAPE_RULES, Rule, When
from .breath_rules import (
    MICHARD_2000,
    MISSING,
    OFFSET_RULES,
    PEREL_1987,
    PRELOAD_LIMITS,
    SWING_RULES,
)
from .swings import relative_swing, swing

Float = NDArray[np.float64]

FLOOR_CAUTION = 3.0
"""Reading without any variation [%] from which on a value asks for caution: our convention."""


def ppv(pulse_height: ArrayLike, breath_of_beat: ArrayLike, n_breaths: int) -> Float:
    """
    Pulse pressure variation of each breath.

    Parameters
    ----------
    pulse_height : array_like, shape (n_beats,)
        Height of the pulse [mmHg, or any unit].
    breath_of_beat : array_like of int, shape (n_beats,)
        Breath of each beat, never falling; negative for none.
    n_breaths : int
        Number of breaths.

    Returns
    -------
    ndarray, shape (n_breaths,)
        ``100 (max - min) / ((max + min) / 2)`` over the beats of the breath [%]. NaN where a beat has no
        value or a breath holds fewer than two.

    Raises
    ------
    InputError
        If shapes do not fit or breaths are out of order.

    References
    ----------
    .. [1] Michard F, Boussat S, Chemla D, et al. Relation between respiratory changes in arterial pulse
       pressure and fluid responsiveness in septic patients with acute circulatory failure. Am J Respir Crit
       Care Med 2000;162:134-138.

    Examples
    --------
    >>> ppv([60.0, 50.0, 40.0], [0, 0, 0], 1)
    array([40.])
    """
    return relative_swing(pulse_height, breath_of_beat, n_breaths)


def spv(sbp: ArrayLike, breath_of_beat: ArrayLike, n_breaths: int) -> Float:
    """
    Systolic pressure variation of each breath.

    Parameters
    ----------
    sbp : array_like, shape (n_beats,)
        Systolic pressure [mmHg].
    breath_of_beat : array_like of int, shape (n_beats,)
        Breath of each beat, never falling; negative for none.
    n_breaths : int
        Number of breaths.

    Returns
    -------
    ndarray, shape (n_breaths,)
        Highest less lowest over the beats of the breath [mmHg]. NaN where a beat has no
        value or a breath holds fewer than two.

    Raises
    ------
    InputError
        If shapes do not fit or breaths are out of order.

    References
    ----------
    .. [1] Perel A, Pizov R, Cotev S. Systolic blood pressure variation is a sensitive indicator of
       hypovolemia in ventilated dogs subjected to graded hemorrhage. Anesthesiology 1987;67:498-502.

    Examples
    --------
    >>> spv([113.0, 120.0, 128.0], [0, 0, 0], 1)
    array([15.])
    """
    return swing(sbp, breath_of_beat, n_breaths)


def spv_percent(sbp: ArrayLike, breath_of_beat: ArrayLike, n_breaths: int) -> Float:
    """
    Systolic pressure variation of each breath, relative to the mean of its extremes.

    Parameters
    ----------
    sbp : array_like, shape (n_beats,)
        Systolic pressure [mmHg].
    breath_of_beat : array_like of int, shape (n_beats,)
        Breath of each beat, never falling; negative for none.
    n_breaths : int
        Number of breaths.

    Returns
    -------
    ndarray, shape (n_breaths,)
        ``100 (max - min) / ((max + min) / 2)`` over the beats of the breath [%]. NaN where a beat has no
        value or a breath holds fewer than two.

    Raises
    ------
    InputError
        If shapes do not fit or breaths are out of order.

    References
    ----------
    .. [1] Michard F, Boussat S, Chemla D, et al. Relation between respiratory changes in arterial pulse
       pressure and fluid responsiveness in septic patients with acute circulatory failure. Am J Respir Crit
       Care Med 2000;162:134-138.
    """
    return relative_swing(sbp, breath_of_beat, n_breaths)


def dbp_swing(dbp: ArrayLike, breath_of_beat: ArrayLike, n_breaths: int) -> Float:
    """
    Swing of diastolic pressure over each breath.

    Parameters
    ----------
    dbp : array_like, shape (n_beats,)
        Diastolic pressure [mmHg].
    breath_of_beat : array_like of int, shape (n_beats,)
        Breath of each beat, never falling; negative for none.
    n_breaths : int
        Number of breaths.

    Returns
    -------
    ndarray, shape (n_breaths,)
        Highest less lowest over the beats of the breath [mmHg]. NaN where a beat has no
        value or a breath holds fewer than two.

    Raises
    ------
    InputError
        If shapes do not fit or breaths are out of order.
    """
    return swing(dbp, breath_of_beat, n_breaths)


def mbp_swing(mbp: ArrayLike, breath_of_beat: ArrayLike, n_breaths: int) -> Float:
    """
    Swing of mean pressure over each breath.

    Parameters
    ----------
    mbp : array_like, shape (n_beats,)
        Mean pressure of the beats [mmHg].
    breath_of_beat : array_like of int, shape (n_beats,)
        Breath of each beat, never falling; negative for none.
    n_breaths : int
        Number of breaths.

    Returns
    -------
    ndarray, shape (n_breaths,)
        Highest less lowest over the beats of the breath [mmHg]. NaN where a beat has no
        value or a breath holds fewer than two.

    Raises
    ------
    InputError
        If shapes do not fit or breaths are out of order.
    """
    return swing(mbp, breath_of_beat, n_breaths)


_BREATHS = ("breath_of_beat", "n_breaths")

PPV = Index(
    name="ppv",
    title="Pulse pressure variation",
    unit="%",
    level="breath",
    formula="100 (PPmax - PPmin) / ((PPmax + PPmin) / 2) over the beats of a complete breath; of a window, "
    "the mean over at least three breaths",
    inputs=("beats.pulse_height", *_BREATHS),
    function=ppv,
    sources=(MICHARD_2000,),
    rules=(
        *SWING_RULES,
        *SHAPE_RULES,
        *CLIPPED,
        Rule(
            CAUTION,
            When(column="ppv_floor", above=FLOOR_CAUTION, tables=("windows",)),
            f"from the scatter of the beats alone it would read more than {FLOOR_CAUTION:g} %, without any "
            "variation by breathing",
        ),
        *DYNAMIC_SHAPE,
    ),
    limits=PRELOAD_LIMITS,
    harmed_by=("line",),
    shared_inputs=("ppv_robust", "spv"),
    published_range=Range(
        2.0,
        16.0,
        "2.5th to 97.5th percentile of 1,791 cases under anaesthesia",
        "Anesthesiology 2017;126:249 (abstract; authors not recorded)",
    ),
    family="respiratory",
    missing=MISSING,
)

SPV = Index(
    name="spv",
    title="Systolic pressure variation",
    unit="mmHg",
    level="breath",
    formula="SBPmax - SBPmin over the beats of a complete breath",
    inputs=("beats.sbp", *_BREATHS),
    function=spv,
    sources=(PEREL_1987,),
    rules=SWING_RULES + GAIN + DYNAMIC_SHAPE,
    limits=PRELOAD_LIMITS,
    harmed_by=("gain", "line"),
    shared_inputs=("spv_percent", "ppv"),
    family="respiratory",
    missing=MISSING,
)

SPV_PERCENT = Index(
    name="spv_percent",
    title="Systolic pressure variation in per cent",
    unit="%",
    level="breath",
    formula="100 (SBPmax - SBPmin) / ((SBPmax + SBPmin) / 2) over the beats of a complete breath",
    inputs=("beats.sbp", *_BREATHS),
    function=spv_percent,
    sources=(MICHARD_2000,),
    rules=SWING_RULES + OFFSET_RULES + DYNAMIC_SHAPE,
    limits=PRELOAD_LIMITS,
    harmed_by=("offset", "line"),
    shared_inputs=("spv", "ppv"),
    family="respiratory",
    missing=MISSING,
)

DBP_SWING = Index(
    name="dbp_swing",
    title="Respiratory swing of diastolic pressure",
    unit="mmHg",
    level="breath",
    formula="DBPmax - DBPmin over the beats of a complete breath",
    inputs=("beats.dbp", *_BREATHS),
    function=dbp_swing,
    sources=("common practice, no source: the form of spv, on diastolic pressure",),
    rules=SWING_RULES + GAIN + DYNAMIC_SHAPE,
    harmed_by=("gain", "line"),
    shared_inputs=("mbp_swing", "spv"),
    family="respiratory",
    missing=MISSING,
)

MBP_SWING = Index(
    name="mbp_swing",
    title="Respiratory swing of mean pressure",
    unit="mmHg",
    level="breath",
    formula="MBPmax - MBPmin over the beats of a complete breath",
    inputs=("beats.mbp", *_BREATHS),
    function=mbp_swing,
    sources=("common practice, no source: the form of spv, on the mean pressure of each beat",),
    rules=SWING_RULES + GAIN,
    harmed_by=("gain",),
    shared_inputs=("dbp_swing", "spv"),
    family="respiratory",
    missing=MISSING,
)

INDICES = (PPV, SPV, SPV_PERCENT, DBP_SWING, MBP_SWING)
