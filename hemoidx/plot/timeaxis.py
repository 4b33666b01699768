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
# A short stretch this late in a recording is found more easily by hours and minutes than by seconds.
_CLOCK_FROM_S = 600.0


def unit_for(length: float, start: float = 0.0) -> tuple[float, str]:
    """Seconds in the unit that suits a stretch of `length` [s] from `start` [s], and its sign."""
    if length <= 300:
        return 1.0, "s" if start < _CLOCK_FROM_S else "h:min:s"
    return (60.0, "min") if length <= 4 * 3600 else (3600.0, "h")


def clock(seconds: float) -> str:
    """
    Write a time as hours, minutes and seconds.

    Examples
    --------
    >>> clock(3725.5)
    '1:02:05.5'
    """
    minutes, rest = divmod(round(seconds, 3), 60)
    hours, minutes = divmod(int(minutes), 60)
    return f"{hours}:{minutes:02d}:{'0' if rest < 10 else ''}{rest:g}"


def time_axis(ax: Axes, start: float, stop: float, *, label: bool = True) -> None:
    """Limit `ax` to `start`..`stop` [s] and label it in a unit that suits the stretch."""
    from matplotlib.ticker import FuncFormatter, MultipleLocator

    length = max(stop - start, 1e-9)
    per, unit = unit_for(length, start)
    most = 8 if unit == "h:min:s" else 13
    fit = next((step for step in _STEPS_S if length / step <= most), None)
    step = fit or _STEPS_S[-1] * (length // (10 * _STEPS_S[-1]) + 1)
    ax.set_xlim(start, stop)
    ax.xaxis.set_major_locator(MultipleLocator(step))
    ax.xaxis.set_major_formatter(
        FuncFormatter(lambda seconds, _: clock(seconds) if unit == "h:min:s" else f"{seconds / per:g}")
    )
    if label:
        label_axes(ax, x=f"time from the start of the recording ({unit})")
