"""Stretches without a pulse, told apart by level, drift and edges."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from ..survey import Cells, Grid, Survey
from .level import OPEN_WITHIN
from .table import KIND, Spans, gather, join, rows_of

Float = NDArray[np.float64]

#: A stretch of which this share is one constant level is that level and nothing else.
ALL_FLAT = 0.8
#: A pulse runs off by this share of its rise before the next is due; a tap that is turned does not.
RUN_OFF = 0.5
#: A rise begins so long [s] before it is steepest.
STEP_S = 0.12
#: A rise that began so long [s] before an event and goes on into it was the turning of a tap.
RAMP_S = 0.4
#: A pulse whose upstroke is closer than this [s] to a constant level may be cut off by it, but not if its
#: crest came so long before.
CUT_S, PAST_CREST_S = 0.3, 0.1
#: A level that climbs by this [mmHg], or by this share of the pulse if that is more, fills from a bag.
CLIMB, CLIMB_SHARE = 12.0, 0.3
#: A flush that follows so soon [s] belongs to what it ends.
WASHED_S = 0.4
#: Below a closed cuff the artery drains for some time: by this share of the mean pressure.
DRAINS = 0.2


class Pulse(NamedTuple):
    """Steepest rise and crest of the pulses [samples], interval [s], foot and rise [mmHg]."""

    at: Float
    crest: Float
    interval: Float
    low: Float
    rise: Float

    def take(self, which: NDArray[np.bool_]) -> Pulse:
        """Rows chosen by a mask."""
        return Pulse(*(column[which] for column in self))


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
        The known spans and the new ones. Of the constant levels only those are left that are all of a
        stretch without a pulse: a plateau within a longer one is a part of that.

    Notes
    -----
    A stretch begins when the pulse is overdue. A rise that does not run off is no pulse but the turning of a
    tap or a jolt, and the stretch begins with it; so is one that goes on into an event. One or two lone
    swings between two such stretches are artefacts of a pulseless trace and do not divide it. Where the pulse
    fades and returns by degrees, as under a cuff, the span takes in the pulses that have lost a quarter of
    their height.
    """
    g = survey.grid
    constant = known.of("flat")
    others = known.take(known.kind != KIND["flat"])
    parts = [others]
    whole = _runs_down(survey.cells, g, pulse)
    steps = np.sort(np.concatenate([pulse.at[~whole], _into_events(survey, others) + STEP_S * g.fs]))
    pulse = pulse.take(whole)
    for start, stop in _overdue(survey, others, pulse, steps):
        held = constant.take((constant.start < stop) & (constant.stop > start))
        if _all_constant(held, start, stop, pulse, g.fs):
            parts.append(held)
            continue
        start = _turned(start, pulse, steps, g.fs)
        kind, stretch = _told_apart(survey.cells, g, (start, stop), pulse, calibrated)
        if kind == "not_pulsatile" and calibrated and stretch[0] == start:
            # Nothing faded, and a flush follows at once: somebody drew a sample and washed the line.
            washed = np.abs(others.of("flush").start - stretch[1]) < WASHED_S * g.fs
            kind = "sampling" if washed.any() else kind
        parts.append(rows_of(np.array(stretch), kind, g.size))
    return gather(*parts)


def _all_constant(held: Spans, start: float, stop: float, pulse: Pulse, fs: float) -> bool:
    """Whether a stretch is a constant level and nothing else, with no fading pulses beside it."""
    if not held.start.size or _fades(float(held.start[0]), float(held.stop[-1]), pulse, fs):
        return False
    inside = np.minimum(held.stop, stop) - np.maximum(held.start, start)
    share = float(inside.sum()) / (stop - start)
    beat = float(np.interp(start, pulse.at, pulse.interval)) * fs if pulse.at.size else fs
    # A rest that is too short for a beat is the end of one.
    rest = max(float(held.start[0]) - start, stop - float(held.stop[-1]))
    return share > ALL_FLAT or (share > 0.5 and held.start.size == 1 and rest < beat)


