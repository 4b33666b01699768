"""The notch and what follows: its pressure and height, the downslope, the share of diastole."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ...samples import Float, around, nearest, polynomial_kernel
from ..index import Index, Range
from ..limits import NO_PUMP, NOTCH_AT_FLOOR, SUPPORTED, supported
from ..pressure.readings import FIT_HALF_S
from ..rules import (
    CLIPPED,
    DYNAMIC_SHAPE,
    GAIN,
    PRESSURE_RULES,
    SHAPE_RULES,
    STATIC_LINE,
    Limit,
    reject,
)
from .thirds import BEFORE_FOOT_S, LOWER_RAIL

Wave = NDArray[np.floating]

_WESTERHOF = (
    "Westerhof N, Lankhaar JW, Westerhof BE. The arterial windkessel. Med Biol Eng Comput 2009;47:131-141. "
    "doi:10.1007/s11517-008-0359-2 (the model)"
)


def _read_at(pressure: Wave, position: ArrayLike, fs: float) -> Float:
    """Pressure at fractional positions, from parabolas fitted to the samples within 16 ms."""
    half = max(1, round(FIT_HALF_S * fs))
    index, known = nearest(position)
    window = around(pressure, index, half, half)
    shift = np.where(known, np.asarray(position, dtype=np.float64) - index, 0.0)
    level, slope, bend = (window @ polynomial_kernel(half, 2, k) for k in range(3))
    return np.where(known, level + slope * shift + 0.5 * bend * shift**2, np.nan)


def notch_pressure(pressure: Wave, notch: ArrayLike, fs: float) -> Float:
    """
    Pressure at the dicrotic notch.

    Parameters
    ----------
    pressure : ndarray, shape (n_samples,)
        Arterial pressure, evenly sampled [mmHg].
    notch : array_like, shape (n_beats,)
        Position of the notch [samples].
    fs : float
        Sampling rate [Hz].

    Returns
    -------
    ndarray, shape (n_beats,)
        [mmHg]; NaN where there is no notch or samples are missing.

    Notes
    -----
    Read at the landmark from the parabola fitted by least squares to the samples within 16 ms.

    References
    ----------
    .. [1] Common practice, no source: pressure at the landmark.
    """
    return _read_at(pressure, notch, fs)


def notch_height(notch_pressure: ArrayLike, dbp: ArrayLike, pp: ArrayLike) -> Float:
    """
    Height of the notch above diastolic pressure, in pulse pressures.

    Parameters
    ----------
    notch_pressure, dbp, pp : array_like, shape (n_beats,)
        Pressure at the notch, diastolic and pulse pressure of the beat [mmHg].

    Returns
    -------
    ndarray, shape (n_beats,)
        (notch_pressure - dbp) / pp.

    References
    ----------
    .. [1] Common practice, no source.

    Examples
    --------
    >>> notch_height([100.0], [80.0], [40.0])
    array([0.5])
    """
    above = np.asarray(notch_pressure, dtype=np.float64) - np.asarray(dbp, dtype=np.float64)
    return np.asarray(above / np.asarray(pp, dtype=np.float64))


def downslope(
    pressure: Wave, notch_pressure: ArrayLike, notch: ArrayLike, end: ArrayLike, fs: float
) -> Float:
    """
    Mean rate at which pressure falls from the notch to the end of diastole.

    Parameters
    ----------
    pressure : ndarray, shape (n_samples,)
        Arterial pressure, evenly sampled [mmHg].
    notch_pressure : array_like, shape (n_beats,)
        Pressure at the notch [mmHg].
    notch, end : array_like, shape (n_beats,)
        Notch and next foot [samples].
    fs : float
        Sampling rate [Hz].

    Returns
    -------
    ndarray, shape (n_beats,)
        [mmHg/s], positive where pressure falls; NaN where a landmark is unknown or samples are missing.

    Notes
    -----
    (notch_pressure - pressure at the end) / time. The end lies 30 ms before the next foot, since that of
    the tangent lies behind the trough; pressure is read as at the notch. For an exponential decay to zero
    the slope is the logarithmic mean of both pressures over tau.

    References
    ----------
    .. [1] Westerhof N, Lankhaar JW, Westerhof BE. Med Biol Eng Comput 2009;47:131-141 (the model).
    """
    a = np.asarray(notch, dtype=np.float64)
    b = np.asarray(end, dtype=np.float64) - BEFORE_FOOT_S * fs
    with np.errstate(invalid="ignore"):
        time = np.where(b - a > 2.0 * FIT_HALF_S * fs, b - a, np.nan) / fs
    return np.asarray((np.asarray(notch_pressure, dtype=np.float64) - _read_at(pressure, b, fs)) / time)


def diastolic_fraction(onset: ArrayLike, notch: ArrayLike, end: ArrayLike) -> Float:
    """
    Share of the beat that lies behind the notch.

    Parameters
    ----------
    onset, notch, end : array_like, shape (n_beats,)
        Foot, notch and next foot [samples].

    Returns
    -------
    ndarray, shape (n_beats,)
        (end - notch) / (end - onset).

    References
    ----------
    .. [1] Common practice, no source.

    Examples
    --------
    >>> diastolic_fraction([0.0], [40.0], [100.0])
    array([0.6])
    """
    a, b, c = (np.asarray(v, dtype=np.float64) for v in (onset, notch, end))
    return np.asarray((c - b) / (c - a))


NOTCH_PRESSURE = Index(
    name="notch_pressure",
    title="Pressure at the dicrotic notch",
    unit="mmHg",
    level="beat",
    readings=1.0,
    family="runoff",
    formula="parabola fitted within 16 ms of the notch, read there",
    inputs=("pressure", "notch", "fs"),
    function=notch_pressure,
    sources=("common practice, no source: pressure at the landmark",),
    rules=(
        *PRESSURE_RULES,
        *LOWER_RAIL,
        *reject("no_notch"),
        *STATIC_LINE,
        *DYNAMIC_SHAPE,
        *SUPPORTED,
        *NOTCH_AT_FLOOR,
    ),
    harmed_by=("offset", "gain", "line"),
    limits=(
        Limit(
            "end-systolic pressure of the left ventricle",
            "either way",
            "at a peripheral site the notch is drawn by reflection as well as by the closing valve",
            source="common practice, no source",
        ),
    ),
    shared_inputs=("notch_height",),
)

NOTCH_HEIGHT = Index(
    name="notch_height",
    title="Relative height of the notch",
    unit="1",
    level="beat",
    family="runoff",
    formula="(notch_pressure - dbp) / pp",
    inputs=("notch_pressure", "dbp", "pp"),
    function=notch_height,
    sources=("common practice, no source",),
    rules=(
        *PRESSURE_RULES,
        *CLIPPED,
        *reject("no_notch"),
        *DYNAMIC_SHAPE,
        *SUPPORTED,
        *NOTCH_AT_FLOOR,
    ),
    harmed_by=("line",),
    limits=(
        Limit(
            "vascular tone",
            "either way",
            "it goes by site, heart rate and the measuring line as well as by tone",
            source="common practice, no source",
        ),
        *supported("vascular tone"),
    ),
    shared_inputs=("notch_pressure",),
    published_range=Range(
        0.4, 0.6, "typical adult, peripheral artery; quoted from memory", "quoted from memory, no source seen"
    ),
)

DOWNSLOPE = Index(
    name="downslope",
    title="Diastolic downslope",
    unit="mmHg/s",
    level="beat",
    family="runoff",
    formula="(notch_pressure - pressure 30 ms before the next foot) / time between",
    inputs=("pressure", "notch_pressure", "notch", "end", "fs"),
    function=downslope,
    sources=(_WESTERHOF,),
    rules=(
        *PRESSURE_RULES,
        *LOWER_RAIL,
        *reject("no_notch", "end_unknown"),
        *GAIN,
        *DYNAMIC_SHAPE,
        *NO_PUMP,
        *NOTCH_AT_FLOOR,
    ),
    harmed_by=("gain", "line"),
    limits=(
        Limit(
            "systemic vascular resistance",
            "either way",
            "it is pressure over resistance times compliance: it is steep at a high pressure or with stiff "
            "arteries as well as with a low resistance, and reflection bends it",
            source=_WESTERHOF,
        ),
        *supported("systemic vascular resistance"),
    ),
)

DIASTOLIC_FRACTION = Index(
    name="diastolic_fraction",
    title="Share of the beat that diastole takes",
    unit="1",
    level="beat",
    family="runoff",
    formula="(end - notch) / (end - onset)",
    inputs=("onset", "notch", "end"),
    function=diastolic_fraction,
    sources=("common practice, no source",),
    rules=(
        *SHAPE_RULES,
        *reject("no_notch", "end_unknown"),
        *DYNAMIC_SHAPE,
        *SUPPORTED,
        *NOTCH_AT_FLOOR,
    ),
    harmed_by=("line",),
    shared_inputs=("systolic_fraction",),
)

INDICES = (NOTCH_PRESSURE, NOTCH_HEIGHT, DOWNSLOPE, DIASTOLIC_FRACTION)
