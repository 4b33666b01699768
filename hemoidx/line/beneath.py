"""The pulse underneath a flush: what the patient's pressure did meanwhile, judged from the beats around."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

Float = NDArray[np.float64]
Int = NDArray[np.int64]
Bool = NDArray[np.bool_]

#: How far beats are looked for on either side [s], and how long after a flush the wave is left alone.
AROUND_S = 25.0
SETTLED_S = 3.0
# At most so many pieces of the wave stand for the pulse underneath.
_MOST = 12
# Up to this frequency [Hz] it is reckoned that the pulse underneath may differ from all of them.
_QUICKEST_HZ = 25.0
# Candidates are compared at about this rate [Hz]: enough for a pulse.
_COARSE_HZ = 125.0


class Neighbours(NamedTuple):
    """
    Wave around a flush from which the pulse underneath may be taken.

    Attributes
    ----------
    wave : ndarray, shape (k,)
        Samples [mmHg].
    places : ndarray of int, shape (c,)
        Where in it a piece of the wanted length may begin.
    noise : float
        Standard deviation of the noise, steps included [mmHg].
    period : float
        Length of a cycle [samples], NaN if there are no places.
    """

    wave: Float
    places: Int
    noise: float
    period: float


class Beneath(NamedTuple):
    """Mean of the pieces that fit, and how they differ from it in columns of unit weight [mmHg]."""

    mean: Float
    spread: Float


def noise_of(wave: Float, usable: Bool, step: float) -> float:
    """Standard deviation of what changes from sample to sample, by third differences; steps are in it."""
    third = np.diff(wave, 3)
    sure = usable[3:] & usable[:-3]
    floor = float(step / np.sqrt(12.0))
    if np.sum(sure) < 20:
        return max(floor, 0.1)
    return max(float(1.4826 * np.median(np.abs(third[sure])) / np.sqrt(20.0)), floor, 0.02)


def neighbours(
    wave: NDArray[np.floating],
    fs: float,
    release: int,
    length: int,
    clean: Bool,
    feet: Float | None,
    step: float,
) -> Neighbours:
    """
    Gather the wave around a flush and where pieces of it can stand for the pulse underneath.

    Parameters
    ----------
    wave : ndarray, shape (n_samples,)
        Pressure [mmHg].
    fs : float
        Sampling rate [Hz].
    release, length : int
        Sample number of the release, and the length that is wanted [samples].
    clean : ndarray of bool, shape (n_samples,)
        Samples that hold the patient's pressure and nothing else.
    feet : ndarray, optional
        Feet of believed beats [samples]. If known, pieces are taken only from between them.
    step : float
        Quantisation step [mmHg].

    Returns
    -------
    Neighbours
        Without places if there is no clean wave.
    """
    a = max(release - round(AROUND_S * fs), 0)
    b = min(release + round(AROUND_S * fs), wave.size)
    part = np.asarray(wave[a:b], dtype=np.float64)
    good = clean[a:b] & np.isfinite(part)
    noise = noise_of(part, good, step)
    if feet is not None:
        good = good & _between(feet - a, part.size, 2.2 * fs)
    bad = np.concatenate([[0], np.cumsum(~good)])
    if part.size <= length or length < 2:
        return Neighbours(part, np.zeros(0, dtype=np.int64), noise, np.nan)
    stride = max(1, round(0.004 * fs))
    begin = np.arange(0, part.size - length, stride)
    begin = begin[bad[begin + length] == bad[begin]]
    if begin.size * stride < 0.6 * fs:
        return Neighbours(part, np.zeros(0, dtype=np.int64), noise, np.nan)
    return Neighbours(part, begin, noise, _period(part, good, fs, feet))


def _between(feet: Float, size: int, longest: float) -> Bool:
    """Samples between two feet that follow each other within `longest` samples."""
    sure = feet[np.isfinite(feet)]
    change = np.zeros(size + 1)
    whole = np.diff(sure) <= longest
    first = np.clip(np.floor(sure[:-1][whole]), 0, size).astype(np.int64)
    last = np.clip(np.ceil(sure[1:][whole]), 0, size).astype(np.int64)
    np.add.at(change, first, 1)
    np.add.at(change, last, -1)
    return np.asarray(np.cumsum(change)[:size] > 0)


def _period(part: Float, good: Bool, fs: float, feet: Float | None) -> float:
    """Typical length of a cycle [samples]: median distance of feet, else by autocorrelation."""
    if feet is not None and feet.size > 3:
        return float(np.nanmedian(np.diff(feet)))
    x = np.where(good, part - part[good].mean(), 0.0)
    size = 2 * x.size
    power = np.abs(np.fft.rfft(x, size)) ** 2
    low, high = round(0.27 * fs), min(round(2.0 * fs), x.size - 1)
    return float(low + np.argmax(np.fft.irfft(power, size)[low:high]))


class Pieces:
    """
    All pieces of the wave around that may stand for the pulse underneath, ready to be compared.

    Parameters
    ----------
    near : Neighbours
        The wave around.
    length : int
        Samples of a piece.
    fs : float
        Sampling rate [Hz].
    """

    __slots__ = ("_level", "_pick", "_square", "_thin", "all", "fs", "length", "near")

    def __init__(self, near: Neighbours, length: int, fs: float) -> None:
        self.near, self.length, self.fs = near, length, fs
        self._pick = np.arange(0, length, max(1, round(fs / _COARSE_HZ)))
        if near.places.size:
            self.all: Float = sliding_window_view(near.wave, length)
            thin = self.all[near.places[:, None], self._pick]
            self._level = float(thin.mean())
            self._thin = thin - self._level
            self._square = self._thin**2

    def nearest(
        self, value: Float, usable: Bool, ringing: Float, most: int = _MOST, without: int | None = None
    ) -> Int:
        """
        Where the pieces of different beats begin that could best have been the pulse underneath.

        Parameters
        ----------
        value : ndarray, shape (length,)
            Samples from the plateau on [mmHg].
        usable : ndarray of bool, shape (length,)
            Which of them are compared: none of the plateau, none at a rail.
        ringing : ndarray, shape (length, m)
            What the line can add of its own; it is taken out of both sides of the comparison, along with
            level and drift.
        most : int
            How many pieces at most.
        without : int, optional
            Place near which no piece is taken.
        """
        pick = self._pick
        sure = usable[pick].astype(np.float64)
        basis = np.column_stack([ringing[pick], np.ones(pick.size), pick / self.length])
        q, _ = np.linalg.qr(basis * sure[:, None])
        y = np.where(usable[pick], value[pick] - self._level, 0.0)
        shared = self._thin @ np.column_stack([y, q])
        # Squared distance of what is left of each piece and of the samples once the basis is out of both.
        inside = shared[:, 1:] - y @ q
        distance = self._square @ sure - 2 * shared[:, 0] + y @ y - np.einsum("ij,ij->i", inside, inside)
        if without is not None:
            distance[np.abs(self.near.places - without) < 0.5 * self.near.period] = np.inf
        return self.near.places[_distinct(self.near.places, distance, 0.5 * self.near.period, most)]

    def beneath(self, places: Int) -> Beneath:
        """
        Mean and differences of the pieces that begin at some places.

        Without any place to take them from: slow waves of the size that a pulse may have.
        """
        n = self.length
        t = np.arange(n) / self.fs
        if not places.size:
            return _unknown(n, t)
        bundle = self.all[places]
        bundle = bundle - bundle.mean(axis=1, keepdims=True)
        if places.size < 4:
            return Beneath(bundle.mean(axis=0), _unknown(n, t).spread * 0.3)
        left = _left_over(bundle, self.near.noise, t)
        return Beneath(bundle.mean(axis=0), np.column_stack([_apart(bundle), left]))

    def best(self, value: Float, usable: Bool, ringing: Float, without: int | None = None) -> Beneath:
        """What the pulse underneath can best have been; parameters as in `nearest`."""
        if not self.near.places.size:
            return self.beneath(self.near.places)
        return self.beneath(self.nearest(value, usable, ringing, without=without))


def _apart(bundle: Float) -> Float:
    """How pieces differ from their mean, as columns of unit weight; the mean of so few is uncertain too."""
    m = bundle.shape[0]
    return np.asarray((bundle - bundle.mean(axis=0)).T * np.sqrt((1.0 + 1.0 / m) / (m - 1)))


def _left_over(bundle: Float, noise: float, t: Float) -> Float:
    """
    What a piece keeps of its own when the others explain it as well as they can, as columns of unit weight.

    Each piece takes its turn; what is left is sorted by frequency (cosines) and averaged. White noise is
    taken off: it is reckoned with elsewhere.
    """
    m, n = bundle.shape
    k = np.arange(1, min(int(2 * _QUICKEST_HZ * n * (t[1] - t[0])), n // 3) + 1)
    cosines = np.cos(np.outer((np.arange(n) + 0.5) * np.pi / n, k)) * np.sqrt(2.0 / n)
    drift = np.linspace(-0.5, 0.5, n)
    power = np.zeros(k.size)
    for i in range(m):
        rest = np.delete(bundle, i, axis=0)
        columns = np.column_stack([drift * 30.0, _apart(rest)])
        y = bundle[i] - rest.mean(axis=0)
        scaled = columns.T @ columns + noise**2 * np.eye(columns.shape[1])
        left = y - columns @ np.linalg.solve(scaled, columns.T @ y)
        power += (left @ cosines) ** 2 / m
    smooth = np.convolve(np.pad(power, 2, mode="edge"), np.ones(5) / 5, mode="valid")
    # The mean itself takes part in the noise of its pieces.
    return np.asarray(cosines * np.sqrt(np.maximum(smooth - noise**2, 0.02 * noise**2)))


def _distinct(places: Int, distance: Float, apart: float, most: int) -> Int:
    """Numbers of the nearest pieces, no two of them closer than `apart` samples."""
    left = distance.copy()
    chosen: list[int] = []
    for _ in range(most):
        best = int(np.argmin(left))
        if not np.isfinite(left[best]):
            break
        chosen.append(best)
        left[np.abs(places - places[best]) < apart] = np.inf
    return np.array(chosen, dtype=np.int64)


def _unknown(n: int, t: Float) -> Beneath:
    """Slow waves, the quicker the smaller, for a pulse of which nothing is known."""
    length = max(float(t[-1]), 0.1)
    k = np.arange(1, max(int(2 * 8.0 * length), 2) + 1)
    hz = k / (2 * length)
    size = 15.0 / (1.0 + (hz / 2.0) ** 2)
    return Beneath(np.zeros(n), np.cos(np.outer(np.pi * t / length, k)) * size)
