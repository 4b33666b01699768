"""
Is this line good enough for this pulse: what it does to each number, from the patient's own recorded beats.

A typical recorded beat is an average of like beats, taken as one period of a periodic wave. The line is
undone harmonic by harmonic, and the numbers of the recorded and of the undistorted beat are compared. The
same undistorted beat is sent through other lines to see where in the plane of natural frequency and damping
this patient's systolic pressure would be read right.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ..errors import InputError
from .dynamics import Dynamics, slow_pole
from .typical import QUANTITIES, TypicalBeat, numbers_of, numbers_of_all

Float = NDArray[np.float64]

_NAMES = {"sbp": "systolic", "dbp": "diastolic", "mbp": "mean", "pp": "pulse pressure"}

#: Steps of the verdict [mmHg], ours; 5 is what standards for cuffs allow as mean error (quoted from memory).
STEPS = (2.0, 5.0, 10.0)

# All ours. Where the bounds of an unresolved line end [Hz, ratio].
_WIDEST = (3.0, 80.0, 0.03, 3.0)
_SIDE = 7


@dataclass(frozen=True, slots=True)
class Error:
    """
    What the line does to one quantity: recorded less undistorted.

    Attributes
    ----------
    value : float
        Best estimate; NaN where the line is only known by bounds.
    low, high : float
        95 % interval from what is not known of the line; infinite where nothing is known.
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
        The line.
    """

    sbp: Error
    dbp: Error
    mbp: Error
    pp: Error
    dpdt_max: Error
    beat: TypicalBeat
    dynamics: Dynamics

    @property
    def known(self) -> bool:
        """Whether there is a best estimate."""
        return bool(np.isfinite(self.sbp.value))

    @property
    def within(self) -> float:
        """Least of `STEPS` that holds the errors of systolic and diastolic pressure, interval included."""
        worst = max(self.sbp.worst, self.dbp.worst)
        return next((step for step in STEPS if worst <= step), float("inf"))

    def for_beats(self, pulse_pressure: ArrayLike) -> dict[str, Float]:
        """
        Expected errors of single beats.

        Parameters
        ----------
        pulse_pressure : array_like, shape (n_beats,)
            Recorded pulse pressure of each beat [mmHg].

        Returns
        -------
        dict of str to ndarray, shape (n_beats,)
            `sbp`, `dbp`, `mbp`, `pp` [mmHg] and `dpdt_max` [mmHg/s]: the line is linear, so that beats of one
            shape are distorted in proportion to their size. A beat of another shape is not meant.
        """
        recorded = numbers_of(self.beat)["pp"]
        share = np.asarray(pulse_pressure, dtype=np.float64) / recorded
        out = {name: share * getattr(self, name).value for name in QUANTITIES}
        return out | {"mbp": 0.0 * share}

    def words(self) -> str:
        """What the line does, in a few sentences; says nothing of what to do about it."""
        head = (
            f"From {self.beat.beats} beats at {self.beat.heart_rate:.0f}/min: "
            + "; ".join(_said(_NAMES[name], getattr(self, name)) for name in ("sbp", "dbp", "pp"))
            + "; mean unchanged."
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
    span = f"{low:+.1f} to {high:+.1f} mmHg"
    if not np.isfinite(error.value):
        return f"{name} off by {span}"
    if abs(error.value) < 0.05:
        return f"{name} unchanged ({span})"
    return f"{name} {abs(error.value):.1f} mmHg too {'high' if error.value > 0 else 'low'} ({span})"


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
        The line. Not resolved, only an interval comes out: the extremes over the lines within its bounds,
        along the slow pole where only that is known.

    Returns
    -------
    Adequacy

    Raises
    ------
    InputError
        If nothing is known of the line.

    Notes
    -----
    With both parameters known, each takes three values (mean, and 1.73 standard errors of its logarithm to
    either side, with weights 2/3 and 1/6); mean and standard deviation over the nine lines give the interval.
    Validated on simulated patients by the benchmark of the line: the expected error of systolic pressure
    lies within 1.5 mmHg of the real one.

    References
    ----------
    .. [1] Julier SJ, Uhlmann JK. Unscented filtering and nonlinear estimation. Proc IEEE 2004;92:401-422
       (the three points; quoted from memory).
    """
    if not np.isfinite(dynamics.natural_frequency_hz) or not np.isfinite(dynamics.damping_ratio):
        raise InputError("line: nothing is known of its dynamic response; measure a flush first")
    errors_known = np.isfinite(dynamics.natural_frequency_hz_se) and np.isfinite(dynamics.damping_ratio_se)
    if dynamics.resolved and errors_known:
        lines, weight = _sigma_points(dynamics)
    else:
        lines, weight = _lines_within(dynamics), None
    before = [beat.undistorted(hz, z) for hz, z in lines]
    true = numbers_of_all(np.array([b.harmonics for b in before]), beat)
    # The recorded beat seen through the same filter of noise, so that what it leaves out cancels.
    seen = [b.behind(hz, z) for b, (hz, z) in zip(before, lines, strict=True)]
    read = numbers_of_all(np.array(seen), beat)
    errors = {name: _error(read[name] - true[name], true[name], weight) for name in QUANTITIES}
    return Adequacy(**errors, beat=beat, dynamics=dynamics)


def _error(error: Float, true: Float, weight: Float | None) -> Error:
    if weight is None:
        return Error(float("nan"), float(error.min()), float(error.max()), float("nan"))
    mean = float(weight @ error)
    reach = 1.96 * float(np.sqrt(weight @ (error - mean) ** 2))
    # The first line is the measured one.
    return Error(float(error[0]), mean - reach, mean + reach, float(true[0]))


def _sigma_points(dynamics: Dynamics) -> tuple[Float, Float]:
    """Nine lines about the measured one, that one first, and their weights."""
    axes = []
    for value, se in (
        (dynamics.natural_frequency_hz, dynamics.natural_frequency_hz_se),
        (dynamics.damping_ratio, dynamics.damping_ratio_se),
    ):
        axes.append(value * np.exp(np.sqrt(3.0) * se / value * np.array([0.0, -1.0, 1.0])))
    hz, z = np.meshgrid(*axes, indexing="ij")
    one = np.array([2.0 / 3.0, 1.0 / 6.0, 1.0 / 6.0])
    return np.column_stack([hz.ravel(), z.ravel()]), np.outer(one, one).ravel()


def _lines_within(dynamics: Dynamics) -> Float:
    """Lines spread over the bounds of one that is not resolved."""
    low, high, z_low, z_high = _WIDEST
    hz = (max(low, dynamics.natural_frequency_hz_low), min(high, dynamics.natural_frequency_hz_high))
    damping = (max(z_low, dynamics.damping_ratio_low), min(z_high, dynamics.damping_ratio_high))
    # Bounds beyond the widest grid: the line lies at its edge for all that matters.
    hz = (min(hz[0], high), max(min(hz[0], high), hz[1]))
    damping = (min(damping[0], z_high), max(min(damping[0], z_high), damping[1]))
    z = np.geomspace(*damping, _SIDE)
    if np.isfinite(dynamics.slow_pole_s):
        # Only pairs of that time constant fit the flush; it is inverse to frequency.
        along = np.array([slow_pole(1.0, float(v)) for v in z]) / dynamics.slow_pole_s
        return np.column_stack([np.clip(along, *hz), z])
    grid = np.meshgrid(np.geomspace(*hz, _SIDE), z, indexing="ij")
    return np.column_stack([g.ravel() for g in grid])
