"""The upstroke: how fast pressure rises."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ..samples import Float, around, correlated, derivative_half_width, nearest, polynomial_kernel, vertex
from .catalogue import Index, Range
from .rules import CLIPPED, DYNAMIC_SHAPE, GAIN, PRESSURE_RULES, Limit, caution, reject


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
            source="Vaquer S, Chemla D, Teboul JL, et al. Ann Intensive Care 2019;9:61",
        ),
    ),
    published_range=Range(
        597.0,
        1029.0,
        "femoral initial tangent, mean and one standard deviation, 17 patients before bypass surgery",
        "Laengin M, Kowalski C, Christ F, Zwissler B, Kisch-Wedel H. 2014 (abstract)",
    ),
)

INDICES = (DPDT_MAX,)
