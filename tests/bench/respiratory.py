"""
Variation of pulse pressure against the same formula on noise-free beats.

Run as ``python -m tests.bench.respiratory --seed 1``. Breaths are those of the simulator, or with ``--found``
those that are read off the pressure, without a channel of breathing; beats are always found. Three readings
stand beside each other: the formula on noise-free beats of the same breaths (what is asked for), the classic
value and the one from every beat. The latent modulation of stroke volume is printed too: it is not what the
formula reads, since beats miss a part of the swing and pulse pressure does not follow stroke volume exactly.
"""

from __future__ import annotations

import argparse
from collections.abc import Iterable, Sequence
from itertools import pairwise
from typing import Any

import numpy as np
import pandas as pd

import hemoidx as hx
from hemoidx.beats import read
from hemoidx.facts import mask
from hemoidx.indices import default_catalogue
from hemoidx.indices.index import LANDMARKS
from hemoidx.indices.level import Breathing, Level, Source
from hemoidx.indices.respiratory.phase_fit import phase_fit
from hemoidx.indices.respiratory.swings import ppv_floor, relative_swing, swing_capture
from hemoidx.simulate import Scenario, Truth, simulate, simulate_arrays
from tests.waves import all_levels, unknown_chain

ASKED_POINTS = 1.5
LENGTH_S = 150.0


def draw(rng: np.random.Generator, **fixed: Any) -> Scenario:
    """A ventilated patient in regular rhythm; true variation about 2 to 30 %."""
    given: dict[str, Any] = {
        "seed": int(rng.integers(1 << 30)),
        "duration_s": LENGTH_S,
        "fs": float(rng.choice([125.0, 250.0, 500.0])),
        "rate": float(rng.uniform(60.0, 110.0)),
        "rate_variability": 0.01,
        "sinus_arrhythmia": float(rng.uniform(0.0, 0.02)),
        "mean_pressure": float(rng.uniform(60.0, 100.0)),
        "pulse_pressure": float(rng.uniform(35.0, 70.0)),
        "breathing": "controlled",
        "breath_rate": float(rng.uniform(10.0, 30.0)),
        "breath_pulse": float(rng.uniform(0.02, 0.32)),
        "breath_level": float(rng.uniform(1.0, 6.0)),
        "noise": 0.3,
        "step": float(rng.choice([0.06, 0.125, 0.25, 0.5])),
    }
    return Scenario(**{**given, **fixed})


def of_table(table: pd.DataFrame) -> Breathing:
    """Breaths of a table."""
    columns = (table[name].to_numpy(dtype=float) for name in ("start_s", "end_s", "inspiration_end_s"))
    return Breathing(*columns, lambda start, end: np.zeros(np.shape(start), dtype=np.int64))


def with_true_breaths(scenario: Scenario) -> tuple[pd.DataFrame, Truth, Breathing]:
    """Windows with the breaths of the simulator, and the truth."""
    samples, fs, scale, truth = simulate_arrays(scenario)
    reading = read(samples, fs, scale)
    source = Source(
        pressure=samples,
        fs=fs,
        seconds=lambda position: np.asarray(position) / fs,
        landmarks={name: getattr(reading, name) for name in LANDMARKS},
        quality=reading.quality,
        facts=reading.facts,
        context=hx.Context().over,
        chain=unknown_chain(reading.onset, fs),
        step=np.full(reading.onset.size, scenario.step),
    )
    breathing = of_table(truth.breaths)
    return frame(all_levels(default_catalogue(), source, breathing)[2]), truth, breathing


def with_found_breaths(scenario: Scenario) -> tuple[pd.DataFrame, Truth, Breathing]:
    """Windows as `hemoidx.analyse` gives them, without a channel of breathing, and the truth."""
    made = simulate(scenario)
    result = hx.analyse(made.recording, progress=False)
    judged = result.verdicts("ppv")["measurement"].to_numpy()
    return result.windows.assign(verdict=judged), made.truth, of_table(result.breaths)


def frame(level: Level) -> pd.DataFrame:
    return pd.DataFrame(
        {**level.keys, **{name: level.usable(name) for name in level.values}, "facts": level.facts}
    )


