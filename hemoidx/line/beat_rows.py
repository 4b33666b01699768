"""
Beats of a recording as rows of samples, and their numbers as recorded and with lines undone.

Only a bounded sample of beats is looked at, so that a long recording costs no more than a short one.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..beats.reading import BELIEVED, Reading
from ..errors import InputError
from ..samples import around, derivative_half_width, integral, nearest, polynomial_kernel
from .inverse import HALF_S, LEAST_PIECES, PIECE_S, Spectrum, design

Float = NDArray[np.float64]
Int = NDArray[np.int64]
Wave = NDArray[np.floating]

# All ours. Beats and pieces of wave that are looked at, at most; beats for the mean.
_MOST, _PIECES, _FOR_MEANS = 300, 64, 150
# Where the numbers of a beat are looked for, from the steepest recorded rise [s]: trough, steepest rise
# without the line, peak (and at most this share of the beat).
_TROUGH_S, _RISE_S, _LATER_S, _PEAK_S, _PEAK_SHARE = 0.25, 0.15, 0.06, 0.5, 0.6
# ... and the steepest rise as recorded, which is where it was found.
_AS_FOUND_S = 0.03
# Half width of the parabola through peak and trough [s], as the indices have it.
_LEVEL_S = 0.016
# Longest beat whose mean is looked at [s].
_LONGEST_S = 2.5
_NONE = np.array([1.0])


class Reach:
    """Samples around the steepest rise that are needed, with the filter's own."""

    def __init__(self, fs: float) -> None:
        self.margin = max(3, round(HALF_S * fs)) + max(
            derivative_half_width(fs), max(1, round(_LEVEL_S * fs))
        )
        self.first = round((_TROUGH_S + _RISE_S) * fs)
        self.last = round(_PEAK_S * fs)
        self.back, self.ahead = self.first + self.margin, self.last + self.margin


def sample(reading: Reading, fs: float, stretch: tuple[int, int] | None) -> Int:
    """Numbers of whole believed beats that follow one another, away from events, evenly spread."""
    good = (reading.quality >= BELIEVED) & np.isfinite(reading.end) & np.isfinite(reading.steepest)
    # Ringing of a slow line lasts; what was filtered must not reach back into an event.
    good &= ~reading.spans.inside(reading.onset, 1.0 * fs)
    if stretch is not None:
        good &= (reading.onset >= stretch[0]) & (reading.onset < stretch[1])
    follows = np.zeros(good.size, dtype=bool)
    follows[1:] = good[1:] & good[:-1] & (np.abs(reading.end[:-1] - reading.onset[1:]) < 0.5)
    found = np.flatnonzero(follows)
    if found.size <= _MOST:
        return np.asarray(found, dtype=np.int64)
    return np.asarray(found[np.linspace(0, found.size - 1, _MOST).astype(np.int64)], dtype=np.int64)


def pieces(
    wave: Wave, fs: float, reading: Reading, onset: Float, scale: Sequence[Mapping[str, Any]] | None
) -> Wave:
    """Pieces of undisturbed wave for the spectrum, each from the foot of a sampled beat on."""
    size = round(PIECE_S * fs)
    first, _ = nearest(onset)
    first = first[~reading.spans.inside(np.asarray(first + 0.5 * size, dtype=np.float64), 0.5 * size)]
    rows = around(wave, first[_spread(first, size)], 0, size - 1)
    rows = rows[np.isfinite(rows).all(axis=1) & ~clipped(rows, scale)]
    if rows.shape[0] < LEAST_PIECES:
        raise InputError(
            f"line: needs {LEAST_PIECES * PIECE_S:g} s of undisturbed pressure to tell pulse from noise; "
            "give a longer stretch"
        )
    return rows


def _spread(first: Int, size: int) -> Int:
    """Up to 64 of the places, next ones half a piece apart at the least."""
    if not first.size:
        return np.zeros(0, dtype=np.int64)
    cell = first // max(size // 2, 1)
    apart = np.flatnonzero(np.diff(cell, prepend=cell[0] - 1) > 0)
    return np.asarray(apart[np.linspace(0, apart.size - 1, min(_PIECES, apart.size)).astype(np.int64)])


def clipped(rows: Wave, scale: Sequence[Mapping[str, Any]] | None) -> NDArray[np.bool_]:
    """Rows that touch a rail of any run."""
    out = np.zeros(rows.shape[0], dtype=bool)
    for run in scale or ():
        half = 0.5 * float(run.get("step") or 0.0)
        if run.get("rail_low") is not None:
            out |= np.any(rows <= float(run["rail_low"]) + half, axis=1)
        if run.get("rail_high") is not None:
            out |= np.any(rows >= float(run["rail_high"]) - half, axis=1)
    return out


