"""Shaded, hatched and named: the marked stretches."""

from __future__ import annotations

from typing import TYPE_CHECKING

from hemoidx.plot.style import FAINT, INK, span_style

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.axes import Axes

# Label lanes above the axes, in points; a third would press into the title.
_LANES = (3.0, 13.0)
_CHARACTER_PT = 4.3
_MOST_SHADES = 300


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
    rows = [
        (max(float(left), start), min(float(right), stop), str(kind))
        for left, right, kind in zip(shown["start_s"], shown["end_s"], shown["kind"], strict=True)
    ]
    named: set[str] = set()
    # Thousands of stretches narrower than a pixel would take minutes and show no more.
    near = (stop - start) / 1000 if len(rows) > _MOST_SHADES else -1.0
    for left, right, kind, _ in _neighbours(rows, near):
        style = span_style(kind)
        ax.axvspan(
            left, right, facecolor=style.face, edgecolor=FAINT, hatch=style.hatch, linewidth=0.6, alpha=0.75,
            zorder=0.5, label=None if kind in named else style.label,
        )  # fmt: skip
        named.add(kind)
    _names_above(ax, rows, _width_in_points(ax) / max(stop - start, 1e-9))
    return ax


def _width_in_points(ax: Axes) -> float:
    """Width of the axes before layout [pt]; near enough to keep labels apart."""
    figure = ax.get_figure(root=True)
    inches = figure.get_figwidth() if figure is not None else 8.0
    return float(inches * 72 * ax.get_position().width)


def _names_above(ax: Axes, rows: list[tuple[float, float, str]], points_per_second: float) -> None:
    """Write names above the axes, once for neighbours of a kind, while there is room."""
    taken = [-float("inf")] * len(_LANES)
    for left, right, kind, times in _neighbours(rows, 60.0 / points_per_second):
        label = span_style(kind).label + (f" ({times} times)" if times > 1 else "")
        middle = (left + right) / 2
        half = _CHARACTER_PT * len(label) / 2 / points_per_second
        for lane, height in enumerate(_LANES):
            if middle - half > taken[lane]:
                ax.annotate(
                    label, (middle, 1), xycoords=ax.get_xaxis_transform(), xytext=(0, height), fontsize=7.5,
                    textcoords="offset points", ha="center", va="bottom", color=INK, annotation_clip=False,
                )  # fmt: skip
                taken[lane] = middle + half
                break


def _neighbours(rows: list[tuple[float, float, str]], near: float) -> list[tuple[float, float, str, int]]:
    """Join spans of one kind that follow each other within `near` [s]; the count says how many they were."""
    joined: list[tuple[float, float, str, int]] = []
    for left, right, kind in rows:
        if joined and joined[-1][2] == kind and left - joined[-1][1] <= near:
            first, last, _, times = joined[-1]
            joined[-1] = (first, max(last, right), kind, times + 1)
        else:
            joined.append((left, right, kind, 1))
    return joined
