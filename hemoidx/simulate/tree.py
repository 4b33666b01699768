"""
Arteries that are not lumped: waves in a tree of tapered, viscous vessels from the aortic root to the wrist.

No formula of stroke volume inverts this. Flow that the heart ejects is given; pressure at the root and at the
radial artery follows, for one steady state of the circulation at a time. The dimensions of vessels are round
numbers of an adult recalled from textbooks of arterial mechanics, not those of any one publication.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike, NDArray

from hemoidx.errors import InputError
from hemoidx.line.tubing import Fluid, impedance_per_length, wall_admittance
from hemoidx.simulate.heart import BeatTrain, aortic_inflow
from hemoidx.units import PASCAL_PER_MMHG

Float = NDArray[np.float64]
Complex = NDArray[np.complex128]

BLOOD = Fluid(density_kg_m3=1060.0, viscosity_mpa_s=3.5)
#: From mmHg s/mL to Pa s/m3.
_SI = PASCAL_PER_MMHG * 1e6
#: Loss tangent of the arterial wall, recalled as 0.1 to 0.2 rad.
_WALL_LOSS = 0.12
#: Taper is drawn in steps of at most this length [cm].
_PIECE_CM = 6.0
#: Pressure at which wave speeds are meant [mmHg].
_REFERENCE_MMHG = 95.0
#: Middle and width [mmHg] of the arctangent of an elastic vessel in middle age, recalled.
_MIDDLE, _WIDTH = 40.0, 45.0
#: Frequencies above this carry nothing that a cannula would show [Hz].
_HIGHEST_HZ = 40.0
# The circle of the Fourier transform begins again: this much is thrown away [s].
_SETTLING_S = 20.0


def langewouters(pressure: ArrayLike, largest: float, middle: float, width: float) -> tuple[Float, Float]:
    """
    Cross-section of an aorta and its compliance, by the arctangent model.

    Parameters
    ----------
    pressure : array_like
        Transmural pressure [mmHg].
    largest : float
        Cross-section at very high pressure [cm2].
    middle, width : float
        Pressure of half of it, and how wide the transition is [mmHg].

    Returns
    -------
    area : ndarray
        A = Am (1/2 + arctan((p - p0) / p1) / pi) [cm2].
    compliance : ndarray
        dA/dp = Am / (pi p1) / (1 + ((p - p0) / p1)^2) [cm2/mmHg].

    References
    ----------
    Langewouters GJ, Wesseling KH, Goedhard WJA. The static elastic properties of 45 human thoracic and 20
    abdominal aortas in vitro and the parameters of a new model. J Biomech 1984;17:425-435.
    """
    x = (np.asarray(pressure, dtype=np.float64) - middle) / width
    return largest * (0.5 + np.arctan(x) / np.pi), largest / (np.pi * width) / (1.0 + x**2)


@dataclass(frozen=True, slots=True)
class Vessel:
    """
    A vessel and what follows it.

    Attributes
    ----------
    length_cm : float
        Length [cm].
    inlet_cm, outlet_cm : float
        Inner radius at its ends [cm].
    speed_m_s : float
        Wave speed at 95 mmHg and usual tone [m/s].
    muscular : bool
        Whether its stiffness follows the tone; elastic ones follow pressure.
    share : float
        Share of the flow that leaves through the small vessels at its end.
    onward : tuple of Vessel
        Vessels that begin at its end.
    number : int
        How many alike lie side by side.
    """

    length_cm: float
    inlet_cm: float
    outlet_cm: float
    speed_m_s: float
    muscular: bool = False
    share: float = 0.0
    onward: tuple[Vessel, ...] = ()
    number: int = 1


RADIAL = Vessel(24.0, 0.19, 0.16, 9.0, muscular=True, share=0.012)
BRACHIAL = Vessel(26.0, 0.33, 0.24, 8.0, muscular=True, share=0.028, onward=(RADIAL,))
SUBCLAVIAN = Vessel(22.0, 0.42, 0.34, 6.5, onward=(BRACHIAL,))
_NECK = Vessel(20.0, 0.40, 0.35, 6.5, share=0.06, number=2)
_OTHER_ARM = Vessel(45.0, 0.45, 0.25, 7.0, muscular=True, share=0.08)
_LEG = Vessel(60.0, 0.48, 0.28, 8.5, muscular=True, share=0.11, number=2)
_ABDOMINAL = Vessel(14.0, 0.80, 0.65, 5.8, share=0.18, onward=(_LEG,))
_THORACIC = Vessel(22.0, 1.10, 0.85, 5.0, share=0.36, onward=(_ABDOMINAL,))
AORTA = Vessel(7.0, 1.45, 1.25, 4.6, onward=(_NECK, _OTHER_ARM, SUBCLAVIAN, _THORACIC))
#: Vessels on the way from the aortic root to the wrist.
WAY = (AORTA, SUBCLAVIAN, BRACHIAL, RADIAL)


@dataclass(frozen=True, slots=True)
class Circulation:
    """
    A steady state of heart and arteries.

    Attributes
    ----------
    stroke_ml : float
        Mean stroke volume [mL].
    rate : float
        Heart rate [1/min].
    resistance : float
        Resistance of all small vessels together [mmHg s/mL].
    small_compliance : float
        Their compliance [mL/mmHg]; that of the large ones follows from wave speeds.
    closing : float
        Pressure behind the small vessels, towards which a long diastole would decay [mmHg].
    stiffness : float
        Stiffness of elastic vessels relative to the usual one.
    tone : float
        The same for muscular vessels, by their smooth muscle.
    upstroke : float
        Time to peak flow relative to the usual one.
    ejection : float
        Ejection time relative to 0.3 sqrt(interval).
    size : float
        Lengths relative to the usual ones.
    breath_swing : float
        Swing of stroke volume with breathing, peak to peak, relative.
    variability : float
        Standard deviation of the interval, relative.
    """

    stroke_ml: float = 75.0
    rate: float = 70.0
    resistance: float = 0.85
    small_compliance: float = 0.35
    closing: float = 20.0
    stiffness: float = 1.0
    tone: float = 1.0
    upstroke: float = 1.0
    ejection: float = 1.0
    size: float = 1.0
    breath_swing: float = 0.08
    variability: float = 0.02

    def __post_init__(self) -> None:
        positive = (self.stroke_ml, self.rate, self.resistance, self.small_compliance, self.stiffness)
        if min(*positive, self.tone, self.upstroke, self.ejection, self.size) <= 0:
            raise InputError("circulation: volumes, rates, resistance and relative values must be positive")

    @property
    def mean_pressure(self) -> float:
        """Mean pressure that the small vessels hold [mmHg]."""
        return self.closing + self.resistance * self.stroke_ml * self.rate / 60.0


@dataclass(frozen=True)
class Beats:
    """Pressure at `root` and `radial` [mmHg], sampled at `fs`, and the beats ejected with their volume."""

    root: Float
    radial: Float
    fs: float
    train: BeatTrain = field(repr=False)


def _softer(vessel: Vessel, state: Circulation) -> float:
    """Compliance of a vessel in a state, relative to its usual one."""
    if vessel.muscular:
        return 1.0 / state.tone
    usual = langewouters(_REFERENCE_MMHG, 1.0, _MIDDLE, _WIDTH)[1]
    return float(langewouters(state.mean_pressure, 1.0, _MIDDLE, _WIDTH)[1] / usual) / state.stiffness


def _chain(vessel: Vessel, state: Circulation, s: Complex) -> tuple[Complex, Complex, Complex, Complex]:
    """Chain matrix of a vessel: pressure and flow at its inlet from those at its outlet."""
    pieces = max(1, math.ceil(vessel.length_cm * state.size / _PIECE_CM))
    length = 0.01 * vessel.length_cm * state.size / pieces
    softer = _softer(vessel, state)
    one: Complex = np.ones(s.shape, dtype=np.complex128)
    a, b, c, d = one, 0.0 * one, 0.0 * one, one
    for k in range(pieces):
        place = (k + 0.5) / pieces
        radius = 0.01 * (vessel.inlet_cm + place * (vessel.outlet_cm - vessel.inlet_cm))
        gives = math.pi * radius**2 / (BLOOD.density_kg_m3 * vessel.speed_m_s**2) * softer
        z = impedance_per_length(radius, BLOOD, "oscillating", s) * length
        y = wall_admittance(_WALL_LOSS, gives * length, s)
        g = np.sqrt(z * y)
        cosh, ratio = np.cosh(g), np.sinh(g) / g
        a, b, c, d = (
            a * cosh + b * y * ratio,
            a * z * ratio + b * cosh,
            c * cosh + d * y * ratio,
            c * z * ratio + d * cosh,
        )
    return a, b, c, d


def _load(vessel: Vessel, state: Circulation, s: Complex) -> Complex:
    """Impedance that a vessel sees at its end [Pa s/m3]."""
    admittance = np.zeros(s.shape, dtype=np.complex128)
    if vessel.share:
        whole = state.resistance / vessel.share * _SI
        compliance = state.small_compliance * vessel.share / _SI
        radius = 0.01 * vessel.outlet_cm
        speed = vessel.speed_m_s / math.sqrt(_softer(vessel, state))
        # Small vessels take up quick pulses as a vessel of the same calibre would, without an echo.
        quick = min(BLOOD.density_kg_m3 * speed / (math.pi * radius**2), 0.5 * whole)
        slow = whole - quick
        admittance += 1.0 / (quick + slow / (1.0 + s * slow * compliance))
    for one in vessel.onward:
        admittance += one.number / _inlet(one, state, s)
    return np.asarray(1.0 / admittance)


def _inlet(vessel: Vessel, state: Circulation, s: Complex) -> Complex:
    """Impedance at the inlet of a vessel [Pa s/m3]."""
    a, b, c, d = _chain(vessel, state, s)
    load = _load(vessel, state, s)
    return np.asarray((a * load + b) / (c * load + d))


def impedances(state: Circulation, f: ArrayLike) -> tuple[Complex, Complex]:
    """
    Impedance of the aortic root, and pressure at the wrist for a unit flow into the root.

    Parameters
    ----------
    state : Circulation
        State of the arteries.
    f : array_like, shape (n,)
        Frequencies [Hz], above 0.

    Returns
    -------
    root, radial : ndarray of complex, shape (n,)
        Pressure over inflow at the root [mmHg s/mL].
    """
    s = np.asarray(2j * np.pi * np.asarray(f, dtype=np.float64), dtype=np.complex128)
    root = _inlet(AORTA, state, s)
    gain = np.ones(s.shape, dtype=np.complex128)
    for vessel in WAY:
        a, b, _, _ = _chain(vessel, state, s)
        gain /= a + b / _load(vessel, state, s)
    return root / _SI, root * gain / _SI


@lru_cache(maxsize=1)
def _grid() -> Float:
    """Frequencies at which the tree is worked out: dense where time constants show, even above [Hz]."""
    return np.concatenate([[1e-6], np.geomspace(1e-3, 1.0, 160, endpoint=False), np.arange(1.0, 41.0, 0.1)])


def beat_train(state: Circulation, seconds: float, rng: np.random.Generator) -> BeatTrain:
    """
    Draw the beats of a state: breathing at about 15/min moves stroke volume, intervals vary a little.

    Parameters
    ----------
    state : Circulation
        State of the heart.
    seconds : float
        Time to be filled [s].
    rng : numpy.random.Generator
        Where chance comes from.

    Returns
    -------
    BeatTrain
        Beats with their stroke volume in mL.
    """
    base = 60.0 / state.rate
    n = int(seconds / base * 1.3) + 20
    interval = base * np.clip(1.0 + state.variability * rng.standard_normal(n), 0.7, 1.3)
    start = np.cumsum(interval) - interval
    inside = start < seconds - 0.5
    start, interval = start[inside], interval[inside]
    breath = np.sin(2.0 * np.pi * (start / 4.1 + rng.uniform()))
    stroke = state.stroke_ml * (
        1.0 + 0.5 * state.breath_swing * breath + 0.01 * rng.standard_normal(start.size)
    )
    length = state.ejection * np.clip(0.3 * np.sqrt(interval), 0.11, 0.36)
    return BeatTrain(start, interval, length, stroke, np.zeros(start.size, dtype=np.int64))


def pressures(state: Circulation, seconds: float, fs: float, rng: np.random.Generator) -> Beats:
    """
    Pressure at the aortic root and at the wrist in a steady state.

    Parameters
    ----------
    state : Circulation
        State of heart and arteries.
    seconds : float
        Length [s].
    fs : float
        Sampling rate [Hz].
    rng : numpy.random.Generator
        Where chance comes from.

    Returns
    -------
    Beats
        Pressures, and the beats that begin in them.
    """
    total = seconds + _SETTLING_S
    t = np.arange(round(total * fs)) / fs
    train = beat_train(state, total, rng)
    flow = np.fft.rfft(aortic_inflow(train, t, state.upstroke))
    f = np.fft.rfftfreq(t.size, 1.0 / fs)
    # Towards the highest frequency the pulse is faded out.
    fade = 0.5 + 0.5 * np.cos(np.pi * np.clip(f / _HIGHEST_HZ, 0.0, 1.0))
    grid = _grid()
    made = []
    for impedance in impedances(state, grid):
        fine = np.interp(f, grid, impedance.real) + 1j * np.interp(f, grid, impedance.imag)
        made.append(state.closing + np.fft.irfft(flow * fine * fade, t.size)[round(_SETTLING_S * fs) :])
    later = train.start >= _SETTLING_S
    kept = BeatTrain(
        train.start[later] - _SETTLING_S,
        train.interval[later],
        train.ejection[later],
        train.stroke[later],
        train.kind[later],
    )
    return Beats(made[0], made[1], fs, kept)
