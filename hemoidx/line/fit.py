"""Fit of a second-order line to all samples around a release, by variable projection."""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from .beneath import Beneath
from .release import RECORDER_CORNER, Recorded
from .response import poles

Float = NDArray[np.float64]
Bool = NDArray[np.bool_]

#: Range within which a line is looked for.
LEAST_HZ, MOST_HZ = 1.5, 150.0
LEAST_DAMPING, MOST_DAMPING = 0.01, 8.0
# First guesses look at so much after the release [s]: few enough swings for a coarse grid to follow.
_GUESSED_S = 0.5
# What is held to be likely beforehand: slope of plateau and of level [mmHg/s], size of the pulse relative to
# its neighbours, corner of the recorder (natural logarithm), release (samples).
_PLATEAU_SLOPE, _DRIFT, _PULSE, _CORNER, _RELEASE = 40.0, 30.0, 0.15, 0.08, 4.0


class Fitted(NamedTuple):
    """Parameters (log fn, log z, release [samples], log corner), their covariance, and the misfit."""

    theta: Float
    covariance: Float
    rss: float
    freedom: int
    early: float

    @property
    def inflation(self) -> float:
        """How much more the samples scatter than noise does (variance, at least 1)."""
        return max(1.0, self.rss / max(self.freedom, 1))


@dataclass(frozen=True, slots=True)
class Problem:
    """
    One release to be fitted.

    Attributes
    ----------
    t, value : ndarray, shape (n,)
        Times from the supposed release [s] and pressures [mmHg] of all samples.
    usable : ndarray of bool, shape (n,)
        Samples that count.
    noise : float
        Their standard deviation [mmHg].
    fs : float
        Sampling rate [Hz].
    beneath : Beneath
        The pulse underneath.
    skip : int or None
        None: all samples count, the line starts from rest on the plateau and the recorder's low-pass is taken
        into account. A number: only samples from that many after the supposed release on, the line being
        free to have any level and slope there; nothing is then supposed of valve or recorder.
    """

    t: Float
    value: Float
    usable: Bool
    noise: float
    fs: float
    beneath: Beneath
    skip: int | None = None
    white: tuple[Float, Float] | None = None

    @property
    def free(self) -> int:
        """Number of parameters that are searched for."""
        return 4 if self.skip is None else 2

    def rows(self) -> Bool:
        """Samples that count."""
        if self.skip is None:
            return self.usable
        return self.usable & (self.t * self.fs >= self.skip - 1e-6)

    def at_release(self, t0: float) -> tuple[Float, Float]:
        """Value and slope at the release of level, drift and pulse underneath."""
        width = max(2.5 / self.fs, 0.012)
        near = np.abs(self.t - t0) <= width
        t = self.t[near] - t0
        columns = np.column_stack([self.beneath.mean, self.beneath.spread])[near]
        order = 2 if t.size >= 5 else 1
        a = np.linalg.lstsq(np.vander(t, order + 1, increasing=True), columns, rcond=None)[0]
        return np.concatenate([[1.0, t0], a[0]]), np.concatenate([[0.0, 1.0], a[1]])

    def columns(self, theta: Float, psi: Float) -> Float:
        """
        Columns of the line's own part, and of pressures that act once it is let go.

        `psi` has one row for each sample that counts; its first column is level, its second drift.
        """
        t = self.t[self.rows()]
        hz, damping = _bounded(theta)
        if self.skip is None:
            recorded = Recorded(
                t - theta[2] / self.fs, hz, damping, RECORDER_CORNER * self.fs * np.exp(theta[3])
            )
            value, slope = self.at_release(theta[2] / self.fs)
            wide = psi.shape[1]
            return np.column_stack([recorded.before(), recorded.after(psi, value[:wide], slope[:wide])])
        p1, p2 = poles(hz, damping)
        later = t - self.skip / self.fs
        e1, e2 = np.exp(p1 * later), np.exp(p2 * later)
        ring = [((p1 * e2 - p2 * e1) / (p1 - p2)).real, (abs(p1) * (e1 - e2) / (p1 - p2)).real]
        return np.column_stack([*ring, psi])

    def whitened_at(self, theta: Float) -> Problem:
        """
        Settle how far the pulse underneath may stray, for lines about like the given one.

        Returns
        -------
        Problem
            The same with `white`: the directions in which the pulse may stray, and what is left of each when
            noise and straying together are brought to unit variance.
        """
        pulse = np.column_stack([self.beneath.mean, self.beneath.spread])[self.rows()]
        psi = np.column_stack([np.ones(pulse.shape[0]), self.t[self.rows()], pulse])
        astray = self.columns(theta, psi)[:, 5:] / self.noise
        u, size, _ = np.linalg.svd(astray, full_matrices=False)
        return dataclasses.replace(self, white=(u, 1.0 - 1.0 / np.sqrt(1.0 + size**2)))

    def residual(self, theta: Float) -> Float:
        """What the best linear part leaves, in units of the noise; expectations count as observations."""
        rows = self.rows()
        t = self.t[rows]
        left = (
            self.columns(theta, np.column_stack([np.ones(t.size), t, self.beneath.mean[rows]])) / self.noise
        )
        both = np.column_stack([left, self.value[rows] / self.noise])
        if self.white is not None:
            u, less = self.white
            both = both - u @ (less[:, None] * (u.T @ both))
        expected = np.zeros((3, 6))
        expected[0, 3] = 1 / _DRIFT
        expected[1, 4:] = 1 / _PULSE
        if self.skip is None:
            expected[2, 1] = 1 / _PLATEAU_SLOPE
        both = np.vstack([both, expected])
        q, _ = np.linalg.qr(both[:, :-1])
        rest = both[:, -1] - q @ (q.T @ both[:, -1])
        if self.skip is None:
            return np.concatenate([rest, [theta[2] / _RELEASE, theta[3] / _CORNER]])
        return np.asarray(rest)


