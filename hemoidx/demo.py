"""
The demonstration: an invented teaching cohort, written, read back, analysed and laid beside its truth.

Every recording goes the ordinary way: it is written as WFDB and read by the loader that reads any other.
"""

from __future__ import annotations

import os
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from hemoidx.report.html import Markup, page, picture, table, tag
from hemoidx.report.words import count, how_long, number

if TYPE_CHECKING:
    from collections.abc import Iterator

    import pandas as pd

    from hemoidx.analysis import Analysis
    from hemoidx.simulate import Truth

_PRESSURES = (("sbp", "systolic"), ("dbp", "diastolic"), ("mbp", "mean"))


@dataclass(frozen=True)
class Demo:
    """What a demonstration made: how many recordings and beats, and the page to look at first."""

    n_recordings: int
    n_beats: int
    index: Path


@dataclass(frozen=True)
class Comparison:
    """
    An analysis beside the truth of its simulated recording.

    Attributes
    ----------
    n_clear, n_found : int
        Beats that nothing touches, and how many of them were found.
    n_extra : int
        Beats found where there was none at all.
    error : dict of str to ndarray
        For systolic, diastolic and mean pressure: accepted value less truth of each found beat that
        nothing touches [mmHg].
    left_out_s, events_s : float
        Time that was marked (disturbed, clipped or without a pulse), and time that truly was so [s].
    """

    n_clear: int
    n_found: int
    n_extra: int
    error: dict[str, np.ndarray[tuple[int], np.dtype[np.float64]]]
    left_out_s: float
    events_s: float


def compare(result: Analysis, truth: Truth) -> Comparison:
    """
    Compare an analysis with the truth of its simulated recording.

    Parameters
    ----------
    result : Analysis
        What `hemoidx.analyse` returned.
    truth : Truth
        What the simulation knows.

    Returns
    -------
    Comparison
        Counts and differences. Beats are paired within 150 ms, one to one.
    """
    from hemoidx.validation.detection import pair

    known = truth.beats.sort_values("onset_s").reset_index(drop=True)
    there, found = pair(known["onset_s"], result.beats["onset_s"])
    clear = known["clear"].to_numpy(dtype=bool)
    both = clear[there]
    error = {}
    for column, _ in _PRESSURES:
        difference = (
            result.beats[column].to_numpy(dtype=float)[found] - known[column].to_numpy(dtype=float)[there]
        )
        error[column] = difference[both & np.isfinite(difference)]
    return Comparison(
        n_clear=int(clear.sum()),
        n_found=int(both.sum()),
        n_extra=len(result.beats) - found.size,
        error=error,
        left_out_s=covered_time(result.spans),
        events_s=covered_time(truth.spans),
    )


def covered_time(spans: pd.DataFrame) -> float:
    """
    Give the time that spans cover together; what two of them cover counts once.

    Parameters
    ----------
    spans : DataFrame
        Columns `start_s` and `end_s` [s].

    Returns
    -------
    float
        Covered time [s].
    """
    ordered = spans.sort_values("start_s")
    start = ordered["start_s"].to_numpy(dtype=float)
    end = ordered["end_s"].to_numpy(dtype=float)
    if not start.size:
        return 0.0
    reached = np.concatenate([[-np.inf], np.maximum.accumulate(end)[:-1]])
    return float(np.clip(end - np.maximum(start, reached), 0.0, None).sum())


def run(out: str | os.PathLike[str], seed: int = 0) -> Demo:
    """
    Make the demonstration.

    Parameters
    ----------
    out : path-like
        Folder to write: `recordings/` with the invented recordings and their truth, a folder of
        tables, picture and report for each, and `index.html`.
    seed : int
        Decides everything random; the same seed gives the same recordings.

    Returns
    -------
    Demo
        What was made.
    """
    from tqdm.auto import tqdm

    from hemoidx.output import refuse_foreign, whole_folder
    from hemoidx.simulate import simulate, teaching_cohort, write_recording

    top = Path(out)
    scenarios = teaching_cohort(seed)
    refuse_foreign(top, f"recordings/{scenarios[0].name}.hea")
    with whole_folder(top / "recordings") as folder:
        for scenario in tqdm(scenarios, desc="simulating", unit="recording", leave=False, disable=None):
            write_recording(simulate(scenario), folder)
    cards, rows, n_beats = [], [], 0
    for scenario in tqdm(scenarios, desc="analysing", unit="recording", leave=False, disable=None):
        result, comparison = _one(top, scenario.name)
        cards.append(_card(result, comparison, scenario.note))
        rows.append(_row(scenario.name, comparison))
        n_beats += len(result.beats)
    with whole_folder(top) as folder:
        (folder / "index.html").write_text(_index(cards, rows), encoding="utf-8")
    return Demo(len(scenarios), n_beats, top / "index.html")


def _one(top: Path, name: str) -> tuple[Analysis, Comparison]:
    """Read, analyse and show one recording."""
    import hemoidx as hx
    from hemoidx import plot
    from hemoidx.output import whole_folder
    from hemoidx.simulate import read_truth

    record = top / "recordings" / name
    result = hx.analyse(hx.load(record))
    with whole_folder(top / name) as folder:
        result.save(folder)
        result.report(folder / "report.html")
        (folder / "overview.png").write_bytes(plot.png(plot.overview(result)))
    return result, compare(result, read_truth(record))


