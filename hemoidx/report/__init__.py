"""
The report: one page that says what was measured, what was left out and why.

The page is one file that needs nothing beside it and asks nothing of any network.

Retrospective research and teaching only; not for patient care.
"""

from __future__ import annotations

import os
from pathlib import Path
from typing import TYPE_CHECKING

from hemoidx.output import whole_file

if TYPE_CHECKING:
    from hemoidx.analysis import Analysis

__all__ = ["render", "write_report"]


def render(result: Analysis) -> str:
    """
    Make the report of an analysis.

    Parameters
    ----------
    result : Analysis
        What `hemoidx.analyse` returned.

    Returns
    -------
    str
        A whole HTML page with its style and pictures inside it.
    """
    from hemoidx.report import chain, cuffs, pictures, sections, values
    from hemoidx.report.html import page, tag

    together = pictures.beats_together(result)
    begin = float(result.windows["start_s"].min())
    finish = float(result.windows["end_s"].max())
    comments = result.recording.attrs.get("comments", []) if result.recording is not None else []
    invented = any("invented" in str(line).lower() for line in comments)
    return page(
        f"{result.record_id} {result.channel}: arterial pressure",
        tag("h1", f"{result.record_id or 'Recording'}: arterial pressure from {result.channel}"),
        sections.head_note(result, invented),
        values.measured(result, begin, finish),
        sections.by_hand(result),
        pictures.whole_recording(result, begin, finish),
        chain.measuring_chain(result),
        cuffs.beside_the_cuff(result),
        sections.left_out(result, begin, finish),
        tag("section", tag("h2", "Excerpts"), pictures.excerpts(result, begin, finish)),
        tag("section", tag("h2", "Beats together"), together) if together else [],
        values.tables(result),
        sections.limits_of_reading(result, invented),
        sections.provenance(result),
    )


def write_report(result: Analysis, path: str | os.PathLike[str]) -> Path:
    """
    Write the report of an analysis to a file.

    Parameters
    ----------
    result : Analysis
        What `hemoidx.analyse` returned.
    path : path-like
        Where to write; its folder is made if it is not there.

    Returns
    -------
    Path
        The file. It appears whole or not at all.
    """
    target = Path(path)
    text = render(result)
    target.parent.mkdir(parents=True, exist_ok=True)
    with whole_file(target) as part:
        part.write_text(text, encoding="utf-8")
    return target
