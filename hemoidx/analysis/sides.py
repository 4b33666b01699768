"""One index over one stretch of time: its value, its error, and why there is none."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
from numpy.typing import NDArray

from ..indices.index import Index
from ..indices.windows import LEAST_BEATS, LEAST_VALID, Groups, blocks_of, covered, statistic

if TYPE_CHECKING:
    from .result import Analysis

Float = NDArray[np.float64]


class Side(NamedTuple):
    """Value of a stretch, its standard error, the number of rows behind it, and why there is none."""

    value: float
    se: float
    n: int
    reason: str


NOTHING = Side(math.nan, math.nan, 0, "")


class Rows:
    """
    Rows of the table of an index, ready to be asked for one stretch after the other.

    Parameters
    ----------
    result : Analysis
        The analysis.
    index : Index
        An index of beats, breaths or windows.
    """

    def __init__(self, result: Analysis, index: Index) -> None:
        frame = getattr(result, index.table)
        start = frame["onset_s" if index.level == "beat" else "start_s"].to_numpy(np.float64)
        self.index = index
        self.start: Float = start
        self.end: Float = frame["end_s"].to_numpy(np.float64)
        self.value: Float = frame[index.column].to_numpy(np.float64)
        self.block: NDArray[np.int64] = np.arange(start.size, dtype=np.int64)
        self.se: Float | None = None
        if index.level == "window" and index.has_se:
            self.se = frame[f"{index.column}_se"].to_numpy(np.float64)
        if index.level == "beat":
            breaths = np.append(result.breaths["start_s"].to_numpy(np.float64), np.nan)
            row = frame["breath"].to_numpy(np.int64)
            self.block = blocks_of(start, np.where(row >= 0, breaths[row], np.nan))

    def between(self, first: float, last: float) -> Side:
        """
        Take the rows that lie within a stretch.

        Parameters
        ----------
        first, last : float
            The stretch [s].

        Returns
        -------
        Side
            By the statistic that makes a value of a window out of beats or breaths; for windows their mean.
        """
        low, high = np.searchsorted(self.start, (first, last))
        inside = slice(int(low), int(high))
        kept = ~(self.end[inside] > last)
        value, start, end = (column[inside][kept] for column in (self.value, self.start, self.end))
        known = np.isfinite(value)
        n = int(np.count_nonzero(known))
        if self.index.level == "window":
            return self._of_windows(value, n, inside, kept)
        if n < LEAST_BEATS:
            return NOTHING._replace(n=n, reason=f"fewer than {LEAST_BEATS} {self.index.table} have a value")
        if self.index.level == "beat":
            timed = known & np.isfinite(end)
            share = covered(np.array([first]), np.array([last]), start[timed], end[timed])[0] / (last - first)
            # A beat across either edge belongs to neither side.
            edges = 2.0 * float(np.median(end[timed] - start[timed])) / (last - first) if timed.any() else 0.0
            if share < LEAST_VALID - min(edges, 0.2):
                why = f"accepted beats cover less than {100 * LEAST_VALID:g} % of the window"
                return NOTHING._replace(n=n, reason=why)
        kind = "mean" if self.index.window == "none" else self.index.window
        groups = Groups(np.zeros(value.size, dtype=np.intp), self.block[inside][kept], 1)
        found, se = statistic(kind, value, end - start, groups)
        return Side(float(found[0]), float(se[0]), n, "")

    def _of_windows(self, value: Float, n: int, inside: slice, kept: NDArray[np.bool_]) -> Side:
        """Mean over whole windows; its error from theirs, else from their scatter."""
        if n < max(1, value.size):
            why = "holds a window without a value" if value.size else "holds no whole window of 30 s"
            return NOTHING._replace(n=n, reason=why)
        se = math.nan
        if self.se is not None:
            se = float(np.sqrt(np.sum(self.se[inside][kept] ** 2)) / n)
        elif n >= LEAST_BEATS:
            se = float(np.std(value, ddof=1) / math.sqrt(n))
        return Side(float(np.mean(value)), se, n, "")
