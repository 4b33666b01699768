"""
The measuring chain from end to end: a recording with flushes, of which nothing is told to the package.

Pressure at the cannula goes through a line, a flush or two act on the transducer's side of it, a recorder
writes it down. The package finds beats and flushes, measures the line, says what it expects of each beat's
numbers, and corrects them. Both are held against the pressure at the cannula, beat by beat. The benchmark of
the line (`tests.bench.line`) prints the table.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any
from unittest import mock

import numpy as np
import pandas as pd

from tests.bench.line import (
    FINE_HZ,
    OVERDAMPED,
    RATES,
    UNDERDAMPED,
    Patient,
    Read,
    Recorded,
    draw_patient,
    numbers,
    record,
)

#: Start and end of a flush [s] and pressure of the bag [mmHg].
Flush = tuple[float, float, float]
#: Takes pressure at the cannula, its rate, natural frequency, damping ratio and flushes; returns pressure at
#: the transducer.
Line = Callable[[np.ndarray, float, float, float, Sequence[Flush]], np.ndarray]

RHYTHMS: dict[str, dict[str, Any]] = {
    "sinus": {},
    "fibrillation": {"rhythm": "atrial_fibrillation", "irregularity": 0.2},
    "ectopics": {"ectopic_share": 0.08},
}
NUMBERS = ("sbp", "dbp", "mbp")
#: What is asked of expected and corrected pressures [mmHg].
ASKED = {"sbp": 1.5, "dbp": 1.5, "mbp": 0.2}


def second_order(
    wave: np.ndarray, fs: float, hz: float, damping: float, flushes: Sequence[Flush]
) -> np.ndarray:
    """The package's own line; a flush holds the transducer, which then swings back to the patient."""
    from hemoidx.line.response import free_response, through

    behind = through(wave, hz, damping, fs)
    out = behind.copy()
    for start, stop, bag in flushes:
        first, last = round(start * fs), round(stop * fs)
        t = np.arange(last - first) / fs
        own = behind[first:last]
        # The bag sags a little, and some of the pulse comes through.
        level = bag - 4.0 * np.minimum(t / 1.5, 1.0) + 0.03 * (own - own.mean())
        share = np.clip(t / 0.04, 0.0, 1.0)
        out[first:last] = (1 - share) * out[first] + share * level
        slope = (level[-1] - level[-2] - 0.5 * (behind[last + 1] - behind[last - 1])) * fs
        after = np.arange(behind.size - last) / fs
        out[last:] = behind[last:] + free_response(after, hz, damping, level[-1] - behind[last], slope)
    return out


def draw_flushes(rng: np.random.Generator, count: int) -> list[Flush]:
    """As many flushes, some seconds apart, from the tenth second on."""
    out, start = [], float(rng.uniform(10.0, 12.0))
    for _ in range(count):
        stop = start + float(rng.uniform(0.9, 2.2))
        out.append((start, stop, float(rng.uniform(275.0, 305.0))))
        start = stop + float(rng.uniform(5.0, 7.0))
    return out


def measured(rec: Recorded, reading: Any) -> Any:
    """Dynamics of the line from all flushes that were found."""
    from hemoidx.line import measure_flushes, pool

    found, scale = reading.spans.of("flush"), rec.scale[0]
    return pool(
        measure_flushes(
            rec.wave, rec.fs, found.start, found.stop, step=scale["step"],
            rails=(scale["rail_low"], scale["rail_high"]), feet=reading.onset,
            other=(reading.spans.start, reading.spans.stop),
        )
    )  # fmt: skip


def undisturbed(patient: Patient, flushes: Sequence[Flush]) -> pd.DataFrame:
    """Beats that neither flush nor its ringing touches."""
    beats = patient.beats
    keep = np.ones(len(beats), dtype=bool)
    for start, stop, _ in flushes:
        keep &= (beats["end_s"] < start - 0.3) | (beats["onset_s"] > stop + 1.5)
    return beats[keep].reset_index(drop=True)


def matched(beats: pd.DataFrame, got: Read, delay_s: float) -> tuple[np.ndarray, pd.DataFrame]:
    """Numbers of the found beats, and the true ones that they are."""
    rise = beats["steepest_s"].to_numpy() + delay_s
    place = np.abs(got.rise_s[:, None] - rise).argmin(axis=0)
    near = np.abs(got.rise_s[place] - rise) < 0.15
    return place[near], beats[near]


