"""Pictures of a cohort: points with distributions, agreement of two columns, trends of groups."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from ..plot.style import FAINT, INK, axes_or_new, label_axes, legend, new_figure
from ..validation.agreement import limits_of_agreement

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

Float = NDArray[np.float64]
Bool = NDArray[np.bool_]

#: Shape, colour (Okabe and Ito) and dash of each group; the last is for all that follow.
MARKS = (
    ("o", "#0072B2", "-"),
    ("s", "#D55E00", "--"),
    ("^", "#00785a", ":"),
    ("D", "#7a5195", "-."),
    ("v", "#b8860b", (0, (5, 1))),
    ("P", "#56606a", (0, (1, 1))),
)
_BINS = 40
_TREND_BINS = 8
_LEAST_IN_BIN = 5
_LEAST_PAIRS = 3
_ROOM = {"left": 0.07, "right": 0.985, "bottom": 0.11, "top": 0.91, "wspace": 0.2, "hspace": 0.42}


@dataclass(frozen=True)
class Drawn:
    """
    A picture, and where its points lie.

    Attributes
    ----------
    figure : Figure
        The picture.
    at : ndarray of int, shape (n_points,)
        Rows of the points that were chosen.
    x, y : ndarray, shape (n_points,)
        Their places.
    span_x, span_y : float
        Lengths of the axes, in their units.
    words : tuple of str
        What the picture says in numbers.
    """

    figure: Figure
    at: NDArray[np.intp]
    x: Float
    y: Float
    span_x: float
    span_y: float
    words: tuple[str, ...]


def draw(
    rows: pd.DataFrame,
    show: str,
    x: str,
    y: str,
    by: str,
    kept: Bool,
    chosen: Bool,
    box: Sequence[float] | None,
    picked: str,
    label: Callable[[str], str],
) -> Drawn:
    """
    Draw a cohort.

    Parameters
    ----------
    rows : DataFrame
        One row a recording.
    show : str
        "values", "agreement" or "trend".
    x, y : str
        Columns of numbers.
    by : str
        Column of groups; empty for none.
    kept, chosen : ndarray of bool, shape (n_rows,)
        Rows that meet the conditions, and those of them in the selection.
    box : sequence of float, optional
        The selection, least and greatest `x` and `y`.
    picked : str
        The recording that is marked; empty for none.
    label : callable
        Gives the name of a column with its unit.

    Returns
    -------
    Drawn
        The picture.
    """
    figure = new_figure(9.6, 4.9)
    # A layout that fits itself to the words takes longer than all that is drawn.
    figure.set_layout_engine("none")
    grid = figure.add_gridspec(2, 2, width_ratios=(2.2, 1.0), **_ROOM)
    points = axes_or_new(figure.add_subplot(grid[:, 0]))
    points.set_gid("points")
    values = rows[x].to_numpy(dtype=np.float64), rows[y].to_numpy(dtype=np.float64)
    groups = _groups(rows, by)
    words: tuple[str, ...] = ()
    place = values
    if show == "agreement":
        place, words = _agreement(points, values, groups, chosen, label, x, y)
    elif show == "trend":
        words = _trend(points, values, groups, chosen)
        label_axes(points, x=label(x), y=label(y))
    else:
        _points(points, values, groups, kept, chosen, box)
        label_axes(points, x=label(x), y=label(y))
    marked = (
        np.flatnonzero((rows["record_id"] == picked).to_numpy()) if picked else np.zeros(0, dtype=np.intp)
    )
    if marked.size and show != "trend":
        points.plot(place[0][marked], place[1][marked], "o", ms=13, mfc="none", mec=INK, mew=1.8)
        points.annotate(picked, (place[0][marked[0]], place[1][marked[0]]), (9, 9),
                        textcoords="offset points", fontsize=8, color=INK)  # fmt: skip
    for row, (name, column) in enumerate(zip((x, y), values, strict=True)):
        ax = axes_or_new(figure.add_subplot(grid[row, 1]))
        ax.set_gid("xy"[row])
        _distribution(ax, column, kept, chosen)
        label_axes(ax, x=label(name), y="recordings")
    at = np.flatnonzero(chosen & np.isfinite(place[0]) & np.isfinite(place[1]))
    (left, right), (low, high) = points.get_xlim(), points.get_ylim()
    spans = abs(right - left) or 1.0, abs(high - low) or 1.0
    return Drawn(figure, at, place[0][at], place[1][at], *spans, words)


def _groups(rows: pd.DataFrame, by: str) -> list[tuple[str, Bool, Any]]:
    """Name, rows and marks of each group; what is beyond the marks we have is one group."""
    if not by:
        return [("all recordings", np.ones(len(rows), dtype=bool), MARKS[0])]
    words = rows[by].astype(str)
    names = words.value_counts().index.tolist()
    found = [(name, (words == name).to_numpy(), MARKS[k]) for k, name in enumerate(names[: len(MARKS) - 1])]
    rest = names[len(MARKS) - 1 :]
    if rest:
        name = rest[0] if len(rest) == 1 else f"{len(rest)} others"
        found.append((name, words.isin(rest).to_numpy(), MARKS[-1]))
    return found


def _points(
    ax: Axes,
    values: tuple[Float, Float],
    groups: list[tuple[str, Bool, Any]],
    kept: Bool,
    chosen: Bool,
    box: Sequence[float] | None,
) -> None:
    """Points; those that were not chosen are small, grey and without a shape."""
    x, y = values
    away = kept & ~chosen
    ax.plot(x[away], y[away], ".", ms=2.5, color=FAINT, alpha=0.6)
    size = 5.0 if chosen.sum() < 1000 else 3.2
    for name, mine, (marker, colour, _) in groups:
        here = chosen & mine
        words = f"{name} ({int(here.sum())})"
        ax.plot(x[here], y[here], marker, ms=size, mfc=colour, mec="none", alpha=0.65, label=words)
    if box is not None:
        from matplotlib.patches import Rectangle

        x0, x1, y0, y1 = box
        ax.add_patch(Rectangle((x0, y0), x1 - x0, y1 - y0, fill=False, edgecolor=INK, linestyle="--"))
    legend(ax, loc="upper left", bbox_to_anchor=(0.0, 1.1), ncols=3)


def _agreement(
    ax: Axes,
    values: tuple[Float, Float],
    groups: list[tuple[str, Bool, Any]],
    chosen: Bool,
    label: Callable[[str], str],
    x: str,
    y: str,
) -> tuple[tuple[Float, Float], tuple[str, ...]]:
    """Differences against means, with bias and limits of each group; one pair a recording."""
    mean, difference = 0.5 * (values[0] + values[1]), values[1] - values[0]
    words = []
    for name, mine, (marker, colour, dash) in groups:
        here = chosen & mine & np.isfinite(difference)
        count = int(here.sum())
        ax.plot(mean[here], difference[here], marker, ms=3.5, mfc=colour, mec="none", alpha=0.6,
                label=f"{name} ({count})")  # fmt: skip
        if count < _LEAST_PAIRS:
            words.append(f"{name}: {count} pairs, too few for limits of agreement")
            continue
        found = limits_of_agreement(values[1][here], values[0][here])
        for level, width in ((found.bias, 1.6), (found.lower, 1.0), (found.upper, 1.0)):
            ax.axhline(level, color=colour, linestyle=dash, linewidth=width)
        words.append(
            f"{name}: {y} less {x}, bias {found.bias:.3g} (95 % interval {found.bias_ci[0]:.3g} to "
            f"{found.bias_ci[1]:.3g}), limits of agreement {found.lower:.3g} to {found.upper:.3g}, "
            f"{count} recordings, each counted once"
        )
    label_axes(ax, x=f"mean of {label(x)} and {label(y)}", y=f"{y} less {x}")
    legend(ax, loc="upper left", bbox_to_anchor=(0.0, 1.1), ncols=3)
    return (mean, difference), tuple(words)


def _trend(
    ax: Axes, values: tuple[Float, Float], groups: list[tuple[str, Bool, Any]], chosen: Bool
) -> tuple[str, ...]:
    """Median and quartiles along the other column, group by group; each bin holds as many recordings."""
    x, y = values
    words = []
    for name, mine, (marker, colour, dash) in groups:
        here = chosen & mine & np.isfinite(x) & np.isfinite(y)
        count = int(here.sum())
        bins = min(_TREND_BINS, count // _LEAST_IN_BIN)
        if bins < 2:
            words.append(f"{name}: {count} recordings, too few for a trend")
            continue
        order = np.argsort(x[here], kind="stable")
        parts = np.array_split(order, bins)
        middle = np.array([np.median(x[here][part]) for part in parts])
        low, mid, high = np.array([np.percentile(y[here][part], (25, 50, 75)) for part in parts]).T
        ax.errorbar(middle, mid, [mid - low, high - mid], color=colour, linestyle=dash, marker=marker, ms=5,
                    capsize=3, linewidth=1.3, label=f"{name} ({count})")  # fmt: skip
        words.append(f"{name}: medians and quartiles of {count} recordings in {bins} bins of equal number")
    legend(ax, loc="upper left", bbox_to_anchor=(0.0, 1.1), ncols=3)
    return tuple(words)


def _distribution(ax: Axes, values: Float, kept: Bool, chosen: Bool) -> None:
    """How many recordings have which value: those kept in outline, the chosen filled and hatched."""
    known = values[kept & np.isfinite(values)]
    if not known.size:
        ax.text(0.5, 0.5, "no value", transform=ax.transAxes, ha="center", color=INK)
        return
    count, edges = np.histogram(known, bins=min(_BINS, max(5, known.size // 10)))
    some = np.histogram(values[chosen & np.isfinite(values)], edges)[0]
    ax.stairs(some, edges, fill=True, color="#9db8cf", hatch="///", edgecolor="#5b7f9d", label="chosen")
    ax.stairs(count, edges, color=INK, linewidth=1.0, label="kept")
    legend(ax, loc="upper right")
