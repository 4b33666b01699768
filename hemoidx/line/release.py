"""What a recorder shows of a line that is let go: plateau, release and ringing, through its own low-pass."""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from .response import poles

Float = NDArray[np.float64]
Complex = NDArray[np.complex128]

#: Recorders keep what they sample free of aliases. Where the first samples after a release are used, a
#: Butterworth low-pass of this order and corner (share of the sampling rate) without delay is assumed; the
#: corner is a free parameter of the fit that is held near this value, and the assumption is dropped where
#: the samples contradict it.
RECORDER_ORDER = 4
RECORDER_CORNER = 0.4


@lru_cache(maxsize=2)
def _prototype(order: int) -> tuple[Complex, Complex, float]:
    """Poles and residues of the Butterworth low-pass of corner 1 rad/s, and its delay at zero frequency."""
    k = np.arange(order)
    q = np.exp(1j * np.pi * (2 * k + order + 1) / (2 * order))
    gap = q[:, None] - q[None, :]
    np.fill_diagonal(gap, 1.0)
    gain = np.prod(-q)
    return q, gain / np.prod(gap, axis=1), float(np.real(np.sum(-1.0 / q)))


def let_go(t: Float, p1: Complex, p2: Complex, corner_hz: float) -> tuple[Float, Float, Float, Float]:
    """
    Pressures around a release as they come out of the recorder, for one line or many.

    Parameters
    ----------
    t : ndarray, shape (n,)
        Times of the samples from the release [s], negative before it.
    p1, p2 : ndarray of complex, shape (m,)
        Poles of each line [1/s].
    corner_hz : float
        Corner of the recorder's low-pass [Hz].

    Returns
    -------
    step, ramp : ndarray, shape (n,)
        A unit step and a ramp of unit slope that begin at the release.
    offset, slope : ndarray, shape (n, m)
        Free response of each line from there: to a unit offset, and to a unit slope.
    """
    unit, residue, lag = _prototype(RECORDER_ORDER)
    w = 2 * np.pi * corner_hz
    q, weight, delay = unit * w, residue * w, lag / w
    on = t + delay > 0
    later = (t + delay)[on]
    # The recorder has forgotten the release long before the line has.
    soon = int(np.searchsorted(later, 30.0 / float(np.min(-q.real))))
    own = np.zeros((later.size, q.size), dtype=np.complex128)
    own[:soon] = np.exp(np.outer(later[:soon], q))

    def passed(p: Complex) -> Complex:
        part = weight[:, None] / (p[None, :] - q[:, None])
        return np.asarray(part.sum(axis=0) * np.exp(np.outer(later, p)) - own @ part)

    e1, e2 = passed(p1), passed(p2)
    offset, slope = np.zeros((2, t.size, p1.size))
    offset[on] = ((p1 * e2 - p2 * e1) / (p1 - p2)).real
    slope[on] = ((e1 - e2) / (p1 - p2)).real
    step, ramp = np.zeros((2, t.size))
    single, double = weight / q, weight / q**2
    step[on] = (own @ single - single.sum()).real
    ramp[on] = (own @ double - double.sum() - later * single.sum()).real
    return step, ramp, offset, slope


class Recorded:
    """
    Basis functions around one release, as they come out of the recorder.

    Parameters
    ----------
    t : ndarray, shape (n,)
        Times of the samples from the release [s], negative before it.
    frequency_hz, damping : float
        Natural frequency [Hz] and damping ratio of the line.
    corner_hz : float
        Corner of the recorder's low-pass [Hz].
    """

    __slots__ = ("offset", "ramp", "slope", "step", "t")

    def __init__(self, t: Float, frequency_hz: float, damping: float, corner_hz: float) -> None:
        p1, p2 = poles(frequency_hz, damping)
        self.t = t
        self.step, self.ramp, offset, slope = let_go(t, np.array([p1]), np.array([p2]), corner_hz)
        self.offset, self.slope = offset[:, 0], slope[:, 0]

    def before(self) -> Float:
        """
        Columns of the plateau: its level at the release and its slope.

        The line leaves it with that value and that slope and swings towards zero.
        """
        return np.column_stack([1.0 - self.step + self.offset, self.t - self.ramp + self.slope])

    def after(self, psi: Float, value: Float, slope: Float) -> Float:
        """
        Columns of pressures that act once the line is let go.

        Parameters
        ----------
        psi : ndarray, shape (n, m)
            The pressures as they are behind the line without a flush.
        value, slope : ndarray, shape (m,)
            Their value and slope at the release.

        Returns
        -------
        ndarray, shape (n, m)
            Nothing before the release; after it the pressure and the line's way from rest to it.
        """
        bent = np.where(self.t[:, None] > 0, psi - value - np.outer(self.t, slope), 0.0)
        start = np.outer(self.step - self.offset, value) + np.outer(self.ramp - self.slope, slope)
        return np.asarray(bent + start)
