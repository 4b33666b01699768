"""Stretches that are not the patient: what the line, the tap, the cuff or the hand did to the trace.

Levels come first (gaps, rails, flushes, an open line, a constant level); stretches where the pulse is
missing are told apart once the pulses are known; motion last, from roughness and from pulses that look
like none of their neighbours. All rules work on the cells of the survey, in mmHg and seconds.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from .survey import Cells, Survey, runs

Float = NDArray[np.float64]
Int = NDArray[np.int64]
Bool = NDArray[np.bool_]

KINDS = (
    "flush",
    "open_to_air",
    "flat",
    "saturated",
    "sampling",
    "motion",
    "cuff",
    "gap",
    "not_pulsatile",
)
KIND = {name: number for number, name in enumerate(KINDS)}

#: A flush drives the pressure at least to this level [mmHg] and this much above the usual systolic one.
FLUSH_LEVEL = 170.0
FLUSH_ABOVE = 20.0
#: Longer than this [s] a high level is a tap turned off, not a flush.
FLUSH_LONGEST_S = 12.0
#: An open line lies within this of zero [mmHg]; its zero error is part of the finding.
OPEN_WITHIN = 12.0
#: After a release the line rings and the pulse takes a moment to come back [s].
SETTLE_S = 0.25


class Spans(NamedTuple):
    """Start and stop [samples, half open] and kind (index into :data:`KINDS`), sorted by start."""

    start: Int
    stop: Int
    kind: Int

    def inside(self, position: Float, margin: float = 0.0) -> Bool:
        """Whether each position lies in any span, or within `margin` samples of one."""
        hit = np.zeros(np.shape(position), dtype=bool)
        if not self.start.size:
            return hit
        joined = join(self.start - margin, self.stop + margin)
        place = np.searchsorted(joined[:, 0], position, side="right") - 1
        return np.asarray((place >= 0) & (position < joined[np.maximum(place, 0), 1]))

    def of(self, *kinds: str) -> Spans:
        """Only the spans of these kinds."""
        return self.take(np.isin(self.kind, [KIND[k] for k in kinds]))

    def take(self, which: Bool | Int) -> Spans:
        """Rows chosen by a mask or by numbers."""
        return Spans(self.start[which], self.stop[which], self.kind[which])


NONE = Spans(*(np.zeros(0, dtype=np.int64) for _ in range(3)))


def join(start: NDArray[np.generic], stop: NDArray[np.generic]) -> Float:
    """Union of stretches as rows of start and stop, sorted, not overlapping."""
    order = np.argsort(start, kind="stable")
    a = np.asarray(start, dtype=np.float64)[order]
    b = np.maximum.accumulate(np.asarray(stop, dtype=np.float64)[order]) if order.size else a
    fresh = np.ones(a.size, dtype=bool)
    fresh[1:] = a[1:] > b[:-1]
    last = np.ones(a.size, dtype=bool)
    last[:-1] = fresh[1:]
    return np.column_stack([a[fresh], b[last]])


def gather(*parts: Spans) -> Spans:
    """Put spans together in order of start; spans of one kind that touch or overlap become one."""
    rows = []
    for kind in range(len(KINDS)):
        start = np.concatenate([p.start[p.kind == kind] for p in parts])
        stop = np.concatenate([p.stop[p.kind == kind] for p in parts])
        union = join(start, stop).astype(np.int64)
        rows.append(np.column_stack([union, np.full(union.shape[0], kind)]))
    table = np.concatenate(rows).astype(np.int64)
    table = table[np.lexsort((table[:, 2], table[:, 0]))]
    return Spans(table[:, 0], table[:, 1], table[:, 2])


def _rows(stretches: NDArray[np.generic], kind: str, size: int) -> Spans:
    rows = np.asarray(stretches, dtype=np.int64).reshape(-1, 2)
    start, stop = np.clip(rows[:, 0], 0, size), np.clip(rows[:, 1], 0, size)
    some = stop > start
    return Spans(start[some], stop[some], np.full(int(some.sum()), KIND[kind]))


def _rolling_median(value: Float, half: int) -> Float:
    padded = np.pad(value, half, mode="reflect" if value.size > half else "edge")
    return np.asarray(np.median(np.lib.stride_tricks.sliding_window_view(padded, 2 * half + 1), axis=1))


class Levels(NamedTuple):
    """Usual systolic and diastolic level and roughness around each cell (medians over a minute)."""

    systolic: Float
    diastolic: Float
    rough: Float


def usual_levels(cells: Cells, cell_s: float) -> Levels:
    """Typical highest and lowest pressure and roughness within 2.5 s, the median over a minute."""
    every = max(1, round(2.5 / cell_s))
    edge = np.arange(0, cells.low.size, every)
    half = 12

    def spread(block: NDArray[np.float32]) -> Float:
        return np.repeat(_rolling_median(block.astype(np.float64), half), every)[: cells.low.size]

    return Levels(
        spread(np.maximum.reduceat(cells.high, edge)),
        spread(np.minimum.reduceat(cells.low, edge)),
        spread(np.maximum.reduceat(cells.rough, edge)),
    )


def _grown(core: Bool, into: Bool, most: int) -> Bool:
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


def _long_runs(mask: Bool, least: float, bridge: float = 0.0) -> Int:
    """Runs of at least `least` cells, after joining runs with holes of at most `bridge` cells."""
    found = runs(mask)
    if found.shape[0] > 1 and bridge:
        hole = found[1:, 0] - found[:-1, 1] <= bridge
        first = np.concatenate([[True], ~hole])
        last = np.concatenate([~hole, [True]])
        found = np.column_stack([found[first, 0], found[last, 1]])
    return found[found[:, 1] - found[:, 0] >= least]


def by_level(survey: Survey, step: float, calibrated: bool) -> Spans:
    """
    Spans that the level alone gives away: gap, saturated, flush, open to air, flat.

    Parameters
    ----------
    survey : Survey
        First pass over the wave.
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
    quiet = max(2.0 * step, 6.0 * survey.noise, 0.4)
    usual = usual_levels(cells, g.cell_s)
    flush = np.zeros(cells.low.size, dtype=bool)
    opened = np.zeros(cells.low.size, dtype=bool)
    parts = [_rows(survey.gaps, "gap", size)]
    if calibrated:
        limit = np.maximum(FLUSH_LEVEL, usual.systolic + FLUSH_ABOVE)
        core = np.zeros(cells.low.size, dtype=bool)
        for a, b in _long_runs((cells.low >= limit) & there, 2):
            core[a:b] = (b - a) <= FLUSH_LONGEST_S * second
        flush = _grown(core, (cells.high >= limit) & there, 3)
        parts.append(_rows(runs(flush) * g.cell, "flush", size))
        near_zero = (np.abs(cells.mean) <= OPEN_WITHIN) & (span <= max(3.0, 3.0 * step)) & there
        for a, b in _long_runs(near_zero, 1.0 * second, 1.0 * second):
            opened[a:b] = True
        # The fall to zero and below, and the rise away from it, belong to the turning of the tap.
        opened = _grown(opened, (cells.low <= OPEN_WITHIN) & there & ~flush, round(1.0 * second))
        parts.append(_rows(runs(opened) * g.cell, "open_to_air", size))
    drift = np.abs(np.diff(cells.mean, prepend=cells.mean[:1]))
    still = (span <= quiet) & (drift <= quiet) & there & ~flush & ~opened
    flat = _long_runs(still, 2.0 * second)
    for a, b in flat:
        if float(cells.high[a:b].max() - cells.low[a:b].min()) <= 2.0 * quiet:
            parts.append(_rows(np.array([a, b]) * g.cell, "flat", size))
    return gather(*parts, _saturated(survey, flush))


