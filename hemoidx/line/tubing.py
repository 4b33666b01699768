"""What a piece of tubing does: how its fluid resists and how its wall gives way."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..errors import InputError
from ..units import PASCAL_PER_MMHG

Complex = NDArray[np.complex128]

#: Flow in the tube: flat profile, steady parabolic profile, or the one that oscillates (Womersley).
PROFILES = ("plug", "parabolic", "oscillating")
#: The compliance of the wall is meant at this frequency [Hz]; a wall with losses gives way less above it.
WALL_HZ = 10.0


def check_bounds(what: str, part: object, bounds: dict[str, tuple[float, float]]) -> None:
    """Refuse values that cannot be."""
    for name, (low, high) in bounds.items():
        value = getattr(part, name)
        if not low <= value <= high:
            raise InputError(f"{what}: {name} must be {low:g} to {high:g}, got {value}")


@dataclass(frozen=True, slots=True)
class Fluid:
    """
    What fills the line; by default 0.9 % saline at 20 C, from memory.

    Parameters
    ----------
    density_kg_m3 : float
        Density [kg/m3].
    viscosity_mpa_s : float
        Viscosity [mPa s].
    """

    density_kg_m3: float = 1005.0
    viscosity_mpa_s: float = 1.02

    def __post_init__(self) -> None:
        check_bounds("fluid", self, {"density_kg_m3": (100.0, 20000.0), "viscosity_mpa_s": (0.0, 1e5)})


def impedance_per_length(radius: float, fluid: Fluid, profile: str, s: Complex) -> Complex:
    """
    Pressure gradient that drives a unit flow through a tube.

    Parameters
    ----------
    radius : float
        Inner radius [m].
    fluid : Fluid
        What fills it.
    profile : str
        One of `PROFILES`.
    s : ndarray of complex
        Complex frequencies [1/s], ``2 pi i f`` for a steady oscillation.

    Returns
    -------
    ndarray of complex
        Impedance of a metre [Pa s/m4].

    Notes
    -----
    Plug flow: ``rho s / A`` and the resistance of Poiseuille, ``8 mu / (pi r^4)``. Parabolic: inertance 4/3
    of that. Oscillating: ``(rho s / A) / (1 - 2 J1(k) / (k J0(k)))`` with ``k^2 = -s r^2 rho / mu`` [1]_: the
    parabolic form at low frequency, plug flow with growing resistance at high frequency.

    References
    ----------
    .. [1] Womersley JR. Method for the calculation of velocity, rate of flow and viscous drag in arteries
       when the pressure gradient is known. J Physiol 1955;127:553-563 (from memory).
    """
    area = math.pi * radius**2
    viscosity = fluid.viscosity_mpa_s / 1000.0
    inert = np.asarray(s, dtype=np.complex128) * fluid.density_kg_m3 / area
    poiseuille = 8.0 * viscosity / (math.pi * radius**4)
    if profile != "oscillating" or viscosity == 0.0:
        return np.asarray(poiseuille + inert * (4.0 / 3.0 if profile == "parabolic" else 1.0))
    from scipy.special import jve

    k2 = -np.asarray(s, dtype=np.complex128) * radius**2 * fluid.density_kg_m3 / viscosity
    small = np.abs(k2) < 1e-4
    k = np.sqrt(np.where(small, 1.0, k2))
    # Scaled functions: the scale cancels, the large arguments of high frequencies do not overflow.
    core = 1.0 - 2.0 * jve(1, k) / (k * jve(0, k))
    return np.asarray(np.where(small, poiseuille / (1.0 + k2 / 6.0), inert / core))


def wall_admittance(loss: float, compliance: float, s: Complex) -> Complex:
    """
    Flow that a wall of given loss tangent takes up for a unit pressure, from its compliance at `WALL_HZ`.

    ``C s (s / s0)^(-b)`` with ``b = 2 d / pi``: causal, passive, and with the same loss angle d everywhere.
    """
    share = 2.0 * math.atan(loss) / math.pi
    s = np.asarray(s, dtype=np.complex128)
    return np.asarray(compliance * s ** (1.0 - share) * (2.0 * math.pi * WALL_HZ) ** share)


def wall_compliance(bore_mm: float, outer_mm: float, modulus_mpa: float, poisson: float = 0.45) -> float:
    """
    Compliance of a metre of tubing from the dimensions and stiffness of its wall [mm3/mmHg/m].

    Parameters
    ----------
    bore_mm, outer_mm : float
        Inner and outer diameter [mm].
    modulus_mpa : float
        Young's modulus of the material [MPa].
    poisson : float
        Poisson's ratio.

    Notes
    -----
    Thick-walled cylinder, free to change its length (Lame, any text on elasticity):
    ``(2 pi a^2 / E) ((b^2 + a^2) / (b^2 - a^2) + nu)`` with radii a and b.
    """
    if not (0 < bore_mm < outer_mm and modulus_mpa > 0 and 0 <= poisson <= 0.5):
        raise InputError(
            f"tubing wall: needs 0 < bore < outer diameter, modulus > 0 and Poisson's ratio 0 to 0.5, got "
            f"{bore_mm:g}, {outer_mm:g}, {modulus_mpa:g} and {poisson:g}"
        )
    a2, b2 = bore_mm**2, outer_mm**2
    thick = (b2 + a2) / (b2 - a2) + poisson
    return float(math.pi * a2 / 2.0 / (modulus_mpa * 1e6) * thick * PASCAL_PER_MMHG * 1000.0)
