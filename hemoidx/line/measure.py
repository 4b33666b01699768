"""Measure the dynamic response of a line from its flushes."""

from __future__ import annotations

import dataclasses

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ..errors import InputError
from .bedside import read_swings
from .beneath import SETTLED_S, Neighbours, Pieces, neighbours
from .dynamics import FlushReading, is_resolved, slow_pole
from .fit import Fitted, Problem, ringing_of, solve
from .flush import Stretch, at_rails, find_stretch
from .guess import first_guesses
from .rehearsal import UNTRIED, Rehearsed, rehearse
from .valley import bounds

Float = NDArray[np.float64]
Bool = NDArray[np.bool_]

# The line is taken to start from rest while its first samples misfit by no more than this (variance over that
# of noise), and as much more as the whole stretch does.
_EARLY_FIT = 2.5
_RING_FIT = 2.5
# From this misfit on (variance over that of noise and pulse) the samples are held to contradict any line of
# second order: nothing is claimed. Simulated lines of second order stay below four.
_FOREIGN = 8.0
# The same of a line fitted from rest from this correlation of neighbouring residuals on, or so many of its
# standard errors: what is left is then no noise. Simulated lines of second order stay below 0.25; what rings
# on in a real line that was fitted later reaches 0.36.
_TRAILING, _TRAILING_ERRORS = 0.3, 4.0
# Where only the ringing could be fitted, nothing is claimed of a line that is damped like this or more: how
# the valve closed and how such a line returns look alike. On simulated tubes half of the numbers given were
# wrong before, and hardly one that was right is lost; lines of second order are fitted from rest.
_HARDLY_RINGS = 0.5
#: Why a flush tells nothing whose line hardly rings and was not let go at once.
SLOW_VALVE = "the line hardly rings and was not let go at once: the valve may have shaped the return"
# Where the ringing may begin to be fitted, after the release [4 ms]: what a slow valve and the higher modes
# of a tube do must have died away. From `_LATE` on, what still rings must do so about as fast as the first
# swings did.
_SKIPPED = (2, 3, 4, 5, 6, 7, 8, 10, 12, 14, 17, 20, 24, 29, 35, 42)
_LATE, _ALIKE = 14, 1.4
# Standard errors in a 95 % interval: Student's t of the number of rehearsals that they rest on.
_REACH = 2.1
# Choosing the pulse and fitting the line are repeated at most so often.
_MOST_TURNS = 10