def _bounded(theta: Float) -> tuple[float, float]:
    """Natural frequency [Hz] and damping ratio, kept within what is looked for."""
    hz = float(np.exp(np.clip(theta[0], np.log(LEAST_HZ), np.log(MOST_HZ))))
    return hz, float(np.exp(np.clip(theta[1], np.log(LEAST_DAMPING), np.log(MOST_DAMPING))))


def solve(problem: Problem, theta: Float, held: int | None = None) -> Fitted:
    """
    Fit from a first guess.

    Parameters
    ----------
    problem : Problem
        The samples.
    theta : ndarray, shape (4,)
        First guess.
    held : int, optional
        Number of a parameter that stays where it is.

    Returns
    -------
    Fitted
        Covariance of the parameters that were free, from the Jacobian, not yet inflated; `early` is the mean
        square misfit of the first samples after the release in units of the noise.
    """
    from scipy.optimize import least_squares

    move = [k for k in range(problem.free) if k != held]

    def misfit(part: Float) -> Float:
        full = theta.copy()
        full[move] = part
        return problem.residual(full)

    scale = np.array([0.05, 0.1, 0.5, 0.08])[move]
    low = np.array([np.log(LEAST_HZ), np.log(LEAST_DAMPING), -12.0, -0.5])[move] - 1e-6
    high = np.array([np.log(MOST_HZ), np.log(MOST_DAMPING), 12.0, 0.5])[move] + 1e-6
    first = np.clip(theta[move], low + 1e-9, high - 1e-9)
    found = least_squares(misfit, first, bounds=(low, high), x_scale=scale, max_nfev=60, xtol=1e-7, ftol=1e-7)
    best = theta.copy()
    best[move] = found.x
    covariance = np.full((4, 4), np.nan)
    jacobian = np.asarray(found.jac, dtype=np.float64)
    covariance[np.ix_(move, move)] = np.linalg.pinv(jacobian.T @ jacobian, rcond=1e-13)
    rest = np.asarray(found.fun)
    samples = int(problem.rows().sum())
    # Each linear coefficient that is expected beforehand brings an observation with it.
    freedom = samples - (4 if problem.skip is not None else 3) - 2
    when = problem.t[problem.rows()] * problem.fs
    start = 0 if problem.skip is None else problem.skip
    early = (when >= start - 2) & (when < start + max(8, 0.03 * problem.fs))
    squares = rest[:samples][early] ** 2
    return Fitted(
        best, covariance, 2 * float(found.cost), freedom, float(squares.mean()) if early.any() else 1
    )


