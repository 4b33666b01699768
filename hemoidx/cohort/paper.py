"""Everything that a paper needs from a cohort, in one folder: a page, tables, pictures, texts."""

from __future__ import annotations

import json
import os
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from ..errors import InputError
from ..output import refuse_foreign, whole_folder
from ..plot.style import CAUTION, png
from ..report.html import Markup, Piece, page, picture, section, table, tag
from ..report.words import count, number
from .audit import audit, missing, plot_audit, plot_sensitivity, reasons, sensitivity
from .citations import bibtex, citations, plain
from .flow import Flow, flow, flows
from .methods import methods
from .summaries import exposure, exposure_summary, plot_summary, summary
from .tally import Tally, tally

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.figure import Figure

    from .opened import Cohort

DESCRIPTION = "paper.json"
USUAL = ("sbp", "dbp", "mbp", "pp", "hr", "ppv")
_WORST = 12
_LONG = 6


@dataclass(frozen=True)
class Paper:
    """
    What a paper needs, made once.

    Attributes
    ----------
    tables : mapping of str to DataFrame
        flow, missing, audit, reasons, sensitivity, summary, citations, and exposure with
        exposure_recordings where a threshold was given.
    figures : mapping of str to (Figure, str)
        Pictures, each with words for those who cannot see it.
    methods : str
        The methods section, Markdown.
    flow : Flow
        Exclusion flow of all recordings.
    """

    tables: Mapping[str, pd.DataFrame]
    figures: Mapping[str, tuple[Figure, str]]
    methods: str
    flow: Flow


def make(
    cohort: Cohort,
    names: Sequence[str] | None = None,
    *,
    by: str | None = None,
    least_windows: int = 1,
    exposure_of: str = "mbp",
    below: float | None = None,
    above: float | None = None,
) -> Paper:
    """
    Make tables, pictures and texts.

    Parameters
    ----------
    cohort : Cohort
        The cohort.
    names : sequence of str, optional
        Indices; the usual pressures, heart rate and ppv, as far as the cohort has them, if left out.
    by : str, optional
        Group column of the members.
    least_windows : int
        Windows that a recording needs, see `hemoidx.cohort.flow.flow`.
    exposure_of : str
        Index of beats for exposure, where a threshold is given.
    below, above : float, optional
        That threshold, a choice of the user's.

    Returns
    -------
    Paper
        All of it.

    Raises
    ------
    InputError
        If an index, group or threshold cannot be used, or there is no result.
    """
    if least_windows < 1:
        raise InputError(f"a recording needs at least one window, got least_windows = {least_windows}")
    chosen = [name for name in USUAL if name in cohort.catalogue] if names is None else list(names)
    if by is not None and by not in cohort.members:
        raise InputError(f"the members have no column {by!r} to group by; give it in the context table")
    found = tally(cohort, chosen)
    units = {name: cohort.catalogue[name].unit for name in found.names}
    what = flow(cohort, found, least_windows)
    every = [what, *(flows(cohort, found, by, least_windows) if by else [])]
    tables = {
        "flow": _stacked([one.table() for one in every]),
        "missing": missing(found, by, least_windows),
        "audit": audit(found, by),
        "reasons": reasons(found, by),
        "sensitivity": sensitivity(found, by, least_windows),
        "summary": summary(found, units, by, least_windows),
        "citations": citations(cohort, found.names),
    }
    if below is not None or above is not None:
        of_recordings = exposure(cohort, exposure_of, below=below, above=above)
        tables["exposure_recordings"] = of_recordings
        tables["exposure"] = exposure_summary(of_recordings, by)
    words = methods(
        cohort, found, what, reasons=tables["reasons"], sensitivity=tables["sensitivity"], by=by,
        least_windows=least_windows,
    )  # fmt: skip
    return Paper(tables, _figures(found, what, tables, units, by, least_windows), words, what)


