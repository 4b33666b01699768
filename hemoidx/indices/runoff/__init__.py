"""From the notch on: its height, the downslope, and the time constant of the decay."""

from __future__ import annotations

from . import decay, diastole, thirds

INDICES = (
    *diastole.INDICES,
    *thirds.INDICES,
    *decay.INDICES,
)
