"""A short summary of an analysis for a notebook."""

from __future__ import annotations

from collections import Counter
from html import escape
from typing import TYPE_CHECKING

from ..tables import CAUTION

if TYPE_CHECKING:
    from ..indices.index import Index
    from .result import Analysis


#: Families shown here; the rest stands in the tables and in the report.
_FAMILIES = ("pressure", "respiratory", "own")


def html(result: Analysis) -> str:
    """
    Summarise an analysis as a piece of HTML.

    Parameters
    ----------
    result : Analysis
        The analysis.

    Returns
    -------
    str
        Counts, medians with units, how many values were rejected and why, cautions. Everything that came
        from the recording or a user is escaped.
    """
    record = result.record.iloc[0]
    shown = [index for index in result.catalogue.measured_in("windows") if index.family in _FAMILIES]
    rows = "".join(_row(result, index) for index in shown)
    others = len(result.catalogue.measured_in("windows")) - len(shown)
    kinds = Counter(result.spans["kind"])
    spans = ", ".join(f"{n} {kind.replace('_', ' ')}" for kind, n in kinds.items()) or "none"
    lines = [
        f"<p><b>{escape(result.record_id or 'Recording')}</b>, channel {escape(result.channel)}: "
        f"{len(result.beats)} beats, {len(result.windows)} windows of 30 s; beats that could be used cover "
        f"{record['valid_s']:.0f} of {record['duration_s']:.0f} s. Marked stretches: {escape(spans)}.</p>",
        "<table><thead><tr><th>index</th><th>median</th><th>unit</th><th>windows rejected</th>"
        f"<th>main reason</th></tr></thead><tbody>{rows}</tbody></table>",
        f"<p>{others} more in <code>windows</code>; <code>catalogue</code> lists them all.</p>"
        if others
        else "",
    ]
    if result.info["edits"]:
        n = len(result.info["edits"])
        lines.append(f"<p>Changed by hand: {n} {'edit' if n == 1 else 'edits'}, listed in the report.</p>")
    if result.undocumented:
        lines.append(f"<p>Not known: {escape('; '.join(result.undocumented))}.</p>")
    lines.append(f"<p><i>{escape(CAUTION)} Local codes and licensed practice come first.</i></p>")
    return f"<div>{''.join(lines)}</div>"


def _row(result: Analysis, index: Index) -> str:
    """One index: its median, and how often and why its windows were rejected."""
    verdicts = result.verdicts(index.name, "windows")
    refused = verdicts.loc[verdicts["measurement"] == "rejected", "reasons"]
    reason = refused.value_counts().index[0] if len(refused) else ""
    median = result.record[index.column].iloc[0] if index.column in result.record else float("nan")
    shown = f"{median:.4g}" if median == median else "–"
    cells = (index.title, shown, index.unit, f"{len(refused)} of {len(verdicts)}", str(reason))
    return f"<tr>{''.join(f'<td>{escape(cell)}</td>' for cell in cells)}</tr>"
