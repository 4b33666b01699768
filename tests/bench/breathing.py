"""
Breathing rate against truth, with and without a channel of breathing, and where none must be claimed.

    python -m tests.bench.breathing --seed 1

Each group is a set of random scenarios. Counted are windows of 30 s: claimed are those in which breathing is
not called unclear and at least three breaths start; their rate is 60 / mean length of those breaths. Truth is
the number of simulated breaths that pass in just these stretches (parts of a breath count), so that a pause
counts as none. A window of which simulated breaths cover less than half has no rate, so any claim there is
wrong.
"""

from __future__ import annotations

import argparse
from collections.abc import Callable
from typing import Any

import numpy as np

from hemoidx import beats
from hemoidx.breaths import BeatSeries, Breaths, BreathSignal, beat_series, read
from hemoidx.facts import mask
from hemoidx.indices.pressure.readings import diastolic_pressure, mean_pressure, systolic_pressure
from hemoidx.simulate import Scenario, simulate

WINDOW_S, LEAST_BREATHS = 30.0, 3
#: Beats with one of these facts tell nothing of breathing.
HARMED = mask("low_quality", "near_event", "saturated", "gap_inside", "weak_pulse", "implausible_level")
Draw = Callable[[np.random.Generator], dict[str, Any]]


def series_of(pressure: np.ndarray, fs: float, scale: Any) -> BeatSeries:
    """Beats of a channel as the reader of breaths asks for them."""
    found = beats.read(pressure, fs, scale)
    usable = (found.quality >= beats.BELIEVED) & ((found.facts & HARMED) == 0)
    return beat_series(
        found.onset / fs,
        (found.end - found.onset) / fs,
        systolic_pressure(pressure, found.peak, fs),
        diastolic_pressure(pressure, found.onset, found.steepest, fs),
        mean_pressure(pressure, found.onset, found.end),
        usable,
        (found.facts & mask("ectopic")) != 0,
        (found.facts & mask("irregular_rhythm")) != 0,
    )


def plain(rng: np.random.Generator) -> dict[str, Any]:
    """What every group shares: the ranges in which breathing is to be read off the pressure."""
    swing = float(np.exp(rng.uniform(np.log(0.02), np.log(0.3))))
    rate = float(rng.uniform(50, 140))
    pulse = float(rng.uniform(25, 80) * min(1.0, 90.0 / rate))
    return {
        "fs": float(rng.choice([60, 62.5, 100, 125, 200, 250, 500])),
        "rate": rate,
        "breath_rate": float(rng.uniform(8, 30)),
        "breathing": str(rng.choice(["controlled", "spontaneous"])),
        "breath_pulse": swing,
        "breath_level": float(rng.uniform(0.2, 1.0)) * swing * pulse,
        "sinus_arrhythmia": float(rng.choice([0.0, 0.01, 0.04])),
        "rate_variability": float(rng.uniform(0.003, 0.02)),
        "pulse_pressure": pulse,
        "mean_pressure": float(rng.uniform(60, 100)),
        "step": float(rng.choice([0.1, 0.25, 0.5, 1.0])),
        "noise": float(rng.uniform(0.1, 0.5)),
        "drift": float(rng.uniform(0.5, 4.0)),
        "inspiration": float(rng.uniform(0.25, 0.5)),
    }


def _uneven(rng: np.random.Generator) -> dict[str, Any]:
    return {"breath_irregularity": float(rng.uniform(0.03, 0.15))}


def _channel(kind: str) -> Draw:
    def draw(rng: np.random.Generator) -> dict[str, Any]:
        gap = float(rng.uniform(20, 120))
        return {
            "breath_channels": (kind,),
            "breath_fs": float(rng.choice([25, 62.5, 125])),
            "breath_channel_inverted": bool(rng.integers(2)),
            "breath_channel_noise": float(rng.uniform(0.01, 0.1)),
            "breath_channel_gaps": ((gap, float(rng.uniform(5, 40))),),
            **_uneven(rng),
        }

    return draw


def _deep(rng: np.random.Generator) -> dict[str, Any]:
    return {"breath_pulse": float(rng.uniform(0.08, 0.3)), "breath_level": float(rng.uniform(1, 6))}


GROUPS: dict[str, Draw] = {
    "regular, PPV 2 % up": lambda rng: {},
    "regular, PPV 8 % up": _deep,
    "uneven breaths": lambda rng: {**_deep(rng), **_uneven(rng)},
    "respiration channel": _channel("respiration"),
    "CO2 channel": _channel("co2"),
    "atrial fibrillation": lambda rng: {
        "rhythm": "atrial_fibrillation",
        "irregularity": float(rng.uniform(0.1, 0.28)),
        "sinus_arrhythmia": 0.0,
    },
    "ectopy": lambda rng: {
        "ectopic_share": float(rng.uniform(0.02, 0.2)),
        "coupling": float(rng.uniform(0.55, 0.85)),
    },
    "ectopy, no breathing": lambda rng: {
        "ectopic_share": float(rng.uniform(0.02, 0.2)),
        "coupling": float(rng.uniform(0.55, 0.85)),
        "breathing": "none",
    },
    "bigeminy": lambda rng: {"rhythm": "bigeminy", "coupling": float(rng.uniform(0.6, 0.85))},
    "alternans": lambda rng: {"alternans": float(rng.uniform(0.03, 0.3))},
    "alternans, no breathing": lambda rng: {
        "alternans": float(rng.uniform(0.03, 0.3)),
        "breathing": "none",
    },
    "no breathing": lambda rng: {"breathing": "none", "drift": float(rng.uniform(0, 12))},
    "slow waves, no breathing": lambda rng: {
        "breathing": "none",
        "vasomotor": float(rng.uniform(2, 15)),
        "vasomotor_hz": float(rng.uniform(0.04, 0.12)),
        "vasomotor_rate": float(rng.choice([0.0, 0.03])),
    },
    "slow waves and breathing": lambda rng: {
        "vasomotor": float(rng.uniform(2, 15)),
        "vasomotor_hz": float(rng.uniform(0.04, 0.12)),
        "vasomotor_rate": float(rng.choice([0.0, 0.03])),
    },
    "held breath": lambda rng: {
        **_deep(rng),
        "breath_holds": ((float(rng.uniform(40, 80)), float(rng.uniform(20, 60))),),
    },
    "beyond half the heart rate": lambda rng: {
        "rate": float(rng.uniform(40, 62)),
        "breath_rate": float(rng.uniform(24, 33)),
    },
}