def noise_free(truth: Truth, windows: pd.DataFrame, breathing: Breathing) -> pd.DataFrame:
    """Both formulas on noise-free beats: of the true breaths, and of those that were used."""
    beats = truth.beats
    onset, start = beats["onset_s"].to_numpy(), windows["start_s"].to_numpy()
    regular = beats["kind"].isin(["normal"]).to_numpy()
    pulse = np.where(regular, beats["pp"].to_numpy(), np.nan)
    classic = {}
    for name, used in (("true", of_table(truth.breaths)), ("true_same", breathing)):
        value = relative_swing(pulse, used.of(onset)[0], used.start.size)
        of = np.where(np.isfinite(value), np.searchsorted(start, used.start, side="right") - 1, -1)
        count = np.bincount(of[of >= 0], minlength=len(windows))
        total = np.bincount(of[of >= 0], value[of >= 0], len(windows))
        classic[name] = np.where(count >= 3, total / np.maximum(count, 1), np.nan)
        classic[f"steady_{name}"] = np.full(len(windows), np.nanmean(value) if count.any() else np.nan)
    row, phase = of_table(truth.breaths).of(onset)
    window = np.searchsorted(start, onset, side="right") - 1
    fit = phase_fit(np.where(row >= 0, pulse, np.nan), phase, onset, window, len(windows))
    robust = 200.0 * (fit.high - fit.low) / (fit.high + fit.low)
    return pd.DataFrame(
        {
            **classic,
            "true_robust": robust,
            "steady_robust": np.nanmean(robust) if np.isfinite(robust).any() else np.nan,
            "per_breath": np.bincount(row[row >= 0]).mean(),
        }
    )


def measured(scenarios: Iterable[Scenario], found: bool) -> pd.DataFrame:
    rows = []
    for number, scenario in enumerate(scenarios):
        windows, truth, breathing = (with_found_breaths if found else with_true_breaths)(scenario)
        columns = ["ppv", "ppv_se", "ppv_robust", "ppv_robust_se", "ppv_floor", "ppv_harmonics"]
        columns += ["breaths", "facts", *(["verdict"] if "verdict" in windows else [])]
        one = pd.concat(
            [windows[columns].reset_index(drop=True), noise_free(truth, windows, breathing)], axis=1
        )
        rows.append(
            one.assign(
                recording=number, latent=100.0 * scenario.breath_pulse, step=scenario.step, fs=scenario.fs,
                breath_rate=scenario.breath_rate, pulse=scenario.pulse_pressure,
            )
        )  # fmt: skip
    return pd.concat(rows, ignore_index=True)


def row(name: str, error: pd.Series, asked: float | None = None) -> str:
    known = error.dropna()
    if known.empty:
        return f"  {name:34} no windows"
    size = known.abs()
    beyond = "" if asked is None else f"   within {asked:g}: {100 * (size <= asked).mean():5.1f} %"
    return (
        f"  {name:34} n {known.size:4d}   mean {known.mean():+6.2f}   sd {known.std():5.2f}   "
        f"95th {size.quantile(0.95):5.2f}   worst {size.max():5.2f}{beyond}"
    )


def table(title: str, found: pd.DataFrame) -> None:
    print(title)
    asked = found[(found["true"] >= 2) & (found["true"] <= 30)]
    n = len(asked)
    for name in ("ppv", "ppv_robust"):
        print(f"  {name}: {100 * asked[name].notna().mean() if n else 0:.1f} % of {n} windows have a value")
    print(row("ppv - formula, noise-free", asked["ppv"] - asked["true"], ASKED_POINTS))
    print(row("  the same breaths", asked["ppv"] - asked["true_same"], ASKED_POINTS))
    means = asked.groupby("recording")[["ppv", "true"]].mean()
    print(row("  the same, mean of a recording", means["ppv"] - means["true"], ASKED_POINTS))
    print(row("ppv_robust - its curve, noise-free", asked["ppv_robust"] - asked["true_robust"], ASKED_POINTS))
    for some, words in ((asked["ppv_harmonics"] < 2, "one harmonic"), (asked["ppv_harmonics"] >= 2, "more")):
        part = asked[some]
        print(row(f"  of these, {words}", part["ppv_robust"] - part["true_robust"], ASKED_POINTS))
    print(row("formula, noise-free - latent", asked["true"] - asked["latent"]))
    print(row("ppv - latent", asked["ppv"] - asked["latent"]))
    print(row("ppv_robust - latent", asked["ppv_robust"] - asked["latent"]))


def by_verdict(found: pd.DataFrame) -> None:
    """Whether what is accepted is right, and what was cautioned against."""
    print("by verdict")
    asked = found[(found["true"] >= 2) & (found["true"] <= 30)]
    for verdict in ("accepted", "caution"):
        part = asked[asked["verdict"] == verdict]
        print(row(f"{verdict}: ppv - formula", part["ppv"] - part["true"], ASKED_POINTS))


def by_beats(found: pd.DataFrame) -> None:
    print("by beats a breath")
    edges = (0.0, 3.0, 4.0, 5.0, 7.0, 20.0)
    for low, high in pairwise(edges):
        part = found[(found["per_breath"] >= low) & (found["per_breath"] < high)]
        if part["ppv"].notna().any():
            print(row(f"{low:g} to {high:g}: ppv - formula", part["ppv"] - part["true"], ASKED_POINTS))
            print(row("   of the same breaths", part["ppv"] - part["true_same"], ASKED_POINTS))
            print(row("   ppv_robust - curve", part["ppv_robust"] - part["true_robust"], ASKED_POINTS))


