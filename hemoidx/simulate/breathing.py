"""Breathing: when the breaths are, what they do to pressure and flow, and the channel that records them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from hemoidx.simulate.scenario import Scenario

if TYPE_CHECKING:
    import pandas as pd

FloatArray = NDArray[np.float64]

#: Share of a breath that is inspiration where the scenario leaves it open.
INSPIRATION = {"controlled": 0.35, "spontaneous": 0.5}
# A spontaneous breath begins where its wave, that of arterial pressure, stands highest.
_FIRST_PLACE = {"controlled": 0.0, "spontaneous": 0.25}
# Breaths are laid out from so long before the recording to so long after it [s].
_BEFORE_S, _AFTER_S = 60.0, 30.0
# While the breath is held pressure and flow settle within this time [s].
_SETTLE_S = 2.0
# ... and are back at the breath's own wave so long after the next breath has begun [s].
_RESUME_S = 1.0
# CO2 at the end of expiration [mmHg], and times in which it falls and rises [s].
_CO2, _CO2_FALL_S, _CO2_RISE_S = 38.0, 0.12, 0.25


@dataclass(frozen=True, slots=True)
class Breathing:
    """Breaths in and around a recording: `start`, `end` and `inspiration_end` of each [s]."""

    start: FloatArray
    end: FloatArray
    inspiration_end: FloatArray


def _uneven(scenario: Scenario) -> bool:
    return bool(scenario.breath_irregularity or scenario.breath_holds)


def inspired_share(scenario: Scenario) -> float:
    """Share of each breath that is inspiration."""
    return scenario.inspiration if scenario.inspiration is not None else INSPIRATION[scenario.breathing]


def breaths_of(scenario: Scenario, phase: float) -> Breathing:
    """
    Lay out the breaths.

    Parameters
    ----------
    scenario : Scenario
        Kind, rate, irregularity and holds of breathing; its seed decides the lengths.
    phase : float
        Place of time 0 in its breath, as `breath_wave` counts it [breaths].

    Returns
    -------
    Breathing
        Empty without breathing. A hold begins with the end of the breath in which it was asked for.
    """
    if scenario.breathing == "none":
        return Breathing(*np.zeros((3, 0)))
    usual = 60.0 / scenario.breath_rate
    offset = _FIRST_PLACE[scenario.breathing]
    n = int(np.ceil((_BEFORE_S + scenario.duration_s + _AFTER_S) / usual * 1.3)) + 4
    if not _uneven(scenario):
        # The same breaths as the turns of `breath_wave`.
        first = np.ceil(-_BEFORE_S / usual + phase - offset)
        start = (first + np.arange(n + 1) + offset - phase) * usual
        start, end = start[:-1], start[1:]
    else:
        rng = np.random.default_rng([scenario.seed, 74])
        spread = np.clip(rng.normal(0.0, 1.0, n), -2.5, 2.5)
        length = usual * np.exp(scenario.breath_irregularity * spread)
        start = np.cumsum(length) - length - _BEFORE_S - ((phase - offset) % 1.0) * usual
        for hold, lasts in sorted(scenario.breath_holds):
            late = start >= hold
            if late.any():
                begins = start[late][0]
                start[late] += max(hold + lasts - begins, 0.0)
        end = start + length
    return Breathing(start, end, start + inspired_share(scenario) * (end - start))


def _smooth(x: FloatArray) -> FloatArray:
    x = np.clip(x, 0.0, 1.0)
    return x * x * (3.0 - 2.0 * x)


def _held(breaths: Breathing, t: FloatArray) -> FloatArray:
    """0 while breaths follow one another, rising to 1 within 2 s of a hold, gone 1 s after it."""
    k = np.clip(np.searchsorted(breaths.start, t, side="right") - 1, 0, breaths.start.size - 1)
    pause = np.concatenate(([0.0], breaths.start[1:] - breaths.end[:-1]))
    before = _smooth(pause / _SETTLE_S)[k] * (1.0 - _smooth((t - breaths.start[k]) / _RESUME_S))
    return np.maximum(_smooth((t - breaths.end[k]) / _SETTLE_S), before)


def breath_wave(scenario: Scenario, t: FloatArray, phase: float, delay: float = 0.0) -> FloatArray:
    """
    Respiratory wave between -0.5 and 0.5; positive where breathing raises arterial pressure.

    Parameters
    ----------
    scenario : Scenario
        Kind and rate of breathing.
    t : ndarray
        Times [s].
    phase : float
        Turns of breathing before time 0.
    delay : float
        How much later than the breath itself [usual breaths].

    Notes
    -----
    A ventilator's breath is a quick rise and a slow passive fall; a spontaneous one is close to a sine, which
    falls while air flows in. While the breath is held the wave settles at `breath_hold_rest`.
    """
    if scenario.breathing == "none":
        return np.zeros_like(t)
    if not _uneven(scenario):
        return _shape(scenario, t * (scenario.breath_rate / 60.0) + (phase - delay))
    breaths = breaths_of(scenario, phase)
    later = t - delay * 60.0 / scenario.breath_rate
    k = np.clip(np.searchsorted(breaths.start, later, side="right") - 1, 0, breaths.start.size - 1)
    place = np.clip((later - breaths.start[k]) / (breaths.end[k] - breaths.start[k]), 0.0, 1.0 - 1e-9)
    held = _held(breaths, later)
    wave = _shape(scenario, place + _FIRST_PLACE[scenario.breathing])
    return np.asarray((1.0 - held) * wave + held * scenario.breath_hold_rest)


def _shape(scenario: Scenario, turn: FloatArray) -> FloatArray:
    """One breath after another, by turns."""
    inspiration = inspired_share(scenario)
    if scenario.breathing == "spontaneous":
        if scenario.inspiration is None:
            return np.asarray(0.5 * np.sin(2 * np.pi * turn))
        place = (turn - 0.25) % 1.0
        half = np.where(
            place < inspiration, place / inspiration, 1 + (place - inspiration) / (1 - inspiration)
        )
        return np.asarray(0.5 * np.cos(np.pi * half))
    place = turn % 1.0
    rise = 0.5 - 0.5 * np.cos(np.pi * place / inspiration)
    fall = np.exp(-(place - inspiration) / 0.16)
    # The end of the fall is lifted out so that breaths join without a step.
    rest = np.exp(-(1 - inspiration) / 0.16)
    fall = (fall - rest) / (1 - rest)
    return np.asarray(np.where(place < inspiration, rise, fall) - 0.5)


def vasomotor_wave(scenario: Scenario, t: FloatArray) -> FloatArray:
    """Slow waves of vessel tone about `vasomotor_hz`, waxing and waning, about -0.5 to 0.5."""
    rng = np.random.default_rng([scenario.seed, 75])
    out = np.zeros_like(t)
    for factor, share in ((1.0, 0.34), (0.9, 0.08), (1.08, 0.08)):
        out += share * np.sin(2 * np.pi * (scenario.vasomotor_hz * factor * t + rng.uniform()))
    return out


def breathing_channel(kind: str, scenario: Scenario, phase: float, size: int) -> NDArray[np.float32]:
    """
    Write a channel of breathing.

    Parameters
    ----------
    kind : str
        "respiration", an impedance of the chest in ohm: it rises as air flows in (falls if
        `breath_channel_inverted`), drifts, and carries a trace of noise; or "co2", the pressure of carbon
        dioxide in the airway [mmHg]: it falls as inspiration starts.
    scenario : Scenario
        Breathing, `breath_fs`, noise and gaps of the channel.
    phase : float
        Place of time 0 in its breath [breaths].
    size : int
        Samples.

    Returns
    -------
    ndarray of float32
        NaN in gaps. No delay of a sampling tube is put in.
    """
    rng = np.random.default_rng([scenario.seed, 76, int(kind == "co2")])
    t = np.arange(size) / scenario.breath_fs
    breaths = breaths_of(scenario, phase)
    noise = rng.normal(0.0, 1.0, size)
    if kind == "co2":
        out = _co2(breaths, t) + scenario.breath_channel_noise * 5.0 * noise
        out = np.maximum(np.round(out * 4.0) / 4.0, 0.0)
    else:
        tone = sum(np.sin(2 * np.pi * (t / period + rng.uniform())) for period in (210.0, 73.0, 31.0))
        out = _volume(breaths, t, scenario) + 0.25 * tone + scenario.breath_channel_noise * noise
        out *= -1.0 if scenario.breath_channel_inverted else 1.0
        out = np.round((out + 20.0) * 200.0) / 200.0
    for start, lasts in scenario.breath_channel_gaps:
        out[(t >= start) & (t < start + lasts)] = np.nan
    return np.asarray(out, dtype=np.float32)


def _places(breaths: Breathing, t: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Seconds since the breath began, since its inspiration ended, and the length of its expiration."""
    k = np.clip(np.searchsorted(breaths.start, t, side="right") - 1, 0, breaths.start.size - 1)
    return (
        t - breaths.start[k],
        t - breaths.inspiration_end[k],
        breaths.end[k] - breaths.inspiration_end[k],
    )


