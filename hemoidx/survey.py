"""First pass over the samples: a long wave becomes two small tables, cells and swings.

A *cell* is a stretch of about an eighth of a second with its lowest, highest and mean pressure and its
roughness. A *swing* is one rise of the smoothed wave from a trough to a crest: every pulse is among the
swings, and so are dicrotic waves and artefacts. What is a pulse, and which stretches are not the patient,
is decided afterwards on these tables.

The work goes over tiles of half an hour laid on a fixed grid of samples, each read with a margin on
both sides. The tile is part of the algorithm: reading more or fewer tiles at once changes nothing.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from .swings import find_swings, usual_swing

Float = NDArray[np.float64]
Int = NDArray[np.int64]
Wave = NDArray[np.floating]
Progress = Callable[[float], None]

TILE_S = 1800.0
MARGIN_S = 16.0
#: Low-rate samples in a cell.
CELL = 8
#: A swing smaller than this share of the usual swing nearby is a ripple on a larger one.
RIPPLE = 0.10
#: A lowest value above this [mmHg] is not taken for a rail unless the recorder says so.
LOW_RAIL = -5.0
#: An unstated rail is met with a jump of at least this [mmHg], or this share of the record's range if less.
CUT_JUMP, CUT_SHARE = 0.5, 0.0125
#: Noise takes a clipped crest off the rail for moments this short [s].
RAIL_HOLE_S = 0.06
#: Full width [s] of the smoothing window: passes about 16 Hz, takes ringing and mains hum out.
SMOOTH_S = 0.064


class Grid(NamedTuple):
    """How a wave is divided: `size` samples at `fs` Hz, `thin` samples to one low-rate sample."""

    size: int
    fs: float
    thin: int

    @property
    def cell(self) -> int:
        """Samples in a cell."""
        return self.thin * CELL

    @property
    def low_rate(self) -> float:
        """Rate of the thinned wave [Hz]."""
        return self.fs / self.thin

    @property
    def cell_s(self) -> float:
        """Duration of a cell [s]."""
        return self.cell / self.fs

    def stretches(self, wave: Wave, at_once: int = 1) -> Iterator[tuple[tuple[int, int, int, int], Wave]]:
        """Yield each tile with its samples, margins included, fetching the samples of `at_once` tiles."""
        tiles = list(self.tiles())
        for k in range(0, len(tiles), at_once):
            group = tiles[k : k + at_once]
            low = group[0][2]
            block = np.asarray(wave[low : group[-1][3]])
            for tile in group:
                yield tile, block[tile[2] - low : tile[3] - low]

    def tiles(self) -> Iterator[tuple[int, int, int, int]]:
        """Yield start and stop of each tile and of the stretch to read with its margins [samples]."""
        length = max(1, round(TILE_S * self.fs / self.cell)) * self.cell
        margin = -(-round(MARGIN_S * self.fs) // self.cell) * self.cell
        for start in range(0, self.size, length):
            stop = min(start + length, self.size)
            if self.size - stop < length // 10:
                stop = self.size
            yield start, stop, max(0, start - margin), min(self.size, stop + margin)
            if stop == self.size:
                return


def grid(size: int, fs: float) -> Grid:
    """Divide `size` samples at `fs` [Hz] so that the thinned wave has 60 to 120 samples a second."""
    return Grid(size, float(fs), max(1, int(fs // 60.0)))


class Rail(NamedTuple):
    """A stretch [samples] and the lowest and highest value that the recorder can write there [mmHg]."""

    start: int
    stop: int
    low: float
    high: float


class Cells(NamedTuple):
    """One row per cell: extremes and mean of the thinned wave, roughness, share of missing samples."""

    low: NDArray[np.float32]
    high: NDArray[np.float32]
    mean: NDArray[np.float32]
    rough: NDArray[np.float32]
    missing: NDArray[np.float32]


class Swings(NamedTuple):
    """One row per rise: positions [samples], pressure at trough and crest, and steepest slope [1/s]."""

    trough: Float
    steepest: Float
    crest: Float
    low: Float
    high: Float
    slope: Float

    def take(self, which: NDArray[np.bool_] | Int) -> Swings:
        """Rows chosen by a mask or by numbers."""
        return Swings(*(column[which] for column in self))


@dataclass(frozen=True)
class Survey:
    """Result of the first pass."""

    #: The samples themselves, for the few places where the tables are not enough.
    wave: Wave
    grid: Grid
    cells: Cells
    swings: Swings
    #: Missing stretches, start and stop [samples], shape (n, 2).
    gaps: Int
    #: Runs of three or more samples at a rail, shape (n, 2).
    rails: Int
    #: Whether the recorder's rails are known; if not, the wave's own extremes stand for them.
    rails_known: bool


def noise_level(cells: Cells, known: NDArray[np.bool_]) -> float:
    """
    Standard deviation of white noise on the thinned wave [mmHg].

    Parameters
    ----------
    cells : Cells
        Cells of the survey.
    known : ndarray of bool, shape (n_cells,)
        Cells that are not the patient; an open line is quieter than he is.

    Returns
    -------
    float
        From the calmer third of the cells, which hold no upstroke; 0 where nothing is left.
    """
    rough = cells.rough[~known & (cells.missing == 0.0)]
    if not rough.size:
        return 0.0
    # The mean absolute second difference of white noise is sqrt(6) sqrt(2 / pi) standard deviations.
    return float(np.quantile(rough, 0.3)) / 1.954


def runs(mask: NDArray[np.bool_]) -> Int:
    """Start and stop of each run of true values, half open, shape (n, 2)."""
    wide = np.zeros(mask.size + 2, dtype=bool)
    wide[1:-1] = mask
    return np.flatnonzero(wide[1:] != wide[:-1]).reshape(-1, 2)


def fill(wave: Wave) -> tuple[Wave, NDArray[np.bool_] | None]:
    """Bridge missing samples by straight lines; the mask of what was missing, None if nothing was."""
    missing = np.isnan(wave)
    if not missing.any():
        return wave, None
    known = np.flatnonzero(~missing)
    if not known.size:
        return np.zeros_like(wave), missing
    out = wave.copy()
    out[missing] = np.interp(np.flatnonzero(missing), known, wave[known])
    return out, missing


@lru_cache(maxsize=16)
def smoothing_kernel(rate: float) -> NDArray[np.float32]:
    """Raised-cosine window of `SMOOTH_S` at this rate, of unit sum; at least three samples."""
    half = max(1, round(0.5 * SMOOTH_S * rate))
    kernel = np.hanning(2 * half + 3)[1:-1]
    return np.asarray(kernel / kernel.sum(), dtype=np.float32)


def thinned(wave: Wave, g: Grid) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """
    Mean of each `g.thin` neighbours, and that wave smoothed to about 16 Hz.

    Parameters
    ----------
    wave : ndarray, shape (n_samples,)
        Samples without gaps, a multiple of `g.thin` of them.
    g : Grid
        Gives the number of neighbours and the rate.

    Returns
    -------
    thin, smooth : ndarray, shape (n_samples / g.thin,)
        Sample k stands for the position ``k * g.thin + (g.thin - 1) / 2``.
    """
    # Sums of strided views beat a reduction over a short axis.
    thin = wave[:: g.thin].astype(np.float32)
    for k in range(1, g.thin):
        thin += wave[k :: g.thin]
    thin /= np.float32(g.thin)
    kernel = smoothing_kernel(g.low_rate)
    return thin, np.convolve(np.pad(thin, kernel.size // 2, mode="edge"), kernel, mode="valid")


def _folded(thin: NDArray[np.float32], fold: np.ufunc) -> NDArray[np.float32]:
    """Fold the samples of each cell; strided views side by side beat a reduction over short stretches."""
    out = fold(thin[1::CELL], thin[2::CELL])
    for k in (*range(3, CELL), 0):
        fold(out, thin[k::CELL], out=out)
    return np.asarray(out)


def _survey_tile(
    samples: Wave, tile: tuple[int, int, int, int], g: Grid, step: float
) -> tuple[Cells, Swings, NDArray[np.bool_] | None]:
    start, stop, first, _ = tile
    whole, missing = fill(samples)
    short = -whole.size % g.cell
    if short:
        whole = np.concatenate([whole, np.full(short, whole[-1], dtype=whole.dtype)])
    thin, smooth = thinned(whole, g)
    low, high, mean = _folded(thin, np.minimum), _folded(thin, np.maximum), _folded(thin, np.add) / CELL
    bend = np.zeros_like(thin)
    np.abs(thin[2:] - 2.0 * thin[1:-1] + thin[:-2], out=bend[:-2])
    rough = _folded(bend, np.add) / CELL
    noise = float(np.median(bend[: -2 : 1 + (bend.size - 2) // 4096])) / (0.6745 * np.sqrt(6.0))
    quiet = float(np.sqrt(np.sum(smoothing_kernel(g.low_rate) ** 2)))
    floor = max(3.0 * noise * quiet, 0.75 * step)
    ripple = np.maximum(RIPPLE * usual_swing(low, high, g.cell_s), floor)
    trough, steep, crest, v_low, v_high, slope = find_swings(smooth, ripple)
    centre = 0.5 * (g.thin - 1)
    swings = Swings(
        np.asarray(first + trough * g.thin + centre, dtype=np.float64),
        np.asarray(first + (steep + 0.5) * g.thin + centre, dtype=np.float64),
        np.asarray(first + crest * g.thin + centre, dtype=np.float64),
        v_low.astype(np.float64),
        v_high.astype(np.float64),
        slope.astype(np.float64) * g.low_rate,
    )
    own = (swings.steepest >= start) & (swings.steepest < stop)
    a, b = (start - first) // g.cell, -(-(stop - first) // g.cell)
    part = np.zeros(low.size, dtype=np.float32)
    if missing is not None:
        padded = np.concatenate([missing, np.zeros(short, dtype=bool)])
        part = padded.reshape(-1, g.cell).mean(axis=1, dtype=np.float32)
    cells = Cells(*(c[a:b].astype(np.float32) for c in (low, high, mean, rough, part)))
    lost = None if missing is None else missing[start - first : stop - first]
    return cells, swings.take(own), lost


def _rail_runs(wave: Wave, g: Grid, cells: Cells, step: float, known: Sequence[Rail]) -> Int:
    """Runs of at least three samples at the recorder's rails, or at the extremes if those are not known."""
    top, bottom = float(np.fmax.reduce(wave)), float(np.fmin.reduce(wave))
    if not np.isfinite(top):
        return np.zeros((0, 2), dtype=np.int64)
    tops, bottoms = np.full(cells.high.size, top), np.full(cells.low.size, bottom)
    if not known and bottom > LOW_RAIL:
        bottoms -= 1.0
    for rail in known:
        a, b = rail.start // g.cell, -(-rail.stop // g.cell)
        tops[a:b], bottoms[a:b] = rail.high, rail.low
    tops -= 0.25 * step
    bottoms += 0.25 * step
    # Cells hold means of neighbours. Of two, one mean at least lies within any run of three; of more,
    # the means can stay inside the rail by what pressure does within a few milliseconds.
    inside = 0.0 if g.thin <= 2 else min(0.1 * (top - bottom), 15.0)
    touch = (cells.high >= tops - inside) | (cells.low <= bottoms + inside)
    # A run may begin or end with one sample in the next cell.
    wide = touch.copy()
    wide[1:] |= touch[:-1]
    wide[:-1] |= touch[1:]
    touching = np.flatnonzero(wide)
    tops, bottoms = tops[touching, None], bottoms[touching, None]
    place = touching[:, None] * g.cell + np.arange(g.cell)
    there = place < wave.size
    value = wave[np.where(there, place, 0)]
    hole = max(1, round(RAIL_HOLE_S * g.fs)) if known else 1
    found = []
    for hit in (there & (value >= tops), there & (value <= bottoms)):
        at = place[hit]
        edge = np.flatnonzero(np.diff(at) > hole)
        first = np.concatenate([[0], edge + 1]) if at.size else at
        last = np.concatenate([edge, [-1]]) if at.size else at
        count = np.diff(np.append(first, at.size))
        some = count >= (2 if known else 3)
        found.append(np.column_stack([at[first], at[last] + 1])[some])
    both = _join(found)
    return both if known else both[_cut_off(wave, both, step, top - bottom)]


