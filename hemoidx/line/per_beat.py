"""
What the line does to each single beat, learnt once from a bounded sample and then cheap for any number.

Behind one and the same line a steep beat loses more of its peak than a blunt one, and a beat that follows
early stands on the tail of the last. On up to 300 beats of all parts of the recording the line is undone and
the numbers before and after are compared. How their difference goes with what an analysis knows of every
beat anyway (pulse pressure, dP/dt max, time since the beat before, duration) is fitted, for each line that
the measurement leaves possible.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ..beats.reading import BELIEVED, Reading
from ..errors import InputError
from ..samples import around, derivative_half_width, nearest, polynomial_kernel
from .inverse import LEAST_PIECES, PIECE_S, Spectrum, design, noise_in_diastole, spectrum_from
from .likely import Likely

Float = NDArray[np.float64]
Int = NDArray[np.int64]
Wave = NDArray[np.floating]

#: In the order of the last axis of what is learnt.
LEARNT = ("sbp", "dbp", "pp", "dpdt_max")

# All ours. Beats and pieces of wave that are looked at, at most; fewest beats.
_MOST, _PIECES, _FEWEST = 300, 64, 5
# Where the numbers of a beat are looked for, from the steepest recorded rise [s]: trough, steepest rise
# without the line, peak (and at most this share of the beat).
_TROUGH_S, _RISE_S, _LATER_S, _PEAK_S, _PEAK_SHARE = 0.25, 0.15, 0.06, 0.5, 0.6
# Half width of the parabola through peak and trough [s], as the indices have it.
_LEVEL_S = 0.016
# Strength of the pull of all but the first coefficient towards nothing, in beats.
_PULL = 1.0
# Beats further off than this many standard deviations are left out of the second fit.
_ODD = 4.0
# The line delays what it changes, so that means from foot to foot differ by less than this [mmHg] (95 %,
# measured by the benchmark of the line).
_MEAN_WITHIN = 0.2


class BeatErrors(NamedTuple):
    """
    Expected errors of single beats.

    Attributes
    ----------
    value : ndarray, shape (n_beats,)
        Recorded less undistorted; NaN where the line is known too badly for a best estimate.
    low, high : ndarray, shape (n_beats,)
        95 % interval, from what is not known of the line and from how beats differ.
    """

    value: Float
    low: Float
    high: Float


@dataclass(frozen=True, slots=True)
class PerBeat:
    """
    How the line's errors go with what is known of each beat.

    Attributes
    ----------
    weights : ndarray, shape (n_lines, 9, 4)
        For each likely line and each of `LEARNT`.
    line_weight : ndarray, shape (n_lines,), or None
        As in `Likely`.
    scatter : ndarray, shape (4,)
        Standard deviation of single beats about what is expected of them, noise included.
    middle, spread, least, most : ndarray, shape (3,)
        Of steepness (dP/dt max over pulse pressure) [1/s], time since the beat before [s], and duration [s]
        in the sample; beats beyond are taken to be as far out as the furthest of it.
    chosen : int
        The line that gives the best estimate.
    beats : int
        How many beats were looked at.
    """

    weights: Float
    line_weight: Float | None
    scatter: Float
    middle: Float
    spread: Float
    least: Float
    most: Float
    chosen: int
    beats: int

    def of(
        self, known_line: bool, pulse_pressure: ArrayLike, dpdt_max: ArrayLike, before_s: ArrayLike,
        duration_s: ArrayLike,
    ) -> dict[str, BeatErrors]:  # fmt: skip
        """Expected errors; without a best estimate where the line is known too badly for one."""
        pulse, steep, before, length = np.broadcast_arrays(
            *(np.asarray(x, dtype=np.float64) for x in (pulse_pressure, dpdt_max, before_s, duration_s))
        )
        with np.errstate(invalid="ignore", divide="ignore"):
            known = np.column_stack([steep / pulse, before, length])
        known = np.where(np.isfinite(known), np.clip(known, self.least, self.most), self.middle)
        columns = _columns(pulse, (known - self.middle) / self.spread)
        out = {}
        for k, name in enumerate(LEARNT):
            each = columns @ self.weights[:, :, k].T
            reach = 1.96 * self.scatter[k]
            if self.line_weight is None:
                low, high = each.min(axis=1) - reach, each.max(axis=1) + reach
            else:
                mean = each @ self.line_weight
                unsure = np.sqrt((each - mean[:, None]) ** 2 @ self.line_weight + self.scatter[k] ** 2)
                low, high = mean - 1.96 * unsure, mean + 1.96 * unsure
            value = each[:, self.chosen] if known_line else np.full(pulse.shape, np.nan)
            out[name] = BeatErrors(value, low, high)
        none = 0.0 * pulse
        return out | {"mbp": BeatErrors(none, none - _MEAN_WITHIN, none + _MEAN_WITHIN)}


def _columns(pulse: Float, known: Float) -> Float:
    """What errors are taken to be made of, shape (n, 9); `known` is standardised."""
    steep, before, length = known.T
    one = np.ones(pulse.size)
    shape = [one, steep, steep * steep, before, length, before * before, steep * before]
    return np.asarray(np.column_stack([pulse[:, None] * np.column_stack(shape), one, before]))


def learn(
    wave: Wave,
    fs: float,
    reading: Reading,
    likely: Likely,
    *,
    scale: Sequence[Mapping[str, Any]] | None = None,
    stretch: tuple[int, int] | None = None,
    chosen: int = 0,
) -> PerBeat:
    """
    Learn from a sample of beats what likely lines do to single beats.

    Parameters
    ----------
    wave : ndarray, shape (n_samples,)
        Arterial pressure as recorded, NaN where missing [mmHg].
    fs : float
        Sampling rate [Hz].
    reading : Reading
        Its beats and spans.
    likely : Likely
        Lines that the measurement allows.
    scale : sequence of mapping, optional
        Runs of samples with one calibration: step and rails.
    stretch : tuple of int, optional
        First sample and the one behind the last of the part that the measurement holds for.
    chosen : int
        The line that gives the best estimate; its beats tell how far single ones scatter.

    Returns
    -------
    PerBeat

    Raises
    ------
    InputError
        If there are fewer than five whole undisturbed beats, or not two pieces of 4 s for the spectrum.

    Notes
    -----
    At most 300 beats, evenly spread, are looked at, however long the recording.
    """
    step = max((float(run.get("step") or 0.0) for run in scale or ()), default=0.0)
    beats = _sample(reading, fs, stretch)
    onset, rise, end = reading.onset[beats], reading.steepest[beats], reading.end[beats]
    noise = noise_in_diastole(wave, fs, onset, end, step)
    spectrum = spectrum_from(_pieces(wave, fs, reading, onset, scale), fs, noise)
    before = (rise - reading.steepest[beats - 1]) / fs
    centre, _ = nearest(rise)
    reach = _Reach(fs)
    rows = around(wave, centre, reach.back, reach.ahead).astype(np.float64)
    good = np.isfinite(rows).all(axis=1) & ~_clipped(rows, scale)
    if int(good.sum()) < _FEWEST:
        raise InputError(
            f"line: needs {_FEWEST} whole undisturbed beats to judge what the line does to them; "
            "give a longer or cleaner stretch"
        )
    length = (end - onset) / fs
    numbers = _numbers(rows[good], fs, reach, spectrum, likely.lines, before[good], length[good])
    recorded, errors = numbers[0], numbers[0] - numbers[1:]
    known = np.column_stack([recorded[:, 3] / recorded[:, 2], before[good], length[good]])
    return _fitted(recorded[:, 2], known, errors, likely.weight, chosen)


class _Reach:
    """Samples around the steepest rise that are needed, with the filter's own."""

    def __init__(self, fs: float) -> None:
        from .inverse import HALF_S

        self.margin = max(3, round(HALF_S * fs)) + max(
            derivative_half_width(fs), max(1, round(_LEVEL_S * fs))
        )
        self.first = round((_TROUGH_S + _RISE_S) * fs)
        self.last = round(_PEAK_S * fs)
        self.back, self.ahead = self.first + self.margin, self.last + self.margin


