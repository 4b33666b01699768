"""Stretches that are not the patient: what the line, the tap, the cuff or the hand did to the trace.

Levels come first (gaps, rails, flushes, an open line, a constant level); stretches where the pulse is
missing are told apart once the pulses are known; motion last, from roughness and from pulses that look
like none of their neighbours. All rules work on the cells of the survey, in mmHg and seconds.
"""

from .level import by_level, usual_levels
from .motion import motion
from .mottled import mottled
from .pulseless import Pulse, pulseless
from .table import KIND, KINDS, NONE, Spans, covered, gather, join

__all__ = [
    "KIND",
    "KINDS",
    "NONE",
    "Pulse",
    "Spans",
    "by_level",
    "covered",
    "gather",
    "join",
    "motion",
    "mottled",
    "pulseless",
    "usual_levels",
]
