"""Everything that a paper needs from a cohort, in one folder: a page, tables, pictures, texts."""

from __future__ import annotations

import json
import os
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from ..errors import InputError
from ..output import refuse_foreign, whole_folder
from ..plot.style import CAUTION, png
from ..report.words import count
from .audit import audit, missing, plot_audit, plot_sensitivity, reasons, sensitivity
from .citations import bibtex, citations, plain
from .flow import Flow, flow, flows
from .methods import methods
from .page import render
from .summaries import exposure, exposure_summary, plot_summary, summary
from .tally import Tally

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.figure import Figure

    from .opened import Cohort

DESCRIPTION = "paper.json"
USUAL = ("sbp", "dbp", "mbp", "pp", "hr", "ppv")


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
    found = cohort.tally(chosen)
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
    pictures = {name: (png(figure, 160), words) for name, (figure, words) in made.figures.items()}
    with whole_folder(target) as part:
        for name, rows in made.tables.items():
            bare = rows.copy(deep=False)
            bare.attrs = {}
            bare.to_parquet(part / f"{name}.parquet", index=False, compression="zstd")
            bare.to_csv(part / f"{name}.csv", index=False)
        for name, (figure, _) in made.figures.items():
            (part / f"{name}.png").write_bytes(pictures[name][0])
            _write_svg(figure, part / f"{name}.svg")
        texts = {
            "methods.md": made.methods,
            "flow.txt": made.flow.text() + "\n",
            "citations.txt": plain(made.tables["citations"]),
            "references.bib": bibtex(made.tables["citations"]),
            "paper.html": render(title, made.tables, made.methods, pictures),
            DESCRIPTION: json.dumps(_description(cohort, options), indent=1) + "\n",
        }
        for name, text in texts.items():
            (part / name).write_text(text, encoding="utf-8")
    return target / "paper.html"


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
            f"Exclusion flow: {count(what.steps[0].stayed, 'recording')} sought, {what.steps[-1].stayed} "
            f"with enough valid time; with a value that stands: {last}. Each recording is counted once.",
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
