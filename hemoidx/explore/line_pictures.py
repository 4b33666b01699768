"""Pictures of a line at the bench: what goes in and comes out, a flush, and the plane of all lines."""

from __future__ import annotations

from functools import lru_cache
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from ..plot.line import DAMPING, FREQUENCIES, HIGH, LOW, error_plane
from ..plot.style import FAINT, INK, TRACE, axes_or_new, label_axes, legend, new_figure
from .line_model import Seen, patient

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

_ROOM = {"left": 0.065, "right": 0.985, "bottom": 0.11, "top": 0.92, "wspace": 0.2, "hspace": 0.55}
_LEVELS = (-20.0, -10.0, -5.0, -2.0, 2.0, 5.0, 10.0, 20.0)
_POINTS = (46, 36)

Outline = list[tuple[float, list[NDArray[np.float64]]]]


def draw(found: Seen, who: tuple[float, float, float, float], hidden: bool = False) -> Figure:
    """
    Draw a line and what it does.

    Parameters
    ----------
    found : Seen
        What is recorded.
    who : tuple of float
        Rate, mean pressure, pulse pressure and upstroke of the patient.
    hidden : bool
        Leave out what nobody at a bedside sees: the pressure in the artery, and where the line lies.

    Returns
    -------
    Figure
        Axes "trace", "flush" and, unless it is hidden, "plane".
    """
    figure = new_figure(10.2, 5.0)
    figure.set_layout_engine("none")
    figure.set_dpi(96)
    grid = figure.add_gridspec(2, 2, width_ratios=(1.5, 1.0), **_ROOM)
    place = grid[:, 0] if hidden else grid[0, 0]
    trace = axes_or_new(figure.add_subplot(place))
    trace.set_gid("trace")
    _trace(trace, found, hidden)
    flush = axes_or_new(figure.add_subplot(grid[:, 1] if hidden else grid[1, 0]))
    flush.set_gid("flush")
    _flush(flush, found)
    if not hidden:
        plane = axes_or_new(figure.add_subplot(grid[:, 1]))
        plane.set_gid("plane")
        _plane(plane, found, who)
    return figure


def _trace(ax: Axes, found: Seen, hidden: bool) -> None:
    if not hidden:
        ax.plot(found.time, found.true, color=FAINT, linestyle="--", linewidth=1.2, label="in the artery")
    ax.plot(found.time, found.recorded, color=TRACE, linewidth=1.4, label="recorded")
    label_axes(ax, x="time [s]", y="pressure [mmHg]")
    legend(ax, loc="upper right", bbox_to_anchor=(1.0, 1.16), ncols=2)


def _flush(ax: Axes, found: Seen) -> None:
    ax.plot(found.flush_s, found.flush, color=TRACE, linewidth=1.2, marker=".", markersize=3)
    ax.axvline(0.0, color=FAINT, linestyle=":", linewidth=1.0)
    label_axes(ax, x="time from the end of a flush [s]", y="pressure [mmHg]")


@lru_cache(maxsize=16)
def outlines(rate: float, mean_pressure: float, pulse_pressure: float, upstroke: float) -> Outline:
    """Lines of equal error of systolic pressure over the plane, for one patient."""
    from contourpy import contour_generator

    beat = patient(rate, mean_pressure, pulse_pressure, upstroke).beat
    hz, z, error = error_plane(beat, "sbp", _POINTS)
    made: Any = contour_generator(np.log(hz), np.log(z), error)
    return [(level, [np.exp(line) for line in made.lines(level)]) for level in _LEVELS]


def _plane(ax: Axes, found: Seen, who: tuple[float, float, float, float]) -> None:
    from matplotlib.collections import LineCollection
    from matplotlib.ticker import FixedFormatter, FixedLocator, NullLocator

    ax.set_xscale("log")
    ax.set_yscale("log")
    for level, lines in outlines(*who):
        colour, dash = (HIGH, "-") if level > 0 else (LOW, "--")
        ax.add_collection(
            LineCollection(lines, colors=colour, linestyles=dash, linewidths=1.0), autolim=False
        )
        if lines:
            longest = max(lines, key=len)
            x, y = longest[len(longest) // 3]
            ax.annotate(f"{level:+.0f}", (x, y), fontsize=7.5, color=INK, ha="center")
    inside = np.clip(found.hz, *FREQUENCIES), np.clip(found.damping, *DAMPING)
    ax.plot(*inside, "o", ms=11, mfc="none", mec=INK, mew=2.0)
    ax.annotate("this line", inside, (10, 8), textcoords="offset points", fontsize=8.5, color=INK)
    ax.set_xlim(*FREQUENCIES)
    ax.set_ylim(*DAMPING)
    for axis, ticks in ((ax.xaxis, (3, 5, 10, 20, 40)), (ax.yaxis, (0.05, 0.1, 0.2, 0.5, 1.0))):
        axis.set_major_locator(FixedLocator(list(ticks)))
        axis.set_major_formatter(FixedFormatter([f"{tick:g}" for tick in ticks]))
        axis.set_minor_locator(NullLocator())
    label_axes(
        ax, x="natural frequency [Hz]", y="damping ratio",
        title="error of systolic [mmHg]: full high, broken low",
    )  # fmt: skip