def first_guesses(problem: Problem, most: int = 3) -> list[Float]:
    """Best places of a grid over natural frequency, damping and release, no two of them neighbours."""
    stretch = np.flatnonzero(problem.usable & (problem.t < _GUESSED_S))
    rows = stretch[:: max(1, round(problem.fs / 250.0))]
    coarse = dataclasses.replace(
        problem,
        t=problem.t[rows],
        value=problem.value[rows],
        usable=np.ones(rows.size, dtype=bool),
        beneath=Beneath(problem.beneath.mean[rows], problem.beneath.spread[rows]),
        white=None,
    )
    coarse = coarse.whitened_at(np.array([np.log(15.0), np.log(0.5), 0.5, 0.0]))
    top = min(0.5 * problem.fs, 60.0)
    hz = np.geomspace(2.0, top, 56)
    damping = np.array([0.04, 0.08, 0.14, 0.22, 0.32, 0.45, 0.65, 0.9, 1.2, 1.7])
    cost = np.empty((hz.size, damping.size))
    for i, f in enumerate(np.log(hz)):
        for j, z in enumerate(np.log(damping)):
            rest = coarse.residual(np.array([f, z, 0.5, 0.0]))
            cost[i, j] = rest @ rest
    out: list[Float] = []
    for _ in range(most):
        i, j = divmod(int(np.argmin(cost)), damping.size)
        out.append(np.array([np.log(hz[i]), np.log(damping[j]), 0.5, 0.0]))
        cost[max(i - 2, 0) : i + 3, max(j - 2, 0) : j + 3] = np.inf
    return out


def profile(problem: Problem, best: Fitted, which: int, level: float = 3.84) -> tuple[float, float]:
    """
    Interval of one parameter in which the others can still make up for it.

    Parameters
    ----------
    problem : Problem
        The samples.
    best : Fitted
        The fit.
    which : int
        0 for natural frequency, 1 for damping.
    level : float
        Growth of the misfit, in units of the inflated noise, at which the interval ends; 3.84 for 95 %.

    Returns
    -------
    tuple of float
        Lower and upper end; 0 or infinity where the samples set no limit.
    """
    bounds = ((LEAST_HZ, MOST_HZ), (LEAST_DAMPING, MOST_DAMPING))[which]
    spread = float(np.sqrt(best.covariance[which, which] * best.inflation))
    stride = float(np.clip(spread, 0.02, 0.35))
    ends = []
    for sign, edge, open_end in ((-1.0, np.log(bounds[0]), 0.0), (1.0, np.log(bounds[1]), np.inf)):
        theta, before, at, end = best.theta, 0.0, float(best.theta[which]), open_end
        for k in range(1, 16):
            x = best.theta[which] + sign * stride * (k if k < 4 else 3 + (k - 3) * 1.5)
            if sign * x >= sign * edge:
                break
            guess = theta.copy()
            guess[which] = x
            fitted = solve(problem, guess, held=which)
            growth = max((fitted.rss - best.rss) / best.inflation, 0.0)
            if growth > level:
                part = (np.sqrt(level) - np.sqrt(before)) / (np.sqrt(growth) - np.sqrt(before))
                end = float(np.exp(at + (x - at) * part))
                break
            theta, before, at = fitted.theta, growth, x
        ends.append(end)
    return ends[0], ends[1]
