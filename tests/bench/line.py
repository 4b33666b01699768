"""
Adequacy, correction and hints of the line on simulated patients, against the pressure at the cannula.

Run it with ``python -m tests.bench.line [--patients 3] [--seed 2026] [--line module:function]``. First comes
the whole chain (`tests.bench.chain`): nothing is told to the package, which finds the flush, measures the
line, expects errors and corrects them. The line function takes pressure at the cannula, its rate, natural
frequency, damping ratio and flushes, and returns pressure at the transducer; without one it is the package's
own line of second order. Then what expecting and correcting alone can do, the line being known exactly, and
hints without any flush.
"""

from __future__ import annotations

import argparse
from collections.abc import Callable
from dataclasses import dataclass
from importlib import import_module
from typing import Any

import numpy as np
import pandas as pd

FINE_HZ = 1000.0
Forward = Callable[[np.ndarray, float, float, float], np.ndarray]

# Natural frequency [Hz] and damping ratio: the corners and middles of what has to be undone.
UNDERDAMPED = tuple((hz, z) for hz in (10.0, 14.0, 20.0) for z in (0.1, 0.2, 0.3))
OVERDAMPED = tuple((hz, z) for hz in (5.0, 6.5, 8.0) for z in (0.9, 1.1, 1.3))
RATES = (125.0, 250.0)


@dataclass(frozen=True)
class Patient:
    """Pressure at the cannula [mmHg] at `FINE_HZ`, noise-free, and its beats."""

    wave: np.ndarray
    beats: pd.DataFrame
    heart_rate: float


@dataclass(frozen=True)
class Recorded:
    """What the recorder wrote."""

    wave: np.ndarray
    fs: float
    scale: list[dict[str, Any]]


def second_order(wave: np.ndarray, fs: float, hz: float, damping: float) -> np.ndarray:
    """The package's own line."""
    from hemoidx.line.response import through

    return through(wave, hz, damping, fs)


def draw_patient(seed: int, duration_s: float = 40.0, **changes: Any) -> Patient:
    """One patient of many: rate, level, pulse and shape drawn from the seed, a line too fast to matter."""
    from hemoidx.simulate import Scenario, simulate_arrays

    rng = np.random.default_rng([seed, 77])
    rate = float(rng.uniform(48, 115))
    pulse = float(rng.uniform(30, 80))
    drawn: dict[str, Any] = {
        "rate": rate,
        "pulse_pressure": pulse,
        "mean_pressure": float(rng.uniform(60, 105)),
        "amplification": float(rng.uniform(0.6, 2.0)),
        "tube_hz": float(rng.uniform(5.0, 9.0)),
        "dicrotic": float(0.24 * rng.uniform() ** 1.4),
        "dicrotic_delay": float(rng.uniform(0.02, 0.25)),
        "upstroke": float(rng.uniform(0.7, 1.4)),
        "shoulder": float(0.5 * rng.uniform() ** 2),
        "rate_variability": float(rng.uniform(0.005, 0.03)),
        "breath_pulse": float(rng.uniform(0.0, 0.1)),
        "breath_level": float(rng.uniform(0.0, 0.06) * pulse),
    }
    scenario = Scenario(
        seed=seed, duration_s=duration_s, fs=FINE_HZ, noise=0.0, step=0.01, line_hz=80.0, line_damping=0.7,
        **(drawn | changes),
    )  # fmt: skip
    wave, _, _, truth = simulate_arrays(scenario)
    beats = truth.beats[truth.beats["clear"]].reset_index(drop=True)
    return Patient(wave.astype(np.float64), beats, float(60.0 / beats["duration_s"].median()))


