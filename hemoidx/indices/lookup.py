"""How inputs and rules find their values: in the own table, in those below, or in what was documented."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from .catalogue import Catalogue, split_input
from .documented import Documented

if TYPE_CHECKING:
    from .level import Level

Float = NDArray[np.float64]
_CHAIN_COLUMN = re.compile(r"(\w+_line_error(_low|_high)?|static_error|static_error_se|gain_error_se)")
ContextLookup = Callable[[str, Float, Float], Documented]


def finder(
    catalogue: Catalogue,
    level: Level,
    below: Mapping[str, Level],
    extra: Mapping[str, Any],
    context: ContextLookup,
) -> Callable[[str], Any]:
    """
    Look up the inputs of indices above the beats; what comes from below is NaN where it was rejected.

    Parameters
    ----------
    catalogue : Catalogue
        The entries.
    level : Level
        The table that is being filled.
    below : mapping of str to Level
        Tables below it.
    extra : mapping of str to value
        What the vocabulary of the level names beside columns.
    context : callable
        Returns for a key, and start and end of rows [s], what was documented then.

    Returns
    -------
    callable
        Gives the value of an input by name.
    """

    def find(name: str) -> Any:
        table, column = split_input(name)
        there = below[table] if table else level
        if column.startswith("context."):
            return context(column.removeprefix("context."), there.time, there.end).value()
        if name in extra:
            return extra[name]
        column = column_name(catalogue, column)
        if not table:
            return level.column(column)
        return there.facts if column == "facts" else there.usable(column)

    return find


def column_name(catalogue: Catalogue, word: str) -> str:
    """Column behind the name of an index, of its standard error, or of a column."""
    base = word.removesuffix("_se")
    if word in catalogue:
        return catalogue[word].column
    return f"{catalogue[base].column}_se" if base in catalogue else word


def columns_of(
    catalogue: Catalogue, column: Callable[[str], Float], context: ContextLookup, start: Float, end: Float
) -> Callable[[str], NDArray[Any] | Documented]:
    """
    Columns as rules ask for them: by index or column name, or from the context while the row lasted.

    Parameters
    ----------
    catalogue : Catalogue
        The entries.
    column : callable
        Returns an unmasked column of the table.
    context : callable
        Returns for a key, and start and end of rows [s], what was documented then.
    start, end : ndarray, shape (n_rows,)
        Where the rows begin and end [s]; a beat is asked of at its onset.
    """
    from . import default_catalogue

    def find(name: str) -> NDArray[Any] | Documented:
        if name.startswith("context."):
            return context(name.removeprefix("context."), start, end)
        if name not in catalogue and (_CHAIN_COLUMN.fullmatch(name) or name in default_catalogue()):
            # A catalogue of a user's own may lack what rules of ours ask for: nothing is then known of it.
            return np.full(np.shape(start), np.nan)
        return column(column_name(catalogue, name))

    return find
