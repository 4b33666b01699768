"""The sections of the report that are words and tables."""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Iterable
from typing import TYPE_CHECKING, Any

import numpy as np

from hemoidx.plot.style import span_style
from hemoidx.report.excerpts import early_beats
from hemoidx.report.html import Markup, Piece, section, table, tag
from hemoidx.report.words import (
    SPAN_MEANING,
    count,
    first_of,
    how_long,
    in_sentence,
    listed,
    number,
    reasons_of,
    share,
)

if TYPE_CHECKING:
    import pandas as pd
    from numpy.typing import NDArray

    from hemoidx.analysis import Analysis
    from hemoidx.facts import Fact

_MOST_ROWS = 12
CAUTIONS = (
    "Retrospective research and teaching only; not for patient care. Local codes and licensed practice come "
    "first.",
    "A value marked accepted was measured by the rules named here. That does not make it right: a wrong "
    "zero, a transducer at the wrong height or a line that rings or damps cannot be seen in the values "
    "alone; what is known of them stands under What measured it.",
    "The standard errors in the tables are random error only. What zero, level and line add is shared by all "
    "values of a recording and does not grow smaller with more beats.",
)
INVENTED = "This recording is invented. It shows what the program does, not how patients behave."
_DONE = {
    "add_beat": ("added", "beat"),
    "remove_beat": ("removed", "beat"),
    "add_span": ("added", "stretch", "stretches"),
    "remove_span": ("removed", "stretch", "stretches"),
}
_UNDOCUMENTED = "Undocumented because "
_REJECTED = "Rejected because "
# Entries of analysis.json that the page tells in words of its own.
_SAID_ELSEWHERE = ("caution", "notices", "channel_choice", "indices", "line")


def head_note(result: Analysis, invented: bool) -> Markup:
    """Say at the top what must be known before any number is read."""
    missing = len(result.undocumented)
    return tag(
        "div",
        tag("p", tag("strong", CAUTIONS[0]), f" {INVENTED}" if invented else ""),
        tag("p", CAUTIONS[1]),
        tag(
            "p",
            f"Not documented, and bearing on the values: {count(missing, 'item')}, listed under Cautions.",
        )
        if missing
        else [],
        class_="note",
    )


def by_hand(result: Analysis) -> Iterable[Piece]:
    """List what a person changed: beats and spans added or removed."""
    edits = result.info["edits"]
    if not edits:
        return []
    numbers = Counter(str(edit["action"]) for edit in edits)
    said = listed([f"{_DONE[action][0]} {count(n, *_DONE[action][1:])}" for action, n in numbers.items()])
    rows = [
        [
            f"{_DONE[edit['action']][1]} {_DONE[edit['action']][0]}",
            str(edit.get("kind", "")).replace("_", " "),
            str(edit.get("note", "")),
            number(float(edit.get("at_s", edit.get("from_s"))), 2),
            number(float(edit["to_s"]), 2) if "to_s" in edit else "",
        ]
        for edit in edits[:_MOST_ROWS]
    ]
    caption = first_of(len(rows), len(edits), "Changes by hand")
    return section(
        "Changed by hand",
        tag("p", f"A person {said}. Values on this page are those after these changes."),
        table(("change", "kind", "note", "at or from (s)", "to (s)"), rows, caption=caption, words=3),
    )


def left_out(result: Analysis, begin: float, finish: float) -> Markup:
    """Say what was left out and why: stretches, windows, beats."""
    return section(
        "What was left out, and why",
        _spans(result.spans, finish - begin),
        _rejections(result),
        _marked_beats(result.beats, result.catalogue.facts),
    )


def _spans(spans: pd.DataFrame, length: float) -> Iterable[Markup]:
    if spans.empty:
        return [tag("p", "No stretch of the recording was left out as a whole.")]
    rows = []
    for kind, group in spans.groupby("kind", sort=False):
        seconds = float((group["end_s"] - group["start_s"]).sum())
        meaning = SPAN_MEANING.get(str(kind), "")
        name = span_style(str(kind)).label
        rows.append([name, meaning, str(len(group)), how_long(seconds), share(seconds, length)])
    return [
        table(
            ("stretch", "what it means", "times", "in all", "of the recording"),
            rows,
            caption="Stretches that were marked: disturbed, clipped or without a pulse. No beat is read in "
            "them, save in saturated ones, where timing still counts. Kinds may overlap.",
            words=2,
        )
    ]


def _rejections(result: Analysis) -> Iterable[Markup]:
    """Count the reasons for which windows have no value, or one that asks for caution."""
    judged = {
        index.title: result.verdicts(index.name, table="windows")
        for index in result.catalogue.measured_in("windows")
    }
    refused, doubted = (_reasons(judged, level, len(result.windows)) for level in ("rejected", "caution"))
    tables = [
        table(
            ("reason", "quantity", "windows without a value"),
            refused,
            caption="Why windows have no value; a window with several reasons counts for each. A rejected "
            "value is left empty; what was hidden is in unchecked.parquet.",
            words=2,
        )
        if refused
        else tag("p", "Every window has a value of every quantity.")
    ]
    if doubted:
        caption = "Why values of windows ask for caution. They are shown, and count in the medians above."
        tables.append(
            table(("reason", "quantity", "windows with caution"), doubted, caption=caption, words=2)
        )
    return tables


