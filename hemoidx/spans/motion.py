"""Movement: rough stretches, wild values, and pulses that look like none of their neighbours."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from ..samples import rolling_quantile
from ..survey import Cells, Survey, noise_level, runs
from .level import bridged, grown, long_runs, usual_levels
from .novelty import novelty
from .table import KIND, NONE, Spans, covered, join, rows_of

Float = NDArray[np.float64]
Bool = NDArray[np.bool_]

#: Rough is a cell of this many times the usual roughness; a stretch with this share of rough cells moves.
ROUGH = 1.5
BUSY, BUSY_S = 0.62, 2.1
#: So does one in which this share of the time belongs to beats out of keeping with their neighbours.
STRANGE = 0.6
#: A lull in movement as short as this [s] belongs to it.
LULL_S = 2.0
#: How far from a suspect stretch movement is looked for [s].
NEAR_S = 12.0
NEW, VERY_NEW = 3.2, 6.0
LEAST_S, STRONG_S = 1.5, 0.7


def motion(survey: Survey, known: Spans, step: float, strange: Float) -> Spans:
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
    strange : ndarray, shape (n_cells,)
        For each cell, 1 if the beat there is out of keeping with its neighbours, else 0.

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
    rough = _busy(cells, g.cell_s, busy, floor)
    half = round(0.5 * BUSY_S / g.cell_s)
    odd_beats = _around(strange, half) > STRANGE * (2 * half + 1)
    odd = (wild | rough | odd_beats) & ~busy
    seed = odd | ((strange > 0.5) & ~busy)
    if not seed.any():
        return NONE
    moved = np.zeros(seed.size, dtype=bool)
    for a, b in bridged(runs(seed), 2.0 * NEAR_S * second):
        moved |= _new(survey, seed, busy, a, b)
    bouts = bridged(runs(moved), LULL_S * second)
    return rows_of(bouts * g.cell, "motion", g.size)


def _new(survey: Survey, seed: Bool, busy: Bool, a: int, b: int) -> Bool:
    """Cells in and around a suspect stretch that show what the trace around never shows."""
    g = survey.grid
    second = 1.0 / g.cell_s
    out = np.zeros(seed.size, dtype=bool)
    start = max(0, a - round(NEAR_S * second))
    stop = min(seed.size, b + round(NEAR_S * second))
    around = seed.copy()
    around = grown(around, ~around, round(0.5 * second))
    value = novelty(survey, start, stop, around | busy)
    if value is None:
        out[a:b] = True
        return out
    usual = float(np.median(value[~(around | busy)[start:stop]]))
    free = ~busy[start:stop]
    new = (value > NEW * usual) & free
    strong = (value > VERY_NEW * usual) & free
    found = bridged(runs(new), 1.0 * second)
    score = np.concatenate([[0], np.cumsum(strong)])
    keep = (found[:, 1] - found[:, 0] >= LEAST_S * second) & (
        score[found[:, 1]] - score[found[:, 0]] >= STRONG_S * second
    )
    for k, m in found[keep]:
        out[start + k : start + m] = True
    return out


def _wild(cells: Cells, cell_s: float, known: Bool, least: float) -> Bool:
    """Cells far outside the levels of the beats around: above by 0.7, below by 0.5 pulse pressures."""
    usual = usual_levels(cells, cell_s, known, half=3, reach=6)
    pulse = np.maximum(usual.systolic - usual.diastolic, least + 1e-6)
    return np.asarray(
        (cells.high > usual.systolic + 0.7 * pulse) | (cells.low < usual.diastolic - 0.5 * pulse)
    )


def _busy(cells: Cells, cell_s: float, known: Bool, floor: float) -> Bool:
    """Cells around which, within two seconds, most are much rougher than the usual middle of a beat."""
    every = max(1, round(2.5 / cell_s))
    blocks = cells.low.size // every
    if blocks == 0:
        return np.zeros(cells.low.size, dtype=bool)
    size = blocks * every
    whole = np.flatnonzero(~known[:size].reshape(blocks, every).any(axis=1))
    calm = np.full(blocks, np.nan)
    # Every other cell is enough for a median.
    calm[whole] = np.median(cells.rough[:size].reshape(blocks, every)[whole, ::2], axis=1)
    usual = rolling_quantile(calm, 12, 0.5)
    sure = np.flatnonzero(np.isfinite(usual))
    if not sure.size:
        return np.zeros(cells.low.size, dtype=bool)
    level = np.interp(np.arange(blocks), sure, usual[sure])
    limit = np.repeat(np.maximum(ROUGH * level, floor).astype(np.float32), every)
    limit = np.pad(limit, (0, cells.rough.size - limit.size), mode="edge")
    rougher = (cells.rough > limit) & ~known
    half = round(0.5 * BUSY_S / cell_s)
    return np.asarray(_around(rougher, half) > BUSY * (2 * half + 1))


def _around(value: NDArray[np.generic], half: int) -> Float:
    """Sum of each value and its `half` neighbours on each side."""
    total = np.concatenate([np.zeros(half + 1), np.cumsum(value, dtype=np.float64)])
    total = np.pad(total, (0, half), mode="edge")
    return np.asarray(total[2 * half + 1 :] - total[: -2 * half - 1])
