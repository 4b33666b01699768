"""Spans that the level alone gives away: gap, saturated, flush, open to air, constant level."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from ..samples import rolling_quantile
from ..survey import Cells, Survey, runs
from .table import NONE, Spans, gather, rows_of

Float = NDArray[np.float64]
Int = NDArray[np.int64]
Bool = NDArray[np.bool_]
Wave = NDArray[np.floating]

#: A flush drives the pressure at least to this level [mmHg] and this much above the usual systolic one.
FLUSH_LEVEL = 170.0
FLUSH_ABOVE = 20.0
#: Longer than this [s] a high level is a tap turned off, not a flush, but for what jumps above it [mmHg].
FLUSH_LONGEST_S = 12.0
FLUSH_JUMP = 40.0
#: An open line lies within this of zero [mmHg]; its zero error is part of the finding.
OPEN_WITHIN = 12.0
#: A constant level keeps within this [mmHg], or within two steps; the noise of a patient does not.
FLAT_WITHIN = 0.4
#: ... or, without calibration, within this share of the usual pulse.
FLAT_SHARE = 0.01


class Levels(NamedTuple):
    """Usual systolic and diastolic level around each cell (medians over a minute)."""

    systolic: Float
    diastolic: Float


def usual_levels(
    cells: Cells, cell_s: float, known: Bool | None = None, half: int = 12, reach: int = 0
) -> Levels:
    """
    Typical highest and lowest pressure within 2.5 s, the median over a minute.

    Parameters
    ----------
    cells : Cells
        Cells of the survey.
    cell_s : float
        Duration of a cell [s].
    known : ndarray of bool, shape (n_cells,), optional
        Cells that are already known not to be the patient; they do not count.
    half : int
        Blocks of 2.5 s on each side that the median is taken over.
    reach : int
        Blocks on each side over which the highest and the lowest of these medians are taken, for
        pressure may climb or fall within a minute.

    Returns
    -------
    Levels
        One value for each cell.
    """
    every = max(1, round(2.5 / cell_s))
    edge = np.arange(0, cells.low.size, every)
    skip = cells.missing >= 0.5 if known is None else known | (cells.missing >= 0.5)
    whole = np.arange(edge.size)

    def spread(value: NDArray[np.float32], best: np.ufunc, worst: float) -> Float:
        block = best.reduceat(np.where(skip, np.float32(worst), value), edge).astype(np.float64)
        middle = rolling_quantile(np.where(np.isfinite(block), block, np.nan), half, 0.5)
        sure = np.flatnonzero(np.isfinite(middle))
        if not sure.size:
            return np.zeros(cells.low.size)
        level = np.interp(whole, sure, middle[sure])
        if reach:
            padded = np.pad(level, reach, mode="edge")
            level = best.reduce(np.lib.stride_tricks.sliding_window_view(padded, 2 * reach + 1), axis=1)
        return np.repeat(level, every)[: cells.low.size]

    return Levels(spread(cells.high, np.maximum, -np.inf), spread(cells.low, np.minimum, np.inf))


def grown(core: Bool, into: Bool, most: int) -> Bool:
    """`core` grown on both sides through neighbouring cells of `into`, at most `most` cells."""
    out = core.copy()
    for _ in range(most):
        wider = out.copy()
        wider[1:] |= out[:-1]
        wider[:-1] |= out[1:]
        wider &= into | core
        if (wider == out).all():
            break
        out = wider
    return out


def long_runs(mask: Bool, least: float, bridge: float = 0.0) -> Int:
    """Runs of at least `least` cells, after joining runs with holes of at most `bridge` cells."""
    found = bridged(runs(mask), bridge)
    return found[found[:, 1] - found[:, 0] >= least]


def bridged(found: Int, bridge: float) -> Int:
    """Join stretches with holes of at most `bridge` between them."""
    if found.shape[0] < 2 or not bridge:
        return found
    apart = found[1:, 0] - found[:-1, 1] > bridge
    return np.column_stack(
        [found[np.concatenate([[True], apart]), 0], found[np.concatenate([apart, [True]]), 1]]
    )


def by_level(survey: Survey, wave: Wave, step: float, calibrated: bool) -> Spans:
    """
    Spans that the level alone gives away: gap, saturated, flush, open to air, flat.

    Parameters
    ----------
    survey : Survey
        First pass over the wave.
    wave : ndarray, shape (n_samples,)
        The wave itself, for the edges of constant levels [mmHg].
    step : float
        Quantisation step [mmHg], 0 if fine.
    calibrated : bool
        Whether the numbers are pressures; without that only gaps, rails and constant levels are told.

    Returns
    -------
    Spans
        Start, stop and kind.
    """
    g, cells = survey.grid, survey.cells
    size, second = g.size, 1.0 / g.cell_s
    there = cells.missing < 0.5
    span = cells.high - cells.low
    usual = usual_levels(cells, g.cell_s)
    # Numbers without a unit have no scale but their own.
    height = float(np.median(usual.systolic - usual.diastolic)) if cells.low.size else 0.0
    quiet = max(2.0 * step, FLAT_WITHIN if calibrated else FLAT_SHARE * max(height, 0.0))
    flush = np.zeros(cells.low.size, dtype=bool)
    opened = np.zeros(cells.low.size, dtype=bool)
    parts = [rows_of(survey.gaps, "gap", size)]
    if calibrated:
        limit = np.maximum(FLUSH_LEVEL, usual.systolic + FLUSH_ABOVE)
        core = np.zeros(cells.low.size, dtype=bool)
        for a, b in long_runs((cells.low >= limit) & there, 2):
            # A high level that lasts is a tap turned off; a flush can still stand out above it.
            lasts = (b - a) > FLUSH_LONGEST_S * second
            above = cells.low[a:b] - (
                np.median(cells.mean[a:b]) if lasts else _plateau(cells.low[a:b], second)
            )
            core[a:b] = grown(above >= FLUSH_JUMP, above >= 0.5 * FLUSH_JUMP, round(FLUSH_LONGEST_S * second))
        flush = grown(core, (cells.high >= limit) & there, 3)
        parts.append(rows_of(runs(flush) * g.cell, "flush", size))
        near_zero = (np.abs(cells.mean) <= OPEN_WITHIN) & (span <= max(3.0, 3.0 * step)) & there
        for a, b in long_runs(near_zero, 1.0 * second, 1.0 * second):
            opened[a:b] = True
        # The fall to zero and below, and the rise away from it, belong to the turning of the tap.
        opened = grown(opened, (cells.low <= OPEN_WITHIN) & there & ~flush, round(1.0 * second))
        parts.append(rows_of(runs(opened) * g.cell, "open_to_air", size))
    drift = np.abs(np.diff(cells.mean, prepend=cells.mean[:1]))
    still = (span <= quiet) & (drift <= quiet) & there & ~flush & ~opened
    flat = long_runs(still, 2.0 * second)
    for a, b in flat:
        if float(cells.high[a:b].max() - cells.low[a:b].min()) <= 2.0 * quiet:
            parts.append(rows_of(_to_the_sample(wave, a * g.cell, b * g.cell, quiet, g.cell), "flat", size))
    return gather(*parts, _saturated(survey, flush))


def _plateau(low: NDArray[np.float32], second: float) -> float:
    """Level from which a high stretch jumps up to a flush after a second or more; else minus infinity."""
    reach = min(2, low.size - 1)
    jump = low[reach:] - low[:-reach]
    at = int(np.argmax(jump))
    before, after = low[: at + 1], low[at + reach :]
    rests = at >= second and jump[at] >= 0.75 * FLUSH_JUMP
    if not rests or after.min() < before.max() or after.max() < before.max() + FLUSH_JUMP:
        return -np.inf
    return float(before.max())


def _to_the_sample(wave: Wave, start: int, stop: int, quiet: float, cell: int) -> Int:
    """Constant stretch widened into the cells beside it, as far as the samples keep to its level."""
    # The first cell that lies in it whole does not count as still: it differs from the one before.
    before = wave[max(0, start - 2 * cell) : start][::-1]
    after = wave[stop : stop + cell]
    level = float(np.nanmedian(wave[start : start + cell]))
    rows = [start, min(stop, wave.size)]
    for side, sign in ((before, -1), (after, 1)):
        away = np.flatnonzero(~(np.abs(side - level) <= quiet))
        rows[(sign + 1) // 2] += sign * int(away[0] if away.size else side.size)
    return np.array(rows)


def _saturated(survey: Survey, flush: Bool) -> Spans:
    """Runs at a rail that are no flush: long ones, or many short ones that cut the pulses off."""
    g, rails = survey.grid, survey.rails
    if not rails.shape[0]:
        return NONE
    length = (rails[:, 1] - rails[:, 0]) / g.fs
    outside = ~flush[np.minimum(rails[:, 0] // g.cell, flush.size - 1)]
    if survey.rails_known:
        # Pressure met the rail at some moment after the sample before; noise takes one at either end off it.
        return rows_of(np.maximum(rails[outside] + [-2, 1], 0), "saturated", g.size)
    # The highest value of a record is no rail by itself: it takes a long stay there, or many short ones.
    several = length >= max(0.05, 3.0 / g.fs)
    clipped = outside & ((length >= 0.25) | (several & (int((several & outside).sum()) >= 5)))
    return rows_of(rails[clipped], "saturated", g.size)
