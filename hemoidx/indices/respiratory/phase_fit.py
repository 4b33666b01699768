"""Swing over the breath from every beat: robust regression on its phase, all windows at once."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

Float = NDArray[np.float64]
Int = NDArray[np.intp]
Bool = NDArray[np.bool_]

MOST_HARMONICS = 3
WORST_CONDITION = 2.0
"""
Condition number of the scaled columns beyond which a harmonic cannot be told from the others.

Simulated with breath phase known: 1.1 to 1.2 where the fit is good, 9 to 19 where the beats fall on the same
few phases breath after breath (4.0 beats a breath and two harmonics) and the swing comes out 3 to 7 points
too large.
"""
SPARE_BEATS = 4
"""Beats beyond the number of coefficients that a fit needs."""
HUBER_STEPS, BISQUARE_STEPS = 2, 3
LEAST_SCALE = 0.3
"""
Least scale of the residuals, in shares of the median deviation of the values themselves.

Three harmonics do not follow the quick rise of a ventilator's breath. Without such a bound the fit would take
its crest for outliers wherever noise is small.
"""
_HUBER, _BISQUARE = 1.345, 4.685
_MAD = 1.4826
_PHASES = np.arange(72) / 72.0
#: Windows that are fitted together: few enough to stay in the processor's memory.
_PIECE = 256


class PhaseFit(NamedTuple):
    """
    Fits of all windows, arrays of shape (n_windows,); NaN where there is none.

    Attributes
    ----------
    low, high : ndarray
        Lowest and highest point of the curve over a breath, at the middle of the window.
    se : ndarray
        Random standard error of their difference.
    scatter : ndarray
        Standard deviation of beats about the curve.
    harmonics : ndarray of int
        Harmonics of the breath in the curve, 0 where there is no fit.
    """

    low: Float
    high: Float
    se: Float
    scatter: Float
    harmonics: NDArray[np.intp]


def phase_fit(
    values: ArrayLike,
    phase: ArrayLike,
    time_s: ArrayLike,
    window_of_beat: ArrayLike,
    n_windows: int,
) -> PhaseFit:
    """
    Fit a curve over the phase of the breath to the beats of each window.

    Parameters
    ----------
    values : array_like, shape (n_beats,)
        One value a beat, such as pulse pressure. NaN leaves a beat out.
    phase : array_like, shape (n_beats,)
        Place of each beat in its breath, 0 to 1; NaN for a beat in no breath.
    time_s : array_like, shape (n_beats,)
        Time of each beat [s].
    window_of_beat : array_like of int, shape (n_beats,)
        Window of each beat; negative for none.
    n_windows : int
        Number of windows.

    Returns
    -------
    PhaseFit
        Without a value where beats are too few or fall on too few phases.

    Notes
    -----
    ``value = level + trend time + sum over h of (a_h cos 2 pi h phase + b_h sin 2 pi h phase)``, with as many
    harmonics, up to three, as the beats tell apart: the condition number of the columns, scaled to length
    one, must stay below 2, and four beats must be left over. Two steps of Huber's and three of the bisquare
    weights, scale from the median absolute deviation. Each harmonic is shrunk by what noise adds to its
    power, ``A**2 - var(a) - var(b)``. The standard error is that of an M-estimate, carried over to the
    difference of the two extreme phases.

    References
    ----------
    .. [1] Enevoldsen J, Simpson GL, Vistisen ST. Using generalized additive models to decompose time series
       and waveforms, and dissect heart-lung interaction physiology. J Clin Monit Comput 2022,
       doi:10.1007/s10877-022-00873-7 (a smooth curve over the breath beside a smooth trend, from all beats;
       title quoted from memory).
    .. [2] Huber PJ. Robust Statistics. Wiley 1981, chapter 7 (covariance of a regression M-estimate).
    """
    value, place, time = (np.asarray(v, dtype=np.float64) for v in (values, phase, time_s))
    window = np.asarray(window_of_beat)
    keep = np.flatnonzero(np.isfinite(value) & np.isfinite(place) & np.isfinite(time) & (window >= 0))
    keep = keep[np.argsort(window[keep], kind="stable")]
    row = window[keep].astype(np.intp)
    edges = np.append(np.arange(0, max(n_windows, 1), _PIECE), n_windows)
    found = []
    for first, last, begin, end in zip(*_pairs(edges), *_pairs(np.searchsorted(row, edges)), strict=True):
        some = keep[begin:end]
        found.append(
            _fit(_Beats.of(value[some], place[some], time[some], row[begin:end] - first, last - first))
        )
    return PhaseFit(*(np.concatenate(parts) for parts in zip(*found, strict=True)))


def _pairs(edges: Int) -> tuple[Int, Int]:
    return edges[:-1], edges[1:]


def _fit(beats: _Beats) -> PhaseFit:
    """Fit some windows."""
    gram = beats.gram(beats.inside)
    harmonics = _harmonics(gram, beats.size)
    used = np.arange(gram.shape[1]) < np.where(harmonics > 0, 2 + 2 * harmonics, 0)[:, None]
    spare = np.maximum(beats.size - used.sum(axis=1), 1)
    weight = beats.inside
    beta = beats.solve(weight, used)
    least = LEAST_SCALE * _median(np.abs(beats.value - _median(beats.value, beats)[:, None]), beats)
    for step in range(HUBER_STEPS + BISQUARE_STEPS):
        size = np.abs(beats.residual(beta))
        scale = _MAD * _median(size, beats) * np.sqrt(np.maximum(beats.size, 1) / spare)
        size /= np.maximum(np.maximum(scale, least), 1e-9)[:, None]
        weight = beats.inside * _weights(size, step < HUBER_STEPS)
        beta = beats.solve(weight, used)
    scatter = _scatter(beats.residual(beta), weight, beats.size, spare)
    covariance = scatter[:, None, None] ** 2 * _inverse(gram, used)
    return _extremes(beta, covariance, scatter, harmonics)


class _Beats(NamedTuple):
    """
    Beats of all windows side by side, one row a window, as wide as the fullest one.

    `inside` is 1 for a beat and 0 for padding; `design` holds the columns of the regression: one, time in
    half lengths about the middle of the window's beats, cosines and sines of the phase.
    """

    value: Float
    design: Float
    inside: Float
    size: Int

    @classmethod
    def of(cls, value: Float, place: Float, time: Float, row: Int, n: int) -> _Beats:
        """From beats in the order of their rows."""
        count = np.bincount(row, minlength=n).astype(np.intp)
        column = np.arange(row.size) - (np.cumsum(count) - count)[row]
        first, last = np.full(n, np.inf), np.full(n, -np.inf)
        np.minimum.at(first, row, time)
        np.maximum.at(last, row, time)
        half = np.maximum((last[row] - first[row]) / 2.0, 1e-9)
        columns = [np.ones(row.size), (time - (first[row] + last[row]) / 2.0) / half]
        turn = np.exp(2j * np.pi * place)
        harmonic = turn
        for _ in range(MOST_HARMONICS):
            columns += [harmonic.real, harmonic.imag]
            harmonic = harmonic * turn
        shape = (n, int(count.max(initial=0)))
        side = np.zeros(shape), np.zeros((*shape, len(columns))), np.zeros(shape)
        side[0][row, column], side[1][row, column], side[2][row, column] = value, np.stack(columns, 1), 1.0
        return cls(*side, count)

    def gram(self, weight: Float) -> Float:
        """Sums of weighted products of columns, one matrix a window."""
        return np.asarray(np.swapaxes(self.design * weight[:, :, None], 1, 2) @ self.design)

    def residual(self, beta: Float) -> Float:
        """What the curves leave of the values, 0 in the padding."""
        return np.asarray(self.inside * (self.value - (self.design @ beta[:, :, None])[:, :, 0]))

    def solve(self, weight: Float, used: Bool) -> Float:
        """Coefficients of the weighted fit, zero for columns that are not used."""
        gram = _masked(self.gram(weight), used)
        # A hair of the diagonal keeps a window solvable whose beats were all but weighted away.
        diagonal = np.einsum("ijj->ij", gram)
        diagonal *= 1.0 + 1e-9
        right = np.swapaxes(self.design, 1, 2) @ (weight * self.value)[:, :, None]
        return np.asarray(np.linalg.solve(gram, np.where(used[:, :, None], right, 0.0))[:, :, 0])


def _harmonics(gram: Float, count: Int) -> Int:
    """Most harmonics that the beats of each window tell apart."""
    length = np.sqrt(np.maximum(np.einsum("ijj->ij", gram), 1e-12))
    scaled = gram / (length[:, :, None] * length[:, None, :])
    found = np.zeros(count.size, dtype=np.intp)
    # Fewer columns are never worse conditioned than more (eigenvalues interlace): most are done at once.
    for h in range(MOST_HARMONICS, 0, -1):
        p = 2 + 2 * h
        left = np.flatnonzero((found == 0) & (count >= p + SPARE_BEATS))
        if left.size:
            spectrum = np.linalg.eigvalsh(scaled[left, :p, :p])
            found[left[spectrum[:, -1] < WORST_CONDITION**2 * spectrum[:, 0]]] = h
    return found


def _masked(gram: Float, used: Bool) -> Float:
    """Matrices with the identity in place of columns that are not used."""
    out = gram.copy()
    some = np.flatnonzero(~used.all(axis=1))
    both = used[some, :, None] & used[some, None, :]
    out[some] = np.where(both, gram[some], 0.0) + np.eye(used.shape[1]) * ~used[some, None, :]
    return out


def _inverse(gram: Float, used: Bool) -> Float:
    both = used[:, :, None] & used[:, None, :]
    return np.where(both, np.linalg.inv(_masked(gram, used)), 0.0)


def _median(side: Float, beats: _Beats) -> Float:
    """Median of each window's beats, 0 where it holds none."""
    if not side.shape[1]:
        return np.zeros(side.shape[0])
    ordered = np.sort(np.where(beats.inside > 0, side, np.inf), axis=1)
    rows, size = np.arange(side.shape[0]), np.maximum(beats.size, 1)
    middle = (ordered[rows, (size - 1) // 2] + ordered[rows, size // 2]) / 2.0
    return np.where(beats.size > 0, middle, 0.0)


def _weights(size: Float, huber: bool) -> Float:
    if huber:
        return _HUBER / np.maximum(size, _HUBER)
    return np.where(size < _BISQUARE, (1.0 - (size / _BISQUARE) ** 2) ** 2, 0.0)


def _scatter(residual: Float, weight: Float, count: Int, spare: Int) -> Float:
    """Standard deviation that the coefficients' covariance needs, by the last weights."""
    power = ((weight * residual) ** 2).sum(axis=1) / spare
    # For the bisquare, d psi / du = (1 - u^2)(1 - 5 u^2) with weight (1 - u^2)^2.
    near = np.sqrt(weight)
    slope = (near * (5.0 * near - 4.0)).sum(axis=1) / np.maximum(count, 1)
    return np.asarray(np.sqrt(power) / np.maximum(slope, 0.2))


def _shrunk(beta: Float, covariance: Float) -> Float:
    """Coefficients with the share that noise alone would give taken out of each harmonic's power."""
    out = beta.copy()
    for h in range(1, MOST_HARMONICS + 1):
        pair = slice(2 * h, 2 * h + 2)
        noise = covariance[:, 2 * h, 2 * h] + covariance[:, 2 * h + 1, 2 * h + 1]
        power = (beta[:, pair] ** 2).sum(axis=1)
        with np.errstate(invalid="ignore", divide="ignore"):
            share = np.sqrt(np.maximum(1.0 - np.where(power > 0, noise / power, 1.0), 0.0))
        out[:, pair] *= share[:, None]
    return out


def _extremes(beta: Float, covariance: Float, scatter: Float, harmonics: Int) -> PhaseFit:
    """Lowest and highest point of the curves, and the error of their difference."""
    orders = np.arange(1, MOST_HARMONICS + 1)[:, None] * (2.0 * np.pi * _PHASES)
    basis = np.stack([np.cos(orders), np.sin(orders)], axis=1).reshape(2 * MOST_HARMONICS, -1)
    # Phases of the curve before it is shrunk: one that noise has flattened still has its error.
    raw = beta[:, 2:] @ basis
    apart = (basis[:, raw.argmax(axis=1)] - basis[:, raw.argmin(axis=1)]).T
    variance = np.einsum("ij,ijk,ik->i", apart, covariance[:, 2:, 2:], apart)
    curve = beta[:, :1] + _shrunk(beta, covariance)[:, 2:] @ basis
    none = harmonics == 0
    low, high = np.where(none, np.nan, curve.min(axis=1)), np.where(none, np.nan, curve.max(axis=1))
    se = np.where(none, np.nan, np.sqrt(np.maximum(variance, 0.0)))
    return PhaseFit(low, high, se, np.where(none, np.nan, scatter), harmonics)
