"""Systolic, diastolic, mean and pulse pressure, beat duration and heart rate."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ...samples import Float, around, correlated, integral, nearest, polynomial_kernel
from ..index import Index, Range
from ..rules import (
    BEAT_RULES,
    CAUTION,
    CLIPPED,
    GAIN,
    PRESSURE_RULES,
    STATIC_LINE,
    Limit,
    Rule,
    When,
    caution,
    dynamic_error,
    reject,
)

Wave = NDArray[np.floating]

#: Half width [s] of the parabola fitted to the wave at its peak and its trough. Wide enough to average
#: noise and 8-bit steps, narrow against the sharpest systolic peak that a 10 Hz line draws.
FIT_HALF_S = 0.016

#: How far before the foot [s] the end-diastolic minimum is looked for, and at most in shares of the interval:
#: at 200/min the dicrotic trough of the beat before lies 100 ms before the foot.
TROUGH_BEFORE_FOOT_S = 0.10
TROUGH_BEFORE_FOOT = 0.25


def _fit_half(fs: float) -> int:
    return max(1, round(FIT_HALF_S * fs))


def systolic_pressure(pressure: Wave, peak: ArrayLike, fs: float) -> Float:
    """
    Highest pressure of each beat.

    Parameters
    ----------
    pressure : ndarray, shape (n_samples,)
        Arterial pressure, evenly sampled [mmHg].
    peak : array_like, shape (n_beats,)
        Position of the systolic peak [samples].
    fs : float
        Sampling rate [Hz].

    Returns
    -------
    ndarray, shape (n_beats,)
        Systolic pressure [mmHg]. NaN where the peak is unknown or a sample beside it is missing.

    Notes
    -----
    The vertex of the parabola fitted by least squares to the samples within 16 ms of the peak: a single
    highest sample is biased upward by noise and downward by coarse sampling.
    """
    half = _fit_half(fs)
    index, known = nearest(peak)
    window = around(pressure, index, half, half)
    level = window @ polynomial_kernel(half, 2, 0)
    slope = window @ polynomial_kernel(half, 2, 1)
    bend = window @ polynomial_kernel(half, 2, 2)
    with np.errstate(invalid="ignore", divide="ignore"):
        shift = np.clip(np.where(bend < 0, -slope / bend, 0.0), -half, half)
    return np.where(known, level + slope * shift + 0.5 * bend * shift**2, np.nan)


def diastolic_pressure(
    pressure: Wave, onset: ArrayLike, steepest: ArrayLike, fs: float, end: ArrayLike = np.inf
) -> Float:
    """
    Lowest pressure just before each beat's own upstroke.

    Parameters
    ----------
    pressure : ndarray, shape (n_samples,)
        Arterial pressure, evenly sampled [mmHg].
    onset, steepest : array_like, shape (n_beats,)
        Foot and steepest rise of the upstroke [samples].
    fs : float
        Sampling rate [Hz].
    end : array_like, shape (n_beats,), optional
        Foot of the next beat [samples], NaN where unknown: in a fast rhythm it tells how far back to look.

    Returns
    -------
    ndarray, shape (n_beats,)
        Diastolic pressure [mmHg]. NaN where a landmark is unknown or samples are missing.

    Notes
    -----
    The minimum is located between 100 ms before the foot (a quarter of the interval, if that is less) and the
    steepest rise on a wave smoothed over about 50 ms, then read from a parabola fitted over 32 ms there.
    Locating and reading on different bandwidths keeps the value from being the most negative of many noise
    samples.
    """
    foot, known = nearest(onset)
    rise, known_rise = nearest(steepest)
    known &= known_rise
    back = round(TROUGH_BEFORE_FOOT_S * fs)
    half = _fit_half(fs)
    wide = max(half, round(0.026 * fs))
    # By the tangent the foot lies at or behind the minimum; noise may shift it by a little.
    ahead = round(0.03 * fs)
    window = around(pressure, foot, back + wide, ahead + wide)
    smooth = correlated(window, polynomial_kernel(wide, 2, 0))
    offset = np.arange(-back, ahead + 1)
    with np.errstate(invalid="ignore"):
        interval = np.asarray(end, dtype=np.float64) - np.asarray(onset, dtype=np.float64)
    earliest = np.maximum(np.fmin(back, TROUGH_BEFORE_FOOT * interval), 1.0)
    allowed = (offset[:, None] <= rise - foot) & (offset[:, None] >= -np.broadcast_to(earliest, foot.shape))
    smooth = np.where(allowed & np.isfinite(smooth), smooth, np.inf)
    lowest = np.argmin(smooth, axis=0) if smooth.size else np.zeros(foot.shape, dtype=np.intp)
    place = foot + offset[lowest]
    near = around(pressure, place, half, half)
    level = near @ polynomial_kernel(half, 2, 0)
    return np.where(known & np.isfinite(smooth.min(axis=0, initial=np.inf)), level, np.nan)


def mean_pressure(pressure: Wave, onset: ArrayLike, end: ArrayLike) -> Float:
    """
    Time-averaged pressure of each beat, from its foot to the next foot.

    Parameters
    ----------
    pressure : ndarray, shape (n_samples,)
        Arterial pressure, evenly sampled [mmHg].
    onset, end : array_like, shape (n_beats,)
        Foot of the beat and foot of the next one [samples].

    Returns
    -------
    ndarray, shape (n_beats,)
        Mean pressure [mmHg]. NaN where `end` is unknown or a sample is missing.

    Notes
    -----
    Area under the pulse contour divided by the duration of the cycle (trapezoidal rule, fractional
    ends). It assumes nothing about the shape, unlike the one-third rule.

    Examples
    --------
    >>> mean_pressure(np.array([80.0, 120.0, 80.0, 100.0, 80.0]), [0.0, 2.0], [2.0, 4.0])
    array([100.,  90.])
    """
    a = np.asarray(onset, dtype=np.float64)
    b = np.asarray(end, dtype=np.float64)
    return integral(pressure, a, b) / (b - a)


def pulse_pressure(sbp: ArrayLike, dbp: ArrayLike) -> Float:
    """
    Systolic minus diastolic pressure of the same beat.

    Parameters
    ----------
    sbp, dbp : array_like, shape (n_beats,)
        Systolic and diastolic pressure [mmHg].

    Returns
    -------
    ndarray, shape (n_beats,)
        Pulse pressure [mmHg].

    Examples
    --------
    >>> pulse_pressure([120.0], [80.0])
    array([40.])
    """
    return np.asarray(sbp, dtype=np.float64) - np.asarray(dbp, dtype=np.float64)


def beat_duration(onset: ArrayLike, end: ArrayLike, fs: float) -> Float:
    """
    Time from the foot of a beat to the next foot.

    Parameters
    ----------
    onset, end : array_like, shape (n_beats,)
        Foot of the beat and foot of the next one [samples].
    fs : float
        Sampling rate [Hz].

    Returns
    -------
    ndarray, shape (n_beats,)
        Duration [s]. NaN where the beat does not run to a next one.

    Examples
    --------
    >>> beat_duration([0.0], [100.0], fs=125.0)
    array([0.8])
    """
    return (np.asarray(end, dtype=np.float64) - np.asarray(onset, dtype=np.float64)) / fs


def heart_rate(duration: ArrayLike) -> Float:
    """
    Rate that corresponds to one beat's duration.

    Parameters
    ----------
    duration : array_like, shape (n_beats,)
        Beat duration [s].

    Returns
    -------
    ndarray, shape (n_beats,)
        Pulse rate [1/min].

    Examples
    --------
    >>> heart_rate([0.75])
    array([80.])
    """
    return 60.0 / np.asarray(duration, dtype=np.float64)


_RESTING = "adults at rest, as teaching tables print it"
_TABLES = "clinical reference tables (nursing and cardiac anaesthesia)"

SBP = Index(
    name="sbp",
    title="Systolic pressure",
    unit="mmHg",
    level="beat",
    readings=1.0,
    family="pressure",
    formula="highest pressure of the beat: vertex of a parabola fitted within 16 ms of the peak",
    inputs=("pressure", "peak", "fs"),
    function=systolic_pressure,
    sources=("common practice, no source: highest pressure of the beat",),
    rules=PRESSURE_RULES + CLIPPED + STATIC_LINE + dynamic_error("sbp"),
    harmed_by=("offset", "gain", "line"),
    shared_inputs=("pp",),
    published_range=Range(90.0, 140.0, _RESTING, _TABLES),
)

DBP = Index(
    name="dbp",
    title="Diastolic pressure",
    unit="mmHg",
    level="beat",
    readings=1.0,
    family="pressure",
    formula="lowest pressure between 100 ms (at most a quarter of the interval) before the foot and the "
    "steepest rise of the beat",
    inputs=("pressure", "onset", "steepest", "fs", "end"),
    function=diastolic_pressure,
    sources=("common practice, no source: lowest pressure before the upstroke",),
    # A clipped crest says nothing about the trough, but the rail may be the lower one.
    rules=(
        *PRESSURE_RULES,
        *caution("saturated", tables=("beats",)),
        Rule(
            CAUTION,
            When(column="clipped_share", above=0.0, tables=("windows", "record")),
            "the recorder clipped some beats at its rail: if that is the lower one, the value reads high",
        ),
        *STATIC_LINE,
        *dynamic_error("dbp"),
    ),
    harmed_by=("offset", "gain", "line"),
    shared_inputs=("pp", "systolic_area"),
    published_range=Range(60.0, 90.0, _RESTING, _TABLES),
)

_RADIAL = "a radial cannula can under-read the femoral mean"
_RADIAL_SOURCE = (
    "Agreements between mean arterial pressure from radial and femoral artery measurements in "
    "refractory shock patients. Preprint 2021. doi:10.21203/rs.3.rs-955003/v1"
)

MBP = Index(
    name="mbp",
    title="Mean arterial pressure",
    unit="mmHg",
    level="beat",
    family="pressure",
    formula="area under the pulse contour divided by the duration of the cycle, foot to next foot",
    inputs=("pressure", "onset", "end"),
    function=mean_pressure,
    sources=(
        "Libii J. Mean arterial pressure and average blood pressure. Proc 14th Northeast Bioengineering "
        "Conference 1988. doi:10.1109/NEBC.1988.19386 (abstract)",
    ),
    rules=PRESSURE_RULES + CLIPPED + reject("end_unknown") + STATIC_LINE,
    harmed_by=("offset", "gain"),
    limits=(
        Limit(
            "central mean pressure",
            "may read low",
            f"{_RADIAL} in shock treated with vasopressors",
            When(column="context.site", one_of=("radial",)),
            _RADIAL_SOURCE,
        ),
        Limit(
            "central mean pressure",
            "may read low",
            f"nobody documented the site, and {_RADIAL} in shock treated with vasopressors",
            When(facts=("site_undocumented",)),
            _RADIAL_SOURCE,
        ),
    ),
    window="time_mean",
    published_range=Range(70.0, 100.0, f"{_RESTING}; others print 70 to 105 or 80 to 120", _TABLES),
)

PP = Index(
    name="pp",
    title="Pulse pressure",
    unit="mmHg",
    level="beat",
    readings=2**0.5,
    family="pressure",
    formula="sbp - dbp of the same beat",
    inputs=("sbp", "dbp"),
    function=pulse_pressure,
    sources=("common practice, no source: difference of two pressures",),
    rules=PRESSURE_RULES + CLIPPED + GAIN + dynamic_error("pp"),
    harmed_by=("gain", "line"),
    shared_inputs=("sbp", "dbp"),
    published_range=Range(30.0, 60.0, "adults at rest; quoted from memory", _TABLES),
)

DURATION = Index(
    name="duration",
    title="Beat duration",
    unit="s",
    level="beat",
    family="pressure",
    formula="time from the foot of a beat to the next foot",
    inputs=("onset", "end", "fs"),
    function=beat_duration,
    sources=("common practice, no source: foot to foot",),
    rules=BEAT_RULES + reject("end_unknown") + caution("inverted", "beat_perhaps_missed"),
    column="duration_s",
    # In a window its mean is the heart rate; in the record's row the name means the recording's length.
    window="none",
    shared_inputs=("hr",),
)

HR = Index(
    name="hr",
    title="Heart rate (pulse rate)",
    unit="1/min",
    level="beat",
    family="pressure",
    formula="60 / duration; in a window 60 / mean duration",
    inputs=("duration",),
    function=heart_rate,
    sources=("common practice, no source: reciprocal of the interval",),
    rules=BEAT_RULES + reject("end_unknown") + caution("inverted", "beat_perhaps_missed"),
    limits=(
        Limit(
            "electrical heart rate",
            "reads low",
            "a beat too weak to reach the artery is not counted",
            When(facts=("ectopic", "irregular_rhythm")),
            "common practice, no source: pulse deficit",
        ),
    ),
    window="rate",
    shared_inputs=("duration",),
    published_range=Range(60.0, 100.0, "adults at rest; quoted from memory", "common practice, no source"),
)

INDICES = (SBP, DBP, MBP, PP, DURATION, HR)
