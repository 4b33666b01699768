"""
What a fluid-filled line is made of, and the natural frequency and damping ratio that follow from it.

A line is a chain from the artery to the transducer: cannula, tubing, taps, perhaps a bubble and a narrow
place. Here the chain is lumped to its lowest mode. `hemoidx.simulate.tube` solves the same chain without
lumping it.
"""

from __future__ import annotations

import dataclasses
import math
from dataclasses import dataclass, field
from functools import lru_cache
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from ..errors import InputError
from ..units import PASCAL_PER_MMHG
from .tubing import PROFILES, WALL_HZ, Fluid, check_bounds, impedance_per_length, wall_admittance

Float = NDArray[np.float64]

#: Ratio of the heats of the gas in a bubble: warmth exchanged with the fluid at once, or not at all.
GAS = {"isothermal": 1.0, "adiabatic": 1.4}
_MM3 = 1e-9
_CELLS = 64


@dataclass(frozen=True, slots=True)
class PhysicalLine:
    """
    A fluid-filled line from artery to transducer.

    Parameters
    ----------
    tubing_length_cm, tubing_bore_mm : float
        Length [cm] and inner diameter [mm] of the tubing.
    wall_compliance_mm3_per_mmhg_m : float
        Volume that a metre of tubing takes up for each mmHg [mm3/mmHg/m], at `WALL_HZ`; 0 for a rigid wall.
    wall_loss : float
        Tangent of the loss angle of the wall: share of the energy that stretching it costs; the same at all
        frequencies.
    fluid : Fluid
        What fills the line.
    taps : int
        Number of taps between cannula and transducer; half of them (rounded up) beside the cannula.
    tap_length_mm, tap_bore_mm : float
        Way through one tap [mm].
    cannula_length_mm, cannula_bore_mm : float
        Length and inner diameter of the cannula [mm].
    constriction_mmhg_s_per_ml : float
        Resistance of a narrow place at the cannula (kink, clot, vessel wall) [mmHg s/mL].
    transducer_compliance_mm3_per_100mmhg : float
        Volume that the transducer takes up for 100 mmHg [mm3].
    bubble_volume_ml : float
        Volume of air at the pressure of the line [mL].
    bubble_at : float
        Where it sits along the tubing: 0 at the cannula, 1 at the transducer.
    gas : str
        ``isothermal`` or ``adiabatic``, see `GAS`.
    pressure_mmhg, atmosphere_mmhg : float
        Mean pressure in the line above the atmosphere, and the atmosphere itself [mmHg].
    profile : str
        One of `PROFILES`.

    Raises
    ------
    InputError
        If a value cannot be, or nothing in the line can move.

    Notes
    -----
    Defaults are assumptions without source. Those of wall and transducer put the line among 50 measured
    radial lines (13 to 40 Hz); published compliances of stiff and soft tubing were not found.
    """

    tubing_length_cm: float = 120.0
    tubing_bore_mm: float = 1.5
    wall_compliance_mm3_per_mmhg_m: float = 0.012
    wall_loss: float = 0.1
    fluid: Fluid = field(default_factory=Fluid)
    taps: int = 2
    tap_length_mm: float = 20.0
    tap_bore_mm: float = 2.0
    cannula_length_mm: float = 45.0
    cannula_bore_mm: float = 0.8
    constriction_mmhg_s_per_ml: float = 0.0
    transducer_compliance_mm3_per_100mmhg: float = 0.1
    bubble_volume_ml: float = 0.0
    bubble_at: float = 1.0
    gas: str = "isothermal"
    pressure_mmhg: float = 90.0
    atmosphere_mmhg: float = 760.0
    profile: str = "oscillating"

    def __post_init__(self) -> None:
        bounds = {
            "tubing_length_cm": (0.1, 2000.0),
            "tubing_bore_mm": (0.05, 20.0),
            "wall_compliance_mm3_per_mmhg_m": (0.0, 100.0),
            "wall_loss": (0.0, 2.0),
            "taps": (0, 50),
            "tap_length_mm": (0.0, 200.0),
            "tap_bore_mm": (0.05, 20.0),
            "cannula_length_mm": (0.0, 1000.0),
            "cannula_bore_mm": (0.05, 20.0),
            "constriction_mmhg_s_per_ml": (0.0, 1e6),
            "transducer_compliance_mm3_per_100mmhg": (0.0, 1e4),
            "bubble_volume_ml": (0.0, 50.0),
            "bubble_at": (0.0, 1.0),
            "pressure_mmhg": (-100.0, 500.0),
            "atmosphere_mmhg": (200.0, 1000.0),
        }
        check_bounds("line", self, bounds)
        if self.gas not in GAS or self.profile not in PROFILES:
            raise InputError(
                f"line: gas must be one of {', '.join(GAS)} and profile one of {', '.join(PROFILES)}, "
                f"got {self.gas!r} and {self.profile!r}"
            )
        parts = (
            self.wall_compliance_mm3_per_mmhg_m,
            self.transducer_compliance_mm3_per_100mmhg,
            self.bubble_volume_ml,
        )
        if not any(parts):
            raise InputError("line: needs a compliance in the wall, the transducer or a bubble")

    def replace(self, **changes: object) -> PhysicalLine:
        """Return a copy with some values changed."""
        return dataclasses.replace(self, **changes)  # type: ignore[arg-type]

    @property
    def bubble_compliance_mm3_per_mmhg(self) -> float:
        """
        Volume by which the bubble shrinks for each mmHg [mm3/mmHg]: V / (k P).

        P is the absolute pressure and k the ratio of heats: Boyle's law (k = 1), or no warmth exchanged.
        """
        absolute = self.pressure_mmhg + self.atmosphere_mmhg
        return 1000.0 * self.bubble_volume_ml / (GAS[self.gas] * absolute)


