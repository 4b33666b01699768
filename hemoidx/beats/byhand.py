"""Corrections by hand, worked into what was found: beats and spans added or removed."""

from __future__ import annotations

from typing import NamedTuple, Protocol

import numpy as np
from numpy.typing import NDArray

from .. import spans as span_rules
from ..errors import InputError
from ..spans import Spans, gather
from ..survey import Rail, Survey
from .landmarks import PEAK_S
from .select import Chosen

Float = NDArray[np.float64]
Bool = NDArray[np.bool_]

#: Spans that leave no pulse of the patient to be found.
HIDING = ("flush", "open_to_air", "flat", "sampling", "motion", "cuff", "gap", "not_pulsatile")
#: An event this close to an upstroke [s] makes it an edge of the event.
EDGE_S = 0.13
#: A beat is removed if it lies within this of the position given [s].
NEAREST_S = 0.25


class BeatEdits(Protocol):
    """Corrections by hand, in samples."""

    @property
    def add_beats(self) -> Float:
        """Positions near the upstroke of beats to add."""

    @property
    def remove_beats(self) -> Float:
        """Positions near beats to remove."""

    @property
    def add_spans(self) -> NDArray[np.void]:
        """Rows of start, stop and kind to add."""

    @property
    def remove_spans(self) -> NDArray[np.void]:
        """Rows of start, stop and kind (or -1 for any) to remove."""


class Part(NamedTuple):
    """One stretch of the channel with or without calibration."""

    start: int
    stop: int
    step: float
    calibrated: bool
    #: Known rails, counted from the start of the part.
    rails: tuple[Rail, ...] = ()


def moved_by_hand(
    chosen: Float, edits: BeatEdits | None, fs: float, offset: int, size: int
) -> tuple[Float, Float, Float]:
    """Rough positions after adding and removing beats by hand, the added ones, the removed ones."""
    if edits is None:
        return chosen, np.zeros(0), np.zeros(0)
    before = chosen
    for at in np.asarray(edits.remove_beats, dtype=np.float64) - offset:
        if 0 <= at < size and chosen.size:
            nearest = int(np.argmin(np.abs(chosen - at)))
            if abs(chosen[nearest] - at) <= NEAREST_S * fs:
                chosen = np.delete(chosen, nearest)
    added = np.asarray(edits.add_beats, dtype=np.float64) - offset
    added = added[(added >= 0) & (added < size)]
    return np.sort(np.concatenate([chosen, added])), added, before[~np.isin(before, chosen)]


def _longer(edited: Float, removed: Float, fs: float) -> Bool:
    """Beats that last longer since the one behind them was removed by hand and none put in its place."""
    longer = np.zeros(edited.size, dtype=bool)
    if not removed.size or not edited.size:
        return longer
    place = np.searchsorted(edited, removed)
    apart = np.minimum(
        np.abs(removed - edited[np.maximum(place - 1, 0)]),
        np.abs(removed - edited[np.minimum(place, edited.size - 1)]),
    )
    owner = place[(place > 0) & (apart > NEAREST_S * fs)] - 1
    longer[owner] = True
    return longer


def with_edits(found: Spans, edits: BeatEdits | None, offset: int, size: int) -> Spans:
    """Spans after the corrections by hand."""
    if edits is None:
        return found
    for row in edits.remove_spans:
        a, b = int(row["start"]) - offset, int(row["stop"]) - offset
        same = (found.kind == row["kind"]) | (int(row["kind"]) < 0)
        found = found.take(~(same & (found.start < b) & (found.stop > a)))
    rows = edits.add_spans
    extra = Spans(
        np.clip(rows["start"].astype(np.int64) - offset, 0, size),
        np.clip(rows["stop"].astype(np.int64) - offset, 0, size),
        rows["kind"].astype(np.int64),
    )
    return gather(found, extra.take(extra.stop > extra.start))


def refuse_lost(lost: Float, hiding: Spans, part: Part, fs: float) -> None:
    """Refuse beats added by hand that cannot be measured: they would vanish, and harm their neighbours."""
    for at in lost:
        touching = (hiding.start < at + PEAK_S * fs) & (hiding.stop > at - EDGE_S * fs)
        why = "no upstroke is there"
        if touching.any():
            kind = span_rules.KINDS[int(hiding.kind[touching][0])]
            why = f"it lies in or beside a span of {kind}; remove that first"
        raise InputError(
            f"edits: no beat can be added {(at + part.start) / fs:.3f} s from the first sample: {why}"
        )


def corrected(
    first: Survey, chosen: Chosen, spans: Spans, edits: BeatEdits | None, part: Part
) -> tuple[Float, Bool, Float, Float, Bool]:
    """
    Rough positions of the pulses outside events, which are strong, and their interval; the positions added by
    hand, and which pulses last longer since one was removed.
    """
    g = first.grid
    rough = first.swings.steepest[chosen.number]
    outside = ~spans.of(*HIDING).inside(rough)
    rough, strong, interval = rough[outside], ~chosen.weak[outside], chosen.interval[outside]
    edited, added, removed = moved_by_hand(rough, edits, g.fs, part.start, g.size)
    if edits is None:
        return rough, strong, interval, added, np.zeros(rough.size, dtype=bool)
    strong = np.isin(edited, rough[strong]) | np.isin(edited, added)
    interval = np.interp(edited, rough, interval) if rough.size else np.ones(edited.size)
    return edited, strong, interval, added, _longer(edited, removed, g.fs)