def _volume(breaths: Breathing, t: FloatArray, scenario: Scenario) -> FloatArray:
    """Volume of the lungs above rest, 0 to 1: a smooth rise, then a fall that slows down."""
    if not breaths.start.size:
        return np.zeros_like(t)
    since, after, expiration = _places(breaths, t)
    rise = 0.5 - 0.5 * np.cos(np.pi * np.clip(since / np.maximum(since - after, 1e-9), 0.0, 1.0))
    tau = 0.3 * expiration if scenario.breathing == "spontaneous" else 0.22 * expiration
    x = np.clip(after, 0.0, None)
    rest = np.exp(-expiration / tau)
    fall = np.clip((np.exp(-x / tau) - rest) / (1.0 - rest), 0.0, None)
    return np.asarray(np.where(after < 0, rise, fall))


def _co2(breaths: Breathing, t: FloatArray) -> FloatArray:
    """Carbon dioxide: sharp fall at inspiration, nothing while it lasts, rise to a plateau behind it."""
    if not breaths.start.size:
        return np.zeros_like(t)
    since, after, expiration = _places(breaths, t)
    level = 1.0 + 0.05 * np.clip(after / expiration, 0.0, 1.0)
    # The air of the dead space comes first.
    up = -np.expm1(-np.clip(after - 0.15, 0.0, None) / _CO2_RISE_S)
    down = np.clip(1.0 - since / _CO2_FALL_S, 0.0, 1.0)
    # A hold leaves exhaled air at the sensor.
    return np.asarray(_CO2 * np.where(after < 0, 1.05 * down, up * level))


