"""Parts of the swing of systolic pressure: above and below apnoea or the end of expiration."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ..index import Index
from ..rules import CAUTION, DYNAMIC_SHAPE, GAIN, Rule, When, reject
from .breath_rules import MISSING, PEREL_1987, PRELOAD_LIMITS, SWING_RULES
from .swings import extremes

Float = NDArray[np.float64]

APNOEA_HOLDS_S = 60.0
"""How far from a breath [s] an apnoea may lie to serve as its reference: our convention."""
APNOEA_BEATS = 3
"""Beats of an apnoea that make a reference: our convention; the first description held the breath for 5 s."""


def apnoea_reference(
    sbp: ArrayLike, onset_s: ArrayLike, apnoea: ArrayLike, start_s: ArrayLike, end_s: ArrayLike
) -> Float:
    """
    Systolic pressure of the apnoea nearest to each breath.

    Parameters
    ----------
    sbp : array_like, shape (n_beats,)
        Systolic pressure [mmHg]; NaN leaves a beat out.
    onset_s : array_like, shape (n_beats,)
        Start of the beats [s], increasing.
    apnoea : array_like, shape (n_beats,)
        1 for beats in a marked apnoea, else 0.
    start_s, end_s : array_like, shape (n_breaths,)
        Start and end of the breaths [s].

    Returns
    -------
    ndarray, shape (n_breaths,)
        Mean systolic pressure [mmHg] of the apnoea that ends last before the breath or begins first after
        it, whichever is nearer. NaN where none with at least three beats lies within 60 s, and for a breath
        that overlaps a marked apnoea.

    Examples
    --------
    >>> apnoea_reference([123.0, 124.0, 125.0, 128.0], [0.0, 1.0, 2.0, 3.0], [1, 1, 1, 0], [3.0], [4.0])
    array([124.])
    """
    value, onset = np.asarray(sbp, dtype=np.float64), np.asarray(onset_s, dtype=np.float64)
    start, end = np.asarray(start_s, dtype=np.float64), np.asarray(end_s, dtype=np.float64)
    held = np.asarray(apnoea) > 0
    edge = np.diff(held.astype(np.int8), prepend=0, append=0)
    first, after = np.flatnonzero(edge > 0), np.flatnonzero(edge < 0)
    if not first.size:
        return np.full(start.shape, np.nan)
    finite = np.isfinite(value)
    sums = np.concatenate([[0.0], np.cumsum(np.where(finite, value, 0.0))])
    counts = np.concatenate([[0], np.cumsum(finite)])
    beats = counts[after] - counts[first]
    mean = (sums[after] - sums[first]) / np.maximum(beats, 1)
    good = beats >= APNOEA_BEATS
    begins, ends = onset[first], onset[after - 1]
    overlaps = np.searchsorted(begins, end) > np.searchsorted(ends, start)
    begins, ends, mean = begins[good], ends[good], mean[good]
    before = np.searchsorted(ends, start) - 1
    behind = np.searchsorted(begins, end)
    to_before = np.where(before >= 0, start - np.append(ends, np.nan)[before], np.inf)
    to_behind = np.where(behind < begins.size, np.append(begins, np.nan)[behind] - end, np.inf)
    nearer = np.where(to_before <= to_behind, before, behind)
    near = np.minimum(to_before, to_behind) <= APNOEA_HOLDS_S
    return np.where(near & ~overlaps, np.append(mean, np.nan)[np.where(near, nearer, -1)], np.nan)


def end_expiratory(values: ArrayLike, breath_of_beat: ArrayLike, n_breaths: int) -> Float:
    """
    Value of the last beat of each breath, which begins with inspiration.

    Parameters
    ----------
    values : array_like, shape (n_beats,)
        One value for each beat.
    breath_of_beat : array_like of int, shape (n_beats,)
        Breath of each beat, never falling; negative for none.
    n_breaths : int
        Number of breaths.

    Returns
    -------
    ndarray, shape (n_breaths,)
        NaN where a breath holds no beat or its last one has no value.

    Examples
    --------
    >>> end_expiratory([128.0, 113.0, 124.0], [0, 0, 0], 1)
    array([124.])
    """
    breath = np.asarray(breath_of_beat)
    out = np.full(n_breaths, np.nan)
    inside = breath >= 0
    # Of several assignments to one place the last one stays.
    out[breath[inside]] = np.asarray(values, dtype=np.float64)[inside]
    return out


def upper_part(values: ArrayLike, breath_of_beat: ArrayLike, n_breaths: int, reference: ArrayLike) -> Float:
    """
    Highest value of each breath above a reference.

    Parameters
    ----------
    values, breath_of_beat, n_breaths
        As in `hemoidx.indices.respiratory.swings.extremes`.
    reference : array_like, shape (n_breaths,)
        Reference of each breath.

    Returns
    -------
    ndarray, shape (n_breaths,)
        Negative where the whole breath lies below the reference.

    Notes
    -----
    Upper and lower part add up to the swing, whatever the reference.

    References
    ----------
    .. [1] Perel A, Pizov R, Cotev S. Systolic blood pressure variation is a sensitive indicator of
       hypovolemia in ventilated dogs subjected to graded hemorrhage. Anesthesiology 1987;67:498-502.

    Examples
    --------
    >>> upper_part([128.0, 113.0], [0, 0], 1, [124.0])
    array([4.])
    """
    return extremes(values, breath_of_beat, n_breaths).high - np.asarray(reference, dtype=np.float64)


def lower_part(values: ArrayLike, breath_of_beat: ArrayLike, n_breaths: int, reference: ArrayLike) -> Float:
    """
    Lowest value of each breath below a reference.

    Parameters
    ----------
    values, breath_of_beat, n_breaths, reference
        As in `upper_part`.

    Returns
    -------
    ndarray, shape (n_breaths,)
        Negative where the whole breath lies above the reference.

    References
    ----------
    .. [1] Perel A, Pizov R, Cotev S. Systolic blood pressure variation is a sensitive indicator of
       hypovolemia in ventilated dogs subjected to graded hemorrhage. Anesthesiology 1987;67:498-502.

    Examples
    --------
    >>> lower_part([128.0, 113.0], [0, 0], 1, [124.0])
    array([11.])
    """
    return np.asarray(reference, dtype=np.float64) - extremes(values, breath_of_beat, n_breaths).low


def delta_up(
    sbp: ArrayLike,
    onset_s: ArrayLike,
    apnoea: ArrayLike,
    start_s: ArrayLike,
    end_s: ArrayLike,
    breath_of_beat: ArrayLike,
    n_breaths: int,
) -> Float:
    """`upper_part` of systolic pressure against `apnoea_reference`, whose parameters these are."""
    reference = apnoea_reference(sbp, onset_s, apnoea, start_s, end_s)
    return upper_part(sbp, breath_of_beat, n_breaths, reference)


def delta_down(
    sbp: ArrayLike,
    onset_s: ArrayLike,
    apnoea: ArrayLike,
    start_s: ArrayLike,
    end_s: ArrayLike,
    breath_of_beat: ArrayLike,
    n_breaths: int,
) -> Float:
    """`lower_part` of systolic pressure against `apnoea_reference`, whose parameters these are."""
    reference = apnoea_reference(sbp, onset_s, apnoea, start_s, end_s)
    return lower_part(sbp, breath_of_beat, n_breaths, reference)


def delta_up_endexp(
    sbp: ArrayLike, breath_of_beat: ArrayLike, n_breaths: int, inspiration_end_s: ArrayLike = 0.0
) -> Float:
    """`upper_part` of systolic pressure against the breath's own `end_expiratory` beat; NaN as below."""
    part = upper_part(sbp, breath_of_beat, n_breaths, end_expiratory(sbp, breath_of_beat, n_breaths))
    return _where_known(part, inspiration_end_s)


