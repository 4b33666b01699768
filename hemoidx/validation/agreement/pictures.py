"""Pictures of agreement; each takes and returns axes."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from hemoidx.plot.style import axes_or_new

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from .limits import Limits
    from .roc import Roc
    from .trending import Concordance, Polar

_POINT: dict[str, Any] = {"s": 16, "color": "#1d4e75", "alpha": 0.7, "linewidths": 0}
_LINE: dict[str, Any] = {"color": "#27313a", "linewidth": 1.2}


def difference_plot(found: Limits, ax: Axes | None = None) -> Axes:
    """
    Differences against means, with bias, limits and their intervals.

    Parameters
    ----------
    found : Limits
        The agreement.
    ax : Axes, optional
        Where to draw.

    Returns
    -------
    Axes
        The axes.
    """
    ax = axes_or_new(ax)
    ax.scatter(found.mean, found.difference, **_POINT)
    for value, ends, words, dash in (
        (found.bias, found.bias_ci, "bias", "-"),
        (found.lower, found.lower_ci, "lower limit", "--"),
        (found.upper, found.upper_ci, "upper limit", "--"),
    ):
        ax.axhline(value, linestyle=dash, **_LINE)
        ax.axhspan(*ends, color="#27313a", alpha=0.08, linewidth=0)
        ax.annotate(
            f"{words} {value:.3g}", (1.0, value), (4, 0), ("axes fraction", "data"),
            textcoords="offset points", va="center", fontsize=8,
        )  # fmt: skip
    ax.set_xlabel("mean of test and reference")
    named = {"log": "test / reference", "percent": "difference [% of the mean]"}
    ax.set_ylabel(named.get(found.scale, "test - reference"))
    return ax


def four_quadrant_plot(found: Concordance, ax: Axes | None = None) -> Axes:
    """Changes of the test against those of the reference; those in the exclusion zone are hollow."""
    from matplotlib.patches import Circle, Rectangle

    ax = axes_or_new(ax)
    kept = found.kept
    ax.scatter(found.reference[kept], found.test[kept], **_POINT)
    ax.scatter(found.reference[~kept], found.test[~kept], s=16, facecolors="none", edgecolors="#5d6872")
    ax.axhline(0.0, **_LINE)
    ax.axvline(0.0, **_LINE)
    z = found.zone
    if found.shape == "square":
        ax.add_patch(Rectangle((-z, -z), 2 * z, 2 * z, fill=False, linestyle=":"))
    elif found.shape == "circle":
        ax.add_patch(Circle((0.0, 0.0), z, fill=False, linestyle=":"))
    else:
        for side in (-2 * z, 2 * z):
            ax.axline((0.0, side), slope=-1.0, color="#5d6872", linestyle=":", linewidth=1.0)
    most = float(np.nanmax(np.abs([found.test, found.reference]), initial=z)) * 1.05 or 1.0
    ax.set(xlim=(-most, most), ylim=(-most, most), aspect="equal")
    ax.set_xlabel("change of the reference")
    ax.set_ylabel("change of the test")
    ax.set_title(f"{found.rate:.0f} % of {found.n} changes agree in direction", fontsize=9)
    return ax


def polar_plot(found: Polar, ax: Axes | None = None) -> Axes:
    """Changes around the line of identity, which points to the right; radial limits are dashed."""
    ax = axes_or_new(ax)
    angle = np.radians(found.angle)
    ax.scatter(found.distance * np.cos(angle), found.distance * np.sin(angle), **_POINT)
    far = float(np.max(found.distance, initial=found.zone)) * 1.05 or 1.0
    for value, dash in ((found.bias, "-"), (found.lower, "--"), (found.upper, "--")):
        turn = np.radians(value)
        ax.plot([0.0, far * np.cos(turn)], [0.0, far * np.sin(turn)], linestyle=dash, **_LINE)
    around = np.linspace(-np.pi, np.pi, 181)
    ax.plot(found.zone * np.cos(around), found.zone * np.sin(around), color="#5d6872", linestyle=":")
    ax.set(xlim=(-far, far), ylim=(-far, far), aspect="equal")
    ax.set_xlabel("along the line of identity")
    ax.set_ylabel("away from it")
    ax.set_title(f"mean angle {found.bias:.0f}°, limits {found.lower:.0f} to {found.upper:.0f}°", fontsize=9)
    return ax


def roc_plot(found: Roc, ax: Axes | None = None) -> Axes:
    """The empirical curve, with the area and its interval in words."""
    ax = axes_or_new(ax)
    ax.plot(1.0 - found.specificity, found.sensitivity, drawstyle="default", **_LINE)
    ax.plot([0.0, 1.0], [0.0, 1.0], color="#5d6872", linestyle=":", linewidth=1.0)
    ax.set(xlim=(-0.02, 1.02), ylim=(-0.02, 1.02), aspect="equal")
    ax.set_xlabel("1 - specificity")
    ax.set_ylabel("sensitivity")
    low, high = found.ci
    ax.set_title(f"area {found.area:.2f} ({low:.2f} to {high:.2f})", fontsize=9)
    return ax
