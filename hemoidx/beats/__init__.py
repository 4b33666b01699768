"""Beats: which swings of the pressure are pulses, their landmarks, quality and rhythm."""

from .reading import BeatEdits, Reading, read

__all__ = ["BeatEdits", "Reading", "read"]
