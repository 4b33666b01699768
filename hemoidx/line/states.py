"""What is known of the line when: flushes put together between disturbances, and how long they hold."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from .dynamics import Dynamics, FlushReading, pool

Float = NDArray[np.float64]
Int = NDArray[np.int64]
Bool = NDArray[np.bool_]

#: What a line changes in a beat; each has an expected error with bounds.
HARMED = ("sbp", "dbp", "pp", "dpdt_max")
#: A flush or a zero holds no longer than this [s]: our convention.
STALE_AFTER_S = 8 * 3600.0


@dataclass(frozen=True, slots=True)
class LineState:
    """
    Dynamic response that holds for a time.

    Attributes
    ----------
    start, stop : float
        From the release of its last flush to the next state, or to the end [samples, half open].
    fresh_until : float
        Until then it can be relied upon; from then to `stop` it is stale [samples].
    dynamics : Dynamics
        What the flushes told together.
    together : int
        How many of the last flushes that told anything were put together, those included that gave way to
        better ones.
    """

    start: float
    stop: float
    fresh_until: float
    dynamics: Dynamics
    together: int = 1


def line_states(
    readings: Sequence[FlushReading], disturbances: ArrayLike, fs: float, size: int
) -> tuple[LineState, ...]:
    """
    Follow the dynamic response of a line through a recording.

    Parameters
    ----------
    readings : sequence of FlushReading
        The flushes in order of time; those that told nothing are passed over.
    disturbances : array_like
        When the line was opened, turned off or out of sight for long [samples].
    fs : float
        Sampling rate [Hz].
    size : int
        Length of the recording [samples].

    Returns
    -------
    tuple of LineState
        In order of time. A flush tells of what follows it, never of what lies before: it may itself have
        washed the fault away. Flushes without a disturbance between them are put together.
    """
    struck = np.sort(np.asarray(disturbances, dtype=np.float64).ravel())
    known = [r for r in readings if np.isfinite(r.natural_frequency_hz) and np.isfinite(r.release)]
    together: list[FlushReading] = []
    found: list[tuple[float, float, Dynamics, int]] = []
    for reading in known:
        if together:
            moved = np.any((struck > together[-1].release) & (struck < reading.release))
            old = reading.release - STALE_AFTER_S * fs
            together = [] if moved else [r for r in together if r.release >= old]
        together.append(reading)
        later = struck[struck > reading.release]
        until = min(reading.release + STALE_AFTER_S * fs, float(later[0]) if later.size else np.inf)
        found.append((reading.release, until, pool(together), len(together)))
    stops = [start for start, *_ in found[1:]] + [float(size)] * bool(found)
    return tuple(
        LineState(start, stop, min(until, stop), dynamics, count)
        for (start, until, dynamics, count), stop in zip(found, stops, strict=True)
    )


def state_of(states: Sequence[LineState], position: ArrayLike) -> tuple[Int, Bool]:
    """
    State that holds at positions.

    Parameters
    ----------
    states : sequence of LineState
        In order of time.
    position : array_like, shape (n,)
        Positions [samples].

    Returns
    -------
    number : ndarray of int, shape (n,)
        Number of the state, -1 before the first.
    stale : ndarray of bool, shape (n,)
        Whether it has gone stale there.
    """
    at = np.asarray(position, dtype=np.float64)
    number = np.searchsorted([s.start for s in states], at, side="right") - 1
    until = np.array([s.fresh_until for s in states] or [np.inf])
    return number.astype(np.int64), (number >= 0) & (at >= until[np.maximum(number, 0)])
