"""From a scenario to samples and truth: heart, arteries, line, events, recorder."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from hemoidx.simulate.arteries import TUBE_DAMPING, site_wave
from hemoidx.simulate.breathing import (
    breath_wave,
    breathing_channel,
    breaths_of,
    breaths_table,
    vasomotor_wave,
)
from hemoidx.simulate.faults import Wave, apply_events, saturation_rise, spans_table
from hemoidx.simulate.heart import BeatTrain, beat_train
from hemoidx.simulate.lines import line_of
from hemoidx.simulate.recorder import fine_rate, record, scale_of
from hemoidx.simulate.scenario import Scenario
from hemoidx.simulate.truth import CLEAR_MARGIN_S, Truth, beats_table, landmarks, usual_pulse

if TYPE_CHECKING:
    import xarray as xr

    from hemoidx.recordings import Channel

FloatArray = NDArray[np.float64]

# Run-in before the recording [s], so that windkessel and line have forgotten how they began.
_RUN_IN_S = 12.0
_RUN_OUT_S = 4.0


@dataclass(frozen=True, slots=True)
class Simulated:
    """A simulated recording, its truth, and the scenario behind it."""

    recording: xr.Dataset
    truth: Truth
    scenario: Scenario


def _slow_change(scenario: Scenario, t: FloatArray, rng: np.random.Generator) -> FloatArray:
    """Slow waves of pressure: minutes, half minutes, and the ten-second waves of vessel tone [mmHg]."""
    out = np.zeros_like(t)
    for period, share in ((170.0, 0.6), (61.0, 0.3), (10.5, 0.2)):
        out += share * np.sin(2 * np.pi * (t / (period * rng.uniform(0.85, 1.15)) + rng.uniform()))
    return scenario.drift * out


def _patient_rng(scenario: Scenario) -> np.random.Generator:
    return np.random.default_rng([scenario.seed, 1])


def breath_phase_of(scenario: Scenario) -> float:
    """Place of time 0 in its breath [breaths]: the first number that the patient's seed gives."""
    return float(_patient_rng(scenario).uniform())


def _patient(scenario: Scenario) -> tuple[FloatArray, float, BeatTrain]:
    """Pressure behind the line without events, at the wanted level and pulse; its rate; its beats."""
    rng = _patient_rng(scenario)
    fs = fine_rate(scenario.fs)
    run_out = max(_RUN_OUT_S, 3 * 60.0 / scenario.rate)
    t = np.arange(int((_RUN_IN_S + scenario.duration_s + run_out) * fs)) / fs - _RUN_IN_S
    breath_phase = float(rng.uniform())
    train = beat_train(scenario, rng, -_RUN_IN_S, scenario.duration_s + run_out, breath_phase)
    artery = site_wave(scenario, train, t, fs)
    unit = line_of(scenario).through(artery, fs)
    at_recorder = scenario.meant_at == "recorder"
    delay = wave_delay(scenario) if at_recorder else arterial_delay(scenario)
    marks = landmarks(unit if at_recorder else artery, fs, -_RUN_IN_S, train, delay)
    settled = slice(int(_RUN_IN_S * fs), None)
    factor = scenario.pulse_pressure / usual_pulse(marks, train)
    level = scenario.breath_level * breath_wave(scenario, t, breath_phase) + _slow_change(scenario, t, rng)
    if scenario.vasomotor:
        level += scenario.vasomotor * vasomotor_wave(scenario, t)
    level += scenario.mean_pressure - factor * float(unit[settled].mean()) - float(level[settled].mean())
    level += saturation_rise(scenario, t)
    return factor * unit + level, fs, train


def wave_delay(scenario: Scenario) -> float:
    """Delay of slow waves in the arteries and the line [s]."""
    return arterial_delay(scenario) + line_of(scenario).delay_s


def arterial_delay(scenario: Scenario) -> float:
    """Delay of slow waves in the arteries [s]."""
    return float(2 * TUBE_DAMPING / (2 * np.pi * scenario.tube_hz))


def simulate_arrays(
    scenario: Scenario,
) -> tuple[NDArray[np.float32], float, list[dict[str, Any]], Truth]:
    """
    Simulate a recording without the labelled container.

    Parameters
    ----------
    scenario : Scenario
        All parameters, the seed among them.

    Returns
    -------
    pressure : ndarray of float32
        Samples as the recorder wrote them; NaN in gaps [mmHg].
    fs : float
        Sampling rate [Hz].
    scale : list of dict
        Gain, baseline, step and rails of the codes.
    truth : Truth
        Beats and events, measured on the noise-free pressure at the recorder's input.
    """
    patient, fs, train = _patient(scenario)
    wave = Wave(scenario, fs, -_RUN_IN_S, patient, patient.copy(), np.ones(patient.size))
    apply_events(wave)
    truth = _truth(wave, train)
    samples = record(wave, np.random.default_rng([scenario.seed, 2]))
    return samples, scenario.fs, scale_of(scenario, samples.size), truth


