"""
Is this line good enough for this pulse: what it does to each number, from the patient's own recorded beats.

A typical recorded beat is an average of like beats, taken as one period of a periodic wave. The line is
undone harmonic by harmonic, and the numbers of the recorded and of the undistorted beat are compared. The
same undistorted beat is sent through other lines to see where in the plane of natural frequency and damping
this patient's systolic pressure would be read right.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ..beats.reading import Reading
from ..errors import InputError
from .dynamics import Dynamics
from .likely import Likely, likely_lines
from .per_beat import BeatErrors, PerBeat, learn
from .typical import QUANTITIES, TypicalBeat, numbers_of, numbers_of_all, typical_of

Float = NDArray[np.float64]

_NAMES = {"sbp": "systolic", "dbp": "diastolic", "mbp": "mean", "pp": "pulse pressure"}

#: Steps of the verdict [mmHg], ours; 5 is what standards for cuffs allow as mean error (quoted from memory).
STEPS = (2.0, 5.0, 10.0)

#: Where bounds of the line leave systolic and diastolic pressure in front of it within this of one line of
#: their middle [mmHg], that line gives the best estimate; ours.
SURE_TO = 1.5


@dataclass(frozen=True, slots=True)
class Error:
    """
    What the line does to one quantity: recorded less undistorted.

    Attributes
    ----------
    value : float
        Best estimate; NaN where the line is only known by bounds too wide for one (`SURE_TO`).
    low, high : float
        95 % interval from what is not known of the line.
    undistorted : float
        Value of the quantity without the line; NaN as `value`.
    """

    value: float
    low: float
    high: float
    undistorted: float

    @property
    def worst(self) -> float:
        """Largest size of the error that the interval allows."""
        return max(abs(self.low), abs(self.high))


@dataclass(frozen=True, slots=True)
class Adequacy:
    """
    What a measured line does to a patient's numbers.

    Attributes
    ----------
    sbp, dbp, mbp, pp, dpdt_max : Error
        Expected errors [mmHg, dP/dt max in mmHg/s], positive where the recording reads high.
    beat : TypicalBeat
        The typical recorded beat.
    dynamics : Dynamics
        The line as it was measured.
    line : tuple of float
        Natural frequency [Hz] and damping ratio of the line that stands for it: the measured one, or, of
        those within its bounds, the one from which the others differ least.
    unsure : float
        How far systolic or diastolic pressure in front of the line may lie from that in front of `line`, by
        what is not known of it (95 %) [mmHg].
    per_beat : PerBeat or None
        What was learnt of single beats; `assess` does so.
    """

    sbp: Error
    dbp: Error
    mbp: Error
    pp: Error
    dpdt_max: Error
    beat: TypicalBeat
    dynamics: Dynamics
    line: tuple[float, float]
    unsure: float
    per_beat: PerBeat | None = None

    @property
    def known(self) -> bool:
        """Whether there is a best estimate."""
        return bool(np.isfinite(self.sbp.value))

    @property
    def within(self) -> float:
        """Least of `STEPS` that holds the errors of systolic and diastolic pressure, interval included."""
        worst = max(self.sbp.worst, self.dbp.worst)
        return next((step for step in STEPS if worst <= step), float("inf"))

    def for_beats(
        self, pulse_pressure: ArrayLike, dpdt_max: ArrayLike, before_s: ArrayLike, duration_s: ArrayLike
    ) -> dict[str, BeatErrors]:
        """
        Expected errors of single beats, of any number of them at once.

        Parameters
        ----------
        pulse_pressure, dpdt_max : array_like, shape (n_beats,)
            As recorded [mmHg, mmHg/s].
        before_s : array_like, shape (n_beats,)
            Time from the steepest rise of the beat before to that of this one [s].
        duration_s : array_like, shape (n_beats,)
            Time from its foot to the next [s]. NaN in these three counts as usual, in pulse pressure it is
            passed on.

        Returns
        -------
        dict of str to BeatErrors
            `sbp`, `dbp`, `pp`, `mbp` [mmHg] and `dpdt_max` [mmHg/s], each with `value`, `low` and `high` of
            shape (n_beats,), positive where the recording reads high.

        Raises
        ------
        InputError
            If nothing was learnt of single beats (`expected_error` instead of `assess`).

        Notes
        -----
        See `hemoidx.line.per_beat`. Nothing is read from the wave, so that 100,000 beats take a fraction of a
        second. The mean pressure is not changed by the line; 0.2 mmHg stand for what moving the feet does.
        """
        if self.per_beat is None:
            raise InputError("line: errors of single beats need `assess`, which looks at the recording")
        return self.per_beat.of(self.known, pulse_pressure, dpdt_max, before_s, duration_s)

    def words(self) -> str:
        """What the line does, in a few sentences; says nothing of what to do about it."""
        head = (
            f"From {self.beat.beats} beats at {self.beat.heart_rate:.0f}/min: "
            + "; ".join(_said(_NAMES[name], getattr(self, name)) for name in ("sbp", "dbp", "pp"))
            + "; mean unchanged by such a line."
        )
        slope = self.dpdt_max
        if np.isfinite(slope.undistorted) and slope.undistorted > 0:
            change = 100 * slope.value / slope.undistorted
            head += f" dP/dt max {abs(change):.0f} % too {'high' if change > 0 else 'low'}."
        if np.isfinite(self.within):
            return f"{head} Expected error of systolic and diastolic pressure below {self.within:g} mmHg."
        if min(abs(self.sbp.low), abs(self.sbp.high)) > STEPS[-1] and self.sbp.low * self.sbp.high > 0:
            return f"{head} Expected error of systolic pressure above {STEPS[-1]:g} mmHg."
        return f"{head} An error above {STEPS[-1]:g} mmHg cannot be excluded."


def _said(name: str, error: Error) -> str:
    if not np.isfinite(error.low) or not np.isfinite(error.high):
        return f"{name} off by an unknown amount"
    # Added zero turns a rounded -0.0 into 0.0.
    low, high = round(error.low, 1) + 0.0, round(error.high, 1) + 0.0
    if not np.isfinite(error.value):
        return f"{name} off by {low:+.1f} to {high:+.1f} mmHg"
    # Bounds of single beats stand in the tables; those of the typical beat alone would look too sure.
    if abs(error.value) < 0.1:
        return f"{name} off by less than 0.1 mmHg"
    return f"{name} {abs(error.value):.1f} mmHg too {'high' if error.value > 0 else 'low'}"


def errors_of_lines(
    undistorted: TypicalBeat, frequency_hz: ArrayLike, damping: ArrayLike
) -> dict[str, Float]:
    """
    What lines would do to an undistorted beat.

    Parameters
    ----------
    undistorted : TypicalBeat
        The beat in front of the line.
    frequency_hz, damping : array_like
        Natural frequencies [Hz] and damping ratios, of shapes that go together.

    Returns
    -------
    dict of str to ndarray
        For each of `QUANTITIES`, the error [mmHg, mmHg/s] in the common shape.
    """
    hz, z = np.broadcast_arrays(
        np.asarray(frequency_hz, dtype=np.float64), np.asarray(damping, dtype=np.float64)
    )
    true = numbers_of_all(undistorted.harmonics[None, :], undistorted)
    read = numbers_of_all(undistorted.behind(hz.ravel(), z.ravel()), undistorted)
    return {name: (read[name] - true[name]).reshape(hz.shape) for name in QUANTITIES}


def expected_error(beat: TypicalBeat, dynamics: Dynamics) -> Adequacy:
    """
    What a measured line does to the numbers of a typical beat.

    Parameters
    ----------
    beat : TypicalBeat
        As `typical_beat` makes it from the recording.
    dynamics : Dynamics
        The line. Not resolved, the interval is that of the extremes over the lines within its bounds, along
        the slow pole where that is known; a best estimate comes out only where they nearly agree (`SURE_TO`).

    Returns
    -------
    Adequacy

    Raises
    ------
    InputError
        If nothing is known of the line.

    Notes
    -----
    Natural frequency and damping are taken together (`hemoidx.line.likely`): where damping is high, each
    alone is known far less well than what both do to the pulse. Validated on simulated patients with
    simulated flushes by the benchmark of the line.
    """
    likely = likely_lines(dynamics)
    return _expected(beat, dynamics, likely)[0]


def assess(
    wave: NDArray[np.floating],
    fs: float,
    reading: Reading,
    dynamics: Dynamics,
    *,
    scale: Sequence[Mapping[str, Any]] | None = None,
    stretch: tuple[int, int] | None = None,
) -> Adequacy:
    """
    What a measured line does to the numbers of a recording, beat by beat.

    Parameters
    ----------
    wave : ndarray, shape (n_samples,)
        Arterial pressure as recorded, NaN where missing [mmHg].
    fs : float
        Sampling rate [Hz].
    reading : Reading
        Its beats and spans, as `hemoidx.beats.read` found them.
    dynamics : Dynamics
        The line.
    scale : sequence of mapping, optional
        Runs of samples with one calibration, as `hx.load` attaches them: step and rails.
    stretch : tuple of int, optional
        First sample and the one behind the last of the part that `dynamics` holds for. Left out, all of it.

    Returns
    -------
    Adequacy
        Ready for `Adequacy.for_beats`.

    Raises
    ------
    InputError
        If nothing is known of the line, or if there are too few undisturbed beats to judge by.

    Notes
    -----
    The cost is bounded: at most 300 beats are looked at, whatever the length.
    """
    beat = typical_of(wave, fs, reading, stretch)
    likely = likely_lines(dynamics)
    whole, chosen, errors = _expected(beat, dynamics, likely)
    if likely.weight is None:
        likely, chosen, errors = _ends(likely, chosen, errors)
    known = learn(wave, fs, reading, likely, scale=scale, stretch=stretch, chosen=chosen)
    anchored = known.anchored(numbers_of(beat), beat.period_s, errors)
    return dataclasses.replace(whole, per_beat=anchored)


def _expected(
    beat: TypicalBeat, dynamics: Dynamics, likely: Likely
) -> tuple[Adequacy, int, dict[str, Float]]:
    """Errors of the typical beat, which line stands for all, and the errors by each line."""
    before = [beat.undistorted(float(hz), float(z)) for hz, z in likely.lines]
    true = numbers_of_all(np.array([b.harmonics for b in before]), beat)
    # The recorded beat seen through the same filter of noise, so that what it leaves out cancels.
    seen = [b.behind(hz, z) for b, (hz, z) in zip(before, likely.lines, strict=True)]
    read = numbers_of_all(np.array(seen), beat)
    off = {name: read[name] - true[name] for name in QUANTITIES}
    chosen, unsure = _chosen(true, likely.weight)
    known = dynamics.resolved or unsure <= SURE_TO
    errors = {
        name: _error(off[name], true[name], likely.weight, chosen if known else None) for name in QUANTITIES
    }
    line = (float(likely.lines[chosen, 0]), float(likely.lines[chosen, 1]))
    sbp, dbp, mbp, pp, dpdt = (errors[name] for name in QUANTITIES)
    return Adequacy(sbp, dbp, mbp, pp, dpdt, beat, dynamics, line, unsure), chosen, off


def _ends(likely: Likely, chosen: int, errors: dict[str, Float]) -> tuple[Likely, int, dict[str, Float]]:
    """Of lines within bounds, the one that stands for all and those that set the ends of an interval."""
    ends = {int(find(x)) for x in errors.values() for find in (np.argmin, np.argmax)} - {chosen}
    keep = [chosen, *sorted(ends)]
    return Likely(likely.lines[keep], None), 0, {name: x[keep] for name, x in errors.items()}


def _chosen(true: Mapping[str, Float], weight: Float | None) -> tuple[int, float]:
    """The line to stand for all, and how far the others are from it in systolic or diastolic pressure."""
    if weight is not None:
        # The first line is the measured one.
        off = [true[name] - true[name][0] for name in ("sbp", "dbp")]
        return 0, max(abs(float(weight @ x)) + 1.96 * _deviation(x, weight) for x in off)
    apart = np.maximum(*(np.abs(true[name][:, None] - true[name]) for name in ("sbp", "dbp"))).max(axis=1)
    return int(np.argmin(apart)), float(apart.min())


def _deviation(value: Float, weight: Float) -> float:
    return float(np.sqrt(weight @ (value - weight @ value) ** 2))


def _error(error: Float, true: Float, weight: Float | None, chosen: int | None) -> Error:
    value, undistorted = (
        (float("nan"),) * 2 if chosen is None else (float(error[chosen]), float(true[chosen]))
    )
    if weight is None:
        return Error(value, float(error.min()), float(error.max()), undistorted)
    mean, reach = float(weight @ error), 1.96 * _deviation(error, weight)
    return Error(value, mean - reach, mean + reach, undistorted)
