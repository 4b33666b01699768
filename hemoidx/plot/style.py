"""The look of every picture: ink on paper, and a shape or a hatch beside every colour.

Nothing here touches matplotlib's global state: the constants are passed to each artist by hand.
The colours are from the palette of Okabe and Ito (2008), which stays apart for the common forms of
colour blindness, and the greys fall in a different order of lightness so that print keeps them apart.
"""

from __future__ import annotations

import io
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

INK = "#27313a"
FAINT = "#8b949c"
PAPER = "#ffffff"
RULE = "#e4e7ea"
TRACE = "#1d4e75"
CAUTION = "Retrospective research and teaching only; not for patient care."


@dataclass(frozen=True)
class Landmark:
    """How one landmark of a beat is drawn: the column it comes from, its shape and its colour."""

    column: str
    label: str
    marker: str
    colour: str
    filled: bool


LANDMARKS = (
    Landmark("onset_s", "foot", "^", "#D55E00", True),
    Landmark("steepest_s", "steepest rise", "x", "#7a5195", True),
    Landmark("peak_s", "systolic peak", "v", "#0072B2", True),
    Landmark("notch_s", "dicrotic notch", "D", "#00785a", False),
)


@dataclass(frozen=True)
class SpanStyle:
    """How one kind of marked stretch is named (as in the tables, without underscores) and shaded."""

    label: str
    face: str
    hatch: str


_LINE_HANDLED = "#f3e3bd"
_SIGNAL_FAULT = "#dfe3e8"
_NO_PULSE = "#eadcee"
SPAN_STYLES = {
    "flush": SpanStyle("flush", _LINE_HANDLED, "////"),
    "open_to_air": SpanStyle("open to air", _LINE_HANDLED, "...."),
    "sampling": SpanStyle("sampling", _LINE_HANDLED, "\\\\\\\\"),
    "cuff": SpanStyle("cuff", _LINE_HANDLED, "||||"),
    "flat": SpanStyle("flat", _SIGNAL_FAULT, "----"),
    "saturated": SpanStyle("saturated", _SIGNAL_FAULT, "xxxx"),
    "motion": SpanStyle("motion", _SIGNAL_FAULT, "++++"),
    "gap": SpanStyle("gap", "#f5f6f7", ""),
    "not_pulsatile": SpanStyle("not pulsatile", _NO_PULSE, "oo"),
}


def span_style(kind: str) -> SpanStyle:
    """Style of a kind of span; a kind that is not ours is shown by its own name."""
    return SPAN_STYLES.get(kind) or SpanStyle(kind.replace("_", " "), _SIGNAL_FAULT, "**")


def new_figure(width: float, height: float) -> Figure:
    """Make a figure of `width` by `height` [inch] that belongs to no backend and leaves nothing behind."""
    from matplotlib.figure import Figure

    return Figure(figsize=(width, height), dpi=110, layout="constrained", facecolor=PAPER)


def axes_or_new(ax: Axes | None, width: float = 10.0, height: float = 3.2) -> Axes:
    """Give back `ax`, or the one set of axes of a new figure, dressed in the house style."""
    chosen: Axes = new_figure(width, height).subplots() if ax is None else ax
    chosen.set_facecolor(PAPER)
    for side in ("top", "right"):
        chosen.spines[side].set_visible(False)
    for side in ("left", "bottom"):
        chosen.spines[side].set_color(FAINT)
    chosen.tick_params(colors=INK, labelsize=8.5, length=3, color=FAINT)
    chosen.grid(axis="y", color=RULE, linewidth=0.8)
    chosen.set_axisbelow(True)
    return chosen


def label_axes(ax: Axes, *, x: str | None = None, y: str | None = None, title: str | None = None) -> None:
    """Set the words round a picture, all in one size and ink."""
    if x is not None:
        ax.set_xlabel(x, fontsize=9, color=INK)
    if y is not None:
        ax.set_ylabel(y, fontsize=9, color=INK)
    if title is not None:
        ax.set_title(title, fontsize=10, color=INK, loc="left", pad=8)


def legend(ax: Axes, **where: Any) -> None:
    """Put a plain, frameless legend for whatever on `ax` carries a label."""
    handles, labels = ax.get_legend_handles_labels()
    if handles:
        made = ax.legend(handles, labels, fontsize=8, frameon=False, labelcolor=INK, **where)
        made.set_in_layout(True)


def png(figure: Figure, dpi: int = 130) -> bytes:
    """Render a figure as PNG, the same bytes for the same picture."""
    buffer = io.BytesIO()
    figure.savefig(buffer, format="png", dpi=dpi, facecolor=PAPER, metadata={"Software": None})
    return buffer.getvalue()
