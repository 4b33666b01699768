"""The recorder: anti-alias filter, sampling, noise, steps, rails and gaps."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from hemoidx.simulate.faults import Wave
from hemoidx.simulate.scenario import Scenario

FloatArray = NDArray[np.float64]

# Corner of the anti-alias filter as a share of the sampling rate, and its order.
_CORNER = 0.4
_ORDER = 4


def fine_rate(fs: float) -> float:
    """Rate of the internal grid [Hz]."""
    return 1000.0 if fs <= 500 else 2000.0


def rails(scenario: Scenario) -> tuple[int, int, int]:
    """
    Baseline, lowest and highest code.

    Codes are centred on zero, as a converter of just enough bits gives them: 256 codes run from -128 to 127.
    """
    low, high = round(scenario.rail_low * scenario.gain), round(scenario.rail_high * scenario.gain)
    baseline = -((high - low + 1) // 2) - low
    return baseline, low + baseline, high + baseline


def resolution(scenario: Scenario) -> int:
    """Bits of the smallest converter that gives these codes, at least 8."""
    _, low, high = rails(scenario)
    return max(8, (high - low).bit_length())


def scale_of(scenario: Scenario, size: int) -> list[dict[str, Any]]:
    """Describe the codes, as the contract of a recording asks."""
    baseline, low, high = rails(scenario)
    gain = scenario.gain
    return [
        {
            "start": 0,
            "stop": size,
            "gain": gain,
            "baseline": baseline,
            "units_in": "mmHg",
            "step": 1.0 / gain,
            "rail_low": (low - baseline) / gain,
            "rail_high": (high - baseline) / gain,
            "calibrated": True,
        }
    ]


def record(wave: Wave, rng: np.random.Generator) -> NDArray[np.float32]:
    """
    Write samples as the recorder does [mmHg].

    The filter's delay at low frequency is taken out, as in a recorder that aligns its channels: sample i
    stands for the time i / fs.
    """
    from scipy import signal

    scenario = wave.scenario
    fs = scenario.fs
    corner = min(_CORNER * fs, 0.45 * wave.fs)
    sos = signal.butter(_ORDER, corner, fs=wave.fs, output="sos")
    zi = signal.sosfilt_zi(sos) * wave.pressure[0]
    filtered, _ = signal.sosfilt(sos, wave.pressure, zi=zi)
    delay = 2.6131 / (2 * np.pi * corner)
    size = round(scenario.duration_s * fs)
    t = np.arange(size) / fs
    grid = (t + delay - wave.first_s) * wave.fs
    fine = np.arange(wave.pressure.size, dtype=np.float64)
    value = np.interp(grid, fine, filtered)
    quiet = wave.quiet[np.clip(((t - wave.first_s) * wave.fs).astype(np.int64), 0, wave.quiet.size - 1)]
    value += scenario.noise * quiet * _noise(rng, size, fs)
    baseline, low, high = rails(scenario)
    code = np.clip(np.round(value * scenario.gain) + baseline, low, high)
    out = ((code - baseline) / scenario.gain).astype(np.float32)
    for start, stop in wave.gaps:
        out[int(np.ceil(start * fs)) : int(np.ceil(stop * fs))] = np.nan
    return np.asarray(out, dtype=np.float32)


def _noise(rng: np.random.Generator, size: int, fs: float) -> FloatArray:
    """Noise of standard deviation one: two thirds of its power white, one third slow (below about 3 Hz)."""
    from scipy import signal

    white = rng.normal(0.0, 1.0, size)
    keep = np.exp(-2 * np.pi * 3.0 / fs)
    slow = signal.lfilter([np.sqrt(1 - keep * keep)], [1.0, -keep], rng.normal(0.0, 1.0, size))
    return np.asarray(np.sqrt(2 / 3) * white + np.sqrt(1 / 3) * slow, dtype=np.float64)
