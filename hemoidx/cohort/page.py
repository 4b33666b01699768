"""The page of a paper: tables, pictures and texts of a cohort, in one HTML file that needs nothing else."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from ..plot.style import CAUTION
from ..report.html import Markup, Piece, page, picture, section, table, tag
from ..report.words import number
from .citations import bibtex, plain

if TYPE_CHECKING:
    import pandas as pd

_WORST = 12


def render(
    title: str,
    tables: Mapping[str, pd.DataFrame],
    methods: str,
    pictures: Mapping[str, tuple[bytes, str]],
) -> str:
    """
    Make the page.

    Parameters
    ----------
    title : str
        Its title.
    tables : mapping of str to DataFrame
        As `hemoidx.cohort.paper.Paper` holds them.
    methods : str
        The methods section, Markdown.
    pictures : mapping of str to (bytes, str)
        Pictures as PNG, each with words for those who cannot see it.

    Returns
    -------
    str
        A whole HTML page with its style and pictures inside it.
    """

    def shown(name: str) -> Markup:
        drawn, words = pictures[name]
        return picture(drawn, words, words)

    pieces: list[Piece] = [
        tag("h1", title),
        tag(
            "p",
            f"{CAUTION} Local codes and licensed practice come first. Nothing here says what to do with a "
            "patient, and no interval here makes a biased sample a fair one.",
            class_="note",
        ),
        section("Who was looked at", shown("flow")),
        section(
            "Summary",
            tag("p", _SUMMARY),
            *(shown(name) for name in pictures if name.startswith("summary_")),
            _shown(tables["summary"], _SUMMARY_COLUMNS, words=3),
            tag("h3", "Where the variance lies"),
            tag("p", _VARIANCE),
            _shown(tables["summary"], _VARIANCE_COLUMNS),
        ),
        section("Was it measured?", shown("audit"), _shown(tables["audit"], _AUDIT_COLUMNS)),
        section(
            "Why not",
            tag(
                "p",
                f"The first {_WORST} reasons of each index in all recordings. A window may have several; "
                "'alone' are those with no other of that level. `reasons.csv` holds all, by group.",
            ),
            *_reason_tables(tables["reasons"]),
        ),
        section("Missing", _shown(tables["missing"], _MISSING_COLUMNS)),
        section(
            "If nothing had been masked",
            tag("p", _SENSITIVITY),
            shown("sensitivity"),
            _shown(tables["sensitivity"], _SENSITIVITY_COLUMNS),
        ),
    ]
    if "exposure" in tables:
        pieces.append(_exposure(tables["exposure"]))
    pieces += [
        section("Methods", _markdown(methods)),
        section("To cite", tag("pre", plain(tables["citations"])), _details(bibtex(tables["citations"]))),
    ]
    return page(title, *pieces)


_SUMMARY = (
    "Windows are averaged within recordings, recordings within patients, patients with equal weight. However "
    "many windows there are, the interval is that of the patients."
)
_VARIANCE = (
    "Intraclass correlations: of windows within recordings, and of recordings within patients. 'Worth' is "
    "how many independent windows all windows are worth for their mean."
)
_SENSITIVITY = (
    "The same summaries with every hidden value put back, those of recordings that were left out too. The "
    "difference is taken within patients that have both; what remains of the difference of the two summaries "
    "comes from whom the unmasked one holds besides ('selection')."
)
#: Column, heading, decimals: of "mean (low to high)" three columns in one.
_SUMMARY_COLUMNS = (
    ("index", "index"), ("unit", "unit"), ("group", "group"), ("patients", "patients"),
    ("recordings", "recordings"), (("mean", "low", "high"), "mean (95 % interval)"), ("sd", "sd"),
    (("median", "median_low", "median_high"), "median (interval)"),
)  # fmt: skip
_VARIANCE_COLUMNS = (
    ("index", "index"), ("group", "group"), ("rows", "windows"), ("effective_rows", "worth"),
    ("between_sd", "sd between recordings"), ("within_sd", "within"),
    (("icc", "icc_low", "icc_high"), "icc of windows"), ("icc_of_recordings", "icc of recordings"),
)  # fmt: skip
_AUDIT_COLUMNS = (
    ("index", "index"), ("group", "group"), ("recordings", "recordings"), ("rows", "windows"),
    ("accepted_percent", "accepted %"), ("caution_percent", "caution %"), ("rejected_percent", "rejected %"),
    ("undocumented_percent", "not documented %"),
    (("accepted_of_patients_percent", "accepted_low", "accepted_high"), "of patients %"),
)  # fmt: skip
_MISSING_COLUMNS = (
    ("index", "index"), ("group", "group"), ("recordings", "recordings"), ("with_value", "with a value"),
    ("without", "without"), ("patients", "patients"), ("patients_without", "patients without any"),
    ("rows_without_percent", "windows without %"),
)  # fmt: skip
_SENSITIVITY_COLUMNS = (
    ("index", "index"), ("group", "group"), (("masked", "masked_low", "masked_high"), "masked"),
    ("masked_patients", "patients"), (("unmasked", "unmasked_low", "unmasked_high"), "unmasked"),
    ("unmasked_patients", "patients"),
    (("difference", "difference_low", "difference_high"), "difference in the same patients"),
    ("of_selection", "selection"), ("changed_most", "most in one patient"),
)  # fmt: skip
_EXPOSURE_COLUMNS = (
    ("group", "group"), ("patients", "patients"), ("recordings", "recordings"),
    ("without_covered_time", "without covered time"), ("covered_hours", "covered h"),
    ("uncovered_hours", "not covered h"), (("mean", "low", "high"), "share, mean % (interval)"),
    (("median", "median_low", "median_high"), "share, median % (interval)"),
    ("patients_exposed", "patients with any"),
)  # fmt: skip
_Columns = Sequence[tuple[str | tuple[str, str, str], str]]


def _shown(rows: pd.DataFrame, columns: _Columns, words: int = 2) -> Markup:
    def cell(row: pd.Series[Any], which: str | tuple[str, str, str]) -> str:
        if isinstance(which, tuple):
            middle, low, high = (_number(row[name]) for name in which)
            return middle if low == "–" else f"{middle} ({low} to {high})"
        return _number(row[which])

    head = [heading for _, heading in columns]
    body = [[cell(row, which) for which, _ in columns] for _, row in rows.iterrows()]
    return table(head, body, words=words if columns[0][0] == "index" else 1)


def _number(value: Any) -> str:
    if isinstance(value, str):
        return value
    if value is None or value != value:
        return "–"
    if float(value).is_integer() and isinstance(value, int | np.integer):
        return f"{int(value):,}"
    return number(float(value), 1 if abs(value) >= 10 else 2)


def _reason_tables(rows: pd.DataFrame) -> list[Markup]:
    out = []
    of_all = rows[rows["group"] == "all"]
    for name, mine in of_all.groupby("index", sort=False):
        body = [
            [
                row["reason"], row["level"], str(row["rows"]), number(row["percent"], 1), str(row["alone"]),
                str(row["recordings"]),
            ]
            for _, row in mine.head(_WORST).iterrows()
        ]  # fmt: skip
        out.append(
            table(
                ["because", "level", "windows", "%", "alone", "recordings"], body, caption=str(name), words=2
            )
        )
    return out


def _exposure(rows: pd.DataFrame) -> Markup:
    asked = rows.attrs
    return section(
        f"Time with {asked['index']} {asked['side']} {asked['threshold']:g}",
        tag(
            "p",
            "The threshold is a choice, not a bound of health. Each beat holds until the next; time that no "
            f"accepted beat covers (steps above {asked['longest_gap_s']:g} s) counts neither as exposed nor "
            "as spared, and stands apart. `exposure_recordings.csv` has one row a recording.",
        ),
        _shown(rows, _EXPOSURE_COLUMNS),
    )


def _details(text: str) -> Markup:
    return tag("details", tag("summary", "BibTeX"), tag("pre", text))


def _markdown(text: str) -> list[Markup]:
    """Headings, lists and paragraphs of our own methods text."""
    out: list[Markup] = []
    for block in text.strip().split("\n\n"):
        lines = block.split("\n")
        if block.startswith("## "):
            out.append(tag("h3", block[3:]))
        elif block.startswith("> "):
            out.append(tag("p", block[2:], class_="note"))
        elif lines[0].lstrip().startswith("- "):
            items = [
                tag(
                    "li",
                    _bold(line.lstrip()[2:]),
                    style="margin-left:1.4rem" if line.startswith("  ") else "",
                )
                for line in lines
            ]
            out.append(tag("ul", items))
        else:
            out.append(tag("p", _bold(block)))
    return out


def _bold(text: str) -> list[Piece]:
    """Words between double asterisks in bold."""
    return [tag("strong", part) if k % 2 else part for k, part in enumerate(text.split("**"))]
