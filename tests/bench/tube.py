"""
Flushes and corrections of distributed lines, measured and undone by a package that believes in second order.

Run it with ``python -m tests.bench.tube [--thin 13] [--patients 1] [--seed 2026]``; about a minute and a half
of one free core. Lines are tuned near a wanted natural frequency and damping ratio in two ways, because they
part from second order differently: by the compliance of the wall ("wall") or by air at the transducer
("air"). Everything is reported as found; nothing here passes or fails.
"""

from __future__ import annotations

import argparse
import dataclasses
from collections.abc import Callable
from functools import lru_cache
from typing import Any

import numpy as np
import pandas as pd

from hemoidx.line.physics import PhysicalLine, lumped
from hemoidx.simulate.release import CLOSING_S, FLUSH_FLOW
from hemoidx.simulate.tube import Equivalent, equivalent, through_tube
from tests.bench import flush, line

FAMILIES = ("wall", "air")
CLOSINGS = (0.02, 0.05, CLOSING_S)
# Bore of tubing and cannula [mm] and loss of the wall, from the usual to what little damping needs.
_WIDER = (
    (1.5, 0.8, 0.1),
    (1.8, 1.0, 0.06),
    (2.2, 1.3, 0.03),
    (3.0, 2.0, 0.01),
    (4.5, 3.0, 0.0),
    (7.0, 5.0, 0.0),
)


@dataclasses.dataclass(frozen=True)
class TubeCase(flush.Case):
    """A case whose `hz` and `damping` are those of the free ringing of a distributed line."""

    line: PhysicalLine = dataclasses.field(default_factory=PhysicalLine)
    closing_s: float = CLOSING_S
    flow: float = FLUSH_FLOW
    family: str = "wall"
    wanted: tuple[float, float] = (0.0, 0.0)


@lru_cache(maxsize=1024)
def tuned(hz: float, damping: float, family: str, length_cm: float = 120.0) -> PhysicalLine:
    """A line near a natural frequency [Hz] and a damping ratio, by the lumped model."""
    from scipy.optimize import brentq

    for bore, cannula, loss in _WIDER:
        base = PhysicalLine(
            tubing_length_cm=length_cm,
            tubing_bore_mm=bore,
            cannula_bore_mm=cannula,
            wall_loss=loss,
            taps=1,
            tap_bore_mm=max(2.0, bore),
            transducer_compliance_mm3_per_100mmhg=0.05,
            wall_compliance_mm3_per_mmhg_m=1e-4,
        )

        def made(x: float, base: PhysicalLine = base) -> PhysicalLine:
            if family == "wall":
                return base.replace(wall_compliance_mm3_per_mmhg_m=float(np.exp(x)))
            return base.replace(bubble_volume_ml=float(np.exp(x)))

        found = brentq(lambda x: np.log(lumped(made(x)).natural_frequency_hz / hz), -14.0, 2.5, xtol=1e-4)
        out = made(found)
        lack = damping - lumped(out).damping_ratio
        if lack >= 0:
            break
    if lack > 0:
        each = lumped(out.replace(constriction_mmhg_s_per_ml=100.0)).damping_ratio - lumped(out).damping_ratio
        out = out.replace(constriction_mmhg_s_per_ml=100.0 * lack / each)
    return out


def flushed(case: flush.Case) -> flush.Flushed:
    """A recording through the line of a case, with its flush entering at the transducer."""
    from hemoidx.simulate import Event, Scenario, simulate_arrays

    assert isinstance(case, TubeCase)
    scenario = Scenario(
        seed=case.seed,
        duration_s=40.0,
        fs=case.fs,
        step=case.step,
        rail_high=case.rail,
        rate=case.rate,
        pulse_pressure=case.pulse,
        noise=flush.NOISE,
        line=case.line,
        closing_s=case.closing_s,
        flush_flow=case.flow,
        events=(Event("flush", case.start_s, case.length_s),),
    )
    wave, fs, scale, truth = simulate_arrays(scenario)
    return flush.Flushed(wave, fs, scale, float(truth.spans["end_s"].iloc[0]))


def rings(found: Equivalent) -> tuple[float, float]:
    """What a flush can tell: the free ringing, or where there is none the nearest line of second order."""
    if np.isfinite(found.ringing_hz):
        return found.ringing_hz, found.ringing_damping
    return found.natural_frequency_hz, found.damping_ratio


def cases(seed: int, thin: int) -> list[TubeCase]:
    """Points of the grid of the flush benchmark; family, length and valve are drawn."""
    rng = np.random.default_rng([seed, 5])
    out = []
    for case in flush.cases(1, seed, thin):
        family = FAMILIES[int(rng.integers(2))]
        made = tuned(case.hz, case.damping, family, float(rng.choice([90.0, 120.0, 150.0])))
        hz, damping = rings(equivalent(made))
        values = {f.name: getattr(case, f.name) for f in dataclasses.fields(case)}
        values |= {"hz": hz, "damping": damping, "line": made, "family": family}
        closing = float(rng.uniform(0.04, 0.1))
        out.append(TubeCase(**values, wanted=(case.hz, case.damping), closing_s=closing))
    return out