def measure_flushes(
    wave: NDArray[np.floating],
    fs: float,
    starts: ArrayLike,
    stops: ArrayLike,
    *,
    step: float = 0.0,
    rails: tuple[float | None, float | None] = (None, None),
    feet: ArrayLike | None = None,
    other: tuple[ArrayLike, ArrayLike] | None = None,
) -> list[FlushReading]:
    """
    Measure natural frequency and damping ratio from each flush.

    Parameters
    ----------
    wave : ndarray, shape (n_samples,)
        Arterial pressure, NaN where missing [mmHg].
    fs : float
        Sampling rate [Hz].
    starts, stops : array_like of int, shape (n,)
        Where the flushes begin and end [samples, half open]; the end may be off by half a second.
    step : float
        Quantisation step [mmHg], 0 if fine.
    rails : tuple of float or None
        Lowest and highest value that can be recorded [mmHg]; samples there are left out.
    feet : array_like, optional
        Feet of believed beats [samples]; tell where the pulse underneath can be learnt from.
    other : tuple of array_like, optional
        Starts and stops of other stretches that are not the patient [samples]; nothing is learnt there.

    Returns
    -------
    list of FlushReading
        One for each flush, in the same order.

    Raises
    ------
    InputError
        If the arguments do not fit together.

    Notes
    -----
    A second-order line is fitted to all samples by variable projection [1]_. Natural frequency, damping and
    release are searched for; levels before and after, their drift and the pulse underneath enter linearly.
    The pulse is the mean of those pieces of the wave around that could best have been it, and its
    uncertainty is how much these differ. The line starts at rest on the plateau; where the first samples
    contradict that (a valve that closes slowly, a recorder of another kind), only the ringing after it is
    fitted, with level and slope free. Standard errors come from the Jacobian, with noise, steps and pulse, or
    are those of the same measurement rehearsed over other beats, whichever is larger. Where they are too
    large for a number, the interval comes from the profile of the misfit; where the samples contradict any
    line of second order, or where it hardly rings and was not let go at once, nothing is claimed.

    References
    ----------
    .. [1] Golub GH, Pereyra V. The differentiation of pseudo-inverses and nonlinear least squares problems
       whose variables separate. SIAM J Numer Anal 1973;10:413-432.
    """
    x = np.asarray(wave)
    first = np.atleast_1d(np.asarray(starts, dtype=np.int64))
    last = np.atleast_1d(np.asarray(stops, dtype=np.int64))
    if x.ndim != 1 or first.shape != last.shape or not fs > 0:
        raise InputError(
            f"flushes: needs a one-dimensional wave, fs > 0 and as many starts as stops, got {x.ndim} "
            f"dimensions, fs {fs}, {first.size} starts and {last.size} stops"
        )
    known = None if feet is None else np.sort(np.asarray(feet, dtype=np.float64))
    clean = _clean(x, fs, first, last, step, rails, other)
    out = []
    for start, stop in zip(first.tolist(), last.tolist(), strict=True):
        later = first[first > start]
        until = int(later.min()) if later.size else x.size
        found = find_stretch(x, fs, (start, stop), until, rails, step)
        if isinstance(found, str):
            out.append(FlushReading(start=float(start), reason=found))
        else:
            near = neighbours(x, fs, found.release, found.value.size, clean, known, step)
            out.append(_measure(found, near, fs, float(start)))
    return out


def _clean(
    wave: NDArray[np.floating],
    fs: float,
    first: NDArray[np.int64],
    last: NDArray[np.int64],
    step: float,
    rails: tuple[float | None, float | None],
    other: tuple[ArrayLike, ArrayLike] | None,
) -> Bool:
    """Samples that hold the patient's pressure, undisturbed by flushes and what else is known."""
    clean = np.isfinite(wave) & ~at_rails(
        wave, (rails[0], rails[1] if rails[1] is not None else np.inf), step
    )
    settled = round(SETTLED_S * fs)
    stretches = [(a - round(0.1 * fs), b + settled) for a, b in zip(first, last, strict=True)]
    if other is not None:
        pairs = zip(np.asarray(other[0]).tolist(), np.asarray(other[1]).tolist(), strict=True)
        stretches += [(int(a), int(b)) for a, b in pairs]
    for a, b in stretches:
        clean[max(a, 0) : max(b, 0)] = False
    return np.asarray(clean)


def _measure(found: Stretch, near: Neighbours, fs: float, start: float) -> FlushReading:
    """Fit one release, choose what may be supposed, and say what is known."""
    pieces = Pieces(near, found.value.size, fs)
    problem, best = _from_rest(found, pieces)
    method = "fit from rest"
    if best.early > _EARLY_FIT * min(best.inflation, 3.0):
        later = _ringing_only(problem, best, pieces)
        if later is not None:
            problem, best = later
            method = "fit of the ringing"
    reading = _stated(problem, best, pieces, FlushReading(start=start, method=method))
    begin = found.release - found.first
    swings = read_swings(found.value[begin:], found.usable[begin:], fs, near.noise, _restless(near, fs))
    release = found.release + (best.theta[2] if problem.skip is None else 0.0)
    late = problem.skip is not None and problem.skip > _LATE * fs / 250.0
    if late and swings is not None and not 1 / _ALIKE < reading.natural_frequency_hz / swings[0] < _ALIKE:
        # What rings on late may be a higher mode; the first swings say that it is not what rang at first.
        reading = _foreign(FlushReading(start=start, method=method), reading.misfit)
    return dataclasses.replace(reading, release=float(release), bedside=swings)


