"""How a line lets go of a foreign pressure at its transducer: after a flush, and after a tap was turned."""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike, NDArray

from hemoidx.errors import InputError
from hemoidx.line.physics import PhysicalLine
from hemoidx.simulate.tube import (
    flush_transfer,
    memory_s,
    steady_resistance,
    transducer_impedance,
    transfer,
)

Float = NDArray[np.float64]

#: Time that a flush valve takes to close [s]; an assumption, chosen so that a line of 16 Hz lets go as one of
#: about that natural frequency did in a real recording (MIMIC-II Waveform Database, s00001, 3975656_0013).
CLOSING_S = 0.08
#: Flow of a fast flush for each mmHg that drives it [mL/s/mmHg]: 0.0025 mL in 1 s through a 24 gauge cannula
#: (Fast flush bolus volumes in neonates and infants, 2002, PubMed 12472710).
FLUSH_FLOW = 0.0025
# Rate of the grid on which a release is computed [Hz], and of the shortest closing it can hold.
_RELEASE_HZ = 4000.0
_SHORTEST_S = 0.004


@lru_cache(maxsize=64)
def _released(line: PhysicalLine, closing_s: float, kind: str) -> Float:
    """What is left of a unit pressure after a release, on the grid of `_RELEASE_HZ` from the release on."""
    from scipy.fft import next_fast_len

    rate = _RELEASE_HZ
    size = int(next_fast_len(int((memory_s(line) + closing_s + 0.5) * rate), real=True))
    f = np.fft.rfftfreq(size, 1 / rate)
    wide = round(closing_s * rate)
    t = np.arange(size)
    closing = np.where(t <= wide, 1.0 - np.cos(2 * np.pi * t / wide), 0.0)
    closing /= closing.sum()
    shape = np.fft.rfft(closing)
    if kind == "tap":
        # The chamber of the transducer, charged to a pressure, is joined to a line at rest.
        chamber = line.transducer_compliance_mm3_per_100mmhg / 1e5
        chamber += line.bubble_compliance_mm3_per_mmhg / 1e3 if line.bubble_at == 1.0 else 0.0
        joined = np.fft.irfft(shape * transducer_impedance(line, f), size) * chamber * rate
        left = 1.0 - _integral(closing) + joined
    else:
        gain = flush_transfer(line, f) if kind == "flow" else transfer(line, f)
        left = 1.0 - _integral(np.fft.irfft(shape * gain, size))
    left.flags.writeable = False
    return np.asarray(left)


def _integral(x: Float) -> Float:
    """Running sum to the middle of each sample, by the trapezoidal rule."""
    return np.asarray(np.cumsum(x) - x / 2.0)


def flush_release(
    t: ArrayLike, line: PhysicalLine, closing_s: float = CLOSING_S, flow: float = FLUSH_FLOW
) -> Float:
    """
    What is left of a flush's pressure at the transducer after its valve begins to close.

    Parameters
    ----------
    t : array_like
        Times since the valve began to close [s].
    line : PhysicalLine
        The line.
    closing_s : float
        Time in which the flow falls to zero, along a half cosine [s]; at least 0.004 s.
    flow : float
        Flow of the flush for each mmHg at the transducer above the patient's pressure [mL/s/mmHg]; never more
        than what the line's viscous resistance lets through.

    Returns
    -------
    ndarray
        Share of the pressure that the steady flush had put upon the patient's; 1 before the release. The
        patient's pressure behind the line adds to it.

    Notes
    -----
    What the flow does not need against viscosity is lost where it leaves (jet, turbulence) and stands in the
    whole line as pressure without motion: that part falls as after a step at the artery. The other part is
    the column of fluid in motion: cut off at once it pulls the pressure down by up to ``1 / (2 z)`` times its
    share, cut off over a period it comes to rest. Both ring with the natural frequencies of the line. Left
    out: that the losses of the outlet fade with the flow rather than at once, and air coming out of solution.
    """
    if not (closing_s >= _SHORTEST_S and flow >= 0.0):
        raise InputError(
            f"flush: needs closing_s of at least {_SHORTEST_S:g} s and flow >= 0, got {closing_s} and {flow}"
        )
    share = min(flow * steady_resistance(line), 1.0)
    moving = _read(_released(line, float(closing_s), "flow"), t)
    return np.asarray(share * moving + (1.0 - share) * _read(_released(line, float(closing_s), "rest"), t))


def tap_release(t: ArrayLike, line: PhysicalLine, turning_s: float = CLOSING_S) -> Float:
    """
    What is left of a pressure in the transducer after its tap joins it to the line again.

    Parameters
    ----------
    t : array_like
        Times since the tap began to turn [s].
    line : PhysicalLine
        The line, at rest; its transducer must have a compliance.
    turning_s : float
        Time in which the tap turns [s]; at least 0.004 s.

    Returns
    -------
    ndarray
        Share of the difference of pressures that is left.
    """
    if not turning_s >= _SHORTEST_S:
        raise InputError(f"tap: turning_s must be at least {_SHORTEST_S:g} s, got {turning_s}")
    return _read(_released(line, float(turning_s), "tap"), t)


def _read(left: Float, t: ArrayLike) -> Float:
    """Values of a release at given times."""
    grid = np.arange(left.size) / _RELEASE_HZ
    return np.asarray(np.interp(np.asarray(t, dtype=np.float64), grid, left, left=1.0, right=0.0))