class Pipe(NamedTuple):
    """A piece of tube: length and inner radius [m], compliance of its wall for each metre [m2/Pa]."""

    length: float
    radius: float
    compliance: float


class Throttle(NamedTuple):
    """A narrow place without length: its resistance [Pa s/m3]."""

    resistance: float


class Chamber(NamedTuple):
    """Something that gives way beside the flow: its compliance [m3/Pa]."""

    compliance: float


Part = Pipe | Throttle | Chamber


def chain(line: PhysicalLine) -> tuple[Part, ...]:
    """Parts of a line from the artery to the transducer, in SI units; the last one is the transducer."""
    tubing = line.tubing_length_cm / 100.0
    wall = line.wall_compliance_mm3_per_mmhg_m * _MM3 / PASCAL_PER_MMHG
    radius = line.tubing_bore_mm / 2000.0
    tap = Pipe(line.tap_length_mm / 1000.0, line.tap_bore_mm / 2000.0, 0.0)
    beside_cannula = (line.taps + 1) // 2
    parts: list[Part] = [
        Pipe(line.cannula_length_mm / 1000.0, line.cannula_bore_mm / 2000.0, 0.0),
        Throttle(line.constriction_mmhg_s_per_ml * PASCAL_PER_MMHG * 1e6),
        *[tap] * beside_cannula,
        Pipe(tubing * line.bubble_at, radius, wall),
        Chamber(line.bubble_compliance_mm3_per_mmhg * _MM3 / PASCAL_PER_MMHG),
        Pipe(tubing * (1.0 - line.bubble_at), radius, wall),
        *[tap] * (line.taps - beside_cannula),
        Chamber(line.transducer_compliance_mm3_per_100mmhg / 100.0 * _MM3 / PASCAL_PER_MMHG),
    ]
    return (*(part for part in parts[:-1] if part[0] > 0.0), parts[-1])


@dataclass(frozen=True, slots=True)
class Lumped:
    """
    A line lumped to its lowest mode.

    Attributes
    ----------
    natural_frequency_hz, damping_ratio : float
        Natural frequency [Hz] and damping ratio.
    wall_share, transducer_share, bubble_share : float
        Shares of the energy of compression that sit in the wall, the transducer and the bubble.
    """

    natural_frequency_hz: float
    damping_ratio: float
    wall_share: float
    transducer_share: float
    bubble_share: float