def beatwise(got: Read, fs: float) -> tuple[np.ndarray, ...]:
    """Pulse pressure, dP/dt max, time since the beat before and duration, as an analysis has them."""
    found = got.reading
    before = np.diff(found.steepest, prepend=np.nan) / fs
    pulse = got.values["sbp"] - got.values["dbp"]
    return pulse, got.values["dpdt_max"], before, (found.end - found.onset) / fs


def one_recording(
    patient: Patient, hz: float, damping: float, fs: float, seed: int, flushes: int = 1,
    line: Line = second_order,
) -> dict[str, Any]:  # fmt: skip
    """One patient behind one line: what is measured, expected and corrected, against truth."""
    from hemoidx.errors import InputError
    from hemoidx.line.adequacy import assess
    from hemoidx.line.correction import correct_wave

    rng = np.random.default_rng([seed, 81, round(10 * hz), round(10 * damping)])
    acts = draw_flushes(rng, flushes)
    pressure = line(patient.wave, FINE_HZ, hz, damping, acts)
    step, rail = float(rng.choice([0.25, 0.5, 1.0])), float(rng.choice([270.0, 284.0, 300.0]))
    rec = record(pressure, fs, seed, 0.3, step, slow=1 / 3, rail=rail)
    raw = numbers(rec.wave, fs, rec.scale)
    beats = undisturbed(patient, acts)
    found = measured(rec, raw.reading)
    out: dict[str, Any] = {"resolved": found.resolved, "hz_off": found.natural_frequency_hz / hz - 1}
    out |= {"damping_off": found.damping_ratio - damping, "refused": ""}
    place, true = matched(beats, raw, 2 * damping / (2 * np.pi * hz))
    real = {name: raw.values[name][place] - true[name].to_numpy() for name in (*NUMBERS, "dpdt_max")}
    out |= {f"raw_{name}": float(np.nanmedian(real[name])) for name in real}
    try:
        adequacy = assess(rec.wave, fs, raw.reading, found, scale=rec.scale)
        out |= {"unsure": adequacy.unsure} | _expected(adequacy, real, beatwise(raw, fs), place, true)
        done = correct_wave(rec.wave, fs, found, scale=rec.scale, reading=raw.reading)
    except InputError as error:
        out["refused"] = str(error)
        done = _all_the_same(rec, raw.reading, found)
        if done is None:
            return out
    new = numbers(done.wave, fs, None)
    place, true = matched(beats, new, 0.0)
    for name in NUMBERS:
        left = new.values[name][place] - true[name].to_numpy()
        out |= {f"left_{name}": float(np.nanmedian(left)), f"beat_{name}": _within(left, ASKED[name])}
    return out


def _all_the_same(rec: Recorded, reading: Any, found: Any) -> Any:
    """What would have come out of a correction that was refused, were there no limits; None if nothing."""
    from hemoidx.errors import InputError
    from hemoidx.line import correction

    lifted = {"UNSURE_AT_MOST": np.inf, "COSTS_AT_MOST": np.inf, "LOWEST_HZ": 0.0}
    try:
        with mock.patch.multiple(correction, **lifted):
            return correction.correct_wave(rec.wave, rec.fs, found, scale=rec.scale, reading=reading)
    except InputError:
        return None


def _within(error: np.ndarray, asked: float) -> float:
    """Percentage of beats."""
    known = error[np.isfinite(error)]
    return float(100 * np.mean(np.abs(known) <= asked)) if known.size else float("nan")


def _expected(
    adequacy: Any, real: dict[str, np.ndarray], known: tuple[np.ndarray, ...], place: np.ndarray, true: Any
) -> dict[str, float]:
    """How near the expected errors come, of the typical beat and of each."""
    each = adequacy.for_beats(*known)
    out: dict[str, float] = {}
    for name, errors in real.items():
        got = getattr(adequacy, name)
        middle = float(np.nanmedian(errors))
        out[f"expected_off_{name}"] = got.value - middle
        out[f"typical_held_{name}"] = 100.0 * (got.low - 0.5 <= middle <= got.high + 0.5)
        value, low, high = (part[place] for part in each[name])
        seen = np.isfinite(errors) & np.isfinite(low)
        # dP/dt max is judged in per cent of its own size.
        off = value - errors if name != "dpdt_max" else 100 * (value - errors) / true[name].to_numpy()
        out[f"each_{name}"] = _within(off[seen], ASKED.get(name, 10.0))
        out[f"held_{name}"] = float(100 * np.mean(((low <= errors) & (errors <= high))[seen]))
    return out


