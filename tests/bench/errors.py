"""
Standard errors of windows: how often they hold the value of the steady state they are a sample of.

A steady recording of 15 minutes is cut into its windows of 30 s. Each window's value should lie within
2.57 standard errors of the mean over the recording (95 % of Student's t with five degrees of freedom: six
blocks) in 95 of 100 windows. Held against the measured mean, not the true one: a bias is no random error.

Run as ``python -m tests.bench.errors [--seed N] [--recordings N]``.
"""

from __future__ import annotations

import argparse
from collections import defaultdict

import numpy as np

import hemoidx as hx
from hemoidx.simulate import Scenario, simulate

WITHIN = 2.571
SKIP = ("duration",)


def draw(rng: np.random.Generator, k: int) -> Scenario:
    """One steady patient: no drift, any breathing, rhythm, noise and step."""
    return Scenario(
        name=f"steady_{k:03d}",
        seed=int(rng.integers(1_000_000)),
        duration_s=900.0,
        drift=0.0,
        breathing=str(rng.choice(["none", "controlled", "spontaneous"])),
        breath_rate=float(rng.uniform(9.0, 25.0)),
        breath_pulse=float(rng.uniform(0.03, 0.2)),
        breath_level=float(rng.uniform(0.0, 8.0)),
        rate=float(rng.uniform(50.0, 120.0)),
        rhythm=str(rng.choice(["sinus", "sinus", "atrial_fibrillation"])),
        step=float(rng.choice([0.1, 0.25, 1.0])),
        noise=float(rng.uniform(0.1, 0.8)),
    )


def covered(seed: int, recordings: int) -> dict[tuple[str, str], tuple[int, int]]:
    """For index and rhythm, windows whose error holds the mean, and windows with an error."""
    rng = np.random.default_rng(seed)
    out: dict[tuple[str, str], list[int]] = defaultdict(lambda: [0, 0])
    for k in range(recordings):
        scenario = draw(rng, k)
        result = hx.analyse(simulate(scenario).recording, context={"breathing": "unknown"})
        for index in result.catalogue.measured_in("windows"):
            if index.name in SKIP or not index.has_se:
                continue
            value = result.windows[index.column].to_numpy()
            error = result.windows[f"{index.column}_se"].to_numpy()
            known = np.isfinite(value) & np.isfinite(error)
            if known.sum() < 10:
                continue
            inside = np.abs(value - value[known].mean())[known] <= WITHIN * error[known]
            kept = out[index.name, scenario.rhythm]
            kept[0] += int(inside.sum())
            kept[1] += int(known.sum())
    return {key: (inside, known) for key, (inside, known) in out.items()}


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seed", type=int, default=2026)
    parser.add_argument("--recordings", type=int, default=30)
    chosen = parser.parse_args()
    found = covered(chosen.seed, chosen.recordings)
    print(f"seed {chosen.seed}, {chosen.recordings} recordings; asked for: 95 %")
    print(f"{'index':28}{'rhythm':22}{'held':>8}{'windows':>9}")
    for (name, rhythm), (inside, known) in found.items():
        print(f"{name:28}{rhythm:22}{100 * inside / known:7.1f}%{known:9d}")


if __name__ == "__main__":
    main()
