"""Window values over time, with nothing drawn where nothing was accepted."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from hemoidx.plot.style import FAINT, INK, PAPER, axes_or_new, label_axes
from hemoidx.plot.timeaxis import time_axis

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.axes import Axes

    from hemoidx.analysis import Analysis

FloatArray = NDArray[np.floating]

PRESSURES = ("sbp", "mbp", "dbp")


@dataclass(frozen=True)
class Series:
    """Words, shape and colour of one column; the shape tells lines apart where they cross."""

    label: str
    unit: str
    marker: str
    colour: str


_SERIES = {
    "sbp": Series("systolic", "mmHg", "v", "#0072B2"),
    "mbp": Series("mean", "mmHg", "o", INK),
    "dbp": Series("diastolic", "mmHg", "^", "#D55E00"),
    "pp": Series("pulse pressure", "mmHg", "D", "#00785a"),
    "hr": Series("heart rate", "1/min", "s", "#7a5195"),
    "dpdt_max": Series("steepest rise", "mmHg/s", "P", "#0072B2"),
    "systolic_area": Series("systolic area", "mmHg s", "h", "#00785a"),
    "ejection_time_s": Series("ejection time", "s", "d", "#7a5195"),
}
# Beyond this many windows shapes and bars merge into a band; the line alone says more.
_MOST_MARKED_WINDOWS = 80
# A quiet trend is not blown up to fill the picture: the axis spans at least this share of its level.
_LEAST_RANGE = 0.15
_LABEL_HEIGHT_PT = 10.0


def trends(
    result: Analysis,
    names: Sequence[str] = PRESSURES,
    *,
    ax: Axes | None = None,
    limits: tuple[float, float] | None = None,
    label_time: bool = True,
) -> Axes:
    """
    Draw values of the windows over time.

    Parameters
    ----------
    result : Analysis
        What `hemoidx.analyse` returned.
    names : sequence of str
        Columns of the window table; they should share a unit.
    ax : Axes, optional
        Where to draw; a new figure if left out.
    limits : (float, float), optional
        Ends of the time axis [s]; those of the windows if left out.
    label_time : bool
        Write what the time axis shows beneath it.

    Returns
    -------
    Axes
        The axes drawn on. Each window is a bar as long as the window. A rejected value leaves a
        gap in its line, and a cross (a stroke, where windows are many) above the time axis.
    """
    ax = axes_or_new(ax, height=2.8)
    windows = result.windows
    chosen = [_SERIES.get(name) or Series(name, "", "o", INK) for name in names]
    values = windows[list(names)].to_numpy(dtype=float)
    left = windows["start_s"].to_numpy(dtype=float)
    right = windows["end_s"].to_numpy(dtype=float)
    middle = (left + right) / 2
    _vertical_limits(ax, values)
    for column, series in enumerate(chosen):
        _line(ax, windows, middle, values[:, column], series)
    refused = np.isnan(values).any(axis=1)
    few = len(windows) <= _MOST_MARKED_WINDOWS
    _crosses(ax, middle[refused], few)
    _names_at_the_end(ax, chosen, values, f"{'×' if few else '|'} value missing" if refused.any() else "")
    if limits is not None or len(windows):
        time_axis(ax, *(limits or (float(left.min()), float(right.max()))), label=label_time)
    label_axes(ax, y=", ".join(dict.fromkeys(series.unit for series in chosen)))
    return ax


def _vertical_limits(ax: Axes, values: FloatArray) -> None:
    if not np.isfinite(values).any():
        ax.set_ylim(0, 1)
        ax.set_yticks([])
        ax.text(0.5, 0.5, "no window has a value", transform=ax.transAxes, ha="center", fontsize=9, color=INK)
        return
    low, high = float(np.nanmin(values)), float(np.nanmax(values))
    room = max(high - low, _LEAST_RANGE * abs(high), 1e-9)
    middle = (low + high) / 2
    # More room below than above: the crosses of rejected windows stand there.
    ax.set_ylim(middle - 0.72 * room, middle + 0.6 * room)


def _line(ax: Axes, windows: pd.DataFrame, middle: FloatArray, value: FloatArray, series: Series) -> None:
    few = len(windows) <= _MOST_MARKED_WINDOWS
    ax.plot(
        middle, value, color=series.colour, linewidth=1.3, marker=series.marker if few else "", markersize=5,
        markerfacecolor=PAPER, markeredgewidth=1.3, label=series.label, zorder=3,
    )  # fmt: skip
    if few:
        known = np.isfinite(value)
        bars = windows[known]
        ax.hlines(
            value[known],
            bars["start_s"],
            bars["end_s"],
            color=series.colour,
            linewidth=3,
            alpha=0.22,
            zorder=2,
        )


def _crosses(ax: Axes, at: FloatArray, few: bool) -> None:
    """Mark windows without a value; where they stand close, strokes stay apart longer than crosses."""
    if at.size:
        ax.plot(
            at, np.full(at.size, 0.04), transform=ax.get_xaxis_transform(), linestyle="none",
            marker="x" if few else "|", markersize=5, color=FAINT, markeredgewidth=1.3,
            label="value missing", clip_on=False, zorder=4,
        )  # fmt: skip


def _names_at_the_end(ax: Axes, chosen: Sequence[Series], values: FloatArray, missing: str) -> None:
    """Write each name where its line ends, pushed apart where lines meet: no looking back to a legend."""
    figure = ax.get_figure(root=True)
    height_pt = 72 * (figure.get_figheight() if figure is not None else 3.0) * ax.get_position().height
    bottom, top = ax.get_ylim()
    wanted = [(0.04, missing, FAINT)] if missing else []
    for column, series in enumerate(chosen):
        known = values[np.isfinite(values[:, column]), column]
        if known.size:
            wanted.append(((float(known[-1]) - bottom) / (top - bottom), series.label, series.colour))
    floor = -np.inf
    for place, label, colour in sorted(wanted):
        floor = max(place, floor + _LABEL_HEIGHT_PT / height_pt)
        ax.annotate(
            label, (1.0, floor), xycoords="axes fraction", xytext=(7, 0), textcoords="offset points",
            va="center", fontsize=8, color=colour, annotation_clip=False,
        )  # fmt: skip
