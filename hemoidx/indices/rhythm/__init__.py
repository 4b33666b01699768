"""Rhythm: irregular intervals, premature beats and what follows them, alternans."""

from __future__ import annotations

from . import alternans, ectopy, intervals, pattern, postectopic

INDICES = (
    *intervals.INDICES,
    *pattern.INDICES,
    *ectopy.INDICES,
    *postectopic.INDICES,
    *alternans.INDICES,
)
