"""Joint fit of one exponential with a free asymptote to the diastolic decays of a window."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import pairwise
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from ...samples import Float

Int = NDArray[np.intp]

#: Beats that a joint fit needs.
LEAST_JOINT = 10
#: Decays shorter than this [s] do not count: a ripple of 1 mmHg passes for a short time constant there.
LEAST_DECAY_S = 0.25
#: Twice its standard error may be this share of the time constant; beyond, nothing was found.
WIDEST = 0.3
#: Time constants outside these bounds [s] are no answer.
BOUNDS_S = (0.05, 5.0)
#: Beats within so many seconds are counted as one observation in the standard error: about a breath.
BLOCK_S = 5.0
_LEAST_BLOCKS = 4
#: Beats computed at once.
_PIECE = 8000
#: Steps of the fit, the longest one and the last one that counts as settled, in logarithms of tau.
_STEPS = 12
_LONGEST = 0.7
_SETTLED = 1e-3


class _Decays(NamedTuple):
    """Usable decays: means of three equal parts, shape (3, n), their length over three, and their window."""

    means: Float
    third: Float
    starts: Int
    row: Int
    block: Int

    def total(self, values: Float) -> Float:
        """Sums over the beats of each window, last axis."""
        return np.add.reduceat(values, self.starts, axis=-1)

    def of(self, windows: Int) -> _Decays:
        """The decays of some windows only, by number, in order."""
        if windows.size == self.starts.size:
            return self
        chosen = np.zeros(self.starts.size, dtype=bool)
        chosen[windows] = True
        keep = self.spread(chosen)
        count = np.diff(np.append(self.starts, self.third.size))[windows]
        starts = np.cumsum(count) - count
        return _Decays(self.means[:, keep], self.third[keep], starts, self.row[windows], self.block[keep])

    def spread(self, values: NDArray[Any]) -> NDArray[Any]:
        """Give each beat the value of its window."""
        return np.repeat(values, np.diff(np.append(self.starts, self.third.size)), axis=-1)


def _usable(
    early: Float, middle: Float, late: Float, time: Float, onset_s: Float, window: Int
) -> _Decays | None:
    with np.errstate(invalid="ignore"):
        keep = np.isfinite(early + middle + late) & (time >= LEAST_DECAY_S) & (window >= 0)
    count = np.bincount(window[keep], minlength=1)
    keep[keep] = count[window[keep]] >= LEAST_JOINT
    if not keep.any():
        return None
    group = window[keep]
    starts = np.flatnonzero(np.diff(group, prepend=-1))
    block = np.floor(onset_s[keep] / BLOCK_S).astype(np.intp)
    return _Decays(np.stack([early, middle, late])[:, keep], time[keep] / 3.0, starts, group[starts], block)


class _Step(NamedTuple):
    """Normal equations of each beat in (asymptote, log of the time constant), amplitude taken out."""

    h11: Float
    h12: Float
    h22: Float
    g1: Float
    g2: Float


def _normal(decays: _Decays, tau: Float, level: Float) -> _Step:
    """
    One Gauss-Newton step, by variable projection: each beat's own amplitude is eliminated.

    With e = (1, r, r^2) the decay over the thirds, d = de / d ln(tau) and M the projection across e, the
    model is level + a e. The derivatives that count are M 1 and a M d.
    """
    p = decays.means - decays.spread(level)
    x = decays.third / decays.spread(tau)
    r = np.exp(-x)
    r2 = r * r
    d1, d2 = x * r, 2.0 * x * r2
    ee = 1.0 + r2 + r2 * r2
    e1 = 1.0 + r + r2
    ed = r * d1 + r2 * d2
    amplitude = (p[0] + r * p[1] + r2 * p[2]) / ee
    a_over = amplitude * (d1 + d2 - e1 * ed / ee)
    return _Step(
        3.0 - e1 * e1 / ee,
        a_over,
        amplitude**2 * (d1 * d1 + d2 * d2 - ed * ed / ee),
        p[0] + p[1] + p[2] - amplitude * e1,
        amplitude * (d1 * p[1] + d2 * p[2] - amplitude * ed),
    )


def _solve(h: Float, g: Float) -> tuple[Float, Float]:
    """Solve the 2 x 2 systems of all windows: rows of `h` are 11, 12, 22."""
    with np.errstate(invalid="ignore", divide="ignore"):
        det = h[0] * h[2] - h[1] ** 2
        return (h[2] * g[0] - h[1] * g[1]) / det, (h[0] * g[1] - h[1] * g[0]) / det


def _settle(decays: _Decays) -> tuple[Float, Float]:
    """Time constant and asymptote of each window by Gauss-Newton; NaN where it does not settle."""
    # A geometric series through the falls from third to third, all beats together, is close already.
    first, second = decays.total(decays.means[:-1] - decays.means[1:])
    n = decays.total(np.ones(decays.third.size))
    with np.errstate(invalid="ignore", divide="ignore"):
        ratio = np.clip(np.where(first > 0, second / first, 0.5), 0.05, 0.95)
    tau = np.clip(-decays.total(decays.third) / n / np.log(ratio), *BOUNDS_S)
    level = (decays.total(decays.means[2]) - second * ratio / (1.0 - ratio)) / n
    moving = np.arange(tau.size)
    for _ in range(_STEPS):
        # Only windows that still move are computed: most settle within four steps.
        part = decays.of(moving)
        step = part.total(np.stack(_normal(part, tau[moving], level[moving])))
        up, longer = _solve(step[:3], step[3:])
        with np.errstate(divide="ignore", invalid="ignore"):
            damped = np.minimum(1.0, _LONGEST / np.abs(longer))
            level[moving] += damped * up
            tau[moving] = np.clip(tau[moving] * np.exp(damped * longer), *BOUNDS_S)
            moving = moving[np.abs(longer) > _SETTLED]
        if not moving.size:
            break
    tau[moving] = np.nan
    tau[(tau <= BOUNDS_S[0]) | (tau >= BOUNDS_S[1])] = np.nan
    return tau, np.where(np.isnan(tau), np.nan, level)


def _errors(decays: _Decays, tau: Float, level: Float) -> tuple[Float, Float]:
    """Standard errors of asymptote and logarithm of the time constant: sandwich over stretches of 5 s."""
    last = np.stack(_normal(decays, tau, level))
    window = decays.spread(np.arange(tau.size))
    blocks = np.flatnonzero(np.diff(decays.block, prepend=-1) | np.diff(window, prepend=-1))
    of_window = window[blocks]
    n = np.bincount(of_window, minlength=tau.size)
    by = _solve(decays.total(last[:3])[:, of_window], np.add.reduceat(last[3:], blocks, axis=-1))
    with np.errstate(invalid="ignore", divide="ignore"):
        inflate = np.where(n >= _LEAST_BLOCKS, n / (n - 1.0), np.nan)
        level_se, tau_se = (np.sqrt(inflate * np.bincount(of_window, v**2, tau.size)) for v in by)
    return level_se, tau_se


def _pieces(decays: _Decays) -> Iterator[_Decays]:
    """Runs of whole windows, short enough for the arithmetic to stay in the processor's memory."""
    edges = np.arange(0, decays.third.size, _PIECE)
    cuts = np.unique(np.append(np.searchsorted(decays.starts, edges), decays.starts.size))
    ends = np.append(decays.starts, decays.third.size)
    for first, last in pairwise(cuts):
        beats = slice(ends[first], ends[last])
        starts = decays.starts[first:last] - ends[first]
        yield _Decays(
            decays.means[:, beats], decays.third[beats], starts, decays.row[first:last], decays.block[beats]
        )