def _with_pulse(problem: Problem, theta: Float, pieces: Pieces) -> Problem:
    """The problem with the pulse that fits best underneath a given line."""
    beneath = pieces.best(problem.value, *ringing_of(problem, theta))
    return dataclasses.replace(problem, beneath=beneath).whitened_at(theta)


def _from_rest(found: Stretch, pieces: Pieces) -> tuple[Problem, Fitted]:
    """Fit to all samples, from several first guesses; the pulse is chosen anew as the line gets known."""
    empty = pieces.beneath(pieces.near.places[:0])
    bare = Problem(found.time(pieces.fs), found.value, found.usable, pieces.near.noise, pieces.fs, empty)
    tried = []
    for guess in first_guesses(bare):
        problem = _with_pulse(bare, guess, pieces)
        tried.append((problem, solve(problem, guess)))
    tried.sort(key=lambda pair: pair[1].rss)
    first, second = (_settled(*pair, pieces, turns=2) for pair in tried[:2])
    better = first if first[1].rss <= second[1].rss else second
    return _settled(*better, pieces)


def _settled(
    problem: Problem, fitted: Fitted, pieces: Pieces, turns: int = _MOST_TURNS
) -> tuple[Problem, Fitted]:
    """Choose the pulse and fit in turn until neither changes."""
    for _ in range(turns):
        before = fitted.theta
        problem = _with_pulse(problem, before, pieces)
        fitted = solve(problem, before)
        spread = np.sqrt(np.diag(fitted.covariance)[: problem.free])
        if np.all(np.abs(fitted.theta - before)[: problem.free] < 0.15 * spread):
            break
    return problem, fitted


def _ringing_only(problem: Problem, best: Fitted, pieces: Pieces) -> tuple[Problem, Fitted] | None:
    """Fit from the first sample on from which the ringing is that of a free second-order line."""
    stretch = max(1, round(problem.fs / 250.0))
    guesses = [best.theta]
    tried: list[tuple[float, Problem, Fitted]] = []
    for k in _SKIPPED:
        later = dataclasses.replace(problem, skip=k * stretch)
        if later.rows().sum() < 12:
            break
        if k == 2:
            guesses += first_guesses(later, 2)
        fits = []
        for guess in guesses:
            chosen = _with_pulse(later, guess, pieces)
            fits.append(_settled(chosen, solve(chosen, guess), pieces))
        chosen, fitted = min(fits, key=lambda pair: pair[1].rss)
        guesses = [fitted.theta, best.theta]
        tried.append((fitted.early / max(1.0, fitted.inflation), chosen, fitted))
        alike = fitted.rss <= _FOREIGN * max(fitted.freedom, 1)
        if alike and fitted.early <= _RING_FIT * max(1.0, min(fitted.inflation, 2.0)):
            break
    if not tried:
        return None
    _, chosen, fitted = tried[-1] if tried[-1][0] <= _RING_FIT else min(tried, key=lambda row: row[2].early)
    return chosen, fitted


