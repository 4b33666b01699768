"""Arithmetic around fractional sample positions: gathering, local fits, integrals between two positions.

Everything here is vectorised over positions and independent of how a long wave is cut into pieces,
so that a value does not depend on the piece it was computed in.
"""

from __future__ import annotations

import threading
import weakref
from functools import lru_cache
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

Float = NDArray[np.float64]
Int = NDArray[np.int64]
Wave = NDArray[np.floating]


def nearest(position: ArrayLike) -> tuple[Int, NDArray[np.bool_]]:
    """Nearest sample number of each position, and which positions are numbers (the others get sample 0)."""
    pos = np.asarray(position, dtype=np.float64)
    known = np.isfinite(pos)
    return np.rint(np.where(known, pos, 0.0)).astype(np.int64), known


def around(wave: Wave, centre: Int, before: int, after: int) -> Wave:
    """
    Gather `before + 1 + after` samples around each centre.

    Parameters
    ----------
    wave : ndarray, shape (n_samples,)
        The samples.
    centre : ndarray of int, shape (n,)
        Sample numbers.
    before, after : int
        How many samples on each side.

    Returns
    -------
    ndarray, shape (n, before + 1 + after)
        Samples in the wave's own precision, whole numbers as floats; a position beyond either end of the
        wave is NaN.
    """
    # Only what is gathered is converted, never the whole wave.
    precision = wave.dtype if wave.dtype.kind == "f" else np.result_type(wave.dtype, np.float32)
    start = np.asarray(centre, dtype=np.int64) - before
    width = before + 1 + after
    if not start.size:
        return np.empty((0, width), dtype=precision)
    if start.min() >= 0 and start.max() + width <= wave.size:
        # Whole rows of a sliding view are copied at once; single samples by number take four times as long.
        return np.asarray(np.lib.stride_tricks.sliding_window_view(wave, width)[start], dtype=precision)
    index = start[:, None] + np.arange(width)
    outside = (index < 0) | (index >= wave.size)
    out = wave[np.clip(index, 0, max(wave.size - 1, 0))].astype(precision, copy=False)
    out[outside] = np.nan
    return np.asarray(out)


@lru_cache(maxsize=64)
def polynomial_kernel(half: int, order: int, derivative: int = 0) -> Float:
    """
    Weights of the least-squares polynomial value or derivative at the middle of `2 half + 1` samples.

    Parameters
    ----------
    half : int
        Samples on each side of the middle.
    order : int
        Order of the polynomial, at most ``2 * half``.
    derivative : int
        0, 1 or 2.

    Returns
    -------
    ndarray, shape (2 * half + 1,)
        Correlation weights, per sample to the power of `derivative`.

    References
    ----------
    .. [1] Savitzky A, Golay MJE. Smoothing and differentiation of data by simplified least squares
       procedures. Anal Chem 1964;36:1627-1639.
    """
    powers = np.vander(np.arange(-half, half + 1, dtype=np.float64), order + 1, increasing=True)
    factor = (1.0, 1.0, 2.0)[derivative]
    return np.asarray(factor * np.linalg.pinv(powers)[derivative], dtype=np.float64)


def derivative_half_width(fs: float, span_s: float = 0.056) -> int:
    """Samples on each side of a derivative window of about `span_s` [s]; at least two, for order 4."""
    return max(2, round(0.5 * span_s * fs))


def vertex(left: ArrayLike, middle: ArrayLike, right: ArrayLike) -> Float:
    """
    Offset of the extremum of the parabola through three neighbouring samples.

    Returns
    -------
    ndarray
        Between -0.5 and 0.5 samples; 0 where the three lie on a line.
    """
    a, b, c = (np.asarray(v, dtype=np.float64) for v in (left, middle, right))
    with np.errstate(invalid="ignore", divide="ignore"):
        offset = 0.5 * (a - c) / (a - 2.0 * b + c)
    return np.where(np.isfinite(offset), np.clip(offset, -0.5, 0.5), 0.0)


