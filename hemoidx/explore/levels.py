"""A long wave seen from any distance: what cannot be seen is not drawn, and no peak is lost."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..plot.decimate import thin

Wave = NDArray[np.floating[Any]]
_BLOCK = 256
_BINS = 1100


class Levels:
    """
    Lowest and highest value of each block of samples, made once.

    Parameters
    ----------
    wave : ndarray, shape (n_samples,)
        The samples, NaN in gaps.
    """

    def __init__(self, wave: Wave) -> None:
        self.wave = wave
        starts = np.arange(0, max(wave.size, 1), _BLOCK)
        if wave.size:
            low, high = np.fmin.reduceat(wave, starts), np.fmax.reduceat(wave, starts)
        else:
            low = high = np.zeros(0)
        self._centre = starts[: low.size] + 0.5 * _BLOCK
        self._low, self._high = low, high

    def between(self, first: int, last: int) -> tuple[NDArray[np.float64], Wave]:
        """
        Points to draw for the samples from `first` up to `last`.

        Returns
        -------
        position, value : ndarray, shape (n_points,)
            Sample numbers and values, to be joined by a line; at most some two thousand.
        """
        first, last = max(first, 0), min(last, self.wave.size)
        if last <= first:
            return np.zeros(0), np.zeros(0)
        if last - first <= 4 * _BLOCK * _BINS:
            position = np.arange(first, last, dtype=np.float64)
            at, value = thin(position, self.wave[first:last], _BINS)
            return np.asarray(at, dtype=np.float64), value
        blocks = slice(first // _BLOCK, -(-last // _BLOCK))
        low, high, centre = self._low[blocks], self._high[blocks], self._centre[blocks]
        edges = np.linspace(0, low.size, _BINS + 1).astype(np.int64)[:-1]
        value = np.column_stack([np.fmin.reduceat(low, edges), np.fmax.reduceat(high, edges)]).ravel()
        return np.repeat(centre[edges], 2), value
