"""
A typical beat of a recording as one period of a periodic wave, and the numbers it is read by.

Harmonics make a line a mere factor for each: putting a beat behind any line, or in front of a known one, and
reading systolic pressure again takes microseconds.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ..beats.reading import BELIEVED, Reading
from ..errors import InputError
from ..samples import around, derivative_half_width, nearest, polynomial_kernel
from .inverse import band_limit, pass_band
from .response import frequency_response

Float = NDArray[np.float64]
Complex = NDArray[np.complex128]
Wave = NDArray[np.floating]

QUANTITIES = ("sbp", "dbp", "mbp", "pp", "dpdt_max")

# All ours. Beats that make the typical one, fewest and most, and how long they may be [s].
_FEWEST, _MOST = 5, 48
_SHORTEST_S, _LONGEST_S = 0.25, 3.0
# The period begins this long before the steepest rise [share of it, at most s].
_BEFORE, _BEFORE_S = 0.35, 0.3
# Points of a period, for extremes to 0.05 mmHg; harmonics reach up to here [Hz] and this share of the rate.
_POINTS = 512
_TOP_HZ, _TOP_SHARE = 30.0, 0.4
# Fine grid on which the beats are laid over each other [Hz].
_FINE_HZ = 1000.0
# Neighbours on each side over which power is smoothed; variance of the mean of the middle half of normal
# values over that of the plain mean.
_NEIGHBOURS, _MIDDLE_COSTS = 2, 1.2


@dataclass(frozen=True, slots=True)
class TypicalBeat:
    """
    One period of a typical recorded beat.

    Attributes
    ----------
    harmonics : ndarray of complex, shape (n,)
        Fourier coefficients, from the mean on: the beat is the real part of their sum, each times
        ``exp(2 i pi k t / period_s)`` [mmHg].
    period_s : float
        Its duration [s].
    fs : float
        Rate of the recording [Hz].
    noise : ndarray, shape (n,)
        Power of the error of each coefficient, from the scatter between beats [mmHg^2].
    beats : int
        How many beats were averaged.
    """

    harmonics: Complex
    period_s: float
    fs: float
    noise: Float
    beats: int

    @property
    def f(self) -> Float:
        """Frequencies of the harmonics [Hz]."""
        return np.arange(self.harmonics.size) / self.period_s

    @property
    def heart_rate(self) -> float:
        """Rate that belongs to the period [1/min]."""
        return 60.0 / self.period_s

    def wave(self, points: int = _POINTS) -> Float:
        """The beat itself, evenly spaced over its period [mmHg]."""
        return np.asarray(_drawn(self.harmonics[None, :], points)[0])

    def undistorted(self, frequency_hz: float, damping: float) -> TypicalBeat:
        """
        The beat in front of a line.

        Parameters
        ----------
        frequency_hz, damping : float
            Natural frequency [Hz] and damping ratio of the line.

        Returns
        -------
        TypicalBeat
            Each harmonic divided by the line's response, as far as it stands out of the noise that is left
            after averaging (`hemoidx.line.inverse.pass_band`).
        """
        share = pass_band(self.f, _signal_to_noise(self), self.fs, band_limit(frequency_hz))
        share[0] = 1.0
        undone = self.harmonics * share / frequency_response(self.f, frequency_hz, damping)
        return TypicalBeat(undone, self.period_s, self.fs, self.noise, self.beats)

    def behind(self, frequency_hz: ArrayLike, damping: ArrayLike) -> Complex:
        """Harmonics of the beat behind each of several lines, shape (..., n)."""
        hz = np.asarray(frequency_hz, dtype=np.float64)[..., None]
        r = self.f / hz
        return np.asarray(self.harmonics / (1.0 - r * r + 2j * np.asarray(damping)[..., None] * r))


def _signal_to_noise(beat: TypicalBeat) -> Float:
    """Ratio of powers of each harmonic, never rising; 0 where chance alone could have made it."""
    wide = 2 * _NEIGHBOURS + 1
    power = np.convolve(
        np.pad(np.abs(beat.harmonics) ** 2, _NEIGHBOURS, mode="edge"), np.full(wide, 1.0 / wide), "valid"
    )
    noise = np.maximum(beat.noise, 1e-12)
    ratio = np.where(power > noise * (1.0 + 3.0 / np.sqrt(wide)), power / noise - 1.0, 0.0)
    # One harmonic may be missing from a good wave; those above it still count.
    return np.asarray(np.maximum.accumulate(ratio[::-1])[::-1])


def typical_beat(wave: Wave, fs: float, onset: ArrayLike, steepest: ArrayLike, end: ArrayLike) -> TypicalBeat:
    """
    Average like beats of a recording into one period.

    Parameters
    ----------
    wave : ndarray, shape (n_samples,)
        Arterial pressure, NaN where missing [mmHg].
    fs : float
        Sampling rate [Hz].
    onset, steepest, end : array_like, shape (n_beats,)
        Foot, steepest rise and end of believed beats, NaN where unknown [samples].

    Returns
    -------
    TypicalBeat

    Raises
    ------
    InputError
        If fewer than five whole beats of like duration are there.

    Notes
    -----
    Up to 48 beats whose duration is nearest to the median, laid over each other at their steepest rise on a
    grid of a millisecond; the middle half at each point counts (an average that single odd beats do not
    move). The period begins in late diastole, where its two ends meet; what they differ by is spread evenly.
    """
    foot, rise, stop = (np.asarray(p, dtype=np.float64) for p in (onset, steepest, end))
    length = (stop - foot) / fs
    whole = np.isfinite(length) & np.isfinite(rise) & (length >= _SHORTEST_S) & (length <= _LONGEST_S)
    if int(whole.sum()) >= _FEWEST:
        period = float(np.median(length[whole]))
        order = np.argsort(np.abs(length[whole] - period), kind="stable")
        rows = _laid(wave, fs, rise[whole][order], period)
        if rows.shape[0] >= _FEWEST:
            harmonics, noise = _harmonics(rows, period, fs)
            return TypicalBeat(harmonics, period, fs, noise, rows.shape[0])
    raise InputError(
        f"line: needs {_FEWEST} whole undisturbed beats to judge what the line does to them; "
        "give a longer or cleaner stretch"
    )


def typical_of(
    wave: Wave, fs: float, reading: Reading, stretch: tuple[int, int] | None = None
) -> TypicalBeat:
    """
    Average like believed beats of a recording into one period.

    Parameters
    ----------
    wave : ndarray, shape (n_samples,)
        Arterial pressure, NaN where missing [mmHg].
    fs : float
        Sampling rate [Hz].
    reading : Reading
        Its beats, as `hemoidx.beats.read` found them.
    stretch : tuple of int, optional
        First sample and the one behind the last of the part that is meant. Left out, all of it.

    Returns
    -------
    TypicalBeat
        See `typical_beat`; at most 48 beats are averaged, however long the recording.

    Raises
    ------
    InputError
        If fewer than five whole beats of like duration are there.
    """
    good = reading.quality >= BELIEVED
    if stretch is not None:
        good = good & (reading.onset >= stretch[0]) & (reading.onset < stretch[1])
    return typical_beat(wave, fs, reading.onset[good], reading.steepest[good], reading.end[good])


def _laid(wave: Wave, fs: float, rise: Float, period: float) -> Float:
    """Beats on a fine grid, steepest rises in one column; those with missing samples left out."""
    from scipy.interpolate import CubicSpline

    before = min(_BEFORE_S, _BEFORE * period)
    points = round(period * _FINE_HZ)
    margin = 3
    back, ahead = int(before * fs) + margin, int((period - before) * fs) + margin + 1
    rise = rise[: 2 * _MOST]
    centre, _ = nearest(rise)
    rows = around(wave, centre, back, ahead).astype(np.float64)
    good = np.isfinite(rows).all(axis=1)
    rows, part = rows[good][:_MOST], (rise - centre)[good][:_MOST]
    if not rows.size:
        return np.zeros((0, points))
    # A straight line between samples would take a tenth of a component at 20 Hz.
    fine = round(_FINE_HZ / fs)
    spline = CubicSpline(np.arange(rows.shape[1]), rows, axis=1)
    dense = np.asarray(spline(np.arange((rows.shape[1] - 1) * max(fine, 1)) / max(fine, 1)))
    first = np.rint((back + part - before * fs) * max(fine, 1)).astype(np.int64)
    column = np.rint(np.arange(points) * fs / _FINE_HZ * max(fine, 1)).astype(np.int64)
    index = np.clip(first[:, None] + column, 0, dense.shape[1] - 1)
    return np.take_along_axis(dense, index, axis=1)


def _harmonics(rows: Float, period: float, fs: float) -> tuple[Complex, Float]:
    """Fourier coefficients of the middle of several beats, and the power of their errors."""
    count, size = rows.shape
    # Ends from a few points each, so that their noise does not tilt the beat.
    few = max(2, size // 50)
    first, last = rows[:, :few].mean(axis=1), rows[:, -few:].mean(axis=1)
    gap = 2.0 * last - rows[:, -2 * few : -few].mean(axis=1) - first
    level = rows - gap[:, None] * (np.arange(size) / size - 0.5)
    quarter = count // 4
    beat = np.sort(level, axis=0)[quarter : count - quarter].mean(axis=0)
    top = min(int(min(_TOP_HZ, _TOP_SHARE * fs) * period), size // 2 - 1)
    spectrum = np.fft.rfft(beat)[: top + 1] / size
    spectrum[1:] *= 2.0
    each = 2.0 * np.fft.rfft(level, axis=1)[:, : top + 1] / size
    scatter = np.mean(np.abs(each - each.mean(axis=0)) ** 2, axis=0) / (count - 1)
    return np.asarray(spectrum), np.asarray(_MIDDLE_COSTS * scatter)


@lru_cache(maxsize=8)
def _waves(count: int, points: int) -> Complex:
    return np.asarray(np.exp(2j * np.pi * np.outer(np.arange(count), np.arange(points)) / points))


def _drawn(harmonics: Complex, points: int = _POINTS) -> Float:
    """Beats from their harmonics, shape (n, points)."""
    basis = _waves(harmonics.shape[-1], points)
    # Two real products are half the work of one complex one.
    return np.asarray(harmonics.real @ basis.real - harmonics.imag @ basis.imag)


def numbers_of_all(harmonics: Complex, beat: TypicalBeat) -> dict[str, Float]:
    """
    The quantities of several beats of one period.

    Parameters
    ----------
    harmonics : ndarray of complex, shape (n, k)
        Their harmonics [mmHg].
    beat : TypicalBeat
        Whose period and rate they share.

    Returns
    -------
    dict of str to ndarray, shape (n,)
        Each of `QUANTITIES`: highest pressure, lowest before the upstroke, mean, their difference [mmHg], and
        the largest slope of the polynomial that the index dP/dt max uses [mmHg/s].
    """
    drawn = _drawn(harmonics)
    high = drawn.max(axis=1)
    # The trough before the upstroke; a dicrotic trough may be deeper.
    foot = np.take_along_axis(drawn, _before_rise(drawn, beat.period_s), axis=1).min(axis=1)
    half = derivative_half_width(beat.fs)
    lag = np.arange(-half, half + 1)
    kernel = np.exp(2j * np.pi * np.outer(beat.f, lag) / beat.fs) @ polynomial_kernel(half, 4, 1)
    slope = _drawn(harmonics * kernel).max(axis=1) * beat.fs
    return {
        "sbp": high,
        "dbp": foot,
        "mbp": harmonics[:, 0].real.copy(),
        "pp": high - foot,
        "dpdt_max": slope,
    }


def numbers_of(beat: TypicalBeat) -> dict[str, float]:
    """
    The quantities of a beat.

    Parameters
    ----------
    beat : TypicalBeat
        A recorded or undistorted beat.

    Returns
    -------
    dict of str to float
        Each of `QUANTITIES` [mmHg, dP/dt max in mmHg/s].
    """
    return {name: float(value[0]) for name, value in numbers_of_all(beat.harmonics[None, :], beat).items()}


def _before_rise(drawn: Float, period: float) -> NDArray[np.int64]:
    """Points of the period in the quarter of a second, at most a third of it, before the steepest rise."""
    points = drawn.shape[1]
    rise = np.argmax(np.roll(drawn, -1, axis=1) - np.roll(drawn, 1, axis=1), axis=1)
    back = round(points * min(0.25 / period, 1.0 / 3.0))
    return np.asarray((rise[:, None] - np.arange(back + 1)) % points, dtype=np.int64)
