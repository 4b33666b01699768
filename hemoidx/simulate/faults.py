"""What happens to a line: flushes, opening, sampling, motion, cuffs, and where the truth of them lies."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from hemoidx.line.response import through
from hemoidx.simulate.lines import line_of
from hemoidx.simulate.scenario import Event, Scenario

if TYPE_CHECKING:
    import pandas as pd

FloatArray = NDArray[np.float64]

# Ringing smaller than this no longer counts as touching the pressure [mmHg].
_REST = 0.5
# The core of a fading event is where less than this share of the pulse is left.
_CORE_PULSE = 0.6


@dataclass(slots=True)
class Wave:
    """
    Pressure at the recorder's input while events are written into it.

    `patient` is the pressure behind the line without events, `pressure` the one with them, `quiet` the factor
    on the noise, all on the fine grid that starts at `first_s`. `gaps` are stretches without samples.
    """

    scenario: Scenario
    fs: float
    first_s: float
    patient: FloatArray
    pressure: FloatArray
    quiet: FloatArray
    gaps: list[tuple[float, float]] = field(default_factory=list)
    spans: list[tuple[float, float, str, float, float]] = field(default_factory=list)

    def sample(self, time_s: float) -> int:
        """Nearest fine sample of a time."""
        return int(np.clip(round((time_s - self.first_s) * self.fs), 1, self.patient.size - 2))

    def mark(self, kind: str, start: float, end: float, before: float = 0.0, after: float = 0.0) -> None:
        """Note an event and the stretch it touches."""
        last = self.scenario.duration_s
        if end > 0 and start < last:
            span = (max(start, 0.0), min(end, last), kind, max(start - before, 0.0), min(end + after, last))
            self.spans.append(span)


def _smooth(x: FloatArray) -> FloatArray:
    """Smooth step from 0 at x <= 0 to 1 at x >= 1."""
    x = np.clip(x, 0.0, 1.0)
    return x * x * (3.0 - 2.0 * x)


def _replace(wave: Wave, event: Event, level: FloatArray, opening_s: float) -> None:
    """
    Put a foreign pressure in place of the patient's, then let the line swing back.

    The transducer meets the foreign pressure at once (the tap is beside it), so it is written behind the
    line. Being linear, what follows the release is the patient's pressure plus what the line makes of the
    difference; one of second order starts from the foreign pressure at rest.
    """
    scenario = wave.scenario
    i0, i1 = wave.sample(event.start_s), wave.sample(event.start_s) + level.size
    t = np.arange(level.size) / wave.fs
    share = _smooth(t / opening_s)
    wave.pressure[i0:i1] = (1 - share) * wave.pressure[i0] + share * level
    if i1 >= wave.patient.size - 2:
        wave.mark(event.kind, event.start_s, scenario.duration_s)
        return
    offset = float(level[-1] - wave.patient[i1])
    drift = float((level[-1] - level[-2]) * wave.fs)
    slope = drift - float(wave.patient[i1 + 1] - wave.patient[i1 - 1]) * wave.fs / 2
    line = line_of(scenario)
    rest = line.rest_s(event.kind, offset, slope, _REST)
    tail = min(int((rest + 0.5) * wave.fs), wave.patient.size - i1)
    after = np.arange(tail) / wave.fs
    swing = line.release(event.kind, after, offset, slope)
    wave.pressure[i1 : i1 + tail] = wave.patient[i1 : i1 + tail] + swing
    wave.mark(event.kind, event.start_s, wave.first_s + i1 / wave.fs, after=rest)


def _length(wave: Wave, event: Event) -> int:
    """Count the samples of an event, cut at the end of the wave."""
    i0 = wave.sample(event.start_s)
    return max(min(int(event.duration_s * wave.fs), wave.patient.size - i0), 8)


def _flush(wave: Wave, event: Event, rng: np.random.Generator) -> None:
    """Bag pressure with a little sag and a trace of the patient's pulse; square release."""
    n = _length(wave, event)
    bag = event.level if event.level is not None else rng.uniform(275.0, 305.0)
    t = np.arange(n) / wave.fs
    i0 = wave.sample(event.start_s)
    own = wave.patient[i0 : i0 + n]
    level = bag - rng.uniform(0, 6) * _smooth(t / 1.5) + rng.uniform(0.01, 0.06) * (own - own.mean())
    wave.quiet[i0 : i0 + n] *= 0.5
    _replace(wave, event, level, rng.uniform(0.02, 0.07))


