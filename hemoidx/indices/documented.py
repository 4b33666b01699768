"""What was documented while the rows of a table lasted: values over time, and the rows that lie over them."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

Float = NDArray[np.float64]
Bool = NDArray[np.bool_]

#: Where it was said of any part of a row, it counts for the row.
_COUNTS_FOR_ALL = "yes"


@dataclass(frozen=True)
class Steps:
    """
    A documented value over time, constant between steps.

    Attributes
    ----------
    edges : ndarray, shape (n_edges,)
        Times of the steps, increasing [s].
    values : ndarray, shape (n_edges + 1,)
        What holds before the first edge, from each edge on, NaN (None for words) where nobody said anything.
        Neighbours differ.
    """

    edges: Float
    values: NDArray[Any]

    def over(self, start: ArrayLike, end: ArrayLike) -> Documented:
        """
        Look at rows from `start` up to `end`.

        Parameters
        ----------
        start, end : array_like, shape (n_rows,)
            Where the rows begin and end [s]; a row that ends where it begins is a moment.

        Returns
        -------
        Documented
            What holds somewhere in each row.
        """
        begin, stop = np.asarray(start, dtype=np.float64), np.asarray(end, dtype=np.float64)
        first = np.searchsorted(self.edges, begin, side="right")
        last = np.maximum(np.searchsorted(self.edges, stop, side="left"), first)
        return Documented(self, begin, stop, first, last)

    @cached_property
    def area(self) -> Float:
        """Integral of numbers up to each edge, from the first one on; unknown stretches count as 0."""
        return np.concatenate([[0.0], np.cumsum(np.diff(self.edges) * np.nan_to_num(self.values[1:-1]))])

    def integral(self, time: Float, piece: NDArray[np.intp]) -> Float:
        """Integral up to times of which the piece is known, from the first edge on."""
        left = np.maximum(piece - 1, 0)
        gone = np.nan_to_num(self.values[piece]) * (time - self.edges[left])
        return np.asarray(self.area[left] + gone)


@dataclass(frozen=True)
class Documented:
    """
    What was documented while each row lasted.

    Attributes
    ----------
    steps : Steps
        The value over time.
    start, end : ndarray, shape (n_rows,)
        The rows [s].
    first, last : ndarray of int, shape (n_rows,)
        First and last piece of `steps` that each row touches.
    """

    steps: Steps
    start: Float
    end: Float
    first: NDArray[np.intp]
    last: NDArray[np.intp]

    def anywhere(self, holds: Bool) -> Bool:
        """Rows that touch a piece of which something holds (shape (n_pieces,)), however short it is."""
        upto = np.concatenate([[0], np.cumsum(holds)])
        return np.asarray(upto[self.last + 1] > upto[self.first])

    def value(self) -> NDArray[Any]:
        """
        One value a row, as formulas take it.

        Returns
        -------
        ndarray, shape (n_rows,)
            A number: its mean over the time of the row, NaN where it is unknown for a part of it. A word: the
            one that holds throughout, None where it changes; but "yes" wherever it was said of a part.
        """
        values = self.steps.values
        found: NDArray[Any] = values[self.first]
        mixed = self.first != self.last
        if not mixed.any():
            return found
        if values.dtype == object:
            found[mixed] = None
            found[self.anywhere(np.array([value == _COUNTS_FOR_ALL for value in values]))] = _COUNTS_FOR_ALL
            return found
        start, end = self.start[mixed], self.end[mixed]
        area = self.steps.integral(end, self.last[mixed]) - self.steps.integral(start, self.first[mixed])
        found[mixed] = np.where(self.anywhere(np.isnan(values))[mixed], np.nan, area / (end - start))
        return found
