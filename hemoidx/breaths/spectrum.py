"""Joint harmonic periodogram of several carriers at true beat times, for many windows at once."""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from .series import SPACING_S, Carriers, Float, Int, Spreader, kept

Single = NDArray[np.float32]
#: Width of the bins over which products of carriers are summed [s]; windows start at whole bins.
_BIN_S = 2.0


class Moments(NamedTuple):
    """Means of cos^2, sin^2, cos sin over the beats of each window, about their means, and cc ss - cs^2."""

    cc: Single
    ss: Single
    cs: Single
    det: Single


@dataclass(frozen=True)
class Spectrum:
    """
    What windows say of each rate.

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
    beats: Float
    heart_rate: Float
    covered: Float
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
        c, s = (part[row, :, at].astype(np.float64) for part in (self.with_cos, self.with_sin))
        a, b = (ss * c - cs * s) / det, (cc * s - cs * c) / det
        return a - 1j * b, (a * c + b * s) / self.variance


def _windows(grid: Float, centre: Float, half: int) -> Single:
    """Rows of the grid around each centre, shape (n, 2 half + 1)."""
    rows = np.lib.stride_tricks.sliding_window_view(np.pad(grid.astype(np.float32), half), 2 * half + 1)
    step = round((centre[1] - centre[0]) / SPACING_S) if centre.size > 1 else 1
    first = round(centre[0] / SPACING_S)
    return np.ascontiguousarray(rows[first::step][: centre.size])


def periodogram(of: Carriers, duration_s: float, window_s: float, hop_s: float, rate: Float) -> Spectrum:
    """
    Fit a wave of each rate to all carriers of each window.

    Parameters
    ----------
    of : Carriers
        Beats and carriers.
    duration_s : float
        Length of the recording [s].
    window_s, hop_s : float
        Length of the windows, under a Hann taper, and distance from one to the next [s].
    rate : ndarray, shape (f,)
        Rates to try [1/min].

    Returns
    -------
    Spectrum

    Notes
    -----
    Least squares with a mean of its own for each window (floating-mean periodogram; Zechmeister and Kuerster
    2009, recalled); several carriers are joined through their covariance E without and with the wave:
    gain = n / 2 log(det E0 / det E1) (Wilks), n the effective count of beats under the taper. All sums run
    over a grid onto which the beats were spread; each is a product of matrices.
    """
    half = round(0.5 * window_s / SPACING_S)
    onto = Spreader(of.time_s, int(duration_s / SPACING_S) + 1)
    centre = np.arange(int(duration_s / hop_s) + 1, dtype=np.float64) * hop_s
    taper = np.hanning(2 * half + 3)[1:-1].astype(np.float32)
    hz = rate / 60.0

    def rows(weight: Float) -> Single:
        return _windows(onto.spread(weight), centre, half)

    mass = rows(of.weight)
    total = np.maximum(mass @ taper, 1e-6)
    beats = total**2 / np.maximum(mass @ taper**2, 1e-6)
    beating = rows(of.weight * of.interval_s) @ taper
    inside = _windows(np.ones(onto.size), centre, half) @ taper
    cos, sin = _waves(taper, hz)
    c1, s1 = (mass @ part / total[:, None] for part in (cos, sin))
    moments = _moments(c1, s1, *(mass @ part / total[:, None] for part in _waves(taper, 2 * hz)))
    with_cos, with_sin = np.empty((2, centre.size, of.value.shape[0], rate.size), dtype=np.float32)
    for k, value in enumerate(of.value / of.floor[:, None]):
        row = rows(of.weight * value)
        mean = (row @ taper / total)[:, None]
        with_cos[:, k] = row @ cos / total[:, None] - mean * c1
        with_sin[:, k] = row @ sin / total[:, None] - mean * s1
    covariance = _covariance(of, centre, window_s, of.value.shape[0])
    gain = 0.5 * beats[:, None] * _joined(with_cos, with_sin, moments, covariance)
    heart = 60.0 * total / np.maximum(beating, 1e-6)
    covered = beating / (inside * SPACING_S)
    variance = np.einsum("nii->ni", covariance)
    return Spectrum(centre, rate, gain, beats, heart, covered, variance, with_cos, with_sin, moments)


def _waves(taper: Single, hz: Float) -> tuple[Single, Single]:
    """Cosine and sine of each frequency about the centre of a window, shape (points, f), under the taper."""
    lag = (np.arange(taper.size) - taper.size // 2) * SPACING_S
    angle = 2 * np.pi * lag[:, None] * hz
    scale = taper[:, None] / kept(hz)
    return (np.cos(angle) * scale).astype(np.float32), (np.sin(angle) * scale).astype(np.float32)


def _moments(c1: Single, s1: Single, c2: Single, s2: Single) -> Moments:
    """From the means of cosine and sine of each frequency and of its double."""
    cc, ss, cs = 0.5 * (1 + c2) - c1**2, 0.5 * (1 - c2) - s1**2, 0.5 * s2 - c1 * s1
    return Moments(cc, ss, cs, np.maximum(cc * ss - cs**2, np.float32(1e-4)))


def _covariance(of: Carriers, centre: Float, window_s: float, n_carriers: int) -> Float:
    """Weighted covariance of the carriers [floors squared] in each window, shape (n, c, c)."""
    size = int(centre[-1] / _BIN_S) + 1
    at = np.clip((of.time_s / _BIN_S).astype(np.int64), 0, size - 1)
    half = round(0.5 * window_s / _BIN_S)
    # The taper at the middles of the bins.
    taper = 0.5 + 0.5 * np.cos(np.pi * (np.arange(-half, half) + 0.5) / half)
    every = np.round(centre / _BIN_S).astype(np.int64)

    def summed(value: Float) -> Float:
        bins = np.pad(np.bincount(at, value, size), half)
        return np.asarray(np.lib.stride_tricks.sliding_window_view(bins, 2 * half)[every] @ taper)

    total = np.maximum(summed(of.weight), 1e-9)
    value = of.value / of.floor[:, None]
    mean = np.stack([summed(of.weight * row) for row in value]) / total
    out = np.empty((centre.size, n_carriers, n_carriers))
    for i in range(n_carriers):
        for j in range(i + 1):
            moment = summed(of.weight * value[i] * value[j]) / total - mean[i] * mean[j]
            out[:, i, j] = out[:, j, i] = moment
    out[:, range(n_carriers), range(n_carriers)] += 1.0
    return out


def _joined(c: Single, s: Single, m: Moments, covariance: Float) -> Single:
    """Log of the ratio of the determinants of the covariance without and with the wave."""
    cc, ss, cs, det = m
    white = np.linalg.inv(np.linalg.cholesky(covariance)).astype(np.float32)
    c = np.matmul(white, c)
    s = np.matmul(white, s)
    q_cc, q_ss = np.einsum("ncf,ncf->nf", c, c), np.einsum("ncf,ncf->nf", s, s)
    q_cs = np.einsum("ncf,ncf->nf", c, s)
    # det(1 - M^-1 Q) of two by two matrices.
    trace = (ss * q_cc + cc * q_ss - 2 * cs * q_cs) / det
    product = (q_cc * q_ss - q_cs**2) / det
    return np.asarray(-np.log(np.clip(1.0 - trace + product, 1e-4, 1.0)))