def record(
    pressure: np.ndarray, fs: float, seed: int, noise: float = 0.3, step: float = 0.5, slow: float = 0.0,
    rail: float = 320.0,
) -> Recorded:  # fmt: skip
    """Low-pass, sampling, noise (of which `slow` is the share of power below 3 Hz), steps and rail."""
    from scipy import signal

    sos = signal.butter(4, 0.4 * fs, fs=FINE_HZ, output="sos")
    low, _ = signal.sosfilt(sos, pressure, zi=signal.sosfilt_zi(sos) * pressure[0])
    # The recorder's own delay is no part of the line.
    delay = round(2.6131 / (2 * np.pi * 0.4 * fs) * FINE_HZ)
    every = round(FINE_HZ / fs)
    wave = np.concatenate([low[delay:], np.full(delay, low[-1])])[::every]
    rng, keep = np.random.default_rng([seed, 78]), np.exp(-2 * np.pi * 3.0 / fs)
    wave = wave + np.sqrt(1.0 - slow) * rng.normal(0.0, noise, wave.size)
    if slow:
        slowly = signal.lfilter([np.sqrt(1 - keep * keep)], [1.0, -keep], rng.normal(0.0, noise, wave.size))
        wave = wave + np.sqrt(slow) * slowly
    rail = step * np.floor(rail / step)
    wave = np.minimum(step * np.round(wave / step), rail)
    scale = {
        "start": 0, "stop": wave.size, "gain": 1.0 / step, "baseline": 0, "units_in": "mmHg", "step": step,
        "rail_low": -60.0, "rail_high": rail, "calibrated": True,
    }  # fmt: skip
    return Recorded(wave, fs, [scale])


@dataclass(frozen=True)
class Read:
    """Numbers of the beats of a wave, with where they rise [s]."""

    rise_s: np.ndarray
    values: dict[str, np.ndarray]
    reading: Any


QUANTITIES = {"sbp": "sbp", "dbp": "dbp", "mbp": "mbp", "dpdt_max": "dpdt_max"}


def numbers(wave: np.ndarray, fs: float, scale: list[dict[str, Any]] | None) -> Read:
    """Beats and numbers of a wave as an analysis finds them."""
    from hemoidx.beats.reading import read
    from hemoidx.indices.pressure import readings as pressure
    from hemoidx.indices.upstroke.rise import dpdt_max

    found = read(wave, fs, scale)
    values = {
        "sbp": pressure.systolic_pressure(wave, found.peak, fs),
        "dbp": pressure.diastolic_pressure(wave, found.onset, found.steepest, fs),
        "mbp": pressure.mean_pressure(wave, found.onset, found.end),
        "dpdt_max": dpdt_max(wave, found.steepest, fs),
    }
    return Read(found.steepest / fs, values, found)


def differences(patient: Patient, got: Read, delay_s: float = 0.0) -> dict[str, np.ndarray]:
    """Numbers less truth, beat by beat [mmHg, mmHg/s]; the line comes `delay_s` late."""
    rise = patient.beats["steepest_s"].to_numpy() + delay_s
    place = np.abs(got.rise_s[:, None] - rise).argmin(axis=0)
    near = np.abs(got.rise_s[place] - rise) < 0.15
    return {
        name: (got.values[name][place] - patient.beats[column].to_numpy())[near]
        for name, column in QUANTITIES.items()
    }


def dynamics(hz: float, damping: float) -> Any:
    """A measured line about as a good flush gives it."""
    from hemoidx.line.dynamics import Dynamics

    return Dynamics(
        hz, damping, 0.008 * hz, 0.008, 0.984 * hz, 1.016 * hz, damping - 0.016, damping + 0.016,
        resolved=True, n_flushes=1,
    )  # fmt: skip


