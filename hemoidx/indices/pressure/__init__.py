"""Pressure and rate: what is read off every beat, rules of thumb, products, supply and demand."""

from __future__ import annotations

from . import mean_rules, products, readings, supply

INDICES = (
    *readings.INDICES,
    *mean_rules.INDICES,
    *products.INDICES,
    *supply.INDICES,
)
