"""One beat of a windkessel in closed form: what every formula that rests on one can be held against."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from hemoidx.errors import InputError

Float = NDArray[np.float64]

#: Human range of peripheral resistance [mmHg s/mL] and of compliance [mL/mmHg] in the literature on models.
RESISTANCE_RANGE = (0.6, 1.8)
COMPLIANCE_RANGE = (0.5, 2.0)
_GRID = 200_001


def half_sine_peak(stroke: ArrayLike, ejection: ArrayLike) -> Float:
    """
    Peak flow of a half sine that delivers a stroke volume.

    Parameters
    ----------
    stroke : array_like
        Stroke volume [mL].
    ejection : array_like
        Ejection time [s].

    Returns
    -------
    ndarray
        pi SV / (2 Ts) [mL/s].

    Examples
    --------
    >>> half_sine_peak(70.0, 1.0 / 3.0).round(1).item()
    329.9
    """
    return 0.5 * np.pi * np.asarray(stroke, dtype=np.float64) / np.asarray(ejection, dtype=np.float64)


@dataclass(frozen=True, slots=True)
class Windkessel:
    """
    Beat of a windkessel in a periodic steady state, driven by a half sine of flow.

    Attributes
    ----------
    resistance : float
        Peripheral resistance [mmHg s/mL].
    compliance : float
        Compliance [mL/mmHg].
    impedance : float
        Characteristic impedance in front of both [mmHg s/mL]; 0 leaves two elements.
    duration, ejection : float
        Heart period and ejection time [s].
    stroke : float
        Stroke volume [mL].

    Raises
    ------
    InputError
        If one of them cannot be.

    Notes
    -----
    C dp/dt + p/R = q, with venous pressure 0. By default a representative adult: R 1.0, C 1.5, Zc 0.05.

    References
    ----------
    Westerhof N, Lankhaar JW, Westerhof BE. The arterial windkessel. Med Biol Eng Comput 2009;47:131-141.
    """

    resistance: float = 1.0
    compliance: float = 1.5
    impedance: float = 0.05
    duration: float = 0.8
    ejection: float = 0.3
    stroke: float = 70.0

    def __post_init__(self) -> None:
        positive = (self.resistance, self.compliance, self.stroke, self.ejection)
        if min(positive) <= 0 or self.impedance < 0 or not self.ejection < self.duration:
            raise InputError(
                "windkessel: resistance, compliance, stroke and ejection must be positive, impedance not "
                "negative, and ejection shorter than the beat"
            )

    @property
    def tau(self) -> float:
        """Time constant of diastole [s]."""
        return self.resistance * self.compliance

    @property
    def mean(self) -> float:
        """Mean pressure at the inlet [mmHg]."""
        return (self.resistance + self.impedance) * self.stroke / self.duration

    @property
    def cardiac_output(self) -> float:
        """Cardiac output [L/min]."""
        return self.stroke / self.duration * 0.06

    @property
    def _parts(self) -> tuple[float, float, float]:
        """Amplitude of the transient and of the forced part [mmHg], and angular frequency times tau."""
        turn = math.pi * self.tau / self.ejection
        forced = float(half_sine_peak(self.stroke, self.ejection)) * self.resistance / (1.0 + turn**2)
        rest = math.exp(-(self.duration - self.ejection) / self.tau)
        transient = forced * turn * (1.0 + rest) / -math.expm1(-self.duration / self.tau)
        return transient, forced, turn

    @property
    def onset_pressure(self) -> float:
        """Pressure when flow begins [mmHg]."""
        transient, forced, turn = self._parts
        return transient - forced * turn

    @property
    def end_systolic_pressure(self) -> float:
        """Pressure when flow ends [mmHg]."""
        transient, forced, turn = self._parts
        return transient * math.exp(-self.ejection / self.tau) + forced * turn

    def flow(self, time: ArrayLike) -> Float:
        """
        Flow at some times.

        Parameters
        ----------
        time : array_like
            Times from the onset of flow [s]; the beat repeats itself.

        Returns
        -------
        ndarray
            Flow [mL/s].
        """
        t = np.asarray(time, dtype=np.float64) % self.duration
        shape = np.where(t < self.ejection, np.sin(np.pi * t / self.ejection), 0.0)
        return half_sine_peak(self.stroke, self.ejection) * shape

    def pressure(self, time: ArrayLike) -> Float:
        """
        Pressure at some times.

        Parameters
        ----------
        time : array_like
            Times from the onset of flow [s]; the beat repeats itself.

        Returns
        -------
        ndarray
            Pressure at the inlet [mmHg].
        """
        transient, forced, turn = self._parts
        t = np.asarray(time, dtype=np.float64) % self.duration
        angle = np.pi * t / self.ejection
        systole = transient * np.exp(-t / self.tau) + forced * (np.sin(angle) - turn * np.cos(angle))
        diastole = self.end_systolic_pressure * np.exp(-(t - self.ejection) / self.tau)
        return np.where(t < self.ejection, systole, diastole) + self.impedance * self.flow(t)

    def slope_max(self) -> float:
        """Steepest rise, without the impedance [mmHg/s]."""
        t = np.linspace(0.0, self.ejection, _GRID)
        stored = self.pressure(t) - self.impedance * self.flow(t)
        return float(np.max((self.flow(t) - stored / self.resistance) / self.compliance))

    @property
    def figures(self) -> dict[str, float]:
        """
        Figures of the beat that bedside formulas ask for.

        ``sbp, dbp, pp, mbp, onset_pressure, end_systolic_pressure`` [mmHg], ``trough_s, peak_s`` (after the
        onset of flow) and ``tau`` [s], ``systolic_area, systolic_area_above_onset, diastolic_area`` [mmHg s]
        (split where flow begins and ends), ``slope_max`` [mmHg/s], ``form_factor`` [1],
        ``stroke_over_pulse`` [mL/mmHg], ``cardiac_output`` [L/min].
        """
        t = np.linspace(0.0, self.duration, _GRID)
        p = self.pressure(t)
        high, low = int(np.argmax(p)), int(np.argmin(p))
        fall = self.end_systolic_pressure - self.onset_pressure
        diastole = self.tau * fall
        systole = self.mean * self.duration - diastole
        sbp, dbp = float(p[high]), float(p[low])
        return {
            "tau": self.tau,
            "mbp": self.mean,
            "sbp": sbp,
            "dbp": dbp,
            "pp": sbp - dbp,
            "onset_pressure": self.onset_pressure,
            "end_systolic_pressure": self.end_systolic_pressure,
            "trough_s": float(t[low]),
            "peak_s": float(t[high]),
            "systolic_area": systole,
            "systolic_area_above_onset": systole - self.onset_pressure * self.ejection,
            "diastolic_area": diastole,
            "slope_max": self.slope_max(),
            "form_factor": (self.mean - dbp) / (sbp - dbp),
            "stroke_over_pulse": self.stroke / (sbp - dbp),
            "cardiac_output": self.cardiac_output,
        }
