"""The catalogue of indices as plain text for a terminal."""

from __future__ import annotations

from collections.abc import Iterable
from textwrap import fill
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from hemoidx.indices.catalogue import Catalogue
    from hemoidx.indices.index import Index

_WIDTH = 100
_VERB = {
    "rejected": "no value when",
    "caution": "value with a caution when",
    "undocumented": "said once for a recording when",
}


def listing(catalogue: Catalogue) -> str:
    """
    List all indices, family by family, one a line.

    Parameters
    ----------
    catalogue : Catalogue
        What to list.

    Returns
    -------
    str
        Name, unit, tables and title of each.
    """
    head = ("name", "unit", "tables", "what it is")
    rows = {
        index.name: (index.name, index.unit, ", ".join(_tables(index)), index.title) for index in catalogue
    }
    wide = [max(len(row[column]) for row in (head, *rows.values())) for column in range(3)]

    def line(row: tuple[str, str, str, str]) -> str:
        return "  ".join([*(cell.ljust(w) for cell, w in zip(row[:3], wide, strict=True)), row[3]])

    lines = [line(head)]
    for title, entries in catalogue.families().items():
        lines += ["", title, *(line(rows[index.name]) for index in entries)]
    return "\n".join([*lines, "", "hemoidx indices NAME says how one is defined, and when it counts."])


def describe(index: Index) -> str:
    """
    Say all that the catalogue knows of one index.

    Parameters
    ----------
    index : Index
        The entry.

    Returns
    -------
    str
        Definition, inputs, sources, rules and limits, in words.
    """
    parts = [
        f"{index.name}: {index.title} [{index.unit}]",
        "",
        _labelled("definition", index.formula),
        _labelled("made from", ", ".join(index.inputs)),
        _labelled("in tables", ", ".join(f"{table}.{index.column}" for table in _tables(index))),
    ]
    if index.shared_inputs:
        parts.append(
            _labelled(
                "shares inputs with", f"{', '.join(index.shared_inputs)} (they correlate by arithmetic)"
            )
        )
    if index.published_range is not None:
        span = index.published_range
        words = f"{span.low:g} to {span.high:g} {index.unit}, {span.population} ({span.source})"
        parts.append(_labelled("published range", words + "; for orientation, never used to judge a value"))
    parts += _block("sources", index.sources)
    parts += _block("was it measured?", _measurement(index))
    parts += _block("how can it be read?", _interpretation(index))
    return "\n".join(parts)


def _tables(index: Index) -> list[str]:
    return [table for table in ("beats", "breaths", "windows", "record") if index.appears_in(table)]


def _measurement(index: Index) -> list[str]:
    lines = []
    for rule in sorted(index.rules, key=lambda rule: list(_VERB).index(rule.level)):
        table = rule.when.tables[0] if rule.when.tables else index.table
        lines.append(f"{_VERB[rule.level]} {rule.reason or rule.when.words(table)}")
    return lines


def _interpretation(index: Index) -> list[str]:
    lines = []
    for limit in index.limits:
        effect = {"either way": "may read low or high"}.get(limit.direction, limit.direction)
        when = limit.when.words(index.table)
        source = f" [{limit.source}]" if limit.source else ""
        lines.append(f"as {limit.use} it {effect}: {limit.reason}{f' (when {when})' if when else ''}{source}")
    return lines


def _labelled(label: str, words: str) -> str:
    return fill(f"{label}: {words}", _WIDTH, subsequent_indent="    ")


def _block(label: str, lines: Iterable[str]) -> list[str]:
    made = [fill(line, _WIDTH, initial_indent="  - ", subsequent_indent="    ") for line in lines]
    return ["", f"{label}", *made] if made else []
