"""The upstroke: how fast pressure rises."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ...samples import Float, around, correlated, derivative_half_width, nearest, polynomial_kernel, vertex
from ..index import Index, Range
from ..limits import supported
from ..rules import CLIPPED, DYNAMIC_SHAPE, GAIN, PRESSURE_RULES, SHAPE_RULES, Limit, caution, reject

_LOADING = (
    "Vaquer S, Chemla D, Teboul JL, et al. Influence of changes in ventricular systolic function and loading "
    "conditions on pulse contour analysis-derived femoral dP/dtmax. Ann Intensive Care 2019;9:61"
)


def dpdt_max(pressure: NDArray[np.floating], steepest: ArrayLike, fs: float) -> Float:
    """
    Steepest rise of arterial pressure in each beat.

    Parameters
    ----------
    pressure : ndarray, shape (n_samples,)
        Arterial pressure, evenly sampled [mmHg].
    steepest : array_like, shape (n_beats,)
        Position of the steepest rise [samples].
    fs : float
        Sampling rate [Hz].

    Returns
    -------
    ndarray, shape (n_beats,)
        Maximum of dP/dt [mmHg/s]. NaN where the landmark is unknown or samples are missing.

    Notes
    -----
    First derivative of a fourth-order polynomial fitted over about 56 ms (9 samples span 64 ms at 125 Hz,
    15 span 56 ms at 250 Hz; at 60 Hz five span 67 ms), so the bandwidth is one of time and not of
    samples: 90 to 95 % of a 13 Hz component passes. The largest value within 24 ms of the landmark is
    interpolated by a parabola. Depends on the sampling rate, the measuring line and loading; a line
    with a natural frequency below 40 Hz changes it by more than 10 %.

    References
    ----------
    .. [1] Savitzky A, Golay MJE. Anal Chem 1964;36:1627-1639 (the derivative filter).
    """
    half = derivative_half_width(fs)
    reach = max(1, round(0.024 * fs))
    index, known = nearest(steepest)
    window = around(pressure, index, half + reach, half + reach)
    slope = correlated(window, polynomial_kernel(half, 4, 1))
    finite = np.isfinite(slope)
    best = np.argmax(np.where(finite, slope, -np.inf), axis=0)
    inner = np.clip(best, 1, slope.shape[0] - 2)
    row = np.arange(slope.shape[1])
    left, middle, right = slope[inner - 1, row], slope[inner, row], slope[inner + 1, row]
    shift = vertex(left, middle, right)
    peak = middle - 0.25 * (left - right) * shift
    value = np.where(best == inner, peak, slope[best, row])
    return np.where(known & finite.all(axis=0), value * fs, np.nan)


def time_to_peak(onset: ArrayLike, peak: ArrayLike, fs: float) -> Float:
    """
    Time from the foot of the upstroke to the systolic peak.

    Parameters
    ----------
    onset, peak : array_like, shape (n_beats,)
        Foot and peak [samples].
    fs : float
        Sampling rate [Hz].

    Returns
    -------
    ndarray, shape (n_beats,)
        [s]; NaN where a landmark is unknown.

    References
    ----------
    .. [1] Common practice, no source.

    Examples
    --------
    >>> time_to_peak([10.0], [25.0], fs=125.0)
    array([0.12])
    """
    return (np.asarray(peak, dtype=np.float64) - np.asarray(onset, dtype=np.float64)) / fs


def upstroke_slope(pp: ArrayLike, time_to_peak: ArrayLike) -> Float:
    """
    Mean rate of rise from the foot to the peak.

    Parameters
    ----------
    pp : array_like, shape (n_beats,)
        Pulse pressure [mmHg].
    time_to_peak : array_like, shape (n_beats,)
        Foot to peak [s].

    Returns
    -------
    ndarray, shape (n_beats,)
        pp / time_to_peak [mmHg/s].

    References
    ----------
    .. [1] Common practice, no source.

    Examples
    --------
    >>> upstroke_slope([40.0], [0.1])
    array([400.])
    """
    return np.asarray(np.asarray(pp, dtype=np.float64) / np.asarray(time_to_peak, dtype=np.float64))


DPDT_MAX = Index(
    name="dpdt_max",
    title="Steepest rise of arterial pressure (dP/dt max)",
    unit="mmHg/s",
    level="beat",
    family="upstroke",
    formula="largest first derivative of a fourth-order polynomial fitted over about 56 ms",
    inputs=("pressure", "steepest", "fs"),
    function=dpdt_max,
    sources=("Savitzky A, Golay MJE. Anal Chem 1964;36:1627-1639 (the derivative filter)",),
    # A clipped wave is as a rule a ringing one or one on its way out of range: its slope is not the artery's.
    rules=PRESSURE_RULES
    + CLIPPED
    + reject("line_bends_upstroke")
    + caution("sampling_rate_low", "coarse_steps")
    + GAIN
    + DYNAMIC_SHAPE,
    harmed_by=("gain", "line"),
    limits=(
        Limit(
            "contractility",
            "either way",
            "it changes with loading and moves with pulse pressure as well as with the force of the heart",
            source=_LOADING,
        ),
        Limit(
            "steepest rise of left ventricular pressure",
            "reads low",
            "the artery rises more slowly than the ventricle: by 732 +/- 539 mmHg/s at the femoral and 625 "
            "+/- 501 at the radial artery of pigs",
            source=(
                "Monge Garcia MI, Jian Z, Settels JJ, et al. Crit Care 2018;22:325. "
                "doi:10.1186/s13054-018-2260-1"
            ),
        ),
        Limit(
            "steepest rise in other recordings",
            "either way",
            "it goes by the sampling rate, the filter, the site and the line: this filter passes 90 to 95 "
            "% of 13 Hz from 125 Hz on",
            source="the response of the filter is computed; 'from 200 Hz on' is common advice, no source",
        ),
        *supported("contractility"),
    ),
    published_range=Range(
        597.0,
        1029.0,
        "femoral initial tangent, mean and one standard deviation, 17 patients before bypass surgery",
        "Laengin M, Kowalski C, Christ F, Zwissler B, Kisch-Wedel H. 2014 (abstract)",
    ),
)

TIME_TO_PEAK = Index(
    name="time_to_peak",
    title="Time from foot to peak",
    unit="s",
    level="beat",
    family="upstroke",
    formula="peak - onset",
    inputs=("onset", "peak", "fs"),
    function=time_to_peak,
    sources=("common practice, no source: foot to peak",),
    rules=SHAPE_RULES + CLIPPED + caution("sampling_rate_low", "line_bends_upstroke") + DYNAMIC_SHAPE,
    harmed_by=("line",),
    limits=(
        Limit(
            "time in which the ventricle ejects most",
            "either way",
            "reflected waves may draw a later peak (in the aorta of the old) or an earlier and sharper one "
            "(at the periphery)",
            source="common practice, no source",
        ),
        *supported("time in which the ventricle ejects most"),
    ),
    column="time_to_peak_s",
    shared_inputs=("upstroke_slope",),
)

UPSTROKE_SLOPE = Index(
    name="upstroke_slope",
    title="Mean upstroke slope",
    unit="mmHg/s",
    level="beat",
    family="upstroke",
    formula="pp / time_to_peak",
    inputs=("pp", "time_to_peak"),
    function=upstroke_slope,
    sources=("common practice, no source: foot to peak",),
    rules=PRESSURE_RULES
    + CLIPPED
    + caution("sampling_rate_low", "line_bends_upstroke")
    + GAIN
    + DYNAMIC_SHAPE,
    harmed_by=("gain", "line"),
    limits=(
        Limit(
            "contractility",
            "either way",
            "it moves with pulse pressure, and so with stroke volume and the stiffness of the arteries",
            source=f"{_LOADING} (of the steepest rise)",
        ),
        *supported("contractility"),
    ),
    shared_inputs=("time_to_peak",),
)

INDICES = (DPDT_MAX, TIME_TO_PEAK, UPSTROKE_SLOPE)