def _reasons(judged: dict[str, pd.DataFrame], level: str, n_windows: int) -> list[list[Piece]]:
    """One row for each single reason of a level: the words, the quantities, the windows it holds for."""
    reasons: dict[tuple[str, int], list[str]] = {}
    for title, verdicts in judged.items():
        said = verdicts.loc[verdicts["measurement"] == level, "reasons"]
        # Windows are refused for one reason or another, or several at once: each is counted on its own.
        single = said.map(lambda text: reasons_of(text, level)).explode()
        for words, times in single.value_counts().items():
            reasons.setdefault((str(words), int(times)), []).append(in_sentence(title))
    return [
        [
            words,
            "every quantity" if len(titles) == len(judged) else ", ".join(titles),
            f"{times} of {n_windows}",
        ]
        for (words, times), titles in sorted(reasons.items(), key=lambda item: -item[0][1])
    ]


def _marked_beats(beats: pd.DataFrame, known: Iterable[Fact]) -> Iterable[Markup]:
    """Count what was noted about single beats."""
    mask = beats["facts"].to_numpy(dtype=np.int64)
    rows = []
    for fact in known:
        for words, times in _noted(mask, fact):
            if times:
                rows.append([words, f"{times:,}", share(times, len(beats))])
    if not rows:
        return [tag("p", "Nothing remarkable was noted about any beat.")]
    return [
        table(
            ("noted about a beat", "beats", "of all beats"),
            rows,
            caption="What was noted about single beats. A note is not a refusal: the rules of each quantity "
            "decide which notes exclude a beat.",
        )
    ]


def _noted(mask: NDArray[np.int64], fact: Fact) -> list[tuple[str, int]]:
    """How often a fact was noted; early beats are told apart by whether that may mean something else."""
    has = (mask >> fact.bit) & 1 == 1
    if fact.name != "ectopic":
        return [(fact.meaning, int(has.sum()))]
    plain, irregular, beside = early_beats(mask)
    return [
        (fact.meaning, int(plain.sum())),
        (
            "a beat comes early, but the rhythm is irregular, in which beats come early and late",
            irregular.sum(),
        ),
        (
            "a beat comes early, but beside an event such as a flush, where a beat may be missing",
            beside.sum(),
        ),
    ]


def limits_of_reading(result: Analysis, invented: bool) -> Markup:
    """Say what limits the reading of each quantity, and what nobody documented."""
    limits: dict[str, list[str]] = {}
    unknown: dict[str, list[str]] = {}
    for index in result.catalogue.measured_in("record"):
        reasons = str(result.verdicts(index.name, table="record")["reasons"].iloc[0])
        for sentence in filter(None, reasons.split(". ")):
            if sentence.startswith(_UNDOCUMENTED):
                for words in sentence.removeprefix(_UNDOCUMENTED).split("; "):
                    unknown.setdefault(words, []).append(in_sentence(index.title))
            elif not sentence.startswith(_REJECTED):
                limits.setdefault(sentence.rstrip("."), []).append(in_sentence(index.title))
    lines = [
        tag("li", f"{sentence}: ", tag("span", listed(titles), class_="quiet"), ".")
        for sentence, titles in sorted(limits.items(), key=lambda item: -len(item[1]))
    ]
    return section(
        "Cautions",
        tag("ul", [tag("li", text) for text in (*CAUTIONS[2:], *((INVENTED,) if invented else ()))]),
        _folded("Limits of reading, over the whole recording", lines),
        _not_documented(result.undocumented, unknown),
    )


def _folded(title: str, lines: list[Markup]) -> Iterable[Piece]:
    """A list of which the first lines stand open."""
    if not lines:
        return []
    rest = lines[_MOST_ROWS:]
    more = [tag("details", tag("summary", f"{len(rest)} more"), tag("ul", rest))] if rest else []
    return [tag("h3", title), tag("ul", lines[:_MOST_ROWS]), more]


def _not_documented(undocumented: list[str], bearing: dict[str, list[str]]) -> Iterable[Markup]:
    """Say once what nobody documented, and on which quantities it bears."""
    if not undocumented:
        return []
    lines = []
    for words in undocumented:
        on = f"; this bears on {listed(bearing[words])}" if words in bearing else ""
        lines.append(tag("li", f"{words[0].upper()}{words[1:]}{on}."))
    return [
        tag("h3", "Not documented"),
        tag("p", "Said once here and not repeated at every value."),
        tag("ul", lines),
    ]


def provenance(result: Analysis) -> Markup:
    """Say where the samples came from and by what they became values."""
    info = {key: value for key, value in result.info.items() if key not in _SAID_ELSEWHERE}
    origin: dict[Any, Any] = result.recording.attrs if result.recording is not None else {}
    notices = result.info.get("notices", [])
    comments = origin.get("comments", [])
    return section(
        "Provenance",
        [tag("h3", "Noted while reading"), tag("ul", [tag("li", str(note)) for note in notices])]
        if notices
        else [],
        [tag("h3", "Comments in the file"), tag("ul", [tag("li", str(note)) for note in comments])]
        if comments
        else [],
        _definitions(result),
        tag("details", tag("summary", "Versions, files, checksums and settings"), nested(info)),
    )


def _definitions(result: Analysis) -> Markup:
    rows = [
        [index.title, index.formula, "; ".join(index.sources)]
        for index in result.catalogue.in_table("record")
    ]
    return tag(
        "details",
        tag("summary", "How each quantity is defined"),
        table(("quantity", "definition, for one beat", "source"), rows, words=3),
    )


def nested(value: Any) -> Piece:
    """Write plain data as nested lists of terms."""
    if isinstance(value, dict) and value:
        return tag("dl", [[tag("dt", str(key)), tag("dd", nested(inner))] for key, inner in value.items()])
    if isinstance(value, list) and any(isinstance(inner, dict | list) for inner in value):
        return tag("ul", [tag("li", nested(inner)) for inner in value])
    if isinstance(value, str):
        return value or "–"
    return tag("code", json.dumps(value, ensure_ascii=False))
