"""How new a short piece of the trace is: its distance from the pieces most like it in the time around."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from ..survey import CELL, Survey, fill

Float = NDArray[np.float64]
Bool = NDArray[np.bool_]

#: Length of a piece [s]: an upstroke and its crest, or a stretch of runoff.
PIECE_S = 0.45
#: Pieces as far as this [s] on both sides are compared with.
REACH_S = 24.0
#: A piece is known if in so many different blocks of time [s] there is one like it: two may be the same
#: accident.
TWINS, BLOCK_S = 3, 1.0
#: Pieces closer together than this [s] are like each other whatever they show.
APART_S = 0.25
#: Samples of a cell that are compared, of eight; all where a piece would have fewer than `LEAST_SAMPLES`.
PER_CELL, LEAST_SAMPLES = 4, 12
#: Pieces of clean trace [s] that must be there to compare with.
LEAST_S = 6.0
#: Cells whose novelty is found at once, which bounds memory.
AT_ONCE = 512


def novelty(
    survey: Survey,
    start: int,
    stop: int,
    doubtful: Bool,
    piece_s: float = PIECE_S,
    block_s: float = BLOCK_S,
) -> Float | None:
    """
    Distance of the piece around each cell from the third nearest of the pieces around.

    Parameters
    ----------
    survey : Survey
        First pass over the wave.
    start, stop : int
        Cells that are asked for.
    doubtful : ndarray of bool, shape (n_cells,)
        Cells that nothing is compared with: not the patient, or perhaps not.
    piece_s, block_s : float
        Length of a piece, and of the blocks of which `TWINS` must hold one like it [s].

    Returns
    -------
    ndarray, shape (stop - start,), or None
        Root mean square difference [mmHg], each piece less its mean; None where too little is left to
        compare with.

    Notes
    -----
    A trace repeats itself, however irregular its rhythm, and movement does not. The mean is taken out
    because breathing moves it; amplitude is not, for movement takes part of the pulse away.
    """
    g = survey.grid
    reach = round(REACH_S / g.cell_s)
    a, b = max(0, start - reach), min(doubtful.size, stop + reach)
    per_cell = PER_CELL if piece_s * PER_CELL / g.cell_s >= LEAST_SAMPLES else CELL
    trace = _coarse(survey, a, b, per_cell)
    rate = per_cell / g.cell_s
    width = max(4, round(piece_s * rate))
    if trace.size < 2 * width:
        return None
    pieces = np.lib.stride_tricks.sliding_window_view(trace, width)
    pieces = pieces - pieces.mean(axis=1, keepdims=True)
    barred = np.concatenate([[0], np.cumsum(np.repeat(doubtful[a:b], per_cell))])
    open_ = np.flatnonzero(barred[width:] == barred[:-width])
    if open_.size < LEAST_S * rate:
        return None
    others = pieces[open_]
    power = np.einsum("ij,ij->i", others, others)
    block = (open_ / (rate * block_s)).astype(np.int64)
    edge = np.flatnonzero(np.diff(block, prepend=-1))
    twin = min(TWINS, edge.size) - 1
    asked = np.clip((np.arange(start, stop) - a) * per_cell + (per_cell - width) // 2, 0, len(pieces) - 1)
    out = np.empty(asked.size)
    for k in range(0, asked.size, AT_ONCE):
        at = asked[k : k + AT_ONCE]
        own = pieces[at]
        apart = power - 2.0 * own @ others.T + np.einsum("ij,ij->i", own, own)[:, None]
        apart[np.abs(at[:, None] - open_) < APART_S * rate] = np.inf
        nearest = np.minimum.reduceat(apart, edge, axis=1)
        out[k : k + AT_ONCE] = np.partition(nearest, twin, axis=1)[:, twin]
    return np.sqrt(np.maximum(out, 0.0) / width)


def _coarse(survey: Survey, a: int, b: int, per_cell: int) -> NDArray[np.float32]:
    """Wave over some cells, so many means a cell, less its middle level."""
    g = survey.grid
    piece, _ = fill(np.asarray(survey.wave[a * g.cell : b * g.cell], dtype=np.float64))
    piece = np.pad(piece, (0, (b - a) * g.cell - piece.size), mode="edge")
    coarse = piece.reshape(-1, g.thin * CELL // per_cell).mean(axis=1)
    return np.asarray(coarse - np.median(coarse), dtype=np.float32)
