"""The heart: when it beats, how much it ejects, and how the ejected volume flows."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from hemoidx.simulate.breathing import breath_wave, vasomotor_wave
from hemoidx.simulate.scenario import Scenario

FloatArray = NDArray[np.float64]

BEAT_KINDS = ("normal", "ectopic", "irregular", "strong", "weak")
# Below this share of the usual stroke volume the aortic valve stays shut: the beat leaves no pulse at all.
_NO_EJECTION = 0.12
# Shortest interval between two ventricular beats that still eject [s].
_REFRACTORY_S = 0.24


@dataclass(frozen=True, slots=True)
class BeatTrain:
    """
    Beats that eject: `start` [s], `ejection` time [s], `stroke` relative to the mean, `kind` (index).

    `interval` is the time to the next ejecting beat [s], as long as `start`; the last one is repeated.
    """

    start: FloatArray
    interval: FloatArray
    ejection: FloatArray
    stroke: FloatArray
    kind: NDArray[np.int64]


def ejection_time(interval: FloatArray, scenario: Scenario) -> FloatArray:
    """Ejection time [s] from the interval before the beat [s]: proportional to its square root, bounded."""
    return scenario.ejection * np.clip(0.3 * np.sqrt(interval), 0.11, 0.36)


def beat_train(
    scenario: Scenario, rng: np.random.Generator, first: float, last: float, breath_phase: float
) -> BeatTrain:
    """
    Draw the beats of a recording from `first` to a second before `last` [s].

    The rate is integrated over time; a beat falls where the integral passes the next threshold. Thresholds
    lie one apart with a small spread, or a large one in atrial fibrillation. A premature beat is moved
    forward and its successor stays, which is the compensatory pause.
    """
    base = 60.0 / scenario.rate
    t = np.arange(first, last + 2 * base, 0.05)
    slow_phase = rng.uniform(0, 1)
    rate = 1.0 + 2 * scenario.sinus_arrhythmia * breath_wave(scenario, t, breath_phase)
    rate += 0.3 * scenario.sinus_arrhythmia * np.sin(2 * np.pi * (t / 47.0 + slow_phase))
    if scenario.vasomotor_rate:
        rate += 2 * scenario.vasomotor_rate * vasomotor_wave(scenario, t)
    turns = np.concatenate(([0.0], np.cumsum(0.5 * (rate[1:] + rate[:-1]) * np.diff(t)))) / base
    size = int(turns[-1] * 1.5) + 20
    fibrillates = scenario.rhythm == "atrial_fibrillation"
    if fibrillates:
        gaps = np.exp(rng.normal(0.0, scenario.irregularity, size))
        gaps = np.clip(gaps / gaps.mean(), 0.5, 2.0)
    else:
        gaps = 1.0 + scenario.rate_variability * np.clip(rng.normal(0.0, 1.0, size), -3, 3)
    gaps = np.maximum(gaps, _REFRACTORY_S / base)
    marks = np.cumsum(gaps) - gaps[0] * rng.uniform(0, 1)
    start = np.interp(marks[marks < turns[-1]], turns, t)
    kind = np.full(start.size, BEAT_KINDS.index("irregular" if fibrillates else "normal"))
    premature = _premature(scenario, rng, start.size)
    before = np.diff(start, prepend=start[0] - base)
    early = np.where(premature, (1.0 - scenario.coupling * rng.uniform(0.94, 1.06, start.size)) * before, 0.0)
    early = np.minimum(early, np.maximum(before - _REFRACTORY_S, 0.0))
    start = start - early
    kind[premature] = BEAT_KINDS.index("ectopic")
    if scenario.alternans:
        kind[::2], kind[1::2] = BEAT_KINDS.index("strong"), BEAT_KINDS.index("weak")
    # The last beats must have room to unfold before `last`.
    inside = (start >= first) & (start < last - 1.0)
    return _ejecting(scenario, start[inside], kind[inside], premature[inside], breath_phase)


def _premature(scenario: Scenario, rng: np.random.Generator, n: int) -> NDArray[np.bool_]:
    """Choose the premature beats: never the first two, never two in a row."""
    premature = np.zeros(n, dtype=bool)
    if scenario.rhythm == "bigeminy":
        premature[3::2] = True
    elif scenario.ectopic_share > 0:
        # Two neighbours cannot both be drawn, so the draw is made a little more often than the share.
        draw = rng.uniform(0, 1, n) < scenario.ectopic_share / (1 - scenario.ectopic_share)
        draw[:3] = False
        premature = draw & ~np.concatenate(([False], draw[:-1]))
    return premature


def _ejecting(
    scenario: Scenario,
    start: FloatArray,
    kind: NDArray[np.int64],
    premature: NDArray[np.bool_],
    breath_phase: float,
) -> BeatTrain:
    """Stroke volume from the time for filling, then the beats that open the valve."""
    base = 60.0 / scenario.rate
    before = np.diff(start, prepend=start[0] - base)
    ejection = ejection_time(before, scenario)
    previous = np.concatenate(([ejection[0]], ejection[:-1]))
    tau = 0.22 * np.sqrt(base)
    usual = base - ejection_time(np.array(base), scenario) - 0.05 * np.sqrt(base)
    filling = np.maximum(before - previous - 0.05 * np.sqrt(base), 0.0)
    stroke = -np.expm1(-filling / tau) / -np.expm1(-usual / tau)
    # A premature beat is also weaker at equal filling, the beat after it stronger.
    after = np.concatenate(([False], premature[:-1]))
    stroke = stroke * np.where(premature, 0.8, 1.0) * np.where(after, 1.08, 1.0)
    if scenario.alternans:
        stroke = stroke * (1 + scenario.alternans * np.where(np.arange(start.size) % 2, -1.0, 1.0))
    # Stroke volume follows the breath with a delay of a fifth of it, through the lungs.
    stroke = stroke * (1 + scenario.breath_pulse * breath_wave(scenario, start, breath_phase, 0.2))
    ejects = stroke > _NO_EJECTION
    start, ejection, stroke, kind = start[ejects], ejection[ejects], stroke[ejects], kind[ejects]
    interval = np.diff(start)
    interval = np.append(interval, interval[-1] if interval.size else base)
    return BeatTrain(start, interval, ejection, stroke, kind)


def _flow_shape(upstroke: float, shoulder: float) -> tuple[FloatArray, FloatArray]:
    """Flow over time in units of ejection time: quick rise, slower fall, brief backflow; area one."""
    x = np.linspace(0.0, 1.2, 1201)
    top = min(0.27 * upstroke, 0.5)
    # A beta curve with its maximum at `top`.
    forward = np.where(x < 1, x ** (2.6 * top) * np.clip(1 - x, 0, None) ** (2.6 * (1 - top)), 0.0)
    late = np.where((x > 0.3) & (x < 0.98), np.sin(np.pi * (x - 0.3) / 0.68) ** 2, 0.0)
    forward = forward / forward.max() + shoulder * late
    back = np.where((x > 0.94) & (x < 1.12), np.sin(np.pi * (x - 0.94) / 0.18) ** 2, 0.0)
    shape = forward / forward.sum() - 0.035 * back / back.sum()
    return x, shape / (shape.sum() * (x[1] - x[0]))


def _wave_shape(delay: float) -> tuple[FloatArray, FloatArray]:
    """Dicrotic wave over time in units of ejection time: a single smooth hump of height one."""
    x = np.linspace(0.9, 2.8, 1901)
    begin, width = 1.0 + delay, 0.75
    inside = (x > begin) & (x < begin + width)
    return x, np.where(inside, np.sin(np.pi * (x - begin) / width) ** 2, 0.0)


def _render(
    train: BeatTrain, weight: FloatArray, t: FloatArray, shape: tuple[FloatArray, FloatArray]
) -> FloatArray:
    """Sum one scaled copy of a shape per beat; a beat may reach into the next one, not further."""
    owner = np.clip(np.searchsorted(train.start, t, side="right") - 1, 0, train.start.size - 1)
    out = np.zeros_like(t)
    for back in (0, 1):
        k = np.maximum(owner - back, 0)
        value = weight[k] * np.interp((t - train.start[k]) / train.ejection[k], *shape, left=0.0, right=0.0)
        out += value if back == 0 else np.where(owner > 0, value, 0.0)
    return out


def aortic_inflow(
    train: BeatTrain, t: FloatArray, upstroke: float = 1.0, shoulder: float = 0.1
) -> FloatArray:
    """
    Flow into the aorta; each beat's area is its relative stroke volume.

    Parameters
    ----------
    train : BeatTrain
        The beats.
    t : ndarray
        Times [s], evenly spaced.
    upstroke : float
        Time to peak flow relative to its usual value.
    shoulder : float
        Height of a late systolic wave relative to the first peak.

    Returns
    -------
    ndarray
        Flow [relative stroke volume / s].
    """
    return _render(train, train.stroke / train.ejection, t, _flow_shape(upstroke, shoulder))


def dicrotic_wave(train: BeatTrain, t: FloatArray, delay: float) -> FloatArray:
    """Train of dicrotic waves, about as high as the beat's own peak flow [relative stroke volume / s]."""
    return _render(train, 1.8 * train.stroke / train.ejection, t, _wave_shape(delay))
