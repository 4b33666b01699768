"""Ejection: how long it lasts and the area under it."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ..samples import Float, integral


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
