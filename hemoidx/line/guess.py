"""First guesses for the fit of a flush: many lines tried at once on the first half second."""

from __future__ import annotations

import dataclasses

import numpy as np
from numpy.typing import NDArray

from .beneath import Beneath
from .fit import DRIFT, PLATEAU_SLOPE, Problem
from .release import RECORDER_CORNER, let_go
from .response import poles

Float = NDArray[np.float64]
Complex = NDArray[np.complex128]

# So much after the release is looked at [s]: few enough swings for a coarse grid to follow.
_GUESSED_S = 0.5
# Where the release is supposed to be: so many samples, and further back so many seconds.
_GUESSED_SAMPLES = (0.6, 0.2, -0.2, -0.6, -1.5)
_GUESSED_BACK_S = (-0.008, -0.02)
# Where the plateau was cut off at the rail the fall began before anything is seen of it: so many seconds, and
# so many guesses more.
_CUT_OFF_S = (-0.004, -0.008, -0.013, -0.02, -0.03)
_CUT_OFF_MORE = 2


def first_guesses(problem: Problem, most: int = 3) -> list[Float]:
    """
    Best places of a grid over natural frequency, damping and release, no two of them neighbours.

    Where the plateau was cut off at the rail, some more, with releases further back: the fall began out of
    sight, and a line that was let go late can nearly pass for another that was let go earlier.
    """
    stretch = np.flatnonzero(problem.usable & (problem.t < _GUESSED_S))
    rows = stretch[:: max(1, round(problem.fs / 250.0))]
    coarse = dataclasses.replace(
        problem,
        t=problem.t[rows],
        value=problem.value[rows],
        usable=np.ones(rows.size, dtype=bool),
        beneath=Beneath(problem.beneath.mean[rows], problem.beneath.spread[rows]),
        white=None,
        folds=None,
    )
    middle = np.array([np.log(15.0), np.log(0.5), 0.0, 0.0])
    coarse = coarse.whitened_at(middle, fold=False)
    hz = np.geomspace(2.0, min(0.5 * problem.fs, 60.0), 56)
    damping = np.array([0.04, 0.08, 0.14, 0.22, 0.32, 0.45, 0.65, 0.9, 1.2, 1.7])
    pairs = [poles(float(f), float(z)) for f in hz for z in damping]
    releases = np.array([0.0])
    if problem.skip is None:
        back = _CUT_OFF_S if _cut_off(problem) else _GUESSED_BACK_S
        back_samples = [x * problem.fs for x in back if x * problem.fs < min(_GUESSED_SAMPLES) - 0.5]
        releases = np.array([*_GUESSED_SAMPLES, *back_samples])
    cost = np.stack([_misfits(coarse, np.array(pairs), float(at)) for at in releases])
    cost = cost.reshape(releases.size, hz.size, damping.size)
    more = _CUT_OFF_MORE if problem.skip is None and _cut_off(problem) else 0
    chosen = _lowest(cost, most + more)
    return [np.array([np.log(hz[i]), np.log(damping[j]), releases[k], 0.0]) for k, i, j in chosen]


def _cut_off(problem: Problem) -> bool:
    """Whether nothing of the plateau was recorded as it was."""
    before = problem.usable[problem.t * problem.fs < -1.5]
    return bool(before.mean() < 0.5) if before.size else False


def _lowest(cost: Float, most: int) -> list[tuple[int, int, int]]:
    """Lowest places of a cost over release, natural frequency and damping, no two of them neighbours."""
    left = cost.copy()
    out = []
    for _ in range(most):
        k, i, j = (int(x) for x in np.unravel_index(int(np.argmin(left)), left.shape))
        out.append((k, i, j))
        left[:, max(i - 2, 0) : i + 3, max(j - 2, 0) : j + 3] = np.inf
    return out


def _misfits(problem: Problem, pole: Complex, release: float) -> Float:
    """What is left by many lines at once, for a pulse underneath of mean zero."""
    rows = problem.rows()
    t = problem.t[rows]
    m = pole.shape[0]
    if problem.skip is None:
        t = t - release / problem.fs
        step, ramp, offset, slope = let_go(t, pole[:, 0], pole[:, 1], RECORDER_CORNER * problem.fs)
        slope = slope * np.abs(pole[:, 0])
        shared = np.column_stack([1.0 - step, t - ramp, step, ramp])
    else:
        later = (t - problem.skip / problem.fs)[:, None]
        e1, e2 = np.exp(pole[:, 0] * later), np.exp(pole[:, 1] * later)
        apart = pole[:, 0] - pole[:, 1]
        offset = ((pole[:, 0] * e2 - pole[:, 1] * e1) / apart).real
        slope = (np.abs(pole[:, 0]) * (e1 - e2) / apart).real
        shared = np.column_stack([np.ones(t.size), t])
    every = problem.whiten(problem.folded(np.column_stack([offset, slope, shared, problem.value[rows]])))
    a, b, common, y = every[:, :m], every[:, m : 2 * m], every[:, 2 * m : -1], every[:, -1]
    if problem.skip is None:
        size = np.abs(pole[:, 0])
        four = [common[:, :1] + a, common[:, 1:2] + b / size, common[:, 2:3] - a, common[:, 3:] - b / size]
    else:
        four = [a, b, *(np.repeat(common[:, k : k + 1], m, axis=1) for k in (0, 1))]
    stack = np.stack(four, axis=2)
    length = np.sqrt(np.einsum("nmk,nmk->mk", stack, stack) + 1e-12)
    stack = stack / length
    square = np.einsum("nmj,nmk->mjk", stack, stack) + 1e-7 * np.eye(4)
    if problem.skip is None:
        # Free slopes would let any slow line pass where the plateau was cut off at the rail.
        square[:, 1, 1] += 1.0 / (PLATEAU_SLOPE * length[:, 1]) ** 2
        square[:, 3, 3] += 1.0 / (DRIFT * length[:, 3]) ** 2
    with_y = np.einsum("nmk,n->mk", stack, y)
    return np.asarray(
        y @ y - np.einsum("mk,mk->m", with_y, np.linalg.solve(square, with_y[..., None])[..., 0])
    )