def value_at(wave: NDArray[np.floating], position: ArrayLike) -> Float:
    """Value at fractional positions by linear interpolation; NaN for a NaN position or outside the wave."""
    pos = np.asarray(position, dtype=np.float64)
    known = (pos >= 0) & (pos <= wave.size - 1)
    safe = np.where(known, pos, 0.0)
    if not wave.size:
        return np.where(known, np.nan, np.nan)
    low = safe.astype(np.int64)
    part = safe - low
    # On a sample its neighbour does not count, and may be missing.
    right = wave[np.minimum(low + 1, wave.size - 1)]
    between = np.where(part > 0, wave[low] * (1.0 - part) + right * part, wave[low])
    return np.where(known, between, np.nan)


def integral(wave: NDArray[np.floating], start: ArrayLike, stop: ArrayLike) -> Float:
    """
    Trapezoidal integral of the wave between fractional positions.

    Parameters
    ----------
    wave : ndarray, shape (n_samples,)
        Evenly sampled values.
    start, stop : array_like, shape (n,)
        Positions in samples, `start` increasing, each stretch ending before or where the next begins.

    Returns
    -------
    ndarray, shape (n,)
        Value x samples; NaN where a position is NaN or outside, where ``stop <= start``, or where the
        stretch holds a sample that is NaN or beyond 1e9.

    Examples
    --------
    >>> integral(np.array([0.0, 2.0, 4.0, 6.0]), [0.5], [2.5])
    array([6.])
    """
    wave = np.asarray(wave)
    a = np.asarray(start, dtype=np.float64)
    b = np.asarray(stop, dtype=np.float64)
    with np.errstate(invalid="ignore"):
        good = (a >= 0) & (b <= wave.size - 1) & (b > a)
    out = np.full(a.shape, np.nan)
    if not good.any():
        return out
    a, b = a[good], b[good]
    edge = np.column_stack([a, b]).astype(np.int64).ravel()
    if wave.flags.writeable and _sensible(wave) and np.all(np.diff(edge) >= 0):
        # Asked once: sums over each stretch take less than running sums over all.
        found = _between(wave, edge)
    else:
        sums = _running_sums(wave)
        found = sums.total[edge[1::2]] - sums.total[edge[::2]]
        if sums.missing is not None:
            first, last = edge[::2], np.ceil(b).astype(np.int64)
            before = np.where(first > 0, sums.missing[np.maximum(first - 1, 0)], 0)
            found[sums.missing[last] > before] = np.nan
    out[good] = found + (_beyond(wave, b) - _beyond(wave, a))
    return out


def _between(wave: NDArray[np.floating], edge: Int) -> Float:
    """Sums of the samples behind the first up to and with the second of each pair of `edge`."""
    begin = edge + 1
    # A last stretch that runs to the last sample ends by itself.
    total = np.add.reduceat(wave, begin[:-1] if begin[-1] == wave.size else begin, dtype=np.float64)[::2]
    return np.where(edge[1::2] > edge[::2], total, 0.0)


class _Sums(NamedTuple):
    """Sums up to and with each sample, missing samples as 0, and how many of those there are up to it."""

    total: Float
    missing: NDArray[np.int64] | None


def _running_sums(wave: NDArray[np.floating]) -> _Sums:
    """
    Sums up to each sample; of an array that nobody can write to they are kept for the next call.

    Half an hour of pressure sums to some 1e7: what the differences of such sums lose is 1e-9 mmHg.
    """
    kept = getattr(_KEPT, "sums", None)
    if kept is not None and kept[0]() is wave:
        found: _Sums = kept[1]
        return found
    values = wave.astype(np.float64, copy=False)
    missing: NDArray[np.int64] | None = None
    # A number beyond all sense would spoil what is left of the differences behind it: it counts as missing.
    if not _sensible(values):
        gone = ~(np.abs(values) < _SENSE)
        missing = np.cumsum(gone, dtype=np.int64)
        values = np.where(gone, 0.0, values)
    total = np.cumsum(values)
    sums = _Sums(total, missing)
    if not wave.flags.writeable:
        _KEPT.sums = (weakref.ref(wave), sums)
    return sums


_KEPT = threading.local()
_SENSE = 1e9


def _sensible(values: NDArray[np.floating]) -> bool:
    """Whether all samples are numbers within all sense."""
    return bool(values.min() > -_SENSE and values.max() < _SENSE)


