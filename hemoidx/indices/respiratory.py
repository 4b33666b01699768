"""Swings of pressure over a breath: pulse pressure, systolic, diastolic, mean; pulsus paradoxus."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ..errors import InputError
from ..facts import mask
from .index import Index, Range
from .pressure import diastolic_pressure, systolic_pressure
from .respiratory_rules import (
    MICHARD_2000,
    MISSING,
    PEREL_1987,
    PRELOAD_LIMITS,
    SWING_RULES,
)
from .rules import (
    CAUTION,
    CLIPPED,
    DYNAMIC_SHAPE,
    GAIN,
    REJECTED,
    SHAPE_RULES,
    STATIC_LINE,
    Rule,
    When,
    reject,
)
from .swings import relative_swing, swing
from .windows import covered

Float = NDArray[np.float64]
Int = NDArray[np.intp]
Wave = NDArray[np.floating]

FLOOR_CAUTION = 3.0
"""Reading without any variation [%] from which on a value asks for caution: our convention."""


def pulse_height(
    pressure: Wave, onset: ArrayLike, steepest: ArrayLike, peak: ArrayLike, end: ArrayLike, fs: float
) -> Float:
    """
    Height of the pulse in the units of the channel, whatever they are.

    Parameters
    ----------
    pressure : ndarray, shape (n_samples,)
        The wave, evenly sampled [mmHg, or any other unit].
    onset, steepest, peak, end : array_like, shape (n_beats,)
        Landmarks [samples].
    fs : float
        Sampling rate [Hz].

    Returns
    -------
    ndarray, shape (n_beats,)
        Highest less lowest pressure of the beat, as `hemoidx.indices.pressure` reads them. NaN where a
        landmark is unknown or a sample is missing.

    Notes
    -----
    Equals pulse pressure where the channel is calibrated; where it is not, its relative swing still is that
    of pulse pressure, since an unknown gain cancels.
    """
    return systolic_pressure(pressure, peak, fs) - diastolic_pressure(pressure, onset, steepest, fs, end)


def regular_beats(facts: ArrayLike) -> NDArray[np.bool_]:
    """
    Beats that neither come early nor follow one that does.

    Parameters
    ----------
    facts : array_like of int, shape (n_beats,)
        Facts of the beats, in the order of time.

    Returns
    -------
    ndarray of bool, shape (n_beats,)
        False for an ectopic beat and for the one after it, which is stronger for its longer filling.

    Examples
    --------
    >>> regular_beats([0, 2, 0, 0]).tolist()
    [True, False, False, True]
    """
    early = (np.asarray(facts, dtype=np.int64) & mask("ectopic")) != 0
    return np.asarray(~(early | np.concatenate([[False], early[:-1]])[: early.size]))


def uncovered_share(
    start_s: ArrayLike, end_s: ArrayLike, onset_s: ArrayLike, stop_s: ArrayLike, facts: ArrayLike
) -> Float:
    """
    Share of each breath's time that no sound beat covers.

    Parameters
    ----------
    start_s, end_s : array_like, shape (n_breaths,)
        Start and end of the breaths [s].
    onset_s, stop_s : array_like, shape (n_beats,)
        Start of the beats, and of the beat that follows [s]; NaN where the beat does not run to a next one.
    facts : array_like of int, shape (n_beats,)
        Facts of the beats.

    Returns
    -------
    ndarray, shape (n_breaths,)
        Share, 0 to 1. Above zero where a beat is missing or unknown in its length, comes early, or follows
        one that does (`regular_beats`); beats on either edge count with their share.

    Examples
    --------
    >>> uncovered_share([0.0], [4.0], [0.0, 1.0, 3.0], [1.0, 2.0, 4.0], [0, 0, 0])
    array([0.25])
    """
    start, end, onset, stop = (np.asarray(v, dtype=np.float64) for v in (start_s, end_s, onset_s, stop_s))
    sound = np.isfinite(onset) & np.isfinite(stop) & regular_beats(facts)
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.clip(1.0 - covered(start, end, onset[sound], stop[sound]) / (end - start), 0.0, 1.0)


def pulsus_paradoxus(
    sbp: ArrayLike,
    onset_s: ArrayLike,
    breath_of_beat: ArrayLike,
    inspiration_end_s: ArrayLike,
    n_breaths: int,
) -> Float:
    """
    Fall of systolic pressure in inspiration.

    Parameters
    ----------
    sbp : array_like, shape (n_beats,)
        Systolic pressure [mmHg].
    onset_s : array_like, shape (n_beats,)
        Start of the beats [s].
    breath_of_beat : array_like of int, shape (n_beats,)
        Breath of each beat, never falling; negative for none. A breath begins with inspiration.
    inspiration_end_s : array_like, shape (n_breaths,)
        End of inspiration [s].
    n_breaths : int
        Number of breaths.

    Returns
    -------
    ndarray, shape (n_breaths,)
        Highest systolic pressure of the beats that begin in expiration, less the lowest of those that begin
        in inspiration [mmHg]. Negative where pressure stands higher all through inspiration, as it does under
        positive pressure. NaN where the end of inspiration or a beat is unknown, or either part holds no
        beat.

    Raises
    ------
    InputError
        If shapes do not fit or breaths are out of order.

    References
    ----------
    .. [1] Harrison's Principles of Internal Medicine, chapter on the physical examination of the
       cardiovascular system (definition; seen on study cards built on it).

    Examples
    --------
    >>> pulsus_paradoxus([104.0, 110.0, 118.0], [0.0, 1.0, 2.0], [0, 0, 0], [1.5], 1)
    array([14.])
    """
    value, onset = np.asarray(sbp, dtype=np.float64), np.asarray(onset_s, dtype=np.float64)
    breath, turn = np.asarray(breath_of_beat), np.asarray(inspiration_end_s, dtype=np.float64)
    if not value.shape == onset.shape == breath.shape:
        raise InputError(
            f"pulsus paradoxus: need one time and one breath for each beat, got shapes {value.shape}, "
            f"{onset.shape} and {breath.shape}"
        )
    # With the two parts of each breath numbered one after the other, they are breaths of their own.
    at = np.append(turn, np.nan)[breath]
    half = np.where((breath >= 0) & np.isfinite(at), 2 * breath + (onset >= at), -1)
    known = np.isin(np.arange(n_breaths), breath[half >= 0])
    parts = np.zeros((2, n_breaths))
    for part, reduce in ((0, np.minimum), (1, np.maximum)):
        chosen = half % 2 == part
        chosen &= half >= 0
        parts[part] = np.inf if part == 0 else -np.inf
        reduce.at(parts[part], breath[chosen], value[chosen])
    fall = parts[1] - parts[0]
    return np.where(known & np.isfinite(fall), fall, np.nan)


_BREATHS = ("breath_of_beat", "n_breaths")

PULSE_HEIGHT = Index(
    name="pulse_height",
    title="Height of the pulse in the units of the channel",
    unit="1",
    level="beat",
    formula="highest less lowest pressure of the beat; equals pp where the channel is calibrated",
    inputs=("pressure", "onset", "steepest", "peak", "end", "fs"),
    function=pulse_height,
    sources=("common practice, no source: a relative swing does not need a calibration",),
    rules=SHAPE_RULES + CLIPPED + DYNAMIC_SHAPE,
    harmed_by=("gain", "line"),
    window="none",
    readings=2**0.5,
    shared_inputs=("pp", "sbp", "dbp"),
    family="respiratory",
)

UNCOVERED_SHARE = Index(
    name="uncovered_share",
    title="Share of the breath without sound beats",
    unit="1",
    level="breath",
    formula="share of the breath's time outside beats that run to a next one, do not come early and do not "
    "follow one that does",
    inputs=("start_s", "end_s", "beats.onset_s", "beats.end_s", "beats.facts"),
    function=uncovered_share,
    sources=("our convention",),
    window="none",
    family="respiratory",
)

PPV = Index(
    name="ppv",
    title="Pulse pressure variation",
    unit="%",
    level="breath",
    formula="100 (PPmax - PPmin) / ((PPmax + PPmin) / 2) over the beats of a complete breath; of a window, "
    "the mean over at least three breaths",
    inputs=("beats.pulse_height", *_BREATHS),
    function=relative_swing,
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
    function=swing,
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
    function=relative_swing,
    sources=(MICHARD_2000,),
    rules=SWING_RULES + STATIC_LINE + DYNAMIC_SHAPE,
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
    function=swing,
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
    function=swing,
    sources=("common practice, no source: the form of spv, on the mean pressure of each beat",),
    rules=SWING_RULES + GAIN,
    harmed_by=("gain",),
    shared_inputs=("dbp_swing", "spv"),
    family="respiratory",
    missing=MISSING,
)

PULSUS_PARADOXUS = Index(
    name="pulsus_paradoxus",
    title="Inspiratory fall of systolic pressure",
    unit="mmHg",
    level="breath",
    formula="highest SBP of beats that begin in expiration - lowest SBP of beats that begin in inspiration",
    inputs=("beats.sbp", "beats.onset_s", "breath_of_beat", "inspiration_end_s", "n_breaths"),
    function=pulsus_paradoxus,
    sources=(
        "Harrison's Principles of Internal Medicine, chapter on the physical examination of the "
        "cardiovascular system (seen on study cards built on it)",
    ),
    rules=(
        *SWING_RULES,
        *reject("breathing_from_pressure"),
        Rule(
            REJECTED,
            When(
                column="context.breathing",
                one_of=("controlled_no_effort", "assisted", "unknown", "None"),
                tables=("breaths", "windows"),
            ),
            "it is defined for breathing that is documented as spontaneous; positive pressure turns the sign",
        ),
        *GAIN,
        *DYNAMIC_SHAPE,
    ),
    harmed_by=("gain", "line"),
    shared_inputs=("spv",),
    published_range=Range(
        0.0,
        5.0,
        "quiet spontaneous breathing; other texts print 6 or 10 mmHg",
        "Michard F. Changes in arterial pressure during mechanical ventilation. Anesthesiology "
        "2005;103:419-428",
    ),
    family="respiratory",
    missing="the end of inspiration is not known, or inspiration or expiration holds no usable beat",
)

INDICES = (
    PULSE_HEIGHT,
    UNCOVERED_SHARE,
    PPV,
    SPV,
    SPV_PERCENT,
    DBP_SWING,
    MBP_SWING,
    PULSUS_PARADOXUS,
)
