"""
What follows from a documented flow: stroke volume, resistance, power, and the same for body size.

Nothing here estimates a flow. Where nobody documented one, or the central venous pressure that a resistance
needs, there is no value: neither is ever assumed.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from ...samples import Float
from .body import bsa_dubois

#: Customary factor from mmHg min/L to dyn s/cm5; exactly 79.9934.
DYN_PER_WOOD = 80.0
#: The exact factor: mmHg in dyn/cm2, times seconds a minute, over cm3 a litre.
DYN_PER_WOOD_EXACT = 1333.22387415 * 60.0 / 1000.0
#: Customary divisor from mmHg L/min to W; exactly 450.04.
POWER_DIVISOR = 451.0
#: The exact divisor.
POWER_DIVISOR_EXACT = 60000.0 / 133.322387415


def _float(value: ArrayLike) -> Float:
    return np.asarray(value, dtype=np.float64)


def _over(above: Float, below: Float) -> Float:
    return above / np.where(below > 0, below, np.nan)


def stroke_volume(co: ArrayLike, hr: ArrayLike) -> Float:
    """
    Mean stroke volume.

    Parameters
    ----------
    co : array_like
        Cardiac output [L/min].
    hr : array_like
        Heart rate [1/min].

    Returns
    -------
    ndarray
        Stroke volume [mL].

    Examples
    --------
    >>> stroke_volume([5.6], [70.0])
    array([80.])
    """
    return _over(1000.0 * _float(co), _float(hr))


def indexed(value: ArrayLike, height_cm: ArrayLike, weight_kg: ArrayLike) -> Float:
    """
    A flow, volume or power for each square metre of body surface.

    Parameters
    ----------
    value : array_like
        Cardiac output, stroke volume or power.
    height_cm : array_like
        Height [cm].
    weight_kg : array_like
        Weight [kg].

    Returns
    -------
    ndarray
        Value over body surface area by Du Bois [unit of the value / m2]; NaN where height or weight is not
        known.
    """
    return _float(value) / bsa_dubois(height_cm, weight_kg)


def per_area(value: ArrayLike, bsa: ArrayLike) -> Float:
    """
    A flow, volume or power over a body surface area that is known.

    Parameters
    ----------
    value : array_like
        Cardiac output, stroke volume or power.
    bsa : array_like
        Body surface area [m2].

    Returns
    -------
    ndarray
        Value over area [unit of the value / m2].

    Examples
    --------
    >>> per_area([5.1], [1.7]).round(6).tolist()
    [3.0]
    """
    return _over(_float(value), _float(bsa))


def resistance(mbp: ArrayLike, cvp: ArrayLike, co: ArrayLike) -> Float:
    """
    Systemic vascular resistance in mmHg min/L (Wood units).

    Parameters
    ----------
    mbp : array_like
        Mean arterial pressure [mmHg].
    cvp : array_like
        Central venous pressure [mmHg]; NaN where nobody documented it.
    co : array_like
        Cardiac output [L/min].

    Returns
    -------
    ndarray
        (mbp - cvp) / co [mmHg min/L].

    Examples
    --------
    >>> resistance([93.0], [5.0], [5.0])
    array([17.6])
    """
    return _over(_float(mbp) - _float(cvp), _float(co))


def resistance_dyn(mbp: ArrayLike, cvp: ArrayLike, co: ArrayLike) -> Float:
    """
    Systemic vascular resistance in dyn s/cm5.

    Parameters
    ----------
    mbp, cvp, co : array_like
        As in `resistance`.

    Returns
    -------
    ndarray
        80 (mbp - cvp) / co [dyn s/cm5], with the customary 80 in the place of 79.9934.

    Examples
    --------
    >>> resistance_dyn([95.0], [5.0], [5.0])
    array([1440.])
    """
    return DYN_PER_WOOD * resistance(mbp, cvp, co)


def resistance_index(resistance: ArrayLike, bsa: ArrayLike) -> Float:
    """
    Resistance against the flow of one square metre.

    Parameters
    ----------
    resistance : array_like
        Systemic vascular resistance [dyn s/cm5].
    bsa : array_like
        Body surface area [m2].

    Returns
    -------
    ndarray
        Resistance *times* area [dyn s m2/cm5]: flow is divided by area, so resistance is multiplied.

    Examples
    --------
    >>> resistance_index([1440.0], [1.7])
    array([2448.])
    """
    return _float(resistance) * _float(bsa)


def resistance_index_of_body(resistance: ArrayLike, height_cm: ArrayLike, weight_kg: ArrayLike) -> Float:
    """
    Resistance against the flow of one square metre, from height and weight.

    Parameters
    ----------
    resistance : array_like
        Systemic vascular resistance [dyn s/cm5].
    height_cm : array_like
        Height [cm].
    weight_kg : array_like
        Weight [kg].

    Returns
    -------
    ndarray
        Resistance times body surface area by Du Bois [dyn s m2/cm5].
    """
    return resistance_index(resistance, bsa_dubois(height_cm, weight_kg))


def resistance_above(mbp: ArrayLike, asymptote: ArrayLike, flow: ArrayLike) -> Float:
    """
    Resistance against the pressure at which flow would cease, in the place of venous pressure.

    Parameters
    ----------
    mbp : array_like
        Mean arterial pressure [mmHg].
    asymptote : array_like
        Pressure towards which a free fit of diastole decays [mmHg].
    flow : array_like
        Flow [mL/s].

    Returns
    -------
    ndarray
        (mbp - asymptote) / flow [mmHg s/mL]; as a rule a third of the usual resistance.

    Notes
    -----
    No column is made of it. The formula is recalled from memory.

    References
    ----------
    .. [1] Chemla D, Lau EMT, Herve P, and others. Arch Cardiovasc Dis 2017;110:659-666.
       doi:10.1016/j.acvd.2017.03.008 (concept in the abstract, formula recalled).
    """
    return _over(_float(mbp) - _float(asymptote), _float(flow))


def power(mbp: ArrayLike, co: ArrayLike) -> Float:
    """
    Cardiac power output.

    Parameters
    ----------
    mbp : array_like
        Mean arterial pressure [mmHg].
    co : array_like
        Cardiac output [L/min].

    Returns
    -------
    ndarray
        mbp co / 451 [W], with the customary 451 in the place of 450.04.

    References
    ----------
    .. [1] Fincke R, Hochman JS, Lowe AM, and others. J Am Coll Cardiol 2004;44:340-348.
       doi:10.1016/j.jacc.2004.03.060 (abstract).

    Examples
    --------
    >>> power([90.2], [5.0])
    array([1.])
    """
    return _float(mbp) * _float(co) / POWER_DIVISOR


def power_above_right_atrium(mbp: ArrayLike, rap: ArrayLike, co: ArrayLike) -> Float:
    """
    Cardiac power output by the pressure that drives the flow.

    Parameters
    ----------
    mbp : array_like
        Mean arterial pressure [mmHg].
    rap : array_like
        Right atrial (central venous) pressure [mmHg]; NaN where nobody documented it.
    co : array_like
        Cardiac output [L/min].

    Returns
    -------
    ndarray
        (mbp - rap) co / 451 [W].

    References
    ----------
    .. [1] Calculation of cardiac power output with right atrial pressure. Conference abstract, n = 224.
    """
    return power(_float(mbp) - _float(rap), co)
