"""
The catalogue: one frozen entry for each index, written beside its function.

An `Index` says what a quantity is called, in which unit, from what it is computed, where it is published,
when it counts as measured and what limits its reading. Everything else is made from the entries: tables,
verdicts, units in files, the printed catalogue. A user's own index is passed as ``catalogue=``; nothing is
registered globally, since a registration would not reach the worker processes of a cohort run.
"""

from __future__ import annotations

import difflib
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from functools import cached_property
from typing import NoReturn

from ..errors import InputError
from ..facts import FACTS, Fact, with_user_facts
from .index import BELOW, FAMILIES, FIXED, LANDMARKS, LEVELS, VOCABULARY, Index
from .rules import BEAT_RULES, CLIPPED, DYNAMIC_SHAPE, PRESSURE_RULES, REJECTED, Rule, When

#: Column of what zero and level add to every pressure.
OFFSET_COLUMN = "static_error"
_INPUT = "of its input "
_SHOW_BREATHS = ("sbp", "dbp", "mbp")
_KEYS = ("record_id", "channel", "beat", "breath", "window")


@dataclass(frozen=True, repr=False)
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

    def get(self, name: str) -> Index | None:
        """Entry by name or column, None if there is none."""
        return self._by_name.get(name)

    def __contains__(self, name: object) -> bool:
        return name in self._by_name

    def __iter__(self) -> Iterator[Index]:
        return iter(self.indices)

    def __len__(self) -> int:
        return len(self.indices)

    def __repr__(self) -> str:
        return f"<Catalogue of {len(self)} indices: {', '.join(index.name for index in self)}>"

    def _repr_html_(self) -> str:
        from .shown import catalogue_page

        return catalogue_page(self)

    def with_(self, extra: Iterable[Index]) -> Catalogue:
        """Return a catalogue with further entries."""
        extra = tuple(extra)
        for index in extra:
            if not isinstance(index, Index):
                raise InputError(f"catalogue: need Index entries, got {type(index).__name__}")
        return Catalogue((*self.indices, *extra))

    def only(self, *wanted: str) -> Catalogue:
        """
        Give a smaller catalogue, which costs less: some indices, with what they and their rules stand on.

        Parameters
        ----------
        *wanted : str
            Names of indices, or of families such as "pressure".

        Returns
        -------
        Catalogue
            The entries in their order; what only feeds them is kept, and shown like any other.

        Raises
        ------
        InputError
            If there is no such index or family.

        Examples
        --------
        >>> from hemoidx.indices import default_catalogue
        >>> [index.name for index in default_catalogue().only("hr")]
        ['duration', 'hr']
        """
        # Valid time is counted by the duration of the beats.
        waiting = [self["duration"]]
        for name in wanted:
            of_family = [index for index in self.indices if index.family == name]
            waiting += of_family or [self[name]]
        found = self._with_all_that_feeds(waiting)
        # Breaths are found in all three pressures, whatever is read off them.
        if found.needs_breaths:
            found = self._with_all_that_feeds(
                [*found, *(self[name] for name in _SHOW_BREATHS if name in self)]
            )
        return found

    def _with_all_that_feeds(self, waiting: list[Index]) -> Catalogue:
        kept: set[str] = set()
        while waiting:
            index = waiting.pop()
            if index.name in kept:
                continue
            kept.add(index.name)
            asked = [_bare(name) for name in index.inputs] + [when.column for when in _predicates(index)]
            waiting += [found for name in asked if (found := self._by_name.get(name)) is not None]
        return Catalogue(tuple(index for index in self.indices if index.name in kept))

    @property
    def needs_breaths(self) -> bool:
        """Whether any entry is read off breaths."""
        asked = {name for index in self.indices for name in index.inputs}
        of_breaths = any("breath" in name for name in asked)
        return of_breaths or any(index.level == "breath" for index in self.indices)

    def in_table(self, table: str) -> tuple[Index, ...]:
        """Entries that have a column in a table."""
        return tuple(index for index in self.indices if index.appears_in(table))

    def worked_out_in(self, table: str) -> tuple[Index, ...]:
        """Entries that have values for the rows of a table, those among them that only feed others."""
        return tuple(index for index in self.indices if index.worked_out_in(table))

    def measured_in(self, table: str) -> tuple[Index, ...]:
        """Entries of a table that tell of the patient, without the errors that the measuring chain adds."""
        return tuple(index for index in self.in_table(table) if index.family != "chain")

    def families(self, table: str | None = None) -> dict[str, tuple[Index, ...]]:
        """Entries by the title of their family, in the order of pages; of one table, if it is given."""
        there = self.indices if table is None else self.in_table(table)
        sorted_in = {
            title: tuple(i for i in there if i.family == family) for family, title in FAMILIES.items()
        }
        return {title: entries for title, entries in sorted_in.items() if entries}

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
            "beats", "breaths", "windows" or "record".

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
        if index.own_rules or index.family == "chain":
            # What the chain does to a value must not disappear together with the value.
            return own
        mine = {(rule.level, rule.when) for rule in own}
        found: dict[tuple[str, When], Rule] = {}
        if not own and index.level == "beat":
            # What is read from the wave itself counts no more than the beat it is read from.
            pressure = index.reads_wave and "mmHg" in index.unit
            marks = PRESSURE_RULES + CLIPPED + DYNAMIC_SHAPE if pressure else BEAT_RULES
            if index.reads_wave or set(index.inputs) & set(LANDMARKS):
                found.update({(rule.level, rule.when): rule for rule in marks})
        for name in index.inputs:
            source = self._by_name.get(_bare(name))
            if source is None or not source.worked_out_in(table):
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
        there = self.worked_out_in(table)
        words = {word for index in there for word in (index.name, index.column)}
        if table == "windows":
            words |= {f"{index.column}_se" for index in there}
        return words | set(FIXED[table])

    def _check_input(self, index: Index, name: str) -> None:
        table, column = split_input(name)
        if column.startswith("context.") and (not table or table in BELOW[index.level]):
            return
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


def split_input(name: str) -> tuple[str, str]:
    """
    Table and column of an input; the table is empty for what stands in the index's own.

    Examples
    --------
    >>> split_input("beats.sbp"), split_input("beats.context.apnoea"), split_input("context.site")
    (('beats', 'sbp'), ('beats', 'context.apnoea'), ('', 'context.site'))
    """
    table, dot, column = name.partition(".")
    return (table, column) if dot and table != "context" else ("", name)


def _bare(name: str) -> str:
    """Name of the index behind an input: without the table it comes from and without its error."""
    return _without_se(split_input(name)[1])


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
        reserved = {*VOCABULARY[index.level], *FIXED[index.table], *_KEYS}
        if index.rises:
            reserved |= {*FIXED["windows"]}
        if index.summed:
            reserved |= {*FIXED["record"]}
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
