"""
Beats and spans against simulated truth, over the whole range the detector claims.

Run it with ``python -m tests.bench.detection [--scenarios 504] [--seed 2026]``. The seed is one that no
rule was tuned on. Beside each family stands a plain band-pass and peak-picking script.
"""

from __future__ import annotations

import argparse
from collections.abc import Iterable
from concurrent.futures import ProcessPoolExecutor
from typing import Any

import numpy as np

Rows = list[dict[str, Any]]


def one(scenario: Any) -> dict[str, Any]:
    """Simulate and score one scenario."""
    from hemoidx.simulate import simulate_arrays
    from tests.bench.scoring import score_recording

    pressure, fs, scale, truth = simulate_arrays(scenario)
    row = score_recording(pressure, fs, scale, truth)
    row.pop("reading")
    return {**row, "name": scenario.name, "family": scenario.family, "scenario": scenario}


def total(rows: Rows, key: str) -> int:
    """Sum over the recordings."""
    return int(sum(row[key] for row in rows))


def rates(rows: Rows) -> tuple[float, float]:
    """Gross sensitivity and positive predictivity [%]."""
    found = total(rows, "found")
    return 100 * found / max(1, total(rows, "reference")), 100 * found / max(1, found + total(rows, "false"))


def errors(rows: Rows, name: str) -> np.ndarray:
    """Errors of the believed clear beats, all recordings together."""
    return np.concatenate([row["errors"][name] for row in rows])


def within(rows: Rows, name: str) -> float:
    """Share of beats within 2 mmHg or two quantisation steps [%]."""
    inside, count = 0, 0
    for row in rows:
        error = row["errors"][name]
        error = error[np.isfinite(error)]
        inside += int(np.sum(np.abs(error) <= tolerance(row)))
        count += error.size
    return 100 * inside / max(1, count)


def spread(rows: Rows) -> float:
    """Standard deviation of the onset error about each recording's median [ms]."""
    parts = [row["errors"]["onset_s"] for row in rows]
    return float(np.std(np.concatenate([p - np.median(p) for p in parts if p.size]))) * 1000


def line(name: str, rows: Rows) -> str:
    """One row of the table."""
    se, ppv = rates(rows)
    base_found = total(rows, "baseline_found")
    base_se = 100 * base_found / max(1, total(rows, "reference"))
    base_ppv = 100 * base_found / max(1, base_found + total(rows, "baseline_false"))
    clean = 100 * sum(r["clean_marked_s"] for r in rows) / sum(r["clean_s"] for r in rows)
    tolerance = " ".join(f"{within(rows, k):5.1f}" for k in ("sbp", "dbp", "mbp"))
    bias = " ".join(f"{np.nanmean(errors(rows, k)):+5.2f}" for k in ("sbp", "dbp", "mbp"))
    doubt = 100 * total(rows, "doubted") / max(1, total(rows, "reference"))
    return (
        f"{name:22s} {len(rows):4d} {total(rows, 'reference'):7d} {se:6.2f} {ppv:6.2f} {doubt:5.2f} "
        f"{total(rows, 'inside_event'):4d}/{total(rows, 'inside_event_believed'):<4d} {spread(rows):4.1f}  "
        f"{tolerance}  {bias}  {clean:4.2f}   {base_se:5.1f} {base_ppv:5.1f}"
    )


def tolerance(row: dict[str, Any]) -> float:
    """Error that a beat's value may have: two millimetres of mercury or two steps [mmHg]."""
    return max(2.0, 2.0 * row["step"])


def print_events(rows: Rows) -> None:
    """Coverage of the events by kind, of all and of those that can move a value beyond the tolerance."""
    print(
        "\nevents: count, share covered to 80 % or more. Left out of the second share: events that change\n"
        "the pressure at the recorder's input, disturbed less undisturbed, by no more than 2 mmHg or two\n"
        "steps at any moment, and so no value beyond its tolerance. Share of their time covered, and named"
    )
    kinds = sorted({event[0] for row in rows for event in row["events"]})
    for kind in kinds:
        table = np.array([(*e[1:], tolerance(row)) for row in rows for e in row["events"] if e[0] == kind])
        weight, felt = table[:, 2], table[:, 3] > table[:, 4]
        whole = table[:, 0] >= 0.8
        without = f"{100 * np.mean(whole[felt]):6.2f} %" if felt.any() else "    none"
        print(
            f"  {kind:14s} {len(table):5d} {100 * np.mean(whole):6.2f} % "
            f"  left out {np.sum(~felt):4d}: {without} "
            f"  {100 * np.sum(table[:, 0] * weight) / weight.sum():6.1f} % "
            f"{100 * np.sum(table[:, 1] * weight) / weight.sum():6.1f} %"
        )


def print_worst(rows: Rows, count: int = 12) -> None:
    """Print the recordings with the lowest sensitivity plus predictivity."""
    print("\nworst recordings")
    for row in sorted(rows, key=lambda r: sum(rates([r])))[:count]:
        se, ppv = rates([row])
        s = row["scenario"]
        print(
            f"  {row['name']:26s} Se {se:5.1f} +P {ppv:5.1f}  {s.fs:g} Hz, {s.rate:.0f}/min, "
            f"pulse {s.pulse_pressure:.0f}, step {s.step:.2f}, noise {s.noise:.2f} mmHg, "
            f"line {s.line_hz:.0f} Hz {s.line_damping:.2f}, dicrotic {s.dicrotic:.2f}"
        )


def report(rows: Rows) -> None:
    """Print the whole table."""
    print(
        f"{'family':22s}    n   beats     Se     +P doubt   in event onset  within 2 mmHg, 2 steps  bias mmHg"
        "           clean   baseline"
    )
    print(
        f"{'':22s}                 %      %     % any/believed sd ms   sbp   dbp   mbp    sbp   dbp   mbp  "
        "marked %  Se    +P"
    )
    for family in dict.fromkeys(row["family"] for row in rows):
        print(line(family, [row for row in rows if row["family"] == family]))
    print(line("all", rows))
    print_events(rows)
    print_worst(rows)


def run(scenarios: Iterable[Any], workers: int) -> Rows:
    """Score all scenarios in some processes."""
    with ProcessPoolExecutor(workers) as pool:
        return list(pool.map(one, scenarios, chunksize=8))


def main() -> None:
    """Parse the command line and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--scenarios", type=int, default=504)
    parser.add_argument("--seed", type=int, default=2026)
    parser.add_argument("--workers", type=int, default=2)
    chosen = parser.parse_args()
    from hemoidx.simulate import random_scenarios

    report(run(random_scenarios(chosen.scenarios, chosen.seed), chosen.workers))


if __name__ == "__main__":
    main()
