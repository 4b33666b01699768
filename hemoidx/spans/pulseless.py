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
        The known spans and the new ones. Of the constant levels only those are left that are all of a
        stretch without a pulse: a plateau within a longer one is a part of that.

    Notes
    -----
    A stretch begins when the pulse is overdue. One or two lone swings between two such stretches are
    artefacts of a pulseless trace and do not divide it. Where the pulse fades and returns by degrees, as
    under a cuff, the span takes in the pulses that have lost a quarter of their height.
    """
    g = survey.grid
    constant = known.of("flat")
    others = known.take(known.kind != KIND["flat"])
    parts = [others]
    for start, stop in _overdue(survey, others, pulse):
        inside = np.minimum(constant.stop, stop) - np.maximum(constant.start, start)
        share = float(np.maximum(inside, 0).sum()) / (stop - start)
        if share > ALL_FLAT:
            parts.append(constant.take(inside > 0))
            continue
        kind, stretch = _told_apart(survey.cells, g, (start, stop), pulse, calibrated)
        parts.append(rows_of(np.array(stretch), kind, g.size))
    return gather(*parts)


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
        kind = _sudden(cells, g, core, pulse, before)
        if kind != "not_pulsatile":
            return kind, core
    return ("cuff" if _runs_off(cells, g, wide, pulse, before, wide[1] - core[1]) else "not_pulsatile"), wide


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


def _sudden(cells: Cells, g: Grid, stretch: tuple[float, float], pulse: Pulse, before: slice) -> str:
    """Kind of a stretch that the pulse did not fade into, by its level and its drift."""
    a = int(stretch[0] // g.cell)
    b = max(a + 1, int(stretch[1] // g.cell))
    level = cells.mean[a:b].astype(np.float64)
    near = before if pulse.at[before].size else slice(0, 12)
    diastolic = float(np.median(pulse.low[near])) if pulse.at.size else 60.0
    systolic = diastolic + (float(np.median(pulse.rise[near])) if pulse.at.size else 40.0)
    climb = float(np.median(level[-max(1, level.size // 5) :]) - np.median(level[:4]))
    middle = float(np.median(level))
    if abs(middle) <= OPEN_WITHIN:
        return "open_to_air"
    if middle > systolic or climb > max(12.0, 0.3 * (systolic - diastolic)):
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
