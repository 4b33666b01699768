"""
Reference values as data: what a source says, which function has to agree, within what, and why that much.

A file in the folder ``references`` has the keys `title`, `sources` (short name: text), `checks` (a list, each
with the fields of `Reference`), `unchecked` (id: why no function can be held against it) and `ledger` (group:
ids). The group `due` of the ledger holds the entries that must be checked or explained, the other groups say
why the rest need not be.
"""

from __future__ import annotations

import os
from collections.abc import Mapping, Sequence
from dataclasses import MISSING, dataclass, fields
from importlib import import_module
from importlib.resources import files
from pathlib import Path
from typing import Any

import numpy as np

from hemoidx.errors import InputError

#: What a reference is. Published: a number or an observation printed by somebody else. Analytic: worked out
#: from a formula, which tests arithmetic. Independent library: what other people's code gives. Pin: our own
#: earlier result, which proves nothing but that it has not moved.
KINDS = ("published", "analytic", "independent_library", "pin")
#: How it is known: read where the source says, worked out here, or quoted from memory.
KNOWN = ("seen", "computed", "recalled")
#: What else than a value within a tolerance can be expected.
COMPARISONS = ("above", "below", "between", "order", "says")


@dataclass(frozen=True)
class Reference:
    """
    One value that a function has to give.

    Attributes
    ----------
    id : str
        Entry of the collection it stems from.
    statement : str
        What the source says, in a sentence.
    kind, known : str
        One of `KINDS` and of `KNOWN`.
    source : str
        Where it stands, in full.
    function : str
        Dotted name of a function, class or constant of hemoidx.
    expected : object
        A number, a word, a list of either; or a mapping of one of `COMPARISONS` to its limit: `above` and
        `below` (a number), `between` (two numbers), `order` ('rising' or 'falling'), `says` (texts that must
        occur).
    unit : str
        Of the expected value; '1' for a plain ratio, '' for words.
    part : str
        Tells several checks of one entry apart.
    inputs : mapping
        Arguments by name; not for a constant.
    over : str
        Name of an input that is a list: the function is called once for each of its values.
    take : str
        Which part of what the function gives: names of attributes or items, or positions, with dots between.
    tolerance : float, optional
        Largest absolute difference, in `unit`; only for numbers.
    why : str
        Why that much.
    formula : str
        As the source gives it.
    contradicts : str
        Where print contradicts itself or what follows from its own data: how, in words. The check must then
        disagree, and says so.
    """

    id: str
    statement: str
    kind: str
    known: str
    source: str
    function: str
    expected: Any
    unit: str
    part: str = ""
    inputs: Mapping[str, Any] | None = None
    over: str = ""
    take: str = ""
    tolerance: float | None = None
    why: str = ""
    formula: str = ""
    contradicts: str = ""

    @property
    def name(self) -> str:
        """Id, with the part where there is one."""
        return f"{self.id}/{self.part}" if self.part else self.id

    def value(self) -> Any:
        """
        What hemoidx gives.

        Raises
        ------
        InputError
            If there is no such function, or nothing to take from what it gives.
        """
        made = resolve(self.function)
        if self.inputs is None:
            return _part(made, self.take, self.name)
        if not self.over:
            return _part(made(**self.inputs), self.take, self.name)
        rest = dict(self.inputs)
        return [_part(made(**rest | {self.over: v}), self.take, self.name) for v in rest.pop(self.over)]

    def disagreement(self, value: Any) -> str:
        """
        How a value disagrees with what is expected.

        Parameters
        ----------
        value : object
            As `value` gives it.

        Returns
        -------
        str
            Empty if it agrees.
        """
        agrees = _compared(value, self.expected, self.tolerance)
        within = "" if self.tolerance is None else f" within {self.tolerance:g}"
        return "" if agrees else f"{self.name}: {self.expected}{within} {self.unit} expected, {value} found"


