"""The clock of a table: from a column of times to a rate, a first sample and the row of each sample."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from hemoidx.errors import InputError
from hemoidx.recordings.building import check_length

# Ours. Times of day count from 1970 in seconds above this; no recording starts three years in.
_EPOCH_SECONDS = 1e8
_EVEN_SHARE = 0.9  # of the steps must be within half a step of the median
_ROUNDS = 10  # of refining the rate; two or three are the rule
_SMALL_JITTER = 0.01  # of a step: rounding of printed times, not worth a word


@dataclass(frozen=True)
class Clock:
    """
    An even clock fitted to a column of times.

    Parameters
    ----------
    fs : float
        Rate [Hz].
    first : int
        Number of the first sample, from the start of the recording.
    size : int
        Samples from the first row to the last, missing ones included.
    rows : ndarray of int
        Position of each row among them.
    start_time : str
        ISO text of the start, '' for plain seconds.
    notices : list of str
        What had to be tolerated.
    """

    fs: float
    first: int
    size: int
    rows: NDArray[np.int64]
    start_time: str
    notices: list[str]


def read_clock(column: pd.Series[Any], unit: float, where: str) -> Clock:
    """
    Fit an even clock to a time column.

    Parameters
    ----------
    column : Series
        Seconds, Unix time, durations or timestamps.
    unit : float
        Seconds in one unit of a numeric column.
    where : str
        File and column, for the error text.

    Returns
    -------
    Clock
        Rate from the steps: their median finds the even ones, then a straight line through all
        rows; it is rounded as far as the times themselves allow.

    Raises
    ------
    InputError
        If the times are not numbers or timestamps, do not rise, or are not evenly spaced.
    """
    time, start = _seconds(column, unit, where)
    if time.size < 2:
        raise InputError(f"{where}: {time.size} row(s); at least two are needed to know the rate")
    steps = np.diff(time)
    back = np.flatnonzero(steps <= 0)
    if back.size:
        row = int(back[0]) + 2
        raise InputError(f"{where}: the clock does not go forward at row {row} ({time[row - 1]:g} s)")
    step = float(np.median(steps))
    even = np.abs(steps - step) < 0.5 * step
    if np.mean(even) < _EVEN_SHARE:
        raise InputError(
            f"{where}: not evenly spaced ({np.mean(even):.0%} of the steps are near the median {step:g} s)"
        )
    fs, start_s, rows = _fit(time, steps, float(np.mean(steps[even])), where)
    same = np.flatnonzero(np.diff(rows) == 0)
    if same.size:
        row = int(same[0]) + 2
        raise InputError(
            f"{where}: rows {row - 1} and {row} fall on the same sample; the clock jitters too much"
        )
    return Clock(
        fs=fs,
        first=round(start_s * fs),
        size=int(rows[-1]) + 1,
        rows=rows,
        start_time=start,
        notices=_notices(time - start_s, start_s, rows, fs),
    )


def _seconds(column: pd.Series[Any], unit: float, where: str) -> tuple[NDArray[np.float64], str]:
    if not len(column):
        return np.zeros(0), ""
    missing = np.flatnonzero(column.isna())
    if missing.size:
        raise InputError(f"{where}: no time in row {int(missing[0]) + 1}; every row needs one")
    if pd.api.types.is_timedelta64_dtype(column.dtype):
        return np.asarray(column.dt.total_seconds(), dtype=np.float64), ""
    if pd.api.types.is_bool_dtype(column.dtype):
        raise InputError(f"{where}: holds yes and no, not times")
    if pd.api.types.is_numeric_dtype(column.dtype):
        time = column.to_numpy(dtype=np.float64) * unit
        if not np.isfinite(time).all():
            raise InputError(f"{where}: a time is infinite")
        if time.size and time[0] >= _EPOCH_SECONDS:
            try:
                start = pd.Timestamp(time[0], unit="s").isoformat()
            except (ValueError, OverflowError) as error:
                raise InputError(
                    f"{where}: {time[0]:g} s is no date; name the unit in the header, for example 'time [ms]'"
                ) from error
            return time - time[0], start
        return time, ""
    if re.fullmatch(r"\d+:\d\d:\d\d(\.\d+)?", str(column.iloc[0])):  # time since the start, or of day
        return _seconds(pd.to_timedelta(column, errors="coerce"), 1.0, where)
    try:
        stamps = pd.to_datetime(column, format=None if column.dtype.kind == "M" else "ISO8601")
    except (ValueError, TypeError, OverflowError) as error:
        raise InputError(f"{where}: neither seconds nor timestamps (ISO 8601): {column.iloc[0]!r}") from error
    since = np.asarray((stamps - stamps.iloc[0]).dt.total_seconds(), dtype=np.float64)
    return since, stamps.iloc[0].isoformat()


def _fit(
    time: NDArray[np.float64], steps: NDArray[np.float64], step: float, where: str
) -> tuple[float, float, NDArray[np.int64]]:
    """Rate, time of the first sample and position of each row, by least squares through all rows."""
    check_length(int((time[-1] - time[0]) / step) + 1, 1.0 / step, where)
    rows = np.zeros(time.size, dtype=np.int64)
    for _ in range(_ROUNDS):
        # Gaps are counted in steps of the best rate so far, which the rows between them then improve.
        before = rows
        rows = np.concatenate([[0], np.cumsum(np.maximum(np.rint(steps / step), 1))]).astype(np.int64)
        if np.array_equal(rows, before):
            break
        centred = rows - rows.mean()
        step = float(np.dot(centred, time - time[0]) / np.dot(centred, centred))
    rest = time - time[0] - rows * step
    # What the times themselves leave open: their jitter, and what float64 holds of such numbers.
    slack = float(np.ptp(rest)) + 4 * float(np.spacing(np.abs(time).max()))
    fs = 1.0 / step
    for digits in range(7):
        rounded = round(fs, digits)
        if rounded > 0 and abs(1.0 / rounded - step) * rows[-1] <= slack:
            fs = rounded
            break
    # The middle of the jitter, not the first row alone, says where the samples lie.
    rest = time - time[0] - rows / fs
    start = float(time[0] + (rest.max() + rest.min()) / 2)
    rows = np.rint((time - start) * fs).astype(np.int64)
    return fs, start + float(rows[0]) / fs, rows - rows[0]


def _notices(time: NDArray[np.float64], start: float, rows: NDArray[np.int64], fs: float) -> list[str]:
    notices = []
    holes = np.diff(rows) - 1
    if holes.any():
        notices.append(f"{int(holes.sum())} rows are missing in {int(np.count_nonzero(holes))} places: gaps")
    jitter = float(np.abs(time * fs - rows).max())
    if jitter > _SMALL_JITTER:
        notices.append(f"the clock jitters by up to {1000 * jitter / fs:.3g} ms around {fs:g} Hz")
    shift = abs(start * fs - round(start * fs))
    if shift > _SMALL_JITTER:
        notices.append(f"the first time, {start:g} s, was moved by {1000 * shift / fs:.3g} ms onto a sample")
    return notices