def against_transfer(row: dict[str, Any]) -> dict[str, Any]:
    """The same reading judged by the second-order line that passes the patient's pulse most alike."""
    found = equivalent(row["case"].line)
    case = dataclasses.replace(row["case"], hz=found.natural_frequency_hz, damping=found.damping_ratio)
    return row | {"case": case}


def flush_table(rows: list[dict[str, Any]]) -> str:
    """Shares, as in the flush benchmark, by family, wanted damping and rate."""
    groups: list[tuple[str, Callable[[TubeCase], bool]]] = [("all", lambda case: True)]
    groups += [(family, lambda case, f=family: case.family == f) for family in FAMILIES]  # type: ignore[misc]
    for name, low, high in (("z < 0.25", 0.0, 0.25), ("z < 0.6", 0.25, 0.6), ("z >= 0.6", 0.6, 9.0)):
        groups.append((name, lambda case, a=low, b=high: a <= case.wanted[1] < b))  # type: ignore[misc]
    groups += [(f"fs {fs:g}", lambda case, r=fs: case.fs == r) for fs in flush.RATES]  # type: ignore[misc]
    lines: list[str] = []
    for name, of in groups:
        part = [row for row in rows if of(row["case"])]
        if not part:
            continue
        cells = flush.summary(part)
        if not lines:
            lines.append(f"{'':>9} " + " ".join(f"{cell:>8}" for cell in cells))
        lines.append(f"{name:>9} " + " ".join(f"{cell:>8}" for cell in cells.values()))
    return "\n".join(lines)


def flush_errors(rows: list[dict[str, Any]]) -> pd.DataFrame:
    """Middle and 90 % of the errors of resolved readings, against ringing and against the transfer."""
    out = []
    for family in FAMILIES:
        part = [r for r in rows if r["case"].family == family and r["reading"] is not None]
        part = [r for r in part if r["reading"].resolved]
        for name, judged in (("ringing", part), ("transfer", [against_transfer(r) for r in part])):
            hz = [100 * (r["reading"].natural_frequency_hz / r["case"].hz - 1) for r in judged]
            z = [r["reading"].damping_ratio - r["case"].damping for r in judged]
            if judged:
                q = np.quantile
                out.append(
                    {"family": family, "against": name, "n": len(judged), "fn_median_percent": np.median(hz),
                     "fn_90_percent": q(np.abs(hz), 0.9), "z_median": np.median(z), "z_90": q(np.abs(z), 0.9),
                     "misfit_median": np.median([r["reading"].misfit for r in judged])}
                )  # fmt: skip
    return pd.DataFrame(out).set_index(["family", "against"]) if out else pd.DataFrame()


def wrong(rows: list[dict[str, Any]]) -> str:
    """Readings given as numbers that miss the ringing by more than 10 % or 0.1."""
    lines = []
    for row in rows:
        case, r = row["case"], row["reading"]
        if r is None or not r.resolved:
            continue
        off = abs(r.natural_frequency_hz / case.hz - 1) > 0.1 or abs(r.damping_ratio - case.damping) > 0.1
        if off:
            lines.append(
                f"{case.family} {case.hz:.1f} Hz {case.damping:.2f}, closing {case.closing_s:.3f} s, "
                f"fs {case.fs:g}: {r.natural_frequency_hz:.1f} Hz {r.damping_ratio:.2f}, {r.method}, "
                f"misfit {r.misfit:.1f}"
            )
    return "\n".join(lines) or "none"


def example_case(made: PhysicalLine, closing_s: float, seed: int, fs: float = 250.0) -> TubeCase:
    """One flush on a given line, a quiet patient, fine steps."""
    hz, damping = rings(equivalent(made))
    return TubeCase(
        hz=hz, damping=damping, fs=fs, step=0.5, rail=300.0, rate=72.0, pulse=50.0, start_s=19.0,
        length_s=1.5, seed=seed, line=made, closing_s=closing_s,
    )  # fmt: skip


def examples(seed: int) -> pd.DataFrame:
    """Plain lines, what is true of them, and what one flush at 250 Hz tells, by how fast its valve closes."""
    usual = PhysicalLine()
    listed = {
        "usual": usual,
        "60 cm": usual.replace(tubing_length_cm=60.0),
        "soft tubing": usual.replace(wall_compliance_mm3_per_mmhg_m=0.05),
        "0.01 mL air": usual.replace(bubble_volume_ml=0.01),
        "0.1 mL air": usual.replace(bubble_volume_ml=0.1),
        "0.1 mL air at cannula": usual.replace(bubble_volume_ml=0.1, bubble_at=0.0),
        "narrow": usual.replace(constriction_mmhg_s_per_ml=300.0),
    }
    rows = []
    for name, made in listed.items():
        first, true = lumped(made), equivalent(made)
        row: dict[str, Any] = {
            "line": name,
            "lumped": f"{first.natural_frequency_hz:.1f} {first.damping_ratio:.3f}",
            "ringing": f"{true.ringing_hz:.1f} {true.ringing_damping:.3f}",
            "transfer": f"{true.natural_frequency_hz:.1f} {true.damping_ratio:.3f}",
            "misfit": f"{true.misfit:.3f}",
            "peak": f"{true.peak_hz:.1f} x{true.peak_gain:.2f}",
        }
        for closing in CLOSINGS:
            reading = flush.one(example_case(made, closing, seed), flushed)["reading"]
            row[f"flush {closing:g} s"] = (
                "-"
                if reading is None
                else f"{reading.natural_frequency_hz:.1f} {reading.damping_ratio:.3f}"
                + ("" if reading.resolved else " ?")
            )
        rows.append(row)
    return pd.DataFrame(rows).set_index("line")