def _title(name: str) -> str:
    return name.replace("_", " ")


def _card(result: Analysis, comparison: Comparison, note: str) -> Markup:
    name = result.record_id
    found = f"{comparison.n_found} of {count(comparison.n_clear, 'undisturbed beat')} found"
    extra = f"{comparison.n_extra or 'none'} where there was no beat"
    marked = "nothing marked as disturbed, rightly"
    if comparison.events_s or comparison.left_out_s:
        left_out, events = how_long(comparison.left_out_s), how_long(comparison.events_s)
        marked = f"{left_out} marked as disturbed, clipped or without a pulse, {events} in truth"
    return tag(
        "article",
        tag("h3", tag("a", _title(name), href=f"{name}/report.html")),
        tag("p", note),
        _thumbnail(result),
        tag("p", f"{found}, {extra}; {marked}.", class_="quiet"),
        tag("p", list(_links(name)), class_="quiet"),
    )


def _links(name: str) -> Iterator[Markup | str]:
    yield tag("a", "report", href=f"{name}/report.html")
    yield ", "
    yield tag("a", "picture", href=f"{name}/overview.png")
    yield ", tables in "
    yield tag("code", f"{name}/")


def _thumbnail(result: Analysis) -> Markup:
    """Show the first stretch in which something happens, else a clean one."""
    from matplotlib.ticker import MaxNLocator

    from hemoidx import plot
    from hemoidx.plot.style import new_figure
    from hemoidx.report.excerpts import choose_excerpts

    chosen = choose_excerpts(
        result, float(result.windows["start_s"].min()), float(result.windows["end_s"].max())
    )
    if not chosen:
        return Markup("")
    excerpt = chosen[min(1, len(chosen) - 1)]
    figure = new_figure(4.2, 1.8)
    ax = figure.subplots()
    plot.trace(result, excerpt.start, excerpt.stop, ax=ax, landmarks=False, label_time=False)
    ax.set_ylabel("mmHg")
    ax.xaxis.set_major_locator(MaxNLocator(5, integer=True))
    legend = ax.get_legend()
    if legend is not None:
        legend.remove()
    return picture(
        plot.png(figure, dpi=150), f"{how_long(excerpt.stop - excerpt.start)} of the recording.", ""
    )


def _within(error: np.ndarray[tuple[int], np.dtype[np.float64]]) -> str:
    return number(float(np.quantile(np.abs(error), 0.95)), 1) if error.size else "–"


def _row(name: str, comparison: Comparison) -> list[str]:
    return [
        _title(name),
        str(comparison.n_clear),
        str(comparison.n_found),
        str(comparison.n_extra),
        *(_within(comparison.error[column]) for column, _ in _PRESSURES),
        number(comparison.events_s, 1),
        number(comparison.left_out_s, 1),
    ]


def _index(cards: list[Markup], rows: list[list[str]]) -> str:
    from hemoidx.report.sections import CAUTIONS

    return page(
        "hemoidx: invented teaching cohort",
        tag("h1", "An invented teaching cohort"),
        tag("p", CAUTIONS[0], class_="note"),
        tag(
            "p",
            f"{count(len(cards), 'recording')} of arterial pressure, simulated: aortic inflow, arteries, "
            "periphery, line and recorder are formulas, and what happens to the line is written by hand. No "
            "patient stands behind any of them. Each was written as a file, read back like any other, and "
            "analysed; since the truth is known, what was found can be laid beside it. Time in the small "
            "pictures is in seconds.",
            class_="lead",
        ),
        tag("section", cards, class_="cards"),
        tag(
            "section",
            tag("h2", "Beside the truth"),
            tag(
                "p",
                "Truth is the pressure at the recorder's input, without noise. An overdamped or ringing line "
                "has changed it by then: good agreement below does not make those pressures the patient's. A "
                "beat counts as undisturbed when no event comes within a quarter of a second of it.",
            ),
            table(
                (
                    "recording",
                    ["undisturbed", tag("br"), "beats"],
                    ["of these", tag("br"), "found"],
                    ["found where", tag("br"), "none was"],
                    *([word, tag("br"), "(mmHg)"] for _, word in _PRESSURES),
                    ["events", tag("br"), "(s)"],
                    ["marked", tag("br"), "(s)"],
                ),
                rows,
                caption="Under the pressures: 95 % of the undisturbed beats that were found and accepted lie "
                "within so much of the truth.",
            ),
        ),
        tag(
            "section",
            tag("h2", "Going on"),
            tag("p", "In Python, from this folder:"),
            tag(
                "pre",
                tag(
                    "code",
                    "import hemoidx as hx\n"
                    'result = hx.analyse(hx.load("recordings/alder_steady"))\n'
                    "result.windows\n"
                    'result.verdicts("sbp", table="windows")',
                ),
            ),
        ),
    )  # fmt: skip
