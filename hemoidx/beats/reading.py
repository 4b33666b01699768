"""From samples to beats: the whole path of one pressure channel, in three passes."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from .. import spans as span_rules
from ..errors import InputError
from ..facts import mask
from ..samples import rolling_quantile
from ..spans import Pulse, Spans, gather
from ..survey import Grid, Progress, Rail, Swings, noise_level, runs, smoothing_kernel, survey
from . import rhythm
from .byhand import EDGE_S, HIDING, BeatEdits, Part, corrected, moved_by_hand, refuse_lost, with_edits
from .measure import Marks, crosses, measure
from .select import Chosen, choose
from .twice import Blur

Float = NDArray[np.float64]
Int = NDArray[np.int64]
Bool = NDArray[np.bool_]
Wave = NDArray[np.floating]

#: In a shorter stretch of one calibration [s] no beat is looked for.
SHORTEST_S = 2.0
#: Distance from similar neighbours, in usual pulse pressures, at which resemblance counts one half.
UNLIKE = 0.18
#: A beat is out of keeping with its neighbours from this distance on [pulse pressures], and from so many
#: times the usual distance there.
STRANGE_FROM, STRANGE_BY = 0.07, 3.5
#: ... and this many pairs of neighbours within five beats are, or this many of five that come within this
#: time [s]: of fast beats some look right by chance.
STRANGE_PAIRS, STRANGE_FAST, FAST_S = 2, 2, 2.0
#: Swings that take this part of their interval to rise, and change this much from one to the next in height
#: and in interval, and are this far from their like, may be noise; those of the second numbers are.
SLOW_CLIMB, RESTLESS, DIFFERENT = (0.26, 0.29), (0.18, 0.24), (0.12, 0.16)
#: Or, alike or not, they fall as steeply as they rise, by the first numbers, climb for as long as by the
#: second, and change in height as much as by the third.
AS_STEEP, LONG_CLIMB, UNSTEADY = (0.76, 0.82), (0.315, 0.345), (0.12, 0.18)
#: Neighbours on each side among the pulses whose fall was measured.
FALLS = 7
#: A rise of less than this [mmHg] is no pulse: a third of the smallest pulse pressure we claim to read.
LEAST_RISE = 2.5
#: A beat of less quality than this is not believed.
BELIEVED = 0.5
#: Quality at most of beats of which every second one may be a dicrotic wave.
DOUBTFUL = 0.4


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


def _parts(size: int, scale: Sequence[Mapping[str, Any]] | None) -> list[Part]:
    """Stretches of the channel of equal calibration; the step is the coarsest in each."""
    if not scale:
        return [Part(0, size, 0.0, True)]
    out: list[Part] = []
    for run in scale:
        # Stretches that no run covers hold no samples; they go with what follows them.
        start = out[-1].stop if out else 0
        new = Part(start, int(run["stop"]), float(run.get("step") or 0.0), bool(run["calibrated"]))
        if out and out[-1].calibrated == new.calibrated:
            new = new._replace(start=out[-1].start, step=max(out[-1].step, new.step), rails=out[-1].rails)
            out.pop()
        if run.get("rail_low") is not None and run.get("rail_high") is not None:
            edges = (int(run["start"]) - new.start, new.stop - new.start)
            rail = Rail(*edges, float(run["rail_low"]), float(run["rail_high"]))
            new = new._replace(rails=(*new.rails, rail))
        out.append(new)
    out[-1] = out[-1]._replace(stop=size)
    return [p for p in out if p.stop > p.start] or [Part(0, size, 0.0, True)]


def _soft(value: Float, low: float, high: float) -> Float:
    """0 at `low`, 1 at `high`, straight between."""
    return np.clip((value - low) / (high - low), 0.0, 1.0)


def _quality(marks: Marks, noise: float, early: Bool, by_hand: Bool, part: Part) -> Float:
    """Quality of each beat, 0 to 1; one that was added by hand has 1."""
    # In usual pulse pressures: a weak premature beat may look odd, a large odd one is an artefact.
    usual = rolling_quantile(marks.pulse, 10, 0.5, every=4)
    tolerance = np.where(early, 2.0 * UNLIKE, UNLIKE)
    with np.errstate(over="ignore", invalid="ignore", divide="ignore"):
        quality = 1.0 / (1.0 + (marks.unlike * marks.pulse / usual / tolerance) ** 4)
    quality = quality * _soft(marks.pulse / max(noise, 1e-9), 3.0, 8.0)
    if part.calibrated:
        top = marks.low + marks.pulse
        quality = quality * _soft(-top, -330.0, -280.0) * _soft(marks.low, -15.0, -5.0)
        quality = quality * _soft(marks.pulse, 2.0, 5.0)
    quality = np.where(np.isfinite(quality), quality, 0.0) * (1.0 - _chance(marks))
    # A swing that looks right among many that do not is chance.
    share = rhythm.rolling_mean((quality >= BELIEVED).astype(np.float64), 7)
    return np.where(by_hand, 1.0, quality * np.minimum(1.0, (share / BELIEVED) ** 2))


def _chance(marks: Marks) -> Float:
    """
    How much the swings around each beat are like those of noise, 0 to 1.

    Noise of an octave makes swings that resemble one another, but they take as long to rise as to fall, and
    their heights and intervals follow no pattern. An artery's pulse rises fast, in any rhythm. Narrower noise
    makes rows of swings alike, at even intervals; but they are those of a sine that grows and fades, and fall
    as steeply as they rise, as no artery's pulse does, not even behind the slowest line.
    """
    interval = marks.end - marks.onset
    climb = rolling_quantile((marks.peak - marks.onset) / interval, rhythm.HALF, 0.5, every=4)
    height = rhythm.restless(marks.pulse)
    doubt = _soft(climb, *SLOW_CLIMB) * _soft(rhythm.restless(interval), *RESTLESS)
    unlike = _soft(rolling_quantile(marks.unlike, rhythm.HALF, 0.5, every=4), *DIFFERENT)
    wide = doubt * _soft(height, *RESTLESS) * unlike
    some = np.flatnonzero(np.isfinite(marks.fall))
    if not some.size:
        return np.nan_to_num(wide)
    fall = np.interp(np.arange(climb.size), some, rolling_quantile(marks.fall[some], FALLS, 0.5))
    narrow = _soft(fall, *AS_STEEP) * _soft(climb, *LONG_CLIMB) * _soft(height, *UNSTEADY)
    return np.fmax(np.nan_to_num(wide), np.nan_to_num(narrow))


def _beat_facts(
    marks: Marks, quality: Float, strong: Bool, early: Bool, usual: Float, spans: Spans, part: Part, g: Grid
) -> Int:
    """Facts of each beat but those that depend on edits; `usual` is the usual interval around each [s]."""
    facts = np.zeros(marks.onset.size, dtype=np.int64)
    interval = (marks.end - marks.onset) / g.fs
    believed = quality >= BELIEVED
    timed = np.where(believed, interval, np.nan)
    ectopic = early & believed
    last = np.where(np.isfinite(marks.end), marks.end, marks.peak)
    # A beat that does not run to the next one would have ended with it, or after the usual interval.
    due = np.minimum(np.append(marks.onset[1:], np.inf)[: marks.onset.size], marks.onset + usual * g.fs)
    until = np.where(np.isfinite(marks.end), marks.end, due)
    saturated = spans.of("saturated")
    events = spans.take(~np.isin(spans.kind, [span_rules.KIND["saturated"], span_rules.KIND["gap"]]))
    with np.errstate(invalid="ignore"):
        mean = marks.low + marks.pulse / 3.0
        # Our convention: only a caution. Means under 30 mmHg occur (arrest, the very preterm), yet a wrong
        # zero or a transducer too high looks the same.
        odd_level = (mean < 30.0) | (mean > 200.0) | (marks.low < 0.0)
    for name, which in {
        "ectopic": ectopic,
        "irregular_rhythm": rhythm.irregular(timed, ectopic),
        "alternating": rhythm.alternating(np.where(believed, marks.pulse, np.nan), timed),
        "no_notch": ~np.isfinite(marks.notch),
        "low_quality": ~believed,
        "weak_pulse": ~strong,
        "end_unknown": ~np.isfinite(marks.end),
        "gap_inside": crosses(marks.onset, until, spans.of("gap")),
        "saturated": crosses(marks.onset, last, saturated),
        "near_event": crosses(marks.onset - 0.5 * g.fs, last + 0.5 * g.fs, events),
        "implausible_level": odd_level & part.calibrated,
        "uncalibrated": np.full(facts.size, not part.calibrated),
        "sampling_rate_low": np.full(facts.size, g.fs < 100.0),
        "coarse_steps": np.full(facts.size, part.step >= 0.75),
    }.items():
        facts |= np.where(which, mask(name), 0)
    return facts


def _read_part(
    wave: Wave, fs: float, part: Part, edits: BeatEdits | None, at_once: int, progress: Progress | None
) -> Reading:
    """Read one stretch of equal calibration: survey, spans, pulses, landmarks, and what they are worth."""
    if wave.size < SHORTEST_S * fs:
        return _nothing(wave, fs, edits, part)
    first = survey(wave, fs, part.step, part.rails, at_once, progress)
    g = first.grid
    spans = span_rules.by_level(first, wave, part.step, part.calibrated)
    spans = with_edits(spans, edits, part.start, g.size)
    inside = spans.of(*HIDING).inside(first.swings.steepest)
    least = LEAST_RISE if part.calibrated else 0.0
    hidden = span_rules.covered(spans.of(*HIDING), g)
    noise = noise_level(first.cells, hidden)
    # Extremes are read from the smoothed wave, times to one of its samples.
    blur = Blur(float(np.sqrt(np.sum(smoothing_kernel(g.low_rate) ** 2))) * noise, 0.29 / g.low_rate)
    chosen = choose(first.swings, fs, g.size / fs, inside, least, blur)
    pulse = _pulses(first.swings, chosen)
    spans = span_rules.pulseless(first, spans, pulse, part.calibrated)
    spans = with_edits(spans, edits, part.start, g.size)
    rough, strong, interval, added, beside = corrected(first, chosen, spans, edits, part)
    doubtful = np.isin(rough, first.swings.steepest[chosen.number[chosen.doubtful]])
    missing = np.isin(rough, first.swings.steepest[chosen.number[chosen.missing]])
    marks = measure(wave, g, rough, interval, spans.of(*HIDING), at_once, progress)
    by_hand = np.isin(rough, added)
    early = rhythm.early((marks.end - marks.onset) / g.fs)
    # Nearly always nothing was found since then, and the noise is what it was.
    now_hidden = span_rules.covered(spans.of(*HIDING), g)
    if not np.array_equal(now_hidden, hidden):
        noise = noise_level(first.cells, now_hidden)
    quality = _quality(marks, noise, early, by_hand, part)
    moved = span_rules.motion(first, spans, part.step, _strange_cells(marks, quality, early, g), pulse)
    last = np.where(np.isfinite(marks.end), marks.end, marks.peak)
    known = np.isfinite(marks.onset) & np.isfinite(last)
    odd = span_rules.mottled(quality[known], marks.onset[known], last[known], g.fs)
    spans = with_edits(gather(spans, moved, odd), edits, part.start, g.size)
    kept = _untouched(marks, spans.of(*HIDING), g)
    # Not before the search for movement: the waves of a doubtful row are as clear as can be.
    quality = np.where(doubtful & ~by_hand & ~beside, np.minimum(quality, DOUBTFUL), quality)
    refuse_lost(rough[by_hand & ~kept], spans.of(*HIDING), part, g.fs)
    marks = _ended(marks, kept & (quality >= BELIEVED), spans.of(*HIDING))
    marks, quality = marks.take(kept), quality[kept]
    inverted = mask("inverted") if _upside_down(marks) else 0
    facts = _beat_facts(marks, quality, strong[kept], early[kept], interval[kept], spans, part, g) | inverted
    facts |= np.where((by_hand | beside)[kept], mask("edited_by_hand"), 0)
    told = by_hand | beside | np.append(by_hand[1:], False)[: by_hand.size]
    facts |= np.where((missing & ~told)[kept], mask("beat_perhaps_missed"), 0)
    landmarks = (marks.onset, marks.steepest, marks.peak, marks.notch, marks.end)
    return Reading(*landmarks, quality, facts, spans, inverted)


def _nothing(wave: Wave, fs: float, edits: BeatEdits | None, part: Part) -> Reading:
    """Reading of a stretch too short for a beat, as open databases hold some around a change of gain."""
    _, added, _ = moved_by_hand(np.zeros(0), edits, 1.0, part.start, wave.size)
    refuse_lost(added, span_rules.NONE, part, fs)
    lost = runs(np.isnan(wave))
    gaps = Spans(lost[:, 0], lost[:, 1], np.full(lost.shape[0], span_rules.KIND["gap"]))
    none = np.zeros(0)
    spans = with_edits(gather(gaps), edits, part.start, wave.size)
    return Reading(none, none, none, none, none, none, np.zeros(0, dtype=np.int64), spans, 0)


def _untouched(marks: Marks, events: Spans, g: Grid) -> Bool:
    """Pulses with landmarks whose upstroke neither begins nor ends in an event: that is its edge."""
    edge = EDGE_S * g.fs
    cut = crosses(marks.onset - edge, marks.peak + edge, events)
    return np.isfinite(marks.onset) & np.isfinite(marks.peak) & ~cut


def _ended(marks: Marks, trusted: Bool, events: Spans) -> Marks:
    """Marks in which a beat has an end only if the next beat is trusted and no event lies between."""
    following = np.append(trusted[1:], True)
    broken = crosses(marks.steepest, np.nan_to_num(marks.end, nan=-np.inf), events)
    # What lies behind the start of an event was bridged, and is no notch.
    unseen = crosses(marks.steepest, np.nan_to_num(marks.notch, nan=-np.inf), events)
    return marks._replace(
        end=np.where(broken | ~following, np.nan, marks.end), notch=np.where(unseen, np.nan, marks.notch)
    )


def _upside_down(marks: Marks) -> bool:
    """Whether the channel as a whole falls faster than it rises."""
    fall = marks.fall[np.isfinite(marks.fall)]
    part = (marks.peak - marks.onset) / (marks.end - marks.onset)
    part = part[np.isfinite(part)]
    if not fall.size or not part.size:
        return False
    steeper = float(np.median(fall))
    return steeper > 1.25 or (steeper > 1.0 and float(np.median(part)) > 0.5)


def _pulses(swings: Swings, chosen: Chosen) -> Pulse:
    picked = swings.take(chosen.number)
    return Pulse(picked.steepest, picked.crest, chosen.interval, picked.low, picked.high - picked.low)


def _strange_cells(marks: Marks, quality: Float, early: Bool, g: Grid) -> Float:
    """For each cell, 1 if the beat that covers it is one of several out of keeping with the rest, else 0."""
    count = -(-g.size // g.cell)
    if not quality.size:
        return np.zeros(count)
    usual = rolling_quantile(marks.unlike, 20, 0.5, every=4)
    strange = (marks.unlike > np.maximum(STRANGE_FROM, STRANGE_BY * usual)) | (quality < BELIEVED)
    # A premature beat is weak and strange for a reason, if it looks like a pulse.
    weak = marks.pulse < 0.85 * rolling_quantile(marks.pulse, 10, 0.5, every=4)
    strange &= ~(early & weak & (quality >= BELIEVED))
    # Movement spoils several in a row; every other beat may be bigeminal.
    row = np.zeros(strange.size + 4)
    row[2 : strange.size + 1] = strange[:-1] & strange[1:]
    several = np.convolve(row, np.ones(5), mode="valid") >= STRANGE_PAIRS
    counted = np.convolve(np.pad(strange, 2), np.ones(5), mode="valid")
    at = np.pad(marks.steepest, 2, constant_values=(-np.inf, np.inf))
    several |= (counted >= STRANGE_FAST) & (at[4:] - at[:-4] < FAST_S * g.fs * 4.0 / 5.0)
    strange &= several & np.isfinite(marks.onset) & np.isfinite(marks.peak)
    last = np.where(np.isfinite(marks.end), marks.end, marks.peak)[strange]
    change = np.zeros(count + 1)
    np.add.at(change, np.clip(marks.onset[strange] // g.cell, 0, count - 1).astype(np.int64), 1.0)
    np.add.at(change, np.clip(last // g.cell, 0, count - 1).astype(np.int64), -1.0)
    return np.minimum(np.cumsum(change)[:count], 1.0)


def read(
    pressure: Wave,
    fs: float,
    scale: Sequence[Mapping[str, Any]] | None = None,
    edits: BeatEdits | None = None,
    at_once: int = 1,
    progress: Progress | None = None,
) -> Reading:
    """
    Find the beats and the stretches that are not the patient.

    Parameters
    ----------
    pressure : ndarray, shape (n_samples,)
        Arterial pressure, NaN where missing [mmHg]; what is infinite counts as missing.
    fs : float
        Sampling rate [Hz].
    scale : sequence of mapping, optional
        Runs of samples with one calibration: start, stop, step, calibrated, as `hx.load` attaches them.
    edits : BeatEdits, optional
        Beats and spans added or removed by hand, in samples.
    at_once : int
        Tiles of half an hour whose samples are fetched at once; changes nothing in the result.
    progress : callable, optional
        Called with the share of the work that was just done.

    Returns
    -------
    Reading
        Landmarks, quality, facts and spans. `quality` is a product of three parts, each 0 to 1: how much
        the pulse resembles some of its neighbours (one half at a root mean square difference of 0.18
        usual pulse pressures), how far it stands out of the noise, and whether its pressures can be a
        patient's; less where most of the swings around are not like pulses, or rise as slowly and change as
        much as noise does, and where every second beat may be a dicrotic wave. Under 0.5 a beat is not
        believed.

    Raises
    ------
    InputError
        If the wave is not one-dimensional or holds something else than real numbers. A wave without a
        pulse is no error here: it has no beats. Also if a beat cannot be added where `edits` want it: no
        upstroke is there, or a span lies over it.
    """
    wave = _numbers(np.asarray(pressure))
    parts = _parts(wave.size, scale)
    pieces = []
    for part in parts:
        share = (part.stop - part.start) / max(wave.size, 1)

        def advance(done: float, share: float = share) -> None:
            if progress is not None:
                # Two passes over the samples.
                progress(0.5 * share * done)

        pieces.append(_read_part(wave[part.start : part.stop], fs, part, edits, at_once, advance))
    return _joined(pieces, [part.start for part in parts])


def _numbers(wave: NDArray[Any]) -> Wave:
    """The wave as floating-point numbers, infinite ones as missing; copied only where that must be."""
    if wave.ndim != 1:
        raise InputError(f"pressure must be one-dimensional, got {wave.ndim} dimensions")
    if wave.dtype.kind not in "buif":
        raise InputError(f"pressure must be numbers, got {wave.dtype}")
    if wave.dtype.kind != "f":
        return wave.astype(np.result_type(wave.dtype, np.float32))
    if wave.size and np.isinf([np.fmax.reduce(wave), np.fmin.reduce(wave)]).any():
        return np.where(np.isinf(wave), np.nan, wave)
    return wave


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
