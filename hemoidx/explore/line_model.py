"""One patient behind one line, worked out quickly: true and recorded pressure, and a flush."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from ..indices.rules import ERROR_CAUTION, ERROR_REJECTED
from ..line.adequacy import errors_of_lines
from ..line.level import column_pressure
from ..line.physics import PhysicalLine, lumped
from ..line.response import free_response, through
from ..line.typical import TypicalBeat, typical_beat

if TYPE_CHECKING:
    import pandas as pd

Float = NDArray[np.float64]

#: What a patient is made of.
PATIENT: dict[str, Any] = {"rate": 75.0, "mean_pressure": 85.0, "pulse_pressure": 50.0, "upstroke": 1.0}
#: What a line is made of, and what is done to its zero, level and gain.
LINE: dict[str, Any] = {
    "tubing_cm": 120.0,
    "bore_mm": 1.5,
    "wall": 0.012,
    "bubble_ml": 0.0,
    "narrow": 0.0,
    "above_cm": 0.0,
    "zero_mmhg": 0.0,
    "gain": 1.0,
    "fs": 250.0,
}
SHOWN_S = 4.0
BAG_MMHG = 300.0
_FINE_HZ = 500.0
_BEFORE_S, _AFTER_S = 0.25, 0.85
_RUN_IN_S = 4.0


@dataclass(frozen=True)
class Patient:
    """Pressure in the artery: times [s], pressure [mmHg], and its typical beat."""

    time: Float
    pressure: Float
    beat: TypicalBeat


@lru_cache(maxsize=32)
def patient(rate: float, mean_pressure: float, pulse_pressure: float, upstroke: float) -> Patient:
    """
    Make a patient in a steady rhythm.

    Parameters
    ----------
    rate : float
        Heart rate [1/min].
    mean_pressure, pulse_pressure : float
        [mmHg].
    upstroke : float
        How fast pressure rises, 1 for usual.

    Returns
    -------
    Patient
        Invented; as the simulator makes it, behind a line that changes nothing.
    """
    from ..simulate import Scenario, simulate

    made = simulate(
        Scenario(
            name="bench", duration_s=_RUN_IN_S + SHOWN_S + 8.0, fs=_FINE_HZ, rate=rate, rate_variability=0.0,
            sinus_arrhythmia=0.0, mean_pressure=mean_pressure, pulse_pressure=pulse_pressure,
            upstroke=upstroke,
            drift=0.0, breath_pulse=0.0, breath_level=0.0, noise=0.0, step=0.01, line_hz=80.0,
            line_damping=0.7, meant_at="artery", seed=1,
        )
    )  # fmt: skip
    pressure = np.asarray(made.recording["ABP"].to_numpy(), dtype=np.float64)
    beats = made.truth.beats
    whole = beats[np.isfinite(beats["end_s"]) & (beats["onset_s"] > 1.0)]
    marks = (whole[name].to_numpy(dtype=np.float64) * _FINE_HZ for name in ("onset_s", "steepest_s", "end_s"))
    return Patient(np.arange(pressure.size) / _FINE_HZ, pressure, typical_beat(pressure, _FINE_HZ, *marks))


def physical(state: Mapping[str, Any]) -> PhysicalLine:
    """The line that a state describes."""
    return PhysicalLine(
        tubing_length_cm=state["tubing_cm"],
        tubing_bore_mm=state["bore_mm"],
        wall_compliance_mm3_per_mmhg_m=state["wall"],
        bubble_volume_ml=state["bubble_ml"],
        constriction_mmhg_s_per_ml=state["narrow"],
        pressure_mmhg=state["mean_pressure"],
    )


@dataclass(frozen=True)
class Seen:
    """
    What a line makes of a patient.

    Attributes
    ----------
    hz, damping : float
        Natural frequency [Hz] and damping ratio of the line's lowest mode.
    static : float
        What level and zero add to every pressure [mmHg].
    time, true, recorded : ndarray, shape (n,)
        Times [s], pressure in the artery and as it is recorded [mmHg].
    flush_s, flush : ndarray, shape (m,)
        Times from the release of a flush [s] and what is recorded then [mmHg].
    numbers : dict of str to (float, float)
        True and recorded value of systolic, diastolic, mean and pulse pressure [mmHg] and of the steepest
        rise [mmHg/s].
    """

    hz: float
    damping: float
    static: float
    time: Float
    true: Float
    recorded: Float
    flush_s: Float
    flush: Float
    numbers: dict[str, tuple[float, float]]


def seen(state: Mapping[str, Any]) -> Seen:
    """
    Work out what is recorded, once for each state.

    Parameters
    ----------
    state : mapping
        Values of `PATIENT` and `LINE`.

    Returns
    -------
    Seen
        The line is lumped to its lowest mode (`hemoidx.line.lumped`): a teaching line of second order.
    """
    return _seen(tuple((key, float(state[key])) for key in (*PATIENT, *LINE)))


@lru_cache(maxsize=16)
def _seen(values: tuple[tuple[str, float], ...]) -> Seen:
    state = dict(values)
    who = patient(*(state[key] for key in PATIENT))
    mode = lumped(physical(state))
    hz, damping = mode.natural_frequency_hz, mode.damping_ratio
    gain = float(state["gain"])
    # A transducer above the reference reads low by the column of fluid between.
    static = float(state["zero_mmhg"]) - gain * float(column_pressure(float(state["above_cm"])))
    behind = gain * through(who.pressure, hz, damping, _FINE_HZ) + static
    every = max(1, round(_FINE_HZ / float(state["fs"])))
    shown = slice(round(_RUN_IN_S * _FINE_HZ), round((_RUN_IN_S + SHOWN_S) * _FINE_HZ), every)
    t = np.arange(-_BEFORE_S, _AFTER_S, every / _FINE_HZ)
    offset = BAG_MMHG - float(state["mean_pressure"])
    after = np.where(t < 0, offset, free_response(np.maximum(t, 0.0), hz, damping, offset, 0.0))
    flush = np.minimum(gain * (float(state["mean_pressure"]) + after) + static, BAG_MMHG + 10.0)
    return Seen(
        hz, damping, static, who.time[shown] - _RUN_IN_S, who.pressure[shown], behind[shown], t, flush,
        _numbers(who.beat, hz, damping, gain, static),
    )  # fmt: skip


def _numbers(
    beat: TypicalBeat, hz: float, damping: float, gain: float, static: float
) -> dict[str, tuple[float, float]]:
    """True and recorded numbers of the typical beat: what the line does by the engine of the analysis."""
    from ..line.typical import QUANTITIES, numbers_of

    error, true = errors_of_lines(beat, hz, damping), numbers_of(beat)
    found = {}
    for name in QUANTITIES:
        shift = 0.0 if name in ("pp", "dpdt_max") else static
        found[name] = (true[name], gain * (true[name] + float(np.ravel(error[name])[0])) + shift)
    return found


def verdict(error: float) -> str:
    """What the analysis makes of an error [mmHg]: our convention."""
    if abs(error) > ERROR_REJECTED:
        return "rejected"
    return "caution" if abs(error) >= ERROR_CAUTION else "accepted"


def named(found: Seen, gain: float) -> str:
    """
    The trade's words for what the dynamic response does to this very pulse, by our convention of 2 mmHg.

    Natural frequency and damping alone decide nothing: the same line may do for a slow pulse and ring in a
    fast one.
    """
    true, recorded = found.numbers["sbp"]
    dynamic = (recorded - found.static) / gain - true
    if dynamic >= ERROR_CAUTION:
        return "underdamped for this pulse"
    return "overdamped for this pulse" if dynamic <= -ERROR_CAUTION else "good enough for this pulse"


def measured(state: Mapping[str, Any], seed: int = 0) -> pd.DataFrame:
    """
    Measure the flush of a line as the analysis does.

    Parameters
    ----------
    state : mapping
        Values of `PATIENT` and `LINE`.
    seed : int
        Of the noise and the pulse under the flush.

    Returns
    -------
    pandas.DataFrame
        The flush in a simulated recording of half a minute, with noise, as `Analysis.flushes` tells of it.
    """
    from ..analysis import analyse
    from ..simulate import Event, Scenario, simulate

    mode = lumped(physical(state))
    made = simulate(
        Scenario(
            name="bench", duration_s=30.0, fs=float(state["fs"]), rate=state["rate"],
            mean_pressure=state["mean_pressure"], pulse_pressure=state["pulse_pressure"],
            line_hz=mode.natural_frequency_hz, line_damping=mode.damping_ratio, breath_level=0.5, drift=0.5,
            noise=0.3, step=0.25, events=(Event("flush", 15.0, 1.4),), seed=seed,
        )
    )  # fmt: skip
    return analyse(made.recording, progress=False).flushes