def _stated(problem: Problem, best: Fitted, pieces: Pieces, reading: FlushReading) -> FlushReading:
    """Numbers with standard errors where both are known, else bounds from the profile of the misfit."""
    hz, z = float(np.exp(best.theta[0])), float(np.exp(best.theta[1]))
    error = rehearse(problem, best, pieces)
    covariance = error.whole
    spread = np.sqrt(np.diag(covariance))
    hz_se, z_se = hz * float(spread[0]), z * float(spread[1])
    pole, pole_se = _slow_pole(hz, z, error)
    common = dataclasses.replace(
        reading,
        natural_frequency_hz=hz,
        damping_ratio=z,
        correlation=float(covariance[0, 1] / (spread[0] * spread[1])),
        misfit=best.rss / max(best.freedom, 1),
    )
    if common.misfit > _FOREIGN or (problem.skip is None and _trailing(problem, best)):
        return _foreign(reading, common.misfit)
    if problem.skip is not None and z >= _HARDLY_RINGS:
        return dataclasses.replace(reading, misfit=common.misfit, reason=SLOW_VALVE)
    if is_resolved(hz, hz_se, z, z_se):
        return dataclasses.replace(
            common,
            natural_frequency_hz_se=hz_se,
            damping_ratio_se=z_se,
            natural_frequency_hz_low=hz - _REACH * hz_se,
            natural_frequency_hz_high=hz + _REACH * hz_se,
            damping_ratio_low=max(z - _REACH * z_se, 0.0),
            damping_ratio_high=z + _REACH * z_se,
            slow_pole_s=pole if z >= 0.95 else np.nan,
            slow_pole_s_se=pole_se if z >= 0.95 else np.nan,
            resolved=True,
        )
    level = _REACH**2 * np.diag(covariance) / np.diag(error.covariance)
    (low_hz, high_hz), (low_z, high_z) = bounds(problem, best, (float(level[0]), float(level[1])))
    slow = high_z >= 0.95
    return dataclasses.replace(
        common,
        natural_frequency_hz_low=low_hz,
        natural_frequency_hz_high=high_hz,
        damping_ratio_low=low_z,
        damping_ratio_high=high_z,
        slow_pole_s=pole if slow else np.nan,
        slow_pole_s_se=pole_se if slow else np.nan,
        reason="sampling and damping do not let natural frequency and damping be told apart",
    )


def _foreign(reading: FlushReading, misfit: float) -> FlushReading:
    """A flush that tells nothing."""
    why = "the samples after the release do not follow a line of second order"
    return dataclasses.replace(reading, misfit=misfit, reason=why)


def _trailing(problem: Problem, best: Fitted) -> bool:
    """Whether neighbouring residuals go together, as they do where something else than noise is left."""
    rest = problem.residual(best.theta)
    samples = int(problem.rows().sum()) if problem.folds is None else problem.folds[0].size
    rest = rest[:samples]
    together = float(rest[1:] @ rest[:-1]) / max(float(rest @ rest), 1e-12)
    return bool(together > max(_TRAILING, _TRAILING_ERRORS / np.sqrt(rest.size)))


def _slow_pole(hz: float, z: float, error: Rehearsed) -> tuple[float, float]:
    """
    Time constant of the slower pole [s] and its standard error.

    Around a damping of one it bends too sharply for derivatives: errors are taken as they are, either way.
    """
    tau = slow_pole(hz, z)

    def off(change: Float) -> float:
        step = np.clip(change, -2.0, 2.0)
        both = [slow_pole(hz * float(np.exp(s * step[0])), z * float(np.exp(s * step[1]))) for s in (-1, 1)]
        return max(abs(both[0] - tau), abs(both[1] - tau))

    size, axes = np.linalg.eigh(error.covariance)
    reckoned = sum(off(np.sqrt(max(v, 0.0)) * axis) ** 2 for v, axis in zip(size, axes.T, strict=True))
    if not error.errors.size:
        return tau, float(UNTRIED * np.sqrt(reckoned))
    seen = float(np.mean([off(change) ** 2 for change in error.errors]))
    return tau, float(np.sqrt(max(reckoned, seen)))


def _restless(near: Neighbours, fs: float) -> Float | None:
    """Root mean square change of the patient's pressure over 0, 1, 2, ... samples, up to 0.2 s [mmHg]."""
    if not near.places.size:
        return None
    lags = np.arange(round(0.2 * fs) + 1)
    at = near.places[:: max(1, near.places.size // 500)]
    inside = np.minimum(at[:, None] + lags, near.wave.size - 1)
    change = near.wave[inside] - near.wave[at][:, None]
    return np.asarray(np.sqrt(np.mean(change**2, axis=0)))
