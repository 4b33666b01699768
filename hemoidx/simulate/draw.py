"""Random scenarios that cover the whole range evenly, for benchmarks and tests."""

from __future__ import annotations

from typing import Any

import numpy as np

from hemoidx.errors import InputError
from hemoidx.simulate.scenario import Event, Scenario

# Sampling rates met in open databases and monitors' exports [Hz].
_RATES_HZ = (60, 62.5, 75, 100, 120, 125, 128, 180, 200, 240, 250, 300, 360, 400, 500, 1000)

FAMILIES = (
    "regular",
    "tachycardia",
    "bradycardia",
    "low_pulse_pressure",
    "high_pulse_pressure",
    "atrial_fibrillation",
    "ectopy",
    "bigeminy",
    "alternans",
    "deep_dicrotic",
    "overdamped",
    "underdamped",
    "coarse_steps",
    "breathing",
    "events_flush",
    "events_open_to_air",
    "events_flat",
    "events_saturated",
    "events_sampling",
    "events_motion",
    "events_cuff",
    "events_gap",
    "events_not_pulsatile",
    "events_mixed",
)


class _Draw:
    """Numbers of one scenario: `spread` values lie evenly over all scenarios, the others are free."""

    def __init__(self, rng: np.random.Generator, even: dict[str, float]) -> None:
        self.rng = rng
        self.even = even

    def spread(self, name: str, low: float, high: float, log: bool = False) -> float:
        u = self.even[name]
        return float(low * (high / low) ** u if log else low + (high - low) * u)

    def free(self, low: float, high: float) -> float:
        return float(self.rng.uniform(low, high))


