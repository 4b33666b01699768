"""Writing results so that they are there whole or not at all."""

from __future__ import annotations

import json
import os
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from hemoidx.errors import InputError


def refuse_foreign(target: str | os.PathLike[str], ours: str) -> None:
    """
    Refuse a folder that holds other people's things.

    Parameters
    ----------
    target : path-like
        The folder to write into.
    ours : str
        A name that stands in it if it was written by us. Others use it too where it ends in .json: then it
        must hold a mapping with the key "hemoidx".

    Raises
    ------
    InputError
        If the folder is not empty and holds no such thing.
    """
    folder = Path(target)
    if folder.is_dir() and any(folder.iterdir()) and not _is_ours(folder / ours):
        raise InputError(f"{folder}: the folder holds other things already; name a new or empty one")


def _is_ours(mark: Path) -> bool:
    if mark.suffix != ".json" or not mark.is_file():
        return mark.exists()
    try:
        content = json.loads(mark.read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return False
    return isinstance(content, dict) and "hemoidx" in content


@contextmanager
def whole_folder(target: str | os.PathLike[str]) -> Iterator[Path]:
    """
    Give a folder to write into that becomes `target`, or joins it, when all went well.

    Parameters
    ----------
    target : path-like
        The folder wanted. If it is there, what is written takes the place of files of the same name
        in it; everything else in it stays.

    Yields
    ------
    Path
        An empty folder on the same disk.

    Raises
    ------
    InputError
        If the target, or a folder above it, is a file.

    Notes
    -----
    When an error passes through, everything written is removed and the target is as it was.
    """
    wanted = Path(target).absolute()
    ground = wanted if wanted.exists() else next(up for up in wanted.parents if up.exists())
    if not ground.is_dir():
        raise InputError(f"{target}: cannot be a folder, since {ground} is a file; name another")
    part = ground / f".{wanted.name}.{os.getpid()}.part"
    try:
        with _named(part, wanted):
            part.mkdir()
            yield part
            if wanted.is_dir():
                _move_into(part, wanted)
            else:
                wanted.parent.mkdir(parents=True, exist_ok=True)
                part.rename(wanted)
    finally:
        shutil.rmtree(part, ignore_errors=True)


@contextmanager
def whole_file(target: str | os.PathLike[str]) -> Iterator[Path]:
    """
    Give a file to write that becomes `target` when all went well.

    Parameters
    ----------
    target : path-like
        The file wanted. It is replaced if it is there.

    Yields
    ------
    Path
        A file on the same disk that is not there yet.

    Notes
    -----
    When an error passes through, the target is as it was, and an error of the system names the target.
    """
    wanted = Path(target)
    part = wanted.with_name(f".{wanted.name}.{os.getpid()}.part")
    try:
        with _named(part, wanted):
            yield part
            part.replace(wanted)
    finally:
        part.unlink(missing_ok=True)


@contextmanager
def _named(part: Path, wanted: Path) -> Iterator[None]:
    """Let an error of the system name the place that the user knows, not the one it was written in."""
    try:
        yield
    except OSError as error:

        def known(text: str) -> str:
            return text.replace(str(part), str(wanted))

        if str(part) not in f"{error} {error.filename}":
            raise
        if error.errno is None:
            raise OSError(known(str(error))) from error
        where = wanted if error.filename is None else known(os.fspath(error.filename))
        raise OSError(error.errno, os.strerror(error.errno), str(where)) from error


def _move_into(source: Path, target: Path) -> None:
    for made in sorted(source.iterdir()):
        place = target / made.name
        if made.is_dir() and place.is_dir():
            _move_into(made, place)
        else:
            made.replace(place)
