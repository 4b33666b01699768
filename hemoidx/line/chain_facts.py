"""From what is known of the measuring chain to facts of the beats and of the recording."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..beats.reading import Reading
from ..facts import mask
from .adequacy import Adequacy
from .drift import zero_at
from .inspection import Finding
from .ruling import Effect, Severity
from .setup import Setup
from .states import LineState
from .zero import ZeroReadings

Float = NDArray[np.float64]
Int = NDArray[np.int64]
Bool = NDArray[np.bool_]

# All ours. A gap so long that somebody may have had the line in hand [s].
LONG_GAP_S = 600.0
# A line counts as harmful from this on [mmHg], and for the steepest rise from this share on.
HARMFUL, BENT = 2.0, 0.2
_SEVERE = (Severity.MINOR, Severity.MAJOR)
_SETUP_FACTS = {
    Effect.OVERDAMPS: "perhaps_overdamped",
    Effect.UNDERDAMPS: "perhaps_ringing",
    Effect.OFFSET: "setup_offset",
    Effect.GAIN: "setup_gain",
    Effect.NO_SIGNAL: "setup_no_signal",
}


@dataclass(frozen=True)
class Documented:
    """
    What was written down about a line.

    Attributes
    ----------
    setup : Setup, optional
        The set-up sheet.
    height_cm, height_se_cm : ndarray, shape (n_beats,), optional
        Height of the transducer above the reference level at each beat and its standard error, NaN where
        nobody documented it [cm].
    gain_se : float
        Relative standard error of the gain; NaN if it was not checked at a known pressure.
    """

    setup: Setup | None = None
    height_cm: Float | None = None
    height_se_cm: Float | None = None
    gain_se: float = float("nan")


def line_facts(
    onset: Float,
    adequacy: Sequence[tuple[float, float, Adequacy]],
    states: Sequence[LineState],
    number: Int,
    stale: Bool,
) -> Int:
    """Facts of each beat by the line that holds for it: its state, whether stale, and what it does."""
    facts = np.where(stale, mask("flush_stale"), 0).astype(np.int64)
    resolved = np.array([s.dynamics.resolved for s in states] or [True])
    facts |= np.where((number >= 0) & ~stale & ~resolved[np.maximum(number, 0)], mask("line_partly_known"), 0)
    for start, stop, known in adequacy:
        a, b = np.searchsorted(onset, [start, stop])
        facts[a:b] |= mask(*faults(known))
    return facts


def faults(known: Adequacy) -> list[str]:
    """Names of the facts that hold for a line and the pulses behind it."""
    names = []
    # Systolic pressure decides; a line known by bounds only is faulty if all that it can be is.
    if max(known.sbp.low, np.nan_to_num(known.sbp.value, nan=-np.inf)) > HARMFUL:
        names.append("line_underdamped")
    if min(known.sbp.high, np.nan_to_num(known.sbp.value, nan=np.inf)) < -HARMFUL:
        names.append("line_overdamped")
    slope = known.dpdt_max
    if slope.undistorted > 0 and abs(slope.value) > BENT * slope.undistorted:
        names.append("line_bends_upstroke")
    return names


def static_facts(reading: Reading, fs: float, zeros: ZeroReadings) -> Int:
    """Facts of each beat by the zero that holds for it."""
    zero = zero_at(zeros, reading.onset, long_gaps(reading, fs))
    seen = np.isfinite(zero.level)
    facts = np.where(seen & zero.stale, mask("zero_stale"), 0).astype(np.int64)
    if len(zeros):
        row = np.maximum(np.searchsorted(zeros.start, reading.onset, side="right") - 1, 0)
        facts |= np.where(seen & zeros.not_applied[row], mask("zero_not_applied"), 0)
    return facts


def setup_facts(findings: Sequence[Finding]) -> int:
    """Facts that a sheet speaks for; a note alone changes nothing."""
    names = {
        _SETUP_FACTS[effect]
        for finding in findings
        if finding.severity in _SEVERE
        for effect in finding.effects
        if effect in _SETUP_FACTS
    }
    return mask(*names)


def missing(
    reading: Reading, states: Sequence[LineState], zeros: ZeroReadings, said: Documented, corrected: bool
) -> int:
    """What nobody documented and the recording does not show."""
    last = float(reading.onset[-1]) if reading.onset.size else -1.0
    names = {
        "flush_not_seen": not reading.spans.of("flush").start.size,
        "line_unknown": not states and not corrected,
        "zero_not_seen": not (zeros.start < last).any(),
        "level_undocumented": said.height_cm is None or not np.isfinite(said.height_cm).any(),
        "gain_unchecked": not np.isfinite(said.gain_se),
        "setup_undocumented": said.setup is None,
    }
    return mask(*(name for name, holds in names.items() if holds))


def long_gaps(reading: Reading, fs: float) -> Float:
    """Starts of gaps so long that somebody may have had the line in hand [samples]."""
    gaps = reading.spans.of("gap")
    return gaps.start[gaps.stop - gaps.start >= LONG_GAP_S * fs].astype(np.float64)
