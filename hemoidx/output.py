"""Writing results so that they are there whole or not at all."""

from __future__ import annotations

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
        A name that stands in it if it was written by us.

    Raises
    ------
    InputError
        If the folder is not empty and holds no such name.
    """
    folder = Path(target)
    if folder.is_dir() and any(folder.iterdir()) and not (folder / ours).exists():
        raise InputError(f"{folder}: the folder holds other things already; name a new or empty one")


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
    part.mkdir()
    try:
        yield part
        if wanted.is_dir():
            _move_into(part, wanted)
        else:
            wanted.parent.mkdir(parents=True, exist_ok=True)
            part.rename(wanted)
    finally:
        shutil.rmtree(part, ignore_errors=True)


def _move_into(source: Path, target: Path) -> None:
    for made in sorted(source.iterdir()):
        place = target / made.name
        if made.is_dir() and place.is_dir():
            _move_into(made, place)
        else:
            made.replace(place)
