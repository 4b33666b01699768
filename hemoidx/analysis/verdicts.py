"""A table of verdicts that shows its verdicts when it is printed."""

from __future__ import annotations

import shutil
from typing import Any

import pandas as pd

_KEYS = ("record_id", "channel")
_LEAST_WIDTH = 40
_BESIDE_REASONS = 45


class Verdicts(pd.DataFrame):
    """
    A DataFrame that is never shown without its verdicts.

    Notes
    -----
    pandas leaves out the columns in the middle of a table that is wider than the terminal, and here those are
    the verdicts. Shown are all columns, less the names of recording and channel where they are the same on
    every row; reasons are cut to the terminal. The table itself holds everything.
    """

    @property
    def _constructor(self) -> type[Verdicts]:
        return Verdicts

    def __repr__(self) -> str:
        width = max(_LEAST_WIDTH, shutil.get_terminal_size().columns - _BESIDE_REASONS)
        with pd.option_context(
            "display.max_columns", None, "display.expand_frame_repr", False, "display.max_colwidth", width
        ):
            return repr(self._short())

    def _repr_html_(self) -> Any:
        with pd.option_context("display.max_columns", None, "display.max_colwidth", None):
            return self._short()._repr_html_()  # type: ignore[operator]

    def _short(self) -> pd.DataFrame:
        same = [name for name in _KEYS if name in self and len(self) > 1 and self[name].nunique() == 1]
        return pd.DataFrame(self.drop(columns=same))