def _fades(start: float, stop: float, pulse: Pulse, fs: float) -> bool:
    """Whether one of the pulses beside a constant level, not cut off by it, is weaker than all around."""
    first = int(np.searchsorted(pulse.at, start - CUT_S * fs))
    first = max(first, int(np.searchsorted(pulse.crest, start - PAST_CREST_S * fs)))
    last = int(np.searchsorted(pulse.at, stop + CUT_S * fs))
    beside = np.concatenate([pulse.rise[max(0, first - 2) : first], pulse.rise[last : last + 2]])
    outer = np.concatenate(
        [pulse.rise[max(0, first - 20) : max(0, first - 4)], pulse.rise[last + 4 : last + 20]]
    )
    if not outer.size:
        return False
    small = min(0.67 * float(np.quantile(outer, 0.7)), 0.85 * float(np.quantile(outer, 0.1)))
    return bool((beside < small).any())


def _into_events(survey: Survey, events: Spans) -> Float:
    """Where rises begin that go on into an event, steepest there, and so are no pulse before it."""
    swings = survey.swings
    union = join(events.start, events.stop)
    following = np.searchsorted(union[:, 1], swings.steepest, side="right")
    begin = np.append(union[:, 0], np.inf)[following]
    return swings.trough[(begin <= swings.steepest) & (begin - swings.trough > RAMP_S * survey.grid.fs)]


def _turned(start: float, pulse: Pulse, steps: Float, fs: float) -> float:
    """Start moved back to the rise behind the last pulse that did not run off."""
    last = int(np.searchsorted(pulse.at, start))
    after = pulse.at[last - 1] if last else 0.0
    between = steps[(steps > after) & (steps < start)]
    return float(max(between[0] - STEP_S * fs, after)) if between.size else start


