"""The line between cannula and transducer: a second-order system of static gain one."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

FloatArray = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]


def second_order(frequency_hz: float, damping: float, fs: float) -> tuple[FloatArray, FloatArray]:
    """
    Digital form of P'' + 2 z w P' + w^2 P = w^2 u.

    Parameters
    ----------
    frequency_hz : float
        Natural frequency [Hz], below half of `fs`.
    damping : float
        Damping ratio.
    fs : float
        Rate of the samples it is used on [Hz].

    Returns
    -------
    b, a : ndarray, shape (3,)
        Coefficients of numerator and denominator.

    Notes
    -----
    Bilinear transform, warped so that the response at the natural frequency is exact. Gain at zero frequency
    is exactly one: the line never changes mean pressure.
    """
    c = 1.0 / np.tan(np.pi * frequency_hz / fs)
    scale = c * c + 2.0 * damping * c + 1.0
    b = np.array([1.0, 2.0, 1.0]) / scale
    a = np.array([scale, 2.0 - 2.0 * c * c, c * c - 2.0 * damping * c + 1.0]) / scale
    return b, a


def frequency_response(f: ArrayLike, frequency_hz: float, damping: float) -> ComplexArray:
    """
    Complex gain of a second-order line.

    Parameters
    ----------
    f : array_like
        Frequencies [Hz].
    frequency_hz, damping : float
        Natural frequency [Hz] and damping ratio of the line.

    Returns
    -------
    ndarray of complex
        Pressure at the transducer over pressure at the cannula; 1 at zero frequency, of size
        ``1 / (2 damping)`` and 90 degrees late at the natural frequency.
    """
    r = np.asarray(f, dtype=np.float64) / frequency_hz
    return np.asarray(1.0 / (1.0 - r * r + 2j * damping * r), dtype=np.complex128)


def poles(frequency_hz: float, damping: float) -> tuple[complex, complex]:
    """
    The two rates at which a second-order line forgets [1/s]; the slower first, never quite equal.

    Both are real at a damping ratio of one and more, conjugate below.
    """
    w = 2 * np.pi * frequency_hz
    # A double pole would need other formulas everywhere; this close to it they give the same numbers.
    z = damping if abs(damping - 1.0) > 1e-5 else 1.0 + 1e-5
    root = np.sqrt(complex(z * z - 1.0))
    return complex(w * (-z + root)), complex(w * (-z - root))


def through(pressure: FloatArray, frequency_hz: float, damping: float, fs: float) -> FloatArray:
    """Pressure behind a second-order line that had settled at the first sample [mmHg]."""
    from scipy import signal

    b, a = second_order(frequency_hz, damping, fs)
    out, _ = signal.lfilter(b, a, pressure, zi=signal.lfilter_zi(b, a) * pressure[0])
    return np.asarray(out, dtype=np.float64)


def free_response(
    t: FloatArray, frequency_hz: float, damping: float, offset: float, slope: float
) -> FloatArray:
    """
    Decay of a line left alone with a pressure offset and a slope.

    Parameters
    ----------
    t : ndarray
        Times after the release [s].
    frequency_hz, damping : float
        Natural frequency [Hz] and damping ratio.
    offset : float
        Pressure away from equilibrium at the release [mmHg].
    slope : float
        Its rate of change there [mmHg/s].

    Returns
    -------
    ndarray
        What is left of the offset [mmHg].

    Notes
    -----
    Closed form of the homogeneous equation. Since the line is linear, the pressure after a flush is the
    patient's pressure behind the line plus this response: the ringing rides on the pulse.
    """
    w = 2 * np.pi * frequency_hz
    if abs(damping - 1.0) < 1e-6:
        return np.asarray((offset + (slope + w * offset) * t) * np.exp(-w * t))
    root = np.sqrt(complex(damping * damping - 1.0))
    p1, p2 = w * (-damping + root), w * (-damping - root)
    c1 = (slope - p2 * offset) / (p1 - p2)
    c2 = offset - c1
    return np.asarray((c1 * np.exp(p1 * t) + c2 * np.exp(p2 * t)).real)


def settling_time(frequency_hz: float, damping: float, offset: float, slope: float, rest: float) -> float:
    """
    Time until a free response stays below a given size.

    Parameters
    ----------
    frequency_hz, damping : float
        Natural frequency [Hz] and damping ratio.
    offset, slope : float
        Pressure away from equilibrium [mmHg] and its rate of change [mmHg/s] at the release.
    rest : float
        Size that no longer matters [mmHg].

    Returns
    -------
    float
        Time after the release [s], found to a five-hundredth of its upper bound; 0 if it never matters.
    """
    w = 2 * np.pi * frequency_hz
    slow = w * damping if damping <= 1 else w * (damping - np.sqrt(damping * damping - 1.0))
    size = abs(offset) + abs(slope) / w
    if size <= rest:
        return 0.0
    # Six time constants more than the slowest exponential needs: room for t exp(-w t) at critical damping.
    t = np.linspace(0.0, (np.log(size / rest) + 6.0) / slow, 501)
    high = np.flatnonzero(np.abs(free_response(t, frequency_hz, damping, offset, slope)) > rest)
    return float(t[min(high[-1] + 1, 500)]) if high.size else 0.0


def step_response(t: ArrayLike, frequency_hz: float, damping: float) -> FloatArray:
    """
    What a line that had settled at 0 makes of a step from 0 to 1.

    Parameters
    ----------
    t : array_like
        Times after the step, 0 or more [s].
    frequency_hz, damping : float
        Natural frequency [Hz] and damping ratio.

    Returns
    -------
    ndarray
        Part of the step that is reached.
    """
    return 1.0 - free_response(np.asarray(t, dtype=np.float64), frequency_hz, damping, 1.0, 0.0)


def rise_time(frequency_hz: float, damping: float, low: float = 0.1, high: float = 0.9) -> float:
    """
    Time in which the step response first rises from one part of the step to another.

    Parameters
    ----------
    frequency_hz, damping : float
        Natural frequency [Hz] and damping ratio, both above 0.
    low, high : float
        Parts of the step, between 0 and 1.

    Returns
    -------
    float
        [s].

    References
    ----------
    .. [1] Nise NS. Control Systems Engineering. Wiley (table of normalised rise times against damping ratio,
       read in lecture notes; author quoted from memory).

    Examples
    --------
    >>> round(2 * np.pi * 10 * rise_time(10.0, 0.5), 3)
    1.638
    """
    from scipy.optimize import brentq

    w = 2 * np.pi * frequency_hz
    if damping < 1:
        last = peak_time(frequency_hz, damping)
    else:
        # As in `settling_time`: room for t exp(-w t) at critical damping.
        last = (6.0 - np.log(1.0 - high)) / (w * (damping - np.sqrt(damping * damping - 1.0)))

    def crossing(part: float) -> float:
        return float(
            brentq(lambda t: float(step_response(t, frequency_hz, damping)) - part, 0.0, last, xtol=1e-9 / w)
        )

    return crossing(high) - crossing(low)


def peak_time(frequency_hz: float, damping: float) -> float:
    """
    Time from a step to its overshoot, half a period of the ringing [s].

    Infinite at a damping ratio of one and more, where nothing overshoots.
    """
    if damping >= 1:
        return float("inf")
    return float(0.5 / (frequency_hz * np.sqrt(1.0 - damping * damping)))


class Resonance(NamedTuple):
    """Frequency at which a line enlarges most [Hz], and its gain there."""

    frequency_hz: float
    gain: float


def resonance(frequency_hz: float, damping: float) -> Resonance:
    """
    Where a line enlarges most, and how much.

    Parameters
    ----------
    frequency_hz, damping : float
        Natural frequency [Hz] and damping ratio.

    Returns
    -------
    Resonance
        ``fn sqrt(1 - 2 z^2)`` and ``1 / (2 z sqrt(1 - z^2))``; frequency 0 and gain 1 from a damping ratio of
        ``sqrt(1/2)`` on, where no frequency is enlarged.
    """
    inside = 1.0 - 2.0 * damping * damping
    if inside <= 0:
        return Resonance(0.0, 1.0)
    gain = 1.0 / (2.0 * damping * np.sqrt(1.0 - damping * damping))
    return Resonance(float(frequency_hz * np.sqrt(inside)), float(gain))


def bandwidth(frequency_hz: float, damping: float, gain: float = np.sqrt(0.5)) -> float:
    """
    Frequency beyond which a line passes less than a given part.

    Parameters
    ----------
    frequency_hz, damping : float
        Natural frequency [Hz] and damping ratio.
    gain : float
        That part, between 0 and 1; half the power if left out.

    Returns
    -------
    float
        [Hz]. How far the gain is flat is another question: see `hemoidx.line.thumb.flat_band`.
    """
    b = 2.0 * damping * damping - 1.0
    return float(frequency_hz * np.sqrt(-b + np.sqrt(b * b - 1.0 + gain**-2)))