def _saturated(survey: Survey, flush: Bool) -> Spans:
    """Runs at a rail that are no flush: long ones, or many short ones that cut the pulses off."""
    g, rails = survey.grid, survey.rails
    if not rails.shape[0]:
        return NONE
    length = (rails[:, 1] - rails[:, 0]) / g.fs
    outside = ~flush[np.minimum(rails[:, 0] // g.cell, flush.size - 1)]
    several = length >= max(0.05, 3.0 / g.fs)
    clipped = outside & ((length >= 0.25) | (several & (int((several & outside).sum()) >= 5)))
    return _rows(rails[clipped], "saturated", g.size)


def pulseless(survey: Survey, known: Spans, pulse: Float, interval: Float, calibrated: bool) -> Spans:
    """
    Stretches without a pulse, told apart by level, drift and edges: sampling, cuff, not pulsatile.

    Parameters
    ----------
    survey : Survey
        First pass over the wave.
    known : Spans
        Spans found by level.
    pulse : ndarray, shape (n,)
        Steepest rise of each pulse [samples].
    interval : ndarray, shape (n,)
        Usual interval of the pulses around each [s].
    calibrated : bool
        Whether the numbers are pressures.

    Returns
    -------
    Spans
        The new spans.
    """
    g = survey.grid
    events = join(known.start, known.stop)
    mark = np.concatenate([pulse, events[:, 0], [0.0, float(g.size)]])
    stop_mark = np.concatenate([pulse + 0.6 * interval * g.fs, events[:, 1], [0.0, float(g.size)]])
    order = np.argsort(mark, kind="stable")
    mark, reach = mark[order], np.maximum.accumulate(stop_mark[order])
    usual = np.interp(mark, pulse, interval) if pulse.size else np.full(mark.size, 1.0)
    hole = mark[1:] - reach[:-1] > np.maximum(2.0, 1.6 * usual[:-1]) * g.fs
    parts = []
    usual_level = usual_levels(survey.cells, g.cell_s)
    for k in np.flatnonzero(hole):
        stretch = (reach[k], mark[k + 1] - 0.08 * g.fs)
        kind = _name_stretch(survey.cells, g.cell, stretch, usual_level) if calibrated else "not_pulsatile"
        parts.append(_rows(np.array(stretch), kind, g.size))
    return gather(*parts) if parts else NONE


def _name_stretch(cells: Cells, cell: int, stretch: tuple[float, float], usual: Levels) -> str:
    a = int(stretch[0] // cell)
    b = max(a + 1, int(stretch[1] // cell))
    level = cells.mean[a:b].astype(np.float64)
    before = max(0, a - 20)
    systolic = float(np.median(usual.systolic[before : a + 1]))
    diastolic = float(np.median(usual.diastolic[before : a + 1]))
    mean = diastolic + (systolic - diastolic) / 3.0
    climb = float(np.median(level[-max(1, level.size // 5) :]) - np.median(level[: max(1, level.size // 5)]))
    middle = float(np.median(level))
    if abs(middle) <= OPEN_WITHIN:
        return "open_to_air"
    if middle > mean + 0.6 * (systolic - mean) or (climb > 15.0 and middle > diastolic):
        return "sampling"
    seconds = level.size * 0.125
    if middle < mean and 4.0 <= seconds <= 120.0 and b < cells.mean.size - 40:
        return "cuff"
    return "not_pulsatile"


def motion(survey: Survey, known: Spans, step: float, unlike: Float) -> Spans:
    """
    Stretches where movement drew the trace.

    Parameters
    ----------
    survey : Survey
        First pass over the wave.
    known : Spans
        Spans found so far; their edges are rough for other reasons.
    step : float
        Quantisation step [mmHg].
    unlike : ndarray, shape (n_cells,)
        For each cell, how little the pulse there resembles its neighbours, 0 to 1.

    Returns
    -------
    Spans
        The new spans.
    """
    g, cells = survey.grid, survey.cells
    second = 1.0 / g.cell_s
    usual = usual_levels(cells, g.cell_s)
    pulse = np.maximum(usual.systolic - usual.diastolic, 4.0 * step + 1e-6)
    busy = np.zeros(cells.low.size, dtype=bool)
    for a, b in np.column_stack([known.start, known.stop]):
        busy[max(0, a // g.cell - round(0.6 * second)) : b // g.cell + round(0.8 * second)] = True
    wild = (cells.high > usual.systolic + 0.7 * pulse) | (cells.low < usual.diastolic - 0.5 * pulse)
    rough = cells.rough > np.maximum(2.2 * usual.rough, 4.0 * survey.noise + step)
    suspect = (wild | rough | (unlike > 0.5)) & ~busy
    found = _long_runs(suspect, 1, 1.2 * second)
    score = np.concatenate([[0], np.cumsum((wild | rough) & ~busy)])
    keep = (found[:, 1] - found[:, 0] >= 1.0 * second) & (score[found[:, 1]] - score[found[:, 0]] >= 3)
    return _rows(found[keep] * g.cell, "motion", g.size)
