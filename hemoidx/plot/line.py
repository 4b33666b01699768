"""The plane of natural frequency and damping: what each line would do to this patient's systolic pressure."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from hemoidx.line.adequacy import Adequacy, errors_of_lines
from hemoidx.line.dynamics import Dynamics
from hemoidx.line.typical import TypicalBeat
from hemoidx.plot.style import CAUTION, FAINT, INK, PAPER, axes_or_new, label_axes

if TYPE_CHECKING:
    from matplotlib.axes import Axes

Float = NDArray[np.float64]

# Reads high and reads low: colour, and full against broken lines, so that print tells them apart.
HIGH, LOW, LINE = "#D55E00", "#0072B2", INK
FREQUENCIES = (3.0, 60.0)
DAMPING = (0.05, 2.0)
_STEPS = np.array([2.0, 5.0, 10.0, 20.0, 40.0])
_SMALL = 2.0
_FACE, _DOTS = "#f4f6f7", "#b4bcc3"
_TICKS_HZ = (3, 5, 7, 10, 15, 20, 30, 40, 60)
_TICKS_DAMPING = (0.05, 0.1, 0.2, 0.3, 0.5, 0.7, 1.0, 1.5, 2.0)


def error_plane(
    undistorted: TypicalBeat, quantity: str = "sbp", points: tuple[int, int] = (90, 70)
) -> tuple[Float, Float, Float]:
    """
    Expected error over the plane of lines.

    Parameters
    ----------
    undistorted : TypicalBeat
        The patient's beat in front of the line.
    quantity : str
        One of `hemoidx.line.typical.QUANTITIES`.
    points : (int, int)
        How many natural frequencies and damping ratios.

    Returns
    -------
    frequency_hz : ndarray, shape (n,)
        Natural frequencies [Hz].
    damping : ndarray, shape (m,)
        Damping ratios.
    error : ndarray, shape (m, n)
        Recorded less true [mmHg or mmHg/s].
    """
    hz = np.geomspace(*FREQUENCIES, points[0])
    z = np.geomspace(*DAMPING, points[1])
    return hz, z, errors_of_lines(undistorted, hz[None, :], z[:, None])[quantity]


def line_plane(result: Adequacy, *, ax: Axes | None = None) -> Axes:
    """
    Draw what lines would do to this patient's systolic pressure, and where the measured one stands.

    Parameters
    ----------
    result : Adequacy
        What `hemoidx.line.adequacy.expected_error` returned.
    ax : Axes, optional
        Where to draw; a new figure if left out.

    Returns
    -------
    Axes
        The axes drawn on. Contours of equal error [mmHg], full where systolic pressure is read too high and
        broken where it is read too low; dotted where it is within 2 mmHg. The measured line is a ring with
        its 95 % intervals, or a box where it is only known by bounds.
    """
    ax = axes_or_new(ax, width=7.0, height=5.2)
    hz, damping = _centre(result.dynamics)
    plane = error_plane(result.beat.undistorted(hz, damping))
    ax.set_xscale("log")
    ax.set_yscale("log")
    _contours(ax, *plane)
    _measured(ax, result)
    ax.set_xlim(*FREQUENCIES)
    ax.set_ylim(*DAMPING)
    _ticks(ax)
    label_axes(
        ax,
        x="natural frequency [Hz]",
        y="damping ratio",
        title=f"Expected error of systolic pressure [mmHg], these beats at {result.beat.heart_rate:.0f}/min",
    )
    key = f"full: read too high; broken: read too low; dotted: within {_SMALL:g} mmHg"
    ax.text(0.0, -0.15, f"{key}\n{CAUTION}", transform=ax.transAxes, fontsize=7.5, color=FAINT, va="top")
    return ax


def _centre(dynamics: Dynamics) -> tuple[float, float]:
    return (
        float(np.clip(dynamics.natural_frequency_hz, *FREQUENCIES)),
        float(np.clip(dynamics.damping_ratio, *DAMPING)),
    )


def _contours(ax: Axes, hz: Float, z: Float, error: Float) -> None:
    small = ax.contourf(hz, z, np.abs(error), levels=[0.0, _SMALL], colors=[_FACE], hatches=[".."], zorder=1)
    small.set_edgecolor(_DOTS)
    small.set_linewidth(0)
    for sign, colour, style in ((1.0, HIGH, "solid"), (-1.0, LOW, "dashed")):
        inside = _STEPS[(sign * error).max() > _STEPS]
        if not inside.size:
            continue
        drawn = ax.contour(
            hz,
            z,
            error,
            levels=np.sort(sign * inside),
            colors=colour,
            linestyles=style,
            linewidths=1.4,
            zorder=2,
        )
        ax.clabel(drawn, fmt=lambda v: f"{v:+.0f}", fontsize=8.5, colors=colour, inline_spacing=4)


def _measured(ax: Axes, result: Adequacy) -> None:
    from matplotlib.patches import Rectangle

    line = result.dynamics
    low = (max(line.natural_frequency_hz_low, FREQUENCIES[0]), max(line.damping_ratio_low, DAMPING[0]))
    high = (min(line.natural_frequency_hz_high, FREQUENCIES[1]), min(line.damping_ratio_high, DAMPING[1]))
    if not line.resolved:
        box = Rectangle(
            low, high[0] - low[0], high[1] - low[1], fill=False, edgecolor=LINE, linewidth=2.0, zorder=5
        )
        ax.add_patch(box)
        _name(ax, (low[0] * high[0]) ** 0.5, high[1], "the line is in here", up=True)
        return
    hz, z = _centre(line)
    width = np.array([[hz - min(low[0], hz)], [max(high[0], hz) - hz]])
    height = np.array([[z - min(low[1], z)], [max(high[1], z) - z]])
    ax.errorbar(
        hz, z, xerr=width, yerr=height, fmt="o", markersize=9, markerfacecolor=PAPER, markeredgecolor=LINE,
        markeredgewidth=2.2, ecolor=LINE, elinewidth=2.0, capsize=4, zorder=6, label="measured line",
    )  # fmt: skip
    _name(ax, hz, z, f"this line: {result.sbp.value:+.1f} mmHg", up=z < 1.0)


def _name(ax: Axes, x: float, y: float, words: str, up: bool) -> None:
    paper = {"facecolor": PAPER, "edgecolor": "none", "pad": 1.5}
    ax.annotate(
        words, (x, y), xytext=(10, 12 if up else -18), textcoords="offset points", fontsize=9, color=INK,
        ha="left" if x < 20 else "right", bbox=paper, zorder=7,
    )  # fmt: skip


def _ticks(ax: Axes) -> None:
    from matplotlib.ticker import FixedFormatter, FixedLocator, NullLocator

    for axis, ticks in ((ax.xaxis, _TICKS_HZ), (ax.yaxis, _TICKS_DAMPING)):
        axis.set_major_locator(FixedLocator(list(ticks)))
        axis.set_major_formatter(FixedFormatter([f"{t:g}" for t in ticks]))
        axis.set_minor_locator(NullLocator())
