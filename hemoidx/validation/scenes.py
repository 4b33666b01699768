"""
Scenes of the league tables: simulated circulations before and after a change, and recordings of them.

The arteries are a distributed tree (`hemoidx.simulate.tree`) that no estimator inverts. Sizes of all changes
are ours, not measured in patients. A scene changes the circulation, what records it, or both: before the
change the recording is clean.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from hemoidx.indices.respiratory.swings import relative_swing
from hemoidx.line.response import through
from hemoidx.simulate.tree import Circulation, pressures

if TYPE_CHECKING:
    import xarray as xr

    from hemoidx.analysis import Analysis

Float = NDArray[np.float64]
Change = Callable[[Circulation], Circulation]

FS = 125.0
#: Length of a breath of `hemoidx.simulate.tree` [s].
_BREATH_S = 4.1


@dataclass(frozen=True)
class Recorder:
    """
    What lies between artery and file.

    Attributes
    ----------
    line_hz, line_damping : float, optional
        Natural frequency [Hz] and damping ratio of the line; none changes nothing.
    noise : float
        Standard deviation of the noise [mmHg].
    bursts : bool
        Whether every 20 s or so the line is shaken for 2 to 6 s, and every two minutes flushed.
    """

    line_hz: float | None = None
    line_damping: float = 0.6
    noise: float = 0.3
    bursts: bool = False

    def recorded(self, wave: Float, rng: np.random.Generator) -> Float:
        """Pressure as this recorder writes it [mmHg]."""
        if self.line_hz is not None:
            wave = through(wave, self.line_hz, self.line_damping, FS)
        wave = wave + rng.normal(0.0, self.noise, wave.size)
        return self._disturbed(wave, rng) if self.bursts else wave

    def _disturbed(self, wave: Float, rng: np.random.Generator) -> Float:
        seconds = wave.size / FS
        shaken = np.zeros(wave.size)
        t = np.arange(wave.size) / FS
        for start in np.arange(8.0, seconds - 8.0, 20.0):
            begin, lasts = start + rng.uniform(0.0, 8.0), rng.uniform(2.0, 6.0)
            inside = (t >= begin) & (t < begin + lasts)
            swing = sum(
                rng.normal(0.0, 14.0) * np.sin(2.0 * np.pi * (hz * t[inside] + rng.uniform()))
                for hz in rng.uniform(0.5, 6.0, 6)
            )
            shaken[inside] += swing
        wave = wave + shaken
        for start in np.arange(40.0, seconds - 5.0, 120.0):
            wave = np.where((t >= start) & (t < start + 1.5), 290.0, wave)
        return wave


@dataclass(frozen=True)
class Scene:
    """
    A change, and what records its end.

    Attributes
    ----------
    group : str
        Preload, afterload, contractility, rate, damping, noise or rhythm.
    change : callable
        Circulation after the change.
    recorder : Recorder
        After the change.
    """

    group: str
    change: Change
    recorder: Recorder = Recorder()


def _less(state: Circulation) -> Circulation:
    return replace(state, stroke_ml=0.55 * state.stroke_ml, breath_swing=2.0 * state.breath_swing)


def _more(state: Circulation) -> Circulation:
    return replace(state, stroke_ml=1.25 * state.stroke_ml, breath_swing=0.5 * state.breath_swing)


def _bleeding(state: Circulation) -> Circulation:
    return replace(
        state,
        stroke_ml=0.55 * state.stroke_ml,
        rate=1.3 * state.rate,
        resistance=1.3 * state.resistance,
        tone=1.25 * state.tone,
        ejection=0.92 * state.ejection,
        breath_swing=2.0 * state.breath_swing,
    )


def _constriction(state: Circulation) -> Circulation:
    return replace(
        state,
        stroke_ml=0.93 * state.stroke_ml,
        resistance=1.6 * state.resistance,
        tone=1.4 * state.tone,
        small_compliance=0.8 * state.small_compliance,
    )


def _dilation(state: Circulation) -> Circulation:
    return replace(
        state,
        stroke_ml=1.12 * state.stroke_ml,
        resistance=0.6 * state.resistance,
        tone=0.75 * state.tone,
        small_compliance=1.2 * state.small_compliance,
        rate=1.1 * state.rate,
    )


def _contractility(state: Circulation) -> Circulation:
    return replace(
        state, stroke_ml=1.2 * state.stroke_ml, upstroke=0.75 * state.upstroke, ejection=0.9 * state.ejection
    )


def _rate(state: Circulation) -> Circulation:
    return replace(state, stroke_ml=0.75 * state.stroke_ml, rate=1.45 * state.rate)


def _irregular(state: Circulation) -> Circulation:
    return replace(_bleeding(state), variability=0.2)


SCENES: dict[str, Scene] = {
    "preload fall, tone kept": Scene("preload", _less),
    "preload fall with reflexes": Scene("preload", _bleeding),
    "preload rise": Scene("preload", _more),
    "vasoconstriction": Scene("afterload", _constriction),
    "vasodilation": Scene("afterload", _dilation),
    "contractility": Scene("contractility", _contractility),
    "heart rate": Scene("rate", _rate),
    "preload fall, line damped": Scene("damping", _bleeding, Recorder(5.0, 1.0)),
    "preload fall, line rings": Scene("damping", _bleeding, Recorder(10.0, 0.12)),
    "preload fall, noise of 2 mmHg": Scene("noise", _bleeding, Recorder(noise=2.0)),
    "preload fall, shaken and flushed": Scene("noise", _bleeding, Recorder(bursts=True)),
    "preload fall, irregular intervals": Scene("rhythm", _irregular),
}


def patient(rng: np.random.Generator) -> Circulation:
    """Draw a circulation at rest; ranges are ours, around a usual adult."""
    return Circulation(
        stroke_ml=rng.uniform(55, 90),
        rate=rng.uniform(58, 82),
        resistance=rng.uniform(0.75, 1.05),
        small_compliance=rng.uniform(0.2, 0.5),
        closing=rng.uniform(10, 30),
        stiffness=rng.uniform(0.7, 1.8),
        tone=rng.uniform(0.8, 1.2),
        upstroke=rng.uniform(0.9, 1.1),
        size=rng.uniform(0.9, 1.1),
        breath_swing=rng.uniform(0.05, 0.15),
        variability=rng.uniform(0.01, 0.03),
    )


def as_recording(wave: Float) -> xr.Dataset:
    """Put a pressure at `FS` into a recording with one arterial channel."""
    import xarray as xr

    from hemoidx.recordings import Axis, time_coordinate

    run = {"start": 0, "stop": wave.size, "step": None, "calibrated": True}
    rec = xr.Dataset().assign_coords(time_coordinate(Axis(0, 1, FS, wave.size)))
    rec["ABP"] = (
        "time",
        wave,
        {"units": "mmHg", "fs": FS, "role": "arterial_pressure", "calibrated": True, "scale": [run]},
    )
    rec.attrs = {"record_id": "simulated", "source": "", "provenance": {"notices": [], "files": []}}
    return rec


@dataclass(frozen=True)
class Measured:
    """An analysis, and the truth: mean stroke volume [mL] and its swing over a breath [%]."""

    analysis: Analysis
    stroke_ml: float
    swing_percent: float


def measured(
    state: Circulation,
    recorder: Recorder,
    seconds: float,
    rng: np.random.Generator,
    site: str = "radial",
) -> Measured:
    """
    Analyse the recording of a steady state.

    Parameters
    ----------
    state : Circulation
        Heart and arteries.
    recorder : Recorder
        What records them.
    seconds : float
        Length [s].
    rng : numpy.random.Generator
        Where chance comes from.
    site : str
        "radial" or "root".

    Returns
    -------
    Measured
        The analysis, by the default catalogue, and the truth.
    """
    from hemoidx.analysis import analyse

    beats = pressures(state, seconds, FS, rng)
    wave = recorder.recorded(getattr(beats, site), rng)
    context = {"age_years": 60, "breathing": "controlled_no_effort"}
    found = analyse(as_recording(wave), context=context, progress=False)
    stroke = beats.train.stroke
    breath = (beats.train.start // _BREATH_S).astype(np.int64)
    # The first and the last one may be cut.
    swing = relative_swing(stroke, breath, int(breath.max()) + 1)[1:-1]
    return Measured(found, float(stroke.mean()), float(np.nanmean(swing)))