def _cut_off(wave: Wave, stretch: Int, step: float, height: float) -> NDArray[np.bool_]:
    """Whether the wave runs into a constant stretch at an angle, as it does at a rail, and not smoothly."""
    level = wave[stretch[:, 0]]

    def away(by: Int | int) -> Float:
        before = wave[np.maximum(stretch[:, 0] - by, 0)]
        after = wave[np.minimum(stretch[:, 1] - 1 + by, wave.size - 1)]
        return np.asarray(np.fmax(np.abs(before - level), np.abs(after - level)), dtype=np.float64)

    jump = away(1)
    least = min(CUT_JUMP, CUT_SHARE * height)
    # A rounded crest within one step falls by one step and a half in half the time that it stays there;
    # the step of a file that does not state it is the smallest jump.
    known = max(step, float(np.nanmin(jump, initial=np.inf))) if step == 0.0 else step
    fall = away(np.maximum((stretch[:, 1] - stretch[:, 0]) // 2, 1))
    return np.asarray((jump >= max(least, 1.5 * step)) | (fall >= max(2.0 * least, 2.5 * known)))


def _join(pieces: list[Int]) -> Int:
    """Join runs that were cut at the border of two tiles."""
    rows = np.concatenate(pieces) if pieces else np.zeros((0, 2), dtype=np.int64)
    rows = rows[np.argsort(rows[:, 0], kind="stable")]
    if rows.shape[0] < 2:
        return rows
    fresh = np.concatenate([[True], rows[1:, 0] > np.maximum.accumulate(rows[:-1, 1])])
    group = np.cumsum(fresh) - 1
    stop = np.zeros(group[-1] + 1, dtype=np.int64)
    np.maximum.at(stop, group, rows[:, 1])
    return np.column_stack([rows[fresh, 0], stop])


def survey(
    wave: Wave,
    fs: float,
    step: float = 0.0,
    rails: Sequence[Rail] = (),
    at_once: int = 1,
    progress: Progress | None = None,
) -> Survey:
    """
    First pass over a pressure wave.

    Parameters
    ----------
    wave : ndarray, shape (n_samples,)
        Pressure, NaN where missing [mmHg].
    fs : float
        Sampling rate [Hz].
    step : float
        Quantisation step [mmHg], 0 if unknown or fine.
    rails : sequence of Rail
        Stretches whose lowest and highest value that the recorder can write are known.
    at_once : int
        Tiles whose samples are fetched at once; changes nothing in the result.
    progress : callable, optional
        Called with the share of this pass that was just done.

    Returns
    -------
    Survey
        Cells, swings, missing stretches, runs at the rails.
    """
    g = grid(wave.size, fs)
    cells: list[Cells] = []
    swings: list[Swings] = []
    gaps: list[Int] = []
    for tile, samples in g.stretches(wave, at_once):
        c, s, lost = _survey_tile(samples, tile, g, step)
        cells.append(c)
        swings.append(s)
        if lost is not None:
            gaps.append(runs(lost) + tile[0])
        if progress is not None:
            progress((tile[1] - tile[0]) / g.size)
    table = Cells(*(np.concatenate(column) for column in zip(*cells, strict=True)))
    return Survey(
        wave,
        g,
        table,
        Swings(*(np.concatenate(column) for column in zip(*swings, strict=True))),
        _join(gaps),
        _rail_runs(wave, g, table, step, rails),
        bool(rails),
    )
