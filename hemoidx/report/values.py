"""The sections of the report that show values: what was measured, and the first rows of the tables."""

from __future__ import annotations

import re
from collections.abc import Iterable
from typing import TYPE_CHECKING

import numpy as np

from hemoidx.indices.index import FAMILIES
from hemoidx.plot.style import span_style
from hemoidx.report.html import Markup, Piece, section, table, tag
from hemoidx.report.words import (
    VERDICT_MEANING,
    at_time,
    count,
    decimals_of,
    first_of,
    how_long,
    in_sentence,
    listed,
    number,
    of_level,
    share,
)

if TYPE_CHECKING:
    import pandas as pd

    from hemoidx.analysis import Analysis
    from hemoidx.indices.index import Index

NO_PULSE = "No pulse was found that could be measured: there are no values, only the stretches below."
_MOST_ROWS = 12
_OPEN = [FAMILIES[name] for name in ("pressure", "respiratory", "own")]
_SUMMARY = (
    "quantity",
    "median of windows",
    "unit",
    "lowest to highest",
    "windows",
    "measured?",
    "as a reading of",
)
_READS = re.compile(r"As (?P<use>[^.;]+?) it (?P<way>says nothing|(?:may )?reads? (?:low or high|low|high))")
#: A mean pressure that stays below this is said before anything else [mmHg].
_HARDLY_LIVED_WITH = 40.0


def measured(result: Analysis, begin: float, finish: float) -> Markup:
    """Say what was measured: one sentence, and by family one row for each quantity that has a value."""
    record = result.record.iloc[0]
    sampled = f"{float(result.info['fs']):g} samples per second"
    uncalibrated = "" if result.info["calibrated"] else " It is not calibrated: its pressures are left empty."
    used = (
        f"{count(len(result.beats), 'beat')} found. Beats that could be used cover "
        f"{how_long(float(record['valid_s']))} of {how_long(finish - begin)} "
        f"({share(float(record['valid_s']), finish - begin)})."
    )
    if not float(record["valid_s"]):
        used += " " + NO_PULSE
    used += _low_throughout(result)
    given: list[Piece] = []
    verdicts: set[str] = set()
    missing: list[Index] = []
    for title, entries in result.catalogue.families("record").items():
        if title == FAMILIES["chain"]:
            continue
        rows = {index.name: _summary_row(result, index) for index in entries if _has_value(result, index)}
        missing += [index for index in entries if index.name not in rows]
        if rows:
            given += _family(title, table(_SUMMARY, rows.values(), last_words=2), len(rows))
            verdicts |= {str(row[-2]).split(";")[0] for row in rows.values()}
    return section(
        "What was measured",
        tag("p", f"Channel {result.channel}, {sampled}.{uncalibrated} {used}", class_="lead"),
        tag(
            "p",
            "Median and range of the windows of 30 s that have a value. Whether it was measured is said of "
            "the median, and of windows where some ask for caution; what limits a reading of it stands "
            "beside it with its direction. The reasons stand under Cautions.",
            class_="quiet",
        ),
        _legend(verdicts),
        given,
        _not_given(result, missing),
    )


def _legend(verdicts: set[str]) -> Iterable[Markup]:
    """Say what the verdicts that are shown mean."""
    lines = [
        tag("li", tag("strong", word), f": {meaning}.")
        for word, meaning in VERDICT_MEANING.items()
        if word in verdicts
    ]
    return [tag("ul", lines, class_="quiet")] if lines else []


def _family(title: str, rows: Markup, n: int) -> list[Piece]:
    """What is asked for first stands open, the rest is to be unfolded."""
    if title in _OPEN:
        return [tag("h3", title), rows]
    return [tag("details", tag("summary", f"{title}: {count(n, 'quantity', 'quantities')}"), rows)]


def _has_value(result: Analysis, index: Index) -> bool:
    """Whether any window or the recording has a value of an index."""
    there = [getattr(result, table) for table in ("windows", "record") if index.appears_in(table)]
    return any(bool(np.isfinite(one[index.column].to_numpy(dtype=float)).any()) for one in there)


def _summary_row(result: Analysis, index: Index) -> list[Piece]:
    value_of_all = float(result.record[index.column].iloc[0])
    decimals = decimals_of(index.unit, value_of_all)
    value = number(value_of_all, decimals)
    judged = result.verdicts(index.name, table="record").iloc[0]
    verdict, reading = str(judged["measurement"]), _reading(str(judged["reasons"]))
    if not index.appears_in("windows"):
        return [index.title, value, index.unit, "whole recording", "–", verdict, reading]
    windows = result.windows[index.column].to_numpy(dtype=float)
    known = windows[np.isfinite(windows)]
    spread = f"{number(known.min(), decimals)} to {number(known.max(), decimals)}" if known.size else "–"
    told = result.verdicts(index.name, table="windows")["measurement"].to_numpy()
    careful = int(np.count_nonzero((told == "caution") & np.isfinite(windows)))
    if careful and known.size and verdict not in ("caution", "rejected"):
        verdict += f"; caution in {careful} of {known.size}"
    return [index.title, value, index.unit, spread, f"{known.size} of {windows.size}", verdict, reading]


