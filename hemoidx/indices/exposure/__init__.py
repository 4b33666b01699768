"""Exposure: time, area and average beyond a threshold that the user sets."""

from __future__ import annotations

from . import entries

INDICES = (*entries.INDICES,)
