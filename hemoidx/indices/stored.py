"""The catalogue as plain data, stored beside the tables whose values its rules accepted or rejected."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import asdict
from typing import Any, NoReturn

from ..errors import InputError
from ..facts import Fact
from .catalogue import Catalogue
from .index import Index, Mark, Range
from .rules import Limit, Rule, When


def to_json(catalogue: Iterable[Index]) -> list[dict[str, Any]]:
    """
    Turn declarations into plain data; of a function only its name is kept.

    Parameters
    ----------
    catalogue : Catalogue or iterable of Index
        The entries.

    Returns
    -------
    list of dict
        One for each entry, fit for JSON.
    """
    return [_index_json(index) for index in catalogue]


def from_json(stored: Iterable[Mapping[str, Any]]) -> Catalogue:
    """
    Read declarations back; they give verdicts and units, but cannot be computed again.

    Parameters
    ----------
    stored : iterable of mapping
        What `to_json` made.

    Returns
    -------
    Catalogue
        The entries.
    """
    return Catalogue(tuple(_stored_index(entry) for entry in stored))


def _stored_only(*_: Any) -> NoReturn:
    raise InputError("a saved analysis keeps the declarations of its indices but not their functions")


def _index_json(index: Index) -> dict[str, Any]:
    # A partial or a callable object has no name of its own: that of its class is kept.
    named = index.function if hasattr(index.function, "__qualname__") else type(index.function)
    stored = {
        "name": index.name,
        "title": index.title,
        "unit": index.unit,
        "level": index.level,
        "formula": index.formula,
        "inputs": list(index.inputs),
        "function": f"{getattr(named, '__module__', '')}.{getattr(named, '__qualname__', '')}",
        "sources": list(index.sources),
        "column": index.column,
        "window": index.window,
        "readings": index.readings,
        "has_error": index.error_function is not None,
        "shared_inputs": list(index.shared_inputs),
        "family": index.family,
        "missing": index.missing,
        "harmed_by": list(index.harmed_by),
        "own_rules": index.own_rules,
        "inner": index.inner,
        "rules": [_rule_json(rule) for rule in index.rules],
        "limits": [_limit_json(limit) for limit in index.limits],
        "marks": [{"fact": asdict(m.fact), "when": _when_json(m.when)} for m in index.marks],
    }
    if index.published_range is not None:
        stored["published_range"] = asdict(index.published_range)
    return stored


def _stored_index(entry: Mapping[str, Any]) -> Index:
    return Index(
        name=entry["name"],
        title=entry["title"],
        unit=entry["unit"],
        level=entry["level"],
        formula=entry["formula"],
        inputs=tuple(entry["inputs"]),
        function=_stored_only,
        sources=tuple(entry["sources"]),
        rules=tuple(Rule(r["level"], _when(r["when"]), r["reason"]) for r in entry["rules"]),
        limits=tuple(Limit(**{**x, "when": _when(x["when"])}) for x in entry["limits"]),
        column=entry["column"],
        window=entry["window"],
        readings=entry["readings"],
        error_function=_stored_only if entry["has_error"] else None,
        marks=tuple(Mark(Fact(**m["fact"]), _when(m["when"])) for m in entry["marks"]),
        shared_inputs=tuple(entry["shared_inputs"]),
        family=entry["family"],
        missing=entry["missing"],
        harmed_by=tuple(entry["harmed_by"]),
        own_rules=entry["own_rules"],
        inner=entry["inner"],
        published_range=Range(**entry["published_range"]) if "published_range" in entry else None,
    )


def _rule_json(rule: Rule) -> dict[str, Any]:
    return {"level": rule.level, "reason": rule.reason, "when": _when_json(rule.when)}


def _limit_json(limit: Limit) -> dict[str, Any]:
    words = {name: getattr(limit, name) for name in ("use", "direction", "reason", "source")}
    return {**words, "when": _when_json(limit.when)}


def _when_json(when: When) -> dict[str, Any]:
    stored: dict[str, Any] = {}
    if when.facts:
        stored["facts"] = list(when.facts)
    if when.column:
        stored["column"] = when.column
    for bound in ("below", "above"):
        value = getattr(when, bound)
        if value is not None:
            stored[bound] = float(value)
    if when.one_of:
        stored["one_of"] = list(when.one_of)
    if when.tables:
        stored["tables"] = list(when.tables)
    return stored


def _when(stored: Mapping[str, Any]) -> When:
    return When(
        facts=tuple(stored.get("facts", ())),
        column=stored.get("column", ""),
        below=stored.get("below"),
        above=stored.get("above"),
        tables=tuple(stored.get("tables", ())),
        one_of=tuple(stored.get("one_of", ())),
    )
