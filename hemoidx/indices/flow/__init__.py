"""What a documented flow allows: resistance, power, compliance, elastance; body size."""

from __future__ import annotations

from . import body, entries

INDICES = (
    *entries.INDICES,
    *body.INDICES,
)
