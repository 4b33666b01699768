"""CSV and Parquet files with a time column."""

from __future__ import annotations

import csv
import gzip
import json
import re
import zlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import islice
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import xarray as xr
from numpy.typing import NDArray

from hemoidx.errors import DataUnavailableError, InputError
from hemoidx.recordings.building import Channel, Origin, build, empty, unique_names
from hemoidx.recordings.channels import PRESSURE_ROLES, holds_pressure, pick_names, role_of
from hemoidx.recordings.clock import Clock, read_clock
from hemoidx.recordings.files import fingerprint
from hemoidx.units import mmhg_per_unit, pressure_unit

_TIME_NAMES = ("time", "time_s", "t", "timestamp", "datetime", "seconds", "__index_level_0__")
_SECONDS = {
    **dict.fromkeys(("s", "sec", "secs", "second", "seconds"), 1.0),
    **dict.fromkeys(("ms", "msec", "millis", "millisecond", "milliseconds"), 1e-3),
    **dict.fromkeys(("us", "µs", "μs", "usec", "microsecond", "microseconds"), 1e-6),
    **dict.fromkeys(("ns", "nanosecond", "nanoseconds"), 1e-9),
    **dict.fromkeys(("min", "minute", "minutes"), 60.0),
    **dict.fromkeys(("h", "hour", "hours"), 3600.0),
}
# A unit may end the name itself: time_ms, abp_kPa.
_TIME_SUFFIX = re.compile(r"(?P<name>time|t|timestamp)[ _]+(?P<unit>[^ _]+)", re.IGNORECASE)
_PRESSURE_SUFFIX = re.compile(r"(?P<name>.*[^ _])[ _]+(?P<unit>mm ?hg|kpa|cm ?h2o)", re.IGNORECASE)
_SEPARATORS = (",", ";", "\t")
_PEEK_LINES = 50
# In round brackets a column may name its unit or a site; these are taken for units.
_UNIT_WORDS = {
    *("mv", "uv", "µv", "v", "%", "l", "ml", "l/min", "ml/min", "l/s", "m/s", "cm/s", "1/min", "bpm"),
    *("nu", "a.u.", "au", "ohm", "degrees", "deg", "hz", "pa", "hpa", "mbar", "bar", "psi", "torr"),
    *_SECONDS,
}
_BRACKETS = re.compile(r"(?P<name>.*?)\s*(?:\[(?P<square>[^\]]*\]?)\]|\((?P<round>[^)]*)\))\s*")
_MISSING = ["-nan(ind)", "nan(ind)", "-nan", "--", "-", "?"]  # beside those pandas knows


@dataclass(frozen=True)
class _Column:
    """A column of the file: its place there, and name and unit taken from its label."""

    number: int
    name: str
    unit: str | None


