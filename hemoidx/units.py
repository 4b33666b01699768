"""Units: pressures inside hemoidx are in mmHg, and this is the only way in; a few others are converted too.

References
----------
.. [ISO80000-4] ISO 80000-4, Quantities and units: mechanics, and NIST Special Publication 811,
   appendix B: conventional millimetre of mercury 133.322387415 Pa (13595.1 kg/m3 times
   9.80665 m/s2), conventional centimetre of water 98.0665 Pa (1000 kg/m3 times 9.80665 m/s2).
   Quoted from memory; the products in brackets reproduce both.
"""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

import numpy as np

from hemoidx.errors import UnitError

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

PASCAL_PER_MMHG = 133.322387415
PASCAL_PER_CMH2O = 98.0665
PASCAL_PER_KPA = 1000.0

_MMHG_PER_UNIT = {
    "mmHg": 1.0,
    "kPa": PASCAL_PER_KPA / PASCAL_PER_MMHG,
    "cmH2O": PASCAL_PER_CMH2O / PASCAL_PER_MMHG,
}
_BY_SPELLING = {name.lower(): name for name in _MMHG_PER_UNIT}

PRESSURE_UNITS = tuple(_MMHG_PER_UNIT)

#: Units of time, length and weight: the quantity, and how many of its base unit one is.
_OTHERS = {
    "s": ("time", 1.0),
    "ms": ("time", 1e-3),
    "min": ("time", 60.0),
    "h": ("time", 3600.0),
    "cm": ("length", 1.0),
    "m": ("length", 100.0),
    "mm": ("length", 0.1),
    "kg": ("weight", 1.0),
    "g": ("weight", 1e-3),
}
#: Ends of names that say the unit, longer ones first.
_SUFFIXES = (
    ("_ml_per_kg_pbw", "mL/kg"),
    ("_ml_per_cmh2o", "mL/cmH2O"),
    ("_l_per_min", "L/min"),
    ("_percent", "%"),
    ("_years", "years"),
    ("_mmhg", "mmHg"),
    ("_cm", "cm"),
    ("_kg", "kg"),
    ("_s", "s"),
)


def pressure_unit(unit: str | None) -> str | None:
    """
    Canonical spelling of a unit of pressure.

    Parameters
    ----------
    unit : str or None
        As found in a file: case, spaces, square brackets and a lowered 2 do not matter
        ('mm Hg', 'mmhg', 'mm[Hg]', 'cm H2O').

    Returns
    -------
    str or None
        'mmHg', 'kPa' or 'cmH2O'; None if it is none of them.

    Examples
    --------
    >>> pressure_unit("mm Hg"), pressure_unit("CMH2O"), pressure_unit("mV")
    ('mmHg', 'cmH2O', None)
    """
    if unit is None:
        return None
    return _BY_SPELLING.get(re.sub(r"[\s_\[\]]", "", unit).lower().replace("₂", "2"))


def mmhg_per_unit(unit: str | None, where: str = "pressure") -> float:
    """
    Factor that turns a value in `unit` into mmHg.

    Parameters
    ----------
    unit : str or None
        Unit as found in a file.
    where : str
        What is being read, for the error text.

    Returns
    -------
    float
        [mmHg per unit].

    Raises
    ------
    UnitError
        If the unit is missing, or is not mmHg, kPa or cmH2O.

    References
    ----------
    .. [ISO80000-4] See the head of this module.

    Examples
    --------
    >>> round(mmhg_per_unit("kPa"), 4)
    7.5006
    """
    name = pressure_unit(unit)
    if name is None:
        given = f"is in {unit!r}" if unit else "has no unit"
        raise UnitError(f"{where} {given}; a pressure must be in {', '.join(PRESSURE_UNITS[:-1])} or cmH2O")
    return _MMHG_PER_UNIT[name]


def to_mmhg(values: ArrayLike, unit: str | None, where: str = "pressure") -> NDArray[np.float64]:
    """
    Convert pressures to mmHg.

    Parameters
    ----------
    values : array_like
        Pressures [unit].
    unit : str or None
        Their unit; see `pressure_unit` for the spellings understood.
    where : str
        What is being read, for the error text.

    Returns
    -------
    ndarray
        Pressures [mmHg], float64; NaN stays NaN.

    Raises
    ------
    UnitError
        If the unit is missing, or is not mmHg, kPa or cmH2O.

    Examples
    --------
    >>> to_mmhg([13.3322387415], "kPa").round(6)
    array([100.])
    """
    return np.asarray(values, dtype=np.float64) * mmhg_per_unit(unit, where)


def of_name(name: str) -> str:
    """
    Unit that a name of ours says by its end.

    Parameters
    ----------
    name : str
        Such as "central_venous_pressure_mmhg".

    Returns
    -------
    str
        The unit; empty if the name says none.

    Examples
    --------
    >>> of_name("height_cm"), of_name("reference_flow_l_per_min"), of_name("pressure"), of_name("site")
    ('cm', 'L/min', 'mmHg', '')
    """
    if name == "pressure":
        return "mmHg"
    return next((unit for suffix, unit in _SUFFIXES if name.endswith(suffix)), "")


def in_unit(values: ArrayLike, unit: str, wanted: str, where: str) -> NDArray[np.float64]:
    """
    Convert values to a unit of the same quantity.

    Parameters
    ----------
    values : array_like
        Values [unit].
    unit, wanted : str
        Unit they are in, and the one that is needed.
    where : str
        What is being read, for the error text.

    Returns
    -------
    ndarray
        Values [wanted], float64.

    Raises
    ------
    UnitError
        If one is not of the same quantity as the other, or is not known.

    Examples
    --------
    >>> in_unit([1.72], "m", "cm", "height").tolist()
    [172.0]
    """
    if wanted == "mmHg" and pressure_unit(unit):
        return to_mmhg(values, unit, where)
    (quantity, size), (needed, base) = _OTHERS.get(unit, ("", 1.0)), _OTHERS.get(wanted, ("none", 1.0))
    if quantity != needed:
        raise UnitError(f"{where} is in {unit!r}, need {wanted}")
    return np.asarray(values, dtype=np.float64) * (size / base)