def _open_to_air(wave: Wave, event: Event, rng: np.random.Generator) -> None:
    """Atmosphere: offset of the transducer, often zeroed on the way; a splash at the opening."""
    n = _length(wave, event)
    offset = event.level if event.level is not None else float(np.clip(rng.normal(0, 2.5), -6, 7))
    t = np.arange(n) / wave.fs
    level = np.full(n, float(offset))
    if n > 4 * wave.fs:
        drawn = bool(rng.uniform() < 0.5)
        zeroed = drawn if event.zeroed is None else event.zeroed
    else:
        zeroed = False
    if zeroed:
        level[int(n * rng.uniform(0.3, 0.6)) :] = rng.uniform(-0.4, 0.4)
    splash = -rng.uniform(0, 90) * np.exp(-t / 0.05) * np.sin(2 * np.pi * 9 * t)
    i0 = wave.sample(event.start_s)
    wave.quiet[i0 : i0 + n] *= 0.15
    _replace(wave, event, level + splash, 0.012)


def _flat(wave: Wave, event: Event, rng: np.random.Generator) -> None:
    """One value held, as by a cable pulled out or a frozen channel."""
    n = _length(wave, event)
    held = event.level if event.level is not None else rng.uniform(25.0, 130.0)
    i0 = wave.sample(event.start_s)
    wave.quiet[i0 : i0 + n] = 0.0
    wave.pressure[i0 : i0 + n] = held
    wave.mark("flat", event.start_s, event.start_s + n / wave.fs)


def _sampling(wave: Wave, event: Event, rng: np.random.Generator) -> None:
    """Tap turned off to the patient: the pulse is gone, pressure creeps towards the bag."""
    n = _length(wave, event)
    i0 = wave.sample(event.start_s)
    t = np.arange(n) / wave.fs
    mean = wave.scenario.mean_pressure
    first = mean + wave.scenario.pulse_pressure * rng.uniform(-0.1, 0.7)
    last = event.level if event.level is not None else first + rng.uniform(15.0, 130.0)
    last = min(last, 265.0)
    length = n / wave.fs
    # A quick rise to a plateau, a creep that slows down, or a steady ramp.
    bend = length * rng.choice([0.06, 0.2, 0.5, 20.0])
    level = first + (last - first) * -np.expm1(-t / bend) / -np.expm1(-length / bend)
    # Turning taps and drawing back jolt the isolated piece of line.
    for at in rng.uniform(0.05, 0.95, int(rng.integers(0, 4))) * length:
        level += rng.normal(0, 8) * np.exp(-(((t - at) / rng.uniform(0.1, 0.4)) ** 2))
    level += 0.3 * np.sin(2 * np.pi * (rng.uniform(0.1, 0.4) * t + rng.uniform()))
    wave.quiet[i0 : i0 + n] *= 0.3
    _replace(wave, event, level, rng.uniform(0.05, 0.25))