def _sample(reading: Reading, fs: float, stretch: tuple[int, int] | None) -> Int:
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


def _pieces(
    wave: Wave, fs: float, reading: Reading, onset: Float, scale: Sequence[Mapping[str, Any]] | None
) -> Wave:
    """Pieces of undisturbed wave for the spectrum, each from the foot of a sampled beat on."""
    size = round(PIECE_S * fs)
    first, _ = nearest(onset)
    first = first[~reading.spans.inside(np.asarray(first + 0.5 * size, dtype=np.float64), 0.5 * size)]
    rows = around(wave, first[_spread(first, size)], 0, size - 1)
    rows = rows[np.isfinite(rows).all(axis=1) & ~_clipped(rows, scale)]
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


def _clipped(rows: Wave, scale: Sequence[Mapping[str, Any]] | None) -> NDArray[np.bool_]:
    """Rows that touch a rail of any run."""
    out = np.zeros(rows.shape[0], dtype=bool)
    for run in scale or ():
        half = 0.5 * float(run.get("step") or 0.0)
        if run.get("rail_low") is not None:
            out |= np.any(rows <= float(run["rail_low"]) + half, axis=1)
        if run.get("rail_high") is not None:
            out |= np.any(rows >= float(run["rail_high"]) - half, axis=1)
    return out