@dataclass(frozen=True)
class References:
    """
    A collection of references.

    Attributes
    ----------
    title : str
        What it is about.
    checks : tuple of Reference
        What can be checked.
    unchecked : mapping of str to str
        Entries that no function can be held against, and why.
    ledger : mapping of str to tuple of str
        Ids of all entries that were gone through, by group.
    """

    title: str
    checks: tuple[Reference, ...]
    unchecked: Mapping[str, str]
    ledger: Mapping[str, tuple[str, ...]]

    @property
    def open(self) -> tuple[str, ...]:
        """Entries that are due and neither checked nor explained."""
        settled = {check.id for check in self.checks} | set(self.unchecked)
        return tuple(one for one in self.ledger["due"] if one not in settled)


def resolve(dotted: str) -> Any:
    """
    Find a function, class or constant of hemoidx.

    Parameters
    ----------
    dotted : str
        Module and name, such as 'hemoidx.line.level.column_pressure'.

    Returns
    -------
    object

    Raises
    ------
    InputError
        If it is not of hemoidx, or not there.
    """
    module, _, name = dotted.rpartition(".")
    if not module.startswith("hemoidx."):
        raise InputError(f"reference: {dotted!r} is no module and name of hemoidx")
    try:
        return getattr(import_module(module), name)
    except (ImportError, AttributeError) as problem:
        raise InputError(f"reference: there is no {dotted!r} ({problem})") from problem


def load(source: str | os.PathLike[str] = "measuring_chain") -> References:
    """
    Read a collection of references.

    Parameters
    ----------
    source : str or path
        Name of a collection that comes with hemoidx, or the path of a YAML file.

    Returns
    -------
    collection : References
        Checks, explanations and ledger.

    Raises
    ------
    InputError
        If the file is not there, or anything in it is missing, unknown, doubled or does not fit together.
    """
    import yaml

    named = isinstance(source, str) and not source.endswith((".yaml", ".yml"))
    path = files("hemoidx.validation").joinpath("references", f"{source}.yaml") if named else Path(source)
    where = path.name
    try:
        content = yaml.safe_load(path.read_text(encoding="utf-8"))
    except (OSError, UnicodeDecodeError) as problem:
        raise InputError(f"{where}: cannot be read ({problem})") from problem
    except yaml.YAMLError as problem:
        raise InputError(f"{where}: is not YAML ({' '.join(str(problem).split())})") from problem
    _keys(content, ("title", *_SECTIONS), (), where)
    for name, kind in _SECTIONS.items():
        if not isinstance(content[name], kind):
            raise InputError(f"{where}: {name} must be a {'list' if kind is list else 'mapping'}")
    checks = tuple(_reference(one, content["sources"], where) for one in content["checks"])
    ledger = {group: tuple(ids) for group, ids in content["ledger"].items()}
    found = References(content["title"], checks, content["unchecked"], ledger)
    _fits_together(found, where)
    return found


_SECTIONS: dict[str, type] = {"sources": dict, "checks": list, "unchecked": dict, "ledger": dict}
_REQUIRED = tuple(f.name for f in fields(Reference) if f.default is MISSING)
_OPTIONAL = tuple(f.name for f in fields(Reference) if f.default is not MISSING)


def _keys(given: Any, required: Sequence[str], optional: Sequence[str], where: str) -> None:
    if not isinstance(given, Mapping):
        raise InputError(f"{where}: names and values expected, found {given!r}")
    missing = [name for name in required if name not in given]
    unknown = [str(name) for name in given if name not in (*required, *optional)]
    both = ((missing, "missing"), (unknown, "unknown"))
    told = [f"{', '.join(names)} {what}" for names, what in both if names]
    if told:
        raise InputError(f"{where}: {'; '.join(told)}")