def _motion(wave: Wave, event: Event, rng: np.random.Generator) -> None:
    """Jerks of the arm and whips of the tubing, sent through the line; part of the pulse is lost."""
    scenario = wave.scenario
    n = _length(wave, event)
    i0 = wave.sample(event.start_s)
    low = max(15.0, 0.5 * scenario.pulse_pressure)
    size = event.level if event.level is not None else rng.uniform(low, max(80.0, 1.2 * low))
    t = np.arange(n) / wave.fs
    edge = _smooth(t / 0.15) * _smooth((t[-1] - t) / 0.3)
    added = _whips(t, rng)
    push = np.zeros(n)
    for hz, weight in ((1.5, 0.45), (5.0, 0.4), (11.0, 0.3), (18.0, 0.15)):
        wild = through(rng.normal(0, 1, n), hz, 0.6, wave.fs)
        push += weight * wild / max(float(wild.std()), 1e-9)
    # Jerks come in bursts: about one a second, each under a second long, on a little unrest.
    centres = rng.uniform(0, t[-1], max(round(float(t[-1])), 1))
    widths = rng.uniform(0.25, 0.8, centres.size)
    bursts = np.exp(-(((t[:, None] - centres) / widths) ** 2)).sum(axis=1)
    added = edge * (added + push * (0.35 + np.minimum(bursts, 1.2)))
    added *= size / max(float(np.quantile(added, 0.98) - np.quantile(added, 0.02)), 1e-9)
    line = line_of(scenario)
    added = line.jerked(added, wave.fs)
    keep = 1 - edge * rng.uniform(0.1, 0.6)
    base = scenario.mean_pressure
    own = wave.pressure[i0 : i0 + n]
    wave.pressure[i0 : i0 + n] = base + keep * (own - base) + added
    rest = max(line.rest_s("motion", 10.0, 0.0, _REST), 0.3)
    wave.mark("motion", event.start_s, event.start_s + n / wave.fs, after=rest)


def _whips(t: FloatArray, rng: np.random.Generator) -> FloatArray:
    """Sudden shifts of the baseline that die away, about one in one and a half seconds."""
    at = rng.uniform(0, t[-1], max(round(float(t[-1]) / 1.5), 1))
    lag = np.maximum(t[:, None] - at, 0.0)
    height, fall = rng.normal(0, 1.2, at.size), rng.uniform(0.15, 0.7, at.size)
    return np.asarray((height * _smooth(lag / 0.05) * np.exp(-lag / fall)).sum(axis=1))


def _fade(wave: Wave, event: Event, left: FloatArray, level: FloatArray) -> None:
    """Leave a share of the pulse around a changed level; the core is where little of it is left."""
    i0 = wave.sample(event.start_s)
    stop = i0 + left.size
    base = wave.scenario.mean_pressure
    own = wave.pressure[i0:stop]
    wave.pressure[i0:stop] = level + left * (own - base)
    low = np.flatnonzero(left < _CORE_PULSE)
    start = event.start_s + low[0] / wave.fs
    end = event.start_s + (low[-1] + 1) / wave.fs
    wave.mark(
        event.kind,
        start,
        end,
        before=start - event.start_s,
        after=left.size / wave.fs - (end - event.start_s),
    )


def _cuff(wave: Wave, event: Event, rng: np.random.Generator) -> None:
    """Cuff on the same arm: pulse and level fade as it fills and come back as it empties."""
    n = _length(wave, event)
    t = np.arange(n) / wave.fs
    length = n / wave.fs
    fill = min(rng.uniform(3.0, 6.0), 0.25 * length)
    empty = min(rng.uniform(10.0, 25.0), 0.5 * length)
    closed = _smooth(t / fill) * (1 - _smooth((t - (length - empty)) / empty))
    left = np.clip(1 - 1.15 * closed, 0.015, 1.0)
    base = wave.scenario.mean_pressure
    plateau = event.level if event.level is not None else base * rng.uniform(0.25, 0.5)
    # The level lags behind: blood trapped below the cuff drains and fills slowly.
    lagged = through(closed, 0.12, 1.0, wave.fs) if length > 15 else closed
    lagged = lagged * _smooth((length - t) / 2.0)
    _fade(wave, event, left, base + (plateau - base) * lagged)


def _not_pulsatile(wave: Wave, event: Event, rng: np.random.Generator) -> None:
    """Steady flow, as on bypass: pulse fades out, small slow ripple, pulse comes back."""
    n = _length(wave, event)
    t = np.arange(n) / wave.fs
    length = n / wave.fs
    fade = min(rng.uniform(1.5, 4.0), 0.2 * length)
    gone = _smooth(t / fade) * _smooth((length - t) / fade)
    base = wave.scenario.mean_pressure
    steady = event.level if event.level is not None else rng.uniform(40.0, 80.0)
    ripple = rng.uniform(0.2, 0.8) * np.sin(2 * np.pi * (rng.uniform(0.05, 0.25) * t + rng.uniform()))
    _fade(wave, event, 1 - gone, base + (steady + ripple - base) * gone)


