"""From rates of windows to breaths: a continuous phase along the recording."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..samples import rolling_quantile
from .claim import Claims
from .series import SPACING_S, Carriers, Float, Int, smoothed

#: Points of the phase grid for each breath.
_POINTS = 6
#: A breath may last this part of its expected length, and must swing by this part of its like.
_LENGTH = (0.6, 1.6)
_SWING = 0.5
#: Part of what the carriers hold that is breathing: the long kernel below the one, the short above the other.
_PLAIN = (0.4, 0.75)
#: Claims are carried so far beyond the first and the last window that makes them [s].
_REACH_S = 7.0
#: No breath is cut further than this from the nearest beat: seconds, and parts of a breath.
_LONELY_S, _LONELY = 1.0, 0.3
#: Windows on each side over which the carriers' relation to one another is averaged.
_RELATION = 4


@dataclass(frozen=True)
class Turns:
    """Breaths as turns of the phase: `start`, `end` [s]."""

    start: Float
    end: Float


def _relation(claimed: Claims) -> NDArray[np.complex128]:
    """
    Weight of each carrier in each window, shape (n, carriers): in phase with the leading carrier.

    The principal component of the cross spectrum at the claimed rate, carriers measured by the noise that
    the wave leaves.
    """
    row = np.arange(claimed.rate.size)
    known = np.isfinite(claimed.rate)
    z, own = claimed.wave, claimed.own
    power = np.abs(z) ** 2
    noise = np.maximum(0.5 * power * (1.0 / np.clip(own, 1e-3, 0.98) - 1.0), 1.0)
    z = np.where(known[:, None], z / np.sqrt(noise), 0.0)
    cross = np.einsum("ni,nj->nij", z, z.conj())
    total = np.cumsum(np.concatenate((np.zeros((1, *cross.shape[1:])), cross)), axis=0)
    first = np.maximum(row - _RELATION, 0)
    last = np.minimum(row + _RELATION + 1, row.size)
    cross = total[last] - total[first]
    # Pulse or pressure; the interval, the last of four, does not lead.
    leading = int(np.abs(z[:, :3]).sum(axis=0).argmax())
    vector = cross[:, :, leading].copy()
    for _ in range(4):
        vector = np.einsum("nij,nj->ni", cross, vector)
        vector /= np.maximum(np.linalg.norm(vector, axis=1), 1e-12)[:, None]
    turn = vector[:, leading] / np.maximum(np.abs(vector[:, leading]), 1e-12)
    weight = vector / np.where(turn == 0, 1.0, turn)[:, None] / np.sqrt(noise)
    # Of length one, so that the swing of what they add up to can be compared along the recording.
    return np.asarray(weight / np.maximum(np.linalg.norm(weight, axis=1), 1e-12)[:, None])


def turns(of: Carriers, claimed: Claims, duration_s: float, breaths: tuple[float, float]) -> Turns:
    """
    Follow the phase of breathing and cut it into breaths.

    Parameters
    ----------
    of : Carriers
        Beats and carriers.
    claimed : Claims
        The rates, and how the carriers hang together there.
    duration_s : float
        Length of the recording [s].
    breaths : tuple of float
        Length of the averaging kernel, from end to end [breaths]: where breathing is most of what the
        carriers hold, and where it is little of it.

    Returns
    -------
    Turns
        A breath starts where the leading carrier passes its mean upward.

    Notes
    -----
    Time is first warped to turns of the claimed rate; there breathing has the frequency 1, and one kernel
    serves all rates. Demodulated and averaged, the angle that is left corrects the turns.
    """
    known = np.flatnonzero(np.isfinite(claimed.rate))
    if not known.size or not of.time_s.size:
        return Turns(np.zeros(0), np.zeros(0))
    centre = claimed.centre_s[known]
    grid, turn = _warped(duration_s, centre, claimed.rate[known])
    at = np.arange(int(turn[-1] * _POINTS) + 2) / _POINTS
    time, u = np.interp(at, turn, grid), np.interp(of.time_s, grid, turn)
    # These are long: what is not needed any more makes room.
    del grid, turn
    weights = (_relation(claimed)[known].conj() / of.floor).T
    window = _nearest(centre, of.time_s)
    value = np.zeros(of.time_s.size, dtype=np.complex128)
    for row, weight in zip(of.value, weights, strict=True):
        value += row * weight[window]
    folded = _Demodulator(u, of.weight, value, at.size)
    del value, window, u
    z = short = folded.amplitude(breaths[0])
    if breaths[1] > breaths[0]:
        part = np.interp(time, centre, claimed.part[known])
        trust = np.clip((part - _PLAIN[0]) / (_PLAIN[1] - _PLAIN[0]), 0.0, 1.0)
        z = trust * short + (1.0 - trust) * folded.amplitude(breaths[1])
    del folded
    place = at + np.unwrap(np.angle(z)) / (2 * np.pi) + 0.25
    usual = np.interp(time, centre, claimed.rate[known])
    inside = np.abs(time - centre[_nearest(centre, time)]) <= _REACH_S
    inside &= np.abs(time - of.time_s[_nearest(of.time_s, time)]) <= _LONELY_S + _LONELY * 60.0 / usual
    return _cut(time, place, np.abs(short), inside, usual)


def _warped(duration_s: float, centre: Float, rate: Float) -> tuple[Float, Float]:
    """Times, and how many turns of these rates [1/min] have passed by then."""
    grid: Float = np.arange(int(duration_s / SPACING_S) + 2, dtype=np.float64) * SPACING_S
    at = np.interp(grid, centre, rate)
    turn = np.zeros(grid.size)
    np.cumsum(0.5 * (at[1:] + at[:-1]), out=turn[1:])
    turn *= SPACING_S / 60.0
    return grid, turn


def _nearest(sorted_to: Float, value: Float) -> Int:
    """Place of the nearest of some increasing values."""
    return np.searchsorted(0.5 * (sorted_to[1:] + sorted_to[:-1]), value).astype(np.int64)


class _Demodulator:
    """Complex amplitude of what turns once in each unit of `u`, on a grid of `_POINTS` in each turn."""

    def __init__(self, u: Float, weight: Float, value: NDArray[np.complex128], size: int) -> None:
        place = np.round(u * _POINTS).astype(np.int64)

        def summed(what: NDArray[np.complex128]) -> NDArray[np.complex128]:
            out = np.empty(size, dtype=np.complex128)
            out.real = np.bincount(place, what.real, size)[:size]
            out.imag = np.bincount(place, what.imag, size)[:size]
            return out

        self.mass = np.bincount(place, weight, size)[:size]
        wave = np.exp(-2j * np.pi * u)
        wave *= weight
        self.wave = summed(wave)
        wave *= value
        self.turned = summed(wave)
        self.value = summed(np.multiply(value, weight, out=wave))

    def amplitude(self, breaths: float) -> NDArray[np.complex128]:
        """Averaged under a Hann kernel of so many breaths from end to end."""
        half = round(0.5 * breaths * _POINTS)
        kernel = np.hanning(2 * half + 1)[1:-1] if half > 1 else np.ones(1)

        def smooth(what: NDArray[np.complex128]) -> NDArray[np.complex128]:
            out = np.empty_like(what)
            out.real = smoothed(what.real, kernel)
            out.imag = smoothed(what.imag, kernel)
            return out

        mass = np.maximum(smoothed(self.mass, kernel), 1e-9)
        # The mean within the kernel must not leak into the wave.
        mean = smooth(self.value)
        mean /= mass
        mean *= self.wave
        out = smooth(np.subtract(self.turned, mean, out=mean))
        out /= mass
        return out


def _cut(time: Float, place: Float, swing: Float, inside: NDArray[np.bool_], rate: Float) -> Turns:
    """Cut where the phase passes a whole number, and keep breaths that last and swing as breaths do."""
    whole = np.floor(place)
    passed = np.flatnonzero((np.diff(whole) == 1) & inside[1:] & inside[:-1])
    if passed.size < 2:
        return Turns(np.zeros(0), np.zeros(0))
    share = (whole[passed + 1] - place[passed]) / (place[passed + 1] - place[passed])
    cut = time[passed] + share * (time[passed + 1] - time[passed])
    start, end = cut[:-1], cut[1:]
    usual = 60.0 / rate[passed[:-1]]
    low = np.minimum.reduceat(swing, passed)[:-1]
    outside = np.logical_or.reduceat(~inside, passed)[:-1]
    like = rolling_quantile(low, 30, 0.75, every=5)
    good = (end - start > _LENGTH[0] * usual) & (end - start < _LENGTH[1] * usual)
    good &= ~outside & (low > _SWING * like)
    return Turns(start[good], end[good])