def chain_table(
    patients: int, seed: int, flushes: int = 1, rhythm: str = "sinus", line: Line = second_order
) -> pd.DataFrame:
    """All lines; patients and rates take turns."""
    rows = []
    for number in range(patients):
        key = seed * 1000 + number
        patient = draw_patient(key, **RHYTHMS[rhythm])
        for family, lines in (("underdamped", UNDERDAMPED), ("overdamped", OVERDAMPED)):
            for k, (hz, damping) in enumerate(lines):
                fs = RATES[(k + number) % 2]
                row = one_recording(patient, hz, damping, fs, key, flushes, line)
                rows.append({"family": family, "hz": hz, "damping": damping, "fs": fs, "key": key, **row})
    return pd.DataFrame(rows)


def refusals(tables: dict[str, pd.DataFrame]) -> pd.DataFrame:
    """
    What is refused behind overdamped lines, and whether that is right.

    `unsure`, `cost`, `other`: recordings [%] refused because the line is not known well enough, because of
    noise and loss, and for other reasons. `needless`: of the refused, those [%] that would have come out
    within what is asked; `worst_refused`, `worst_corrected`: largest error of systolic or diastolic pressure
    among those refused, had they been corrected, and among those corrected [mmHg].
    """
    rows = []
    for title, table in tables.items():
        part = table[table["family"] == "overdamped"]
        why = part["refused"].astype(str)
        worst = part[["left_sbp", "left_dbp"]].abs().max(axis=1)
        no, unsure, cost = why != "", why.str.contains("unsure"), why.str.contains("noise and loss")
        rows.append({
            "": title, "n": len(part), "refused_percent": 100 * no.mean(), "unsure": 100 * unsure.mean(),
            "cost": 100 * cost.mean(), "other": 100 * (no & ~unsure & ~cost).mean(),
            "needless": 100 * (worst[no] <= ASKED["sbp"]).mean(), "worst_refused": worst[no].max(),
            "worst_corrected": worst[~no].max(), "within_percent": 100 * (worst[~no] <= ASKED["sbp"]).mean(),
        })  # fmt: skip
    return pd.DataFrame(rows).set_index("").T


def chain_summary(table: pd.DataFrame) -> pd.DataFrame:
    """
    For each family and rate, what comes out of the whole chain.

    `refused`: recordings [%] that are not corrected. `expected_off`: largest difference of expected and real
    median error; `each`: beats [%] whose expected error lies within 1.5 mmHg (mean 0.2 mmHg, dP/dt max 10 %)
    of the real one; `held`: beats [%] whose interval holds it. `left`: largest median error after
    correction, `within` the share of recordings [%] in which it is no more than asked, `beat` the same for
    single beats.
    """
    rows = []
    for key, part in table.groupby(["family", "fs"], sort=False):
        done = part[part["refused"] == ""]
        row: dict[str, Any] = {"family": key[0], "fs": key[1], "recordings": len(part)}
        row["resolved_percent"] = 100 * part["resolved"].mean()
        row["refused_percent"] = 100 * (part["refused"] != "").mean()
        for name in ("sbp", "dbp"):
            off = part[f"expected_off_{name}"].abs()
            row |= {f"raw_{name}": part[f"raw_{name}"].abs().max(), f"expected_off_{name}": off.max()}
            row |= {f"each_{name}": part[f"each_{name}"].mean(), f"held_{name}": part[f"held_{name}"].mean()}
            left = done[f"left_{name}"].abs()
            row |= {f"left_{name}": left.max(), f"within_{name}": 100 * (left <= ASKED[name]).mean()}
            row[f"beat_{name}"] = done[f"beat_{name}"].mean()
        row |= {"left_mbp": done["left_mbp"].abs().max(), "beat_mbp": done["beat_mbp"].mean()}
        row |= {"each_mbp": part["each_mbp"].mean(), "held_mbp": part["held_mbp"].mean()}
        row |= {"each_dpdt": part["each_dpdt_max"].mean(), "held_dpdt": part["held_dpdt_max"].mean()}
        rows.append(row)
    return pd.DataFrame(rows).set_index(["family", "fs"]).T
