"""The methods section: what was done, with versions, parameters and counts, in words ready to be edited."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from ..plot.style import CAUTION
from ..report.words import count, in_sentence, number
from . import layout
from .citations import databases_of
from .flow import Flow, enters, sentence
from .tally import Tally

if TYPE_CHECKING:
    import pandas as pd

    from ..indices.index import Index
    from .opened import Cohort

_REASONS = 5
_STATISTIC = {
    "mean": "the mean",
    "time_mean": "the mean weighted by the duration of the beats",
    "rate": "that of the mean interval",
    "shared": "the mean",
}


def methods(
    cohort: Cohort,
    found: Tally,
    what: Flow,
    *,
    reasons: pd.DataFrame,
    sensitivity: pd.DataFrame,
    by: str | None = None,
    least_windows: int = 1,
) -> str:
    """
    Write the methods section.

    Parameters
    ----------
    cohort : Cohort
        The cohort.
    found : Tally
        What `tally` found.
    what : Flow
        What `flow` counted.
    reasons, sensitivity : pandas.DataFrame
        What `hemoidx.cohort.audit` made of it.
    by : str, optional
        Group column.
    least_windows : int
        As for the exclusion flow.

    Returns
    -------
    str
        Markdown, in paragraphs under headings.
    """
    parts = [
        f"> {CAUTION} Local codes and licensed practice come first.",
        "## Recordings",
        _recordings(cohort, found, what, least_windows),
        "## Processing",
        _processing(cohort, found),
        "## Indices",
        *(_index(cohort.catalogue[name]) for name in found.names),
        "## What was excluded, and by which rule",
        _excluded(found, what, reasons, least_windows),
        "## Statistics",
        _statistics(found, by),
        "## Sensitivity to masking",
        _sensitivity(cohort, sensitivity),
        "## What nobody documented",
        _undocumented(reasons),
    ]
    return "\n\n".join(parts) + "\n"


def _recordings(cohort: Cohort, found: Tally, what: Flow, least: int) -> str:
    run = cohort.info["cohort"]
    rows = found.recordings
    rates = sorted(set(rows["fs"]))
    spread = f"{rates[0]:g} Hz" if len(rates) == 1 else f"{rates[0]:g} to {rates[-1]:g} Hz"
    channels = rows["channel"].value_counts()
    named = ", ".join(f"{name} ({n})" for name, n in channels.head(_REASONS).items())
    left_out = [
        f"- {n} not {step.name}, because {reason}" for step in what.steps for reason, n in step.reasons
    ]
    words = [
        f"Arterial pressure was taken from the {run['source']}: {rows['hours'].sum():.4g} h of signal, "
        f"sampled at {spread}; channels (recordings): {named}."
        + "".join(f" It belongs to {title} [cite]." for title, _ in databases_of(cohort).values()),
        sentence(what),
        f"A recording holds enough valid time with at least {count(least, 'window')} of 30 s in which enough "
        "beats and time could be used.",
    ]
    if not rows["calibrated"].all():
        words.append(
            f"{int((~rows['calibrated']).sum())} recordings are not calibrated; their pressures are rejected."
        )
    return (
        " ".join(words)
        + ("\n\nLeft out before any index was looked at:\n\n" if left_out else "")
        + ("\n".join(left_out))
    )


def _processing(cohort: Cohort, found: Tally) -> str:
    run, settings = cohort.info["cohort"], cohort.info["cohort"]["settings"]
    first = layout.read_json(layout.info_path(cohort.folder, cohort.done[0])) or {}
    parameters = ", ".join(f"{name} = {value:g}" for name, value in first.get("parameters", {}).items())
    context = sum(bool(_context(cohort, record)) for record in found.recordings["record_id"])
    return (
        f"Recordings were analysed with hemoidx {cohort.info['hemoidx']} (algorithm {settings['algorithm']}, "
        f"schema of tables {settings['schema_version']}; Python {run['python']}, NumPy {run['numpy']}), from "
        f"{run['started']} to {run['finished']}. Samples were used as stored, without resampling; gaps were "
        "left open. Disturbed, clipped and pulseless stretches were marked and no beats taken from them; "
        "each beat was described by its foot, steepest rise, peak and notch. Values were put together in "
        f"windows of 30 s and for the recording. Parameters: {parameters}. Context was documented for "
        f"{context} of {count(len(found.recordings), 'recording')}."
    )


def _context(cohort: Cohort, record_id: str) -> Any:
    info = layout.read_json(layout.info_path(cohort.folder, record_id)) or {}
    context = info.get("context") or {}
    return any(context.values()) if isinstance(context, dict) else context


def _index(index: Index) -> str:
    sources = "; ".join(index.sources) if index.sources else "no source stated"
    unit = "without unit" if index.unit == "1" else index.unit
    said = not index.rises or "window" in index.formula
    over = "" if said else f"; of a window, {_STATISTIC[index.window]}"
    return (
        f"**{index.name}**, {in_sentence(index.title)} [{unit}]: {index.formula}{over}. Computed for each "
        f"{index.level}. Sources: {sources}."
    )


def _excluded(found: Tally, what: Flow, reasons: pd.DataFrame, least: int) -> str:
    lines = []
    for name in found.names:
        mine = found.of(name)
        total, refused = int(mine["rows"].sum()), int(mine["rejected"].sum())
        kind = "windows" if (mine["table"] == "windows").all() else "recordings"
        lines.append(
            f"- **{name}**: {refused} of {total} {kind} rejected, {int(mine['caution'].sum())} kept with a "
            f"caution; {int(enters(mine, least).sum())} of {count(len(mine), 'recording')} enter the summary."
        )
        lines += [f"    - {n} recordings left out because {reason}" for reason, n in what.last[name].reasons]
        why = reasons[
            (reasons["index"] == name) & (reasons["group"] == "all") & (reasons["level"] == "rejected")
        ]
        lines += [
            f"    - {row['rows']} {kind} ({row['alone']} by this alone) because {row['reason']}"
            for _, row in why.head(_REASONS).iterrows()
        ]
        if len(why) > _REASONS:
            lines.append(f"    - {len(why) - _REASONS} further reasons stand in reasons.csv")
    return (
        "Rejected values were left empty and entered nothing. A value may be rejected by several rules.\n\n"
        + "\n".join(lines)
    )


def _statistics(found: Tally, by: str | None) -> str:
    whose = (
        "Patients are the units: recordings of one patient were averaged first."
        if "patient" in found.recordings
        else "Recordings are the units; it was not said which are of one patient, so that intervals are too "
        "narrow if patients have several."
    )
    groups = "" if by is None else f" Groups are those of `{by}`; none was tested against another."
    return (
        f"{whose} Windows were averaged within recordings, recordings within patients, and patients with "
        "equal weight; 95 % intervals are Student's over patients, those of medians rest on order statistics "
        "(binomial). Intraclass correlations are of the one-way analysis of variance (single reading), of "
        "windows within recordings and of recordings within patients; clustered windows are worth N / (1 + "
        "ICC (m - 1)) independent ones, m their number in a recording, weighted by itself. Nothing was "
        f"resampled at random.{groups}"
    )


def _sensitivity(cohort: Cohort, table: pd.DataFrame) -> str:
    lines = [
        "Every rule was taken away and the summaries were made anew from all values that had been computed, "
        "those of rejected recordings too. Marked stretches hold no beats and cannot come back."
    ]
    for _, row in table[table["group"] == "all"].iterrows():
        unit = cohort.catalogue[row["index"]].unit
        lines.append(
            f"- **{row['index']}**: {_value(row, 'masked')} {unit} in {row['masked_patients']} patients, "
            f"unmasked {_value(row, 'unmasked')} {unit} in {row['unmasked_patients']}; within the same "
            f"patients {_value(row, 'difference')} {unit}."
        )
    return "\n".join([lines[0], "", *lines[1:]])


def _value(row: pd.Series[Any], name: str) -> str:
    def shown(value: float) -> str:
        return number(value, 2 if not np.isfinite(value) or abs(value) < 10 else 1)

    return f"{shown(row[name])} (95 % interval {shown(row[f'{name}_low'])} to {shown(row[f'{name}_high'])})"


def _undocumented(reasons: pd.DataFrame) -> str:
    mine = reasons[(reasons["level"] == "undocumented") & (reasons["group"] == "all")]
    if mine.empty:
        return "Nothing that bears on these indices was left undocumented."
    most = mine.groupby("reason")["recordings"].max().sort_values(ascending=False)
    lines = [f"- {reason}: {count(int(n), 'recording')}" for reason, n in most.items()]
    return "What bears on a value but was never written down or shown:\n\n" + "\n".join(lines)