def breaths_table(breaths: Breathing, duration_s: float, beats: pd.DataFrame) -> pd.DataFrame:
    """
    Truth table of the breaths.

    Parameters
    ----------
    breaths : Breathing
        All breaths; only those that lie wholly in the recording get a row.
    duration_s : float
        Length of the recording [s].
    beats : DataFrame
        Truth of the beats, noise-free.

    Returns
    -------
    DataFrame
        `start_s, end_s, inspiration_end_s` [s], `beats` (whose foot lies in the breath), `ppv`, `spv_percent`
        [%], `spv` [mmHg], `clear` (bool: every beat is a regular one that no event touches, and no beat is
        missing). PPV is 200 (max - min) / (max + min) of the pulse pressures, NaN with fewer than two beats;
        SPV is max - min of the systolic pressures, `spv_percent` formed as PPV.
    """
    import pandas as pd

    inside = (breaths.start >= 0) & (breaths.end <= duration_s)
    start, end, turn = breaths.start[inside], breaths.end[inside], breaths.inspiration_end[inside]
    onset = beats["onset_s"].to_numpy()
    at = np.searchsorted(start, onset, side="right") - 1
    owned = (at >= 0) & (onset < np.append(end, -np.inf)[at])
    row = at[owned]
    count = np.bincount(row, minlength=start.size)

    def extremes(column: str) -> tuple[FloatArray, FloatArray]:
        value = beats[column].to_numpy()[owned]
        high, low = np.full(start.size, -np.inf), np.full(start.size, np.inf)
        np.maximum.at(high, row, value)
        np.minimum.at(low, row, value)
        unknown = (count < 2) | ~np.isfinite(high) | ~np.isfinite(low)
        return np.where(unknown, np.nan, high), np.where(unknown, np.nan, low)

    pp_high, pp_low = extremes("pp")
    sbp_high, sbp_low = extremes("sbp")
    sound = (beats["clear"] & beats["kind"].isin(("normal", "strong", "weak"))).to_numpy()[owned]
    clear = (count >= 2) & (np.bincount(row[~sound], minlength=start.size) == 0)
    return pd.DataFrame(
        {
            "start_s": start,
            "end_s": end,
            "inspiration_end_s": turn,
            "beats": count,
            "ppv": 200.0 * (pp_high - pp_low) / (pp_high + pp_low),
            "spv": sbp_high - sbp_low,
            "spv_percent": 200.0 * (sbp_high - sbp_low) / (sbp_high + sbp_low),
            "clear": clear,
        }
    )
