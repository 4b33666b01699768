"""Joint harmonic periodogram of several carriers at true beat times, for many windows at once."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from .series import SPACING_S, Carriers, Float, Int, Spreader, kept

Single = NDArray[np.float32]
#: Width of the bins over which products of carriers are summed [s]; windows start at whole bins.
_BIN_S = 2.0
#: Windows that are worked on together: enough to share the work, few enough to take little memory.
_PIECE = 256


class Moments(NamedTuple):
    """Means of cos^2, sin^2, cos sin over the beats of each window, about their means, and cc ss - cs^2."""

    cc: Single
    ss: Single
    cs: Single
    det: Single


@dataclass(frozen=True)
class Spectrum:
    """
    What some windows, one after the other, say of each rate.

    Attributes
    ----------
    centre_s : ndarray, shape (n,)
        Centres of the windows [s].
    rate : ndarray, shape (f,)
        Rates [1/min].
    gain : ndarray, shape (n, f)
        Log likelihood that a wave of that rate in all carriers adds.
    beats : ndarray, shape (n,)
        How many beats each window counts for.
    heart_rate : ndarray, shape (n,)
        Heart rate [1/min].
    covered : ndarray, shape (n,)
        Share of the window, as far as it lies in the recording, that usable beats cover.
    variance : ndarray, shape (n, carriers)
        Of each carrier [its floor squared].
    """

    centre_s: Float
    rate: Float
    gain: Single
    beats: Single
    heart_rate: Single
    covered: Single
    variance: Float
    with_cos: Single
    with_sin: Single
    moments: Moments

    def wave(self, at: Int) -> tuple[NDArray[np.complex128], Float]:
        """
        Wave of one rate in each window.

        Parameters
        ----------
        at : ndarray of int, shape (n,)
            Column of the rate in each window.

        Returns
        -------
        amplitude : ndarray of complex, shape (n, carriers)
            The carrier is the real part of amplitude exp(i w t), t from the centre [floors of the carrier].
        own : ndarray, shape (n, carriers)
            Share of each carrier's own variance that it explains.
        """
        row = np.arange(at.size)
        cc, ss, cs, det = (moment[row, at].astype(np.float64)[:, None] for moment in self.moments)
        c, s = (part[:, row, at].T.astype(np.float64) for part in (self.with_cos, self.with_sin))
        a, b = (ss * c - cs * s) / det, (cc * s - cs * c) / det
        return a - 1j * b, (a * c + b * s) / self.variance


class _Folded:
    """
    A grid, folded about the centres of windows of ``2 half + 1`` points.

    Cosines and the taper are even about the centre and sines are odd, so that sums and differences of the two
    sides of a window, half as many numbers, tell all that the products with waves need.
    """

    def __init__(self, grid: Float, half: int, hop: int) -> None:
        rows = np.lib.stride_tricks.sliding_window_view(np.pad(grid.astype(np.float32), half), half + 1)
        # Row i holds the points before and up to centre i; half a window on, those from the centre on.
        self.before, self.after = rows[::hop, ::-1], rows[half::hop]

    def even(self, piece: slice) -> Single:
        """Sums of the points at equal distance, the centre once: shape (n, half + 1)."""
        out = np.asarray(self.before[piece] + self.after[piece])
        out[:, 0] *= np.float32(0.5)
        return out

    def odd(self, piece: slice) -> Single:
        """Points behind the centre less those before it, shape (n, half + 1)."""
        return np.asarray(self.after[piece] - self.before[piece])


def periodogram(
    of: Carriers, duration_s: float, window_s: float, hop_s: float, rate: Float
) -> Iterator[Spectrum]:
    """
    Fit a wave of each rate to all carriers of each window.

    Parameters
    ----------
    of : Carriers
        Beats and carriers.
    duration_s : float
        Length of the recording [s].
    window_s, hop_s : float
        Length of the windows, under a Hann taper, and distance from one to the next [s]. Half a window is a
        whole number of distances, and a distance one of bins of 2 s.
    rate : ndarray, shape (f,)
        Rates to try [1/min].

    Yields
    ------
    Spectrum
        Of some hundred windows, one after the other: all rates of all windows of a day would take more
        memory than its pressure.

    Notes
    -----
    Least squares with a mean of its own for each window (floating-mean periodogram; Zechmeister and Kuerster
    2009, recalled); several carriers are joined through their covariance E without and with the wave:
    gain = n / 2 log(det E0 / det E1) (Wilks), n the effective count of beats under the taper. All sums run
    over a grid onto which the beats were spread; each is a product of matrices.
    """
    half = round(0.5 * window_s / SPACING_S)
    centre = np.arange(int(duration_s / hop_s) + 1, dtype=np.float64) * hop_s
    covariance = _covariance(of, centre.size, window_s, hop_s)
    onto = Spreader(of.time_s, int(duration_s / SPACING_S) + 1)
    taper = np.hanning(2 * half + 3)[half + 1 : -1].astype(np.float32)
    hz, n_rates = rate / 60.0, rate.size

    def folded(value: Float) -> _Folded:
        return _Folded(value, half, round(hop_s / SPACING_S))

    mass, beating = folded(onto.spread(of.weight)), folded(onto.spread(of.weight * of.interval_s))
    values = [folded(onto.spread(of.weight * row)) for row in of.value / of.floor[:, None]]
    inside = folded(np.ones(onto.size))
    del onto
    cos, sin = _waves(taper, hz)
    both = [np.hstack(pair) for pair in zip((cos, sin), _waves(taper, 2 * hz), strict=True)]
    cos = np.column_stack([cos, taper])
    tapers = np.column_stack([taper, taper**2])
    for first in range(0, centre.size, _PIECE):
        piece = slice(first, min(first + _PIECE, centre.size))
        even = mass.even(piece)
        total, squares = (even @ tapers).T
        total = np.maximum(total, np.float32(1e-6))[:, None]
        count = total[:, 0] ** 2 / np.maximum(squares, np.float32(1e-6))
        c, s = even @ both[0] / total, mass.odd(piece) @ both[1] / total
        c1, s1 = c[:, :n_rates], s[:, :n_rates]
        moments = _moments(c1, s1, c[:, n_rates:], s[:, n_rates:])
        with_cos, with_sin = np.empty((2, len(values), total.size, n_rates), dtype=np.float32)
        for k, value in enumerate(values):
            row = value.even(piece) @ cos / total
            mean = row[:, n_rates:]
            with_cos[k] = row[:, :n_rates] - mean * c1
            with_sin[k] = value.odd(piece) @ sin / total - mean * s1
        shared = covariance[piece]
        gain = 0.5 * count[:, None] * _joined(with_cos, with_sin, moments, shared)
        beat = beating.even(piece) @ taper
        heart = np.float32(60.0) * total[:, 0] / np.maximum(beat, np.float32(1e-6))
        covered = beat / ((inside.even(piece) @ taper) * SPACING_S)
        variance = np.einsum("nii->ni", shared)
        fit = with_cos, with_sin, moments
        yield Spectrum(centre[piece], rate, gain, count, heart, covered, variance, *fit)


def _waves(taper: Single, hz: Float) -> tuple[Single, Single]:
    """Cosine and sine of each frequency from a window's centre on, shape (points, f), under the taper."""
    angle = 2 * np.pi * (np.arange(taper.size) * SPACING_S)[:, None] * hz
    scale = taper[:, None] / kept(hz)
    return (np.cos(angle) * scale).astype(np.float32), (np.sin(angle) * scale).astype(np.float32)


