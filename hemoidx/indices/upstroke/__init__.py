"""The upstroke and ejection: how fast pressure rises, and how long the valve is open."""

from __future__ import annotations

from . import ejection, rise

INDICES = (
    *rise.INDICES,
    *ejection.INDICES,
)