def write_paper(
    cohort: Cohort, folder: str | os.PathLike[str], names: Sequence[str] | None = None, **options: Any
) -> Path:
    """
    Write everything that a paper needs.

    Parameters
    ----------
    cohort : Cohort
        The cohort.
    folder : path
        A new or empty folder, or one that holds such a paper, which is replaced.
    names : sequence of str, optional
        Indices, as for `make`.
    **options
        As for `make`: ``by, least_windows, exposure_of, below, above``.

    Returns
    -------
    Path
        The page, ``paper.html``; beside it the tables as CSV and Parquet, the pictures as PNG and SVG,
        ``methods.md``, ``flow.txt``, ``citations.txt`` and ``references.bib``. All of it is there or none.

    Raises
    ------
    InputError
        As `make`, or if the folder holds something else.
    """
    target = Path(folder)
    refuse_foreign(target, DESCRIPTION)
    made = make(cohort, names, **options)
    title = f"{cohort.folder.name}: what a paper needs"
    with whole_folder(target) as part:
        for name, rows in made.tables.items():
            bare = rows.copy(deep=False)
            bare.attrs = {}
            bare.to_parquet(part / f"{name}.parquet", index=False, compression="zstd")
            bare.to_csv(part / f"{name}.csv", index=False)
        for name, (figure, _) in made.figures.items():
            (part / f"{name}.png").write_bytes(png(figure, 200))
            _write_svg(figure, part / f"{name}.svg")
        texts = {
            "methods.md": made.methods,
            "flow.txt": made.flow.text() + "\n",
            "citations.txt": plain(made.tables["citations"]),
            "references.bib": bibtex(made.tables["citations"]),
            "paper.html": render(made, title),
            DESCRIPTION: json.dumps(_description(cohort, options), indent=1) + "\n",
        }
        for name, text in texts.items():
            (part / name).write_text(text, encoding="utf-8")
    return target / "paper.html"


def render(made: Paper, title: str) -> str:
    """
    Make the page.

    Parameters
    ----------
    made : Paper
        What `make` returned.
    title : str
        Its title.

    Returns
    -------
    str
        A whole HTML page with its style and pictures inside it.
    """
    tables = made.tables
    pieces: list[Piece] = [
        tag("h1", title),
        tag(
            "p",
            f"{CAUTION} Local codes and licensed practice come first. Nothing here says what to do with a "
            "patient, and no interval here makes a biased sample a fair one.",
            class_="note",
        ),
        section("Who was looked at", _picture(made, "flow")),
        section(
            "Summary",
            tag("p", _SUMMARY),
            *(_picture(made, name) for name in made.figures if name.startswith("summary_")),
            _shown(tables["summary"], _SUMMARY_COLUMNS, words=3),
        ),
        section("Was it measured?", _picture(made, "audit"), _shown(tables["audit"], _AUDIT_COLUMNS)),
        section(
            "Why not",
            tag(
                "p",
                f"The first {_WORST} reasons of each index in all recordings. A window may have several; 'alone' "
                "are those with no other of that level. `reasons.csv` holds all, by group.",
            ),
            *_reason_tables(tables["reasons"]),
        ),
        section("Missing", _shown(tables["missing"], _MISSING_COLUMNS)),
        section(
            "If nothing had been masked",
            tag("p", _SENSITIVITY),
            _picture(made, "sensitivity"),
            _shown(tables["sensitivity"], _SENSITIVITY_COLUMNS),
        ),
    ]
    if "exposure" in tables:
        pieces.append(_exposure(made))
    pieces += [
        section("Methods", _markdown(made.methods)),
        section("To cite", tag("pre", plain(tables["citations"])), _details(bibtex(tables["citations"]))),
    ]
    return page(title, *pieces)


_SUMMARY = (
    "Windows are averaged within recordings, recordings within patients, patients with equal weight. However "
    "many windows there are, the interval is that of the patients. 'Worth' is the number of independent "
    "windows that all windows are worth."
)
_SENSITIVITY = (
    "The same summaries with every hidden value put back, those of recordings that were left out too. The "
    "difference is taken within patients that have both; what remains of the difference of the two summaries "
    "comes from whom the unmasked one holds besides ('selection')."
)
#: Column, heading, decimals: of "mean (low to high)" three columns in one.
_SUMMARY_COLUMNS = (
    ("index", "index"), ("unit", "unit"), ("group", "group"), ("patients", "patients"),
    ("recordings", "recordings"), ("rows", "windows"), ("effective_rows", "worth"),
    (("mean", "low", "high"), "mean (95 % interval)"), ("sd", "sd"),
    (("median", "median_low", "median_high"), "median (interval)"), ("icc", "icc of windows"),
    ("icc_of_recordings", "icc of recordings"),
)  # fmt: skip
_AUDIT_COLUMNS = (
    ("index", "index"), ("group", "group"), ("recordings", "recordings"), ("rows", "windows"),
    ("accepted_percent", "accepted %"), ("caution_percent", "caution %"), ("rejected_percent", "rejected %"),
    ("undocumented_percent", "of the rest not documented %"),
    (("accepted_of_patients_percent", "accepted_low", "accepted_high"), "accepted, of patients %"),
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
            [row["reason"], row["level"], str(row["rows"]), number(row["percent"], 1), str(row["alone"]), str(row["recordings"])]
            for _, row in mine.head(_WORST).iterrows()
        ]  # fmt: skip
        out.append(
            table(["because", "level", "windows", "%", "alone", "recordings"], body, caption=str(name), words=2)
        )
    return out


