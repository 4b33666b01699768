"""How far the fit of a flush would have gone astray over other stretches of the same patient's wave."""

from __future__ import annotations

import dataclasses
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from .beneath import Pieces
from .fit import FAINT, Fitted, Problem, ringing_of, solve

Float = NDArray[np.float64]

#: So many stretches of the wave are tried.
REHEARSALS = 18
# Fewer of them tell nothing.
_FEWEST = 6
#: Standard errors are enlarged by this factor where nothing could be tried, as trying does on average.
UNTRIED = 1.3
# From this damping ratio on one step from the truth does not tell how far a fit goes astray.
_BENT = 0.8


class Rehearsed(NamedTuple):
    """
    Errors that a measurement would make.

    Attributes
    ----------
    covariance : ndarray, shape (2, 2)
        Of log natural frequency and log damping, from noise, steps and what the pulse beneath may be.
    errors : ndarray, shape (k, 2)
        Errors over other stretches of the wave, one row for each; empty if there were too few.
    """

    covariance: Float
    errors: Float

    def along(self, direction: Float) -> float:
        """Standard error of a combination of the two: the larger of what is reckoned and what was seen."""
        reckoned = float(direction @ self.covariance @ direction)
        if not self.errors.size:
            return float(UNTRIED * np.sqrt(max(reckoned, 0.0)))
        return float(np.sqrt(max(reckoned, float(np.mean((self.errors @ direction) ** 2)))))

    @property
    def whole(self) -> Float:
        """Covariance with both standard errors as in `along` [same unit as `covariance`]."""
        size = np.array([self.along(np.array([1.0, 0.0])), self.along(np.array([0.0, 1.0]))])
        ratio = size / np.sqrt(np.maximum(np.diag(self.covariance), 1e-30))
        return np.asarray(self.covariance * np.outer(ratio, ratio))


def rehearse(problem: Problem, best: Fitted, pieces: Pieces) -> Rehearsed:
    """
    Repeat the measurement of a known line over other beats.

    Parameters
    ----------
    problem : Problem
        The release that was fitted.
    best : Fitted
        The line that was found.
    pieces : Pieces
        The wave around.

    Returns
    -------
    Rehearsed
        What the fit reckons its error to be, and the errors over other beats.

    Notes
    -----
    Ringing as it was found is laid over stretches of the wave without a flush, and the line is measured again
    with the pulse judged from the beats that are left: by one Gauss-Newton step from the truth, or, where
    damping is high and both parameters trade off along a bent valley, by a whole fit from there. Whatever
    noise, steps and the patient do there, they do here. Where the samples after the flush misfit more than
    those rehearsals, the errors are enlarged by as much.
    """
    known = best.covariance[:2, :2] * best.inflation
    none = Rehearsed(known, np.zeros((0, 2)))
    theta = best.theta
    usable, ringing = compared = ringing_of(problem, theta)
    if not pieces.near.places.size:
        return none
    places = pieces.nearest(problem.value, usable, ringing, 2 * REHEARSALS)[1::2]
    if places.size < _FEWEST:
        return none
    own, _ = problem.solved(theta)
    everywhere = dataclasses.replace(problem, usable=np.ones_like(problem.usable), folds=None)
    rows = everywhere.rows()
    errors = np.empty((places.size, 2))
    misfits = np.empty(places.size)
    for i, place in enumerate(places.tolist()):
        piece = pieces.all[place] - pieces.all[place].mean()
        value = problem.value.copy()
        columns = everywhere.columns(theta, piece[:, None])
        value[rows] = columns[:, :4] @ own[:4] + columns[:, 4]
        chosen = pieces.best(value, *compared, without=place)
        again = dataclasses.replace(problem, value=value, beneath=chosen).whitened_at(theta)
        errors[i], misfits[i] = _astray(again, theta)
    larger = max(1.0, best.rss / float(np.median(misfits)))
    return Rehearsed(known, errors * np.sqrt(larger))


def _astray(again: Problem, theta: Float) -> tuple[Float, float]:
    """Error of log natural frequency and log damping of one rehearsal, and what the fit leaves."""
    if theta[1] >= np.log(_BENT):
        found = solve(again, theta)
        return np.asarray(found.theta[:2] - theta[:2], dtype=np.float64), found.rss
    rest = again.residual(theta)
    jacobian = again.jacobian(theta, list(range(again.free)), rest)
    step = np.linalg.solve(jacobian.T @ jacobian + FAINT * np.eye(again.free), jacobian.T @ rest)
    return np.asarray(-step[:2]), float(rest @ rest - step @ (jacobian.T @ rest))