def _gap(wave: Wave, event: Event, rng: np.random.Generator) -> None:
    """No samples at all."""
    stop = min(event.start_s + event.duration_s, wave.scenario.duration_s)
    wave.gaps.append((event.start_s, stop))
    wave.mark("gap", event.start_s, stop)


_WRITERS: dict[str, Callable[[Wave, Event, np.random.Generator], None]] = {
    "flush": _flush,
    "open_to_air": _open_to_air,
    "flat": _flat,
    "sampling": _sampling,
    "motion": _motion,
    "cuff": _cuff,
    "not_pulsatile": _not_pulsatile,
    "gap": _gap,
}


def apply_events(wave: Wave) -> None:
    """Write all events into the wave, in the order of time; each draws from its own seed."""
    order = sorted(range(len(wave.scenario.events)), key=lambda k: wave.scenario.events[k].start_s)
    for k in order:
        event = wave.scenario.events[k]
        if event.kind in _WRITERS and event.start_s < wave.scenario.duration_s:
            _WRITERS[event.kind](wave, event, np.random.default_rng([wave.scenario.seed, 71, k]))
    _mark_saturated(wave)


def saturation_rise(scenario: Scenario, t: FloatArray) -> FloatArray:
    """Rise of the patient's own pressure in the episodes that run into the rail [mmHg]."""
    rise = np.zeros_like(t)
    for k, event in enumerate(scenario.events):
        if event.kind != "saturated":
            continue
        rng = np.random.default_rng([scenario.seed, 72, k])
        systolic = scenario.mean_pressure + 0.62 * scenario.pulse_pressure
        size = event.level if event.level is not None else scenario.rail_high - systolic + rng.uniform(10, 25)
        ramp = min(8.0, 0.3 * event.duration_s)
        into = t - event.start_s
        rise += size * _smooth(into / ramp) * _smooth((event.duration_s - into) / ramp)
    return rise


def _mark_saturated(wave: Wave) -> None:
    """Note every run of at least three samples at the rail outside other events."""
    scenario = wave.scenario
    taken = np.zeros(wave.pressure.size, dtype=bool)
    for start, end, _, before, after in wave.spans:
        taken[wave.sample(min(start, before)) : wave.sample(max(end, after)) + 1] = True
    over = (wave.pressure >= scenario.rail_high) & ~taken
    edges = np.flatnonzero(np.diff(np.concatenate(([0], over.astype(np.int8), [0]))))
    for i0, i1 in edges.reshape(-1, 2):
        if (i1 - i0) / wave.fs * scenario.fs >= 3:
            wave.mark("saturated", wave.first_s + i0 / wave.fs, wave.first_s + i1 / wave.fs)


def spans_table(wave: Wave) -> pd.DataFrame:
    """Truth table of the events, in the order of time."""
    import pandas as pd

    columns = ["start_s", "end_s", "kind", "touch_start_s", "touch_end_s"]
    table = pd.DataFrame(sorted(wave.spans), columns=columns)
    table["change"] = [_change(wave, *row[:3]) for row in sorted(wave.spans)]
    floats = [name for name in table if name != "kind"]
    return table.astype(dict.fromkeys(floats, float))


def _change(wave: Wave, start: float, end: float, kind: str) -> float:
    """Largest change that an event makes in what is sampled; infinite where nothing is [mmHg]."""
    if kind == "gap":
        return float("inf")
    part = slice(wave.sample(start), wave.sample(end) + 1)
    if kind == "saturated":
        return float(wave.pressure[part].max() - wave.scenario.rail_high)
    return float(np.abs(wave.pressure[part] - wave.patient[part]).max())
