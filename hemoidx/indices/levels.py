"""
From beats to windows to the recording: values, facts and rejections, level by level, as plain arrays.

Values of windows and of the recording are made from unmasked beats less those that the rules of the index
reject, so that a rejected value never spoils what stands above it.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..facts import mask, pass_upward
from .catalogue import Catalogue
from .evaluate import beat_values, upper_values
from .index import LANDMARKS, Index
from .level import Bool, Breathing, Float, Level, Source, Values
from .lookup import ContextLookup, columns_of, finder
from .rules import Answers, rejected
from .windows import (
    LEAST_BEATS,
    LEAST_VALID,
    LEAST_WINDOW_S,
    Grid,
    Groups,
    blocks_of,
    covered,
    grid,
    statistics,
)

#: Columns of beats that are averaged together: enough to share the work, few enough to stay small.
_COLUMNS_AT_ONCE = 5


def beat_level(catalogue: Catalogue, source: Source) -> Level:
    """
    Table of the beats.

    Parameters
    ----------
    catalogue : Catalogue
        The entries.
    source : Source
        Wave, landmarks and facts.

    Returns
    -------
    Level
        One row a beat.
    """
    keys: dict[str, NDArray[Any]] = {"beat": np.arange(source.facts.size, dtype=np.int64)}
    keys |= {f"{name}_s": source.seconds(source.landmarks[name]) for name in LANDMARKS}
    keys["quality"] = source.quality
    values = beat_values(
        catalogue,
        source.pressure,
        source.fs,
        source.landmarks,
        source.quality,
        lambda name: source.context(name.removeprefix("context."), keys["onset_s"], keys["onset_s"]).value(),
        source.chain,
    )
    level = Level("beats", keys, values, source.facts.copy(), keys["onset_s"], keys["onset_s"])
    return _finish(catalogue, level, source.context)


def breath_level(catalogue: Catalogue, source: Source, beats: Level, breathing: Breathing) -> Level:
    """
    Table of the breaths; the beats learn which breath they belong to.

    Parameters
    ----------
    catalogue : Catalogue
        The entries.
    source : Source
        Wave, landmarks and facts.
    beats : Level
        The beats; gains the column ``breath``, -1 for a beat in no complete breath.
    breathing : Breathing
        The breaths.

    Returns
    -------
    Level
        One row a breath; ``beats`` counts the beats that begin in it.
    """
    row, phase = breathing.of(beats.time)
    beats.keys["breath"] = row.astype(np.int64)
    n = breathing.start.size
    keys: dict[str, NDArray[Any]] = {
        "breath": np.arange(n, dtype=np.int64),
        "start_s": breathing.start,
        "end_s": breathing.end,
        "inspiration_end_s": breathing.inspiration_end,
        "beats": np.bincount(row[row >= 0], minlength=n).astype(np.int64),
    }
    facts = pass_upward(beats.facts, row, n, "breaths", catalogue.facts)
    facts |= breathing.facts(breathing.start, breathing.end)
    values: Values = {}
    level = Level("breaths", keys, values, facts, breathing.start, breathing.end)
    extra = {"breath_of_beat": row, "breath_phase": phase, "n_breaths": n}
    find = finder(catalogue, level, {"beats": beats}, extra, source.context)
    for column, found in upper_values(catalogue, "breath", find, n):
        values[column] = found
    return _finish(catalogue, level, source.context)


def window_level(
    catalogue: Catalogue, source: Source, beats: Level, breaths: Level, breathing: Breathing
) -> Level:
    """
    Table of the 30 s windows.

    Parameters
    ----------
    catalogue : Catalogue
        The entries.
    source : Source
        Wave, landmarks and facts.
    beats, breaths : Level
        The levels below.
    breathing : Breathing
        The breaths.

    Returns
    -------
    Level
        One row a window; ``beats`` and ``valid_s`` count the beats whose duration was measured, ``breaths``
        the complete ones that begin in it.
    """
    windows = grid(float(source.seconds(0)), float(source.seconds(source.pressure.size)))
    row, row_of_breath = windows.of(beats.time), windows.of(breaths.time)
    n = windows.number.size
    timed = _timed(catalogue, beats)
    valid_s = _valid_time(windows.start, windows.end, beats, timed)
    count = np.bincount(row[timed & (row >= 0)], minlength=n)
    breath_count = np.bincount(row_of_breath[row_of_breath >= 0], minlength=n)
    keys: dict[str, NDArray[Any]] = {
        "window": windows.number,
        "start_s": windows.start,
        "end_s": windows.end,
        "valid_s": valid_s,
        "beats": count.astype(np.int64),
        "breaths": breath_count.astype(np.int64),
        "clipped_share": _clipped_share(beats, row, n),
    }
    values = _risen(catalogue, source, beats, breaths, row, row_of_breath, n)
    facts = pass_upward(beats.facts, row, n, "windows", catalogue.facts)
    facts |= np.where(count < LEAST_BEATS, mask("too_few_beats"), 0)
    facts |= np.where(breath_count < LEAST_BEATS, mask("too_few_breaths"), 0)
    facts |= np.where(_too_little(windows, valid_s), mask("too_little_valid_time"), 0)
    facts |= breathing.facts(windows.start, windows.end)
    level = Level("windows", keys, values, facts, windows.start, windows.end)
    breath, phase = breathing.of(beats.time)
    extra = {
        "window_of_beat": row,
        "window_of_breath": row_of_breath,
        "breath_of_beat": breath,
        "breath_phase": phase,
        "n_windows": n,
    }
    find = finder(catalogue, level, {"beats": beats, "breaths": breaths}, extra, source.context)
    for column, found in upper_values(catalogue, "window", find, n):
        values[column] = found
    return _finish(catalogue, level, source.context)


def _risen(
    catalogue: Catalogue,
    source: Source,
    beats: Level,
    breaths: Level,
    row: NDArray[np.intp],
    row_of_breath: NDArray[np.intp],
    n: int,
) -> Values:
    """What windows have from beats and breaths."""
    breath = beats.keys["breath"]
    begin = np.where(breath >= 0, np.append(breaths.time, np.nan)[breath], np.nan)
    of_beats = Groups(row, blocks_of(beats.time, begin), n)
    of_breaths = Groups(row_of_breath, breaths.keys["breath"], n)
    weights = beats.keys["end_s"] - beats.keys["onset_s"]
    step = _largest(source.step, row, n)
    length = breaths.keys["end_s"] - breaths.keys["start_s"]
    of_level = {"beat": (beats, weights, of_beats), "breath": (breaths, length, of_breaths)}
    nothing = np.full(n, np.nan)
    found: dict[str, tuple[Float, Float]] = {}
    for (name, kind), entries in _alike(catalogue).items():
        level, weight, groups = of_level[name]
        known = {i.column: np.count_nonzero(np.isfinite(level.values[i.column])) for i in entries}
        found |= {column: (nothing, nothing) for column, count in known.items() if not count}
        # Columns that know as many rows mostly know the same ones.
        full = sorted((i for i in entries if known[i.column]), key=lambda index: known[index.column])
        for some in _batched(full, _COLUMNS_AT_ONCE):
            stacked = np.stack([level.usable(index.column) for index in some])
            steps = np.stack([index.readings * step for index in some])
            both = statistics(kind, stacked, weight, groups, steps if name == "beat" else 0.0)
            found |= {index.column: (both[0][i], both[1][i]) for i, index in enumerate(some)}
    values: Values = {}
    for index in catalogue:
        if index.rises:
            values[index.column] = found[index.column][0]
            if index.has_se:
                values[f"{index.column}_se"] = found[index.column][1]
    return values


def _batched(entries: Sequence[Index], size: int) -> Iterator[Sequence[Index]]:
    for first in range(0, len(entries), size):
        yield entries[first : first + size]


def _alike(catalogue: Catalogue) -> dict[tuple[str, str], list[Index]]:
    """Indices that reach the windows by the same statistic from the same level."""
    out: dict[tuple[str, str], list[Index]] = {}
    for index in catalogue:
        if index.rises:
            out.setdefault((index.level, index.window), []).append(index)
    return out


def _largest(values: Float, row: NDArray[np.intp], n: int) -> Float:
    """Largest known value of each group, 0 where none is known."""
    out = np.zeros(n)
    known = (row >= 0) & np.isfinite(values)
    np.maximum.at(out, row[known], values[known])
    return out


def record_level(
    catalogue: Catalogue,
    source: Source,
    below: tuple[Level, Level, Level],
    breathing: Breathing,
    record_facts: int,
    span_s: Mapping[str, float],
) -> Level:
    """
    Summary of the recording, one row.

    Parameters
    ----------
    catalogue : Catalogue
        The entries.
    source : Source
        Wave, landmarks and facts.
    below : tuple of Level
        Beats, breaths and windows.
    breathing : Breathing
        The breaths.
    record_facts : int
        Facts of the recording itself.
    span_s : mapping of str to float
        Seconds of each kind of span.

    Returns
    -------
    Level
        Medians over the windows that have a value: where every window was rejected there is none here
        either, and beats that a rule left out (clipped ones, say) cannot bias what stands for the whole.
    """
    beats, breaths, windows = below
    timed = _timed(catalogue, beats)
    start, end = np.array([source.seconds(0)]), np.array([source.seconds(source.pressure.size)])
    keys: dict[str, NDArray[Any]] = {
        "duration_s": end - start,
        "valid_s": _valid_time(start, end, beats, timed),
        "beats": np.array([np.count_nonzero(timed)], dtype=np.int64),
        "breaths": np.array([breaths.time.size], dtype=np.int64),
        "clipped_share": _clipped_share(beats, np.zeros(beats.facts.size, dtype=np.intp), 1),
    }
    keys |= {f"{kind}_s": np.array([float(seconds)]) for kind, seconds in span_s.items()}
    values: Values = {i.column: _median(windows.usable(i.column)) for i in catalogue if i.summed}
    facts = pass_upward(beats.facts, np.zeros(beats.facts.size, dtype=np.intp), 1, "record", catalogue.facts)
    facts |= record_facts
    facts |= np.where(keys["beats"] < LEAST_BEATS, mask("too_few_beats"), 0)
    facts |= np.where(keys["breaths"] < LEAST_BEATS, mask("too_few_breaths"), 0)
    facts |= breathing.facts(start, end)
    level = Level("record", keys, values, facts, start, end)
    tables = {"beats": beats, "breaths": breaths, "windows": windows}
    find = finder(catalogue, level, tables, {}, source.context)
    for column, found in upper_values(catalogue, "record", find, 1):
        values[column] = found
    return _finish(catalogue, level, source.context)


def _timed(catalogue: Catalogue, beats: Level) -> Bool:
    """Beats whose duration was measured: they make up the valid time."""
    return np.isfinite(beats.usable(catalogue["duration"].column))


def _clipped_share(beats: Level, row: NDArray[np.intp], n_rows: int) -> Float:
    """Share of clipped beats among all beats of a row; NaN where it holds no beat."""
    inside = row >= 0
    clipped = inside & (beats.facts & mask("saturated") != 0)
    with np.errstate(invalid="ignore"):
        return np.bincount(row[clipped], minlength=n_rows) / np.bincount(row[inside], minlength=n_rows)


def _valid_time(start: Float, end: Float, beats: Level, timed: Bool) -> Float:
    return covered(start, end, beats.keys["onset_s"][timed], beats.keys["end_s"][timed])


def _too_little(windows: Grid, valid_s: Float) -> Bool:
    length = windows.end - windows.start
    return (length < LEAST_WINDOW_S) | (valid_s < LEAST_VALID * length)


def _median(values: Float) -> Float:
    finite = values[np.isfinite(values)]
    return np.array([np.median(finite) if finite.size else np.nan])


def _finish(catalogue: Catalogue, level: Level, context: ContextLookup) -> Level:
    """Add the facts that indices mark, then find what their rules reject."""
    columns = columns_of(catalogue, level.column, context, level.time, level.end)
    facts = level.facts
    for index in catalogue:
        for mark in index.marks if index.table == level.table else ():
            holds = mark.when.holds(level.table, facts, columns, catalogue.facts)
            if holds is not None:
                facts |= holds.astype(np.int64) << mark.fact.bit
    answers = Answers()
    for index in catalogue.worked_out_in(level.table):
        if not any(np.isfinite(level.values[name]).any() for name in _columns(index, level.values)):
            # Nothing is there that could be hidden.
            continue
        rules = catalogue.rules_in(index, level.table)
        refused = rejected(rules, level.table, facts, columns, catalogue.facts, answers)
        if refused.any():
            for column in _columns(index, level.values):
                level.rejected[column] = refused
    return level


def _columns(index: Index, values: Mapping[str, Any]) -> list[str]:
    return [column for column in (index.column, f"{index.column}_se") if column in values]
