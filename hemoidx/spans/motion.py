"""Movement: stretches that raise suspicion, and in which the trace is rough and shows what it never shows.

Suspicion is cheap and wide: wild levels, roughness, beats and swings out of keeping with their neighbours.
What decides is how new each short piece of the trace is (:mod:`.novelty`), and that gives the edges too.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..samples import rolling_quantile, running_total, span_sums
from ..survey import Cells, Grid, Survey, Swings, noise_level, runs
from .level import bridged, grown, long_runs, usual_levels
from .novelty import BLOCK_S, PIECE_S, novelty
from .pulseless import Pulse
from .table import KIND, Spans, covered, rows_of

Float = NDArray[np.float64]
Int = NDArray[np.int64]
Bool = NDArray[np.bool_]

#: Rough is a cell of this many times the usual roughness; a stretch with this share of rough cells is odd.
ROUGH = 1.5
BUSY, BUSY_S = 0.62, 2.1
#: So is one in which this share of the time belongs to beats out of keeping with their neighbours.
STRANGE = 0.6
#: A swing is odd if the `ODD_LIKE`th nearest of `ODD_AMONG` on each side is so many times as far as usual,
#: and if `ODD_OF_FIVE` of five in a row are: a single one may be an early beat.
ODD_AMONG, ODD_LIKE, ODD_BY, ODD_OF_FIVE = 7, 3, 4.0, 2
#: How far from a suspect stretch movement is looked for [s].
NEAR_S = 14.0
#: Novelty in units of the usual one: of each cell, of a bout on average, and of a bout without roughness.
NEW, MEAN_NEW, VERY_NEW = 2.7, 3.5, 5.5
#: Pieces that differ by this share of the pulse are the same.
SAME = 0.004
#: Movement is rougher than the trace around by this factor; a premature beat is not.
ROUGHER = 1.15
#: Shortest bout [s] that was odd in itself, and that was merely near something suspect; the least time that a
#: bout without roughness must be very new.
SHORTEST_S, LONGER_S, SMOOTH_S = 1.2, 1.8, 1.2
#: A bout that is no rougher than the trace around lasts so long [s], or so many beats if these are fast, and
#: so much of it is new.
LASTING_S, LASTING_BEATS, FILLED = 4.0, 6.0, 0.85
#: From this length on [s], or so many beats, a bout must be unlike itself: as new against all that is around,
#: itself included.
ALIKE_S, ALIKE_BEATS, UNLIKE_ITSELF = 3.0, 5.0, 2.7
#: Holes in a bout [s]; how far beside it new pieces of `BITS_S` and longer belong to it: a beat and a half.
HOLE_S, BESIDE_S, BITS_S = 1.0, 1.5, 0.3
#: Beside a bout a piece is new at this many times what 95 % of the clean ones reach.
LESS = 1.4
#: Far from a bout [s] starts here; so much clean trace there must be for that.
FAR_S = 5.0
#: A lull between two bouts as short as this [s] belongs to them.
LULL_S = 3.0


def motion(survey: Survey, known: Spans, step: float, strange: Float, pulse: Pulse | None = None) -> Spans:
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
    pulse : Pulse, optional
        Pulses, whose intervals say how much of the trace repeats itself; if absent, once in a second.

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
    odd = (wild | rough | (_around(strange, half) > STRANGE * (2 * half + 1))) & ~busy
    suspect = odd | ((strange > 0.5) & ~busy)
    sure = _sure(suspect, odd, second)
    suspect |= _odd_swings(survey.swings, g) & ~busy
    moved = np.zeros(suspect.size, dtype=bool)
    for a, b in bridged(runs(suspect), NEAR_S * second):
        start = max(0, int(a) - round(NEAR_S * second))
        stop = min(suspect.size, int(b) + round(NEAR_S * second))
        beat = _beat(pulse, start * g.cell, stop * g.cell)
        moved[start:stop] |= _bouts(survey, suspect, sure, busy, (start, stop), beat)
    return rows_of(bridged(runs(moved), LULL_S * second) * g.cell, "motion", g.size)


def _beat(pulse: Pulse | None, start: int, stop: int) -> float:
    """Usual length of the beats between two samples [s], at most one second."""
    if pulse is None:
        return 1.0
    a, b = np.searchsorted(pulse.at, [start, stop])
    return min(1.0, float(np.median(pulse.interval[a:b]))) if b > a else 1.0


def _sure(suspect: Bool, odd: Bool, second: float) -> Bool:
    """Suspect stretches that last a second and are odd in themselves."""
    found = long_runs(suspect, 1.0 * second, 1.2 * second)
    return _filled(found[_share(odd, found) * (found[:, 1] - found[:, 0]) > 2.5], suspect.size)


def _odd_swings(swings: Swings, g: Grid) -> Bool:
    """Cells of swings unlike most of the swings around in foot, crest or slope, where there are several."""
    count = -(-g.size // g.cell)
    out = np.zeros(count, dtype=bool)
    size = swings.low.size
    if size < 2 * ODD_LIKE:
        return out
    form = np.stack([swings.low, swings.high, 0.1 * swings.slope]).astype(np.float32)
    nearest = np.full((ODD_LIKE, size), np.inf, dtype=np.float32)
    for lag in range(1, min(ODD_AMONG, size - 1) + 1):
        step = np.abs(form[:, lag:] - form[:, :-lag]).max(axis=0)
        _take_in(nearest[:, lag:], step)
        _take_in(nearest[:, :-lag], step)
    distance = nearest[-1].astype(np.float64)
    odd = distance > ODD_BY * rolling_quantile(distance, 20, 0.5, every=4)
    odd &= np.convolve(odd, np.ones(5), mode="same") > ODD_OF_FIVE - 0.5
    out[np.clip(swings.steepest[odd] // g.cell, 0, count - 1).astype(np.int64)] = True
    return out


def _take_in(least: NDArray[np.float32], value: NDArray[np.float32]) -> None:
    """Keep rows of the least values so far, least first, with one more value."""
    for k in range(least.shape[0] - 1, 0, -1):
        np.minimum(least[k], np.maximum(least[k - 1], value), out=least[k])
    np.minimum(least[0], value, out=least[0])


def _filled(found: Int, size: int) -> Bool:
    """Mask of stretches that do not overlap."""
    if not found.shape[0]:
        return np.zeros(size, dtype=bool)
    change = np.zeros(size + 1, dtype=np.int64)
    np.add.at(change, found[:, 0], 1)
    np.add.at(change, found[:, 1], -1)
    return np.asarray(np.cumsum(change)[:size] > 0)


def _share(value: NDArray[np.generic], found: Int) -> Float:
    """Mean of a value over each stretch."""
    if not found.shape[0]:
        return np.zeros(0)
    total = running_total(value)
    return np.asarray((total[found[:, 1]] - total[found[:, 0]]) / (found[:, 1] - found[:, 0]))


def _bouts(
    survey: Survey, suspect: Bool, sure: Bool, busy: Bool, cells: tuple[int, int], beat: float
) -> Bool:
    """Which of the cells from the first to before the second belong to bouts of movement."""
    start, stop = cells
    second = 1.0 / survey.grid.cell_s
    doubtful = grown(suspect, ~suspect, round(0.5 * second)) | busy
    # Two upstrokes in one piece would have to be the same time apart.
    piece = min(PIECE_S, beat)
    value = novelty(survey, start, stop, doubtful, piece)
    clean, free, sure = ~doubtful[start:stop], ~busy[start:stop], sure[start:stop]
    if value is None or not clean.any():
        return sure
    calm = Cells(*(column[start:stop][clean] for column in survey.cells))
    # A trace without noise repeats itself almost exactly; what differs by so little is still the same.
    height = float(np.quantile(calm.high, 0.9) - np.quantile(calm.low, 0.1))
    same = max(float(np.median(value[clean])), SAME * height, 1e-9)
    ratio = value / same
    rough = survey.cells.rough[start:stop].astype(np.float64)
    new = (ratio > NEW) & free
    found = bridged(runs(new), HOLE_S * second)
    seconds = (found[:, 1] - found[:, 0]) / second
    known = _share(sure, found)
    moving = seconds >= np.where(known > 0, SHORTEST_S, LONGER_S)
    moving &= _share(ratio, found) > MEAN_NEW
    moving &= _share(rough, found) > ROUGHER * float(np.mean(calm.rough))
    very = _share((ratio > VERY_NEW) & free, found) * seconds
    smooth = (known > 0.5) & (very > SMOOTH_S) & (_share(ratio, found) > VERY_NEW)
    smooth |= (
        (seconds >= max(LONGER_S, min(LASTING_S, LASTING_BEATS * beat)))
        & (_share(new, found) > FILLED)
        & (_share(ratio, found) > MEAN_NEW)
    )
    moving |= smooth
    for k in np.flatnonzero(moving & (seconds >= min(ALIKE_S, ALIKE_BEATS * beat))):
        # A run of beats of another kind is new too, but its beats are like each other.
        # In a short one the like ones follow fast.
        block = min(BLOCK_S, seconds[k] / ALIKE_BEATS)
        a, b = start + int(found[k, 0]), start + int(found[k, 1])
        own = novelty(survey, a, b, busy, piece, block)
        moving[k] = own is not None and float(np.median(own)) > UNLIKE_ITSELF * same
    kept = _filled(found[moving], stop - start)
    # Beside a bout less is enough, where the clean trace farther away keeps well below it.
    far = clean & ~grown(kept, ~kept, round(FAR_S * second))
    less = min(NEW, LESS * float(np.quantile(ratio[far], 0.95))) if far.sum() > FAR_S * second else NEW
    beside = bridged(long_runs((ratio > less) & free, BITS_S * second), BESIDE_S * second)
    return kept | _filled(beside[_share(kept, beside) > 0], stop - start)


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


def _around(value: NDArray[np.generic], half: int) -> NDArray[Any]:
    """Sum of each value and its `half` neighbours on each side."""
    return span_sums(running_total(value), half)
