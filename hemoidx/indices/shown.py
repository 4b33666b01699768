"""Catalogue and entries as pages of a notebook."""

from __future__ import annotations

from collections.abc import Iterable
from html import escape
from typing import TYPE_CHECKING

from .rules import CAUTION, REJECTED, UNDOCUMENTED_LEVEL, Rule

if TYPE_CHECKING:
    from .catalogue import Catalogue
    from .index import Index

_TABLES = ("beats", "breaths", "windows", "record")
_LEVELS = {
    REJECTED: "No value where",
    CAUTION: "A value with a caution where",
    UNDOCUMENTED_LEVEL: "Said once for a recording where",
}


def catalogue_page(catalogue: Catalogue) -> str:
    """
    List a catalogue, each entry to be unfolded.

    Parameters
    ----------
    catalogue : Catalogue
        The entries.

    Returns
    -------
    str
        A piece of HTML; everything from entries is escaped.
    """
    parts = [f"<p>{len(catalogue)} indices. Unfold one to read how it is defined and when it counts.</p>"]
    for title, entries in catalogue.families().items():
        parts.append(f"<h4>{escape(title)}</h4>")
        parts += [
            f"<details><summary><code>{escape(i.name)}</code> {escape(i.title)} [{escape(i.unit)}]</summary>"
            f"{_body(i)}</details>"
            for i in entries
        ]
    return f"<div>{''.join(parts)}</div>"


def entry_page(index: Index) -> str:
    """
    Say all that is known of one entry.

    Parameters
    ----------
    index : Index
        The entry.

    Returns
    -------
    str
        A piece of HTML.
    """
    head = f"<b>{escape(index.title)}</b> [{escape(index.unit)}], <code>{escape(index.name)}</code>"
    return f"<div><p>{head}</p>{_body(index)}</div>"


def _body(index: Index) -> str:
    where = ", ".join(f"{table}.{index.column}" for table in _TABLES if index.appears_in(table))
    facts = [("Definition", index.formula), ("Made from", ", ".join(index.inputs)), ("In the tables", where)]
    if index.shared_inputs:
        facts.append(
            ("Shares inputs with", f"{', '.join(index.shared_inputs)}: they correlate by arithmetic")
        )
    if index.published_range is not None:
        span = index.published_range
        told = f"{span.low:g} to {span.high:g} {index.unit}, {span.population} ({span.source})"
        facts.append(("Published range", f"{told}; for orientation, never used to judge a value"))
    lines = [f"<p><b>{name}.</b> {escape(words)}</p>" for name, words in facts]
    lines.append(_list("Sources", index.sources))
    for level, words in _LEVELS.items():
        rules = [r for r in index.rules if r.level == level]
        lines.append(_list(words, dict.fromkeys(r.reason or r.when.words(_table(r, index)) for r in rules)))
    read = [
        f"as {limit.use} it {limit.direction}: {limit.reason}{f' [{limit.source}]' if limit.source else ''}"
        for limit in index.limits
    ]
    lines.append(_list("How it can be read", read))
    return "".join(lines)


def _table(rule: Rule, index: Index) -> str:
    return rule.when.tables[0] if rule.when.tables else index.table


def _list(title: str, items: Iterable[str]) -> str:
    made = "".join(f"<li>{escape(item)}</li>" for item in items)
    return f"<p><b>{escape(title)}</b></p><ul>{made}</ul>" if made else ""
