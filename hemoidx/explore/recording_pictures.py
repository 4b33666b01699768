"""Pictures of a recording: the wave, an index under it, and where in the recording one is."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from ..plot.spans import draw_spans
from ..plot.style import FAINT, INK, LANDMARKS, PAPER, TRACE, axes_or_new, label_axes, legend, new_figure
from ..plot.timeaxis import time_axis

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from ..analysis import Analysis
    from ..recordings import Axis
    from .levels import Levels

_ROOM = {"left": 0.075, "right": 0.86, "bottom": 0.09, "top": 0.93, "hspace": 0.5}
_MOST_MARKED_BEATS = 45
#: Shorter stretches show the index of each beat, longer ones that of each window [s].
BEATS_UP_TO_S = 120.0
_WORDS = {
    "add_beat": ("beat added", "-."),
    "remove_beat": ("beat removed", ":"),
    "add_span": ("span added", "-."),
    "remove_span": ("span removed", ":"),
}


def table_of(result: Analysis, index: str, length: float) -> str:
    """Table whose values of an index are shown for a stretch of this length [s]."""
    column = result.catalogue[index].column
    in_beats = column in result.beats
    return "beats" if in_beats and (length <= BEATS_UP_TO_S or column not in result.windows) else "windows"


def draw(
    result: Analysis,
    levels: Levels,
    axis: Axis,
    state: Mapping[str, Any],
    picked: tuple[str, float, float] | None,
    moving: bool = False,
) -> Figure:
    """
    Draw the stretch that the state names.

    Parameters
    ----------
    result : Analysis
        The analysis.
    levels : Levels
        Its wave.
    axis : Axis
        Time axis of the wave.
    state : mapping
        ``from_s``, ``to_s`` [s], ``index``, ``edits``.
    picked : (str, float, float), optional
        What is marked: its name, where it begins and ends [s].
    moving : bool
        Drawn while a hand moves it: without what is only read when it stands still.

    Returns
    -------
    Figure
        Axes "wave", "trend" and "whole".
    """
    figure = new_figure(10.4, 6.2)
    figure.set_dpi(96)
    figure.set_layout_engine("none")
    grid = figure.add_gridspec(3, 1, height_ratios=(3.0, 1.5, 0.7), **_ROOM)
    wave, trend, whole = (axes_or_new(figure.add_subplot(grid[k])) for k in range(3))
    for ax, name in ((wave, "wave"), (trend, "trend"), (whole, "whole")):
        ax.set_gid(name)
    start, stop = float(state["from_s"]), float(state["to_s"])
    _wave(wave, result, levels, axis, start, stop, moving)
    _edits(wave, state["edits"], start, stop)
    _trend(trend, result, str(state["index"]), start, stop)
    _whole(whole, result, str(state["index"]), axis, start, stop)
    if picked is not None:
        for ax in (wave, trend):
            ax.axvspan(picked[1], picked[2], facecolor="none", edgecolor=INK, linewidth=1.4, zorder=4)
    return figure


def _wave(
    ax: Axes, result: Analysis, levels: Levels, axis: Axis, start: float, stop: float, moving: bool
) -> None:
    position, pressure = levels.between(axis.before(start), axis.before(stop, inclusive=True))
    seconds = axis.seconds(position)
    draw_spans(ax, result.spans, start, stop)
    ax.plot(seconds, pressure, color=TRACE, linewidth=0.9, zorder=2)
    onset = result.beats["onset_s"].to_numpy()
    shown = slice(*np.searchsorted(onset, [start, stop]))
    if not moving and shown.stop - shown.start <= _MOST_MARKED_BEATS and seconds.size:
        for mark in LANDMARKS:
            at = result.beats[mark.column].to_numpy()[shown]
            at = at[np.isfinite(at)]
            ax.plot(
                at, np.interp(at, seconds, pressure), linestyle="none", marker=mark.marker, markersize=5.5,
                markeredgewidth=1.3, color=mark.colour, markerfacecolor=mark.colour if mark.filled else PAPER,
                label=mark.label, zorder=3,
            )  # fmt: skip
    time_axis(ax, start, stop, label=False)
    # The times stand under the index, which has the same axis.
    ax.tick_params(labelbottom=False)
    label_axes(ax, y=f"{result.channel} (mmHg)")
    if not moving:
        legend(ax, loc="upper left", bbox_to_anchor=(1.0, 1.02))


def _edits(ax: Axes, edits: Sequence[Mapping[str, Any]], start: float, stop: float) -> None:
    """Changes by hand that were not analysed yet, or were: each with its word."""
    for edit in edits:
        words, dash = _WORDS[edit["action"]]
        ends = [edit[key] for key in ("at_s", "from_s", "to_s") if key in edit]
        for at in ends:
            if start <= at <= stop:
                ax.axvline(at, color=INK, linestyle=dash, linewidth=1.2, zorder=4)
        middle = sum(ends) / len(ends)
        if start <= middle <= stop:
            ax.annotate(words, (middle, 0.02), xycoords=ax.get_xaxis_transform(), fontsize=7.5, rotation=90,
                        ha="right", va="bottom", color=INK)  # fmt: skip


def _trend(ax: Axes, result: Analysis, index: str, start: float, stop: float) -> None:
    entry = result.catalogue[index]
    table = table_of(result, index, stop - start)
    rows = getattr(result, table)
    left = rows["onset_s" if table == "beats" else "start_s"].to_numpy()
    shown = slice(max(int(np.searchsorted(left, start)) - 1, 0), int(np.searchsorted(left, stop)))
    value = rows[entry.column].to_numpy()[shown]
    if table == "beats":
        ax.plot(left[shown], value, ".", ms=5, color=TRACE, label="a beat")
    else:
        end = rows["end_s"].to_numpy()[shown]
        middle = 0.5 * (left[shown] + end)
        if value.size <= 400:
            ax.hlines(value, left[shown], end, color=TRACE, linewidth=2.0, label="a window")
        else:
            ax.plot(middle, value, "-", color=TRACE, linewidth=0.9, label="windows")
        # Windows without a value are shown at the bottom, by a shape of their own.
        gone = middle[~np.isfinite(value)]
        ax.plot(gone, np.full(gone.size, 0.04), "x", color=FAINT, ms=4, transform=ax.get_xaxis_transform(),
                label="no value" if gone.size else None)  # fmt: skip
    time_axis(ax, start, stop)
    unit = f" ({entry.unit})" if entry.unit != "1" else ""
    label_axes(ax, y=f"{entry.name.replace('_', ' ')}{unit}")
    legend(ax, loc="upper left", bbox_to_anchor=(1.0, 1.04))


def _whole(ax: Axes, result: Analysis, index: str, axis: Axis, start: float, stop: float) -> None:
    from matplotlib.ticker import MaxNLocator

    column = result.catalogue[index].column
    if column in result.windows:
        middle = 0.5 * (result.windows["start_s"] + result.windows["end_s"])
        ax.plot(middle, result.windows[column], "-", color=FAINT, linewidth=0.8)
    first, last = float(axis.seconds(0)), float(axis.seconds(axis.size))
    time_axis(ax, first, last, label=False)
    ax.xaxis.set_major_locator(MaxNLocator(6))
    ax.axvspan(start, stop, facecolor="#d7e3ee", edgecolor=INK, linewidth=1.0, zorder=0)
    ax.set_yticks([])
    label_axes(ax, y="whole")