def correction(patients: int, seed: int) -> pd.DataFrame:
    """Errors before and after correction with what a flush told, and with the nearest second-order line."""
    rows = []
    for family in FAMILIES:
        for kind, lines in (("underdamped", line.UNDERDAMPED), ("overdamped", line.OVERDAMPED)):
            # Corners and middle of what has to be undone.
            for k, (hz, damping) in enumerate(lines[::2]):
                made = tuned(hz, damping, family)
                true = equivalent(made)
                fs = line.RATES[k % 2]
                told = flush.one(example_case(made, CLOSING_S, seed + k, fs), flushed)["reading"]
                known = told is not None and told.resolved
                given = {"nearest": (true.natural_frequency_hz, true.damping_ratio)}
                if known:
                    given["flush"] = (told.natural_frequency_hz, told.damping_ratio)
                for number in range(patients):
                    key = seed * 1000 + number
                    for by in ("flush", "nearest"):
                        row = {"family": family, "kind": kind, "by": by, "hz": hz, "damping": damping}
                        rows.append(row | _corrected(key, made, given.get(by), fs))
    return pd.DataFrame(rows)


@lru_cache(maxsize=8)
def _patient(key: int) -> line.Patient:
    return line.draw_patient(key, duration_s=25.0)


def _corrected(
    key: int, made: PhysicalLine, given: tuple[float, float] | None, fs: float
) -> dict[str, float]:
    """One patient behind one line; without numbers of the line, or if refused, nothing is corrected."""
    from hemoidx.errors import InputError

    if given is None:
        return {"refused": 1.0}

    def forward(wave: np.ndarray, rate: float, hz: float, damping: float) -> np.ndarray:
        return through_tube(wave, made, rate)

    try:
        return {"refused": 0.0, **line.one_line(_patient(key), *given, fs, key, forward)}
    except InputError:
        return {"refused": 1.0}


def correction_summary(table: pd.DataFrame) -> pd.DataFrame:
    """Largest and 90 % absolute errors of systolic, diastolic, mean; before, expected, and after."""
    rows = []
    for (family, kind, by), part in table.groupby(["family", "kind", "by"], sort=False):
        row: dict[str, Any] = {"family": family, "kind": kind, "by": by, "n": len(part)}
        row["refused_percent"] = 100 * part["refused"].mean()
        for name in ("sbp", "dbp", "mbp"):
            raw, left = part[f"raw_{name}"].abs(), part[f"corrected_{name}"].abs()
            row |= {
                f"raw_{name}": raw.max(),
                f"left_{name}": left.max(),
                f"left_{name}_90": left.quantile(0.9),
            }
        row["expected_off_sbp"] = (part["expected_sbp"] - part["raw_sbp"]).abs().max()
        row["left_dpdt_percent"] = part["corrected_dpdt_max"].abs().max()
        rows.append(row)
    return pd.DataFrame(rows).set_index(["family", "kind", "by"]).T


def main() -> None:
    """Print the figures."""
    words = argparse.ArgumentParser(description=__doc__)
    words.add_argument("--thin", type=int, default=13, help="every so manieth case of the grid of flushes")
    words.add_argument("--patients", type=int, default=1)
    words.add_argument("--seed", type=int, default=2026)
    words.add_argument("--workers", type=int, default=1)
    given = words.parse_args()
    pd.set_option("display.width", 200)
    pd.set_option("display.max_columns", None)
    pd.set_option("display.float_format", "{:.2f}".format)
    print(
        "natural frequency [Hz] and damping ratio of plain lines; one flush at 250 Hz, valve closing in ..."
    )
    print(examples(given.seed))
    rows = flush.run(cases(given.seed, given.thin), flushed, given.workers)
    print("\nflushes, judged by the free ringing of the line")
    print(flush_table(rows))
    print("\nthe same, judged by the second-order line nearest to the patient-to-transducer transfer")
    print(flush_table([against_transfer(row) for row in rows]))
    print("\nerrors of the numbers given")
    print(flush_errors(rows))
    at_once = [dataclasses.replace(r["case"], closing_s=0.01, flow=0.0) for r in rows[::2]]
    print("\nevery second of them let go at once and without flow, as a step would be")
    print(flush_errors(flush.run(at_once, flushed, given.workers)))
    print("\nnumbers given that are off by more than 10 % or 0.1")
    print(wrong(rows))
    table = correction(given.patients, given.seed)
    print("\ncorrection (largest errors over lines and patients) [mmHg]")
    print(correction_summary(table))


if __name__ == "__main__":
    main()
