"""Beats: which swings of the pressure are pulses, their landmarks, quality and rhythm."""

from .byhand import BeatEdits
from .reading import BELIEVED, Reading, read

__all__ = ["BELIEVED", "BeatEdits", "Reading", "read"]
