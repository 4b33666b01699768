"""Time along the bottom of a picture: data stay in seconds, the labels speak in a unit that fits."""

from __future__ import annotations

from typing import TYPE_CHECKING

from hemoidx.plot.style import label_axes

if TYPE_CHECKING:
    from matplotlib.axes import Axes

_STEPS_S = (
    0.1,
    0.2,
    0.5,
    1,
    2,
    5,
    10,
    15,
    30,
    60,
    120,
    300,
    600,
    1200,
    1800,
    3600,
    7200,
    14400,
    28800,
    86400,
)


def unit_for(length: float) -> tuple[float, str]:
    """Seconds in the unit that suits a stretch of `length` [s], and its sign: s, min or h."""
    if length <= 300:
        return 1.0, "s"
    return (60.0, "min") if length <= 4 * 3600 else (3600.0, "h")


def time_axis(ax: Axes, start: float, stop: float, *, label: bool = True) -> None:
    """Limit `ax` to `start`..`stop` [s] and label it in seconds, minutes or hours."""
    from matplotlib.ticker import FuncFormatter, MultipleLocator

    length = max(stop - start, 1e-9)
    per, unit = unit_for(length)
    step = next(
        (step for step in _STEPS_S if length / step <= 13), _STEPS_S[-1] * (length // (10 * 86400) + 1)
    )
    ax.set_xlim(start, stop)
    ax.xaxis.set_major_locator(MultipleLocator(step))
    ax.xaxis.set_major_formatter(FuncFormatter(lambda seconds, _: f"{seconds / per:g}"))
    if label:
        label_axes(ax, x=f"time from the start of the recording ({unit})")
