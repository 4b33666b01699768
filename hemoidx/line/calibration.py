"""Calibration of a channel against a manometer: pressure = offset + gain x what the channel indicates."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from hemoidx.errors import InputError
from hemoidx.line.level import Level

if TYPE_CHECKING:
    from hemoidx.line.zero import ZeroReadings

Float = NDArray[np.float64]

OFFSET = "offset"
OFFSET_AND_GAIN = "offset and gain"
#: Ours: a channel that is in mmHg has a gain within these. Centimetres of water taken for mmHg, or the other
#: way round, fall outside (0.736 and 1.360), and so does one point written down wrongly.
GAIN_WITHIN = (0.8, 1.25)
# Readings closer together than this share of their size are one reading.
_SAME = 1e-9


@dataclass(frozen=True)
class Calibration:
    """
    Straight line from what a channel indicates to pressure, with what is known of it.

    Parameters
    ----------
    offset : float
        Pressure where the channel indicates 0 [mmHg].
    gain : float
        [mmHg per unit indicated]; above 0.
    offset_se, gain_se : float
        Standard errors; NaN where nothing tells, as with two points and no stated error.
    covariance : float
        Of offset and gain.
    fitted : str
        'offset' (gain taken as 1) or 'offset and gain'.
    points : int
        Points that it rests on.
    residuals : tuple of float
        Applied less calibrated pressure at each point [mmHg].
    residual_sd : float
        Their standard deviation, by degrees of freedom [mmHg]; NaN without any left.
    goodness : float
        Probability of residuals at least this large, by chi-square with the stated standard errors; NaN
        without those or without degrees of freedom.
    valid_from_s : float, optional
        Time in the recording from which it holds [s]; None: from the start.
    source : str
        What it was taken from, in words.

    Raises
    ------
    InputError
        If offset or gain is not finite, or the gain not above 0.
    """

    offset: float
    gain: float = 1.0
    offset_se: float = float("nan")
    gain_se: float = float("nan")
    covariance: float = 0.0
    fitted: str = OFFSET_AND_GAIN
    points: int = 0
    residuals: tuple[float, ...] = ()
    residual_sd: float = float("nan")
    goodness: float = float("nan")
    valid_from_s: float | None = None
    source: str = ""

    def __post_init__(self) -> None:
        if not (np.isfinite(self.offset) and np.isfinite(self.gain) and self.gain > 0):
            raise InputError(
                f"calibration: offset {self.offset:g}, gain {self.gain:g}; both must be numbers, gain above 0"
            )
        if self.fitted not in (OFFSET, OFFSET_AND_GAIN):
            raise InputError(f"calibration: fitted must be {OFFSET!r} or {OFFSET_AND_GAIN!r}")
        if self.valid_from_s is not None and not np.isfinite(self.valid_from_s):
            raise InputError("calibration: valid_from_s must be a time in seconds, or None for the start")

    @property
    def largest_residual(self) -> float:
        """Largest residual without its sign [mmHg]: what a straight line does not explain."""
        return float(np.max(np.abs(self.residuals))) if self.residuals else float("nan")

    @property
    def sets_gain(self) -> bool:
        """Whether it gives an uncalibrated channel its gain: two points or more are needed."""
        return self.fitted == OFFSET_AND_GAIN and self.points >= 2

    def pressure(self, indicated: ArrayLike) -> Float:
        """Pressure for what the channel indicates [mmHg]."""
        return np.asarray(self.offset + np.multiply(indicated, self.gain), dtype=np.float64)

    def indicated(self, pressure: ArrayLike) -> Float:
        """What the channel indicates at a pressure: the inverse of `pressure`."""
        return np.asarray(np.subtract(pressure, self.offset) / self.gain, dtype=np.float64)

    def se(self, indicated: ArrayLike) -> Float:
        """Standard error of `pressure` from offset and gain together [mmHg]."""
        x = np.asarray(indicated, dtype=np.float64)
        variance = self.offset_se**2 + 2.0 * x * self.covariance + (x * self.gain_se) ** 2
        return np.sqrt(np.maximum(variance, 0.0))

    def as_dict(self) -> dict[str, Any]:
        """Plain values for attributes and provenance; None for what is not known."""
        names = ("valid_from_s", "offset", "gain", "offset_se", "gain_se", "covariance")
        out: dict[str, Any] = {name: _known(getattr(self, name)) for name in names}
        out |= {"fitted": self.fitted, "points": self.points, "source": self.source}
        return out | {"residual_sd": _known(self.residual_sd), "goodness": _known(self.goodness)}

    def words(self) -> str:
        """Say in one sentence what it does and how well it is known."""
        start = "" if self.valid_from_s is None else f"from {self.valid_from_s:.1f} s on: "
        offset = f"{self.offset:+.2f} mmHg{_give(self.offset_se, '.2f')}"
        if self.fitted == OFFSET:
            return f"{start}offset {offset}; gain not looked at"
        gain = f"gain {self.gain:.4f}{_give(self.gain_se, '.4f')}"
        return f"{start}offset {offset}, {gain}, from {self.points} points"


def _known(value: float | None) -> float | None:
    return None if value is None or np.isnan(value) else float(value)


def _give(se: float, form: str) -> str:
    return "" if np.isnan(se) else f" (standard error {se:{form}})"


def bridge_output(pressure: ArrayLike, excitation_v: float, sensitivity: float = 5.0) -> Float:
    """
    Output of a bridge transducer above that at zero pressure.

    Parameters
    ----------
    pressure : array_like
        [mmHg].
    excitation_v : float
        Voltage across the bridge [V].
    sensitivity : float
        [uV/V/mmHg]; 5 is nominal.

    Returns
    -------
    ndarray
        [mV].

    References
    ----------
    Technical note of a test laboratory on IEC 60601-2-34 (edition of 2000).

    Examples
    --------
    >>> float(bridge_output(100.0, 5.0))
    2.5
    """
    return np.asarray(np.multiply(pressure, 1e-3 * sensitivity * excitation_v), dtype=np.float64)


def calibrate(
    indicated: ArrayLike,
    applied: ArrayLike,
    se: ArrayLike | None = None,
    *,
    fit: str | None = None,
    any_gain: bool = False,
    valid_from_s: float | None = None,
    source: str = "manometer",
) -> Calibration:
    """
    Calibrate a channel against known pressures.

    Parameters
    ----------
    indicated : array_like, shape (n,)
        What the channel read at each point [mmHg, or counts of an uncalibrated channel].
    applied : array_like, shape (n,)
        Pressure of the manometer [mmHg]; 0 for open to air.
    se : float or array_like, shape (n,), optional
        Standard error of each comparison [mmHg]: rounding of the channel, reading of the manometer. Without
        it, it is told from the residuals, which two points do not leave.
    fit : str, optional
        'offset' or 'offset and gain'. Left out: the offset from one point, both from more.
    any_gain : bool
        Accept a gain outside of `GAIN_WITHIN`, as for a channel in counts.
    valid_from_s : float, optional
        Time in the recording from which it holds [s].
    source : str
        What it was taken from, in words.

    Returns
    -------
    Calibration
        Least-squares line of the applied on the indicated pressure, with weights if `se` is given.

    Raises
    ------
    InputError
        For too few points, points that are not numbers, equal points, a gain of 0 or less, or one far from 1.

    Notes
    -----
    The manometer is taken as exact and the line runs from indication to pressure, as a correction is used.
    With standard errors s of the readings and a spread S of the points the gain comes out too small by
    (s / S)^2: 0.01 % for 1 mmHg over three points from 0 to 200 mmHg. If the residuals are larger than `se`
    says, the standard errors are raised accordingly.

    References
    ----------
    .. [1] JCGM 100:2008, Evaluation of measurement data: Guide to the expression of uncertainty in
       measurement, annex H.3 (calibration of a thermometer): straight line, standard errors, covariance.

    Examples
    --------
    >>> line = calibrate([2.0, 102.0], [0.0, 100.0])
    >>> line.offset, line.gain
    (-2.0, 1.0)
    """
    x, y, error = _points(indicated, applied, se)
    fit = fit or (OFFSET if x.size == 1 else OFFSET_AND_GAIN)
    if fit not in (OFFSET, OFFSET_AND_GAIN):
        raise InputError(f"calibration: fit must be {OFFSET!r} or {OFFSET_AND_GAIN!r}, got {fit!r}")
    weight = np.ones(x.size) if error is None else error**-2.0
    total = float(weight.sum())
    x_mean, y_mean = float(weight @ x) / total, float(weight @ y) / total
    gain, per_gain = (1.0, 0.0) if fit == OFFSET else _slope(x - x_mean, y - y_mean, weight)
    if fit == OFFSET_AND_GAIN:
        _check_gain(gain, any_gain)
    residuals = (y - y_mean) - gain * (x - x_mean)
    spare = x.size - (1 if fit == OFFSET else 2)
    chi2 = float(weight @ residuals**2)
    if error is None:
        variance = chi2 / spare if spare else float("nan")
    else:
        variance = max(chi2 / spare, 1.0) if spare else 1.0
    gain_variance = variance * per_gain if fit == OFFSET_AND_GAIN else float("nan")
    offset_variance = variance / total + (x_mean**2 * gain_variance if fit == OFFSET_AND_GAIN else 0.0)
    covariance = -x_mean * gain_variance
    return Calibration(
        offset=y_mean - gain * x_mean,
        gain=gain,
        offset_se=float(np.sqrt(offset_variance)),
        gain_se=float(np.sqrt(gain_variance)),
        covariance=covariance if np.isfinite(covariance) else 0.0,
        fitted=fit,
        points=x.size,
        residuals=tuple(residuals.tolist()),
        residual_sd=float(np.sqrt(np.sum(residuals**2) / spare)) if spare else float("nan"),
        goodness=_chance(chi2, spare) if error is not None and spare else float("nan"),
        valid_from_s=valid_from_s,
        source=source,
    )


def _points(
    indicated: ArrayLike, applied: ArrayLike, se: ArrayLike | None
) -> tuple[Float, Float, Float | None]:
    try:
        x, y = (np.atleast_1d(np.asarray(v, dtype=np.float64)) for v in (indicated, applied))
        error = None if se is None else np.asarray(se, dtype=np.float64)
    except (TypeError, ValueError) as problem:
        raise InputError(f"calibration: the points must be numbers ({problem})") from problem
    if x.ndim != 1 or x.shape != y.shape:
        raise InputError(f"calibration: {x.size} readings for {y.size} pressures; give one of each per point")
    if not x.size:
        raise InputError("calibration: no point; one gives the offset, two or more the gain as well")
    if not (np.isfinite(x).all() and np.isfinite(y).all()):
        k = int(np.flatnonzero(~(np.isfinite(x) & np.isfinite(y)))[0])
        raise InputError(f"calibration: point {k + 1} is {x[k]:g} against {y[k]:g}; both must be numbers")
    if error is None:
        return x, y, None
    if error.shape not in ((), x.shape) or not (np.isfinite(error).all() and (error > 0).all()):
        raise InputError("calibration: se must be one standard error above 0, or one for each point")
    return x, y, np.broadcast_to(error, x.shape)


def _slope(x: Float, y: Float, weight: Float) -> tuple[float, float]:
    """Slope through centred points, and its variance for a unit of variance."""
    if x.size < 2:
        raise InputError("calibration: one point gives no gain; take a second one, or ask for fit='offset'")
    if np.ptp(x) <= _SAME * max(float(np.abs(x).max()), 1.0):
        raise InputError("calibration: the channel reads the same at all points; no gain follows from that")
    sxx = float(weight @ x**2)
    return float(weight @ (x * y)) / sxx, 1.0 / sxx


def _check_gain(gain: float, any_gain: bool) -> None:
    if not np.isfinite(gain) or gain <= 0:
        raise InputError(
            f"calibration: the gain comes out as {gain:g}, not above 0: equal pressures, or points mixed up"
        )
    low, high = GAIN_WITHIN
    if not (any_gain or low <= gain <= high):
        raise InputError(
            f"calibration: the gain comes out as {gain:.3g}, outside {low:g} to {high:g}; check points and "
            "unit, or pass any_gain=True for a channel that is not in mmHg"
        )


def _chance(chi2: float, spare: int) -> float:
    from scipy.special import gammaincc

    return float(gammaincc(0.5 * spare, 0.5 * chi2))


def level_calibration(level: Level, valid_from_s: float | None = None) -> Calibration:
    """
    Offset that refers pressures to the reference level.

    Parameters
    ----------
    level : Level
        Height of the transducer.
    valid_from_s : float, optional
        Time from which it lay there [s].

    Returns
    -------
    Calibration
        An offset, with the standard error of the level.
    """
    where = (
        f"transducer {abs(level.above_cm):g} cm {'above' if level.above_cm >= 0 else 'below'} the reference"
    )
    return Calibration(
        0.0 - level.reading_error, 1.0, level.se, fitted=OFFSET, valid_from_s=valid_from_s, source=where
    )


def zero_calibrations(
    readings: ZeroReadings, *, linear: bool = False, backwards: bool = False
) -> list[Calibration]:
    """
    Offsets that bring open levels to zero.

    Parameters
    ----------
    readings : ZeroReadings
        Levels of the open stretches.
    linear : bool
        Also give the end of each level, for an offset that runs evenly from the level left in one stretch to
        the one found in the next; otherwise a level holds until the next one.
    backwards : bool
        Let the first level, as found, hold from the start of the recording on.

    Returns
    -------
    list of Calibration
        In order of time, one point each.

    Raises
    ------
    InputError
        If there is no reading, or none of what was found at first, which `backwards` needs.
    """
    if not len(readings):
        raise InputError("zero: no open stretch gave a reading; give the zero error as a number instead")
    if backwards and not readings.found[0]:
        raise InputError("zero: the level found in the first open stretch was too short to be read")
    out = []
    last_s = (readings.first + readings.stop - 1) / readings.fs
    for k, (level, se) in enumerate(zip(readings.level.tolist(), readings.se.tolist(), strict=True)):
        times: list[float | None] = [float(readings.start_s[k])]
        if linear and last_s[k] > readings.start_s[k]:
            times.append(float(last_s[k]))
        if backwards and k == 0:
            times[0] = None
        source = f"open to air at {readings.start_s[k]:.1f} s"
        out += [
            Calibration(0.0 - level, 1.0, se, fitted=OFFSET, points=1, valid_from_s=time, source=source)
            for time in times
        ]
    return out
