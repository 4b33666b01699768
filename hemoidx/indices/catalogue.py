"""
The catalogue: one frozen entry for each index, written beside its function.

An `Index` says what a quantity is called, in which unit, from what it is computed, where it is published,
when it counts as measured and what limits its reading. Everything else is made from the entries: tables,
verdicts, units in files, the printed catalogue. A user's own index is passed as ``catalogue=``; nothing is
registered globally, since a registration would not reach the worker processes of a cohort run.
"""

from __future__ import annotations

import difflib
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from functools import cached_property
from typing import Any, NoReturn

from ..errors import InputError
from ..facts import FACTS, Fact, with_user_facts
from .rules import BEAT_RULES, PRESSURE_RULES, REJECTED, Limit, Rule, When

LEVELS = ("beat", "window", "record")
TABLE_OF_LEVEL = {"beat": "beats", "window": "windows", "record": "record"}
STATISTICS = ("mean", "time_mean", "rate", "shared", "none")
#: Column of what zero and level add to every pressure.
OFFSET_COLUMN = "static_error"
HARMS = ("offset", "gain", "line")
FAMILIES = (
    "own",
    "pressure",
    "upstroke",
    "runoff",
    "area",
    "respiratory",
    "rhythm",
    "stroke_volume",
    "flow",
    "exposure",
    "chain",
)

#: Landmarks of a beat, as positions in samples.
LANDMARKS = ("onset", "steepest", "peak", "notch", "end")
LANDMARK_COLUMNS = tuple(f"{name}_s" for name in LANDMARKS)
#: What an index may ask for besides other indices of its level and ``context.<key>``.
VOCABULARY: dict[str, tuple[str, ...]] = {
    "beat": ("pressure", "fs", *LANDMARKS, "quality", "chain"),
    "window": ("start_s", "end_s", "valid_s", "beats", "clipped_share", "window_of_beat", "n_windows"),
    "record": ("duration_s", "valid_s", "beats", "clipped_share"),
}
#: Columns of lower tables, asked for as ``beats.<column>`` or ``windows.<column>``.
BELOW: dict[str, tuple[str, ...]] = {"beat": (), "window": ("beats",), "record": ("beats", "windows")}
_INPUT = "of its input "
_FIXED: dict[str, tuple[str, ...]] = {
    "beats": (*LANDMARK_COLUMNS, "quality", "facts"),
    "windows": ("start_s", "end_s", "valid_s", "beats", "clipped_share", "facts"),
    "record": ("duration_s", "valid_s", "beats", "clipped_share", "facts"),
}


@dataclass(frozen=True, slots=True)
class Range:
    """A published range: `low` to `high` [unit of the index], in whom, and where it is published."""

    low: float
    high: float
    population: str
    source: str


@dataclass(frozen=True, slots=True)
class Mark:
    """A fact that an index adds to the rows of its own table where a predicate on numeric columns holds."""

    fact: Fact
    when: When


