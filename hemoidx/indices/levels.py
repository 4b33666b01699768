"""
From beats to windows to the recording: values, facts and rejections, level by level, as plain arrays.

Values of windows and of the recording are made from unmasked beats less those that the rules of the index
reject, so that a rejected value never spoils what stands above it.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from ..errors import InputError
from ..facts import Int64Array, mask, pass_upward
from .catalogue import LANDMARKS, Catalogue, Index
from .evaluate import beat_values, upper_values
from .rules import When, rejected
from .windows import LEAST_BEATS, LEAST_VALID, LEAST_WINDOW_S, Grid, covered, grid, statistic

if TYPE_CHECKING:
    from ..line.chain import Chain

Float = NDArray[np.float64]
Bool = NDArray[np.bool_]
CHAIN_COLUMN = re.compile(r"(\w+_line_error(_low|_high)?|static_error|static_error_se|gain_error_se)")
ContextLookup = Callable[[str, Float], Any]


@dataclass(frozen=True)
class Level:
    """
    One table as arrays.

    Attributes
    ----------
    table : str
        Name of the table.
    keys : dict of str to ndarray
        Columns that are no index: numbers, times, counts.
    values : dict of str to ndarray
        Columns of indices, unmasked, with their ``_se``.
    facts : ndarray of int64, shape (n_rows,)
        Facts of the rows.
    rejected : dict of str to ndarray of bool
        Where a column counts as not measured; columns that no rule touches are absent.
    """

    table: str
    keys: dict[str, NDArray[Any]]
    values: dict[str, Float]
    facts: Int64Array
    rejected: dict[str, Bool] = field(default_factory=dict)

    def usable(self, column: str) -> Float:
        """Values of a column, NaN where they are rejected."""
        values = self.column(column)
        refused = self.rejected.get(column)
        return values if refused is None or not refused.any() else np.where(refused, np.nan, values)

    def column(self, name: str) -> Float:
        """Unmasked column by name."""
        found = self.values.get(name, self.keys.get(name))
        if found is None:
            raise InputError(f"table {self.table}: no column {name!r} for a rule or an index to read")
        return np.asarray(found, dtype=np.float64)


@dataclass(frozen=True)
class Source:
    """
    What the levels are built from.

    Attributes
    ----------
    pressure : ndarray, shape (n_samples,)
        The wave [mmHg].
    fs : float
        Its sampling rate [Hz].
    seconds : callable
        Time [s from the start of the recording] of positions in samples.
    landmarks : mapping of str to ndarray, shape (n_beats,)
        Positions of the landmarks [samples].
    quality : ndarray, shape (n_beats,)
        Quality of the beats.
    facts : ndarray of int64, shape (n_beats,)
        Facts of the beats.
    context : callable
        Returns for a key and times [s] what was documented then.
    chain : Chain
        What measured the recording.
    """

    pressure: NDArray[np.floating[Any]]
    fs: float
    seconds: Callable[[Any], Any]
    landmarks: Mapping[str, Float]
    quality: Float
    facts: Int64Array
    context: ContextLookup
    chain: Chain


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
        lambda name: source.context(name.removeprefix("context."), keys["onset_s"]),
        source.chain,
    )
    level = Level("beats", keys, values, source.facts.copy())
    return _finish(catalogue, level, source.context, keys["onset_s"])


def window_level(catalogue: Catalogue, source: Source, beats: Level) -> Level:
    """
    Table of the 30 s windows.

    Parameters
    ----------
    catalogue : Catalogue
        The entries.
    source : Source
        Wave, landmarks and facts.
    beats : Level
        The beats.

    Returns
    -------
    Level
        One row a window; ``beats`` and ``valid_s`` count the beats whose duration was measured.
    """
    windows = grid(float(source.seconds(0)), float(source.seconds(source.pressure.size)))
    row = windows.of(beats.keys["onset_s"])
    n = windows.number.size
    timed = _timed(catalogue, beats)
    valid_s = _valid_time(windows.start, windows.end, beats, timed)
    count = np.bincount(row[timed & (row >= 0)], minlength=n)
    keys: dict[str, NDArray[Any]] = {
        "window": windows.number,
        "start_s": windows.start,
        "end_s": windows.end,
        "valid_s": valid_s,
        "beats": count.astype(np.int64),
        "clipped_share": _clipped_share(beats, row, n),
    }
    values: dict[str, Float] = {}
    weights = beats.keys["end_s"] - beats.keys["onset_s"]
    for index in catalogue:
        if index.level == "beat" and index.window != "none":
            column = index.column
            found, se = statistic(index.window, beats.usable(column), weights, row, n)
            values[column] = found
            if index.has_se:
                values[f"{column}_se"] = se
    facts = pass_upward(beats.facts, row, n, "windows", catalogue.facts)
    facts |= np.where(count < LEAST_BEATS, mask("too_few_beats"), 0)
    facts |= np.where(_too_little(windows, valid_s), mask("too_little_valid_time"), 0)
    level = Level("windows", keys, values, facts)
    extra = {"window_of_beat": row, "n_windows": n}
    find = _finder(catalogue, level, {"beats": beats}, extra, source.context, windows.start)
    for column, found in upper_values(catalogue, "window", find, n):
        values[column] = found
    return _finish(catalogue, level, source.context, windows.start)


def record_level(
    catalogue: Catalogue,
    source: Source,
    beats: Level,
    windows: Level,
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
    beats, windows : Level
        The levels below.
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
    timed = _timed(catalogue, beats)
    start, end = np.array([source.seconds(0)]), np.array([source.seconds(source.pressure.size)])
    keys: dict[str, NDArray[Any]] = {
        "duration_s": end - start,
        "valid_s": _valid_time(start, end, beats, timed),
        "beats": np.array([np.count_nonzero(timed)], dtype=np.int64),
        "clipped_share": _clipped_share(beats, np.zeros(beats.facts.size, dtype=np.intp), 1),
    }
    keys |= {f"{kind}_s": np.array([float(seconds)]) for kind, seconds in span_s.items()}
    values = {
        index.column: _median(windows.usable(index.column))
        for index in catalogue
        if index.level == "beat" and index.window != "none"
    }
    facts = pass_upward(beats.facts, np.zeros(beats.facts.size, dtype=np.intp), 1, "record", catalogue.facts)
    facts |= record_facts
    facts |= np.where(keys["beats"] < LEAST_BEATS, mask("too_few_beats"), 0)
    level = Level("record", keys, values, facts)
    find = _finder(catalogue, level, {"beats": beats, "windows": windows}, {}, source.context, start)
    for column, found in upper_values(catalogue, "record", find, 1):
        values[column] = found
    return _finish(catalogue, level, source.context, start)


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


def _finder(
    catalogue: Catalogue,
    level: Level,
    below: Mapping[str, Level],
    extra: Mapping[str, Any],
    context: ContextLookup,
    time: Float,
) -> Callable[[str], Any]:
    """Look up inputs above the beats; what comes from below is NaN where it was rejected."""

    def find(name: str) -> Any:
        table, _, column = name.rpartition(".")
        if table == "context":
            return context(column, time)
        if name in extra:
            return extra[name]
        column = _column_of(catalogue, column)
        if not table:
            return level.column(column)
        return below[table].facts if column == "facts" else below[table].usable(column)

    return find


def _column_of(catalogue: Catalogue, word: str) -> str:
    base = word.removesuffix("_se")
    if word in catalogue:
        return catalogue[word].column
    return f"{catalogue[base].column}_se" if base in catalogue else word


def _finish(catalogue: Catalogue, level: Level, context: ContextLookup, time: Float) -> Level:
    """Add the facts that indices mark, then find what their rules reject."""
    columns = columns_of(catalogue, level.column, context, time)
    facts = level.facts
    for index in catalogue:
        for mark in index.marks if index.table == level.table else ():
            holds = mark.when.holds(level.table, facts, columns, catalogue.facts)
            if holds is not None:
                facts |= holds.astype(np.int64) << mark.fact.bit
    answers: dict[When, Bool | None] = {}
    for index in catalogue.in_table(level.table):
        if not any(np.isfinite(level.values[name]).any() for name in _columns(index, level.values)):
            # Nothing is there that could be hidden.
            continue
        rules = catalogue.rules_in(index, level.table)
        refused = rejected(rules, level.table, facts, columns, catalogue.facts, answers)
        if refused.any():
            for column in _columns(index, level.values):
                level.rejected[column] = refused
    return level


def _columns(index: Index, values: Mapping[str, Float]) -> list[str]:
    return [column for column in (index.column, f"{index.column}_se") if column in values]


def columns_of(
    catalogue: Catalogue, column: Callable[[str], Float], context: ContextLookup, time: Float
) -> Callable[[str], NDArray[Any]]:
    """
    Columns as rules ask for them: by index or column name, or from the context at the time of the row.

    Parameters
    ----------
    catalogue : Catalogue
        The entries.
    column : callable
        Returns an unmasked column of the table.
    context : callable
        Returns for a key and times what was documented then.
    time : ndarray, shape (n_rows,)
        Time of the rows [s].
    """

    def find(name: str) -> NDArray[Any]:
        if name.startswith("context."):
            return np.asarray(context(name.removeprefix("context."), time))
        if name not in catalogue and CHAIN_COLUMN.fullmatch(name):
            # A catalogue of a user's own may lack them; nothing is then known of these errors.
            return np.full(np.shape(time), np.nan)
        return column(_column_of(catalogue, name))

    return find
