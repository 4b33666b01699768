"""Ejection: how long it lasts and the area under it."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ..samples import Float, integral
from .index import Index, Range
from .rules import CLIPPED, DYNAMIC_SHAPE, GAIN, PRESSURE_RULES, SHAPE_RULES, Limit, dynamic_error, reject


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
    rules=SHAPE_RULES + reject("no_notch") + DYNAMIC_SHAPE,
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
    rules=PRESSURE_RULES + CLIPPED + reject("no_notch") + GAIN + DYNAMIC_SHAPE + dynamic_error("pp"),
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

INDICES = (SYSTOLIC_AREA, EJECTION_TIME)