def numbers_of_rows(
    rows: Float, fs: float, reach: Reach, spectrum: Spectrum, lines: Float, before: Float, length: Float
) -> Float:
    """
    Numbers of beats as recorded and without each line.

    Parameters
    ----------
    rows : ndarray, shape (n_beats, width)
        Samples around the steepest rises, `Reach.back` before to `Reach.ahead` behind [mmHg].
    fs : float
        Sampling rate [Hz].
    reach : Reach
        What the rows hold.
    spectrum : Spectrum
        Of pulse and noise.
    lines : ndarray, shape (n_lines, 2)
        Natural frequency [Hz] and damping ratio.
    before, length : ndarray, shape (n_beats,)
        Time since the beat before and duration [s].

    Returns
    -------
    ndarray, shape (1 + n_lines, n_beats, 5)
        Systolic, diastolic and pulse pressure [mmHg], dP/dt max [mmHg/s], and the place of the foot, by the
        tangent, from the steepest recorded rise [s]; as recorded first.
    """
    half = max(1, round(_LEVEL_S * fs))
    level, slope = polynomial_kernel(half, 2, 0), polynomial_kernel(derivative_half_width(fs), 4, 1) * fs
    out = []
    for kernel in (_NONE, *(design(float(hz), float(z), spectrum).kernel for hz, z in lines)):
        # Weights are for sums of products, not for convolution.
        drawn = [_through(rows, np.convolve(kernel, w[::-1]), reach.margin) for w in (level, slope)]
        out.append(_read(drawn[0], drawn[1], fs, reach.first, before, length, still=kernel is _NONE))
    return np.stack(out)


def _through(rows: Float, kernel: Float, margin: int) -> Float:
    """Rows behind a filter of odd length, less a margin on both sides."""
    size = 1 << int(np.ceil(np.log2(rows.shape[1] + kernel.size)))
    whole = np.fft.irfft(np.fft.rfft(rows, size, axis=1) * np.fft.rfft(kernel, size), size, axis=1)
    lag = kernel.size // 2
    return np.asarray(whole[:, margin + lag : rows.shape[1] - margin + lag])


def _read(
    level: Float, slope: Float, fs: float, middle: int, before: Float, length: Float, still: bool
) -> Float:
    """The five numbers of each row; see `numbers_of_rows`."""
    lag = (np.arange(level.shape[1]) - middle) / fs
    sooner = np.minimum(_AS_FOUND_S if still else _RISE_S, before / 3.0)[:, None]
    searched = (lag >= -sooner) & (lag <= (_AS_FOUND_S if still else _LATER_S))
    place = np.argmax(np.where(searched, slope, -np.inf), axis=1)[:, None]
    steep, rise = (np.take_along_axis(x, place, axis=1)[:, 0] for x in (slope, level))
    after = lag - lag[place]
    trough = (after <= 0) & (after >= -np.minimum(_TROUGH_S, before / 3.0)[:, None])
    low = np.where(trough, level, np.inf).min(axis=1)
    crest = (after >= 0) & (lag <= np.minimum(_PEAK_S, _PEAK_SHARE * length)[:, None])
    high = np.where(crest, level, -np.inf).max(axis=1)
    foot = lag[place[:, 0]] - (rise - low) / np.maximum(steep, 1e-9)
    return np.column_stack([high, low, high - low, steep, foot])


def mean_errors(
    wave: Wave, fs: float, reading: Reading, beats: Int, spectrum: Spectrum, line: tuple[float, float]
) -> Float:
    """
    What a line does to the means of single beats, from foot to foot.

    The line leaves the mean of the wave alone, but moves each foot a little differently. Beats that follow
    one another at unequal distances start and end at unequal pressures, and their means go with the feet.

    Parameters
    ----------
    wave : ndarray, shape (n_samples,)
        Arterial pressure as recorded [mmHg].
    fs : float
        Sampling rate [Hz].
    reading : Reading
        Its beats.
    beats : ndarray of int, shape (n,)
        Numbers of beats that follow a whole one, from `sample`.
    spectrum : Spectrum
        Of pulse and noise.
    line : tuple of float
        Natural frequency [Hz] and damping ratio.

    Returns
    -------
    ndarray, shape (at most 150,)
        Recorded less restored mean of the beats before those [mmHg].
    """
    reach, rise = Reach(fs), reading.steepest
    beats = beats[(beats > 1) & (rise[beats] - rise[beats - 1] < _LONGEST_S * fs)]
    beats = beats[:: max(1, -(-beats.size // _FOR_MEANS))]
    feet = []
    for which in (beats - 1, beats):
        centre, _ = nearest(rise[which])
        part = around(wave, centre, reach.back, reach.ahead).astype(np.float64)
        length = (reading.end[which] - reading.onset[which]) / fs
        gap = (rise[which] - rise[which - 1]) / fs
        gap = np.where(gap > 0, gap, length)
        got = numbers_of_rows(part, fs, reach, spectrum, np.array([line]), gap, length)
        feet.append(got[:, :, 4] * fs + centre)
    first, _ = nearest(rise[beats - 1])
    rows = around(wave, first, reach.back, round(_LONGEST_S * fs) + reach.back).astype(np.float64)
    out = []
    for start, stop, kernel in zip(feet[0], feet[1], (_NONE, design(*line, spectrum).kernel), strict=True):
        moved = _through(rows, kernel, reach.margin)
        zero = first - reach.back + reach.margin - np.arange(beats.size) * moved.shape[1]
        out.append(integral(moved.ravel(), start - zero, stop - zero) / (stop - start))
    return np.asarray(out[0] - out[1])