def random_scenarios(n: int, seed: int = 0, duration_s: float = 150.0) -> list[Scenario]:
    """
    Draw scenarios over the whole range that beat detection has to cover.

    Parameters
    ----------
    n : int
        How many. Families take turns, so any number of consecutive scenarios is mixed.
    seed : int
        The same seed gives the same list.
    duration_s : float
        Length of each recording [s], at least 30.

    Returns
    -------
    list of Scenario
        Each with its `family`.

    Notes
    -----
    Sampling rate, heart rate, pulse pressure, step and line are stratified: within each family they cover
    their range evenly, in an order that is shuffled independently for each. Combinations that no patient has
    (a pulse pressure of 150 mmHg at 220/min) are kept out by a bound on pulse pressure that falls with rate.
    """
    if n < 1 or duration_s < 30:
        raise InputError(f"random_scenarios: needs n >= 1 and duration_s >= 30, got {n} and {duration_s}")
    rng = np.random.default_rng([seed, 901])
    rounds = -(-n // len(FAMILIES))
    names = ("fs", "rate", "pulse", "step", "line", "noise")
    even = {
        (family, name): (rng.permutation(rounds) + rng.uniform(0, 1, rounds)) / rounds
        for family in FAMILIES
        for name in names
    }
    out = []
    for i in range(n):
        family, turn = FAMILIES[i % len(FAMILIES)], i // len(FAMILIES)
        draw = _Draw(
            np.random.default_rng([seed, 902, i]), {name: even[family, name][turn] for name in names}
        )
        out.append(_scenario(f"{family}_{turn:03d}", family, seed * 100_003 + i, duration_s, draw))
    return out


def _rate_range(family: str) -> tuple[float, float]:
    return {
        "tachycardia": (130.0, 220.0),
        "bradycardia": (25.0, 50.0),
        "atrial_fibrillation": (55.0, 170.0),
        "ectopy": (45.0, 130.0),
        "bigeminy": (50.0, 110.0),
        "alternans": (70.0, 160.0),
        "deep_dicrotic": (40.0, 150.0),
        "overdamped": (40.0, 140.0),
        "underdamped": (40.0, 170.0),
        "high_pulse_pressure": (30.0, 110.0),
        "events_saturated": (45.0, 120.0),
    }.get(family, (40.0, 170.0))


def _pulse_range(family: str, rate: float) -> tuple[float, float]:
    top = min(150.0, 150.0 * (95.0 / rate) ** 1.2)
    low, high = {
        "low_pulse_pressure": (8.0, 16.0),
        "high_pulse_pressure": (90.0, 150.0),
        "overdamped": (10.0, 60.0),
        "events_saturated": (50.0, 90.0),
        "tachycardia": (10.0, 60.0),
    }.get(family, (14.0, 110.0))
    return low, min(high, max(top, low * 1.3))


def _scenario(name: str, family: str, seed: int, duration_s: float, draw: _Draw) -> Scenario:
    rate = draw.spread("rate", *_rate_range(family), log=True)
    pulse = draw.spread("pulse", *_pulse_range(family, rate), log=True)
    lowest = max(28.0, 18.0 + 0.5 * pulse)
    mean = draw.free(lowest, max(lowest + 25.0, min(120.0, lowest + 70.0)))
    fs = float(_RATES_HZ[min(int(draw.even["fs"] * len(_RATES_HZ)), len(_RATES_HZ) - 1)])
    fine = draw.spread("step", 0.06, 1.25, log=True)
    values: dict[str, Any] = {
        "rate": rate,
        "pulse_pressure": pulse,
        "mean_pressure": mean,
        "fs": fs,
        "step": round(min(fine, max(pulse / 10.0, 0.06)), 4),
        "noise": float(np.clip(draw.spread("noise", 0.004, 0.03, log=True) * pulse, 0.06, 1.0)),
        "rail_low": -30.0,
        "rail_high": float(draw.rng.choice([270.0, 284.0, 300.0, 320.0])),
        "rate_variability": draw.free(0.005, 0.03),
        "sinus_arrhythmia": draw.free(0.0, 0.06),
        "drift": draw.free(0.0, 0.12) * pulse,
        "amplification": draw.free(0.6, 2.0),
        "tube_hz": draw.free(5.0, 9.0),
        "dicrotic": 0.24 * draw.free(0.0, 1.0) ** 1.4,
        "dicrotic_delay": draw.free(0.02, 0.25),
        "ejection": draw.free(0.9, 1.1),
        "upstroke": draw.free(0.7, 1.4),
        "shoulder": 0.5 * draw.free(0.0, 1.0) ** 2,
        "breathing": str(draw.rng.choice(["controlled", "spontaneous"])),
        "breath_rate": draw.free(8.0, 28.0),
        "breath_pulse": draw.free(0.0, 0.12),
        "breath_level": draw.free(0.0, 0.08) * pulse,
        "line_hz": draw.spread("line", 15.0, 35.0, log=True),
        "line_damping": draw.free(0.3, 0.75),
    }
    values.update(_special(family, values, draw))
    if family.startswith("events_"):
        values["events"] = _events(family.removeprefix("events_"), duration_s, values, draw)
    return Scenario(name=name, family=family, seed=seed, duration_s=duration_s, **values)


def _special(family: str, values: dict[str, Any], draw: _Draw) -> dict[str, Any]:
    """Give the parameters in which a family differs from an ordinary recording."""
    rate = values["rate"]
    if family == "atrial_fibrillation":
        return {"rhythm": family, "irregularity": draw.free(0.12, 0.28), "sinus_arrhythmia": 0.0}
    if family == "ectopy":
        return {"ectopic_share": draw.free(0.03, 0.15), "coupling": draw.free(0.55, 0.8)}
    if family == "bigeminy":
        return {"rhythm": family, "coupling": draw.free(0.6, 0.8)}
    if family == "alternans":
        return {"alternans": draw.free(0.05, 0.35), "rate_variability": 0.006}
    if family == "deep_dicrotic":
        return {
            "dicrotic": draw.free(0.28, 0.55),
            "dicrotic_delay": draw.free(0.1, 0.5),
            # A slow, springy tube lets the trough fall below the end-diastolic pressure.
            "tube_hz": draw.free(3.2, 7.5),
            "amplification": draw.free(1.5, 2.5),
        }
    if family == "overdamped":
        hz = draw.spread("line", 3.0, 6.0)
        # Quick pulses behind a very slow line would ask for a pulse that no artery has.
        return {"line_hz": hz, "line_damping": draw.free(0.9, 2.0 if rate < 90 else 1.2)}
    if family == "underdamped":
        return {"line_hz": draw.spread("line", 8.0, 15.0), "line_damping": draw.free(0.1, 0.25)}
    if family == "coarse_steps":
        return {"step": round(min(draw.spread("step", 0.8, 1.25), values["pulse_pressure"] / 10), 4)}
    if family == "breathing":
        return {
            "breath_pulse": draw.free(0.12, 0.4),
            "breath_level": draw.free(0.08, 0.25) * values["pulse_pressure"],
            "sinus_arrhythmia": draw.free(0.02, 0.12),
        }
    if family == "events_saturated":
        rail = draw.free(0.72, 0.95) * 190.0
        return {"rail_high": rail, "mean_pressure": rail - 0.62 * values["pulse_pressure"] - draw.free(6, 14)}
    return {}


_LENGTHS = {
    "flush": (0.5, 5.0),
    "open_to_air": (5.0, 40.0),
    "flat": (3.0, 25.0),
    "saturated": (15.0, 40.0),
    "sampling": (5.0, 60.0),
    "motion": (2.0, 15.0),
    "cuff": (22.0, 55.0),
    "gap": (0.5, 20.0),
    "not_pulsatile": (15.0, 50.0),
}


def _events(kind: str, duration_s: float, values: dict[str, Any], draw: _Draw) -> tuple[Event, ...]:
    """Events of one kind, or of several, apart from one another by at least 8 s."""
    kinds = [k for k in _LENGTHS if k != "saturated"] if kind == "mixed" else [kind]
    out: list[Event] = []
    at = draw.free(8.0, 20.0)
    while True:
        now = str(draw.rng.choice(kinds))
        low, high = _LENGTHS[now]
        length = float(low * (high / low) ** draw.free(0, 1))
        if at + length > duration_s - 8.0:
            break
        out.append(Event(now, at, length))
        if now == "sampling" and draw.free(0, 1) < 0.85:
            wash = draw.free(0.8, 3.0)
            out.append(Event("flush", at + length, wash))
            length += wash
        elif now == "flush" and draw.free(0, 1) < 0.4:
            second = draw.free(0.5, 2.0)
            pause = draw.free(0.8, 2.5)
            out.append(Event("flush", at + length + pause, second))
            length += pause + second
        at += length + draw.free(8.0, 30.0)
    if not out:
        low, high = _LENGTHS[kinds[0]]
        out.append(Event(kinds[0], 0.3 * duration_s, min(low * 1.2, 0.4 * duration_s)))
    if kind in ("open_to_air", "mixed") and draw.free(0, 1) < 0.3:
        out.append(Event("open_to_air", duration_s - 6.0, 10.0))
    return tuple(out)
