"""What the tables are made of, as plain arrays: one table, what beats are read from, and the breaths."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from ..errors import InputError
from ..facts import Int64Array
from .lookup import ContextLookup

if TYPE_CHECKING:
    from ..line.chain import Chain

Float = NDArray[np.float64]
Bool = NDArray[np.bool_]
Values = dict[str, NDArray[np.floating[Any]]]


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
        Columns of indices, unmasked, with their ``_se``; those of beats in single precision.
    facts : ndarray of int64, shape (n_rows,)
        Facts of the rows.
    time, end : ndarray, shape (n_rows,)
        Where the rows begin and end [s]. A beat counts as the moment of its onset, since its end may not be
        known.
    rejected : dict of str to ndarray of bool
        Where a column counts as not measured; columns that no rule touches are absent.
    """

    table: str
    keys: dict[str, NDArray[Any]]
    values: Mapping[str, NDArray[np.floating[Any]]]
    facts: Int64Array
    time: Float
    end: Float
    rejected: dict[str, Bool] = field(default_factory=dict)

    def usable(self, column: str) -> Float:
        """Values of a column, NaN where they are rejected."""
        return np.asarray(self.shown(column), dtype=np.float64)

    def shown(self, column: str) -> NDArray[np.floating[Any]]:
        """Values of a column of an index as they are kept, NaN where they are rejected."""
        values = self.values[column] if column in self.values else self.column(column)
        refused = self.rejected.get(column)
        if refused is None or not refused.any():
            return values
        return np.where(refused, values.dtype.type(np.nan), values)

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
        Returns for a key, and start and end of rows [s], what was documented then.
    chain : Chain
        What measured the recording.
    step : ndarray, shape (n_beats,)
        Step of the recorder at each beat [mmHg], NaN where it is not known.
    """

    pressure: NDArray[np.floating[Any]]
    fs: float
    seconds: Callable[[Any], Any]
    landmarks: Mapping[str, Float]
    quality: Float
    facts: Int64Array
    context: ContextLookup
    chain: Chain
    step: Float


@dataclass(frozen=True)
class Breathing:
    """
    Complete breaths of a recording.

    Attributes
    ----------
    start, end, inspiration_end : ndarray, shape (n_breaths,)
        Start, end and end of inspiration [s]; the last NaN where it is not known. Breaths follow one another
        and do not overlap.
    facts : callable
        Returns the facts about breathing of stretches, given their start and end [s].
    """

    start: Float
    end: Float
    inspiration_end: Float
    facts: Callable[[Float, Float], Int64Array]

    @classmethod
    def none(cls, facts: int = 0) -> Breathing:
        """No breaths at all, and what is to be noted of every stretch."""
        empty = np.zeros(0)
        return cls(empty, empty, empty, lambda start, end: np.full(np.shape(start), facts, dtype=np.int64))

    def of(self, time: Float) -> tuple[NDArray[np.intp], Float]:
        """Row of the breath that holds each time, -1 outside all of them, and the place in it, 0 to 1."""
        if not self.start.size:
            return np.full(time.shape, -1, dtype=np.intp), np.full(time.shape, np.nan)
        row = np.searchsorted(self.start, time, side="right") - 1
        inside = (row >= 0) & (time < self.end[np.maximum(row, 0)])
        row = np.where(inside, row, -1)
        with np.errstate(invalid="ignore"):
            phase = (time - self.start[row]) / (self.end[row] - self.start[row])
        return row, np.where(inside, phase, np.nan)