def _runs_down(cells: Cells, g: Grid, pulse: Pulse) -> NDArray[np.bool_]:
    """Whether pressure, within the usual interval, comes back from a rise by `RUN_OFF` of it."""
    if not pulse.at.size:
        return np.zeros(0, dtype=bool)
    end = cells.low.size - 1
    # Not before the crest of a slow rise; as far as the foot of the next pulse, though it may be late.
    first = np.minimum(((pulse.at + STEP_S * g.fs) // g.cell).astype(np.int64) + 1, end)
    count = np.clip(1.3 * pulse.interval / g.cell_s - 1.0, 2, 2.0 / g.cell_s).astype(np.int64)
    stretch = np.column_stack([first, np.minimum(first + count, end)]).ravel()
    lowest = np.minimum.reduceat(cells.low, stretch)[::2]
    # A rise that goes on into a ramp is no taller pulse for it: what counts is where it stands soon after.
    soon = (pulse.at // g.cell).astype(np.int64)
    crest = np.maximum(cells.high[soon], cells.high[np.minimum(soon + 1, end)])
    crest = np.maximum(crest, cells.high[np.minimum(soon + 2, end)])
    return np.asarray(lowest - pulse.low <= (1.0 - RUN_OFF) * np.minimum(pulse.rise, crest - pulse.low))


def _told_apart(
    cells: Cells, g: Grid, core: tuple[float, float], pulse: Pulse, calibrated: bool
) -> tuple[str, tuple[float, float]]:
    """Kind of a stretch without a pulse, and the stretch with the fading pulses beside it."""
    wide = _faded(*core, pulse, g.fs)
    if not calibrated:
        return "not_pulsatile", wide
    first = int(np.searchsorted(pulse.at, wide[0]))
    before = slice(max(0, first - 12), first)
    if wide[0] == core[0]:
        kind = _sudden(cells, g, core, pulse, before, fades_in=wide[1] > core[1])
        if kind != "not_pulsatile":
            return kind, core
    drained = _drained(cells, g, core)
    return ("cuff" if _runs_off(cells, g, wide, pulse, before, drained) else "not_pulsatile"), wide


def _overdue(survey: Survey, known: Spans, pulse: Pulse, steps: Float) -> list[tuple[float, float]]:
    """Stretches [samples] in which the next pulse is overdue, lone swings between them taken in."""
    g = survey.grid
    events = join(known.start, known.stop)
    mark = np.concatenate([pulse.at, events[:, 0], [0.0, float(g.size)]])
    reach = np.concatenate([pulse.at + 0.6 * pulse.interval * g.fs, events[:, 1], [0.0, float(g.size)]])
    order = np.argsort(mark, kind="stable")
    mark, reach = mark[order], np.maximum.accumulate(reach[order])
    usual = np.interp(mark, pulse.at, pulse.interval) if pulse.at.size else np.full(mark.size, 1.0)
    least = np.maximum(2.0, 1.6 * usual[:-1])
    # Between a rise that did not run off and the next event the tap is turned, however soon that comes.
    turned = np.searchsorted(steps, mark[1:]) > np.searchsorted(steps, mark[:-1])
    turned &= np.isin(mark[1:], events[:, 0])
    least[turned] = np.maximum(1.0, 0.8 * usual[:-1])[turned]
    hole = np.flatnonzero(mark[1:] - reach[:-1] > least * g.fs)
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


def _tenth(cells: Cells, g: Grid, stretch: tuple[float, float], number: int, count: int = 1) -> float:
    """Middle level of some tenths of a stretch, from that number on."""
    a = int(stretch[0] // g.cell)
    level = cells.mean[a : max(a + 1, int(stretch[1] // g.cell))]
    first = int(0.1 * number * level.size)
    return float(np.median(level[first : max(first + 1, int(0.1 * (number + count) * level.size))]))


def _sudden(
    cells: Cells, g: Grid, stretch: tuple[float, float], pulse: Pulse, before: slice, fades_in: bool
) -> str:
    """
    Kind of a stretch that the pulse did not fade into, by its level and its drift.

    Where the pulse comes back by degrees no tap was turned: a steady level, however high, is the patient's.
    """
    near = before if pulse.at[before].size else slice(0, 12)
    diastolic = float(np.median(pulse.low[near])) if pulse.at.size else 60.0
    systolic = diastolic + (float(np.median(pulse.rise[near])) if pulse.at.size else 40.0)
    a = int(stretch[0] // g.cell)
    first = _tenth(cells, g, stretch, 0) if fades_in else float(np.median(cells.mean[a : a + 4]))
    climb = _tenth(cells, g, stretch, 8, 2) - first
    middle = _tenth(cells, g, stretch, 0, 10)
    if abs(middle) <= OPEN_WITHIN:
        return "open_to_air"
    climbs = climb > max(CLIMB, CLIMB_SHARE * (systolic - diastolic))
    return "sampling" if climbs or (middle > systolic and not fades_in) else "not_pulsatile"


def _drained(cells: Cells, g: Grid, core: tuple[float, float]) -> float:
    """How far the level went on falling when the pulse was gone [mmHg]; a pump holds it from the start."""
    return _tenth(cells, g, core, 0) - _tenth(cells, g, core, 4, 2)


def _runs_off(
    cells: Cells, g: Grid, stretch: tuple[float, float], pulse: Pulse, before: slice, drained: float
) -> bool:
    """Whether a stretch looks like a cuff on the same arm: low, not too long, and slow to drain."""
    if not pulse.at[before].size or stretch[1] >= g.size - 2.0 * g.fs:
        return False
    diastolic = float(np.median(pulse.low[before]))
    mean = diastolic + float(np.median(pulse.rise[before])) / 3.0
    lowest = float(cells.mean[int(stretch[0] // g.cell) : int(stretch[1] // g.cell) + 1].min())
    seconds = (stretch[1] - stretch[0]) / g.fs
    return 8.0 <= seconds <= 120.0 and lowest < diastolic and drained > DRAINS * mean
