"""The whole recording on one sheet."""

from __future__ import annotations

from typing import TYPE_CHECKING

from hemoidx.plot.overlay import beat_overlay
from hemoidx.plot.spans import draw_spans
from hemoidx.plot.style import CAUTION, FAINT, TRACE, axes_or_new, label_axes, legend, new_figure
from hemoidx.plot.timeaxis import time_axis
from hemoidx.plot.wave import trace
from hemoidx.plot.windows import trends

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from hemoidx.analysis import Analysis


def overview(result: Analysis) -> Figure:
    """
    Draw the recording as a whole: wave and spans, pressures, rate, and the beats laid over each other.

    Parameters
    ----------
    result : Analysis
        What `hemoidx.analyse` returned. Where its samples are no longer at hand, systolic and
        diastolic pressure of each beat stand in for the wave.

    Returns
    -------
    Figure
        One sheet, 11 by 7.5 inches.
    """
    figure = new_figure(11, 7.5)
    sheet = figure.subplot_mosaic(
        [["wave", "wave"], ["pressures", "beats"], ["rate", "beats"]],
        width_ratios=[2.1, 1], height_ratios=[1.15, 1, 0.75],
    )  # fmt: skip
    for ax in sheet.values():
        axes_or_new(ax)
    if result.recording is None:
        _bars_of_beats(sheet["wave"], result)
        sheet["beats"].set_axis_off()
    else:
        trace(result, ax=sheet["wave"], landmarks=False)
        beat_overlay(result, ax=sheet["beats"])
    shown = sheet["wave"].get_xlim()
    trends(result, ax=sheet["pressures"], limits=shown, label_time=False)
    trends(result, ("hr",), ax=sheet["rate"], limits=shown)
    record = str(result.info.get("record_id", ""))
    figure.suptitle(f"{record}  {result.channel}".strip(), x=0.01, ha="left", fontsize=12, color=TRACE)
    figure.supxlabel(CAUTION, x=0.01, ha="left", fontsize=8, color=FAINT)
    return figure


def _bars_of_beats(ax: Axes, result: Analysis) -> None:
    """Draw one upright line from diastolic to systolic pressure for each beat."""
    beats, spans = result.beats, result.spans
    stop = max([1.0, *beats["onset_s"].dropna(), *spans["end_s"].dropna(), *result.windows["end_s"]])
    draw_spans(ax, spans, 0.0, stop)
    ax.vlines(
        beats["onset_s"],
        beats["dbp"],
        beats["sbp"],
        color=TRACE,
        linewidth=0.6,
        label="diastolic to systolic",
    )
    time_axis(ax, 0.0, stop)
    label_axes(ax, y=f"{result.channel} (mmHg)")
    legend(ax, loc="upper left", bbox_to_anchor=(1.0, 1.0))
