"""Level: the height of the transducer against the reference level, as a pressure.

Sign: a transducer below the reference level carries the column of fluid in between and reads too high; one
above it reads too low. The error is the same for every sample: levels shift, pulse pressure does not.
The height that counts is that of the opening to air at which the zero was taken, not of the sensor's body.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from hemoidx.errors import InputError
from hemoidx.units import PASCAL_PER_MMHG

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

#: Standard gravity [m/s2], the one in the definitions of mmHg and cmH2O (see `hemoidx.units`).
STANDARD_GRAVITY = 9.80665
#: Conventional density of water [kg/m3], as in the definition of cmH2O. 0.9 % saline at room temperature is
#: about 1005 (quoted from memory), which the default uncertainty of `Level` covers.
WATER_DENSITY = 1000.0
#: Density of blood [kg/m3]: 1.05 in a solved exercise of the University of Genoa; 1054 is implied by
#: Raamat R, Jagomagi K, Talts J, Mager I, Med Eng Phys 2009;31:522-527 (31.0 mmHg for 40 cm).
BLOOD_DENSITY = 1050.0


def column_pressure(
    height_cm: ArrayLike, density: float = WATER_DENSITY, gravity: float = STANDARD_GRAVITY
) -> NDArray[np.float64]:
    """
    Pressure of a column of fluid.

    Parameters
    ----------
    height_cm : array_like
        Height [cm].
    density : float
        [kg/m3].
    gravity : float
        [m/s2].

    Returns
    -------
    ndarray
        density x gravity x height [mmHg].

    Raises
    ------
    InputError
        If density or gravity is not a positive number.

    References
    ----------
    Pascal's law; constants as named in this module.

    Examples
    --------
    >>> column_pressure([10.0, -20.0]).round(2)
    array([  7.36, -14.71])
    """
    if not (0 < density < np.inf and 0 < gravity < np.inf):
        raise InputError(f"a column of fluid needs a density and a gravity above 0, got {density}, {gravity}")
    return np.asarray(np.multiply(height_cm, density * gravity * 0.01 / PASCAL_PER_MMHG), dtype=np.float64)


def limb_error(
    raised_cm: ArrayLike, fluid_density: float = WATER_DENSITY, blood_density: float = BLOOD_DENSITY
) -> NDArray[np.float64]:
    """
    What raising the cannulated limb does to a reading, the transducer staying at its level.

    Parameters
    ----------
    raised_cm : array_like
        How far the cannula is raised [cm].
    fluid_density, blood_density : float
        Densities of the fluid in the line and of blood [kg/m3].

    Returns
    -------
    ndarray
        Change of the reading [mmHg]: pressure at the cannula falls by the column of blood, and the column of
        fluid down to the transducer adds nearly as much. Texts take the two as equal, and so the change as 0.

    Examples
    --------
    >>> limb_error([0.0, 20.0]).round(1)
    array([ 0. , -0.7])
    """
    return column_pressure(raised_cm, fluid_density) - column_pressure(raised_cm, blood_density)


@dataclass(frozen=True)
class Level:
    """
    Height of the transducer against the reference level.

    Parameters
    ----------
    above_cm : float
        Height of the opening to air above the reference level [cm]; negative if it lies below.
    above_cm_se : float
        Its standard error [cm]; how well the reference level itself was found belongs to it.
    density, density_se : float
        Density of the fluid in the line and its standard error [kg/m3].

    Raises
    ------
    InputError
        If a number is missing, infinite or a standard error negative.

    Examples
    --------
    >>> round(Level(above_cm=20.0).reading_error, 1), round(Level(above_cm=-20.0).reading_error, 1)
    (-14.7, 14.7)
    """

    above_cm: float
    above_cm_se: float = 0.0
    density: float = WATER_DENSITY
    density_se: float = 5.0

    def __post_init__(self) -> None:
        numbers = (self.above_cm, self.above_cm_se, self.density, self.density_se)
        if not np.isfinite(numbers).all():
            raise InputError(f"level: heights, density and standard errors must be numbers, got {numbers}")
        if self.above_cm_se < 0 or self.density_se < 0 or self.density <= 0:
            raise InputError("level: standard errors must not be negative, and the density must be above 0")

    @property
    def reading_error(self) -> float:
        """What the channel reads too much [mmHg]: negative for a transducer above the reference level."""
        return -float(column_pressure(self.above_cm, self.density))

    @property
    def se(self) -> float:
        """Standard error of `reading_error` [mmHg]."""
        height = float(column_pressure(self.above_cm_se, self.density))
        return float(np.hypot(height, self.reading_error * self.density_se / self.density))
