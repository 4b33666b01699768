"""A figure as a picture that answers to mouse, wheel and keys, in JupyterLab, notebooks and plain pages."""

from __future__ import annotations

import io
from collections.abc import Callable, Mapping
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

from ..errors import DataUnavailableError

if TYPE_CHECKING:
    from matplotlib.figure import Figure

Heard = Callable[[Mapping[str, Any]], None]

HERE = Path(__file__).parent
_INSTALL = 'pictures that can be dragged need anywidget: pip install "hemoidx[explore]"'


def png_of(figure: Figure) -> bytes:
    """
    Draw a figure as PNG, quickly rather than small.

    Parameters
    ----------
    figure : matplotlib.figure.Figure
        The figure; it is drawn at its own size and resolution.

    Returns
    -------
    bytes
        The picture.
    """
    from matplotlib.backends.backend_agg import FigureCanvasAgg

    stream = io.BytesIO()
    # The canvas draws once, where `savefig` draws twice. Level 1 packs a page of lines nearly as well as the
    # usual 6 in a third of the time.
    canvas: Any = FigureCanvasAgg(figure)
    canvas.print_png(stream, pil_kwargs={"compress_level": 1})
    return stream.getvalue()


def areas_of(figure: Figure) -> list[dict[str, Any]]:
    """
    Say where the axes of a drawn figure lie and what they span.

    Parameters
    ----------
    figure : matplotlib.figure.Figure
        A figure that has been drawn, so that its layout is settled.

    Returns
    -------
    list of dict
        For each visible axes with a name (`ax.set_gid`): `name`, edges in pixels from the top left corner
        (`left, top, right, bottom`), limits in the units of the axes (`x0, x1, y0, y1`; left to right and
        bottom to top), and whether an axis is logarithmic (`xlog, ylog`).
    """
    height = figure.bbox.height
    areas = []
    for ax in figure.axes:
        if not ax.get_gid() or not ax.get_visible():
            continue
        edges = ax.get_window_extent()
        (x0, x1), (y0, y1) = ax.get_xlim(), ax.get_ylim()
        areas.append(
            {
                "name": str(ax.get_gid()),
                "left": float(edges.x0),
                "right": float(edges.x1),
                "top": float(height - edges.y1),
                "bottom": float(height - edges.y0),
                "x0": float(x0),
                "x1": float(x1),
                "y0": float(y0),
                "y1": float(y1),
                "xlog": ax.get_xscale() == "log",
                "ylog": ax.get_yscale() == "log",
            }
        )
    return areas


@cache
def picture_class() -> type[Any]:
    """
    Give the widget class; made on first use, since importing widgets takes a while.

    Returns
    -------
    type
        A subclass of `anywidget.AnyWidget`.

    Raises
    ------
    DataUnavailableError
        If anywidget is not installed.
    """
    try:
        import anywidget
        import traitlets
    except ImportError as error:
        raise DataUnavailableError(_INSTALL) from error

    class Picture(anywidget.AnyWidget):
        """
        A picture with hands on it.

        `show(figure)` draws; functions given to `on_event` hear of `click` (`area, x, y, shift`), `drag`
        (`area, x0, y0, x1, y1, done, shift`), `wheel` (`area, x, y, steps, shift`) and `key` (`key, shift`),
        all in the units of the axes. `gesture` is "pan" (drags are told as they move) or "select" (a frame is
        drawn, and the drag told once).
        """

        _esm = HERE / "picture.js"
        _css = HERE / "picture.css"
        png = traitlets.Bytes(b"").tag(sync=True)
        alt = traitlets.Unicode("").tag(sync=True)
        width = traitlets.Int(900).tag(sync=True)
        height = traitlets.Int(400).tag(sync=True)
        areas = traitlets.List(traitlets.Dict()).tag(sync=True)
        gesture = traitlets.Enum(["pan", "select"], "pan").tag(sync=True)
        listens = traitlets.List(traitlets.Unicode()).tag(sync=True)

        def __init__(self, **settings: Any) -> None:
            super().__init__(**settings)
            self._heard: list[Heard] = []
            self.on_msg(self._hear)

        def on_event(self, heard: Heard) -> None:
            self._heard.append(heard)

        def show(self, figure: Figure) -> None:
            picture = png_of(figure)
            width, height = (round(side) for side in figure.bbox.size)
            with self.hold_sync():
                self.width, self.height = width, height
                self.areas = areas_of(figure)
                self.png = picture

        def _hear(self, _widget: Any, event: Mapping[str, Any], _buffers: Any) -> None:
            try:
                for heard in self._heard:
                    heard(event)
            finally:
                # The page holds back further gestures until it is told that this one was dealt with.
                self.send({"kind": "done"})

    return Picture