def _reference(given: Any, sources: Mapping[str, str], where: str) -> Reference:
    where = f"{where}, check {given.get('id', '?')}" if isinstance(given, Mapping) else where
    _keys(given, _REQUIRED, _OPTIONAL, where)
    for field, allowed in (("kind", KINDS), ("known", KNOWN), ("source", tuple(sources))):
        if given[field] not in allowed:
            raise InputError(f"{where}: {field} {given[field]!r} is none of {', '.join(allowed)}")
    if given["kind"] == "published" and given["known"] == "computed":
        raise InputError(f"{where}: what was computed here is not published")
    expected, tolerance = given["expected"], given.get("tolerance")
    if isinstance(expected, Mapping):
        if len(expected) != 1 or next(iter(expected)) not in COMPARISONS:
            raise InputError(f"{where}: expected compares by one of {', '.join(COMPARISONS)}")
        if expected.get("order", "rising") not in ("rising", "falling"):
            raise InputError(f"{where}: an order is rising or falling, not {expected['order']!r}")
    if _numeric(expected) != (tolerance is not None):
        raise InputError(f"{where}: a tolerance belongs to expected numbers, and to nothing else")
    if tolerance is not None and not (_numeric(tolerance) and tolerance >= 0 and given.get("why")):
        raise InputError(f"{where}: a tolerance is a number of 0 or more and says why it is that much")
    over = given.get("over", "")
    if over and not isinstance((given.get("inputs") or {}).get(over), list):
        raise InputError(f"{where}: over {over!r} needs an input of that name that is a list")
    return Reference(**given | {"source": sources[given["source"]]})


def _fits_together(found: References, where: str) -> None:
    if "due" not in found.ledger:
        raise InputError(f"{where}: the ledger needs a group 'due'")
    listed = [one for ids in found.ledger.values() for one in ids]
    for names, what in (([check.name for check in found.checks], "checks"), (listed, "ledger")):
        doubled = sorted({name for name in names if names.count(name) > 1})
        if doubled:
            raise InputError(f"{where}: {', '.join(doubled)} more than once in {what}")
    checked = {check.id for check in found.checks}
    strangers = sorted((checked | set(found.unchecked)) - set(listed))
    if strangers:
        raise InputError(f"{where}: {', '.join(strangers)} not in the ledger")
    both = sorted(checked & set(found.unchecked))
    if both:
        raise InputError(f"{where}: {', '.join(both)} both checked and unchecked")


def _numeric(value: Any) -> bool:
    """Whether it is a number, or a list of numbers."""
    if isinstance(value, list):
        return bool(value) and all(_numeric(one) for one in value)
    return isinstance(value, int | float) and not isinstance(value, bool)


def _part(value: Any, take: str, where: str) -> Any:
    for name in take.split(".") if take else ():
        try:
            if isinstance(value, Mapping):
                value = value[name]
            else:
                value = value[int(name)] if name.isdigit() else getattr(value, name)
        except (LookupError, AttributeError, TypeError) as problem:
            raise InputError(f"reference {where}: nothing called {name!r} in {value!r}") from problem
    return value


def _compared(value: Any, expected: Any, tolerance: float | None) -> bool:
    if not isinstance(expected, Mapping):
        if tolerance is None:
            return bool(value == expected)
        got, wanted = np.asarray(value, dtype=np.float64), np.asarray(expected, dtype=np.float64)
        return got.shape == wanted.shape and bool(np.all(np.abs(got - wanted) <= tolerance))
    ((how, limit),) = expected.items()
    if how == "says":
        text = value if isinstance(value, str) else " ".join(value)
        return all(one in text for one in limit)
    got = np.asarray(value, dtype=np.float64)
    if how == "order":
        return bool(got.size > 1 and np.all(np.diff(got) * (1 if limit == "rising" else -1) > 0))
    low = {"above": limit, "below": -np.inf}[how] if how != "between" else limit[0]
    high = {"above": np.inf, "below": limit}[how] if how != "between" else limit[1]
    return bool(got.size and np.all((got > low) & (got < high)))
