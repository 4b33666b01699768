"""Stroke volume from the area under systole: published estimators, each at best proportional to it."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from ...samples import Float


def _float(value: ArrayLike) -> Float:
    return np.asarray(value, dtype=np.float64)


def systolic_area_stroke(systolic_area: ArrayLike) -> Float:
    """
    Constant impedance: stroke volume follows the area under systole.

    Parameters
    ----------
    systolic_area : array_like, shape (n_beats,)
        Area above diastolic pressure, foot to notch [mmHg s].

    Returns
    -------
    ndarray, shape (n_beats,)
        Proportional to stroke volume [mmHg s].

    Notes
    -----
    SV = k A. Authors differ on the baseline: `whole_systolic_area` is that above zero.

    References
    ----------
    .. [1] Kouchoukos NT, Sheppard LC, McDonald DA. Circ Res 1970;26:611-623 (area above diastolic).
    """
    return _float(systolic_area).copy()


def whole_systolic_area(systolic_area: ArrayLike, dbp: ArrayLike, ejection_time: ArrayLike) -> Float:
    """
    Area under the ejection part of the wave, above zero.

    Parameters
    ----------
    systolic_area : array_like, shape (n_beats,)
        Area above diastolic pressure, foot to notch [mmHg s].
    dbp : array_like, shape (n_beats,)
        Diastolic pressure [mmHg].
    ejection_time : array_like, shape (n_beats,)
        Foot to notch [s].

    Returns
    -------
    ndarray, shape (n_beats,)
        Integral of the pressure itself from foot to notch [mmHg s]; proportional to stroke volume.

    Notes
    -----
    The other baseline of the area methods; it carries the level of pressure with it.

    References
    ----------
    .. [1] Verdouw PD, Beaune J, Roelandt J, Hugenholtz PG. Basic Res Cardiol 1975;70:377-389 (as printed in
       Crit Care 2013;17:R113, table 1).

    Examples
    --------
    >>> whole_systolic_area([10.0], [80.0], [0.25])
    array([30.])
    """
    return _float(systolic_area) + _float(dbp) * _float(ejection_time)


def kouchoukos(systolic_area: ArrayLike, ejection_time: ArrayLike, duration: ArrayLike) -> Float:
    """
    Systolic area with a correction for what runs off during ejection.

    Parameters
    ----------
    systolic_area : array_like, shape (n_beats,)
        Area above diastolic pressure, foot to notch [mmHg s].
    ejection_time, duration : array_like, shape (n_beats,)
        Length of systole and of the beat [s].

    Returns
    -------
    ndarray, shape (n_beats,)
        Proportional to stroke volume [mmHg s]. NaN where the beat is no longer than its systole.

    Notes
    -----
    SV = k A (1 + Ts/Td), Td = T - Ts.

    References
    ----------
    .. [1] Kouchoukos NT, Sheppard LC, McDonald DA. Circ Res 1970;26:611-623. doi:10.1161/01.RES.26.5.611
       (abstract; aortic pressure of 12 dogs).

    Examples
    --------
    >>> kouchoukos([10.0], [0.3], [0.8])
    array([16.])
    """
    systole = _float(ejection_time)
    diastole = _float(duration) - systole
    return _float(systolic_area) * (1.0 + systole / np.where(diastole > 0, diastole, np.nan))


def corrected_impedance(area: ArrayLike, hr: ArrayLike, mbp: ArrayLike) -> Float:
    """
    Systolic area over an impedance that falls with heart rate and rises with mean pressure.

    Parameters
    ----------
    area : array_like, shape (n_beats,)
        Systolic area [mmHg s].
    hr : array_like, shape (n_beats,)
        Heart rate [1/min].
    mbp : array_like, shape (n_beats,)
        Mean pressure [mmHg].

    Returns
    -------
    ndarray, shape (n_beats,)
        Proportional to stroke volume [mmHg s]. NaN where the correction is not positive.

    Notes
    -----
    SV = k A (163 + hr - 0.48 mbp).

    References
    ----------
    .. [1] Wesseling KH, de Wit B, Weber JAP, Smith NT. Adv Cardiovasc Phys 1983;5(II):16-52 (as printed in
       Crit Care 2013;17:R113, table 1, with the area of the pressure itself; original not seen).

    Examples
    --------
    >>> corrected_impedance([10.0], [70.0], [93.0]).round(1).tolist()
    [1883.6]
    """
    factor = 163.0 + _float(hr) - 0.48 * _float(mbp)
    return _float(area) * np.where(factor > 0, factor, np.nan)


def corrected_impedance_age(area: ArrayLike, hr: ArrayLike, mbp: ArrayLike, age_years: ArrayLike) -> Float:
    """
    Later form of the corrected impedance, with age.

    Parameters
    ----------
    area : array_like, shape (n_beats,)
        Systolic area [mmHg s].
    hr : array_like, shape (n_beats,)
        Heart rate [1/min].
    mbp : array_like, shape (n_beats,)
        Mean pressure [mmHg].
    age_years : array_like, shape (n_beats,)
        Age [years].

    Returns
    -------
    ndarray, shape (n_beats,)
        Proportional to stroke volume [mmHg s]. NaN where the correction is not positive or age is unknown.

    Notes
    -----
    SV = k A (66 + hr - age (0.014 mbp - 0.8)). Recalled, not seen in print. At 34 years its slope on
    pressure is that of the form without age, its constant is not: the two answer differently to heart rate.

    References
    ----------
    .. [1] Jansen JRC, Wesseling KH, Settels JJ, Schreuder JJ. Eur Heart J 1990;11(suppl I):26-32 (recalled).

    Examples
    --------
    >>> corrected_impedance_age([10.0], [70.0], [93.0], [34.0]).round(2).tolist()
    [1189.32]
    """
    factor = 66.0 + _float(hr) - _float(age_years) * (0.014 * _float(mbp) - 0.8)
    return _float(area) * np.where(factor > 0, factor, np.nan)
