"""
Natural frequency and damping from simulated flushes, against truth and against the information bound.

Run it with ``python -m tests.bench.flush [--repeats 1] [--seed 2026] [--thin 1] [--simulator module:name]``;
with ``--pooled N`` it puts three flushes of each of N lines together instead. The
simulator is any function of a `Case` that returns a `Flushed`; without one it is the package's own line of
second order. Each flush is found by the package (spans and feet of `beats.read`), nothing is told to it.
"""

from __future__ import annotations

import argparse
import itertools
from collections.abc import Callable, Iterable
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from functools import partial
from importlib import import_module
from math import erfc, sqrt
from typing import Any

import numpy as np

HZ = (5.0, 7.0, 10.0, 14.0, 20.0, 28.0, 40.0)
DAMPING = (0.05, 0.1, 0.2, 0.3, 0.4, 0.55, 0.7, 0.85, 1.0, 1.2)
RATES = (125.0, 250.0, 500.0, 1000.0)
NOISE = 0.3


@dataclass(frozen=True)
class Case:
    """One line, one recorder, one patient, one flush."""

    hz: float
    damping: float
    fs: float
    step: float
    rail: float
    rate: float
    pulse: float
    start_s: float
    length_s: float
    seed: int


@dataclass(frozen=True)
class Flushed:
    """A recording with a flush, and when the flush was let go [s]."""

    wave: np.ndarray
    fs: float
    scale: list[dict[str, Any]]
    release_s: float


def second_order(case: Case) -> Flushed:
    """The package's own simulation."""
    from hemoidx.simulate import Event, Scenario, simulate_arrays

    scenario = Scenario(
        seed=case.seed,
        duration_s=40.0,
        fs=case.fs,
        step=case.step,
        rail_high=case.rail,
        rate=case.rate,
        pulse_pressure=case.pulse,
        noise=NOISE,
        line_hz=case.hz,
        line_damping=case.damping,
        events=(Event("flush", case.start_s, case.length_s),),
    )
    wave, fs, scale, truth = simulate_arrays(scenario)
    return Flushed(wave, fs, scale, float(truth.spans["end_s"].iloc[0]))


