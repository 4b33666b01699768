"""Where recordings are found: by path, or as database/record under the data root."""

from __future__ import annotations

import os
import re
from pathlib import Path

from hemoidx.errors import DataUnavailableError, InputError
from hemoidx.opendata.root import data_root

# Tried in this order, so a WFDB record wins over an exported table of the same name.
SUFFIXES = (".hea", ".edf", ".nc", ".parquet", ".csv", ".csv.gz")
_VERSION = re.compile(r"v?\d+(\.\d+)+")


def find_record(source: str | os.PathLike[str]) -> Path:
    """
    Find the file that a recording is read from.

    Parameters
    ----------
    source : str or path-like
        A path, with or without suffix, or 'database/record' under the data root. A version folder
        (database/1.0.0/...) may be left out.

    Returns
    -------
    Path
        The header, CSV or Parquet file.

    Raises
    ------
    InputError
        If the name is empty, leaves the data root, or fits several recordings.
    DataUnavailableError
        If there is nothing of that name.
    """
    if not isinstance(source, str | os.PathLike) or not os.fspath(source):
        raise InputError("a recording is named by its path, or as database/record")
    text = os.fspath(source)
    if "\0" in text:
        raise InputError(f"{text!r} is not a file name")
    found = _with_suffix(Path(text).expanduser())
    if found is not None:
        return found
    if Path(text).is_dir():
        raise InputError(f"{text} is a folder; name a recording in it")
    matches = _in_root(text)
    if len(matches) > 1:
        listed = ", ".join(str(m) for m in matches)
        raise InputError(f"{text} fits several recordings: {listed}; name one of them")
    if not matches:
        raise DataUnavailableError(
            f"no recording {text}: not a path, and not database/record under {data_root()}"
        )
    return matches[0]


def _with_suffix(path: Path) -> Path | None:
    """Find the readable file behind a path, if there is one."""
    if path.suffix == ".dat":  # a signal file says nothing without its header
        path = path.with_suffix(".hea")
    if path.is_file():
        return path
    # Appended, not replaced: record names may hold dots.
    return (
        next((p for s in SUFFIXES if (p := path.with_name(path.name + s)).is_file()), None)
        if path.name
        else None
    )


def places(source: str | os.PathLike[str]) -> list[Path]:
    """
    Places that a name may mean: the path itself, and those under the data root, with each version folder.

    Parameters
    ----------
    source : str or path-like
        As for `find_record`.

    Returns
    -------
    list of Path
        Whether anything is there or not.
    """
    if not isinstance(source, str | os.PathLike) or not os.fspath(source) or "\0" in os.fspath(source):
        return []
    return [Path(source).expanduser(), *_under_root(os.fspath(source))]


def _in_root(text: str) -> list[Path]:
    return [path for place in _under_root(text) if (path := _with_suffix(place)) is not None]


def _under_root(text: str) -> list[Path]:
    parts = Path(text).parts
    if Path(text).is_absolute() or len(parts) < 2:
        return []
    if ".." in parts:
        raise InputError(f"{text}: a database/record name may not contain '..'")
    base = data_root() / parts[0]
    folders = [base]
    if base.is_dir():
        folders += sorted(p for p in base.iterdir() if p.is_dir() and _VERSION.fullmatch(p.name))
    return [folder.joinpath(*parts[1:]) for folder in folders]
