"""Shaded, hatched and named stretches that are not the patient's pressure."""

from __future__ import annotations

from typing import TYPE_CHECKING

from hemoidx.plot.style import FAINT, INK, span_style

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.axes import Axes

# Label lanes above the axes, in points; a third would press into the title.
_LANES = (3.0, 13.0)
_CHARACTER_PT = 4.3


def draw_spans(ax: Axes, spans: pd.DataFrame, start: float, stop: float) -> Axes:
    """
    Shade the spans that touch `start`..`stop` and name them above the axes.

    Parameters
    ----------
    ax : Axes
        Where to draw; its x axis is in seconds.
    spans : DataFrame
        Columns `start_s`, `end_s` [s] and `kind`.
    start, stop : float
        The stretch shown [s].

    Returns
    -------
    Axes
        The same axes. Every kind has a hatch of its own and one entry in the legend, so that
        neither colour nor a label that found no room is needed to tell them apart.
    """
    shown = spans[(spans["end_s"] > start) & (spans["start_s"] < stop)].sort_values("start_s")
    named: set[str] = set()
    taken = [-float("inf")] * len(_LANES)
    points_per_second = _width_in_points(ax) / max(stop - start, 1e-9)
    for left, right, kind in zip(shown["start_s"], shown["end_s"], shown["kind"], strict=True):
        style = span_style(str(kind))
        left, right = max(float(left), start), min(float(right), stop)
        ax.axvspan(
            left, right, facecolor=style.face, edgecolor=FAINT, hatch=style.hatch, linewidth=0.6, alpha=0.75,
            zorder=0.5, label=None if style.label in named else style.label,
        )  # fmt: skip
        named.add(style.label)
        _name_above(ax, style.label, (left + right) / 2, taken, points_per_second)
    return ax


def _width_in_points(ax: Axes) -> float:
    """Width of the axes before layout [pt]; near enough to keep labels apart."""
    figure = ax.get_figure(root=True)
    inches = figure.get_figwidth() if figure is not None else 8.0
    return float(inches * 72 * ax.get_position().width)


def _name_above(ax: Axes, label: str, middle: float, taken: list[float], scale: float) -> None:
    """Write a label in the first lane with room; `taken` holds the right end of each lane [s]."""
    half = _CHARACTER_PT * len(label) / 2 / scale
    for lane, height in enumerate(_LANES):
        if middle - half > taken[lane]:
            ax.annotate(
                label, (middle, 1), xycoords=ax.get_xaxis_transform(), xytext=(0, height), fontsize=7.5,
                textcoords="offset points", ha="center", va="bottom", color=INK, annotation_clip=False,
            )  # fmt: skip
            taken[lane] = middle + half
            return
