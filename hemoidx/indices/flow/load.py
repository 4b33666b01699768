"""Arterial load from pressure and a documented flow: compliance and effective elastance."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ...samples import Float, integral, value_at

#: Share of systolic pressure that stands for the pressure at the end of ejection.
END_SYSTOLIC = 0.9


def _float(value: ArrayLike) -> Float:
    return np.asarray(value, dtype=np.float64)


def _over(above: Float, below: Float) -> Float:
    return above / np.where(below > 0, below, np.nan)


def compliance_by_pulse(sv: ArrayLike, pp: ArrayLike) -> Float:
    """
    Total arterial compliance as stroke volume over pulse pressure.

    Parameters
    ----------
    sv : array_like
        Stroke volume [mL].
    pp : array_like
        Pulse pressure [mmHg].

    Returns
    -------
    ndarray
        sv / pp [mL/mmHg].

    Notes
    -----
    What runs off during ejection is taken for stored: on an ideal windkessel of 1.5 mL/mmHg it gives 2.3. In
    31 adults it agreed with the area method nevertheless (0.99 C + 0.05, r = 0.98).

    References
    ----------
    .. [1] Chemla D, Hebert JL, Coirault C, and others. Am J Physiol Heart Circ Physiol 1998;274:H500-H505.

    Examples
    --------
    >>> compliance_by_pulse([70.0], [40.0])
    array([1.75])
    """
    return _over(_float(sv), _float(pp))


def area_decay_time(pressure: NDArray[np.floating], notch: ArrayLike, end: ArrayLike, fs: float) -> Float:
    """
    Time constant of diastole by the area method.

    Parameters
    ----------
    pressure : ndarray, shape (n_samples,)
        Arterial pressure, evenly sampled [mmHg].
    notch, end : array_like, shape (n_beats,)
        Dicrotic notch and foot of the next beat [samples].
    fs : float
        Sampling rate [Hz].

    Returns
    -------
    ndarray, shape (n_beats,)
        integral of p dt / (p(notch) - p(end)) [s], the time constant of a decay towards zero.

    References
    ----------
    .. [1] Westerhof N, Lankhaar JW, Westerhof BE. Med Biol Eng Comput 2009;47:131-141 (method recalled).
    """
    a, b = _float(notch), _float(end)
    fall = value_at(pressure, a) - value_at(pressure, b)
    return _over(integral(pressure, a, b), fall) / fs


def compliance_by_area(area: ArrayLike, resistance: ArrayLike, first: ArrayLike, last: ArrayLike) -> Float:
    """
    Compliance by the area method, from its parts.

    Parameters
    ----------
    area : array_like
        Area under the pressure between two moments of diastole [mmHg s].
    resistance : array_like
        Peripheral resistance [mmHg s/mL].
    first, last : array_like
        Pressure at the two moments [mmHg].

    Returns
    -------
    ndarray
        area / (R (first - last)) [mL/mmHg].

    References
    ----------
    .. [1] Westerhof N, Lankhaar JW, Westerhof BE. Med Biol Eng Comput 2009;47:131-141 (formula recalled).

    Examples
    --------
    >>> compliance_by_area(45.0, 1.0, 100.0, 70.0).item()
    1.5
    """
    return _over(_float(area) / _float(resistance), _float(first) - _float(last))


def compliance_by_time_constant(tau: ArrayLike, mbp: ArrayLike, co: ArrayLike) -> Float:
    """
    Compliance from the time constant of a decay towards zero and the resistance against zero.

    Parameters
    ----------
    tau : array_like
        Time constant [s].
    mbp : array_like
        Mean arterial pressure [mmHg].
    co : array_like
        Cardiac output [L/min].

    Returns
    -------
    ndarray
        tau / R with R = mbp / co [mL/mmHg]. Both count from zero, since a decay towards zero does.
    """
    return _over(_float(tau) * _float(co) * 1000.0 / 60.0, _float(mbp))


def effective_elastance(sbp: ArrayLike, sv: ArrayLike) -> Float:
    """
    Effective arterial elastance.

    Parameters
    ----------
    sbp : array_like
        Systolic pressure [mmHg].
    sv : array_like
        Stroke volume [mL].

    Returns
    -------
    ndarray
        0.9 sbp / sv [mmHg/mL].

    References
    ----------
    .. [1] Kelly RP, Ting CT, Yang TM, and others. Circulation 1992;86:513-521. doi:10.1161/01.CIR.86.2.513.

    Examples
    --------
    >>> effective_elastance([100.0], [60.0])
    array([1.5])
    """
    return _over(END_SYSTOLIC * _float(sbp), _float(sv))


def mean_elastance(mbp: ArrayLike, sv: ArrayLike) -> Float:
    """
    What effective elastance comes to where the time constant is long: mean pressure over stroke volume.

    Parameters
    ----------
    mbp : array_like
        Mean arterial pressure [mmHg].
    sv : array_like
        Stroke volume [mL].

    Returns
    -------
    ndarray
        mbp / sv = R / T [mmHg/mL].

    References
    ----------
    .. [1] Li JK-J. Dynamics of the Vascular System. World Scientific 2004, section 4.1.

    Examples
    --------
    >>> mean_elastance([87.5], [70.0])
    array([1.25])
    """
    return _over(_float(mbp), _float(sv))


def elastance_by_regression(resistance: ArrayLike, duration: ArrayLike, compliance: ArrayLike) -> Float:
    """
    Effective elastance from the properties of the arteries, by a regression on a model.

    Parameters
    ----------
    resistance : array_like
        Peripheral resistance, 0.6 to 1.8 [mmHg s/mL].
    duration : array_like
        Heart period [s].
    compliance : array_like
        Compliance, 0.5 to 2.0 [mL/mmHg].

    Returns
    -------
    ndarray
        -0.13 + 1.02 R / T + 0.31 / C [mmHg/mL].

    References
    ----------
    .. [1] Segers P, Stergiopulos N, Westerhof N. Am J Physiol Heart Circ Physiol 2002;282:H1041-H1046.
       doi:10.1152/ajpheart.00764.2001 (abstract).
    """
    return -0.13 + 1.02 * _float(resistance) / _float(duration) + 0.31 / _float(compliance)


def elastance_of_windkessel(
    resistance: ArrayLike, tau: ArrayLike, ejection: ArrayLike, diastole: ArrayLike
) -> Float:
    """
    Effective elastance of a windkessel of two elements, in closed form.

    Parameters
    ----------
    resistance : array_like
        Peripheral resistance [mmHg s/mL].
    tau : array_like
        Time constant [s].
    ejection, diastole : array_like
        Length of systole and diastole [s].

    Returns
    -------
    ndarray
        R / (ts + tau (1 - exp(-td / tau))) [mmHg/mL].

    References
    ----------
    .. [1] Sunagawa K, Maughan WL, Burkhoff D, Sagawa K. Am J Physiol 1983;245:H773-H780 (recalled).
    """
    time = _float(tau)
    return _float(resistance) / (_float(ejection) - time * np.expm1(-_float(diastole) / time))
