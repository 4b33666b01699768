"""What zero, level and gain leave open, as one number each, and what that does to a pressure."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from hemoidx.errors import InputError

if TYPE_CHECKING:
    from hemoidx.line.calibration import Calibration
    from hemoidx.line.level import Level

Float = NDArray[np.float64]


class StaticError(NamedTuple):
    """Standard error from the offset (zero and level) and from the gain [unit of the value]."""

    offset: Float
    gain: Float

    @property
    def combined(self) -> Float:
        """Both together."""
        return np.asarray(np.hypot(self.offset, self.gain))


@dataclass(frozen=True)
class StaticUncertainty:
    """
    Standard errors of zero, level and gain: shared by all beats, not reduced by averaging.

    Parameters
    ----------
    zero_se, level_se : float or ndarray
        [mmHg]; NaN if not known. Arrays go with the values they are asked about.
    gain_se : float or ndarray
        Relative, as a fraction of 1; NaN if not known.

    Raises
    ------
    InputError
        If one is negative or infinite.

    Notes
    -----
    Zero and level shift every pressure alike: systolic, diastolic and mean, not their differences. Gain
    scales pressures and differences about zero. Not known is not zero: NaN is carried through.

    Examples
    --------
    >>> static = StaticUncertainty(zero_se=0.6, level_se=0.8, gain_se=0.01)
    >>> static.propagate([120.0, 80.0]).combined.round(2)
    array([1.56, 1.28])
    >>> static.propagate([40.0], difference=True).combined
    array([0.4])
    """

    zero_se: float | Float = float("nan")
    level_se: float | Float = float("nan")
    gain_se: float | Float = float("nan")

    def __post_init__(self) -> None:
        for name in ("zero_se", "level_se", "gain_se"):
            value = np.asarray(getattr(self, name), dtype=np.float64)
            bad = value[(value < 0) | np.isinf(value)]
            if bad.size:
                raise InputError(f"{name} must be a number of 0 or more, or NaN if not known, got {bad[0]:g}")

    @property
    def offset_se(self) -> Float:
        """Standard error of zero and level together [mmHg]."""
        return np.asarray(np.hypot(self.zero_se, self.level_se))

    def propagate(self, value: ArrayLike, difference: bool = False) -> StaticError:
        """
        Standard error of a pressure or of a difference of pressures.

        Parameters
        ----------
        value : array_like
            Pressure (systolic, diastolic, mean), or difference (pulse pressure), or slope [mmHg, mmHg/s].
        difference : bool
            Whether it is a difference or a slope, which no offset touches.

        Returns
        -------
        StaticError
            Parts from offset and gain.
        """
        v = np.asarray(value, dtype=np.float64)
        offset = np.broadcast_to(0.0 if difference else self.offset_se, v.shape).copy()
        return StaticError(offset, np.asarray(np.abs(v) * self.gain_se))

    def plus_minus(
        self, value: ArrayLike, times: float = 1.0, difference: bool = False
    ) -> tuple[Float, Float]:
        """
        Value less and plus so many standard errors.

        Parameters
        ----------
        value : array_like
            See `propagate`.
        times : float
            Standard errors; 1.96 for 95 %.
        difference : bool
            See `propagate`.

        Returns
        -------
        low, high : ndarray
            To work out an index that is not linear in pressure, such as exposure, at both.
        """
        v = np.asarray(value, dtype=np.float64)
        reach = times * self.propagate(v, difference).combined
        return v - reach, v + reach


def static_uncertainty(calibration: Calibration, level: Level | None = None) -> StaticUncertainty:
    """
    Static uncertainty that remains after a calibration.

    Parameters
    ----------
    calibration : Calibration
        Its offset stands for the zero. A one-point calibration leaves the gain unknown.
    level : Level, optional
        Height of the transducer; unknown if left out.

    Returns
    -------
    StaticUncertainty
        The covariance of offset and gain is left out. It is negative for points at and above zero, so this
        states too much rather than too little; `Calibration.se` has it all.
    """
    return StaticUncertainty(
        calibration.offset_se,
        level.se if level else float("nan"),
        calibration.gain_se / calibration.gain,
    )
