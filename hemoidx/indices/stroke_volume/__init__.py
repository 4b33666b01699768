"""Published estimators of stroke volume from the pulse, relative, and calibrated against a reference."""

from __future__ import annotations

from . import calibrated_entries, entries

INDICES = (
    *entries.INDICES,
    *calibrated_entries.INDICES,
)