def delta_down_endexp(
    sbp: ArrayLike, breath_of_beat: ArrayLike, n_breaths: int, inspiration_end_s: ArrayLike = 0.0
) -> Float:
    """`lower_part` of systolic pressure against the breath's own `end_expiratory` beat; NaN as below."""
    part = lower_part(sbp, breath_of_beat, n_breaths, end_expiratory(sbp, breath_of_beat, n_breaths))
    return _where_known(part, inspiration_end_s)


def _where_known(part: Float, inspiration_end_s: ArrayLike) -> Float:
    """NaN where it is not known when inspiration ends: then it is not known where it begins either."""
    return np.where(np.isfinite(np.asarray(inspiration_end_s, dtype=np.float64)), part, np.nan)


_APNOEA = (
    "beats.sbp",
    "beats.onset_s",
    "beats.context.apnoea",
    "start_s",
    "end_s",
    "breath_of_beat",
    "n_breaths",
)
_ENDEXP = ("beats.sbp", "breath_of_beat", "n_breaths", "inspiration_end_s")
_RULES = SWING_RULES + GAIN + DYNAMIC_SHAPE
_ENDEXP_RULES = (
    *_RULES,
    *reject("breathing_from_pressure"),
    Rule(
        CAUTION,
        When(),
        "the last beat of a breath may lie in the next inspiration: breaths read off impedance begin up to a "
        "seventh of their length late, and simulated, the two parts were off by up to 4 mmHg, their sum not",
    ),
)
_NO_APNOEA = f"no marked apnoea with three usable beats lies within {APNOEA_HOLDS_S:g} s, or {MISSING}"
_ENDEXP_SOURCES = (PEREL_1987, "common practice, no source: end-expiratory beat in place of an apnoea")