def read_table(
    path: Path,
    channels: str | Sequence[str] | None = None,
    units: str | Mapping[str, str] | None = None,
) -> xr.Dataset:
    """
    Read a CSV or Parquet file with a time column.

    Parameters
    ----------
    path : Path
        The file. Its time column is called time, time_s, t or timestamp, or is the first one; it
        holds timestamps or seconds (or milliseconds, if the header says 'time [ms]' or time_ms).
        Fields are separated by commas, semicolons or tabs; with the latter two, decimal commas are
        read. Units stand in the header, 'ABP [mmHg]', 'ABP (kPa)' or ABP_kPa, in the `units`
        metadata of a Parquet column, or in the attributes of the table that was saved.
    channels : str or sequence of str, optional
        Channels wanted; all if left out.
    units : str or mapping of str to str, optional
        Units by name, which go before those of the file, or one for all pressures without a unit.

    Returns
    -------
    xarray.Dataset
        The recording, float64, see `hemoidx.recordings.load`. The rate follows from the clock;
        missing rows are gaps.

    Raises
    ------
    InputError
        If the file cannot be read, or its clock is not evenly spaced.
    UnitError
        If a pressure that was asked for has no unit of pressure.
    DataUnavailableError
        If a channel is not there.
    """
    table: _Csv | _Parquet = _Parquet(path) if path.suffix.lower() in (".parquet", ".pq") else _Csv(path)
    clock_column, columns = _columns(table, units, path)
    names = [column.name for column in columns]
    wanted = [columns[names.index(name)] for name in pick_names(names, channels, path.name)]
    factors = [_factor(column, path) for column in wanted]
    clock = _clock(table, clock_column, path)
    notices = [*table.notices, *clock.notices]
    made = []
    for column, factor in zip(wanted, factors, strict=True):
        values = _numbers(table.column(column.number), column, path, skip_text=channels is None)
        if values is None:
            notices.append(f"column {column.name} holds text and was left out")
        else:
            made.append(_channel(column, factor, values, clock, path))
    if not made:
        raise InputError(f"{path.name}: no column of numbers beside the time")
    name = re.sub(r"\.(csv|csv\.gz|parquet|pq)$", "", path.name, flags=re.IGNORECASE)
    origin = Origin(
        record_id=name,
        source=str(path),
        fs=clock.fs,
        segments=[{"name": name, "start": clock.first, "stop": clock.first + clock.size}],
        start_time=clock.start_time,
        notices=notices,
        files=[fingerprint(path, path.parent)],
        checksums={channel.name: "not stated" for channel in made},
    )
    return build(made, origin)


def names_time(path: Path) -> bool:
    """
    Tell whether a table says by name which column is its time, without reading its rows.

    Parameters
    ----------
    path : Path
        A CSV or Parquet file.

    Returns
    -------
    bool
        Whether it does. One that does not may still be a recording whose first column is the time.

    Raises
    ------
    InputError, OSError
        If the file cannot be read.
    """
    if path.suffix == ".parquet":
        labels = _Parquet(path).labels
    else:
        opener = gzip.open if path.name.lower().endswith(".gz") else open
        with opener(path, "rt", encoding="utf-8-sig", newline="") as file:
            labels = next(csv.reader(file, delimiter=_punctuation(path)[0]), [])
    return any(_column(0, label, None).name.lower() in _TIME_NAMES for label in labels)


def _columns(
    table: _Csv | _Parquet, units: str | Mapping[str, str] | None, path: Path
) -> tuple[_Column, list[_Column]]:
    """Find the time column; the others get unique names and the units that the user gave."""
    columns = [_column(i, label, table.units.get(label)) for i, label in enumerate(table.labels)]
    if len(columns) < 2:
        raise InputError(f"{path.name}: needs a time column and at least one channel")
    clock = columns.pop(_time_position(columns))
    names = unique_names([column.name for column in columns])
    named = [_Column(c.number, name, c.unit) for c, name in zip(columns, names, strict=True)]
    return clock, _with_units(named, units, path)


class _Csv:
    """Columns of a CSV file, read once; labels keep what pandas would change in doubled ones."""

    def __init__(self, path: Path) -> None:
        separator, decimal = _punctuation(path)
        how: dict[str, Any] = {
            "skipinitialspace": separator != "\t",
            "encoding": "utf-8-sig",
            "sep": separator,
        }
        try:
            head = pd.read_csv(path, header=None, nrows=1, dtype=str, **how)
            self._frame = pd.read_csv(path, na_values=_MISSING, decimal=decimal, **how)
        except (ValueError, OSError, EOFError) as error:  # pandas' parser errors are ValueErrors
            reason = " ".join(str(error).split())
            raise InputError(f"{path.name} cannot be read as CSV: {reason}") from error
        self.labels = ["" if pd.isna(label) else str(label) for label in head.iloc[0]]
        self.units: dict[str, str] = {}
        self.notices = ["decimal commas were read"] if decimal == "," else []
        if len(self.labels) != self._frame.shape[1] or not isinstance(self._frame.index, pd.RangeIndex):
            raise InputError(f"{path.name}: the rows do not have as many fields as the header line")
        if all(re.fullmatch(r"[-+.\deE]*\d[-+.\deE]*", label) for label in self.labels):
            raise InputError(f"{path.name} has no header line; its columns need names")

    def column(self, number: int) -> pd.Series[Any]:
        """One column, by its place."""
        column: pd.Series[Any] = self._frame.iloc[:, number]
        return column


