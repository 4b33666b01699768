"""A case as a folder of tracks: waves whose first rows carry the time, and numbers now and then."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from hemoidx.errors import InputError
from hemoidx.recordings.building import Channel, Origin, build, check_length, empty, unique_names
from hemoidx.recordings.channels import ARTERIAL, CUFF, PRESSURE_ROLES, pick_names, role_of
from hemoidx.recordings.files import fingerprint

if TYPE_CHECKING:
    import pandas as pd
    import xarray as xr

SUFFIXES = (".csv", ".csv.gz", ".parquet")
_TIME = "time"
_MISSING = ["-nan(ind)", "nan(ind)", "-nan"]
#: Numbers stand at whole seconds: they come every one to seven.
_NUMERIC_HZ = 1.0
_FROM_HZ = 10.0
#: What may have been noted a single time in a case.
_NOTED = frozenset({CUFF, "numeric", "cardiac_output"})


def is_case(folder: Path) -> bool:
    """Whether a folder holds tracks: tables of two columns, the time and something named device/NAME."""
    files = _files(folder)
    return bool(files) and all(map(_is_track, files))


def _is_track(path: Path) -> bool:
    # Without the slash it may as well be a recording of one channel.
    try:
        head = _head(path)
    except (InputError, OSError, ValueError):
        return False
    return len(head) == 2 and head[0].lower() == _TIME and "/" in head[1]


def read_tracks(folder: Path, channels: str | Sequence[str] | None = None) -> xr.Dataset:
    """
    Read a case.

    Parameters
    ----------
    folder : Path
        One CSV or Parquet file a track, with the columns ``Time`` [s] and device/NAME. Of a name only the
        part after the slash is kept. In a wave the times behind the first rows may be missing: they follow
        from the step. ``-nan(ind)`` is a gap.
    channels : str or sequence of str, optional
        Tracks wanted, by the part after the slash; all if left out.

    Returns
    -------
    xarray.Dataset
        Waves at their own rates; numbers at 1 Hz, empty where none was noted. Pressures are taken for mmHg,
        in which the database keeps them.

    Raises
    ------
    InputError
        If a track cannot be used.
    DataUnavailableError
        If a channel is not there.
    """
    files = _files(folder)
    names = unique_names([_head(path)[1].rsplit("/", 1)[-1] for path in files])
    wanted = pick_names(names, channels, folder.name)
    notices = ["pressures state no unit; mmHg was taken", "numbers stand at whole seconds"]
    found = [_track(files[names.index(name)], name, notices) for name in wanted]
    waves = [ch for ch in found if ch.fs >= _FROM_HZ]
    arterial = [ch.fs for ch in waves if ch.role == ARTERIAL]
    frame = max(arterial or [ch.fs for ch in waves or found])
    for ch in found:
        ch.dim = "time" if ch.fs == frame else f"time_{ch.fs:g}hz"
    _same_axis(found)
    main = next(ch for ch in found if ch.dim == "time")
    origin = Origin(
        record_id=folder.name,
        source=str(folder),
        fs=frame,
        segments=[{"name": folder.name, "start": main.first, "stop": main.first + main.values.size}],
        notices=notices,
        files=[fingerprint(files[names.index(name)], folder.parent) for name in wanted],
        checksums=dict.fromkeys(wanted, "not stated"),
    )
    return build(found, origin)


def _files(folder: Path) -> list[Path]:
    return sorted(path for path in folder.iterdir() if path.name.endswith(SUFFIXES))


def _head(path: Path) -> list[str]:
    """Names of the columns."""
    if path.suffix == ".parquet":
        import pyarrow.parquet as pq

        return list(pq.read_schema(path).names)
    import pandas as pd

    try:
        return [str(name) for name in pd.read_csv(path, nrows=0).columns]
    except (ValueError, OSError, EOFError) as error:
        raise InputError(f"{path.name} cannot be read: {' '.join(str(error).split())}") from error


def _track(path: Path, name: str, notices: list[str]) -> Channel:
    import pandas as pd

    table = pd.read_parquet(path) if path.suffix == ".parquet" else pd.read_csv(path, na_values=_MISSING)
    time, values = (_numbers(table.iloc[:, k], f"{path.name}, column {k + 1}") for k in (0, 1))
    timed = np.flatnonzero(np.isfinite(time))
    once = timed.size == time.size == 1 and role_of(name) in _NOTED
    if timed.size < 2 and not once:
        raise InputError(f"{path.name}: fewer than two of its rows carry a time")
    steps = np.diff(time[timed]) / np.diff(timed)
    # Numbers may come evenly too; they keep their own seconds, which a slow rate would round away.
    step = steps[:1] if timed.size < time.size else steps
    if step.size and float(np.median(step)) <= 1.0 / _FROM_HZ:
        return _wave(path, name, time, timed, values)
    if timed.size < time.size:
        row = int(np.flatnonzero(~np.isfinite(time))[0]) + 2
        raise InputError(f"{path.name}, row {row}: a number noted now and then needs its time")
    return _noted(path, name, time, values, notices)


def _numbers(column: pd.Series[Any], where: str) -> NDArray[np.float64]:
    import pandas as pd

    found = pd.to_numeric(column, errors="coerce")
    bad = np.flatnonzero(found.isna() & column.notna())
    if bad.size:
        raise InputError(
            f"{where}, row {int(bad[0]) + 2}: {str(column.iloc[int(bad[0])])[:40]!r} is no number"
        )
    return found.to_numpy(dtype=np.float64)


def _wave(
    path: Path, name: str, time: NDArray[np.float64], timed: NDArray[np.intp], values: NDArray[np.float64]
) -> Channel:
    step = float(time[timed[-1]] - time[timed[0]]) / float(timed[-1] - timed[0])
    if step <= 0:
        raise InputError(f"{path.name}: time does not go forward")
    expected = time[timed[0]] + step * (timed - timed[0])
    if np.abs(time[timed] - expected).max() > 0.5 * step:
        raise InputError(f"{path.name}: its times do not follow one step")
    fs = round(1.0 / step, 6)
    check_length(values.size, fs, path.name)
    first = round((float(time[timed[0]]) - step * float(timed[0])) * fs)
    return _made(path, name, values.astype(np.float32), fs, first)


def _noted(
    path: Path, name: str, time: NDArray[np.float64], values: NDArray[np.float64], notices: list[str]
) -> Channel:
    if np.any(np.diff(time) < 0):
        raise InputError(f"{path.name}: time does not go forward")
    known = np.isfinite(values)
    time, values = (time[known], values[known]) if known.any() else (time, values)
    second = np.floor(time).astype(np.int64)
    lost = int(np.count_nonzero((np.diff(second) == 0) & (np.diff(values) != 0)))
    if lost:
        notices.append(f"{name}: {lost} values were followed by another in the same second, which was kept")
    check_length(int(second[-1] - second[0]) + 1, _NUMERIC_HZ, path.name)
    out = empty(int(second[-1] - second[0]) + 1, np.float32, path.name)
    out[second - second[0]] = values
    return _made(path, name, out, _NUMERIC_HZ, int(second[0]))


def _made(path: Path, name: str, values: NDArray[Any], fs: float, first: int) -> Channel:
    role = role_of(name)
    if fs < _FROM_HZ and role == ARTERIAL:
        role = "numeric"
    pressure = role in PRESSURE_ROLES
    run = {"start": first, "stop": first + values.size, "gain": 1.0, "baseline": 0, "units_in": ""}
    run |= {"step": None, "rail_low": None, "rail_high": None, "calibrated": True}
    return Channel(name, values, fs, "time", role, "mmHg" if pressure else "", path.name, [run], first)


def _same_axis(found: Sequence[Channel]) -> None:
    """Tracks of one rate share their axis: they get one beginning and one end, empty where they were not."""
    for dim in {ch.dim for ch in found}:
        mine = [ch for ch in found if ch.dim == dim]
        first = min(ch.first for ch in mine)
        stop = max(ch.first + ch.values.size for ch in mine)
        for ch in mine:
            if (ch.first, ch.values.size) == (first, stop - first):
                continue
            values = empty(stop - first, np.float32, ch.name)
            values[ch.first - first : ch.first - first + ch.values.size] = ch.values
            ch.scale[0] |= {"start": first, "stop": stop}
            ch.values, ch.first = values, first
