"""
Pictures of an analysis.

Each function draws on the `ax` it is given, or on a new figure, and gives the axes back. Figures are made
with matplotlib's object interface: no window is opened, no global setting is touched. What is drawn is what
the tables hold; nothing is measured here.

Retrospective research and teaching only; not for patient care.
"""

from hemoidx.plot.decimate import envelope, thin
from hemoidx.plot.line import line_plane
from hemoidx.plot.overlay import aligned_beats, beat_overlay
from hemoidx.plot.sheet import overview
from hemoidx.plot.spans import draw_spans
from hemoidx.plot.style import png
from hemoidx.plot.wave import samples, trace
from hemoidx.plot.windows import trends

__all__ = [
    "aligned_beats",
    "beat_overlay",
    "draw_spans",
    "envelope",
    "line_plane",
    "overview",
    "png",
    "samples",
    "thin",
    "trace",
    "trends",
]
