"""Breaths of a recording, as `analyse` asks for them: from a breathing channel, else from the pressure."""

from __future__ import annotations

from ..indices.level import Breathing, Level


def breathing_of(beats: Level) -> Breathing:
    """
    Find the breaths.

    Parameters
    ----------
    beats : Level
        The beats with their pressures.

    Returns
    -------
    Breathing
        Complete breaths.
    """
    return Breathing.none()