def _reading(reasons: str) -> str:
    """Uses for which something limits the value, each with the direction: the rest stands under Cautions."""
    ways = {match["use"]: match["way"] for match in _READS.finditer(reasons)}
    return "; ".join(f"{use}: {way}" for use, way in ways.items())


def _low_throughout(result: Analysis) -> str:
    """Say that no window's mean reaches what patients live with: nobody can tell why from the wave."""
    if "mbp" not in result.windows:
        return ""
    mean = result.windows["mbp"].to_numpy(dtype=float)
    mean = mean[np.isfinite(mean)]
    if not mean.size or mean.max() >= _HARDLY_LIVED_WITH:
        return ""
    return (
        f" Mean pressure stays below {_HARDLY_LIVED_WITH:g} mmHg in every window: a wrong scale or zero, a "
        "transducer far too high, or profound shock. The wave cannot tell which."
    )


def _not_given(result: Analysis, missing: Iterable[Index]) -> Iterable[Piece]:
    """Name the quantities that have no value at all, by what they lack."""
    why: dict[str, list[str]] = {}
    for index in missing:
        reasons = str(result.verdicts(index.name, table="record")["reasons"].iloc[0])
        why.setdefault(of_level(reasons, "rejected"), []).append(in_sentence(index.title))
    if not why:
        return []
    rows = [[listed(titles), words] for words, titles in why.items()]
    n = sum(map(len, why.values()))
    return [
        tag(
            "details",
            tag("summary", f"{count(n, 'quantity', 'quantities')} without any value"),
            table(("quantity", "because"), rows, words=2),
        )
    ]


def tables(result: Analysis) -> Markup:
    """Show the first rows of the windows and the spans, and say where the rest is."""
    shown = [
        (title, [index for index in entries if _has_value(result, index)])
        for title, entries in result.catalogue.families("windows").items()
        if title != FAMILIES["chain"]
    ]
    windows = [
        tag("details", tag("summary", f"Windows: {in_sentence(title)}"), _first_windows(result, entries))
        for title, entries in shown
        if entries
    ]
    spans = [
        [span_style(str(row["kind"])).label, number(float(row["start_s"]), 2), number(float(row["end_s"]), 2)]
        for _, row in result.spans.head(_MOST_ROWS).iterrows()
    ]
    return section(
        "Tables",
        windows,
        table(
            ("stretch", "from (s)", "to (s)"),
            spans,
            caption=first_of(len(spans), len(result.spans), "Marked stretches"),
        )
        if spans
        else [],
        _events(result.events),
        tag(
            "p",
            "Beside this page, when the analysis was saved: ",
            [
                [tag("code", f"{name}.parquet"), ", "]
                for name in ("beats", "breaths", "windows", "record", "spans", "events", "flushes", "zeros")
            ],
            "what masking hid in ",
            tag("code", "unchecked.parquet"),
            " and all settings in ",
            tag("code", "analysis.json"),
            ". ",
            tag("code", "hemoidx.read_table(path)"),
            " reads a table with its units.",
            class_="quiet",
        ),
    )


def _first_windows(result: Analysis, indices: Iterable[Index]) -> Markup:
    """First rows of the windows, for some indices."""
    indices = list(indices)
    head: list[Piece] = ["from", "to", "beats", *([i.column, tag("br"), i.unit] for i in indices)]
    rows = [
        [
            at_time(float(row["start_s"])),
            at_time(float(row["end_s"])),
            str(int(row["beats"])),
            *(
                number(float(row[index.column]), decimals_of(index.unit, float(row[index.column])))
                for index in indices
            ),
        ]
        for _, row in result.windows.head(_MOST_ROWS).iterrows()
    ]
    return table(head, rows, caption=first_of(len(rows), len(result.windows), "Windows"), words=2)


def _cell(value: float, unit: str) -> str:
    return number(value, decimals_of(unit, value))


def _events(events: pd.DataFrame) -> Iterable[Markup]:
    """Show the events of interest that the context marked."""
    if events.empty:
        return []
    rows = [
        [
            str(row["kind"]).replace("_", " "),
            str(row["note"] or ""),
            at_time(float(row["start_s"])),
            at_time(float(row["end_s"])),
        ]
        for _, row in events.head(_MOST_ROWS).iterrows()
    ]
    caption = first_of(len(rows), len(events), "Events of interest as the context marked them")
    return [table(("event", "note", "from", "to"), rows, caption=caption, words=2)]
