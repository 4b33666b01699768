"""
Stroke volume from the pressure of one beat: published estimators as functions of arrays.

Each gives a number that is at best proportional to stroke volume, by one constant for each patient that the
pressure does not tell and that changes with the tone of the arteries. None is a volume.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ...samples import Float, integral

#: Constant of the form of pulse pressure that was meant for everybody [mL/mmHg]: 0.002 L.
FIXED_ML_PER_MMHG = 2.0


def _float(value: ArrayLike) -> Float:
    return np.asarray(value, dtype=np.float64)


def mean_pressure_stroke(mbp: ArrayLike, duration: ArrayLike) -> Float:
    """
    Constant resistance: flow follows mean pressure.

    Parameters
    ----------
    mbp : array_like, shape (n_beats,)
        Mean pressure of the beat [mmHg].
    duration : array_like, shape (n_beats,)
        Its duration [s].

    Returns
    -------
    ndarray, shape (n_beats,)
        Proportional to stroke volume [mmHg s]; times the heart rate, proportional to flow.

    Notes
    -----
    SV = k mbp T, so that CO = k mbp. No inventor: the null model that any other estimator has to beat.

    References
    ----------
    .. [1] Sun JX, Reisner AT, Saeed M, Heldt T, Mark RG. The cardiac output from blood pressure algorithms
       trial. Crit Care Med 2009;37:72-80 (mean pressure as comparator).

    Examples
    --------
    >>> mean_pressure_stroke([90.0], [0.8])
    array([72.])
    """
    return _float(mbp) * _float(duration)


def pulse_pressure_stroke(pp: ArrayLike) -> Float:
    """
    Constant compliance and ejection in no time: stroke volume follows pulse pressure.

    Parameters
    ----------
    pp : array_like, shape (n_beats,)
        Pulse pressure [mmHg].

    Returns
    -------
    ndarray, shape (n_beats,)
        Proportional to stroke volume [mmHg].

    Notes
    -----
    SV = k pp.

    References
    ----------
    .. [1] Erlanger J, Hooker DR. Johns Hopkins Hosp Rep 1904;12:145-378 (not seen; quoted by Koenig J, Hill
       LK, Williams DP, Thayer JF. Biomed Sci Instrum 2015;51:85-90).
    """
    return _float(pp).copy()


def fixed_pulse_pressure_flow(pp: ArrayLike, hr: ArrayLike) -> Float:
    """
    Pulse pressure with one constant for everybody.

    Parameters
    ----------
    pp : array_like
        Pulse pressure [mmHg].
    hr : array_like
        Heart rate [1/min].

    Returns
    -------
    ndarray
        Cardiac output [L/min] by this rule, with errors of half the value and more between people.

    Notes
    -----
    CO = 0.002 pp hr. No column is made of it: as a trend it is that of pulse pressure, and as an absolute
    number it claims what no calibration has shown.

    References
    ----------
    .. [1] Koenig J, Hill LK, Williams DP, Thayer JF. Biomed Sci Instrum 2015;51:85-90 (abstract).

    Examples
    --------
    >>> fixed_pulse_pressure_flow(40.0, 70.0).item()
    5.6
    """
    return FIXED_ML_PER_MMHG * _float(pp) * _float(hr) / 1000.0


def liljestrand_zander(pp: ArrayLike, sbp: ArrayLike, dbp: ArrayLike) -> Float:
    """
    Pulse pressure with a compliance that falls as pressure rises.

    Parameters
    ----------
    pp, sbp, dbp : array_like, shape (n_beats,)
        Pulse, systolic and diastolic pressure [mmHg].

    Returns
    -------
    ndarray, shape (n_beats,)
        Proportional to stroke volume [1]. NaN where the sum of the pressures is not positive.

    Notes
    -----
    SV = k pp / (sbp + dbp). A gain of all pressures leaves it as it is; an offset d changes it by the factor
    (sbp + dbp) / (sbp + dbp + 2 d), about -9 % for 10 mmHg at 120/80.

    References
    ----------
    .. [1] Liljestrand G, Zander E. Z Gesamte Exp Med 1928;59:105-122 (formula as told by Koenig 2015).

    Examples
    --------
    >>> liljestrand_zander([40.0], [120.0], [80.0])
    array([0.2])
    """
    total = _float(sbp) + _float(dbp)
    return _float(pp) / np.where(total > 0, total, np.nan)


def herd(mbp: ArrayLike, dbp: ArrayLike) -> Float:
    """
    Mean minus diastolic pressure in the place of pulse pressure.

    Parameters
    ----------
    mbp, dbp : array_like, shape (n_beats,)
        Mean and diastolic pressure [mmHg].

    Returns
    -------
    ndarray, shape (n_beats,)
        Proportional to stroke volume [mmHg].

    Notes
    -----
    SV = k (mbp - dbp): less of what a peripheral artery adds to the systolic peak.

    References
    ----------
    .. [1] Herd JA, Leclair NR, Simon W. J Appl Physiol 1966;21:1864-1868 (formula as printed in Crit Care
       2013;17:R113, table 1).

    Examples
    --------
    >>> herd([93.0], [80.0])
    array([13.])
    """
    return _float(mbp) - _float(dbp)


#: Level about which squares are taken [mmHg].
_NEAR = 90.0


def root_mean_square(pressure: NDArray[np.floating], onset: ArrayLike, end: ArrayLike) -> Float:
    """
    Root mean square of the pulsation about the mean of the beat.

    Parameters
    ----------
    pressure : ndarray, shape (n_samples,)
        Arterial pressure, evenly sampled [mmHg].
    onset, end : array_like, shape (n_beats,)
        Foot of the beat and foot of the next one [samples].

    Returns
    -------
    ndarray, shape (n_beats,)
        Proportional to stroke volume [mmHg]. NaN where `end` is unknown or a sample is missing.

    Notes
    -----
    sqrt(mean((p - mbp)^2)) over one cycle. A comparison prints the integral in the place of the mean, which
    differs by the square root of the cycle length (`rms_by_integral`).

    References
    ----------
    .. [1] Monge Garcia MI, Gracia Romero M, Gil Cano A, Rhodes A, Grounds RM, Cecconi M. Crit Care
       2013;17:R113, table 1.
    """
    a, b = _float(onset), _float(end)
    # About a level near any wave: the difference of two large squares would lose digits.
    swing = np.asarray(pressure, dtype=np.float64) - _NEAR
    mean = integral(pressure, a, b) / (b - a) - _NEAR
    power = integral(np.square(swing, out=swing), a, b) / (b - a) - mean**2
    return np.sqrt(np.maximum(power, 0.0))


def rms_by_integral(rms: ArrayLike, duration: ArrayLike) -> Float:
    """
    Root of the integral of the squared pulsation, the other printed form of the root mean square.

    Parameters
    ----------
    rms : array_like, shape (n_beats,)
        Root mean square of the pulsation [mmHg].
    duration : array_like, shape (n_beats,)
        Beat duration [s].

    Returns
    -------
    ndarray, shape (n_beats,)
        sqrt(integral of (p - mbp)^2 dt) = rms sqrt(T) [mmHg s^0.5].

    Notes
    -----
    It answers to heart rate where the mean does not. No column is made of it.

    References
    ----------
    .. [1] Monge Garcia MI and others. Crit Care 2013;17:R113, table 1 (form as printed).
    """
    return _float(rms) * np.sqrt(_float(duration))
