"""The section of the report on what measured the pressure: flushes, zeros, set-up sheet."""

from __future__ import annotations

from collections.abc import Iterable
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from hemoidx import plot
from hemoidx.analysis.measured import adequacy_of
from hemoidx.plot.style import new_figure
from hemoidx.report.html import Markup, picture, section, table, tag
from hemoidx.report.words import at_time, number

if TYPE_CHECKING:
    import pandas as pd

    from hemoidx.analysis import Analysis

_ERRORS = {"sbp": "systolic", "dbp": "diastolic", "pp": "pulse pressure"}
_MOST_ROWS = 12
# What is drawn around the release of a flush [s].
_BEFORE_S, _AFTER_S = 0.5, 1.5


def measuring_chain(result: Analysis) -> Markup:
    """Say what measured the pressure, before anything is read from it."""
    line = result.info["line"]
    return section(
        "What measured it",
        tag("p", " ".join(line["words"]), class_="lead"),
        _story(line["story"]),
        _flush_table(result.flushes),
        _errors(result),
        _pictures(result),
        _sheet(line),
    )


def _story(story: list[dict[str, Any]]) -> Iterable[Markup]:
    """What was done to the line, in order of time."""
    if not story:
        return []
    rows = [[_moment(float(row["at_s"])), str(row["what"])] for row in story[:_MOST_ROWS]]
    more = f"; the first {_MOST_ROWS} of {len(story)}" if len(story) > _MOST_ROWS else ""
    return [table(("at", "what was done to the line"), rows, caption=f"The line over time{more}.", words=2)]


def _moment(seconds: float) -> str:
    return f"{number(seconds, 1)} s" if seconds < 600 else at_time(seconds)


def _flush_table(flushes: pd.DataFrame) -> Iterable[Markup]:
    """Show each flush that told something, both ways of reading it side by side."""
    known = flushes[_told(flushes)]
    if known.empty:
        return []
    rows = [
        [
            _moment(float(row["release_s"])),
            _with_bounds(row, "natural_frequency_hz", 1),
            _with_bounds(row, "damping_ratio", 2),
            number(float(row["bedside_natural_frequency_hz"]), 1),
            number(float(row["bedside_damping_ratio"]), 2),
        ]
        for _, row in known.tail(_MOST_ROWS).iterrows()
    ]
    head = (
        "released at", "natural frequency (Hz)", "damping ratio", "frequency by swings (Hz)",
        "damping by swings",
    )  # fmt: skip
    return [
        table(
            head,
            rows,
            caption="Fast flushes: fit of a second-order line to all samples with its 95 % interval, and the "
            "reading of period and amplitude ratio of the first swings, as at the bedside.",
        )
    ]


def _told(flushes: pd.DataFrame) -> NDArray[np.bool_]:
    """Flushes that gave a number or a bound."""
    low, high = (flushes[f"natural_frequency_hz_{end}"].to_numpy() for end in ("low", "high"))
    return np.asarray((low > 0) | np.isfinite(high))


def _with_bounds(row: pd.Series, name: str, decimals: int) -> str:
    low, high = float(row[f"{name}_low"]), float(row[f"{name}_high"])
    upper = number(high, decimals) if np.isfinite(high) else "no upper limit"
    interval = f"{number(low, decimals)} to {upper}"
    known = np.isfinite(float(row[f"{name}_se"]))
    return f"{number(float(row[name]), decimals)} ({interval})" if known else interval


def _errors(result: Analysis) -> Iterable[Markup]:
    """Show what line, zero and level do to the pressures, over the recording."""
    record = result.record.iloc[0]
    rows = []
    for name, title in _ERRORS.items():
        column = f"{name}_line_error"
        low, high = float(record[f"{column}_low"]), float(record[f"{column}_high"])
        if np.isfinite(low) or np.isfinite(high):
            value = number(float(record[column]), 1)
            rows.append([f"line: {title}", value, f"{number(low, 1)} to {number(high, 1)}"])
    if np.isfinite(record["static_error"]):
        se = float(record["static_error_se"])
        shift = float(record["static_error"])
        spread = f"{number(shift - 1.96 * se, 1)} to {number(shift + 1.96 * se, 1)}"
        known = spread if np.isfinite(se) else "height of the transducer not known"
        rows.append(["zero and level: all pressures", number(shift, 1), known])
    if not rows:
        return []
    return [
        table(
            ("error", "recorded less true (mmHg)", "95 % interval (mmHg)"),
            rows,
            caption="Errors that all beats share, median of windows: more beats do not make them smaller. A "
            "value that they are expected to put off by more than 5 mmHg is rejected.",
        )
    ]


def _pictures(result: Analysis) -> Iterable[Markup]:
    """Draw the last flush that told something, and where its line stands for these pulses."""
    told = result.flushes[_told(result.flushes)]
    if result.recording is None or told.empty:
        return
    release = float(told["release_s"].iloc[-1])
    figure = new_figure(11, 2.9)
    start, stop = release - _BEFORE_S, release + _AFTER_S
    plot.trace(result, start, stop, ax=figure.subplots(), landmarks=False)
    words = f"The flush released at {_moment(release)}: what the line does when the bag lets go of it."
    yield picture(plot.png(figure), words, words)
    adequacy = adequacy_of(result)
    if adequacy is None:
        return
    figure = new_figure(6.4, 5.0)
    plot.line_plane(adequacy, ax=figure.subplots())
    yield picture(
        plot.png(figure),
        f"Plane of natural frequency and damping with the measured line. {adequacy.words()}",
        f"What lines of each natural frequency and damping would do to the systolic pressure of these "
        f"pulses, and where the measured one stands. {adequacy.words()}",
        narrow=True,
    )


def _sheet(line: dict[str, Any]) -> Iterable[Markup]:
    """Findings on the set-up sheet; they describe, and advise nothing."""
    if line["setup"]:
        rows = [[str(f["severity"]), str(f["meaning"]), "; ".join(f["basis"])] for f in line["setup"]]
        yield table(
            ("how serious", "found on the set-up sheet", "what says so"),
            rows,
            caption="The set-up sheet documents a recording for research and teaching; local policy and "
            "licensed practice decide at the bedside.",
            words=3,
        )
    if line["setup_undocumented"]:
        missing = ", ".join(str(name).replace("_", " ") for name in line["setup_undocumented"])
        yield tag("p", f"The set-up sheet leaves open: {missing}.")
