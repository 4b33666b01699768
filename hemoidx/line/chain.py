"""
The measuring chain behind a recording, put together: flushes, zeros, level, gain, set-up sheet, hints.

What the recording shows and what was documented become facts of the beats, and numbers for each beat: what
the line does to it, what zero and level add to it, and how sure that is.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..beats.reading import BELIEVED, Reading
from ..errors import InputError
from ..facts import mask
from .adequacy import Adequacy, assess
from .chain_facts import (
    Documented,
    faults,
    line_facts,
    long_gaps,
    missing,
    setup_facts,
    static_facts,
)
from .drift import drift_allowance, zero_at
from .dynamics import FlushReading
from .hints import Hint, hint
from .inspection import Finding, inspect
from .level import column_pressure
from .measure import measure_flushes
from .per_beat import BeatErrors
from .setup import Setup
from .states import HARMED, STALE_AFTER_S, LineState, line_states, state_of
from .typical import typical_beat
from .zero import ZeroReadings, zero_readings

Float = NDArray[np.float64]
Int = NDArray[np.int64]
Bool = NDArray[np.bool_]
Wave = NDArray[np.floating]

# Ours: spans that say that somebody had the line in hand.
_HANDLED = ("open_to_air", "sampling", "flat")
# Beats without interruption that show that the line is in use.
_IN_USE = 10
NO_ZEROS = zero_readings(np.zeros(0), 1.0, (), ())


@dataclass(frozen=True)
class Chain:
    """
    What measured a recording.

    Attributes
    ----------
    flushes : tuple of FlushReading
        Each flush, in order of time [samples].
    states : tuple of LineState
        What they tell together, and how long it holds.
    adequacy : tuple of (start, stop, Adequacy)
        What the line does to the pulses, stretch by stretch [samples].
    zeros : ZeroReadings
        Levels read while the line was open to air.
    hint : Hint or None
        What the pulses suggest where no flush tells.
    setup : Setup or None
        The set-up sheet.
    findings : tuple of Finding
        What was wrong by the set-up sheet.
    in_use : float
        First of many pulses after the line had been flushed or opened [samples]; NaN if the recording does
        not begin with that.
    corrected : bool
        Whether the line was taken out of the wave by computation.
    facts : ndarray of int64, shape (n_beats,)
        Facts of the beats.
    record_facts : int
        Facts of the recording.
    columns : dict of str to ndarray, shape (n_beats,)
        ``offset`` and ``offset_se``: what zero and level add to every pressure [mmHg]; ``gain_se``: relative.
        NaN where not known.
    onset : ndarray, shape (n_beats,)
        Feet of the beats [samples].
    fs : float
        Sampling rate [Hz].
    """

    flushes: tuple[FlushReading, ...]
    states: tuple[LineState, ...]
    adequacy: tuple[tuple[float, float, Adequacy], ...]
    zeros: ZeroReadings
    hint: Hint | None
    setup: Setup | None
    findings: tuple[Finding, ...]
    in_use: float
    corrected: bool
    facts: Int
    record_facts: int
    columns: dict[str, Float]
    onset: Float
    fs: float
    # What was asked for last, and the answer: twelve columns ask the same.
    _last: list[Any] = field(default_factory=list, init=False, repr=False, compare=False)

    def errors(
        self, pulse_pressure: Float, dpdt_max: Float, steepest: Float, duration: Float
    ) -> dict[str, BeatErrors]:
        """
        What the line does to each beat; the same question is worked out once.

        Parameters
        ----------
        pulse_pressure, dpdt_max : ndarray, shape (n_beats,)
            As recorded [mmHg, mmHg/s].
        steepest : ndarray, shape (n_beats,)
            Steepest rises [samples].
        duration : ndarray, shape (n_beats,)
            Time to the next foot [s].

        Returns
        -------
        dict of str to BeatErrors
            For each of `HARMED`; NaN where the line is not known.
        """
        asked = (pulse_pressure, dpdt_max, steepest, duration)
        if not self._last or any(a is not b for a, b in zip(asked, self._last[0], strict=True)):
            if not self.adequacy:
                nothing = np.broadcast_to(np.nan, self.onset.shape)
                return dict.fromkeys(HARMED, BeatErrors(nothing, nothing, nothing))
            out = {name: np.full((3, self.onset.size), np.nan) for name in HARMED}
            before = np.diff(steepest, prepend=np.nan) / self.fs
            # Behind a break nobody knows how long ago the last beat was.
            before[1:][~np.isfinite(duration[:-1])] = np.nan
            for start, stop, known in self.adequacy:
                part = slice(*np.searchsorted(self.onset, [start, stop]))
                found = known.for_beats(pulse_pressure[part], dpdt_max[part], before[part], duration[part])
                for name in HARMED:
                    out[name][:, part] = found[name]
            self._last[:] = [asked, {name: BeatErrors(*rows) for name, rows in out.items()}]
        found_last: dict[str, BeatErrors] = self._last[1]
        return found_last


def examine(
    wave: Wave,
    fs: float,
    reading: Reading,
    scale: Sequence[Mapping[str, Any]] = (),
    first: int = 0,
    documented: Documented | None = None,
    corrected: bool = False,
) -> Chain:
    """
    Find out what measured a recording.

    Parameters
    ----------
    wave : ndarray, shape (n_samples,)
        Arterial pressure, NaN where missing [mmHg].
    fs : float
        Sampling rate [Hz].
    reading : Reading
        Its beats and spans.
    scale : sequence of mapping
        Runs of samples with one calibration: start, stop, step, rails, calibrated.
    first : int
        Sample number of the first sample.
    documented : Documented, optional
        Set-up sheet, height, gain.
    corrected : bool
        Whether the wave is one from which the line was taken out; its flushes then tell nothing.

    Returns
    -------
    Chain
    """
    said = documented or Documented()
    struck = _disturbances(reading, fs)
    flushes = () if corrected else tuple(_flushes(wave, fs, reading, scale))
    states = line_states(flushes, struck, fs, wave.size)
    adequacy = tuple(_adequacy(wave, fs, reading, scale, states, struck))
    zeros = _zeros(wave, fs, reading, scale, first)
    number, stale = state_of(states, reading.onset)
    told = np.zeros(stale.size, dtype=bool)
    for start, stop, _ in adequacy:
        told |= (reading.onset >= start) & (reading.onset < stop)
    unknown = ((number < 0) | stale) & ~told
    found = None if corrected else _hint(wave, fs, reading, unknown)
    findings = tuple(inspect(said.setup)) if said.setup is not None else ()
    columns = _static_columns(reading, fs, zeros, said)
    facts = line_facts(reading.onset, adequacy, states, number, stale)
    facts |= static_facts(reading, fs, zeros)
    suggested = mask(*found.facts) if found is not None else 0
    facts |= np.where(unknown, suggested, 0) | setup_facts(findings)
    facts |= mask("line_corrected") if corrected else 0
    return Chain(
        flushes, states, adequacy, zeros, found, said.setup, findings,
        in_use=_in_use(reading), corrected=corrected, facts=facts,
        record_facts=missing(reading, states, zeros, said, corrected), columns=columns, onset=reading.onset,
        fs=fs,
    )  # fmt: skip


def _disturbances(reading: Reading, fs: float) -> Float:
    """Starts of what says that somebody had the line in hand, or may have had."""
    handled = reading.spans.of(*_HANDLED).start.astype(np.float64)
    return np.sort(np.concatenate([handled, long_gaps(reading, fs)]))


def _flushes(
    wave: Wave, fs: float, reading: Reading, scale: Sequence[Mapping[str, Any]]
) -> list[FlushReading]:
    """Measure every flush, each with the step and the rails of its run."""
    spans = reading.spans.of("flush")
    if not spans.start.size:
        return []
    other = reading.spans.of("open_to_air", "flat", "sampling", "motion", "cuff", "gap", "not_pulsatile")
    feet = reading.onset[reading.quality >= BELIEVED]
    out: list[FlushReading] = []
    for run in scale or ({"start": 0, "stop": wave.size},):
        inside = (spans.start >= int(run["start"])) & (spans.start < int(run["stop"]))
        if inside.any():
            out += measure_flushes(
                wave, fs, spans.start[inside], spans.stop[inside], step=float(run.get("step") or 0.0),
                rails=(run.get("rail_low"), run.get("rail_high")), feet=feet, other=(other.start, other.stop),
            )  # fmt: skip
    return out


def _adequacy(
    wave: Wave,
    fs: float,
    reading: Reading,
    scale: Sequence[Mapping[str, Any]],
    states: Sequence[LineState],
    struck: Float,
) -> list[tuple[float, float, Adequacy]]:
    """
    What the line does to the pulses of each state; nothing where too few beats tell.

    A fault that a flush shows was there before it, since the line was last touched: a flush may wash a fault
    away, but does not make one. A sound line says nothing of what lies before its flush.
    """
    out: list[tuple[float, float, Adequacy]] = []
    for state in states:
        stretch = (round(state.start), round(state.fresh_until))
        try:
            known = assess(wave, fs, reading, state.dynamics, scale=scale or None, stretch=stretch)
        except InputError:
            # Too few whole beats to say what the line does to them: they stay without a number.
            continue
        touched = float(np.max(struck[struck < state.start], initial=0.0))
        since = max(touched, out[-1][1] if out else 0.0, state.start - STALE_AFTER_S * fs)
        if since < state.start and faults(known):
            out.append((since, state.start, known))
        out.append((state.start, state.fresh_until, known))
    return out


def _zeros(
    wave: Wave, fs: float, reading: Reading, scale: Sequence[Mapping[str, Any]], first: int
) -> ZeroReadings:
    spans = reading.spans.of("open_to_air")
    if not spans.start.size:
        return NO_ZEROS
    last = np.maximum.accumulate(spans.stop)
    apart = np.concatenate([[True], spans.start[1:] >= last[:-1]])
    start, stop = spans.start[apart], spans.stop[apart]
    step = [
        max((float(r.get("step") or 0.0) for r in scale if r["start"] < b and r["stop"] > a), default=0.0)
        for a, b in zip(start, stop, strict=True)
    ]
    return zero_readings(wave, fs, start, stop, np.array(step), first)


def _hint(wave: Wave, fs: float, reading: Reading, unknown: Bool) -> Hint | None:
    """What the pulses suggest, from those for which no flush tells."""
    use = unknown & (reading.quality >= BELIEVED)
    try:
        return hint(typical_beat(wave, fs, reading.onset[use], reading.steepest[use], reading.end[use]))
    except InputError:
        return None


def _static_columns(reading: Reading, fs: float, zeros: ZeroReadings, said: Documented) -> dict[str, Float]:
    """What zero and level add, and how sure that is; not known is not zero."""
    n = reading.onset.size
    zero = zero_at(zeros, reading.onset, long_gaps(reading, fs))
    height = np.full(n, np.nan) if said.height_cm is None else said.height_cm
    level = -column_pressure(height)
    known = np.isfinite(zero.level) | np.isfinite(level)
    offset = np.where(known, np.nan_to_num(zero.level) + np.nan_to_num(level), np.nan)
    unsure = np.full(n, np.nan) if said.height_se_cm is None else column_pressure(said.height_se_cm)
    drift = drift_allowance(np.nan_to_num(zero.age_s))[1] / 1.96
    return {
        "offset": offset,
        "offset_se": np.sqrt(zero.se**2 + drift**2 + unsure**2),
        "gain_se": np.full(n, said.gain_se),
    }


def _in_use(reading: Reading) -> float:
    """First foot of many pulses in a row, if flushing or opening came before all of them."""
    if reading.onset.size < _IN_USE:
        return float("nan")
    good = (reading.quality >= BELIEVED) & np.isfinite(reading.end)
    runs = np.convolve(good, np.ones(_IN_USE), mode="valid") == _IN_USE
    if not runs.any():
        return float("nan")
    start = float(reading.onset[int(np.argmax(runs))])
    before = reading.spans.of("flush", "open_to_air")
    return start if (before.start < start).any() else float("nan")
