"""Scores beats and spans of one simulated recording against its truth."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from hemoidx import beats
from hemoidx.indices.pressure.readings import diastolic_pressure, mean_pressure, systolic_pressure
from hemoidx.spans import Spans, join
from hemoidx.validation.detection import score

#: Events that leave no pulse of the patient to be found.
HIDING = ("flush", "open_to_air", "flat", "sampling", "motion", "cuff", "gap", "not_pulsatile")


def baseline(pressure: np.ndarray, fs: float) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Steepest rises [s], highest and lowest pressure by a plain script: band-pass and peak picking."""
    from scipy.signal import butter, find_peaks, sosfiltfilt

    p = np.asarray(pd.Series(pressure).interpolate(limit_direction="both"), dtype=float)
    sos = butter(4, [0.5, min(12.0, 0.4 * fs)], "band", fs=fs, output="sos")
    peaks, _ = find_peaks(sosfiltfilt(sos, p), distance=max(1, int(0.3 * fs)), prominence=10.0)
    reach = int(0.3 * fs)
    steep, low, high = [], [], []
    for k in peaks:
        a = max(0, k - reach)
        piece = p[a : k + max(2, int(0.1 * fs))]
        steep.append((a + int(np.argmax(np.diff(piece[: max(2, k - a + 1)])))) / fs)
        low.append(piece[: max(1, k - a)].min())
        high.append(piece.max())
    return np.array(steep), np.array(high), np.array(low)


def _seconds_inside(rows: np.ndarray, start: float, stop: float) -> float:
    return float(np.clip(np.minimum(rows[:, 1], stop) - np.maximum(rows[:, 0], start), 0, None).sum())


def score_spans(found: Spans, fs: float, truth: pd.DataFrame, duration: float) -> dict[str, Any]:
    """
    Coverage of each event and the share of clean time that is marked.

    An event is its kind, the share of it that is covered, the share covered by its own kind, its length
    [s], and the largest change it makes at the recorder's input [mmHg].
    """
    union = join(found.start / fs, found.stop / fs)
    coverage, named = [], []
    for row in truth.itertuples():
        length = row.end_s - row.start_s
        same = found.of(row.kind)
        coverage.append(_seconds_inside(union, row.start_s, row.end_s) / length)
        named.append(_seconds_inside(join(same.start / fs, same.stop / fs), row.start_s, row.end_s) / length)
    touched = join(truth["touch_start_s"].to_numpy(), truth["touch_end_s"].to_numpy())
    marked = _seconds_inside(union, 0, duration)
    dirty = _seconds_inside(touched, 0, duration)
    both = sum(_seconds_inside(union, a, b) for a, b in touched)
    clean = max(duration - dirty, 1e-9)
    return {
        "events": [
            (k, c, n, b - a, change)
            for k, c, n, a, b, change in zip(
                truth["kind"],
                coverage,
                named,
                truth["start_s"],
                truth["end_s"],
                truth["change"],
                strict=True,
            )
        ],
        "clean_marked_s": marked - both,
        "clean_s": clean,
    }


def _values(
    table: pd.DataFrame, pair: tuple[np.ndarray, np.ndarray], got: dict[str, np.ndarray]
) -> dict[str, np.ndarray]:
    return {name: got[name][pair[1]] - table[name].to_numpy()[pair[0]] for name in got}


def score_recording(
    pressure: np.ndarray, fs: float, scale: list[dict[str, Any]], truth: Any
) -> dict[str, Any]:
    """
    Compare one reading with its truth.

    Notes
    -----
    Reference beats are the clear ones; a detection that pairs with a true beat that is not clear (touched
    by an event, or too weak to be asked for) is neither right nor wrong. Times are those of the steepest
    rise, so that slow and fast upstrokes pair alike; onset errors are taken on the pairs.
    """
    from hemoidx.validation.detection import pair

    reading = beats.read(pressure, fs, scale)
    duration = pressure.size / fs
    table, spans = truth.beats, truth.spans
    test = reading.steepest / fs
    reference = table["steepest_s"].to_numpy()
    clear = table["clear"].to_numpy()
    r, t = pair(reference, test)
    hit = np.zeros(reference.size, dtype=bool)
    hit[r] = True
    free = np.ones(test.size, dtype=bool)
    free[t] = False
    hiding = spans[spans["kind"].isin(HIDING)]
    inside = np.zeros(test.size, dtype=bool)
    near = np.zeros(test.size, dtype=bool)
    for row in hiding.itertuples():
        inside |= (test >= row.start_s) & (test <= row.end_s) & free
        near |= (test >= row.touch_start_s) & (test <= row.touch_end_s)
    believed = reading.quality >= beats.BELIEVED
    border = (test < 1.0) | (test > duration - 1.0)
    wave = np.asarray(pressure)
    got = {
        "onset_s": reading.onset / fs,
        "sbp": systolic_pressure(wave, reading.peak, fs),
        "dbp": diastolic_pressure(wave, reading.onset, reading.steepest, fs, reading.end),
        "mbp": mean_pressure(wave, reading.onset, reading.end),
        "notch_s": reading.notch / fs,
    }
    kept = clear[r] & believed[t]
    errors = _values(table, (r[kept], t[kept]), got)
    base, high, low = baseline(pressure, fs)
    plain = score(reference[clear], base) if clear.any() else None
    br, bt = pair(reference, base)
    bfree = np.ones(base.size, dtype=bool)
    bfree[bt] = False
    bkept = clear[br]
    return {
        "reference": int(clear.sum()),
        "found": int((hit & clear).sum()),
        "false": int((free & ~near & ~border).sum()),
        "false_believed": int((free & ~near & ~border & believed).sum()),
        "inside_event": int(inside.sum()),
        "inside_event_believed": int((inside & believed).sum()),
        "doubted": int((clear[r] & ~believed[t]).sum()),
        "errors": errors,
        "step": float(scale[0]["step"] or 0.0),
        "reading": reading,
        "missed_s": reference[clear & ~hit],
        "false_s": test[free & ~near & ~border],
        "baseline_found": plain.true_positive if plain else 0,
        "baseline_false": int(bfree.sum()),
        "baseline_errors": {
            "sbp": high[bt[bkept]] - table["sbp"].to_numpy()[br[bkept]],
            "dbp": low[bt[bkept]] - table["dbp"].to_numpy()[br[bkept]],
        },
        **score_spans(reading.spans, fs, spans, duration),
    }
