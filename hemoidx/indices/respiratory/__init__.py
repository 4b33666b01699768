"""Breathing: its rate, and what swings with it."""

from __future__ import annotations

from . import (
    breath_beats,
    breathing,
    entries,
    paradoxus,
    stroke_variation,
    systolic_parts,
    variation,
)

INDICES = (
    *breathing.INDICES,
    *breath_beats.INDICES,
    *entries.INDICES,
    *systolic_parts.INDICES,
    *paradoxus.INDICES,
    *variation.INDICES,
    *stroke_variation.INDICES,
)
