"""From samples to beats: the whole path of one pressure channel, in three passes."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, NamedTuple, Protocol

import numpy as np
from numpy.typing import NDArray

from .. import spans as span_rules
from ..errors import InputError
from ..facts import mask
from ..samples import rolling_quantile, value_at
from ..spans import Pulse, Spans, gather
from ..survey import Grid, Rail, Survey, Swings, fill, noise_level, survey, thinned
from . import rhythm, shape
from .landmarks import locate
from .select import Chosen, choose

Float = NDArray[np.float64]
Int = NDArray[np.int64]
Bool = NDArray[np.bool_]
Wave = NDArray[np.floating]

#: A beat runs to the next foot only if that comes within this time [s]; the slowest beat lasts 2.4 s.
LONGEST_BEAT_S = 3.5
#: Distance from similar neighbours, in usual pulse pressures, at which resemblance counts one half.
UNLIKE = 0.18
#: An event this close to an upstroke [s] makes it an edge of the event.
EDGE_S = 0.13
#: A rise of less than this [mmHg] is no pulse: a third of the smallest pulse pressure we claim to read.
LEAST_RISE = 2.5
#: A beat of less quality than this is not believed.
BELIEVED = 0.5


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


@dataclass(frozen=True)
class Reading:
    """
    Beats and spans of one channel.

    Positions are fractional sample numbers counted from the first sample; NaN where a landmark is
    missing. `end` is the next foot, NaN where the beat does not run to one.
    """

    onset: Float
    steepest: Float
    peak: Float
    notch: Float
    end: Float
    #: 0 to 1; below 0.5 the beat is not believed. See :func:`read`.
    quality: Float
    #: Bits of :mod:`hemoidx.facts`.
    facts: Int
    spans: Spans
    #: Bits that hold for the channel as a whole.
    record_facts: int


class _Part(NamedTuple):
    """One stretch of the channel with or without calibration."""

    start: int
    stop: int
    step: float
    calibrated: bool
    #: Known rails, counted from the start of the part.
    rails: tuple[Rail, ...] = ()


class _Marks(NamedTuple):
    onset: Float
    steepest: Float
    peak: Float
    notch: Float
    end: Float
    pulse: Float
    low: Float
    distance: Float
    fall: Float


def _parts(size: int, scale: Sequence[Mapping[str, Any]] | None) -> list[_Part]:
    """Stretches of the channel of equal calibration; the step is the coarsest in each."""
    if not scale:
        return [_Part(0, size, 0.0, True)]
    out: list[_Part] = []
    for run in scale:
        # Stretches that no run covers hold no samples; they go with what follows them.
        start = out[-1].stop if out else 0
        new = _Part(start, int(run["stop"]), float(run.get("step") or 0.0), bool(run["calibrated"]))
        if out and out[-1].calibrated == new.calibrated:
            new = new._replace(start=out[-1].start, step=max(out[-1].step, new.step), rails=out[-1].rails)
            out.pop()
        if run.get("rail_low") is not None and run.get("rail_high") is not None:
            edges = (int(run["start"]) - new.start, new.stop - new.start)
            rail = Rail(*edges, float(run["rail_low"]), float(run["rail_high"]))
            new = new._replace(rails=(*new.rails, rail))
        out.append(new)
    out[-1] = out[-1]._replace(stop=size)
    return [p for p in out if p.stop > p.start]


def _measure(wave: Wave, g: Grid, rough: Float, interval: Float, events: Spans) -> _Marks:
    """Landmarks, notch and resemblance of every chosen pulse, tile by tile."""
    pieces = [_measure_tile(wave, tile, g, rough, interval, events) for tile in g.tiles()]
    return _Marks(*(np.concatenate(column) for column in zip(*pieces, strict=True)))


def _measure_tile(
    wave: Wave, tile: tuple[int, int, int, int], g: Grid, rough: Float, interval: Float, events: Spans
) -> _Marks:
    start, stop, first, last = tile
    a, b = np.searchsorted(rough, [first, last])
    if a == b:
        return _Marks(*(np.zeros(0) for _ in _Marks._fields))
    piece, _ = fill(wave[first:last])
    short = -piece.size % g.thin
    if short:
        piece = np.concatenate([piece, np.full(short, piece[-1], dtype=piece.dtype)])
    thin, smooth = thinned(piece, g)
    here = rough[a:b] - first
    far = 10.0 * g.fs
    before = np.concatenate([[here[0] - far if a == 0 else rough[a - 1] - first], here[:-1]])
    after = np.concatenate([here[1:], [piece.size + far if b == rough.size else rough[b] - first]])
    limit = _next_event(rough[a:b], events) - first
    marks = locate(piece, thin, smooth, here, before, after, limit, g)
    end = np.append(marks.onset[1:], np.nan)
    usual = interval[a:b]
    with np.errstate(invalid="ignore"):
        runs_on = (end - marks.onset) < np.minimum(LONGEST_BEAT_S, 2.6 * usual + 0.4) * g.fs
    broken = _crosses(marks.steepest + first, np.append(marks.steepest[1:], np.inf) + first, events)
    end = np.where(runs_on & ~broken, end, np.nan)
    centre = 0.5 * (g.thin - 1)
    pulse = value_at(thin, (marks.peak - centre) / g.thin) - marks.low
    pulses = shape.lay_out(
        thin, (marks.onset - centre) / g.thin, (end - centre) / g.thin, pulse, marks.low, g.low_rate
    )
    distance = shape.unlikeness(pulses)
    average = shape.typical(pulses, distance)
    rise = (marks.peak - marks.onset) / g.fs
    notch = marks.onset + g.fs * shape.notches(pulses, average, rise, usual)
    own = (rough[a:b] >= start) & (rough[a:b] < stop)
    fall = shape.fall_to_rise(pulses)
    moved = (marks.onset, marks.steepest, marks.peak, notch, end)
    return _Marks(*(v[own] + first for v in moved), pulse[own], marks.low[own], distance[own], fall[own])


def _next_event(position: Float, events: Spans) -> Float:
    """Start of the first event that ends behind each position; infinity where there is none."""
    if not events.start.size:
        return np.full(position.size, np.inf)
    union = span_rules.join(events.start, events.stop)
    following = np.searchsorted(union[:, 1], position, side="right")
    return np.append(union[:, 0], np.inf)[following]


def _crosses(start: Float, stop: Float, events: Spans) -> Bool:
    """Whether an event lies between two positions."""
    return np.asarray(_next_event(start, events) < stop)


def _soft(value: Float, low: float, high: float) -> Float:
    """0 at `low`, 1 at `high`, straight between."""
    return np.clip((value - low) / (high - low), 0.0, 1.0)


def _quality(marks: _Marks, noise: float, calibrated: bool, early: Bool) -> Float:
    # In usual pulse pressures: a weak premature beat may look odd, a large odd one is an artefact.
    usual = rolling_quantile(marks.pulse, 10, 0.5)
    tolerance = np.where(early, 2.0 * UNLIKE, UNLIKE)
    with np.errstate(over="ignore", invalid="ignore", divide="ignore"):
        resemblance = 1.0 / (1.0 + (marks.distance * marks.pulse / usual / tolerance) ** 4)
    clear = _soft(marks.pulse / max(noise, 1e-9), 3.0, 8.0)
    quality = resemblance * clear
    if calibrated:
        top = marks.low + marks.pulse
        quality = quality * _soft(-top, -330.0, -280.0) * _soft(marks.low, -15.0, -5.0)
        quality = quality * _soft(marks.pulse, 2.0, 5.0)
    return np.where(np.isfinite(quality), quality, 0.0)


def _edited(chosen: Float, edits: BeatEdits | None, fs: float, offset: int, size: int) -> tuple[Float, Float]:
    """Rough positions after adding and removing beats by hand, and the added ones."""
    if edits is None:
        return chosen, np.zeros(0)
    for at in np.asarray(edits.remove_beats, dtype=np.float64) - offset:
        if 0 <= at < size and chosen.size:
            nearest = int(np.argmin(np.abs(chosen - at)))
            if abs(chosen[nearest] - at) <= 0.25 * fs:
                chosen = np.delete(chosen, nearest)
    added = np.asarray(edits.add_beats, dtype=np.float64) - offset
    added = added[(added >= 0) & (added < size)]
    return np.sort(np.concatenate([chosen, added])), added


def _with_edits(found: Spans, edits: BeatEdits | None, offset: int, size: int) -> Spans:
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


def _beat_facts(marks: _Marks, quality: Float, strong: Bool, spans: Spans, part: _Part, g: Grid) -> Int:
    """Facts of each beat but those that depend on edits."""
    facts = np.zeros(marks.onset.size, dtype=np.int64)
    interval = (marks.end - marks.onset) / g.fs
    believed = quality >= BELIEVED
    timed = np.where(believed, interval, np.nan)
    ectopic = rhythm.early(timed)
    last = np.where(np.isfinite(marks.end), marks.end, marks.peak)
    saturated, gaps = spans.of("saturated"), spans.of("gap")
    events = spans.of("flush", "open_to_air", "flat", "sampling", "motion", "cuff", "not_pulsatile")
    with np.errstate(invalid="ignore"):
        mean = marks.low + marks.pulse / 3.0
        odd_level = (mean < 20.0) | (mean > 200.0) | (marks.low < 0.0)
    for name, which in {
        "ectopic": ectopic,
        "irregular_rhythm": rhythm.irregular(timed, ectopic),
        "alternating": rhythm.alternating(np.where(believed, marks.pulse, np.nan), timed),
        "no_notch": ~np.isfinite(marks.notch),
        "low_quality": ~believed,
        "weak_pulse": ~strong,
        "end_unknown": ~np.isfinite(marks.end),
        "saturated": _crosses(marks.onset, last, saturated),
        "gap_inside": _crosses(marks.onset, last, gaps),
        "near_event": _crosses(marks.onset - 0.5 * g.fs, last + 0.5 * g.fs, events),
        "implausible_level": odd_level & part.calibrated,
        "uncalibrated": np.full(facts.size, not part.calibrated),
        "sampling_rate_low": np.full(facts.size, g.fs < 100.0),
        "coarse_steps": np.full(facts.size, part.step >= 0.75),
    }.items():
        facts |= np.where(which, mask(name), 0)
    return facts


def _read_part(wave: Wave, fs: float, part: _Part, edits: BeatEdits | None) -> Reading:
    first = survey(wave, fs, part.step, part.rails)
    g = first.grid
    spans = _with_edits(span_rules.by_level(first, part.step, part.calibrated), edits, part.start, g.size)
    blocking = spans.of("flush", "open_to_air", "flat", "gap", "sampling", "cuff", "not_pulsatile", "motion")
    inside = blocking.inside(first.swings.steepest)
    least = LEAST_RISE if part.calibrated else 0.0
    chosen = choose(first.swings, fs, g.size / fs, inside, least)
    lacking = span_rules.pulseless(first, spans, _pulses(first.swings, chosen), part.calibrated)
    spans = _with_edits(gather(spans, lacking), edits, part.start, g.size)
    reading = _measured(wave, first, spans, chosen, part, edits)
    moved = span_rules.motion(first, spans, part.step, _unlike_cells(reading, g))
    if moved.start.size:
        spans = _with_edits(gather(spans, moved), edits, part.start, g.size)
        reading = _measured(wave, first, spans, chosen, part, edits)
    return reading


def _pulses(swings: Swings, chosen: Chosen) -> Pulse:
    picked = swings.take(chosen.number)
    return Pulse(picked.steepest, chosen.interval, picked.low, picked.high - picked.low)


def _unlike_cells(reading: Reading, g: Grid) -> Float:
    """For each cell, 1 less the quality of the beat that covers it; 0 where there is none."""
    count = -(-g.size // g.cell)
    out = np.zeros(count)
    if not reading.onset.size:
        return out
    last = np.where(np.isfinite(reading.end), reading.end, reading.peak)
    a = np.clip(reading.onset // g.cell, 0, count - 1).astype(np.int64)
    b = np.clip(last // g.cell, 0, count - 1).astype(np.int64)
    change = np.zeros(count + 1)
    np.add.at(change, a, 1.0 - reading.quality)
    np.add.at(change, b, -(1.0 - reading.quality))
    return np.cumsum(change)[:count]


def _measured(
    wave: Wave, first: Survey, spans: Spans, chosen: Chosen, part: _Part, edits: BeatEdits | None
) -> Reading:
    """Landmarks, quality and facts of the chosen pulses outside the events."""
    g = first.grid
    events = spans.of("flush", "open_to_air", "flat", "sampling", "motion", "cuff", "gap", "not_pulsatile")
    rough = first.swings.steepest[chosen.number]
    outside = ~events.inside(rough)
    rough = rough[outside]
    strong = ~chosen.weak[outside]
    interval = chosen.interval[outside]
    edited, added = _edited(rough, edits, g.fs, part.start, g.size)
    if edited.size != rough.size or added.size:
        strong = np.isin(edited, rough[strong]) | np.isin(edited, added)
        interval = np.interp(edited, rough, interval) if rough.size else np.ones(edited.size)
        rough = edited
    marks = _measure(wave, g, rough, interval, events)
    # An upstroke that begins or ends in an event is the edge of the event.
    edge = EDGE_S * g.fs
    cut = _crosses(marks.onset - edge, marks.peak + edge, events)
    good = np.isfinite(marks.onset) & np.isfinite(marks.peak) & ~cut
    marks = _Marks(*(column[good] for column in marks))
    by_hand = np.isin(rough[good], added)
    noise = noise_level(first.cells, span_rules.covered(events, g))
    early = rhythm.early((marks.end - marks.onset) / g.fs)
    quality = np.where(by_hand, 1.0, _quality(marks, noise, part.calibrated, early))
    facts = _beat_facts(marks, quality, strong[good], spans, part, g)
    facts |= np.where(by_hand, mask("edited_by_hand"), 0)
    upside_down = marks.fall.size > 0 and float(np.median(marks.fall)) > 1.25
    return Reading(
        marks.onset,
        marks.steepest,
        marks.peak,
        marks.notch,
        marks.end,
        quality,
        facts | (mask("inverted") if upside_down else 0),
        spans,
        mask("inverted") if upside_down else 0,
    )


def read(
    pressure: Wave,
    fs: float,
    scale: Sequence[Mapping[str, Any]] | None = None,
    edits: BeatEdits | None = None,
) -> Reading:
    """
    Find the beats and the stretches that are not the patient.

    Parameters
    ----------
    pressure : ndarray, shape (n_samples,)
        Arterial pressure, NaN where missing [mmHg].
    fs : float
        Sampling rate [Hz].
    scale : sequence of mapping, optional
        Runs of samples with one calibration: start, stop, step, calibrated, as `hx.load` attaches them.
    edits : BeatEdits, optional
        Beats and spans added or removed by hand, in samples.

    Returns
    -------
    Reading
        Landmarks, quality, facts and spans. `quality` is a product of three parts, each 0 to 1: how much
        the pulse resembles some of its neighbours (one half at a root mean square difference of 0.18
        usual pulse pressures), how far it stands out of the noise, and whether its pressures can be a
        patient's. Under 0.5 a beat is not believed.

    Raises
    ------
    InputError
        If the wave is not one-dimensional or holds no arterial pulse at all.
    """
    wave = np.asarray(pressure)
    if wave.ndim != 1:
        raise InputError(f"pressure must be one-dimensional, got {wave.ndim} dimensions")
    pieces = []
    parts = _parts(wave.size, scale)
    for part in parts:
        pieces.append(_read_part(wave[part.start : part.stop], fs, part, edits))
    offsets = [p.start for p in parts]
    return _joined(pieces, offsets)


def _joined(pieces: list[Reading], offsets: list[int]) -> Reading:
    positions = {
        name: np.concatenate([getattr(p, name) + o for p, o in zip(pieces, offsets, strict=True)])
        for name in ("onset", "steepest", "peak", "notch", "end")
    }
    moved = [
        Spans(p.spans.start + o, p.spans.stop + o, p.spans.kind) for p, o in zip(pieces, offsets, strict=True)
    ]
    common = 0
    for piece in pieces:
        common |= piece.record_facts
    return Reading(
        **positions,
        quality=np.concatenate([p.quality for p in pieces]),
        facts=np.concatenate([p.facts for p in pieces]),
        spans=gather(*moved),
        record_facts=common,
    )