@dataclass(frozen=True)
class Index:
    """
    One entry of the catalogue.

    Attributes
    ----------
    name : str
        Name in code, for instance "sbp".
    title : str
        Name in words.
    unit : str
        Canonical unit: mmHg, s, 1/min, mmHg/s, mmHg s, mL, %, or "1".
    level : str
        "beat", "window" or "record": the table it is computed in.
    formula : str
        The definition in one line.
    inputs : tuple of str
        What the function is given, in order: at beat level ``pressure`` (the wave [mmHg]), ``fs`` [Hz], the
        landmarks ``onset, steepest, peak, notch, end`` [samples of that wave], ``quality``, the measuring
        chain (``chain``, a `hemoidx.line.Chain`), or other indices of the level; at window level columns of
        the windows, ``window_of_beat``, ``n_windows`` and columns of the beats such as ``beats.sbp``, which
        are NaN where a value was rejected; at record level columns of the record, ``windows.<column>`` and
        ``beats.<column>``; at every level ``context.<key>``.
    function : callable
        Pure function of these arrays; returns one value for each row. A function that takes the wave is
        given it in stretches of half an hour, with two seconds on either side of the beats; it must
        return for a beat what it would return on the whole wave. A plain module-level function reaches the
        worker processes of a cohort run; a lambda does not.
    sources : tuple of str
        Where the formula is published; "common practice, no source" where it is not.
    rules : tuple of Rule
        When a value counts as measured. What rejects an input of it rejects it too, see
        `Catalogue.rules_in`; one without rules takes over all those of its inputs.
    limits : tuple of Limit
        What limits its reading for named uses.
    column : str
        Column of the tables; the name if empty. The name of a time carries its unit here.
    window : str
        How values of beats become one of a window: "mean", "time_mean" (weighted by the duration of the
        beats), "rate" (60 / mean interval), "shared" (mean of an error that all beats share, without a
        standard error of its own), or "none".
    error_function : callable, optional
        At window and record level: random standard error, from the same inputs.
    marks : tuple of Mark
        Facts that it adds to rows.
    shared_inputs : tuple of str
        Other indices read from the same landmarks: a correlation with them is partly arithmetic.
    published_range : Range, optional
        Range in a named population, for orientation; never used to judge a value.
    family : str
        What it belongs to: one of `FAMILIES`; "chain" are errors that the measuring chain adds, "own" is a
        user's.
    missing : str
        Why it may have no value where no rule took it away, in words that fit behind "because".
    harmed_by : tuple of str
        Errors of the measuring chain that reach it: "offset" (zero, level), "gain", "line".

    Raises
    ------
    InputError
        If an entry is malformed.
    """

    name: str
    title: str
    unit: str
    level: str
    formula: str
    inputs: tuple[str, ...]
    function: Callable[..., Any]
    sources: tuple[str, ...] = ()
    rules: tuple[Rule, ...] = ()
    limits: tuple[Limit, ...] = ()
    column: str = ""
    window: str = "mean"
    error_function: Callable[..., Any] | None = None
    marks: tuple[Mark, ...] = ()
    shared_inputs: tuple[str, ...] = ()
    published_range: Range | None = None
    family: str = "own"
    missing: str = ""
    harmed_by: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        if not self.column:
            object.__setattr__(self, "column", self.name)
        for word in (self.name, self.column):
            if not word.isidentifier():
                raise InputError(
                    f"index {self.name!r}: names and columns are words of letters, digits and underscores"
                )
        if self.level not in LEVELS:
            raise InputError(
                f"index {self.name}: level must be one of {', '.join(LEVELS)}, got {self.level!r}"
            )
        if self.window not in STATISTICS:
            raise InputError(
                f"index {self.name}: window must be one of {', '.join(STATISTICS)}, got {self.window!r}"
            )
        if self.family not in FAMILIES:
            raise InputError(
                f"index {self.name}: family must be one of {', '.join(FAMILIES)}, got {self.family!r}"
            )
        if isinstance(self.harmed_by, str) or not set(self.harmed_by) <= set(HARMS):
            raise InputError(f"index {self.name}: harmed_by is a tuple of {', '.join(HARMS)}")
        if isinstance(self.inputs, str) or not self.inputs:
            raise InputError(f"index {self.name}: inputs must be a tuple of at least one name")
        if not callable(self.function):
            raise InputError(
                f"index {self.name}: function must be callable, got {type(self.function).__name__}"
            )
        if isinstance(self.sources, str):
            raise InputError(f"index {self.name}: sources must be a tuple of texts, not one text")

    @property
    def table(self) -> str:
        """Table it is computed in."""
        return TABLE_OF_LEVEL[self.level]

    @property
    def reads_wave(self) -> bool:
        """Whether its function takes the samples."""
        return self.level == "beat" and "pressure" in self.inputs

    @property
    def has_se(self) -> bool:
        """Whether the tables above the beats have a standard error of it."""
        return self.error_function is not None or (
            self.level == "beat" and self.window not in ("shared", "none")
        )

    def appears_in(self, table: str) -> bool:
        """Whether a table has a column of it."""
        return table == self.table or (self.level == "beat" and self.window != "none" and table != "beats")


