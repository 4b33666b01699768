"""Intervals of natural frequency and damping from the profile of the misfit, where no number can be given."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from .fit import LEAST_DAMPING, LEAST_HZ, MOST_DAMPING, MOST_HZ, Fitted, Problem, solve

Float = NDArray[np.float64]


class Bounds(NamedTuple):
    """Lower and upper end of natural frequency [Hz] and of damping; 0 or infinity where there is no limit."""

    hz: tuple[float, float]
    damping: tuple[float, float]


def bounds(problem: Problem, best: Fitted, levels: tuple[float, float] = (3.84, 3.84)) -> Bounds:
    """
    Intervals of natural frequency and damping in which the other parameters can still make up for them.

    Parameters
    ----------
    problem : Problem
        The samples.
    best : Fitted
        The fit.
    levels : tuple of float
        Growth of the misfit, in units of the inflated noise, at which the intervals of natural frequency and
        of damping end; 3.84 for 95 %. More where the standard error is known to be larger than the fit
        reckons.

    Returns
    -------
    Bounds
        Each interval also holds what the other's profile came through: where the two trade off along a bent
        valley, the way along it is found from one side better than from the other.
    """
    paths = [_Path(problem, best, which, levels[which]) for which in (0, 1)]
    ends = []
    for which, path in enumerate(paths):
        low, high = path.ends
        passed = [t[which] for other in paths for t, growth in other.passed if growth <= levels[which]]
        inside = np.exp([best.theta[which], *passed])
        ends.append((min(low, float(inside.min())), max(high, float(inside.max()))))
    return Bounds(*ends)


class _Path:
    """Profile of one parameter: fits passed on the way out from the best one, and where they end."""

    def __init__(self, problem: Problem, best: Fitted, which: int, level: float) -> None:
        self.problem, self.best, self.which, self.level = problem, best, which, level
        self.passed: list[tuple[Float, float]] = []
        low, high = ((LEAST_HZ, MOST_HZ), (LEAST_DAMPING, MOST_DAMPING))[which]
        self.ends = self._end(-1.0, np.log(low), 0.0), self._end(1.0, np.log(high), np.inf)

    def _end(self, sign: float, edge: float, unlimited: float) -> float:
        """Where the profile ends on one side."""
        best, which = self.best, self.which
        stride = float(np.clip(np.sqrt(best.covariance[which, which] * best.inflation), 0.02, 0.35))
        move = slice(0, self.problem.free)
        # How the others go along, per unit of this one: first as the fit reckons, then as they last did.
        along = np.zeros(best.theta.size)
        along[move] = best.covariance[move, which] / best.covariance[which, which]
        theta, before, at = best.theta, 0.0, float(best.theta[which])
        for k in range(1, 16):
            x = best.theta[which] + sign * stride * (k if k < 4 else 3 + (k - 3) * 1.5)
            if sign * x >= sign * edge:
                break
            fitted = self._fitted(theta, along, x)
            growth = max((fitted.rss - best.rss) / best.inflation, 0.0)
            if growth > self.level:
                part = (np.sqrt(self.level) - np.sqrt(before)) / (np.sqrt(growth) - np.sqrt(before))
                return float(np.exp(at + (x - at) * part))
            along = (fitted.theta - theta) / (x - at)
            theta, before, at = fitted.theta, growth, x
            self.passed.append((theta, growth))
        return unlimited

    def _fitted(self, theta: Float, along: Float, x: float) -> Fitted:
        """Fit with this parameter held, on from the last fit; where that goes badly, without leaning."""
        out = None
        for lean in (along, np.zeros(theta.size)):
            guess = theta + lean * (x - theta[self.which])
            guess[self.which] = x
            fitted = solve(self.problem, guess, held=self.which)
            if out is None or fitted.rss < out.rss:
                out = fitted
            if (out.rss - self.best.rss) / self.best.inflation <= self.level:
                break
        assert out is not None
        return out
