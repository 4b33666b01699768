"""Cases of a database of tracks, by its open web interface: an index of tracks, and one CSV for each."""

from __future__ import annotations

import csv
import io
from collections.abc import Callable, Iterable, Sequence
from fnmatch import fnmatchcase
from functools import partial
from typing import Any

from hemoidx.errors import DataUnavailableError, InputError

from .manifest import Database
from .transfer import get_text

#: The index of all tracks: case, name and identifier of each.
TRACKS = "trks"
_GZIP = b"\x1f\x8b"
_COLUMNS = ("caseid", "tname", "tid")

Task = Callable[[Any], None]


def tasks(work: Any, entry: Database, records: Sequence[str]) -> dict[str, Task]:
    """
    What is to be fetched for some cases.

    Parameters
    ----------
    work : _Work
        Place, server and manners of a fetch.
    entry : Database
        The database: its channels name the tracks that are wanted.
    records : sequence of str
        Numbers of cases; ``7/ART*`` asks for other tracks of a case, by the part of their name after the
        slash.

    Returns
    -------
    dict of str to callable
        By what it is, a function that fetches it, given whom to tell of bytes.

    Raises
    ------
    InputError
        If a case is no number, or none was named: thousands of cases are not fetched by accident.
    DataUnavailableError
        If a case or a track is not there.

    Notes
    -----
    Where the server has no index of tracks, the whole case is fetched as one Parquet file. A track is filed
    under the part of its name after the slash: no device is named.
    """
    if not records:
        raise InputError(
            f"fetch: name the cases of {entry.slug}, such as 1 or 7/ART*; all of them are thousands"
        )
    wanted = [_asked(record, entry) for record in records]
    text = get_text(work.place.url(TRACKS), work.manners, optional=True, login=work.login)
    if text is None:
        return {case: partial(work.file, f"{case}.parquet") for case, _ in wanted}
    index = _index(text, {case for case, _ in wanted})
    found: dict[str, Task] = {}
    for case, patterns in wanted:
        if case not in index:
            raise DataUnavailableError(f"fetch: {entry.slug} has no case {case}")
        mine = [(name, tid) for name, tid in index[case] if any(fnmatchcase(name, p) for p in patterns)]
        if not mine:
            there = ", ".join(sorted({name for name, _ in index[case]})[:12])
            raise DataUnavailableError(f"fetch: case {case} has no such track; it has {there}")
        for name, tid in _unique(mine):
            found[f"{case}/{name}"] = partial(_track, work, f"{case}/{name}", tid)
    return found


def _asked(record: str, entry: Database) -> tuple[str, list[str]]:
    case, _, pattern = str(record).partition("/")
    if not case.isdigit():
        raise InputError(f"fetch: {record!r} names no case; a number is needed, or a number/track")
    usual = [name.rpartition("/")[2] for names in entry.channels.values() for name in names]
    return str(int(case)), [pattern] if pattern else usual


def _index(text: str, cases: set[str]) -> dict[str, list[tuple[str, str]]]:
    rows = csv.DictReader(io.StringIO(text.lstrip("\ufeff")))
    if not set(_COLUMNS) <= set(rows.fieldnames or ()):
        raise DataUnavailableError(f"fetch: the index of tracks has no columns {', '.join(_COLUMNS)}")
    found: dict[str, list[tuple[str, str]]] = {}
    for row in rows:
        if row["caseid"] in cases:
            found.setdefault(row["caseid"], []).append((row["tname"].rpartition("/")[2], row["tid"]))
    return found


def _unique(tracks: Iterable[tuple[str, str]]) -> Iterable[tuple[str, str]]:
    """Names that two devices share get a number."""
    seen: dict[str, int] = {}
    for name, tid in tracks:
        seen[name] = seen.get(name, 0) + 1
        yield (name if seen[name] == 1 else f"{name}_{seen[name]}"), tid


def _track(work: Any, name: str, tid: str, told: Callable[[int], None]) -> None:
    """Fetch one track; a compressed one keeps the ending that says so."""
    for ending in (".csv", ".csv.gz"):
        if work.there(f"{name}{ending}"):
            return
    path = work.fetch(tid, f"{name}.csv", told)
    with path.open("rb") as file:
        packed = file.read(2) == _GZIP
    if packed:
        work.rename(f"{name}.csv", f"{name}.csv.gz")