@dataclass(frozen=True)
class Catalogue:
    """
    A set of indices that fit together.

    Attributes
    ----------
    indices : tuple of Index
        The entries.

    Raises
    ------
    InputError
        If two entries share a name or column, an input or fact is unknown, or inputs run in a circle.

    Examples
    --------
    >>> from hemoidx.indices import default_catalogue
    >>> default_catalogue()["pp"].title
    'Pulse pressure'
    """

    indices: tuple[Index, ...]

    def __post_init__(self) -> None:
        object.__setattr__(self, "indices", tuple(self.indices))
        _check_names(self.indices)
        known = {fact.name for fact in self.facts}
        for index in self.indices:
            for when in _predicates(index):
                for name in when.facts:
                    if name not in known:
                        raise InputError(
                            f"index {index.name}: a rule names an unknown fact {name!r}{_near(name, known)}"
                        )
            for name in index.inputs:
                self._check_input(index, name)
        for level in LEVELS:
            self.order(level)

    @cached_property
    def facts(self) -> tuple[Fact, ...]:
        """Our facts and those that the entries mark."""
        return with_user_facts(
            mark.fact for index in self.indices for mark in index.marks if not _is_ours(mark.fact)
        )

    @cached_property
    def _by_name(self) -> dict[str, Index]:
        return {word: index for index in self.indices for word in (index.name, index.column)}

    def __getitem__(self, name: str) -> Index:
        found = self._by_name.get(name)
        if found is None:
            raise InputError(f"no index is called {name!r}{_near(name, self._by_name)}")
        return found

    def __contains__(self, name: object) -> bool:
        return name in self._by_name

    def __iter__(self) -> Iterator[Index]:
        return iter(self.indices)

    def __len__(self) -> int:
        return len(self.indices)

    def with_(self, extra: Iterable[Index]) -> Catalogue:
        """Return a catalogue with further entries."""
        extra = tuple(extra)
        for index in extra:
            if not isinstance(index, Index):
                raise InputError(f"catalogue: need Index entries, got {type(index).__name__}")
        return Catalogue((*self.indices, *extra))

    def in_table(self, table: str) -> tuple[Index, ...]:
        """Entries that have a column in a table."""
        return tuple(index for index in self.indices if index.appears_in(table))

    def measured_in(self, table: str) -> tuple[Index, ...]:
        """Entries of a table that tell of the patient, without the errors that the measuring chain adds."""
        return tuple(index for index in self.in_table(table) if index.family != "chain")

    def order(self, level: str) -> tuple[Index, ...]:
        """
        Entries of a level, each behind what it needs.

        Raises
        ------
        InputError
            If inputs run in a circle.
        """
        waiting = [index for index in self.indices if index.level == level]
        own = {word for index in waiting for word in (index.name, index.column)}
        done: dict[str, Index] = {}
        while waiting:
            ready = [i for i in waiting if all(n in done or n not in own for n in map(_without_se, i.inputs))]
            if not ready:
                circle = ", ".join(index.name for index in waiting)
                raise InputError(f"catalogue: these indices need each other in a circle: {circle}")
            for index in ready:
                done[index.name] = done[index.column] = index
            waiting = [index for index in waiting if index not in ready]
        return tuple(dict.fromkeys(done.values()))

    def rules_in(self, index: Index, table: str) -> tuple[Rule, ...]:
        """
        Rules of an index in a table: its own, and those that reject what it is computed from.

        Parameters
        ----------
        index : Index
            One of the entries.
        table : str
            "beats", "windows" or "record".

        Returns
        -------
        tuple of Rule
            What rejects an input rejects the index too, in words that name the input. An index that declares
            no rules of its own takes over cautions as well, and what nobody documented; if it reads the wave
            or landmarks, it follows the rules of the beat, and in a unit with mmHg those of a pressure.
        """
        if self._by_name.get(index.name) is not index:
            return self._rules_of(index, table)
        # Kept: inputs hand their rules on, and would be asked again along every path to an index.
        key = (index.name, table)
        if key not in self._rules_kept:
            self._rules_kept[key] = self._rules_of(index, table)
        return self._rules_kept[key]

    @cached_property
    def _rules_kept(self) -> dict[tuple[str, str], tuple[Rule, ...]]:
        return {}

    def _rules_of(self, index: Index, table: str) -> tuple[Rule, ...]:
        own = index.rules
        if index.family == "chain":
            # What the chain does to a value must not disappear together with the value.
            return own
        mine = {(rule.level, rule.when) for rule in own}
        found: dict[tuple[str, When], Rule] = {}
        if not own and index.level == "beat":
            # What is read from the wave itself counts no more than the beat it is read from.
            pressure = index.reads_wave and "mmHg" in index.unit
            marks = PRESSURE_RULES if pressure else BEAT_RULES
            if index.reads_wave or set(index.inputs) & set(LANDMARKS):
                found.update({(rule.level, rule.when): rule for rule in marks})
        for name in index.inputs:
            source = None if name.startswith("context.") else self._by_name.get(_bare(name))
            if source is None or not source.appears_in(table):
                continue
            for rule in self.rules_in(source, table):
                if rule.when.column == OFFSET_COLUMN and index.harmed_by and "offset" not in index.harmed_by:
                    # An offset of both pressures cancels in their difference.
                    continue
                if (rule.level == REJECTED or not own) and (rule.level, rule.when) not in mine:
                    words = rule.reason or rule.when.words(table, self.facts)
                    words = words if words.startswith(_INPUT) else f"{_INPUT}{source.name}: {words}"
                    found.setdefault((rule.level, rule.when), Rule(rule.level, rule.when, words))
        return (*own, *found.values())

    def columns_below(self, table: str) -> set[str]:
        """Columns of a table that an index of a higher level may ask for, by name or column."""
        words = {word for index in self.in_table(table) for word in (index.name, index.column)}
        if table == "windows":
            words |= {f"{index.column}_se" for index in self.in_table(table)}
        return words | set(_FIXED[table])

    def _check_input(self, index: Index, name: str) -> None:
        if name.startswith("context."):
            return
        table, _, column = name.rpartition(".")
        if table:
            if table not in BELOW[index.level]:
                _unknown(index, name, [f"{t}.<column>" for t in BELOW[index.level]])
            if column not in self.columns_below(table):
                _unknown(index, name, sorted(f"{table}.{word}" for word in self.columns_below(table)))
            return
        allowed = set(VOCABULARY[index.level])
        allowed |= {w for i in self.indices if i.level == index.level for w in (i.name, i.column)}
        if index.level != "beat":
            allowed |= self.columns_below(index.table)
        if name not in allowed:
            _unknown(index, name, sorted(allowed))