def simulate(scenario: Scenario) -> Simulated:
    """
    Simulate a recording.

    Parameters
    ----------
    scenario : Scenario
        All parameters, the seed among them.

    Returns
    -------
    Simulated
        `recording` has the channel ABP, and RESP or CO2 where the scenario asks for them, in the shape of
        `hemoidx.load`; it says in its comments that it is invented. `truth` holds its beats, breaths and
        events.

    Examples
    --------
    >>> from hemoidx.simulate import Scenario, simulate
    >>> sim = simulate(Scenario(duration_s=20, rate=60, seed=1))
    >>> sim.recording["ABP"].size, len(sim.truth.beats)
    (2500, 19)
    """
    from hemoidx.recordings import Channel, Origin, build

    pressure, fs, scale, truth = simulate_arrays(scenario)
    source = f"simulated, seed {scenario.seed}"
    channel = Channel("ABP", pressure, fs, "time", "arterial_pressure", "mmHg", source, scale)
    origin = Origin(
        record_id=scenario.name,
        source=source,
        fs=fs,
        segments=[{"name": scenario.name, "start": 0, "stop": pressure.size}],
        comments=comments_of(scenario),
    )
    recording = build([channel, *_breathing_channels(scenario, source)], origin)
    recording.attrs["provenance"]["steps"][0]["step"] = "simulate"
    return Simulated(recording, truth, scenario)


_CHANNELS = {"respiration": ("RESP", "ohm", 1.0 / 200.0), "co2": ("CO2", "mmHg", 1.0 / 4.0)}


def _breathing_channels(scenario: Scenario, source: str) -> list[Channel]:
    """Channels of breathing that the scenario asks for, at their own rate."""
    from hemoidx.recordings import Channel

    fs = scenario.breath_fs
    size = round(scenario.duration_s * fs)
    dim = "time" if fs == scenario.fs else f"time_{fs:g}hz"
    out = []
    for kind in scenario.breath_channels:
        name, unit, step = _CHANNELS[kind]
        values = breathing_channel(kind, scenario, breath_phase_of(scenario), size)
        run = {
            "start": 0, "stop": size, "gain": 1.0 / step, "baseline": 0, "units_in": unit, "step": step,
            "rail_low": None, "rail_high": None, "calibrated": True,
        }  # fmt: skip
        out.append(Channel(name, values, fs, dim, kind, unit, source, [run]))
    return out


def comments_of(scenario: Scenario) -> list[str]:
    """Comment lines of a simulated recording; the first says that no patient stands behind it."""
    lines = [f"invented: simulated arterial pressure of no patient, seed {scenario.seed}"]
    if scenario.note:
        lines.append(scenario.note)
    return lines


def _truth(wave: Wave, train: BeatTrain) -> Truth:
    """Measure the beats where nothing touches them; elsewhere as they would have been without the event."""
    scenario = wave.scenario
    core, touch = np.zeros((2, wave.pressure.size), dtype=bool)
    for start, end, kind, before, after in wave.spans:
        touch[wave.sample(before) : wave.sample(after) + 1] = True
        if kind not in ("motion", "saturated"):
            core[wave.sample(start) : wave.sample(end) + 1] = True
    pressure = np.where(touch, wave.patient, wave.pressure)
    marks = landmarks(pressure, wave.fs, wave.first_s, train, wave_delay(scenario))
    last = np.where(np.isfinite(marks.end), marks.end, marks.onset)
    peak = np.where(np.isfinite(marks.peak), marks.peak, marks.onset)
    lost = _hit(core, wave, marks.onset, peak)
    touched = _hit(touch, wave, marks.onset - CLEAR_MARGIN_S, last + CLEAR_MARGIN_S)
    # What sinks in noise and steps is nobody's to find.
    faint = max(4 * scenario.noise, 2 * scenario.step)
    beats = beats_table(marks, train, scenario.duration_s, lost, touched, faint)
    breaths = breaths_of(scenario, breath_phase_of(scenario))
    return Truth(beats, spans_table(wave), breaths_table(breaths, scenario.duration_s, beats))


def _hit(mask: NDArray[np.bool_], wave: Wave, start: FloatArray, stop: FloatArray) -> NDArray[np.bool_]:
    """Whether any sample of a mask is set between two times."""
    count = np.concatenate(([0], np.cumsum(mask)))
    i0 = np.clip(np.floor((start - wave.first_s) * wave.fs), 0, mask.size).astype(np.int64)
    i1 = np.clip(np.ceil((stop - wave.first_s) * wave.fs) + 1, 0, mask.size).astype(np.int64)
    return np.asarray(count[i1] > count[i0])
