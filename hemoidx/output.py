"""Writing results so that they are there whole or not at all."""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from hemoidx.errors import InputError


@contextmanager
def whole_folder(target: str | os.PathLike[str]) -> Iterator[Path]:
    """
    Give a folder to write into that takes the place of `target` when all went well.

    Parameters
    ----------
    target : path-like
        The folder wanted. If it is there, what is written takes the place of files and folders of
        the same name in it; others stay.

    Yields
    ------
    Path
        An empty folder beside the target, on the same disk.

    Raises
    ------
    InputError
        If the target, or a folder above it, is a file.

    Notes
    -----
    When an error passes through, everything written is removed and the target is as it was.
    """
    wanted = Path(target).absolute()
    ground = wanted if wanted.is_dir() else next(up for up in wanted.parents if up.exists())
    if not ground.is_dir() or wanted.is_file():
        raise InputError(
            f"{target}: cannot be a folder, since {wanted if wanted.is_file() else ground} is a file"
        )
    part = ground / f".{wanted.name}.{os.getpid()}.part"
    part.mkdir()
    try:
        yield part
        if not wanted.is_dir():
            wanted.parent.mkdir(parents=True, exist_ok=True)
            part.rename(wanted)
            return
        for made in sorted(part.iterdir()):
            place = wanted / made.name
            if place.is_dir():
                shutil.rmtree(place)
            made.replace(place)
    finally:
        shutil.rmtree(part, ignore_errors=True)
