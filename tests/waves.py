"""Invented pressure waves whose numbers are known, and recordings of them."""

from typing import Any

import numpy as np
import xarray as xr
from numpy.typing import NDArray

from hemoidx import Context
from hemoidx.indices import Catalogue
from hemoidx.indices.level import Breathing, Level, Source
from hemoidx.indices.levels import beat_level, breath_level, record_level, window_level
from hemoidx.line.chain import NO_ZEROS, Chain
from hemoidx.recordings import Axis, time_coordinate

Float = NDArray[np.float64]
LANDMARKS = ("onset", "steepest", "peak", "notch", "end")


def pulses(fs: float, seconds: float, period: float = 0.8, low: float = 80.0, pulse: float = 40.0) -> Float:
    """Smooth pulses with a dicrotic wave, from `low` to `low + pulse` mmHg."""
    phase = np.arange(int(fs * seconds)) / fs % period
    wave = np.zeros(phase.size)
    for lag in (phase, phase + period):
        for at, width, height in ((0.13, 0.06, 1.0), (0.27, 0.10, 0.55), (0.50, 0.09, 0.25)):
            wave += height * np.exp(-(((lag - at) / width) ** 2))
    wave -= wave.min()
    return low + pulse * wave / wave.max()


def recording(wave: Float, fs: float, first: int = 0, calibrated: bool = True, **attrs: Any) -> xr.Dataset:
    """Recording with one arterial channel."""
    run = {"start": first, "stop": first + wave.size, "step": None, "calibrated": calibrated}
    rec = xr.Dataset().assign_coords(time_coordinate(Axis(first, 1, fs, wave.size)))
    channel = {
        "units": "mmHg",
        "fs": fs,
        "role": "arterial_pressure",
        "calibrated": calibrated,
        "scale": [run],
    }
    rec["ABP"] = ("time", wave, channel)
    rec.attrs = {"record_id": "invented", "source": "", "provenance": {"notices": [], "files": []}, **attrs}
    return rec


def unknown_chain(onset: Float, fs: float) -> Chain:
    """A measuring chain of which nothing is known."""
    columns = {name: np.full(onset.size, np.nan) for name in ("offset", "offset_se", "gain_se")}
    facts = np.zeros(onset.size, dtype=np.int64)
    return Chain((), (), (), NO_ZEROS, None, None, (), np.nan, False, facts, 0, columns, onset, fs)


def ramps(n_beats: int = 40, fs: float = 100.0, period: float = 1.0) -> Source:
    """Beats that climb from 80 to 120 mmHg in a straight line and fall at once, all landmarks known."""
    samples = int(period * fs)
    wave = np.tile(80.0 + 40.0 * np.arange(samples) / samples, n_beats + 1)
    onset = np.arange(n_beats, dtype=np.float64) * samples
    marks = {
        "onset": onset,
        "steepest": onset + 0.3 * samples,
        "peak": onset + 0.9 * samples,
        "notch": onset + 0.5 * samples,
        "end": onset + samples,
    }
    return Source(
        pressure=wave,
        fs=fs,
        seconds=lambda position: np.asarray(position) / fs,
        landmarks=marks,
        quality=np.ones(n_beats),
        facts=np.zeros(n_beats, dtype=np.int64),
        context=Context().over,
        chain=unknown_chain(onset, fs),
        step=np.full(n_beats, np.nan),
    )


def regular_breaths(length_s: float, n: int, start_s: float = 0.0) -> Breathing:
    """Breaths of one length, one after the other; inspiration takes a third."""
    start = start_s + length_s * np.arange(n)
    return Breathing(
        start, start + length_s, start + length_s / 3.0, lambda a, b: np.zeros(np.shape(a), dtype=np.int64)
    )


def all_levels(
    catalogue: Catalogue, source: Source, breathing: Breathing | None = None, record_facts: int = 0
) -> tuple[Level, Level, Level, Level]:
    """Beats, breaths, windows and the summary of a source."""
    breathing = Breathing.none() if breathing is None else breathing
    beats = beat_level(catalogue, source)
    breaths = breath_level(catalogue, source, beats, breathing)
    windows = window_level(catalogue, source, beats, breaths, breathing)
    below = (beats, breaths, windows)
    return *below, record_level(catalogue, source, below, breathing, record_facts, {"flush": 0.0})