class JointDecay(NamedTuple):
    """
    Fit of each window, arrays of shape (n_windows,).

    Attributes
    ----------
    tau, tau_se : ndarray
        Time constant and its random standard error [s].
    asymptote, asymptote_se : ndarray
        Asymptote and its random standard error [mmHg].
    """

    tau: Float
    asymptote: Float
    tau_se: Float
    asymptote_se: Float


def joint_decay(
    runoff_early: Float,
    runoff_middle: Float,
    runoff_late: Float,
    runoff_time: Float,
    onset_s: Float,
    window_of_beat: Int,
    n_windows: int,
) -> JointDecay:
    """
    Fit one time constant and one asymptote to the decays of a window, each with its own amplitude.

    Parameters
    ----------
    runoff_early, runoff_middle, runoff_late : ndarray, shape (n_beats,)
        Mean pressure in the thirds of the decay [mmHg]; NaN leaves the beat out.
    runoff_time : ndarray, shape (n_beats,)
        Length of the decay [s].
    onset_s : ndarray, shape (n_beats,)
        Foot of the beats [s], increasing.
    window_of_beat : ndarray of int, shape (n_beats,)
        Window of each beat, not decreasing over the beats of windows; -1 for none.
    n_windows : int
        Number of windows.

    Returns
    -------
    JointDecay
        NaN with fewer than ten decays of 0.25 s or four stretches of 5 s that hold
        one, where the fit does not settle between 0.05 and 5 s, or where twice the standard error exceeds
        30 % of tau.

    Notes
    -----
    P = P_inf + A exp(-t / tau), least squares over the means of three equal parts of each decay, amplitudes
    eliminated (variable projection), Gauss-Newton from the ratio of the two falls. Standard error from the
    scatter of the beats' contributions summed over 5 s (sandwich), so that breathing is not taken for chance;
    with the six stretches of a window 2.6 of it make an interval of 95 %. Long and short pauses help:
    they tell the asymptote from the time constant.

    References
    ----------
    .. [1] Golub GH, Pereyra V. The differentiation of pseudo-inverses and nonlinear least squares problems
       whose variables separate. SIAM J Numer Anal 1973;10:413-432 (from memory).
    """
    out = np.full((4, n_windows), np.nan)
    decays = _usable(runoff_early, runoff_middle, runoff_late, runoff_time, onset_s, window_of_beat)
    for part in _pieces(decays) if decays is not None else ():
        tau, level = _settle(part)
        level_se, relative = _errors(part, tau, level)
        with np.errstate(invalid="ignore"):
            found = 2.0 * relative <= WIDEST
        out[:, part.row] = np.where(found, np.stack([tau, level, tau * relative, level_se]), np.nan)
    return JointDecay(*out)