def cases(repeats: int, seed: int, thin: int = 1) -> list[Case]:
    """The grid; steps, rail, patient and moment of the release drawn evenly; thinned alike at each rate."""
    rng = np.random.default_rng(seed)
    grid = list(itertools.product(range(repeats), HZ, DAMPING, RATES))
    out = [
        Case(
            hz=hz,
            damping=damping,
            fs=fs,
            step=float(rng.uniform(0.5, 1.25)),
            rail=float(rng.choice([270.0, 284.0, 300.0])),
            rate=float(rng.uniform(50, 115)),
            pulse=float(rng.uniform(30, 75)),
            start_s=float(rng.uniform(18, 20)),
            length_s=float(rng.uniform(0.9, 2.2)),
            seed=seed * 1000 + k,
        )
        for k, (_, hz, damping, fs) in enumerate(grid)
    ]
    if thin == 1:
        return out
    kept: list[int] = []
    for k in range(len(RATES)):
        cells = rng.permutation(len(out) // len(RATES))
        kept += (cells[: len(cells) // thin] * len(RATES) + k).tolist()
    return [out[k] for k in sorted(kept)]


#: What the information bound reckons with: every sample after the release; of these only what lies below the
#: rail; and that the pulse underneath is known no better than from the other beats.
REACHES = ("all samples", "below the rail", "pulse unsure")


def bound(case: Case, drop: float, t: np.ndarray, wander: np.ndarray | float = 0.0) -> tuple[float, float]:
    """
    Smallest standard errors that noise and sampling allow: relative one of natural frequency, one of damping.

    Cramer-Rao from the true parameters: samples at times `t` [s] after the release, noise and steps as they
    are simulated, level, drift, and level and slope at the release unknown, nothing of the recorder;
    `wander` is the covariance of what the pulse underneath may do [mmHg^2].
    """
    from hemoidx.line.response import free_response

    def ring(hz: float, z: float, slope: float = 0.0) -> np.ndarray:
        return free_response(t, hz, z, 0.0 if slope else drop, slope)

    d, hz, z = 1e-4, case.hz, case.damping + 1e-3 * (case.damping == 1.0)
    columns = [
        (ring(hz * (1 + d), z) - ring(hz * (1 - d), z)) / (2 * d),
        (ring(hz, z + d) - ring(hz, z - d)) / (2 * d),
        ring(hz, z) / drop,
        ring(hz, z, 1.0) * hz,
        np.ones(t.size),
        t,
    ]
    # Noise of the simulated recorder: two thirds white, one third below about 3 Hz; steps are white.
    lag = np.abs(np.subtract.outer(t, t))
    noise = NOISE**2 / 3 * np.exp(-2 * np.pi * 3.0 * lag) + wander
    noise[np.diag_indices_from(noise)] += NOISE**2 * 2 / 3 + case.step**2 / 12
    jacobian = np.linalg.solve(np.linalg.cholesky(noise), np.column_stack(columns))
    covariance = np.linalg.pinv(jacobian.T @ jacobian, rcond=1e-14)
    return float(np.sqrt(covariance[0, 0])), float(np.sqrt(covariance[1, 1]))


def limits(case: Case, made: Flushed, length: float = 1.2) -> dict[str, tuple[float, float]]:
    """The information bound for each of `REACHES`."""
    first = int(np.floor(made.release_s * case.fs + 0.5)) + 1
    piece = made.wave[first : first + round(length * case.fs)]
    t = (np.arange(piece.size) + first) / case.fs - made.release_s
    seen = piece < made.scale[0]["rail_high"] - 0.5 * made.scale[0]["step"]
    wander = pulse_wander(case, made.release_s, t)[np.ix_(seen, seen)]
    every = (bound(case, 190.0, t), bound(case, 190.0, t[seen]), bound(case, 190.0, t[seen], wander))
    return dict(zip(REACHES, every, strict=True))


def pulse_wander(case: Case, release_s: float, t: np.ndarray) -> np.ndarray:
    """Covariance of the patient's pressure at times after a release, over beats caught in the same phase."""
    from hemoidx.simulate import Scenario, simulate_arrays

    scenario = Scenario(
        seed=case.seed,
        duration_s=40.0,
        fs=case.fs,
        step=0.01,
        rate=case.rate,
        pulse_pressure=case.pulse,
        noise=0.0,
        line_hz=case.hz,
        line_damping=case.damping,
    )
    wave, fs, _, truth = simulate_arrays(scenario)
    feet = truth.beats["onset_s"].to_numpy()
    phase = release_s - feet[feet < release_s].max()
    first = np.round((feet + phase + t[0]) * fs).astype(np.int64)
    first = first[(first >= 0) & (first + t.size <= wave.size)]
    pieces = wave[first[:, None] + np.arange(t.size)].astype(np.float64)
    return np.asarray(np.cov(pieces - pieces.mean(axis=1, keepdims=True), rowvar=False))


def one(case: Case, simulator: Callable[[Case], Flushed]) -> dict[str, Any]:
    """Simulate, find the flush, measure it."""
    from hemoidx.beats import read
    from hemoidx.line.measure import measure_flushes

    made = simulator(case)
    reading = read(made.wave, made.fs, made.scale)
    flushes, other = reading.spans.of("flush"), reading.spans
    row: dict[str, Any] = {"case": case, "reading": None}
    row["bounds"] = limits(case, made)
    near = np.abs(flushes.stop / made.fs - made.release_s) < 0.7
    if near.any():
        scale = made.scale[0]
        row["reading"] = measure_flushes(
            made.wave,
            made.fs,
            flushes.start[near][-1:],
            flushes.stop[near][-1:],
            step=scale["step"],
            rails=(scale["rail_low"], scale["rail_high"]),
            feet=reading.onset,
            other=(other.start, other.stop),
        )[0]
    return row


def pooled(case: Case) -> dict[str, Any]:
    """Three flushes of one line, measured one by one and put together."""
    from hemoidx.beats import read
    from hemoidx.line import measure_flushes, pool
    from hemoidx.simulate import Event, Scenario, simulate_arrays

    scenario = Scenario(
        seed=case.seed,
        duration_s=65.0,
        fs=case.fs,
        step=case.step,
        rail_high=case.rail,
        rate=case.rate,
        pulse_pressure=case.pulse,
        noise=NOISE,
        line_hz=case.hz,
        line_damping=case.damping,
        events=tuple(Event("flush", case.start_s + 13.0 * k, case.length_s) for k in (-0.5, 0.5, 1.5)),
    )
    wave, fs, scale, _ = simulate_arrays(scenario)
    reading = read(wave, fs, scale)
    flushes, other = reading.spans.of("flush"), reading.spans
    measured = measure_flushes(
        wave,
        fs,
        flushes.start,
        flushes.stop,
        step=scale[0]["step"],
        rails=(scale[0]["rail_low"], scale[0]["rail_high"]),
        feet=reading.onset,
        other=(other.start, other.stop),
    )
    return {"case": case, "reading": pool(measured)}


def pooled_table(rows: list[dict[str, Any]]) -> str:
    """How often pooled intervals hold the truth."""
    lines = []
    for title, told in (("resolved", True), ("not resolved", False)):
        part = [row for row in rows if row["reading"].n_flushes and row["reading"].resolved is told]
        held = [covers(row) for row in part]
        near = [
            all(good(row["case"], row["reading"].natural_frequency_hz, row["reading"].damping_ratio))
            for row in part
        ]
        lines.append(
            f"{title}: {len(part)} lines; intervals hold fn {share([a for a, _ in held])}, "
            f"z {share([b for _, b in held])}; both near enough {share(near)}"
        )
    return "\n".join(lines)


def run(list_of: Iterable[Case], simulator: Callable[[Case], Flushed], workers: int) -> list[dict[str, Any]]:
    work = partial(one, simulator=simulator)
    if workers < 2:
        return [work(case) for case in list_of]
    with ProcessPoolExecutor(workers) as pool:
        return list(pool.map(work, list_of, chunksize=4))


def good(case: Case, hz: float, z: float) -> tuple[bool, bool]:
    """Whether both are as near to the truth as required."""
    return abs(hz / case.hz - 1) <= 0.03, abs(z - case.damping) <= max(0.03, 0.06 * case.damping)


def covers(row: dict[str, Any]) -> tuple[bool, bool]:
    r, case = row["reading"], row["case"]
    return (
        r.natural_frequency_hz_low <= case.hz <= r.natural_frequency_hz_high,
        r.damping_ratio_low <= case.damping <= r.damping_ratio_high,
    )


def share(values: list[bool]) -> str:
    return f"{100 * np.mean(values):5.1f} %" if values else "   –   "


def allowed(row: dict[str, Any], reach: str = REACHES[0]) -> bool:
    """Whether the bound allows a standard error of 2 % (damping: or of 0.01)."""
    hz, z = row["bounds"][reach]
    return bool(hz <= 0.02 and z <= max(0.01, 0.02 * row["case"].damping))


def expected_misses(row: dict[str, Any], reach: str) -> tuple[float, float]:
    """How often an unbiased estimator at the bound would miss what is asked of each of the two."""
    hz, z = row["bounds"][reach]
    return erfc(0.03 / hz / sqrt(2)), erfc(max(0.03, 0.06 * row["case"].damping) / z / sqrt(2))


def against_bounds(rows: list[dict[str, Any]]) -> str:
    """
    Misses, and those of an efficient estimator, where each bound allows a standard error of 2 %.

    `size`: middle of the errors over the bound's own standard errors, in units of the middle of a normal
    distribution; 1 for an efficient estimator.
    """
    lines = [
        f"{'damping':>12} {'bound':>15} {'excluded':>9} {'n':>4} {'fn miss':>8} {'expected':>9} "
        f"{'z miss':>7} {'expected':>9} {'fn size':>8} {'z size':>7}"
    ]
    # A flush that was found and of which nothing is claimed counts as a miss.
    seen = [row for row in rows if row["reading"] is not None]
    for low, high in ((0.0, 9.0), (0.0, 0.8), (0.8, 9.0)):
        part = [row for row in seen if low <= row["case"].damping < high]
        for reach in REACHES:
            inside = [row for row in part if allowed(row, reach)]
            if not inside:
                continue
            close = [
                good(row["case"], row["reading"].natural_frequency_hz, row["reading"].damping_ratio)
                for row in inside
            ]
            due = np.sum([expected_misses(row, reach) for row in inside], axis=0)
            size = np.nanmedian([_sizes(row, reach) for row in inside], axis=0) / 0.6745
            lines.append(
                f"{f'{low:g} to {high:g}':>12} {reach:>15} {100 * (1 - len(inside) / len(part)):7.1f} % "
                f"{len(inside):4d} {sum(not a for a, _ in close):8d} {due[0]:9.1f} "
                f"{sum(not b for _, b in close):7d} {due[1]:9.1f} {size[0]:8.2f} {size[1]:7.2f}"
            )
    return "\n".join(lines)


def _sizes(row: dict[str, Any], reach: str) -> tuple[float, float]:
    """Errors of both in standard errors that the bound allows."""
    r, case, (hz, z) = row["reading"], row["case"], row["bounds"][reach]
    return abs(r.natural_frequency_hz / case.hz - 1) / hz, abs(r.damping_ratio - case.damping) / z


def summary(rows: list[dict[str, Any]]) -> dict[str, str]:
    """One line of the table."""
    from hemoidx.line.dynamics import slow_pole

    seen = [row for row in rows if row["reading"] is not None and np.isfinite(row["reading"].damping_ratio)]
    inside = [row for row in seen if allowed(row)]
    close = [
        good(row["case"], row["reading"].natural_frequency_hz, row["reading"].damping_ratio) for row in inside
    ]
    told = [row for row in seen if row["reading"].resolved]
    rest = [row for row in seen if not row["reading"].resolved]
    told_close = [
        good(row["case"], row["reading"].natural_frequency_hz, row["reading"].damping_ratio) for row in told
    ]
    bedside = [
        all(good(row["case"], b.natural_frequency_hz, b.damping_ratio))
        if (b := row["reading"].bedside) is not None
        else False
        for row in seen
    ]
    slow = [
        abs(row["reading"].slow_pole_s - slow_pole(row["case"].hz, row["case"].damping))
        <= 1.96 * row["reading"].slow_pole_s_se
        for row in seen
        if np.isfinite(row["reading"].slow_pole_s)
    ]
    return {
        "n": f"{len(rows):4d}",
        "found": share([row in seen for row in rows]),
        "excluded": share([not allowed(row) for row in seen]),
        "fn 3 %": share([a for a, _ in close]),
        "z .03": share([b for _, b in close]),
        "given": share([row["reading"].resolved for row in seen]),
        "given ok": share([a and b for a, b in told_close]),
        "cov fn": share([covers(row)[0] for row in told]),
        "cov z": share([covers(row)[1] for row in told]),
        "int fn": share([covers(row)[0] for row in rest]),
        "int z": share([covers(row)[1] for row in rest]),
        "slow": f"{len(slow):4d}",
        "cov slow": share(slow),
        "bedside": share([row["reading"].bedside is not None for row in seen]),
        "bed ok": share(bedside),
    }


def table(rows: list[dict[str, Any]]) -> str:
    """Shares overall, by damping, by rate and by natural frequency."""
    lines = []
    for title, key in (("all", None), ("z", "damping"), ("fs", "fs"), ("fn", "hz")):
        values = [None] if key is None else sorted({getattr(row["case"], key) for row in rows})
        for value in values:
            part = [row for row in rows if key is None or getattr(row["case"], key) == value]
            cells = summary(part)
            if not lines:
                lines.append(f"{'':>9} " + " ".join(f"{name:>8}" for name in cells))
            label = title if value is None else f"{title} {value:g}"
            lines.append(f"{label:>9} " + " ".join(f"{cell:>8}" for cell in cells.values()))
    return "\n".join(lines)


def worst(rows: list[dict[str, Any]], count: int = 20) -> str:
    """Cases within the bound that miss the requirement."""
    lines = []
    for row in rows:
        r, case = row["reading"], row["case"]
        if r is None or not allowed(row) or all(good(case, r.natural_frequency_hz, r.damping_ratio)):
            continue
        lines.append(
            f"fn {case.hz:g} z {case.damping:g} fs {case.fs:g} step {case.step:.2f}: "
            f"{r.natural_frequency_hz:.2f} "
            f"[{r.natural_frequency_hz_low:.1f}, {r.natural_frequency_hz_high:.1f}], "
            f"{r.damping_ratio:.3f} [{r.damping_ratio_low:.2f}, {r.damping_ratio_high:.2f}], {r.method}, "
            f"bounds fn {_three(row, 0)}, z {_three(row, 1)}, "
            f"misfit {r.misfit:.1f} {r.reason}"
        )
    return "\n".join(lines[:count])


def _three(row: dict[str, Any], which: int) -> str:
    """The bounds of one parameter, in the order of `REACHES`."""
    return " / ".join(f"{row['bounds'][reach][which]:.4f}" for reach in REACHES)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--repeats", type=int, default=1)
    parser.add_argument("--seed", type=int, default=2026)
    parser.add_argument("--thin", type=int, default=1, help="one in so many cases of the grid")
    parser.add_argument("--pooled", type=int, default=0, help="so many lines with three flushes each")
    parser.add_argument("--workers", type=int, default=1)
    parser.add_argument("--simulator", default="tests.bench.flush:second_order")
    parser.add_argument("--save")
    options = parser.parse_args()
    if options.pooled:
        drawn = cases(1, options.seed)
        chosen = np.random.default_rng(options.seed).permutation(len(drawn))[: options.pooled]
        print(pooled_table([pooled(drawn[k]) for k in chosen]))
        return
    module, _, name = options.simulator.partition(":")
    rows = run(
        cases(options.repeats, options.seed, options.thin),
        getattr(import_module(module), name),
        options.workers,
    )
    if options.save:
        import pickle

        with open(options.save, "wb") as file:
            pickle.dump(rows, file)
    print(table(rows))
    print("\nMisses beside those of an efficient estimator, by what its bound reckons with:")
    print(against_bounds(rows))
    print("\nWithin the bound, but not within 3 % and 0.03 or 6 %:")
    print(worst(rows, 40))


if __name__ == "__main__":
    main()