DELTA_UP = Index(
    name="delta_up",
    title="Upper part of systolic pressure variation, against apnoea",
    unit="mmHg",
    level="breath",
    formula="SBPmax of the breath - mean SBP of the nearest marked apnoea",
    inputs=_APNOEA,
    function=delta_up,
    sources=(PEREL_1987,),
    rules=_RULES,
    limits=PRELOAD_LIMITS,
    harmed_by=("gain", "line"),
    shared_inputs=("delta_down", "spv"),
    family="respiratory",
    missing=_NO_APNOEA,
)

DELTA_DOWN = Index(
    name="delta_down",
    title="Lower part of systolic pressure variation, against apnoea",
    unit="mmHg",
    level="breath",
    formula="mean SBP of the nearest marked apnoea - SBPmin of the breath",
    inputs=_APNOEA,
    function=delta_down,
    sources=(PEREL_1987,),
    rules=_RULES,
    limits=PRELOAD_LIMITS,
    harmed_by=("gain", "line"),
    shared_inputs=("delta_up", "spv"),
    family="respiratory",
    missing=_NO_APNOEA,
)

DELTA_UP_ENDEXP = Index(
    name="delta_up_endexp",
    title="Upper part of systolic pressure variation, against the end of expiration",
    unit="mmHg",
    level="breath",
    formula="SBPmax of the breath - SBP of its last beat, where the breath begins with inspiration",
    inputs=_ENDEXP,
    function=delta_up_endexp,
    sources=_ENDEXP_SOURCES,
    rules=_ENDEXP_RULES,
    limits=PRELOAD_LIMITS,
    harmed_by=("gain", "line"),
    shared_inputs=("delta_down_endexp", "spv"),
    family="respiratory",
    missing=f"the end of inspiration is not known, or {MISSING}",
)

DELTA_DOWN_ENDEXP = Index(
    name="delta_down_endexp",
    title="Lower part of systolic pressure variation, against the end of expiration",
    unit="mmHg",
    level="breath",
    formula="SBP of the last beat of the breath, where it begins with inspiration - SBPmin of the breath",
    inputs=_ENDEXP,
    function=delta_down_endexp,
    sources=_ENDEXP_SOURCES,
    rules=_ENDEXP_RULES,
    limits=PRELOAD_LIMITS,
    harmed_by=("gain", "line"),
    shared_inputs=("delta_up_endexp", "spv"),
    family="respiratory",
    missing=f"the end of inspiration is not known, or {MISSING}",
)

INDICES = (DELTA_UP, DELTA_DOWN, DELTA_UP_ENDEXP, DELTA_DOWN_ENDEXP)
