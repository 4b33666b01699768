"""Small helpers for files: names that may be trusted, and fingerprints."""

from __future__ import annotations

import hashlib
from pathlib import Path, PurePosixPath
from typing import Any

from hemoidx.errors import DataUnavailableError, InputError


def inside(folder: Path, name: str, said_by: str) -> Path:
    """
    Path of a file that a header names.

    Parameters
    ----------
    folder : Path
        Folder of the header.
    name : str
        File name found in it: untrusted text.
    said_by : str
        The header, for the error text.

    Returns
    -------
    Path
        The existing file.

    Raises
    ------
    InputError
        If the name leaves the folder.
    DataUnavailableError
        If there is no such file.
    """
    parts = PurePosixPath(name).parts
    # A colon would be a drive letter, or an address for the library that opens the file.
    if not parts or parts[0] == "/" or ".." in parts or any(c in name for c in "\\:\0"):
        raise InputError(f"{said_by} names the file {name!r}, which is outside the folder of the recording")
    path = folder.joinpath(*parts)
    if not path.is_file():
        raise DataUnavailableError(f"{said_by} names the file {name!r}, which is not in {folder}")
    return path


def fingerprint(path: Path, folder: Path) -> dict[str, Any]:
    """
    Name, size and SHA-256 of a file.

    Parameters
    ----------
    path : Path
        The file.
    folder : Path
        Folder to which the name is given.

    Returns
    -------
    dict
        name, sha256, bytes.
    """
    with path.open("rb") as stream:
        digest = hashlib.file_digest(stream, "sha256").hexdigest()
    return {"name": path.relative_to(folder).as_posix(), "sha256": digest, "bytes": path.stat().st_size}