@lru_cache(maxsize=512)
def lumped(line: PhysicalLine) -> Lumped:
    """
    Lump a line to a second-order one.

    Parameters
    ----------
    line : PhysicalLine
        The line.

    Returns
    -------
    Lumped

    Notes
    -----
    Natural frequency is that of the lowest mode without losses, whose shape is found by inverse iteration on
    the chain; damping ratio is the energy lost in a radian over twice the energy stored. For a rigid line
    with one compliance at its end both are the textbook formulas [1]_
    ``sqrt(pi r^2 / (c_u rho L C)) / (2 pi)`` and ``(4 mu c_v / r^3) sqrt(L C / (pi rho c_u))``: c_u and c_v
    are 1 in plug flow, 4/3 and 1 in parabolic flow, and follow from natural frequency in oscillating flow.
    A transducer with wall compliance in front of it lies between a third of it (transducer dominates) and
    4 / pi^2 (wall dominates: quarter-wave resonance).

    Damping is that of fluid and wall alone. Measured lines with bubbles are damped less than one compliance
    explains (Promonet and others, Anesthesiology 2000;92:208-218), lines with long tubing more: the number
    is an estimate, no measurement.

    References
    ----------
    .. [1] Waite L, Fine J. Applied Biofluid Mechanics. McGraw-Hill 2007, section 8.3.
    """
    w = 2 * math.pi * WALL_HZ
    mode = _mode(line, w)
    for _ in range(80):
        if abs(mode.w - w) <= 1e-10 * w:
            break
        # Half way, so that a strongly lossy wall does not make it swing.
        w = math.sqrt(w * mode.w)
        mode = _mode(line, w)
    return Lumped(mode.w / (2 * math.pi), mode.damping, *mode.shares)


class _Mode(NamedTuple):
    w: float
    damping: float
    shares: tuple[float, float, float]


def _mode(line: PhysicalLine, w: float) -> _Mode:
    """Lowest mode with inertances, resistances and wall as they are at one angular frequency."""
    inertance: list[Float] = []
    resistance: list[Float] = []
    # Compliance at the nodes behind each piece: wall, bubble, transducer.
    give: list[Float] = []
    s = np.array([1j * w])
    parts = chain(line)
    for number, part in enumerate(parts):
        if isinstance(part, Pipe):
            cells = _CELLS if part.compliance else 1
            z = complex(impedance_per_length(part.radius, line.fluid, line.profile, s)[0]) * part.length
            inertance.append(np.full(cells, z.imag / w / cells))
            resistance.append(np.full(cells, z.real / cells))
            wall = float(np.imag(wall_admittance(line.wall_loss, part.compliance * part.length, s)[0])) / w
            here = np.zeros((cells, 3))
            here[:, 0] = wall / cells
            # Trapezoid: half of each cell belongs to the node in front of it.
            here[-1, 0] /= 2.0
            if give:
                give[-1][-1, 0] += wall / cells / 2.0
            give.append(here)
        elif isinstance(part, Throttle):
            inertance.append(np.zeros(1))
            resistance.append(np.full(1, part.resistance))
            give.append(np.zeros((1, 3)))
        elif give:
            # A chamber right at the artery has its pressure and plays no part.
            give[-1][-1, 2 if number == len(parts) - 1 else 1] += part.compliance
    node = np.concatenate(give)
    length, drag, c = np.concatenate(inertance), np.concatenate(resistance), node.sum(axis=1)
    p = np.cumsum(length)
    p /= p[-1]
    for _ in range(40):
        flow = np.cumsum((c * p)[::-1])[::-1]
        new = np.cumsum(length * flow)
        square = float((c * p * new).sum() / (c * new * new).sum())
        new /= new[-1]
        if np.abs(new - p).max() < 1e-12:
            break
        p = new
    found = math.sqrt(square)
    energy = float((c * p * p).sum())
    shares = (node * (p * p)[:, None]).sum(axis=0) / energy
    loss = float((drag * flow**2).sum() / (length * flow**2).sum()) / (2.0 * found)
    return _Mode(
        found,
        loss + 0.5 * line.wall_loss * float(shares[0]),
        (float(shares[0]), float(shares[2]), float(shares[1])),
    )


def natural_frequency_hz(line: PhysicalLine) -> float:
    """Natural frequency of a line [Hz], see `lumped`."""
    return lumped(line).natural_frequency_hz


def damping_ratio(line: PhysicalLine) -> float:
    """Damping ratio of a line, see `lumped`."""
    return lumped(line).damping_ratio