def _exposure(made: Paper) -> Markup:
    asked = made.tables["exposure"].attrs
    return section(
        f"Time with {asked['index']} {asked['side']} {asked['threshold']:g}",
        tag(
            "p",
            "The threshold is a choice, not a bound of health. Each beat holds until the next; time that no "
            f"accepted beat covers (steps above {asked['longest_gap_s']:g} s) counts neither as exposed nor as "
            "spared, and stands apart. `exposure_recordings.csv` has one row a recording.",
        ),
        _shown(made.tables["exposure"], _EXPOSURE_COLUMNS),
    )


def _picture(made: Paper, name: str) -> Markup:
    figure, words = made.figures[name]
    return picture(png(figure), words, words)


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
                tag("li", _bold(line.lstrip()[2:]), style="margin-left:1.4rem" if line.startswith("  ") else "")
                for line in lines
            ]
            out.append(tag("ul", items))
        else:
            out.append(tag("p", _bold(block)))
    return out


def _bold(text: str) -> list[Piece]:
    """Words between double asterisks in bold."""
    return [tag("strong", part) if k % 2 else part for k, part in enumerate(text.split("**"))]


def _figures(
    found: Tally,
    what: Flow,
    tables: Mapping[str, pd.DataFrame],
    units: dict[str, str],
    by: str | None,
    least: int,
) -> dict[str, tuple[Figure, str]]:
    last = ", ".join(f"{name} {step.stayed}" for name, step in what.last.items())
    out = {
        "flow": (
            what.plot().figure,
            f"Exclusion flow: {count(what.steps[0].stayed, 'recording')} sought, {what.steps[-1].stayed} with "
            f"enough valid time; with a value that stands: {last}. Each recording is counted once.",
        ),
        "audit": (
            plot_audit(tables["audit"]).figure,
            "Share of windows accepted, accepted with caution and rejected, by index and group.",
        ),
        "sensitivity": (
            plot_sensitivity(tables["sensitivity"], units).figure,
            "Difference of unmasked and masked means within patients, with 95 % intervals over patients.",
        ),
    }
    for name in found.names:
        figure = plot_summary(found, name, units[name], by, least).figure
        words = f"{name}: each patient's mean, and the mean over patients with its 95 % interval."
        out[f"summary_{name}"] = (figure, words)
    return {name: (_as_figure(figure), words) for name, (figure, words) in out.items()}


def _as_figure(figure: Any) -> Figure:
    made: Figure = figure
    return made


def _write_svg(figure: Figure, path: Path) -> None:
    import matplotlib as mpl

    # Without a fixed salt and with a date the same picture would be another file each time.
    with mpl.rc_context({"svg.hashsalt": "hemoidx", "svg.fonttype": "none"}):
        figure.savefig(path, format="svg", metadata={"Date": None})


def _stacked(tables: Iterable[pd.DataFrame]) -> pd.DataFrame:
    import pandas as pd

    return pd.concat(list(tables), ignore_index=True)


def _description(cohort: Cohort, options: Mapping[str, Any]) -> dict[str, Any]:
    return {
        "hemoidx": cohort.info["hemoidx"],
        "caution": CAUTION,
        "cohort": cohort.folder.name,
        "run": {name: cohort.info["cohort"][name] for name in ("started", "finished", "settings")},
        "options": {name: value for name, value in options.items() if value is not None},
    }
