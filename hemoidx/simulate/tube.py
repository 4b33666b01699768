"""
A line that is not lumped: waves in a fluid-filled elastic tube between artery and transducer.

The patient's pressure enters at the cannula, a flush beside the transducer. Both meet the same chain of parts
(`hemoidx.line.physics.chain`), but not the same transfer: what a flush leaves behind is a column of fluid in
motion as well as a pressure.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike, NDArray

from hemoidx.errors import InputError
from hemoidx.line.physics import (
    Chamber,
    PhysicalLine,
    Pipe,
    Throttle,
    chain,
    lumped,
)
from hemoidx.line.response import frequency_response
from hemoidx.line.tubing import impedance_per_length, wall_admittance
from hemoidx.units import PASCAL_PER_MMHG

Float = NDArray[np.float64]
Complex = NDArray[np.complex128]

# Below this the impulse response of a line no longer counts [share of its area in a sample].
_FORGOTTEN = 1e-9
# Lines that remember for longer than this are none that anyone would read [s].
_LONGEST_S = 120.0


@dataclass(frozen=True, slots=True)
class Matrix:
    """
    Chain matrix of a line: pressure and flow at the artery from those at the transducer.

    Attributes
    ----------
    a, b, c, d : ndarray of complex
        ``p_in = a p + b q`` and ``q_in = c p + d q``; a and d without unit, b [Pa s/m3], c [m3/(Pa s)]. The
        transducer itself is part of the line, so that q is 0 unless a flush enters.
    """

    a: Complex
    b: Complex
    c: Complex
    d: Complex


def chain_matrix(line: PhysicalLine, s: ArrayLike) -> Matrix:
    """
    Multiply the parts of a line.

    Parameters
    ----------
    line : PhysicalLine
        The line.
    s : array_like of complex
        Complex frequencies [1/s]; ``2 pi i f`` for a steady oscillation.

    Returns
    -------
    Matrix
        Its determinant is 1: the line is reciprocal.

    Notes
    -----
    A pipe of series impedance z and wall admittance y for each metre has propagation constant
    ``g = sqrt(z y)`` and characteristic impedance ``sqrt(z / y)``: the equations of telegraphy, with
    Womersley's impedance for z (see `hemoidx.line.tubing.impedance_per_length`) and a wall of constant loss
    angle for y.
    """
    s = np.asarray(s, dtype=np.complex128)
    one: Complex = np.ones(s.shape, dtype=np.complex128)
    nil: Complex = np.zeros(s.shape, dtype=np.complex128)
    a, b, c, d = one, nil, nil, one
    for part in chain(line):
        if isinstance(part, Pipe):
            a2, b2, c2, d2 = _pipe(line, part, s)
        elif isinstance(part, Throttle):
            a2, b2, c2, d2 = one, np.full_like(one, part.resistance), nil, one
        else:
            assert isinstance(part, Chamber)
            a2, b2, c2, d2 = one, nil, np.asarray(part.compliance * s), one
        a, b, c, d = a * a2 + b * c2, a * b2 + b * d2, c * a2 + d * c2, c * b2 + d * d2
    return Matrix(a, b, c, d)


def _pipe(line: PhysicalLine, part: Pipe, s: Complex) -> tuple[Complex, Complex, Complex, Complex]:
    """Chain matrix of a piece of tube."""
    z = impedance_per_length(part.radius, line.fluid, line.profile, s) * part.length
    y = wall_admittance(line.wall_loss, part.compliance * part.length, s)
    g2 = z * y
    small = np.abs(g2) < 1e-8
    g = np.sqrt(np.where(small, 1.0, g2))
    cosh = np.where(small, 1.0 + g2 / 2.0, np.cosh(g))
    # sinh(g) / g, which is even in g: the sign of the root does not matter.
    ratio = np.where(small, 1.0 + g2 / 6.0, np.sinh(g) / g)
    return cosh, z * ratio, y * ratio, cosh


def transfer(line: PhysicalLine, f: ArrayLike) -> Complex:
    """
    Complex gain from the patient's pressure to the transducer.

    Parameters
    ----------
    line : PhysicalLine
        The line.
    f : array_like
        Frequencies [Hz].

    Returns
    -------
    ndarray of complex
        Pressure at the transducer over pressure at the cannula, 1 at zero frequency.
    """
    return np.asarray(1.0 / chain_matrix(line, _s(f)).a)


def transducer_impedance(line: PhysicalLine, f: ArrayLike) -> Complex:
    """
    Pressure at the transducer for a unit flow that enters there, the artery's pressure held.

    Parameters
    ----------
    line : PhysicalLine
        The line.
    f : array_like
        Frequencies [Hz].

    Returns
    -------
    ndarray of complex
        Impedance [mmHg s/mL]; at zero frequency the resistance of the whole line to steady flow. Its real
        part is never negative: the line makes no energy.
    """
    matrix = chain_matrix(line, _s(f))
    return np.asarray(matrix.b / matrix.a / (PASCAL_PER_MMHG * 1e6))


def flush_transfer(line: PhysicalLine, f: ArrayLike) -> Complex:
    """
    Complex gain from flush flow, as the pressure it makes when steady, to pressure at the transducer.

    Parameters
    ----------
    line : PhysicalLine
        The line.
    f : array_like
        Frequencies [Hz].

    Returns
    -------
    ndarray of complex
        `transducer_impedance` over its value at zero frequency, 1 there. For a lumped line it is
        ``(1 + s L / R)`` times `transfer`: the same natural frequency and damping, another start.
    """
    f = np.asarray(f, dtype=np.float64)
    return np.asarray(transducer_impedance(line, f) / steady_resistance(line))


def steady_resistance(line: PhysicalLine) -> float:
    """Resistance of the whole line to a steady flow [mmHg s/mL]."""
    resistance = float(transducer_impedance(line, np.zeros(1))[0].real)
    if not resistance > 0:
        raise InputError("line: a flush needs a line that resists steady flow; the fluid has no viscosity")
    return resistance


def _s(f: ArrayLike) -> Complex:
    return np.asarray(2j * np.pi * np.asarray(f, dtype=np.float64))


@dataclass(frozen=True, slots=True)
class Equivalent:
    """
    What a line is as far as two numbers can tell.

    Attributes
    ----------
    natural_frequency_hz, damping_ratio : float
        Of the second-order line whose transfer is nearest in the band of an arterial pulse.
    misfit : float
        Root mean square of the difference between the two transfers in that band.
    ringing_hz, ringing_damping : float
        Natural frequency [Hz] and damping ratio of the slowest free oscillation itself (the pole); NaN where
        the line does not swing.
    peak_hz, peak_gain : float
        Resonance: frequency [Hz] and height of the largest gain; NaN and 1 where there is none.
    """

    natural_frequency_hz: float
    damping_ratio: float
    misfit: float
    ringing_hz: float
    ringing_damping: float
    peak_hz: float
    peak_gain: float


@lru_cache(maxsize=1024)
def equivalent(line: PhysicalLine, top_hz: float = 25.0) -> Equivalent:
    """
    Find the second-order line that a distributed one resembles, its resonance and its pole.

    Parameters
    ----------
    line : PhysicalLine
        The line.
    top_hz : float
        Top of the band in which transfers are compared [Hz]; never beyond 1.3 times its natural frequency,
        where a tube parts from any line of second order.

    Returns
    -------
    Equivalent
    """
    from scipy.optimize import least_squares

    first = lumped(line)
    top = min(top_hz, 1.3 * first.natural_frequency_hz)
    f = np.linspace(top / 200, top, 200)
    true = transfer(line, f)

    def off(x: Float) -> Float:
        gap = frequency_response(f, float(np.exp(x[0])), float(np.exp(x[1]))) - true
        return np.concatenate([gap.real, gap.imag])

    start = np.log([first.natural_frequency_hz, max(first.damping_ratio, 1e-3)])
    found = least_squares(off, start, xtol=1e-10, ftol=1e-12)
    pole = _pole(line, 2 * np.pi * first.natural_frequency_hz, first.damping_ratio)
    ringing = (abs(pole) / (2 * np.pi), -pole.real / abs(pole)) if pole is not None else (np.nan, np.nan)
    # A fine grid around the first resonance, by parts of its own width.
    around = np.linspace(0.02, 2.0, 8000) * first.natural_frequency_hz
    gain = np.abs(transfer(line, around))
    k = int(gain.argmax())
    peaked = 0 < k < gain.size - 1 and gain[k] > 1.0 + 1e-6
    return Equivalent(
        float(np.exp(found.x[0])),
        float(np.exp(found.x[1])),
        float(np.sqrt(np.mean(np.abs(off(found.x)) ** 2) * 2)),
        float(ringing[0]),
        float(ringing[1]),
        float(around[k]) if peaked else np.nan,
        float(gain[k]) if peaked else 1.0,
    )


def _pole(line: PhysicalLine, w: float, damping: float) -> complex | None:
    """Root of ``a(s)`` above the real axis that lies nearest to the lumped one, by the secant method."""
    if damping >= 0.98:
        return None
    s0 = complex(-damping * w, w * math.sqrt(1.0 - damping * damping))
    s1 = s0 * (1.0 + 0.01j)

    def a(s: complex) -> complex:
        return complex(chain_matrix(line, np.array([s])).a[0])

    a0, a1 = a(s0), a(s1)
    for _ in range(60):
        if a1 == a0:
            break
        s2 = s1 - a1 * (s1 - s0) / (a1 - a0)
        # Not across the real axis, where viscous flow has a cut.
        s2 = complex(s2.real, max(s2.imag, 1e-3 * w))
        s0, a0, s1, a1 = s1, a1, s2, a(s2)
        if abs(s1 - s0) < 1e-11 * w:
            break
    return s1 if abs(a1) < 1e-6 and s1.real < 0 and s1.imag > 2e-3 * w else None


def memory_s(line: PhysicalLine) -> float:
    """Time after which a line has forgotten [s]: that of its slowest rate by the lumped model, with room."""
    first = lumped(line)
    w, z = 2 * np.pi * first.natural_frequency_hz, first.damping_ratio
    slow = w * z if z <= 1 else w * (z - math.sqrt(z * z - 1.0))
    memory = float(-math.log(_FORGOTTEN) / slow * 1.2 + 0.3)
    if memory > _LONGEST_S:
        raise InputError(
            f"line: it takes {memory:.0f} s to forget a pressure, too slow for a recording (at most "
            f"{_LONGEST_S:g} s); less air or a wider way is needed"
        )
    return memory


@lru_cache(maxsize=32)
def impulse_response(line: PhysicalLine, fs: float) -> tuple[Float, int]:
    """
    Finite impulse response from the patient's pressure to the transducer.

    Parameters
    ----------
    line : PhysicalLine
        The line.
    fs : float
        Rate of the samples it is used on [Hz].

    Returns
    -------
    response : ndarray
        Weights; their sum, the static gain, is 1.
    lead : int
        How many of them come before time 0: a band-limited wave shows a little of what follows.

    Notes
    -----
    The transfer sampled in frequency, finely enough that the response has died away within one period. What
    is left of a lossy wall's slow creep by then folds back; the sum keeps its share.
    """
    from scipy.fft import next_fast_len

    size = int(next_fast_len(max(int(memory_s(line) * fs), 512), real=True))
    h = np.fft.irfft(transfer(line, np.fft.rfftfreq(size, 1 / fs)), size)
    lead = min(size // 8, round(0.25 * fs))
    h = np.roll(h, lead)
    h /= h.sum()
    h.flags.writeable = False
    return h, lead


def through_tube(pressure: Float, line: PhysicalLine, fs: float) -> Float:
    """
    Send pressure at the cannula through a line to the transducer.

    Parameters
    ----------
    pressure : ndarray, shape (n,)
        Pressure at the cannula [mmHg].
    line : PhysicalLine
        The line; it had settled at the first sample.
    fs : float
        Rate [Hz].

    Returns
    -------
    ndarray, shape (n,)
        Pressure at the transducer [mmHg]; a steady pressure comes out as it went in.
    """
    from scipy.signal import oaconvolve

    pressure = np.asarray(pressure, dtype=np.float64)
    if pressure.ndim != 1 or not pressure.size or not fs > 0:
        raise InputError(f"line: needs a one-dimensional wave and fs > 0, got {pressure.shape} and {fs}")
    h, lead = impulse_response(line, fs)
    first, last = pressure[0], pressure[-1] - pressure[0]
    padded = np.concatenate([np.zeros(h.size - 1 - lead), pressure - first, np.full(lead, last)])
    return np.asarray(first + oaconvolve(padded, h, mode="valid"))