def passed(truth: Any, at: np.ndarray) -> np.ndarray:
    """Simulated breaths that have passed at each time; as even as the nearest before the first and after."""
    start, end = truth["start_s"].to_numpy(), truth["end_s"].to_numpy()
    if not start.size:
        return np.zeros(at.shape)
    time = np.stack((start, end), axis=1).ravel()
    number = np.repeat(np.arange(start.size), 2) + np.tile([0.0, 1.0], start.size)
    early, late = (time[0] - at) / (end[0] - start[0]), (at - time[-1]) / (end[-1] - start[-1])
    return np.interp(at, time, number) - np.maximum(early, 0.0) + np.maximum(late, 0.0)


def compare(found: Breaths, truth: Any, duration_s: float) -> tuple[np.ndarray, np.ndarray]:
    """Rate of each window as found (NaN: not claimed) and as it is (NaN: no breathing) [1/min]."""
    n = int(duration_s // WINDOW_S)
    first = np.arange(n) * WINDOW_S
    row = (found.start_s // WINDOW_S).astype(int)
    own = row < n
    turned = passed(truth, found.end_s) - passed(truth, found.start_s)
    count = np.bincount(row[own], minlength=n)
    length = np.maximum(np.bincount(row[own], (found.end_s - found.start_s)[own], n), 1e-9)
    unclear = (found.facts_between(first, first + WINDOW_S) & mask("breathing_unclear")) != 0
    claimed = np.where(unclear | (count < LEAST_BREATHS), np.nan, 60.0 * count / length)
    real = 60.0 * np.bincount(row[own], turned[own], n) / length
    fine = np.arange(0.0, n * WINDOW_S, 0.1)
    breathes = (np.diff(passed(truth, fine), append=0.0) > 0).reshape(n, -1).mean(axis=1) >= 0.5
    return claimed, np.where(breathes, real, np.nan)


def run(group: str, seed: int, n: int, duration_s: float) -> list[dict[str, Any]]:
    """Score the recordings of a group, window by window."""
    out = []
    for k in range(n):
        rng = np.random.default_rng([seed, list(GROUPS).index(group), k])
        values = {**plain(rng), **GROUPS[group](rng)}
        scenario = Scenario(name=f"{group} {k}", seed=seed * 1000 + k, duration_s=duration_s, **values)
        sim = simulate(scenario)
        channel = sim.recording["ABP"]
        series = series_of(channel.values, scenario.fs, channel.attrs["scale"])
        signals = [
            BreathSignal(data.values, data.attrs["fs"], data.attrs["role"])
            for name, data in sim.recording.data_vars.items()
            if name != "ABP"
        ]
        claimed, real = compare(read(series, duration_s, signals), sim.truth.breaths, duration_s)
        out += [{"scenario": scenario, "claimed": a, "real": b} for a, b in zip(claimed, real, strict=True)]
    return out


def summary(rows: list[dict[str, Any]]) -> dict[str, Any]:
    """Shares of a group: claimed, right and wrong among the claims, and the worst claims."""
    claimed = np.array([row["claimed"] for row in rows])
    real = np.array([row["real"] for row in rows])
    said = np.isfinite(claimed)
    off = np.where(np.isfinite(real), np.abs(claimed - real), np.inf)
    n = max(int(said.sum()), 1)
    worst = sorted((i for i in np.flatnonzero(said) if off[i] > 0.5), key=lambda i: -off[i])
    return {
        "windows": said.size,
        "claimed": float(said.mean()),
        "right": float((said & (off <= 0.5)).sum() / n),
        "wrong": float((said & (off > 1.0)).sum() / said.size),
        "worst": [(rows[i]["scenario"], claimed[i], real[i]) for i in worst[:3]],
    }


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--n", type=int, default=8, help="recordings in each group")
    parser.add_argument("--duration", type=float, default=180.0)
    parser.add_argument("--group", default=None)
    args = parser.parse_args()
    print(f"{'group':28s} windows  claimed  right(0.5)  wrong(>1, of all)")
    for group in [args.group] if args.group else GROUPS:
        s = summary(run(group, args.seed, args.n, args.duration))
        print(
            f"{group:28s} {s['windows']:7d}  {100 * s['claimed']:5.1f} %    {100 * s['right']:5.1f} %"
            f"     {100 * s['wrong']:5.1f} %"
        )
        for scenario, claimed, real in s["worst"]:
            print(
                f"      said {claimed:5.1f}, is {real:5.1f}: {scenario.name}, heart {scenario.rate:.0f}, "
                f"breath {scenario.breath_rate:.1f} {scenario.breathing}, swing {scenario.breath_pulse:.3f}, "
                f"step {scenario.step:g}, {scenario.fs:g} Hz"
            )


if __name__ == "__main__":
    main()
