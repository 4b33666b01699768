"""Recordings without a pulse: those that show what was there instead, and those that are no pressure."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..beats import Reading
from ..errors import InputError
from ..facts import mask
from ..spans import KINDS

LEAST_BELIEVED = 2
"""Beats that make a pulse."""
_EXPLAINED = ("flush", "open_to_air", "saturated", "sampling", "cuff", "gap", "not_pulsatile")
_LEAST_EXPLAINED = 0.8
# Ours. White noise has a ratio of 1; by the chi-square distribution one recording of 5 s in ten million
# reaches 10 by chance. A bypass drifting by 1 mmHg within a minute reaches some hundred.
_LEAST_SLOW = 10.0


def refuse_pulseless(
    reading: Reading, pressure: NDArray[np.floating[Any]], fs: float, scale: Sequence[Mapping[str, Any]] = ()
) -> None:
    """
    Refuse a channel without a pulse, unless it shows what was there instead.

    Parameters
    ----------
    reading : Reading
        Beats and spans.
    pressure : ndarray, shape (n_samples,)
        The wave, NaN where missing [mmHg].
    fs : float
        Sampling rate [Hz].
    scale : sequence of mapping
        Its calibrations; codes without one, and without a pulse, are not known to be a pressure.

    Raises
    ------
    InputError
        If the wave is upside down, constant, or noise, or holds swings of which none can be believed.

    Notes
    -----
    An open tap, a blood sample, a bypass or a stopped heart is worth a table of spans. Rows upon rows of
    nothing made from noise would only look like a result: a stretch without a pulse is a pressure only if it
    moves more slowly than noise would, by the variance of means over 1 s beside that of the samples.
    """
    if reading.record_facts & mask("inverted"):
        raise InputError(
            "the wave is upside down: it falls faster than it rises; look at the sign of its gain"
        )
    believed = int(np.count_nonzero(reading.facts & mask("low_quality") == 0))
    if believed >= LEAST_BELIEVED:
        return
    known = pressure[np.isfinite(pressure)]
    if np.ptp(known) == 0:
        raise InputError(f"no arterial pulse was found (it is constant at {float(known[0]):g} mmHg)")
    calibrated = not scale or any(run["calibrated"] for run in scale)
    if not (calibrated and _explained(reading, pressure.size) and _a_pressure(reading, pressure, fs)):
        seen = f"{reading.onset.size} swings looked like one and {believed} could be believed"
        raise InputError(f"no arterial pulse was found ({seen}{_mostly(reading, pressure.size)})")


def _mostly(reading: Reading, size: int) -> str:
    """What most of the recording is marked as, for the error text."""
    found = {kind: reading.spans.of(kind) for kind in KINDS}
    share = {kind: float(np.sum(spans.stop - spans.start)) / size for kind, spans in found.items()}
    most = max(KINDS, key=lambda kind: share[kind])
    if not share[most]:
        return ""
    return f"; {100 * share[most]:.0f} % of the time is marked as {most.replace('_', ' ')}"


def _explained(reading: Reading, size: int) -> bool:
    """Whether spans that say what was there cover most of the recording."""
    inside = np.zeros(size + 1, dtype=np.int64)
    spans = reading.spans.of(*_EXPLAINED)
    np.add.at(inside, spans.start, 1)
    np.add.at(inside, spans.stop, -1)
    return float(np.mean(np.cumsum(inside)[:-1] > 0)) >= _LEAST_EXPLAINED


def _a_pressure(reading: Reading, pressure: NDArray[np.floating[Any]], fs: float) -> bool:
    """Whether the line was seen being handled, or the level moves as noise does not."""
    handled = [kind for kind in KINDS if kind in _EXPLAINED and kind not in ("gap", "not_pulsatile")]
    if reading.spans.of(*handled).start.size:
        return True
    block = round(fs)
    rows = pressure[: pressure.size // block * block].reshape(-1, block).astype(np.float64)
    rows = rows[np.isfinite(rows).all(axis=1)]
    if rows.shape[0] < LEAST_BELIEVED:
        return False
    return bool(rows.mean(axis=1).var(ddof=1) >= _LEAST_SLOW * rows.var() / block)
