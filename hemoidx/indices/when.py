"""`When`: the predicate behind every rule and limit."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..errors import InputError
from ..facts import FACTS, Fact, Int64Array, mask
from .documented import Documented

Bool = NDArray[np.bool_]
Columns = Callable[[str], NDArray[Any] | Documented]

TABLES = ("beats", "breaths", "windows", "record")


@dataclass(frozen=True, slots=True)
class When:
    """
    A predicate over a row: any of some facts, and a column below or above a bound.

    Attributes
    ----------
    facts : tuple of str
        Holds when the row has any of these facts. Empty: facts do not matter.
    column : str
        Numeric column of the row, or ``context.<key>`` for what was documented while the row lasted: it holds
        if it holds for any part of it.
    below, above : float, optional
        Holds when the column lies below, or above, this bound; NaN lies nowhere.
    one_of : tuple of str
        Holds when the column is one of these words, such as a documented site.
    tables : tuple of str
        Tables in which it is asked. Empty: all.

    Notes
    -----
    Facts, bound and table must all hold. With nothing given it always holds.
    """

    facts: tuple[str, ...] = ()
    column: str = ""
    below: float | None = None
    above: float | None = None
    tables: tuple[str, ...] = ()
    one_of: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        if any(isinstance(words, str) for words in (self.facts, self.tables, self.one_of)):
            raise InputError("a rule's facts, tables and words are tuples of names, not one string")
        bounded = self.below is not None or self.above is not None
        if bool(self.column) != (bounded or bool(self.one_of)) or (bounded and self.one_of):
            raise InputError(
                "a rule on a column needs the column and a bound (below, above) or words (one_of)"
            )
        wrong = [table for table in self.tables if table not in TABLES]
        if wrong:
            raise InputError(f"a rule names the table {wrong[0]!r}: tables are {', '.join(TABLES)}")

    def holds(
        self, table: str, facts: Int64Array, columns: Columns, known: Sequence[Fact] = FACTS
    ) -> Bool | None:
        """
        Rows where it holds; None when it holds nowhere for want of a place to look.

        Parameters
        ----------
        table : str
            Table of the rows.
        facts : ndarray of int64, shape (n_rows,)
            Their facts.
        columns : callable
            Returns a numeric column by name, or what was documented.
        known : sequence of Fact
            All facts there are.
        """
        if self.tables and table not in self.tables:
            return None
        found = np.ones(facts.shape, dtype=bool)
        if self.facts:
            found &= (facts & mask(*self.facts, facts=known)) != 0
        if self.column:
            column = columns(self.column)
            if isinstance(column, Documented):
                found &= column.anywhere(self._within(column.steps.values))
            else:
                found &= self._within(column)
        return found

    def _within(self, column: NDArray[Any]) -> Bool:
        if self.one_of:
            return np.isin(np.asarray(column, dtype=object).astype(str), self.one_of)
        try:
            values = np.asarray(column, dtype=np.float64)
        except (TypeError, ValueError) as error:
            raise InputError(f"a rule bounds {self.column}, which holds words; use one_of") from error
        found = np.ones(values.shape, dtype=bool)
        if self.below is not None:
            found &= values < self.below
        if self.above is not None:
            found &= values > self.above
        return found

    def words(self, table: str, known: Sequence[Fact] = FACTS) -> str:
        """Say the predicate in words that fit behind "because"."""
        parts = []
        by_name = {fact.name: fact for fact in known}
        if self.facts:
            parts.append(" or ".join(by_name[name].words(table) for name in self.facts))
        if self.column:
            name = self.column
            if name.startswith("context."):
                name = f"the documented {name.removeprefix('context.').replace('_', ' ')}"
            if self.one_of:
                return " and ".join([*parts, f"{name} is {' or '.join(self.one_of)}"])
            bounds = [f"below {self.below:g}"] if self.below is not None else []
            bounds += [f"above {self.above:g}"] if self.above is not None else []
            parts.append(f"{name} is {' and '.join(bounds)}")
        return " and ".join(parts)


class Answers:
    """What each predicate answers for one table, and several of them together: indices share them."""

    def __init__(self) -> None:
        self.each: dict[When, Bool | None] = {}
        # Asked by identity first: entries share their rules, and to compare predicates takes longer.
        self.known: dict[int, tuple[When, Bool | None]] = {}
        self.together: dict[frozenset[int], Bool] = {}

    def of(self, when: When, ask: Callable[[When], Bool | None]) -> Bool | None:
        """Rows where a predicate holds; None where it holds nowhere."""
        if id(when) not in self.known:
            if when not in self.each:
                holds = ask(when)
                self.each[when] = holds if holds is not None and holds.any() else None
            self.known[id(when)] = when, self.each[when]
        return self.known[id(when)][1]
