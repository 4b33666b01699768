"""Indices: pure functions of arrays, and the catalogue that says what they are and when they hold."""

from __future__ import annotations

from functools import lru_cache
from importlib import import_module

from .catalogue import Catalogue
from .index import Index

__all__ = ["Catalogue", "Index", "default_catalogue"]

#: Families, folders and modules that hold entries, in the order in which the tables show them.
FAMILIES = (
    "pressure",
    "upstroke",
    "area",
    "runoff",
    "respiratory",
    "rhythm",
    "stroke_volume",
    "flow",
    "exposure",
    "chain",
)


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
    modules = [import_module(f"{__name__}.{name}") for name in FAMILIES]
    return Catalogue(tuple(index for module in modules for index in module.INDICES))