def _beyond(wave: NDArray[np.floating], position: Float) -> Float:
    """What a trapezoidal integral up to fractional positions has beyond the sum up to the sample before."""
    low = position.astype(np.int64)
    part = position - low
    here = wave[low].astype(np.float64)
    # On a sample its neighbour does not count, and may be missing.
    rise = np.where(part > 0, wave[np.minimum(low + 1, wave.size - 1)] - here, 0.0)
    return np.asarray(part * (here + 0.5 * part * rise) - 0.5 * here)


def rolling_quantile(value: Float, half: int, q: float, every: int = 1) -> Float:
    """
    Quantile of the known values among each value and its neighbours.

    Parameters
    ----------
    value : ndarray, shape (n,)
        Values, NaN where unknown.
    half : int
        Neighbours on each side.
    q : float
        0 to 1; the value at that place of the sorted known ones, not interpolated.
    every : int
        Compute it at every so manieth value and let it stand for those that follow: enough for a level.

    Returns
    -------
    ndarray, shape (n,)
        NaN where no value is known.
    """
    if not value.size:
        return np.zeros(0)
    size = 2 * half + 1
    known = np.isfinite(value)
    count = span_sums(running_total(known), half)[::every]
    place = int(q * (size - 1))
    # Windows without a gap, nearly all, have the same place.
    whole = count == size
    window = np.lib.stride_tricks.sliding_window_view(np.pad(value, half, constant_values=np.nan), size)
    window = window[::every]
    out = np.empty(window.shape[0])
    if every == 1 and whole.any():
        from scipy.ndimage import rank_filter

        # It keeps one sorted window and moves it: cheaper unless most of the windows are left out.
        out[whole] = rank_filter(np.where(known, value, 0.0), place, size)[whole]
    else:
        out[whole] = np.sort(window[whole], axis=1)[:, place]
    rest = np.sort(window[~whole], axis=1)
    places = np.floor(q * np.maximum(count[~whole] - 1, 0)).astype(np.int64)
    picked = rest[np.arange(rest.shape[0]), places]
    out[~whole] = np.where(count[~whole] > 0, picked, np.nan)
    return out if every == 1 else np.repeat(out, every)[: value.size]


def running_total(value: NDArray[np.generic]) -> NDArray[Any]:
    """Sum of all values before each place, one more than there are values; whole numbers for a mask."""
    precision = np.float64 if value.dtype.kind == "f" else np.int64
    total = np.zeros(value.size + 1, dtype=precision)
    np.cumsum(value, dtype=precision, out=total[1:])
    return total


def span_sums(total: NDArray[Any], half: int) -> NDArray[Any]:
    """Sum of each value and its neighbours, `half` on each side as far as there are any, from their total."""
    size = total.size - 1
    reach = min(half, size)
    last = np.concatenate([total[reach + 1 :], np.repeat(total[-1:], reach)])
    last[reach:] -= total[: size - reach]
    return last


def correlated(rows: Wave, kernel: NDArray[np.floating]) -> Wave:
    """
    Weighted sums of neighbouring columns, wherever the whole kernel fits.

    Parameters
    ----------
    rows : ndarray, shape (n, n_columns)
        One stretch a row.
    kernel : ndarray, shape (n_weights,)
        Weights; their precision decides that of the result, unless that of the rows is higher.

    Returns
    -------
    ndarray, shape (n_columns - n_weights + 1, n)
        One stretch a column: what is done with all rows at once runs over long stretches of memory.
    """
    columns = np.ascontiguousarray(rows.T, dtype=np.result_type(rows, kernel))
    size = columns.shape[0] - kernel.size + 1
    out = kernel[0] * columns[:size]
    for k in range(1, kernel.size):
        out += kernel[k] * columns[k : k + size]
    return np.asarray(out)


def neighbour_means(rows: Wave, size: int) -> Wave:
    """Means of `size` neighbouring columns, one stretch a column as `correlated` has them."""
    if size < 8:
        return np.asarray(correlated(rows, np.ones(size, dtype=rows.dtype)) / rows.dtype.type(size))
    # From eight numbers on the sum in pairs is more exact than one after the other.
    return np.asarray(np.lib.stride_tricks.sliding_window_view(rows, size, axis=1).mean(axis=2).T)
