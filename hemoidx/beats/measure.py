"""Landmarks, notch and likeness of all chosen pulses, tile by tile."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from ..samples import value_at
from ..spans import Spans, join
from ..survey import Grid, Progress, fill, thinned
from . import shape
from .landmarks import locate
from .notch import notches

Float = NDArray[np.float64]
Bool = NDArray[np.bool_]
Wave = NDArray[np.floating]

#: A beat runs to the next foot only if that comes within this time [s]; the slowest beat lasts 2.4 s.
LONGEST_BEAT_S = 3.5
#: The shape of every so manieth pulse is enough to see that a whole channel is upside down.
SAMPLED = 8


class Marks(NamedTuple):
    """
    What was measured of each pulse; positions in samples.

    `pulse` and `low` are rough pulse and foot pressure [mmHg], `unlike` the distance from its neighbours
    in pulse pressures, `fall` the steepest fall over the steepest rise (NaN for most: it is sampled).
    """

    onset: Float
    steepest: Float
    peak: Float
    notch: Float
    end: Float
    pulse: Float
    low: Float
    unlike: Float
    fall: Float

    def take(self, which: Bool) -> Marks:
        """Rows chosen by a mask."""
        return Marks(*(column[which] for column in self))


def next_event(position: Float, events: Spans) -> Float:
    """Start of the first event that ends behind each position; infinity where there is none."""
    if not events.start.size:
        return np.full(position.size, np.inf)
    union = join(events.start, events.stop)
    following = np.searchsorted(union[:, 1], position, side="right")
    return np.asarray(np.append(union[:, 0], np.inf)[following])


def crosses(start: Float, stop: Float, events: Spans) -> Bool:
    """Whether an event lies between two positions."""
    return np.asarray(next_event(start, events) < stop)


def measure(
    wave: Wave,
    g: Grid,
    rough: Float,
    interval: Float,
    events: Spans,
    at_once: int = 1,
    progress: Progress | None = None,
) -> Marks:
    """
    Measure the chosen pulses.

    Parameters
    ----------
    wave : ndarray, shape (n_samples,)
        Pressure, NaN where missing [mmHg].
    g : Grid
        Its division into tiles.
    rough : ndarray, shape (n_beats,)
        Steepest rises to the accuracy of the low rate, in order [samples].
    interval : ndarray, shape (n_beats,)
        Usual interval of the pulses around each [s].
    events : Spans
        Where the patient's pressure is not seen: no beat reaches over these.
    at_once : int
        Tiles whose samples are fetched at once; changes nothing in the result.
    progress : callable, optional
        Called with the share of this pass that was just done.

    Returns
    -------
    Marks
        One row a pulse.
    """
    pieces = []
    for tile, samples in g.stretches(wave, at_once):
        pieces.append(_measure_tile(samples, tile, g, rough, interval, events))
        if progress is not None:
            progress((tile[1] - tile[0]) / g.size)
    return Marks(*(np.concatenate(column) for column in zip(*pieces, strict=True)))


def _measure_tile(
    samples: Wave, tile: tuple[int, int, int, int], g: Grid, rough: Float, interval: Float, events: Spans
) -> Marks:
    start, stop, first, last = tile
    a, b = np.searchsorted(rough, [first, last])
    own = (rough[a:b] >= start) & (rough[a:b] < stop)
    if not own.any():
        return Marks(*(np.zeros(0) for _ in Marks._fields))
    piece, _ = fill(samples)
    short = -piece.size % g.thin
    if short:
        piece = np.concatenate([piece, np.full(short, piece[-1], dtype=piece.dtype)])
    thin, smooth = thinned(piece, g)
    here = rough[a:b] - first
    far = 10.0 * g.fs
    before = np.concatenate([[here[0] - far if a == 0 else rough[a - 1] - first], here[:-1]])
    after = np.concatenate([here[1:], [piece.size + far if b == rough.size else rough[b] - first]])
    marks = locate(piece, thin, smooth, here, before, after, next_event(rough[a:b], events) - first, g)
    end = np.append(marks.onset[1:], np.nan)
    usual = interval[a:b]
    with np.errstate(invalid="ignore"):
        runs_on = (end - marks.onset) < np.minimum(LONGEST_BEAT_S, 2.6 * usual + 0.4) * g.fs
    broken = crosses(marks.steepest + first, np.append(marks.steepest[1:], np.inf) + first, events)
    end = np.where(runs_on & ~broken, end, np.nan)
    centre = 0.5 * (g.thin - 1)
    pulse = value_at(thin, (marks.peak - centre) / g.thin) - marks.low
    foot, following = (marks.onset - centre) / g.thin, (end - centre) / g.thin
    pulses = shape.lay_out(thin, foot, following, pulse, marks.low, g.low_rate)
    unlike = shape.unlikeness(pulses)
    rise = (marks.peak - marks.onset) / g.fs
    average = shape.typical(pulses, unlike)
    notch = marks.onset + g.fs * notches(pulses, average, rise, usual)
    fall = np.full(unlike.size, np.nan)
    some = np.flatnonzero(own)[::SAMPLED]
    fall[some] = shape.fall_to_rise(thin, foot[some], following[some], g.low_rate)
    positions = (marks.onset, marks.steepest, marks.peak, notch, end)
    placed = [position[own] + first for position in positions]
    return Marks(*placed, *(column[own] for column in (pulse, marks.low, unlike, fall)))
