"""Truth: landmarks and pressures of each beat, on the noise-free pressure at the recorder's input."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from hemoidx.simulate.heart import BEAT_KINDS, BeatTrain

if TYPE_CHECKING:
    import pandas as pd

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
BoolArray = NDArray[np.bool_]

# A beat counts as clear of events when nothing touches it within this margin [s].
CLEAR_MARGIN_S = 0.25
# A pulse below this share of the usual one is kept as truth, but nobody is asked to find it.
WEAK_PULSE = 0.2
# The incisura is called visible if slope relaxes by at least this many pulse pressures per second there.
NOTCH_RELAXATION = 1.2


def _no_breaths() -> pd.DataFrame:
    import pandas as pd

    return pd.DataFrame(columns=["start_s", "end_s", "inspiration_end_s"], dtype=float)


@dataclass(frozen=True, slots=True)
class Truth:
    """
    What really happened in a simulated recording.

    Attributes
    ----------
    beats : DataFrame
        One row for each beat: `onset_s, steepest_s, peak_s, notch_s, end_s, duration_s, ejection_time_s` [s],
        `sbp, dbp, mbp, pp` [mmHg], `hr` [1/min], `dpdt_max` [mmHg/s], `systolic_area` [mmHg s], `kind`,
        `clear` (bool).
    spans : DataFrame
        One row for each event: `start_s, end_s, kind`, and the wider stretch `touch_start_s, touch_end_s` in
        which the event still changes the pressure (ringing, fading); that margin belongs neither to the event
        nor to clean time.
    breaths : DataFrame
        One row for each breath that lies wholly in the recording, see `breaths_table`.
    """

    beats: pd.DataFrame
    spans: pd.DataFrame
    breaths: pd.DataFrame = field(default_factory=_no_breaths)


@dataclass(frozen=True, slots=True)
class Landmarks:
    """Landmarks as arrays, one value per beat; times in seconds, pressures in mmHg."""

    onset: FloatArray
    steepest: FloatArray
    peak: FloatArray
    notch: FloatArray
    end: FloatArray
    sbp: FloatArray
    dbp: FloatArray
    mbp: FloatArray
    dpdt_max: FloatArray
    area: FloatArray


def _gather(x: FloatArray, first: IntArray, count: IntArray, fill: float) -> FloatArray:
    """Rows of a wave: row k holds `count[k]` samples from `first[k]`, then `fill`."""
    column = np.arange(int(max(count.max(initial=1), 1)))
    index = first[:, None] + column
    outside = (column >= count[:, None]) | (index < 0) | (index >= x.size)
    return np.where(outside, fill, x[np.clip(index, 0, x.size - 1)])


def _vertex(x: FloatArray, i: IntArray) -> tuple[FloatArray, FloatArray]:
    """Position and height of the extreme near sample `i`, from the parabola through three samples."""
    i = np.clip(i, 1, x.size - 2).astype(np.int64)
    left, mid, right = x[i - 1], x[i], x[i + 1]
    bend = left - 2 * mid + right
    safe = np.where(np.abs(bend) > 1e-12, bend, 1.0)
    shift = np.where(np.abs(bend) > 1e-12, 0.5 * (left - right) / safe, 0.0)
    shift = np.clip(shift, -1.0, 1.0)
    return np.asarray(i + shift, dtype=np.float64), mid - 0.25 * (left - right) * shift


def _feet(
    pressure: FloatArray,
    slope: FloatArray,
    grid: FloatArray,
    fs: float,
    begin: IntArray,
    interval: FloatArray,
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """Position and size of the steepest rise, diastolic pressure, and tangent foot; see `landmarks`."""
    width = np.minimum(0.8 * interval, 0.45)
    rows = _gather(slope, begin, (width * fs).astype(np.int64) + 1, -np.inf)
    steepest, dpdt = _vertex(slope, begin + rows.argmax(axis=1))
    before = np.diff(steepest, prepend=np.nan)
    before = np.where(np.isfinite(before), before, np.median(interval) * fs)
    back = np.minimum(0.25 * fs, before / 3.0).astype(np.int64)
    dbp = _gather(pressure, np.floor(steepest).astype(np.int64) - back, back + 1, np.inf).min(axis=1)
    foot = (np.interp(steepest, grid, pressure) - dbp) / np.maximum(dpdt, 1e-9) * fs
    # A pulse without a rise of its own has no tangent; its foot must not run off into other beats.
    onset = steepest - np.minimum(foot, np.minimum(0.5 * before, 0.4 * fs))
    return steepest, dpdt, dbp, onset


def landmarks(pressure: FloatArray, fs: float, first_s: float, train: BeatTrain, delay_s: float) -> Landmarks:
    """
    Measure every beat of a train on a noise-free wave.

    Parameters
    ----------
    pressure : ndarray
        Pressure [mmHg] at a fine rate.
    fs : float
        That rate [Hz].
    first_s : float
        Time of its first sample [s].
    train : BeatTrain
        The beats as the heart made them; says where to look, never what is measured.
    delay_s : float
        Delay of tube and line [s].

    Notes
    -----
    Steepest rise: greatest dP/dt from the start of ejection to 80 % of the interval or 0.45 s. `dbp`: lowest
    pressure from max(steepest - 0.25 s, a third of the previous interval before it) to the steepest rise.
    Onset: tangent at the steepest rise meets the horizontal through `dbp`. `sbp`: highest pressure from onset
    to the next onset; `mbp` the average between the two. See `_notch` for the notch.
    """
    grid = np.arange(pressure.size, dtype=np.float64)
    slope = np.gradient(pressure, 1.0 / fs)
    begin = np.round((train.start - first_s) * fs).astype(np.int64)
    steepest, dpdt, dbp, onset = _feet(pressure, slope, grid, fs, begin, train.interval)
    end = np.append(onset[1:], np.nan)
    length = np.where(np.isfinite(end), end - onset, 0.0).astype(np.int64)
    start = np.ceil(onset).astype(np.int64)
    peak, sbp = _vertex(
        pressure, start + _gather(pressure, start, np.maximum(length, 1), -np.inf).argmax(axis=1)
    )
    total = np.concatenate(([0.0], np.cumsum(0.5 * (pressure[1:] + pressure[:-1]))))
    whole = np.isfinite(end) & (length > 1)
    stop = np.where(whole, end, onset)
    ratio = (np.interp(stop, grid, total) - np.interp(onset, grid, total)) / np.where(
        whole, stop - onset, 1.0
    )
    mbp = np.where(whole, ratio, np.nan)
    closed = begin + (train.ejection + delay_s) * fs
    notch = _notch(slope, fs, peak, closed, np.where(whole, end, onset), sbp - dbp)
    until = np.where(np.isfinite(notch), notch, onset)
    area = (np.interp(until, grid, total) - np.interp(onset, grid, total) - dbp * (until - onset)) / fs
    area = np.where(np.isfinite(notch), area, np.nan)
    sbp = np.where(whole, sbp, np.nan)
    peak = np.where(whole, peak, np.nan)
    return Landmarks(
        onset=first_s + onset / fs,
        steepest=first_s + steepest / fs,
        peak=first_s + peak / fs,
        notch=first_s + notch / fs,
        end=first_s + end / fs,
        sbp=sbp,
        dbp=dbp,
        mbp=mbp,
        dpdt_max=dpdt,
        area=area,
    )


def _notch(
    slope: FloatArray, fs: float, peak: FloatArray, closed: FloatArray, end: FloatArray, pulse: FloatArray
) -> FloatArray:
    """
    Position of the incisura, NaN where the eye would find none.

    Looked for from 0.06 s before to 0.14 s after the closure of the valve reaches the recorder, behind the
    peak and in the first 85 % of the beat. A local minimum is taken if there is one, else the strongest
    upward bend (greatest second derivative). The bend counts if slope relaxes from its steepest fall before
    to its flattest after it by `NOTCH_RELAXATION` pulse pressures per second.
    """
    low = np.maximum(closed - 0.06 * fs, peak + 0.02 * fs)
    high = np.minimum(closed + 0.14 * fs, peak + 0.85 * (end - peak))
    first = np.ceil(low).astype(np.int64)
    count = np.maximum(np.floor(high).astype(np.int64) - first, 0)
    usable = count > 4
    count = np.where(usable, count, 1)
    bend = np.gradient(slope)
    rows = _gather(bend, first, count, -np.inf)
    place = rows.argmax(axis=1)
    rising = _gather(slope, first, count, -1.0) >= 0
    falling_first = ~rising[:, 0]
    minimum = rising.any(axis=1) & falling_first
    place = np.where(minimum, rising.argmax(axis=1), place)
    interior = (place > 0) & (place < count - 1)
    steps = _gather(slope, first, count, np.nan)
    column = np.arange(steps.shape[1])
    sooner = np.where(column <= place[:, None], steps, np.inf)
    later = np.where((column >= place[:, None]) & np.isfinite(steps), steps, -np.inf)
    relaxed = later.max(axis=1) - np.where(np.isfinite(sooner), sooner, np.inf).min(axis=1)
    seen = usable & interior & (relaxed > NOTCH_RELAXATION * pulse)
    return np.where(seen, first + place, np.nan)


def usual_pulse(marks: Landmarks, train: BeatTrain) -> float:
    """Median pulse pressure of the beats that are not premature [mmHg]."""
    regular = train.kind != BEAT_KINDS.index("ectopic")
    pulse = (marks.sbp - marks.dbp)[regular]
    return float(np.nanmedian(pulse))


def beats_table(
    marks: Landmarks,
    train: BeatTrain,
    duration_s: float,
    lost: BoolArray,
    touched: BoolArray,
    faint: float,
) -> pd.DataFrame:
    """
    Truth table of the beats.

    A beat whose upstroke (onset to peak) lies in an event that hides the patient is left out (`lost`). A beat
    is `clear` if nothing touches it from 0.25 s before its foot to 0.25 s after its end, its end is known,
    and its pulse is at least a fifth of the usual one and more than `faint` [mmHg].
    """
    import pandas as pd

    inside = (marks.onset >= 0) & (marks.peak < duration_s) & ~lost
    next_lost = np.append(lost[1:], True)
    whole = (marks.end < duration_s) & ~next_lost
    pulse = marks.sbp - marks.dbp
    clear = whole & ~touched & (pulse >= max(WEAK_PULSE * usual_pulse(marks, train), faint))
    end = np.where(whole, marks.end, np.nan)
    notch = np.where(marks.notch < duration_s, marks.notch, np.nan)
    table = pd.DataFrame(
        {
            "onset_s": marks.onset,
            "steepest_s": marks.steepest,
            "peak_s": marks.peak,
            "notch_s": notch,
            "end_s": end,
            "duration_s": end - marks.onset,
            "ejection_time_s": notch - marks.onset,
            "sbp": marks.sbp,
            "dbp": marks.dbp,
            "mbp": np.where(whole, marks.mbp, np.nan),
            "pp": pulse,
            "hr": 60.0 / (end - marks.onset),
            "dpdt_max": marks.dpdt_max,
            "systolic_area": np.where(np.isfinite(notch), marks.area, np.nan),
            "kind": np.array(BEAT_KINDS)[train.kind],
            "clear": clear,
        }
    )
    return table[inside].reset_index(drop=True)