def coverage(found: pd.DataFrame) -> None:
    """How often a 95 % interval holds the steady value of the recording, noise-free."""
    from scipy.stats import t

    print("coverage of 95 % intervals (steady value of the recording, noise-free beats)")
    free = np.maximum(found["breaths"].to_numpy() - 1, 1)
    for name, steady, times in (
        ("ppv", "steady_true_same", t.ppf(0.975, free)),
        ("ppv_robust", "steady_robust", np.full(len(found), 1.96)),
    ):
        known = found[name].notna() & found[f"{name}_se"].notna()
        off = (found[name] - found[steady]).abs()
        inside = (off <= times * found[f"{name}_se"])[known]
        size = found[f"{name}_se"][known]
        enough = found["per_breath"][known] >= 3.6
        print(
            f"  {name:12} {100 * inside.mean():5.1f} % of {known.sum()}; from 3.6 beats a breath on "
            f"{100 * inside[enough].mean():5.1f} % of {enough.sum()}; median error {size.median():.2f}"
        )


def coarse(rng: np.random.Generator, found: bool) -> None:
    print("coarse steps: reading without noise and with variation, beside the floor that is expected")
    print(f"  {'step':>5} {'latent':>7} {'formula':>8} {'ppv':>6} {'robust':>7} {'floor':>6} {'stated':>7}")
    for step in (1.0, 2.0):
        for depth in (0.0, 0.05, 0.15):
            some = [
                draw(
                    rng, step=step, breath_pulse=depth, breath_rate=15.0, fs=125.0, pulse_pressure=45.0,
                    rate=rate, noise=0.1, breath_level=3.0,
                )
                for rate in (68.0, 83.0, 97.0)
            ]  # fmt: skip
            got = measured(some, found).dropna(subset=["true"])
            floor = float(np.mean(ppv_floor(step, 45.0, got["per_breath"])))
            print(
                f"  {step:5.1f} {100 * depth:7.1f} {got['true'].mean():8.2f} {got['ppv'].mean():6.2f} "
                f"{got['ppv_robust'].mean():7.2f} {floor:6.2f} {got['ppv_floor'].mean():7.2f}"
            )


def rhythms(rng: np.random.Generator, n: int, found: bool) -> None:
    print("rhythm")
    kinds: dict[str, dict[str, Any]] = {
        "regular": {},
        "fibrillation": {"rhythm": "atrial_fibrillation"},
    }
    irregular = mask("irregular_rhythm")
    for name, options in kinds.items():
        if "rhythm" in options:
            some = [draw(rng, irregularity=float(rng.uniform(0.12, 0.3)), **options) for _ in range(n)]
        else:
            some = [draw(rng, **options) for _ in range(n)]
        got = measured(some, found)
        none = 100 * got["ppv"].isna().mean()
        because = 100 * ((got["facts"] & irregular) != 0).mean()
        print(f"  {name:13} {len(got)} windows: without ppv {none:5.1f} %, irregular rhythm {because:5.1f} %")


def disturbed(rng: np.random.Generator, n: int, found: bool) -> None:
    print("other conditions, ppv and ppv_robust against noise-free formula and curve")
    cases: dict[str, dict[str, Any]] = {
        "5 % ectopic beats": {"ectopic_share": 0.05},
        "line rings (10 Hz, 0.15)": {"line_hz": 10.0, "line_damping": 0.15, "meant_at": "artery"},
        "overdamped line (6 Hz, 1.2)": {"line_hz": 6.0, "line_damping": 1.2, "meant_at": "artery"},
    }
    for name, options in cases.items():
        got = measured([draw(rng, **options) for _ in range(n)], found)
        print(row(f"{name}: ppv", got["ppv"] - got["true"], ASKED_POINTS))
        print(row("   ppv_robust", got["ppv_robust"] - got["true_robust"], ASKED_POINTS))


def main(argv: Sequence[str] | None = None) -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--recordings", type=int, default=60)
    parser.add_argument("--found", action="store_true", help="breaths read off the pressure by analyse()")
    options = parser.parse_args(argv)
    rng = np.random.default_rng([options.seed, 55])
    found = measured([draw(rng) for _ in range(options.recordings)], options.found)
    table("regular rhythm, 10 to 30 breaths/min, 125 Hz and up, steps to 0.5 mmHg, true ppv 2 to 30 %", found)
    if options.found:
        by_verdict(found)
    by_beats(found)
    coverage(found)
    coarse(rng, options.found)
    few = max(options.recordings // 5, 3)
    rhythms(rng, few, options.found)
    disturbed(rng, few, options.found)
    shown = ", ".join(f"{n}: {float(swing_capture(n).mean):.2f}" for n in (3, 4, 5, 6, 8))
    print(f"mean share of a sinusoidal swing that beats show, by beats a breath: {shown}")


if __name__ == "__main__":
    main()