def _punctuation(path: Path) -> tuple[str, str]:
    """
    Separator of the fields and decimal sign of a CSV file, by its first lines.

    A semicolon or tab separates where it makes as many fields of the first row as of the header, and more
    than one. A comma inside numbers is then a decimal sign; between commas it could be nothing else than a
    separator.
    """
    opener = gzip.open if path.name.lower().endswith(".gz") else open
    try:
        with opener(path, "rt", encoding="utf-8-sig", newline="") as file:
            lines = [line for line in islice(file, _PEEK_LINES) if line.strip()]
    except (OSError, EOFError, UnicodeDecodeError, zlib.error):
        return ",", "."  # what is wrong with the file is said where it is read
    for separator in _SEPARATORS:
        rows = list(csv.reader(lines, delimiter=separator))
        if len(rows) > 1 and len(rows[0]) == len(rows[1]) > 1:
            cells = [cell.strip() for row in rows[1:] for cell in row]
            commas = separator != "," and any(
                re.fullmatch(r"[-+]?\d*,\d+(e[-+]?\d+)?", c, re.I) for c in cells
            )
            return separator, "," if commas else "."
    return ",", "."


class _Parquet:
    """Columns of a Parquet file, read when asked for."""

    def __init__(self, path: Path) -> None:
        import pyarrow.parquet as pq
        from pyarrow import ArrowException

        try:
            self._file = pq.ParquetFile(path)
        except (ArrowException, OSError) as error:
            reason = " ".join(str(error).split())
            raise InputError(f"{path.name} cannot be read as Parquet: {reason}") from error
        self.notices: list[str] = []
        schema = self._file.schema_arrow
        self.labels = list(schema.names)
        if len(set(self.labels)) < len(self.labels):
            raise InputError(f"{path.name} has several columns of one name")
        self.units = _saved_units(schema.metadata or {})
        for field in schema:
            known = field.metadata or {}
            unit = known.get(b"units", known.get(b"unit"))
            if unit is not None:
                self.units[field.name] = unit.decode("utf-8", "replace")

    def column(self, number: int) -> pd.Series[Any]:
        """One column, by its place."""
        table = self._file.read([self.labels[number]])
        series: pd.Series[Any] = table.column(self.labels[number]).to_pandas()
        return series


def _saved_units(metadata: Mapping[bytes, bytes]) -> dict[str, str]:
    """Units that pandas kept: `attrs["units"]`, a mapping from column to unit."""
    try:
        pandas = json.loads(metadata.get(b"PANDAS_ATTRS", b"{}"))
    except ValueError:
        return {}
    units = pandas.get("units") if isinstance(pandas, dict) else None
    return {str(k): str(v) for k, v in units.items()} if isinstance(units, dict) else {}


def _column(number: int, label: str, unit: str | None) -> _Column:
    text = label.strip() or f"column {number + 1}"
    match = _BRACKETS.fullmatch(text)
    if match and match["name"]:
        said = (match["square"] if match["square"] is not None else match["round"]).strip()
        is_unit = match["square"] is not None or said.lower() in _UNIT_WORDS or pressure_unit(said)
        if is_unit:
            return _Column(number, match["name"].strip(" \t,"), unit or said or None)
    text = text.strip(" \t,")
    ending = _TIME_SUFFIX.fullmatch(text)
    if ending and ending["unit"].lower() in _SECONDS:
        return _Column(number, ending["name"], unit or ending["unit"])
    ending = _PRESSURE_SUFFIX.fullmatch(text)
    if ending:
        return _Column(number, ending["name"], unit or ending["unit"])
    return _Column(number, text, unit or None)


