"""Reading small tables that people write by hand: mappings, YAML, JSON, CSV, Parquet, DataFrames."""

from __future__ import annotations

import csv
import difflib
import json
import math
import os
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any

from ..errors import DataUnavailableError, InputError

Rows = Mapping[str, Any] | list[Mapping[str, Any]]


def read_rows(source: Any, what: str) -> tuple[Rows, str]:
    """
    Read a mapping or a list of rows.

    Parameters
    ----------
    source : mapping, list of mapping, DataFrame, str or path-like
        The rows, or a file of them: .yaml, .yml, .json, .csv or .parquet.
    what : str
        What it is, for the error text.

    Returns
    -------
    rows : mapping or list of mapping
        As found.
    where : str
        What to call it in an error text.

    Raises
    ------
    InputError
        If it cannot be read as such.
    DataUnavailableError
        If the file is not there.
    """
    if isinstance(source, Mapping):
        return source, what
    if hasattr(source, "to_dict") and hasattr(source, "columns"):
        return _records(source), what
    if isinstance(source, str | os.PathLike):
        path = Path(source)
        where = f"{what} {path.name}"
        return _checked(_from_file(path, where), where), where
    return _checked(source, what), what


def _records(frame: Any) -> list[Mapping[str, Any]]:
    return [{str(key): value for key, value in row.items()} for row in frame.to_dict("records")]


def _checked(found: Any, where: str) -> Rows:
    if found is None:
        return {}
    if isinstance(found, Mapping):
        return found
    if isinstance(found, list | tuple) and all(isinstance(row, Mapping) for row in found):
        return list(found)
    raise InputError(f"{where}: need a mapping or a list of mappings, got {type(found).__name__}")


def _from_file(path: Path, where: str) -> Any:
    if not path.is_file():
        raise DataUnavailableError(f"{where}: there is no file {path}")
    suffix = path.suffix.lower()
    if suffix == ".parquet":
        return _parquet(path, where)
    if suffix not in (".yaml", ".yml", ".json", ".csv"):
        raise InputError(
            f"{where}: need a .yaml, .json, .csv or .parquet file, got {path.suffix or 'no suffix'}"
        )
    try:
        content = path.read_text(encoding="utf-8-sig")
    except UnicodeDecodeError as error:
        raise InputError(f"{where}: not a text file in UTF-8") from error
    if suffix == ".csv":
        return _csv(content, where)
    return _json(content, where) if suffix == ".json" else _yaml(content, where)


def _csv(content: str, where: str) -> list[Mapping[str, Any]]:
    rows: list[Mapping[str, Any]] = []
    reader = csv.DictReader(content.splitlines(), skipinitialspace=True)
    for row in reader:
        if None in row or None in row.values():
            raise InputError(f"{where}, line {reader.line_num}: it has not as many fields as the heading")
        rows.append({str(key).strip(): str(value).strip() for key, value in row.items()})
    return rows


def _json(content: str, where: str) -> Any:
    try:
        return json.loads(content)
    except json.JSONDecodeError as error:
        raise InputError(f"{where}, line {error.lineno}: not JSON ({error.msg})") from error


def _yaml(content: str, where: str) -> Any:
    import yaml

    try:
        return yaml.safe_load(content)
    except yaml.YAMLError as error:
        mark = getattr(error, "problem_mark", None)
        line = f", line {mark.line + 1}" if mark is not None else ""
        raise InputError(
            f"{where}{line}: not YAML ({getattr(error, 'problem', None) or 'cannot be read'})"
        ) from error


def _parquet(path: Path, where: str) -> list[Mapping[str, Any]]:
    import pandas as pd
    import pyarrow as pa

    try:
        return _records(pd.read_parquet(path))
    except (pa.ArrowInvalid, OSError) as error:
        raise InputError(f"{where}: not a Parquet file, or cut off") from error


def empty(value: Any) -> bool:
    """Whether a cell holds nothing: None, an empty text or NaN."""
    return value is None or value == "" or (isinstance(value, float) and math.isnan(value)) or _is_na(value)


def _is_na(value: Any) -> bool:
    return type(value).__name__ in ("NAType", "NaTType")


def number(value: Any, what: str, infinite: bool = False) -> float:
    """
    Read a number.

    Raises
    ------
    InputError
        If it is none, or is not finite (unless `infinite` allows plus infinity).
    """
    try:
        found = math.nan if isinstance(value, bool) else float(value)
    except (TypeError, ValueError):
        found = math.nan
    if math.isfinite(found) or (infinite and found == math.inf):
        return found
    raise InputError(f"{what}: need a number, got {value!r}")


def text(value: Any, what: str) -> str:
    """
    Read a word or a sentence.

    Raises
    ------
    InputError
        If it is not a text, or is empty.
    """
    if not isinstance(value, str) or not value.strip():
        raise InputError(f"{what}: need a text, got {value!r}")
    return value.strip()


def near(name: str, known: Iterable[str]) -> str:
    """Half a sentence for an error text: the nearest known name, or all of them."""
    known = list(known)
    close = difflib.get_close_matches(name, known, n=1)
    return f"; did you mean {close[0]!r}?" if close else f"; known are {', '.join(known)}"
