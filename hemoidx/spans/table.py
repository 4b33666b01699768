"""The table of spans: kinds, starts and stops, and what can be asked of it."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from ..survey import Grid

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


def rows_of(stretches: NDArray[np.generic], kind: str, size: int) -> Spans:
    """Spans of one kind from rows of start and stop, cut to the wave; empty ones are left out."""
    rows = np.asarray(stretches, dtype=np.int64).reshape(-1, 2)
    start, stop = np.clip(rows[:, 0], 0, size), np.clip(rows[:, 1], 0, size)
    some = stop > start
    return Spans(start[some], stop[some], np.full(int(some.sum()), KIND[kind]))


def covered(known: Spans, g: Grid, before_s: float = 0.0, after_s: float = 0.0) -> Bool:
    """Cells that lie in a span, or this close before or after one [s]."""
    count = -(-g.size // g.cell)
    if not known.start.size:
        return np.zeros(count, dtype=bool)
    change = np.zeros(count + 1, dtype=np.int64)
    a = np.clip((known.start - before_s * g.fs) // g.cell, 0, count).astype(np.int64)
    b = np.clip((known.stop + after_s * g.fs) // g.cell + 1, 0, count).astype(np.int64)
    np.add.at(change, a, 1)
    np.add.at(change, b, -1)
    return np.asarray(np.cumsum(change)[:count] > 0)
