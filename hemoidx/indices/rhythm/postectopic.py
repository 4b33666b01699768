"""Pressure behind premature beats: the beat that follows the pause, and the recovery after it."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ..blocks import Estimate, Float, Part
from ..index import Index, Range
from ..rules import Limit, caution
from .ectopy import IRREGULAR, is_ectopic

LEAST_FOR_SE = 3
"""Premature beats that a standard error needs."""
BEFORE = 10
"""Sinus beats before a premature one with which the beat behind it is compared."""
BEHIND = 15
"""Sinus beats behind a premature one over which pressure is followed: our choice."""
SLOPE_BEATS = 5
"""Beats in a row over which the slope of pressure is taken."""
PAUSE_OFF = 0.10
"""Early interval and pause together leave twice the usual interval by no more than this share."""


class Behind(NamedTuple):
    """
    Beats behind premature ones.

    Attributes
    ----------
    first : ndarray of int, shape (n,)
        The first beat behind each premature beat that qualifies.
    before : ndarray of int, shape (n, 10)
        The sinus beats before that premature beat.
    """

    first: NDArray[np.intp]
    before: NDArray[np.intp]


def behind_ectopy(duration: ArrayLike, ectopic: ArrayLike, n_before: int = BEFORE) -> Behind:
    """
    Find premature beats with sinus beats before them, a compensatory pause, and a sinus beat behind.

    Parameters
    ----------
    duration : array_like, shape (n_beats,)
        Pulse interval [s]; NaN where it was not measured, so also before a gap.
    ectopic : array_like of bool, shape (n_beats,)
        Premature beats.
    n_before : int
        Sinus beats that must precede; none of them may be a premature beat or stand right behind one.

    Returns
    -------
    Behind
        The beat behind each premature beat that qualifies, and the beats before.

    Notes
    -----
    Compensatory: the early interval and the pause together are twice the median of the intervals before,
    within 10 % (our convention).
    """
    interval = np.asarray(duration, dtype=np.float64)
    early = np.asarray(ectopic, dtype=bool)
    at = np.flatnonzero(early)
    at = at[(at >= n_before) & (at < early.size - 1)]
    place = at[:, None] + np.arange(-n_before, 0)
    # The first of them must not stand right behind a premature beat itself.
    behind = np.append(False, early[:-1])[: early.size]
    free = ~(early | behind)[place].any(axis=1) & ~early[at + 1]
    at, place = at[free], place[free]
    with np.errstate(invalid="ignore"):
        # The last interval of the row is the early one.
        usual = np.median(interval[place[:, :-1]], axis=1) if at.size else np.zeros(0)
        together = interval[at - 1] + interval[at]
        full = np.abs(together - 2.0 * usual) <= PAUSE_OFF * 2.0 * usual
    return Behind(at[full] + 1, place[full])


def postectopic_changes(
    value: ArrayLike, duration: ArrayLike, ectopic: ArrayLike, n_before: int = BEFORE
) -> Float:
    """
    Compare the first beat behind each premature one with the sinus beats before it.

    Parameters
    ----------
    value : array_like, shape (n_beats,)
        What is compared, such as systolic or pulse pressure [mmHg].
    duration, ectopic, n_before
        As in `behind_ectopy`.

    Returns
    -------
    ndarray, shape (n_beats,)
        100 (value - median before) / median before [%] at the beats behind a premature one that qualifies;
        NaN at all others, and where one of the values was not measured.

    References
    ----------
    .. [1] Vistisen ST and others. Extrasystoles for fluid responsiveness prediction in critically ill
       patients. J Intensive Care 2018;6:52. doi:10.1186/s40560-018-0324-6
    """
    values = np.asarray(value, dtype=np.float64)
    found = behind_ectopy(duration, ectopic, n_before)
    out = np.full(values.size, np.nan)
    if found.first.size:
        with np.errstate(invalid="ignore", divide="ignore"):
            usual = np.median(values[found.before], axis=1)
            out[found.first] = 100.0 * (values[found.first] - usual) / usual
    return out


def _mean(values: Float) -> Estimate:
    known = values[np.isfinite(values)]
    value = np.mean(known) if known.size else np.nan
    se = np.std(known, ddof=1) / np.sqrt(known.size) if known.size >= LEAST_FOR_SE else np.nan
    return Estimate(np.array([value]), np.array([se]))


def postectopic_sbp_change(sbp: ArrayLike, duration: ArrayLike, facts: ArrayLike) -> Estimate:
    """
    Mean change of systolic pressure in the first beat behind premature beats.

    Parameters
    ----------
    sbp : array_like, shape (n_beats,)
        Systolic pressure [mmHg].
    duration, facts : array_like, shape (n_beats,)
        Pulse interval [s] and facts.

    Returns
    -------
    Estimate
        Mean over the premature beats that qualify [%] and its standard error, shape (1,); the error is NaN
        for fewer than three.
    """
    return _mean(postectopic_changes(sbp, duration, is_ectopic(facts)))


def postectopic_pp_change(pp: ArrayLike, duration: ArrayLike, facts: ArrayLike) -> Estimate:
    """
    Mean change of pulse pressure in the first beat behind premature beats.

    Parameters
    ----------
    pp : array_like, shape (n_beats,)
        Pulse pressure [mmHg].
    duration, facts : array_like, shape (n_beats,)
        Pulse interval [s] and facts.

    Returns
    -------
    Estimate
        As `postectopic_sbp_change`.
    """
    return _mean(postectopic_changes(pp, duration, is_ectopic(facts)))


def postectopic_beats(sbp: ArrayLike, duration: ArrayLike, facts: ArrayLike) -> Float:
    """
    Count the premature beats that the changes behind them were averaged over.

    Parameters
    ----------
    sbp, duration, facts
        As in `postectopic_sbp_change`.

    Returns
    -------
    ndarray, shape (1,)
        Their number.
    """
    found = postectopic_changes(sbp, duration, is_ectopic(facts))
    return np.array([float(np.count_nonzero(np.isfinite(found)))])


def mbp_turbulence_slope(mbp: ArrayLike, duration: ArrayLike, facts: ArrayLike) -> Float:
    """
    Steepest recovery of mean pressure behind premature beats.

    Parameters
    ----------
    mbp : array_like, shape (n_beats,)
        Mean pressure [mmHg].
    duration, facts : array_like, shape (n_beats,)
        Pulse interval [s] and facts.

    Returns
    -------
    ndarray, shape (1,)
        Largest slope of a straight line through five beats in a row, among the fifteen behind, of the
        average over all premature beats that qualify and have no other one among these [mmHg per beat].

    Notes
    -----
    Modelled on the slope of heart rate turbulence; how many beats the source followed was not seen.
    """
    pressure = np.asarray(mbp, dtype=np.float64)
    early = is_ectopic(facts)
    first = behind_ectopy(duration, early).first
    first = first[first + BEHIND <= pressure.size]
    place = first[:, None] + np.arange(BEHIND)
    rows = pressure[place]
    interval = np.asarray(duration, dtype=np.float64)[place[:, :-1]]
    whole = np.isfinite(rows).all(axis=1) & np.isfinite(interval).all(axis=1) & ~early[place].any(axis=1)
    if not whole.any():
        return np.array([np.nan])
    average = rows[whole].mean(axis=0)
    lever = np.arange(SLOPE_BEATS) - 0.5 * (SLOPE_BEATS - 1)
    return np.array([np.correlate(average, lever / np.sum(lever**2), mode="valid").max()])


_VISTISEN = (
    "Vistisen ST and others. Extrasystoles for fluid responsiveness prediction in critically ill patients. "
    "J Intensive Care 2018;6:52. doi:10.1186/s40560-018-0324-6 (abstract)"
)
_PEAP = (
    "Post-extrasystolic regulation patterns of blood pressure and heart rate in idiopathic dilated "
    "cardiomyopathy (title paraphrased). J Physiol, PMC2290033 (abstract)"
)
_NONE = (
    "no premature beat had ten sinus beats before it, a compensatory pause and a sinus beat behind it, all "
    "with a value"
)
_POTENTIATION = Limit(
    "preload dependence",
    "reads high",
    "a failing ventricle beats harder behind a premature beat whatever its filling",
    source=_PEAP,
)
_FEW = Limit(
    "preload dependence",
    "either way",
    "it was studied in 26 and 30 patients (area 0.79 and 0.81, where pulse pressure variation had 0.57), and "
    "depends on how early the beat came",
    source=_VISTISEN,
)

POSTECTOPIC_SBP_CHANGE = Index(
    name="postectopic_sbp_change",
    title="Systolic pressure behind premature beats",
    unit="%",
    level="record",
    family="rhythm",
    formula="100 (sbp of the first beat behind - median sbp of the ten sinus beats before) / that median, "
    "mean over premature beats with a compensatory pause",
    inputs=("beats.sbp", "beats.duration", "beats.facts"),
    function=Part(postectopic_sbp_change),
    error_function=Part(postectopic_sbp_change, "se"),
    sources=(_VISTISEN,),
    rules=IRREGULAR + caution("zero_not_applied", "zero_stale", "setup_offset"),
    harmed_by=("line",),
    limits=(_FEW, _POTENTIATION),
    shared_inputs=("postectopic_pp_change",),
    missing=_NONE,
)

POSTECTOPIC_PP_CHANGE = Index(
    name="postectopic_pp_change",
    title="Pulse pressure behind premature beats (post-extrasystolic potentiation)",
    unit="%",
    level="record",
    family="rhythm",
    formula="100 (pp of the first beat behind - median pp of the ten sinus beats before) / that median, mean "
    "over premature beats with a compensatory pause",
    inputs=("beats.pp", "beats.duration", "beats.facts"),
    function=Part(postectopic_pp_change),
    error_function=Part(postectopic_pp_change, "se"),
    sources=(_PEAP, _VISTISEN),
    rules=IRREGULAR,
    limits=(
        _FEW,
        _POTENTIATION,
        Limit(
            "potentiation by the force of the heart",
            "reads high",
            "the pause also gives time to fill, and lets the pressure that the heart ejects against fall",
            source="common practice, no source",
        ),
    ),
    shared_inputs=("postectopic_sbp_change",),
    published_range=Range(
        4.4,
        15.2,
        "mean and one standard deviation, finger pressure of 13 controls (12 patients: 16 to 81)",
        _PEAP,
    ),
    missing=_NONE,
)

POSTECTOPIC_BEATS = Index(
    name="postectopic_beats",
    title="Premature beats behind which pressure was compared",
    unit="1",
    level="record",
    family="rhythm",
    formula="number of premature beats with ten sinus beats before, a compensatory pause, and values",
    inputs=("beats.sbp", "beats.duration", "beats.facts"),
    function=postectopic_beats,
    sources=(_VISTISEN,),
    rules=IRREGULAR,
)

MBP_TURBULENCE_SLOPE = Index(
    name="mbp_turbulence_slope",
    title="Recovery of mean pressure behind premature beats, per beat",
    unit="mmHg",
    level="record",
    family="rhythm",
    formula="largest slope over five beats in a row among the fifteen behind, of mbp averaged over premature "
    "beats [mmHg per beat]",
    inputs=("beats.mbp", "beats.duration", "beats.facts"),
    function=mbp_turbulence_slope,
    sources=(_PEAP, "the number of beats followed is our choice"),
    rules=IRREGULAR,
    harmed_by=("gain",),
    limits=(
        Limit(
            "baroreflex",
            "either way",
            "breathing and slow waves move mean pressure too, which few premature beats do not average out",
            source="common practice, no source",
        ),
    ),
    published_range=Range(
        1.03,
        3.11,
        "mean and one standard deviation, finger pressure of 13 controls (12 patients: 0.37 to 1.57)",
        _PEAP,
    ),
    missing="no premature beat that qualifies had fifteen beats behind it, all measured and none premature",
)

INDICES = (POSTECTOPIC_SBP_CHANGE, POSTECTOPIC_PP_CHANGE, POSTECTOPIC_BEATS, MBP_TURBULENCE_SLOPE)