def _numbers(
    rows: Float, fs: float, reach: _Reach, spectrum: Spectrum, lines: Float, before: Float, length: Float
) -> Float:
    """Numbers of the rows as recorded and without each line, shape (1 + n_lines, n_beats, 4)."""
    half = max(1, round(_LEVEL_S * fs))
    level, slope = polynomial_kernel(half, 2, 0), polynomial_kernel(derivative_half_width(fs), 4, 1) * fs
    size = 1 << int(np.ceil(np.log2(rows.shape[1] + 2 * reach.margin)))
    spectra = np.fft.rfft(rows, size, axis=1)
    none = np.array([1.0])
    kernels = [none, *(design(float(hz), float(z), spectrum).kernel for hz, z in lines)]
    out = []
    for kernel in kernels:
        drawn = []
        for weights in (level, slope):
            # Weights are for products of sums, not for convolution.
            both = np.convolve(kernel, weights[::-1])
            lag = both.size // 2
            whole = np.fft.irfft(spectra * np.fft.rfft(both, size), size, axis=1)
            drawn.append(whole[:, reach.margin + lag : rows.shape[1] - reach.margin + lag])
        out.append(_read(drawn[0], drawn[1], fs, reach.first, before, length, still=kernel is none))
    return np.stack(out)


def _read(
    level: Float, slope: Float, fs: float, middle: int, before: Float, length: Float, still: bool
) -> Float:
    """Systolic, diastolic and pulse pressure and dP/dt max of each row, shape (n_beats, 4)."""
    lag = (np.arange(level.shape[1]) - middle) / fs
    sooner = np.minimum(0.03 if still else _RISE_S, before / 3.0)[:, None]
    searched = (lag >= -sooner) & (lag <= (0.03 if still else _LATER_S))
    place = np.argmax(np.where(searched, slope, -np.inf), axis=1)
    steep = np.take_along_axis(slope, place[:, None], axis=1)[:, 0]
    after = lag - lag[place][:, None]
    trough = (after <= 0) & (after >= -np.minimum(_TROUGH_S, before / 3.0)[:, None])
    low = np.where(trough, level, np.inf).min(axis=1)
    crest = (after >= 0) & (lag <= np.minimum(_PEAK_S, _PEAK_SHARE * length)[:, None])
    high = np.where(crest, level, -np.inf).max(axis=1)
    return np.column_stack([high, low, high - low, steep])


def _fitted(pulse: Float, known: Float, errors: Float, line_weight: Float | None, chosen: int) -> PerBeat:
    """Least squares, twice: beats that are nothing like the others are left out the second time."""
    middle, spread = known.mean(axis=0), np.maximum(known.std(axis=0), 1e-6)
    columns = _columns(pulse, (known - middle) / spread)
    size = np.sqrt(np.mean(columns**2, axis=0)) + 1e-12
    columns = columns / size
    pull = _PULL * np.eye(columns.shape[1])
    pull[0, 0] = 0.0

    def solved(keep: NDArray[np.bool_]) -> Float:
        x = columns[keep]
        return np.asarray(np.linalg.solve(x.T @ x + pull, np.einsum("bf,lbq->lfq", x, errors[:, keep])))

    weights = solved(np.ones(pulse.size, dtype=bool))
    left = np.abs(errors[chosen] - columns @ weights[chosen])
    usual = np.all(left <= _ODD * 1.4826 * np.median(left, axis=0) + 1e-9, axis=1)
    if int(usual.sum()) >= max(_FEWEST, 0.7 * usual.size):
        weights = solved(usual)
        left = np.abs(errors[chosen] - columns @ weights[chosen])
    # As wide as holds 95 % of the sample, wider where few beats leave little to judge it by.
    freedom = max(1.0 - columns.shape[1] / pulse.size, 0.3)
    scatter = np.quantile(left, 0.95, axis=0) / (1.96 * np.sqrt(freedom))
    return PerBeat(
        weights / size[None, :, None], line_weight, scatter, middle, spread, known.min(axis=0),
        known.max(axis=0), chosen, pulse.size,
    )  # fmt: skip
