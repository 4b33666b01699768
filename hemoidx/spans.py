"""Stretches that are not the patient: what the line, the tap, the cuff or the hand did to the trace.

Levels come first (gaps, rails, flushes, an open line, a constant level); stretches where the pulse is
missing are told apart once the pulses are known; motion last, from roughness and from pulses that look
like none of their neighbours. All rules work on the cells of the survey, in mmHg and seconds.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from .samples import rolling_quantile
from .survey import Cells, Grid, Survey, noise_level, runs

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
#: Longer than this [s] a high level is a tap turned off, not a flush, but for what jumps above it [mmHg].
FLUSH_LONGEST_S = 12.0
FLUSH_JUMP = 40.0
#: An open line lies within this of zero [mmHg]; its zero error is part of the finding.
OPEN_WITHIN = 12.0
#: Rough is a cell of this many times the usual roughness; a stretch with this share of rough cells moves.
ROUGH = 1.5
BUSY, BUSY_S = 0.62, 2.1
#: A lull in movement as short as this [s] belongs to it.
LULL_S = 2.0
#: A constant level keeps within this [mmHg], or within two steps; the noise of a patient does not.
FLAT_WITHIN = 0.4


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


def _busy_share(cells: Cells, cell_s: float, known: Bool, floor: float) -> Float:
    """Share of cells within two seconds that are much rougher than the usual middle of a beat."""
    every = max(1, round(2.5 / cell_s))
    blocks = cells.low.size // every
    if blocks == 0:
        return np.zeros(cells.low.size)
    rough = np.where(known, np.nan, cells.rough).astype(np.float64)
    table = rough[: blocks * every].reshape(blocks, every)
    whole = np.flatnonzero(np.isfinite(table).all(axis=1))
    calm = np.full(blocks, np.nan)
    calm[whole] = np.median(table[whole], axis=1)
    usual = rolling_quantile(calm, 12, 0.5)
    sure = np.flatnonzero(np.isfinite(usual))
    if not sure.size:
        return np.zeros(cells.low.size)
    level = np.interp(np.arange(blocks), sure, usual[sure])
    limit = np.repeat(np.maximum(ROUGH * level, floor), every)
    limit = np.pad(limit, (0, cells.rough.size - limit.size), mode="edge").astype(np.float32)
    rougher = (cells.rough > limit) & ~known
    half = round(0.5 * BUSY_S / cell_s)
    total = np.concatenate([np.zeros(half + 1, dtype=np.int64), np.cumsum(rougher)])
    total = np.pad(total, (0, half), mode="edge")
    return np.asarray((total[2 * half + 1 :] - total[: -2 * half - 1]) / (2 * half + 1), dtype=np.float64)


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
    found = _bridged(runs(mask), bridge)
    return found[found[:, 1] - found[:, 0] >= least]


def _bridged(found: Int, bridge: float) -> Int:
    """Join stretches with holes of at most `bridge` between them."""
    if found.shape[0] < 2 or not bridge:
        return found
    apart = found[1:, 0] - found[:-1, 1] > bridge
    return np.column_stack(
        [found[np.concatenate([[True], apart]), 0], found[np.concatenate([apart, [True]]), 1]]
    )


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
    quiet = max(2.0 * step, FLAT_WITHIN)
    usual = usual_levels(cells, g.cell_s)
    flush = np.zeros(cells.low.size, dtype=bool)
    opened = np.zeros(cells.low.size, dtype=bool)
    parts = [_rows(survey.gaps, "gap", size)]
    if calibrated:
        limit = np.maximum(FLUSH_LEVEL, usual.systolic + FLUSH_ABOVE)
        core = np.zeros(cells.low.size, dtype=bool)
        for a, b in _long_runs((cells.low >= limit) & there, 2):
            # A high level that lasts is a tap turned off; a flush can still stand out above it.
            lasts = (b - a) > FLUSH_LONGEST_S * second
            core[a:b] = cells.low[a:b] >= (np.median(cells.mean[a:b]) + FLUSH_JUMP if lasts else 0.0)
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
    if survey.rails_known:
        return _rows(rails[outside], "saturated", g.size)
    # The highest value of a record is no rail by itself: it takes a long stay there, or many short ones.
    several = length >= max(0.05, 3.0 / g.fs)
    clipped = outside & ((length >= 0.25) | (several & (int((several & outside).sum()) >= 5)))
    return _rows(rails[clipped], "saturated", g.size)


class Pulse(NamedTuple):
    """What the rules need to know of the pulses: position [samples], interval [s], foot, rise [mmHg]."""

    at: Float
    interval: Float
    low: Float
    rise: Float


def pulseless(survey: Survey, known: Spans, pulse: Pulse, calibrated: bool) -> Spans:
    """
    Stretches without a pulse, told apart by level, drift and edges: sampling, cuff, not pulsatile.

    Parameters
    ----------
    survey : Survey
        First pass over the wave.
    known : Spans
        Spans found by level.
    pulse : Pulse
        Pulses outside those.
    calibrated : bool
        Whether the numbers are pressures.

    Returns
    -------
    Spans
        The new spans.

    Notes
    -----
    A stretch begins when the pulse is overdue. One or two lone swings between two such stretches are
    artefacts of a pulseless trace and do not divide it. Where the pulse fades and returns by degrees, as
    under a cuff, the span takes in the pulses that have lost a quarter of their height.
    """
    g = survey.grid
    parts = []
    for start, stop in _overdue(survey, known, pulse):
        kind = "not_pulsatile"
        before = slice(
            max(0, int(np.searchsorted(pulse.at, start)) - 12), int(np.searchsorted(pulse.at, start))
        )
        if calibrated:
            kind = _name_stretch(survey.cells, g, (start, stop), pulse, before)
        if kind == "not_pulsatile":
            core = stop
            start, stop = _faded(start, stop, pulse, g.fs)
            if calibrated and _runs_off(survey.cells, g, (start, stop), pulse, before, stop - core):
                kind = "cuff"
        parts.append(_rows(np.array([start, stop]), kind, g.size))
    return gather(*parts) if parts else NONE


def _overdue(survey: Survey, known: Spans, pulse: Pulse) -> list[tuple[float, float]]:
    """Stretches [samples] in which the next pulse is overdue, lone swings between them taken in."""
    g = survey.grid
    events = join(known.start, known.stop)
    mark = np.concatenate([pulse.at, events[:, 0], [0.0, float(g.size)]])
    reach = np.concatenate([pulse.at + 0.6 * pulse.interval * g.fs, events[:, 1], [0.0, float(g.size)]])
    order = np.argsort(mark, kind="stable")
    mark, reach = mark[order], np.maximum.accumulate(reach[order])
    usual = np.interp(mark, pulse.at, pulse.interval) if pulse.at.size else np.full(mark.size, 1.0)
    hole = np.flatnonzero(mark[1:] - reach[:-1] > np.maximum(2.0, 1.6 * usual[:-1]) * g.fs)
    found: list[tuple[float, float]] = []
    for k in hole:
        start, stop = float(reach[k]), float(mark[k + 1] - 0.08 * g.fs)
        if found and start - found[-1][1] < 2.2 * usual[k] * g.fs:
            found[-1] = (found[-1][0], stop)
        else:
            found.append((start, stop))
    return found


def _faded(start: float, stop: float, pulse: Pulse, fs: float) -> tuple[float, float]:
    """Stretch widened over the pulses on both sides that are under three quarters of the usual rise."""
    first = int(np.searchsorted(pulse.at, start))
    last = int(np.searchsorted(pulse.at, stop))
    outer = np.concatenate([pulse.rise[max(0, first - 20) : first], pulse.rise[last : last + 40]])
    if not outer.size:
        return start, stop
    enough = 0.75 * float(np.quantile(outer, 0.7))
    back = first
    while back > 0 and pulse.rise[back - 1] < enough and start - pulse.at[back - 1] < 15.0 * fs:
        back -= 1
    ahead = last
    while ahead < pulse.at.size and pulse.rise[ahead] < enough and pulse.at[ahead] - stop < 30.0 * fs:
        ahead += 1
    if back < first:
        start = float(pulse.at[back]) - 0.1 * fs
    if ahead > last:
        stop = float(pulse.at[ahead] - 0.1 * fs if ahead < pulse.at.size else pulse.at[-1] + 0.5 * fs)
    return start, stop


def _name_stretch(cells: Cells, g: Grid, stretch: tuple[float, float], pulse: Pulse, before: slice) -> str:
    a = int(stretch[0] // g.cell)
    b = max(a + 1, int(stretch[1] // g.cell))
    level = cells.mean[a:b].astype(np.float64)
    near = before if pulse.at[before].size else slice(0, 12)
    diastolic = float(np.median(pulse.low[near])) if pulse.at.size else 60.0
    systolic = diastolic + (float(np.median(pulse.rise[near])) if pulse.at.size else 40.0)
    piece = max(1, level.size // 5)
    climb = float(np.median(level[-piece:]) - np.median(level[:piece]))
    middle = float(np.median(level))
    if abs(middle) <= OPEN_WITHIN:
        return "open_to_air"
    if middle > systolic or climb > max(15.0, 0.3 * (systolic - diastolic)):
        return "sampling"
    return "not_pulsatile"


def _runs_off(
    cells: Cells, g: Grid, stretch: tuple[float, float], pulse: Pulse, before: slice, return_samples: float
) -> bool:
    """Whether a stretch looks like a cuff on the same arm: low, not too long, and slow to come back."""
    if not pulse.at[before].size or stretch[1] >= g.size - 2.0 * g.fs:
        return False
    diastolic = float(np.median(pulse.low[before]))
    mean = diastolic + float(np.median(pulse.rise[before])) / 3.0
    piece = cells.mean[int(stretch[0] // g.cell) : int(stretch[1] // g.cell) + 1]
    lowest = float(piece.min())
    seconds = (stretch[1] - stretch[0]) / g.fs
    slow = return_samples > 4.0 * g.fs
    return 8.0 <= seconds <= 120.0 and lowest < diastolic and (slow or lowest < 0.5 * mean)


def covered(known: Spans, g: Grid, before_s: float = 0.0, after_s: float = 0.0) -> Bool:
    """Cells that lie in a span, or this close before or after one [s]."""
    count = -(-g.size // g.cell)
    change = np.zeros(count + 1, dtype=np.int64)
    a = np.clip((known.start - before_s * g.fs) // g.cell, 0, count).astype(np.int64)
    b = np.clip((known.stop + after_s * g.fs) // g.cell + 1, 0, count).astype(np.int64)
    np.add.at(change, a, 1)
    np.add.at(change, b, -1)
    return np.asarray(np.cumsum(change)[:count] > 0)


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
    lasting = known.take(known.kind != KIND["saturated"])
    busy = covered(lasting, g, 0.6, 0.8)
    wild = _wild(cells, g.cell_s, busy, 4.0 * step)
    floor = 3.4 * noise_level(cells, busy) + 0.5 * step
    rough = _busy_share(cells, g.cell_s, busy, floor) > BUSY
    suspect = (wild | rough | (unlike > 0.5)) & ~busy
    found = _long_runs(suspect, 1, 1.2 * second)
    score = np.concatenate([[0], np.cumsum((wild | rough) & ~busy)])
    keep = (found[:, 1] - found[:, 0] >= 1.0 * second) & (score[found[:, 1]] - score[found[:, 0]] >= 3)
    moved = np.zeros(suspect.size, dtype=bool)
    for a, b in found[keep]:
        moved[a:b] = True
    # The distorted beats beside a bout belong to it, and so does a lull between two bouts.
    moved = _grown(moved, (unlike > 0.35) & ~busy, round(2.0 * second))
    wide = runs(moved) + np.array([-1, 1]) * round(0.4 * second)
    bouts = _bridged(join(wide[:, 0], wide[:, 1]).astype(np.int64), LULL_S * second)
    return _rows(bouts * g.cell, "motion", g.size)


def _wild(cells: Cells, cell_s: float, known: Bool, least: float) -> Bool:
    """Cells far outside the levels of the beats around: above by 0.7, below by 0.5 pulse pressures."""
    usual = usual_levels(cells, cell_s, known, half=3, reach=6)
    pulse = np.maximum(usual.systolic - usual.diastolic, least + 1e-6)
    return np.asarray(
        (cells.high > usual.systolic + 0.7 * pulse) | (cells.low < usual.diastolic - 0.5 * pulse)
    )
