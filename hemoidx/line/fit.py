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
Int = NDArray[np.int64]

#: Range within which a line is looked for.
LEAST_HZ, MOST_HZ = 1.5, 150.0
LEAST_DAMPING, MOST_DAMPING = 0.01, 8.0
# Samples later than this after the release [s] are averaged down to about this rate [Hz]; the model is
# averaged in the same way.
_UNFOLDED_S, _FOLDED_HZ = 0.06, 150.0
# Step of numerical derivatives (logarithms and samples).
_NUDGE = 3e-5
_MOST_STEPS = 25
# A fit is done when a step makes the sum of squares smaller by less than this.
_GAIN = 2e-3
#: Information on each parameter that is always there, so that none is reckoned as known where nothing is.
FAINT = 0.1
#: What is held to be likely beforehand: slope of plateau and of level [mmHg/s].
PLATEAU_SLOPE, DRIFT = 40.0, 30.0
# The same: size of the pulse relative to its neighbours, corner of the recorder (natural logarithm),
# release [s].
_PULSE, _CORNER, _RELEASE_S = 0.15, 0.08, 0.03
# The release is looked for within this time of the place where the pressure is seen to fall [s].
_RELEASED_S = 0.06


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
    folds: tuple[Int, Float] | None = None

    @property
    def free(self) -> int:
        """Number of parameters that are searched for."""
        return 4 if self.skip is None else 2

    def rows(self) -> Bool:
        """Samples that count."""
        if self.skip is None:
            return self.usable
        return self.usable & (self.t * self.fs >= self.skip - 1e-6)

    def folded(self, columns: Float) -> Float:
        """Columns in units of the noise; samples long after the release are averaged in small groups."""
        if self.folds is None:
            return columns / self.noise
        first, weight = self.folds
        return np.asarray(np.add.reduceat(columns, first, axis=0) * weight[:, None] / self.noise)

    def _folds(self) -> tuple[Int, Float] | None:
        """First sample of each group among those that count, and the weight of its sum."""
        many = round(self.fs / _FOLDED_HZ)
        if many < 2:
            return None
        at = np.flatnonzero(self.rows())
        since = np.round(at - np.searchsorted(self.t, _UNFOLDED_S)).astype(np.int64)
        group = np.where(since < 0, since, since // many)
        first = np.flatnonzero(np.diff(group, prepend=group[0] - 1) != 0)
        return first, 1.0 / np.sqrt(np.diff(first, append=at.size))

    def at_release(self, t0: float, pulse: Float) -> tuple[Float, Float]:
        """Value and slope at the release of level, drift and given pressures."""
        width = max(2.5 / self.fs, 0.012)
        near = slice(*np.searchsorted(self.t, [t0 - width, t0 + width]))
        t = self.t[near] - t0
        order = 2 if t.size >= 5 else 1
        powers = np.vander(t, order + 1, increasing=True)
        a = np.linalg.pinv(powers) @ pulse[near] if t.size else np.zeros((2, pulse.shape[1]))
        return np.concatenate([[1.0, t0], a[0]]), np.concatenate([[0.0, 1.0], a[1]])

    def columns(self, theta: Float, pulse: Float) -> Float:
        """
        Columns of the line's own part, of level and drift, and of pressures that act once it is let go.

        Parameters
        ----------
        theta : ndarray, shape (4,)
            Parameters.
        pulse : ndarray, shape (n, m)
            The pressures, at all samples.

        Returns
        -------
        ndarray, shape (k, 4 + m)
            At the samples that count.
        """
        rows = self.rows()
        t = self.t[rows]
        psi = np.column_stack([np.ones(t.size), t, pulse[rows]])
        hz, damping = _bounded(theta)
        if self.skip is None:
            t0 = theta[2] / self.fs
            recorded = Recorded(t - t0, hz, damping, RECORDER_CORNER * self.fs * np.exp(theta[3]))
            value, slope = self.at_release(t0, pulse)
            return np.column_stack([recorded.before(), recorded.after(psi, value, slope)])
        p1, p2 = poles(hz, damping)
        later = t - self.skip / self.fs
        e1, e2 = np.exp(p1 * later), np.exp(p2 * later)
        ring = [((p1 * e2 - p2 * e1) / (p1 - p2)).real, (abs(p1) * (e1 - e2) / (p1 - p2)).real]
        return np.column_stack([*ring, psi])

    def whitened_at(self, theta: Float, fold: bool = True) -> Problem:
        """
        Settle how far the pulse underneath may stray, for lines about like the given one.

        Returns
        -------
        Problem
            The same with `white`: the directions in which the pulse may stray, and what is left of each when
            noise and straying together are brought to unit variance.
        """
        ready = dataclasses.replace(self, folds=self._folds() if fold else None)
        pulse = np.column_stack([self.beneath.mean, self.beneath.spread])
        astray = ready.folded(ready.columns(theta, pulse)[:, 5:])
        size, u = np.linalg.eigh(
            astray @ astray.T if astray.shape[0] < astray.shape[1] else astray.T @ astray
        )
        if astray.shape[0] >= astray.shape[1]:
            sure = size > 1e-9 * size[-1]
            size, u = size[sure], astray @ (u[:, sure] / np.sqrt(size[sure]))
        size = np.maximum(size, 0.0)
        return dataclasses.replace(ready, white=(u, 1.0 - 1.0 / np.sqrt(1.0 + size)))

    def whiten(self, both: Float) -> Float:
        """Columns with noise and straying pulse brought to unit variance."""
        if self.white is None:
            return both
        u, less = self.white
        return np.asarray(both - u @ (less[:, None] * (u.T @ both)))

    def expected(self) -> Float:
        """What is held to be likely of the linear coefficients, as observations of zero."""
        out = np.zeros((3, 6))
        out[0, 3] = 1 / DRIFT
        out[1, 4:] = 1 / _PULSE
        if self.skip is None:
            out[2, 1] = 1 / PLATEAU_SLOPE
        return out

    def solved(self, theta: Float) -> tuple[Float, Float]:
        """
        Solve the linear part.

        Returns
        -------
        coefficients : ndarray, shape (5,)
            Of the line's own part, level, drift and pulse.
        residual : ndarray
            What they leave, in units of the noise; expectations count as observations.
        """
        left = self.columns(theta, self.beneath.mean[:, None])
        both = np.column_stack([left, self.value[self.rows()]])
        both = np.vstack([self.whiten(self.folded(both)), self.expected()])
        q, r = np.linalg.qr(both[:, :-1])
        shared = q.T @ both[:, -1]
        rest = both[:, -1] - q @ shared
        size = np.abs(np.diag(r)) > 1e-12 * np.abs(r).max()
        coefficients = (
            np.linalg.lstsq(r, shared, rcond=1e-12)[0] if not size.all() else np.linalg.solve(r, shared)
        )
        if self.skip is None:
            rest = np.concatenate([rest, [theta[2] / (_RELEASE_S * self.fs), theta[3] / _CORNER]])
        return coefficients, np.asarray(rest)

    def residual(self, theta: Float) -> Float:
        """What the best linear part leaves."""
        return self.solved(theta)[1]

    def jacobian(self, theta: Float, move: list[int], rest: Float) -> Float:
        """Its change with some of the parameters, given what is left at `theta`."""
        out = np.empty((rest.size, len(move)))
        for i, k in enumerate(move):
            other = theta.copy()
            other[k] += _NUDGE
            out[:, i] = (self.residual(other) - rest) / _NUDGE
        return out


def _bounded(theta: Float) -> tuple[float, float]:
    """Natural frequency [Hz] and damping ratio, kept within what is looked for."""
    hz = float(np.exp(np.clip(theta[0], np.log(LEAST_HZ), np.log(MOST_HZ))))
    return hz, float(np.exp(np.clip(theta[1], np.log(LEAST_DAMPING), np.log(MOST_DAMPING))))


def ringing_of(problem: Problem, theta: Float) -> tuple[Bool, Float]:
    """Samples on which pieces of the wave are ringing_of, and what a line can add of its own there."""
    p1, p2 = poles(float(np.exp(theta[0])), float(np.exp(theta[1])))
    after = problem.t * problem.fs >= (3 if problem.skip is None else problem.skip)
    t = np.where(after, problem.t, 0.0)
    e1, e2 = np.exp(p1 * t), np.exp(p2 * t)
    ringing = np.column_stack([((e1 + e2) / 2).real, ((e1 - e2) / (p1 - p2) * abs(p1)).real])
    return problem.usable & after, ringing


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
    move = [k for k in range(problem.free) if k != held]
    best, rest, jacobian = _descended(problem, theta, move)
    covariance = np.full((4, 4), np.nan)
    information = jacobian.T @ jacobian + FAINT * np.eye(len(move))
    covariance[np.ix_(move, move)] = np.linalg.inv(information)
    when = problem.folded(problem.t[problem.rows()][:, None])[:, 0] * problem.noise * problem.fs
    if problem.folds is not None:
        when = when * problem.folds[1]
    samples = when.size
    # Each linear coefficient that is expected beforehand brings an observation with it.
    freedom = samples - (4 if problem.skip is not None else 3) - 2
    start = 0 if problem.skip is None else problem.skip
    early = (when >= start - 2) & (when < start + max(8, 0.03 * problem.fs))
    squares = rest[:samples][early] ** 2
    return Fitted(best, covariance, float(rest @ rest), freedom, float(squares.mean()) if early.any() else 1)


def _descended(problem: Problem, theta: Float, move: list[int]) -> tuple[Float, Float, Float]:
    """Damped Gauss-Newton steps (Levenberg, Marquardt): parameters, what is left, and its derivatives."""
    around = max(_RELEASED_S * problem.fs, 6.0)
    low = np.array([np.log(LEAST_HZ), np.log(LEAST_DAMPING), -around, -0.5])[move]
    high = np.array([np.log(MOST_HZ), np.log(MOST_DAMPING), around, 0.5])[move]
    stride = np.array([0.3, 0.5, max(2.0, 0.012 * problem.fs), 0.2])[move]
    best = theta.copy()
    best[move] = np.clip(best[move], low, high)
    rest = problem.residual(best)
    jacobian = problem.jacobian(best, move, rest)
    brake = 1e-3
    for _ in range(_MOST_STEPS):
        gradient, square = jacobian.T @ rest, jacobian.T @ jacobian + FAINT * np.eye(len(move))
        pushed = ((best[move] <= low) & (gradient > 0)) | ((best[move] >= high) & (gradient < 0))
        gradient, square = np.where(pushed, 0.0, gradient), square * ~np.logical_or.outer(pushed, pushed)
        square += np.diag(pushed.astype(np.float64))
        gain = 0.0
        while gain <= 0 and brake < 1e4:
            step = np.linalg.solve(square + brake * np.diag(np.diag(square)), gradient)
            step = step / max(1.0, float(np.max(np.abs(step) / stride)))
            trial = best.copy()
            trial[move] = np.clip(best[move] - step, low, high)
            left = problem.residual(trial)
            gain = float(rest @ rest - left @ left)
            brake = max(brake / 10.0, 1e-7) if gain > 0 else brake * 8.0
        if gain <= 0:
            break
        best, rest = trial, left
        jacobian = problem.jacobian(best, move, rest)
        if gain < _GAIN:
            break
    return best, rest, jacobian
