"""Breaths of a recording, as `analyse` asks for them: from a breathing channel, else from the beats."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from ..breaths import ROLES, Breaths, BreathSignal, beat_series, read
from ..facts import mask
from ..indices.level import Breathing, Level
from ..recordings import axis_of

if TYPE_CHECKING:
    import xarray as xr

    from ..recordings import Axis

#: A beat with one of these tells nothing of breathing.
_UNUSABLE = ("low_quality", "gap_inside", "saturated", "inverted")


def breathing_of(
    rec: xr.Dataset, axis: Axis, beats: Level, held: Sequence[tuple[float, float]] = ()
) -> tuple[Breathing, str]:
    """
    Find the breaths.

    Parameters
    ----------
    rec : xarray.Dataset
        The recording; its channels of respiration and CO2 are looked at.
    axis : Axis
        Time axis of the pressure.
    beats : Level
        The beats with their pressures, unmasked: breathing shows in an uncalibrated channel too.
    held : sequence of (float, float)
        Stretches [s] that somebody marked as without a breath: what looks like one there is none.

    Returns
    -------
    breathing : Breathing
        Complete breaths.
    source : str
        "respiration", "co2", "pressure" or "none".
    """
    # Times are counted from the first sample: a shifted clock must not change what is found.
    start = float(axis.seconds(0))
    length = float(axis.seconds(axis.size)) - start
    facts = beats.facts
    # A catalogue of a user's own may lack a pressure; breathing then shows in the others.
    sbp, dbp, mbp = (beats.values.get(name, np.full(facts.size, np.nan)) for name in ("sbp", "dbp", "mbp"))
    series = beat_series(
        beats.time - start,
        beats.column("duration_s"),
        sbp,
        dbp,
        mbp,
        usable=facts & mask(*_UNUSABLE) == 0,
        ectopic=facts & mask("ectopic") != 0,
        irregular=facts & mask("irregular_rhythm") != 0,
    )
    return _as_breathing(read(series, length, _signals(rec, start)), start, held)


def _signals(rec: xr.Dataset, start: float) -> list[BreathSignal]:
    """Channels of breathing, with times counted from the first sample of the pressure."""
    found = []
    for name in rec.data_vars:
        channel = rec[name]
        if channel.attrs.get("role") not in ROLES:
            continue
        axis = axis_of(channel)
        if axis.step == 1 and axis.fs >= 4.0:
            first_s = float(axis.seconds(0)) - start
            found.append(BreathSignal(np.asarray(channel.values), axis.fs, channel.attrs["role"], first_s))
    return found


def _as_breathing(found: Breaths, start: float, held: Sequence[tuple[float, float]]) -> tuple[Breathing, str]:
    begin, end = found.start_s + start, found.end_s + start
    taken = np.ones(begin.size, dtype=bool)
    for from_s, to_s in held:
        taken &= (end <= from_s) | (begin >= to_s)
    breathing = Breathing(
        begin[taken],
        end[taken],
        found.inspiration_end_s[taken] + start,
        lambda begin, end: found.facts_between(begin - start, end - start),
    )
    return breathing, found.source