def _bare(name: str) -> str:
    """Name of the index behind an input: without the table it comes from and without its error."""
    return _without_se(name.rpartition(".")[2])


def _without_se(name: str) -> str:
    return name.removesuffix("_se")


def _is_ours(fact: Fact) -> bool:
    return fact in FACTS


def _predicates(index: Index) -> list[When]:
    return [rule.when for rule in index.rules] + [limit.when for limit in index.limits]


def _near(name: str, known: Iterable[str]) -> str:
    close = difflib.get_close_matches(name, list(known), n=1)
    return f"; did you mean {close[0]!r}?" if close else f"; known are {', '.join(sorted(set(known)))}"


def _unknown(index: Index, name: str, allowed: list[str]) -> NoReturn:
    raise InputError(f"index {index.name}: unknown input {name!r}{_near(name, allowed)}")


def _check_names(indices: Iterable[Index]) -> None:
    taken: dict[str, str] = {}
    for index in indices:
        reserved = {*VOCABULARY[index.level], *_FIXED[index.table], "record_id", "channel", "beat", "window"}
        if index.level == "beat" and index.window != "none":
            reserved |= {*_FIXED["windows"], *_FIXED["record"]}
        for word in {index.name, index.column}:
            if word in reserved:
                raise InputError(
                    f"index {index.name}: the name {word!r} is that of a column of the tables; take another"
                )
            if word in taken:
                raise InputError(
                    f"index {index.name}: the name {word!r} is already taken by {taken[word]}; take another"
                )
        taken |= dict.fromkeys((index.name, index.column), index.name)