def _moments(c1: Single, s1: Single, c2: Single, s2: Single) -> Moments:
    """From the means of cosine and sine of each frequency and of its double."""
    cc, ss, cs = 0.5 * (1 + c2) - c1**2, 0.5 * (1 - c2) - s1**2, 0.5 * s2 - c1 * s1
    return Moments(cc, ss, cs, np.maximum(cc * ss - cs**2, np.float32(1e-4)))


def _covariance(of: Carriers, n: int, window_s: float, hop_s: float) -> Float:
    """Weighted covariance of the carriers [floors squared] in each of `n` windows, shape (n, c, c)."""
    bins, hops = round(hop_s / _BIN_S), round(0.5 * window_s / hop_s)
    size = (n - 1) * bins + 1
    at = np.clip((of.time_s / _BIN_S).astype(np.int64), 0, size - 1)
    # The taper at the middles of the bins, a column for each distance from window to window.
    lag = (np.arange(-hops * bins, hops * bins) + 0.5) / (hops * bins)
    taper = (0.5 + 0.5 * np.cos(np.pi * lag)).reshape(2 * hops, bins).T
    n_carriers = of.value.shape[0]
    value = of.value / of.floor[:, None]

    def summed(product: Float) -> Float:
        filled = np.zeros((n - 1 + 2 * hops) * bins)
        filled[hops * bins : hops * bins + size] = np.bincount(at, product, size)
        parts = filled.reshape(-1, bins) @ taper
        return np.asarray(sum(parts[k : k + n, k] for k in range(2 * hops)))

    total = np.maximum(summed(of.weight), 1e-9)
    mean = [summed(of.weight * row) / total for row in value]
    out = np.empty((n, n_carriers, n_carriers))
    for i in range(n_carriers):
        for j in range(i + 1):
            moment = summed(of.weight * value[i] * value[j]) / total
            out[:, i, j] = out[:, j, i] = moment - mean[i] * mean[j]
    out[:, range(n_carriers), range(n_carriers)] += 1.0
    return out


def _joined(c: Single, s: Single, m: Moments, covariance: Float) -> Single:
    """Log of the ratio of the determinants of the covariance without and with the wave."""
    cc, ss, cs, det = m
    lower = np.linalg.cholesky(covariance).astype(np.float32)
    q_cc, q_ss, q_cs = np.zeros((3, *c.shape[1:]), dtype=np.float32)
    white: list[tuple[Single, Single]] = []
    for i in range(c.shape[0]):
        # Forward substitution: what is left of a carrier once those before it are known.
        a, b = c[i], s[i]
        for j, (before_a, before_b) in enumerate(white):
            part = lower[:, i, j, None]
            a, b = a - part * before_a, b - part * before_b
        a, b = a / lower[:, i, i, None], b / lower[:, i, i, None]
        white.append((a, b))
        q_cc += a * a
        q_ss += b * b
        q_cs += a * b
    # det(1 - M^-1 Q) of two by two matrices.
    trace = (ss * q_cc + cc * q_ss - 2 * cs * q_cs) / det
    product = (q_cc * q_ss - q_cs**2) / det
    return np.asarray(-np.log(np.clip(1.0 - trace + product, 1e-4, 1.0)))
