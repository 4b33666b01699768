"""Zero over time: its drift, the zero that holds at a moment, and when it has gone stale."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from hemoidx.errors import InputError
from hemoidx.line.states import STALE_AFTER_S
from hemoidx.line.zero import ZeroReadings

Float = NDArray[np.float64]
Bool = NDArray[np.bool_]

#: Range of zero drift over three hours [mmHg]. Gordon VL, Welch JP, Carley D, Teplick R, Newbower RS. Zero
#: stability of disposable and reusable pressure transducers. Med Instrum 1987;21(2):87-91.
DRIFT_RANGE = {"disposable": (-2.0, 2.0), "reusable_with_dome": (-11.0, 5.0)}
DRIFT_HOURS = 3.0


class ZeroDrift(NamedTuple):
    """Drift of the zero: rate and standard error [mmHg/h], readings it rests on, hours they span."""

    per_hour: float
    se: float
    readings: int
    hours: float


def zero_drift(readings: ZeroReadings) -> ZeroDrift:
    """
    Drift of the zero over a recording.

    Parameters
    ----------
    readings : ZeroReadings
        Levels of the open stretches.

    Returns
    -------
    ZeroDrift
        Slope of a weighted least-squares fit with one slope and a level of its own between any two changes
        of the zero: taking a zero moves the level, not the drift. NaN where no two stretches can be compared.
        If the levels scatter more than their standard errors say, that of the slope is raised accordingly.
    """
    n = len(readings)
    if n < 2:
        return ZeroDrift(np.nan, np.nan, 0, 0.0)
    # A step within a stretch ends an epoch.
    epoch = np.cumsum(~readings.found)
    hours = 0.5 * (readings.start_s + readings.end_s) / 3600.0
    weight = readings.se**-2.0
    total = np.bincount(epoch, weight, minlength=1)
    total[total == 0] = np.nan

    def centred(value: Float) -> Float:
        return np.asarray(value - (np.bincount(epoch, weight * value, minlength=1) / total)[epoch])

    t, y = centred(hours), centred(readings.level)
    sxx = float(np.sum(weight * t * t))
    count = np.bincount(epoch, minlength=1)
    compared = int(count[count >= 2].sum())
    if not compared or sxx <= 0:
        return ZeroDrift(np.nan, np.nan, compared, 0.0)
    slope = float(np.sum(weight * t * y)) / sxx
    spare = n - int(np.count_nonzero(count)) - 1
    excess = float(np.sum(weight * (y - slope * t) ** 2)) / spare if spare > 0 else 1.0
    used = hours[count[epoch] >= 2]
    return ZeroDrift(slope, float(np.sqrt(max(excess, 1.0) / sxx)), compared, float(np.ptp(used)))


class ZeroState(NamedTuple):
    """Zero that holds at a position: level and standard error [mmHg], age [s], whether it is stale."""

    level: Float
    se: Float
    age_s: Float
    stale: Bool


def zero_at(readings: ZeroReadings, position: ArrayLike, disturbances: ArrayLike = ()) -> ZeroState:
    """
    Zero that holds at positions of the wave.

    Parameters
    ----------
    readings : ZeroReadings
        Levels of the open stretches.
    position : array_like
        Positions [samples].
    disturbances : array_like
        Positions where something may have moved the zero or the transducer [samples].

    Returns
    -------
    ZeroState
        The last level read before each position; NaN and stale before the first. It is stale after
        `STALE_AFTER_S` or a disturbance.
    """
    pos = np.asarray(position, dtype=np.float64)
    row = np.searchsorted(readings.start, pos, side="right") - 1
    seen = row >= 0
    if not seen.any():
        gone = np.full(pos.shape, np.nan)
        return ZeroState(gone, gone.copy(), gone.copy(), np.ones(pos.shape, dtype=bool))
    row = np.maximum(row, 0)
    stop = readings.stop[row]
    age = np.maximum(pos - stop, 0.0) / readings.fs
    struck = np.sort(np.asarray(disturbances, dtype=np.float64).ravel())
    hit = np.searchsorted(struck, pos, side="right") > np.searchsorted(struck, stop, side="left")
    stale = ~seen | (age > STALE_AFTER_S) | hit
    level, se, age = (np.where(seen, v, np.nan) for v in (readings.level[row], readings.se[row], age))
    return ZeroState(level, se, age, np.asarray(stale))


def drift_allowance(age_s: ArrayLike, transducer: str = "disposable") -> tuple[Float, Float]:
    """
    Drift that a zero of some age may have undergone unseen.

    Parameters
    ----------
    age_s : array_like
        Time since the zero [s].
    transducer : str
        'disposable' or 'reusable_with_dome'.

    Returns
    -------
    low, high : ndarray
        Bounds [mmHg]. They widen evenly to the published range at three hours and stay there: the growth
        before is our assumption, beyond it nothing was published.

    Raises
    ------
    InputError
        If the kind is unknown or an age is negative.

    References
    ----------
    Gordon et al. 1987, see `DRIFT_RANGE`.
    """
    if transducer not in DRIFT_RANGE:
        raise InputError(f"transducer {transducer!r} is unknown; choose one of {', '.join(DRIFT_RANGE)}")
    hours = np.asarray(age_s, dtype=np.float64) / 3600.0
    if (hours < 0).any():
        raise InputError("the age of a zero must not be negative")
    share = np.minimum(hours / DRIFT_HOURS, 1.0)
    low, high = DRIFT_RANGE[transducer]
    return low * share, high * share
