"""Units of pressure: everything inside hemoidx is in mmHg, and this is the only way in.

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
