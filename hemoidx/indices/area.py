"""Ejection: how long it lasts and the area under it."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ..samples import Float, integral
from .index import Index, Range
from .limits import NOTCH_AT_FLOOR, SUPPORTED
from .rules import (
    CLIPPED,
    DYNAMIC_SHAPE,
    GAIN,
    PRESSURE_RULES,
    SHAPE_RULES,
    STATIC_LINE,
    Limit,
    dynamic_error,
    reject,
)


def ejection_time(onset: ArrayLike, notch: ArrayLike, fs: float) -> Float:
    """
    Time from the foot of the upstroke to the dicrotic notch.

    Parameters
    ----------
    onset, notch : array_like, shape (n_beats,)
        Foot and notch [samples].
    fs : float
        Sampling rate [Hz].

    Returns
    -------
    ndarray, shape (n_beats,)
        Ejection time [s]. NaN where there is no notch.

    Notes
    -----
    At a peripheral site the notch is shaped by reflection as well as by the closing valve: the value is
    the ejection time of this trace, not of the aortic root.

    Examples
    --------
    >>> ejection_time([10.0], [50.0], fs=125.0)
    array([0.32])
    """
    return (np.asarray(notch, dtype=np.float64) - np.asarray(onset, dtype=np.float64)) / fs


def systolic_area(
    pressure: NDArray[np.floating], onset: ArrayLike, notch: ArrayLike, dbp: ArrayLike, fs: float
) -> Float:
    """
    Area under the ejection part of the wave, above the beat's diastolic pressure.

    Parameters
    ----------
    pressure : ndarray, shape (n_samples,)
        Arterial pressure, evenly sampled [mmHg].
    onset, notch : array_like, shape (n_beats,)
        Foot and notch [samples].
    dbp : array_like, shape (n_beats,)
        Diastolic pressure of the beat [mmHg].
    fs : float
        Sampling rate [Hz].

    Returns
    -------
    ndarray, shape (n_beats,)
        Systolic area [mmHg s]. NaN where there is no notch.

    Notes
    -----
    Authors differ on the baseline; this is the area above diastolic pressure.

    References
    ----------
    .. [1] Kouchoukos NT, Sheppard LC, McDonald DA. Estimation of stroke volume in the dog by a pulse
       contour method. Circ Res 1970;26:611-623 (area above end-diastolic pressure).
    """
    a = np.asarray(onset, dtype=np.float64)
    b = np.asarray(notch, dtype=np.float64)
    return (integral(pressure, a, b) - np.asarray(dbp, dtype=np.float64) * (b - a)) / fs


def systolic_area_above_zero(
    pressure: NDArray[np.floating], onset: ArrayLike, notch: ArrayLike, fs: float
) -> Float:
    """
    Area under the ejection part of the wave, above zero pressure.

    Parameters
    ----------
    pressure : ndarray, shape (n_samples,)
        Arterial pressure, evenly sampled [mmHg].
    onset, notch : array_like, shape (n_beats,)
        Foot and notch [samples].
    fs : float
        Sampling rate [Hz].

    Returns
    -------
    ndarray, shape (n_beats,)
        [mmHg s]. NaN where there is no notch.

    References
    ----------
    .. [1] Monge Garcia MI, et al. Crit Care 2013;17:R113, table 1 (the area of the pressure itself).
    """
    return integral(pressure, onset, notch) / fs


def beat_area(mbp: ArrayLike, duration: ArrayLike) -> Float:
    """
    Area under the whole beat, above zero pressure.

    Parameters
    ----------
    mbp : array_like, shape (n_beats,)
        True mean pressure [mmHg].
    duration : array_like, shape (n_beats,)
        Duration of the beat [s].

    Returns
    -------
    ndarray, shape (n_beats,)
        mbp x duration [mmHg s].

    References
    ----------
    .. [1] Libii J. Proc 14th Northeast Bioengineering Conference 1988 (mean pressure is area over duration).

    Examples
    --------
    >>> beat_area([90.0], [0.8])
    array([72.])
    """
    return np.asarray(mbp, dtype=np.float64) * np.asarray(duration, dtype=np.float64)


def diastolic_area(beat_area: ArrayLike, systolic_area_above_zero: ArrayLike) -> Float:
    """
    Area under the wave from the notch to the next foot, above zero pressure.

    Parameters
    ----------
    beat_area, systolic_area_above_zero : array_like, shape (n_beats,)
        Areas of the whole beat and of its ejection part [mmHg s].

    Returns
    -------
    ndarray, shape (n_beats,)
        Their difference [mmHg s].

    References
    ----------
    .. [1] Salvi P, et al. J Am Heart Assoc 2021;10:e021207 (the notch splits the beat).

    Examples
    --------
    >>> diastolic_area([72.0], [30.0])
    array([42.])
    """
    return np.asarray(beat_area, dtype=np.float64) - np.asarray(systolic_area_above_zero, dtype=np.float64)


def systolic_area_corrected(systolic_area: ArrayLike, ejection_time: ArrayLike, duration: ArrayLike) -> Float:
    """
    Systolic area above diastolic pressure, enlarged for what runs off during ejection.

    Parameters
    ----------
    systolic_area : array_like, shape (n_beats,)
        Area above diastolic pressure [mmHg s].
    ejection_time, duration : array_like, shape (n_beats,)
        Foot to notch, and foot to next foot [s].

    Returns
    -------
    ndarray, shape (n_beats,)
        systolic_area x (1 + ejection time / rest of the beat) [mmHg s].

    References
    ----------
    .. [1] Kouchoukos NT, Sheppard LC, McDonald DA. Circ Res 1970;26:611-623.

    Examples
    --------
    >>> systolic_area_corrected([10.0], [0.3], [0.8]).round(6)
    array([16.])
    """
    systole = np.asarray(ejection_time, dtype=np.float64)
    rest = np.asarray(duration, dtype=np.float64) - systole
    return np.asarray(np.asarray(systolic_area, dtype=np.float64) * (1.0 + systole / rest))


EJECTION_TIME = Index(
    name="ejection_time",
    title="Ejection time",
    unit="s",
    level="beat",
    family="area",
    formula="time from the foot of the upstroke to the dicrotic notch of the same beat",
    inputs=("onset", "notch", "fs"),
    function=ejection_time,
    sources=(
        "Lewis RP, Rittgers SE, Forester WF, Boudoulas H. A critical review of the systolic time intervals. "
        "Circulation 1977;56:146-158. doi:10.1161/01.CIR.56.2.146",
    ),
    rules=SHAPE_RULES + reject("no_notch") + DYNAMIC_SHAPE + NOTCH_AT_FLOOR,
    harmed_by=("line",),
    limits=(
        Limit(
            "ejection time of the left ventricle",
            "reads high",
            "at a peripheral site the notch is late and rounded",
            source="common practice, no source",
        ),
    ),
    column="ejection_time_s",
    shared_inputs=("systolic_area",),
    published_range=Range(
        0.248,
        0.336,
        "95 % interval by tissue Doppler in 1969 healthy participants",
        "Age- and sex-based normal reference ranges of the cardiac time intervals: the Copenhagen City Heart "
        "Study. Clin Res Cardiol (abstract)",
    ),
)

SYSTOLIC_AREA = Index(
    name="systolic_area",
    title="Systolic area above diastolic pressure",
    unit="mmHg s",
    level="beat",
    family="area",
    formula="integral of (pressure - dbp) from the foot to the dicrotic notch",
    inputs=("pressure", "onset", "notch", "dbp", "fs"),
    function=systolic_area,
    sources=(
        "Kouchoukos NT, Sheppard LC, McDonald DA. Estimation of stroke volume in the dog by a pulse contour "
        "method. Circ Res 1970;26:611-623",
    ),
    rules=PRESSURE_RULES
    + CLIPPED
    + reject("no_notch")
    + GAIN
    + DYNAMIC_SHAPE
    + dynamic_error("pp")
    + NOTCH_AT_FLOOR,
    harmed_by=("gain", "line"),
    limits=(
        Limit(
            "stroke volume",
            "says nothing",
            "it is at best proportional to flow, by one constant for each patient that is not known here",
            source="Verdouw PD, Beaune J, Roelandt J, Hugenholtz PG. Basic Res Cardiol 1975;70:377-389",
        ),
    ),
    shared_inputs=("ejection_time", "dbp"),
)

_FLOW = Limit(
    "stroke volume",
    "says nothing",
    "it is at best proportional to flow, by one constant for each patient that is not known here",
    source="Verdouw PD, Beaune J, Roelandt J, Hugenholtz PG. Basic Res Cardiol 1975;70:377-389",
)
_ABOVE_ZERO = PRESSURE_RULES + CLIPPED + reject("no_notch") + STATIC_LINE + DYNAMIC_SHAPE + SUPPORTED

SYSTOLIC_AREA_ABOVE_ZERO = Index(
    name="systolic_area_above_zero",
    title="Systolic area above zero pressure",
    unit="mmHg s",
    level="beat",
    family="area",
    formula="integral of pressure from the foot to the dicrotic notch",
    inputs=("pressure", "onset", "notch", "fs"),
    function=systolic_area_above_zero,
    sources=(
        "Monge Garcia MI, Gracia Romero M, Gil Cano A, et al. Impact of arterial load on the agreement "
        "between pulse pressure analysis and esophageal Doppler. Crit Care 2013;17:R113. "
        "doi:10.1186/cc12785 (table 1)",
    ),
    rules=_ABOVE_ZERO + NOTCH_AT_FLOOR,
    harmed_by=("offset", "gain", "line"),
    limits=(_FLOW,),
    shared_inputs=("diastolic_area", "sevr"),
)

BEAT_AREA = Index(
    name="beat_area",
    title="Area of the whole beat above zero pressure",
    unit="mmHg s",
    level="beat",
    family="area",
    formula="mbp x duration",
    inputs=("mbp", "duration"),
    function=beat_area,
    sources=(
        "Libii J. Proc 14th Northeast Bioengineering Conference 1988. doi:10.1109/NEBC.1988.19386 (abstract)",
    ),
    harmed_by=("offset", "gain"),
    shared_inputs=("diastolic_area",),
)

DIASTOLIC_AREA = Index(
    name="diastolic_area",
    title="Diastolic area above zero pressure",
    unit="mmHg s",
    level="beat",
    family="area",
    formula="beat_area - systolic_area_above_zero: from the notch to the next foot",
    inputs=("beat_area", "systolic_area_above_zero"),
    function=diastolic_area,
    sources=(
        "Salvi P, Baldi C, Scalise F, et al. J Am Heart Assoc 2021;10:e021207. doi:10.1161/JAHA.121.021207 "
        "(abstract)",
    ),
    rules=_ABOVE_ZERO + reject("end_unknown") + NOTCH_AT_FLOOR,
    harmed_by=("offset", "gain", "line"),
    shared_inputs=("beat_area", "systolic_area_above_zero", "sevr"),
)

SYSTOLIC_AREA_CORRECTED = Index(
    name="systolic_area_corrected",
    title="Systolic area above diastolic pressure, corrected for run-off",
    unit="mmHg s",
    level="beat",
    family="area",
    formula="systolic_area x (1 + ejection_time / (duration - ejection_time))",
    inputs=("systolic_area", "ejection_time", "duration"),
    function=systolic_area_corrected,
    sources=(
        "Kouchoukos NT, Sheppard LC, McDonald DA. Estimation of stroke volume in the dog by a pulse contour "
        "method. Circ Res 1970;26:611-623",
    ),
    rules=PRESSURE_RULES
    + CLIPPED
    + reject("no_notch", "end_unknown")
    + GAIN
    + DYNAMIC_SHAPE
    + SUPPORTED
    + NOTCH_AT_FLOOR,
    harmed_by=("gain", "line"),
    limits=(_FLOW,),
)

INDICES = (
    SYSTOLIC_AREA,
    SYSTOLIC_AREA_CORRECTED,
    SYSTOLIC_AREA_ABOVE_ZERO,
    DIASTOLIC_AREA,
    BEAT_AREA,
    EJECTION_TIME,
)
