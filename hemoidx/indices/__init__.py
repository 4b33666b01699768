"""Indices: pure functions of arrays, and the catalogue that says what they are and when they hold."""

from __future__ import annotations

from functools import lru_cache

from .catalogue import Catalogue
from .index import Index

__all__ = ["Catalogue", "Index", "default_catalogue"]


@lru_cache(maxsize=1)
def default_catalogue() -> Catalogue:
    """
    Return the catalogue of hemoidx.

    Returns
    -------
    Catalogue
        All entries, in the order in which the tables show them.

    Examples
    --------
    >>> [index.name for index in default_catalogue()][:3]
    ['sbp', 'dbp', 'mbp']
    """
    from . import (
        area,
        body,
        breathing,
        calibrated_entries,
        chain,
        flow_entries,
        pressure,
        stroke_volume_entries,
        upstroke,
    )

    stroke_volume = (stroke_volume_entries, calibrated_entries, flow_entries, body)
    modules = (pressure, upstroke, area, breathing, *stroke_volume, chain)
    return Catalogue(tuple(index for module in modules for index in module.INDICES))
