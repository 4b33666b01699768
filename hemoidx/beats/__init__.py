"""Beats: which swings of the pressure are pulses, their landmarks, quality and rhythm."""

from .reading import BELIEVED, BeatEdits, Reading, read

__all__ = ["BELIEVED", "BeatEdits", "Reading", "read"]