def one_line(
    patient: Patient, hz: float, damping: float, fs: float, seed: int, forward: Forward = second_order,
    measured: tuple[float, float] = (0.0, 0.0), noise: float = 0.3, step: float = 0.5,
) -> dict[str, float]:  # fmt: skip
    """Errors of the recorded and the corrected wave, and the one expected; medians over beats."""
    from hemoidx.line.adequacy import expected_error
    from hemoidx.line.correction import correct_wave
    from hemoidx.line.typical import typical_beat

    rec = record(forward(patient.wave, FINE_HZ, hz, damping), fs, seed, noise, step)
    raw = numbers(rec.wave, fs, rec.scale)
    line = dynamics(hz * (1 + measured[0]), damping + measured[1])
    found = raw.reading
    adequacy = expected_error(typical_beat(rec.wave, fs, found.onset, found.steepest, found.end), line)
    done = correct_wave(rec.wave, fs, line, scale=rec.scale)
    after = differences(patient, numbers(done.wave, fs, None))
    before = differences(patient, raw, 2 * damping / (2 * np.pi * hz))
    out = {"noise": done.noise_after, "left_out": done.inverse.lost_sd, "band": done.inverse.band_hz}
    for name in QUANTITIES:
        out[f"raw_{name}"] = float(np.nanmedian(before[name]))
        out[f"corrected_{name}"] = float(np.nanmedian(after[name]))
        error = getattr(adequacy, name)
        out[f"expected_{name}"] = error.value
        out[f"held_{name}"] = float(error.low - 0.5 <= out[f"raw_{name}"] <= error.high + 0.5)
    out["beat_sbp"] = float(np.nanquantile(np.abs(after["sbp"]), 0.95))
    share = 100 / float(patient.beats["dpdt_max"].median())
    for name in ("raw_dpdt_max", "corrected_dpdt_max", "expected_dpdt_max"):
        out[name] *= share
    return out


def correction_table(patients: int, seed: int, forward: Forward = second_order) -> pd.DataFrame:
    """All lines, rates and patients; the line is known exactly."""
    rows = []
    for number in range(patients):
        patient = draw_patient(seed * 1000 + number)
        for family, lines in (("underdamped", UNDERDAMPED), ("overdamped", OVERDAMPED)):
            for hz, damping in lines:
                for fs in RATES:
                    row = one_line(patient, hz, damping, fs, seed * 1000 + number, forward)
                    rows.append({"family": family, "hz": hz, "damping": damping, "fs": fs, **row})
    return pd.DataFrame(rows)


def summary(table: pd.DataFrame) -> pd.DataFrame:
    """
    Largest errors of each family and rate: recorded, expected less real, corrected.

    `held`: share of 95 % intervals that hold the real error, allowing 0.5 mmHg for noise and sampling.
    """
    rows = []
    for key, part in table.groupby(["family", "fs"], sort=False):
        row: dict[str, Any] = {"family": key[0], "fs": key[1], "recordings": len(part)}
        for name in ("sbp", "dbp"):
            off = (part[f"expected_{name}"] - part[f"raw_{name}"]).abs()
            row |= {f"raw_{name}": part[f"raw_{name}"].abs().max(), f"expected_off_{name}": off.max()}
            row |= {f"held_{name}_percent": 100 * part[f"held_{name}"].mean()}
            left = part[f"corrected_{name}"].abs()
            row |= {f"left_{name}": left.max(), f"left_{name}_95": left.quantile(0.95)}
        row |= {"left_mbp": part["corrected_mbp"].abs().max(), "raw_mbp": part["raw_mbp"].abs().max()}
        row |= {"left_dpdt_percent": part["corrected_dpdt_max"].abs().max()}
        rows.append(row | {"beat_sbp_95": part["beat_sbp"].max(), "noise": part["noise"].max()})
    return pd.DataFrame(rows).set_index(["family", "fs"]).T


def draw_line(rng: np.random.Generator) -> tuple[float, float]:
    """A sound, a ringing or an overdamped line, in equal shares; the last two overlap with sound ones."""
    kind = int(rng.integers(3))
    if kind == 0:
        return float(rng.uniform(18, 40)), float(rng.uniform(0.2, 0.7))
    if kind == 1:
        return float(np.exp(rng.uniform(np.log(6), np.log(20)))), float(rng.uniform(0.06, 0.4))
    return float(np.exp(rng.uniform(np.log(2.5), np.log(10)))), float(rng.uniform(0.6, 1.8))