def _time_position(columns: list[_Column]) -> int:
    names = [column.name.lower() for column in columns]
    return next((names.index(name) for name in _TIME_NAMES if name in names), 0)


def _clock(table: _Csv | _Parquet, column: _Column, path: Path) -> Clock:
    if column.unit is not None and column.unit.lower() not in _SECONDS:
        raise InputError(
            f"{path.name}: the time column {column.name!r} is in {column.unit!r}; seconds are read"
        )
    unit = _SECONDS[column.unit.lower()] if column.unit else 1.0
    times = table.column(column.number)
    ending = _TIME_SUFFIX.fullmatch(column.name)
    if ending and column.unit is None and pd.api.types.is_numeric_dtype(times.dtype):
        raise InputError(
            f"{path.name}: the time column {column.name!r} ends in a word that is no unit of time; write "
            f"'{ending['name']} [s]' or '{ending['name']} [ms]' in its header"
        )
    return read_clock(times, unit, f"{path.name}, column {column.name!r}")


def _with_units(columns: list[_Column], units: str | Mapping[str, str] | None, path: Path) -> list[_Column]:
    if units is None:
        return columns
    if isinstance(units, str):
        return [
            _Column(c.number, c.name, units)
            if c.unit is None and role_of(c.name, units) in PRESSURE_ROLES
            else c
            for c in columns
        ]
    unknown = set(units) - {c.name for c in columns}
    if unknown:
        raise DataUnavailableError(
            f"units= names {', '.join(map(repr, sorted(unknown)))}, not in {path.name}; "
            f"there are {', '.join(c.name for c in columns)}"
        )
    return [_Column(c.number, c.name, units.get(c.name, c.unit)) for c in columns]


def _factor(column: _Column, path: Path) -> float:
    if not holds_pressure(role_of(column.name, column.unit), column.unit):
        return 1.0
    where = f"column {column.name!r} of {path.name}"
    if column.unit is None:
        where += f" (write '{column.name} [mmHg]' in its header, or give units='mmHg', --units mmHg)"
    return mmhg_per_unit(column.unit, where)


def _numbers(
    series: pd.Series[Any], column: _Column, path: Path, *, skip_text: bool
) -> NDArray[np.float64] | None:
    if pd.api.types.is_numeric_dtype(series.dtype):
        values = series.to_numpy(dtype=np.float64, na_value=np.nan, copy=True)
        values[np.isinf(values)] = np.nan
        return values
    numbers = pd.to_numeric(series, errors="coerce")
    bad = np.flatnonzero(numbers.isna() & series.notna() & ~series.isin(_MISSING))
    if bad.size:
        if skip_text and role_of(column.name, column.unit) not in PRESSURE_ROLES:
            return None
        cell = str(series.iloc[int(bad[0])])[:40]
        raise InputError(f"{path.name}, row {int(bad[0]) + 1}, column {column.name!r}: {cell!r} is no number")
    return _numbers(numbers, column, path, skip_text=skip_text)


def _channel(
    column: _Column, factor: float, values: NDArray[np.float64], clock: Clock, path: Path
) -> Channel:
    role = role_of(column.name, column.unit)
    placed = empty(clock.size, np.float64, path.name)
    placed[clock.rows] = values * factor
    run = {
        "start": clock.first,
        "stop": clock.first + clock.size,
        "gain": 1.0 / factor,
        "baseline": 0,
        "units_in": column.unit or "",
        "step": None,
        "rail_low": None,
        "rail_high": None,
        "calibrated": True,
    }
    return Channel(
        name=column.name,
        values=placed,
        fs=clock.fs,
        dim="time",
        role=role,
        units="mmHg" if holds_pressure(role, column.unit) else column.unit or "",
        source=f"{path.name}, column {column.number + 1}",
        scale=[run],
        first=clock.first,
    )