def hints_table(patients: int, seed: int, forward: Forward, lines: int = 4) -> pd.DataFrame:
    """For each patient and line: what the line does to systolic pressure, and what the hints say."""
    from hemoidx.line.hints import hint
    from hemoidx.line.typical import typical_beat

    rows = []
    for number in range(patients):
        key = seed * 1000 + number
        patient, rng = draw_patient(key, duration_s=25.0), np.random.default_rng([key, 79])
        for _ in range(lines):
            hz, damping = draw_line(rng)
            fs, noise, step = (
                float(rng.choice(RATES)),
                float(rng.uniform(0.1, 0.5)),
                float(rng.choice([0.25, 0.5, 1])),
            )
            rec = record(forward(patient.wave, FINE_HZ, hz, damping), fs, key, noise, step)
            got = numbers(rec.wave, fs, rec.scale)
            found = got.reading
            said = hint(typical_beat(rec.wave, fs, found.onset, found.steepest, found.end))
            off = float(np.nanmedian(differences(patient, got, 2 * damping / (2 * np.pi * hz))["sbp"]))
            rows.append({"off": off, "overdamped": said.overdamped, "ringing": said.ringing, "hz": hz})
    return pd.DataFrame(rows)


def sensitivity(table: pd.DataFrame, least: float = 4.0) -> pd.DataFrame:
    """Share of lines that harm by at least so much [mmHg] and are hinted at, and of others that are not."""
    rows = []
    for name, sign in (("overdamped", -1.0), ("ringing", 1.0)):
        harm = sign * table["off"]
        for strength, said in (("weak or clear", table[name] != ""), ("clear", table[name] == "clear")):
            rows.append({
                "hint": name, "strength": strength, "n_harmed": int((harm > least).sum()),
                "sensitivity": float(said[harm > least].mean()),
                "sensitivity_8": float(said[harm > 8.0].mean()),
                "specificity": float((~said[harm <= least]).mean()),
                "specificity_sound": float((~said[table["off"].abs() < 2.0]).mean()),
            })  # fmt: skip
    return pd.DataFrame(rows).set_index(["hint", "strength"])


def main() -> None:
    """Print the figures."""
    from tests.bench import chain

    words = argparse.ArgumentParser(description=__doc__)
    words.add_argument("--patients", type=int, default=3)
    words.add_argument("--seed", type=int, default=2026)
    words.add_argument("--line", default="tests.bench.chain:second_order")
    given = words.parse_args()
    module, name = given.line.split(":")
    line: chain.Line = getattr(import_module(module), name)
    some = max(1, given.patients // 3)
    pd.set_option("display.width", 160)
    pd.set_option("display.max_columns", None)
    pd.set_option("display.max_rows", None)
    pd.set_option("display.float_format", "{:.2f}".format)
    tables = {}
    for title, patients, flushes, rhythm in (
        ("one flush", given.patients, 1, "sinus"),
        ("two flushes", some, 2, "sinus"),
        ("three flushes", some, 3, "sinus"),
        ("one flush, atrial fibrillation", some, 1, "fibrillation"),
        ("two flushes, atrial fibrillation", some, 2, "fibrillation"),
        ("one flush, ectopic beats", some, 1, "ectopics"),
    ):
        table = chain.chain_table(patients, given.seed, flushes, rhythm, line)
        tables[title] = table
        print(f"the whole chain, {title}\n{chain.chain_summary(table)}", flush=True)
    print("refused behind overdamped lines, and whether that was right")
    print(chain.refusals(tables), flush=True)

    def forward(wave: np.ndarray, fs: float, hz: float, damping: float) -> np.ndarray:
        return line(wave, fs, hz, damping, ())

    print("the line known exactly (largest over lines and patients)")
    print(summary(correction_table(some, given.seed + 1, forward)), flush=True)
    print("hints without a flush; harmed: systolic pressure off by more than 4 mmHg that way")
    print(sensitivity(hints_table(24 * given.patients, given.seed + 2, forward)))


if __name__ == "__main__":
    main()
