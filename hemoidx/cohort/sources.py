"""Which recordings a cohort has, and what was documented of each."""

from __future__ import annotations

import difflib
import os
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

from ..context import Context
from ..context.intervals import ALIASES, INTERVAL_KEYS, ONCE_KEYS
from ..context.rows import empty, read_rows
from ..errors import DataUnavailableError, InputError
from ..opendata.root import data_root
from ..recordings.finding import SUFFIXES

if TYPE_CHECKING:
    import pandas as pd

#: Columns of a context table that `Context` understands.
_CONTEXT = {*INTERVAL_KEYS, *ONCE_KEYS, *ALIASES, "from_s", "to_s", "at_s", "kind", "setup"}
_KEY, _SOURCE = "record_id", "source"
#: A column named as nearly like a key as this is taken for a slip, not for a group.
_SLIP = 0.84
_SEGMENTED = "/"


@dataclass(frozen=True)
class Member:
    """
    One recording of a cohort.

    Attributes
    ----------
    record_id : str
        Its name, unique in the cohort.
    source : str
        What `hemoidx.load` takes.
    """

    record_id: str
    source: str


@dataclass(frozen=True)
class Documented:
    """
    What a context table says of one recording.

    Attributes
    ----------
    rows : tuple of dict
        Rows as `Context.read` takes them.
    groups : dict
        Values of the columns that are no context, such as a ward or a patient; age, sex, height and weight
        too.
    """

    rows: tuple[dict[str, Any], ...] = ()
    groups: dict[str, Any] = field(default_factory=dict)


def members_of(source: Any) -> tuple[list[Member], str]:
    """
    Find the recordings of a cohort.

    Parameters
    ----------
    source : path, str, sequence or DataFrame
        A folder, searched with all folders below it; the name of a database under the data root; a list of
        recordings, or a file of one (``.txt``: one a line; ``.csv`` or ``.parquet``: a column ``source`` and,
        if wanted, ``record_id``), each as `hemoidx.load` takes it.

    Returns
    -------
    members : list of Member
        In order of their names.
    words : str
        What they were taken from.

    Raises
    ------
    InputError
        If there are none, or two have one name.
    DataUnavailableError
        If there is no such folder, file or database.
    """
    if isinstance(source, str | os.PathLike):
        path = Path(source).expanduser()
        if path.is_dir():
            found, words = list(_below(path)), f"folder {path.name}"
        elif path.is_file():
            found, words = _listed(path), f"list {path.name}"
        elif (data_root() / os.fspath(source)).is_dir():
            folder = data_root() / os.fspath(source)
            found, words = list(_below(folder)), f"database {source}"
        else:
            raise DataUnavailableError(
                f"cohort: {source} is no folder, no list of recordings and no database under {data_root()}"
            )
    else:
        found, words = _given(source, "cohort"), "recordings named one by one"
    if not found:
        raise InputError(f"cohort: no recording found in the {words}; WFDB, CSV and Parquet are looked for")
    seen: dict[str, str] = {}
    for member in found:
        if seen.setdefault(member.record_id, member.source) != member.source:
            raise InputError(
                f"cohort: two recordings are called {member.record_id!r} ({seen[member.record_id]} and "
                f"{member.source}); give each a record_id of its own"
            )
    return sorted(set(found), key=lambda member: member.record_id), words


def _below(folder: Path) -> Iterator[Member]:
    """Recordings in a folder and below it, cases of tracks whole; of one name the kind that is read first."""
    from ..recordings.tracks import SUFFIXES as TRACKS
    from ..recordings.tracks import is_case

    files = sorted(path for path in folder.rglob("*") if path.name.endswith(SUFFIXES) and path.is_file())
    hidden = {path for path in files if any(p.startswith(".") for p in path.relative_to(folder).parts)}
    parts = {part for path in files if path.suffix == ".hea" for part in _segments(path)}
    places = sorted({path.parent for path in files if path.name.endswith(TRACKS) and path not in hidden})
    cases = {place for place in places if is_case(place)}
    for case in sorted(cases):
        name = case.relative_to(folder).as_posix()
        yield Member(case.name if name == "." else name, str(case.absolute()))
    taken: set[str] = set()
    for suffix in SUFFIXES:
        for path in files:
            if not path.name.endswith(suffix) or path in hidden or path in parts or path.parent in cases:
                continue
            if suffix != ".hea" and not _has_time(path):
                continue
            name = path.relative_to(folder).as_posix().removesuffix(suffix)
            if name not in taken:
                taken.add(name)
                yield Member(name, str(path.absolute()))


def _segments(header: Path) -> Iterator[Path]:
    """Headers of the segments that a WFDB header puts together: they are no recordings of their own."""
    try:
        with header.open(encoding="ascii", errors="replace") as lines:
            words = [line.split() for line in lines if line.strip() and not line.startswith("#")]
    except OSError:
        return
    if words and _SEGMENTED in words[0][0]:
        for segment in words[1:]:
            yield header.with_name(f"{segment[0]}.hea")


def _has_time(path: Path) -> bool:
    """Whether a table could be a recording: it has a column of time. A list or a table of truth has none."""
    from ..recordings.tables import names_time

    try:
        return names_time(path)
    except (OSError, InputError, ValueError):
        return True


def _listed(path: Path) -> list[Member]:
    if path.suffix == ".txt":
        lines = (line.strip() for line in path.read_text(encoding="utf-8").splitlines())
        return _given([line for line in lines if line and not line.startswith("#")], path.name, path.parent)
    import pandas as pd

    if path.suffix not in (".csv", ".parquet"):
        return _given([str(path)], path.name)
    table = pd.read_csv(path) if path.suffix == ".csv" else pd.read_parquet(path)
    if _SOURCE not in table:
        return _given([str(path)], path.name)
    return _given(table, path.name, path.parent)


def _given(source: Any, where: str, beside: Path | None = None) -> list[Member]:
    """Recordings that were named; a path that is relative in a file is so to that file."""
    if hasattr(source, "columns"):
        table: pd.DataFrame = source
        if _SOURCE not in table:
            raise InputError(f"{where}: no column {_SOURCE!r}, which says where each recording is")
        names = table[_KEY] if _KEY in table else [None] * len(table)
        pairs: Iterable[tuple[Any, Any]] = zip(table[_SOURCE], names, strict=True)
    elif isinstance(source, Sequence):
        pairs = ((item, None) for item in source)
    else:
        raise InputError(
            f"{where}: a folder, a list of recordings or a table is needed, got {type(source).__name__}"
        )
    found = []
    for item, name in pairs:
        if not isinstance(item, str | os.PathLike) or not os.fspath(item):
            raise InputError(f"{where}: {item!r} names no recording")
        text = os.fspath(item)
        path = Path(text) if beside is None else beside / text
        there = (
            any(path.with_name(path.name + suffix).is_file() for suffix in ("", *SUFFIXES))
            if path.name
            else False
        )
        stem = next((text.removesuffix(s) for s in SUFFIXES if text.endswith(s)), text)
        plain = Path(stem).name if Path(stem).is_absolute() or (beside is None and there) else stem
        found.append(Member(str(name) if not empty(name) else plain, str(path.absolute()) if there else text))
    return found


def documented(context: Any, members: Sequence[Member]) -> dict[str, Documented]:
    """
    Share a context table out among the recordings.

    Parameters
    ----------
    context : table, path, mapping or None
        As `Context.read` takes it, with a column ``record_id``; a mapping, or rows without that column, hold
        for every recording. Columns that are no context are groups, the same on all rows of a recording.
    members : sequence of Member
        The recordings. A row may name a recording by the last part of its name, if no other ends so.

    Returns
    -------
    dict of str to Documented
        By recording, for all of them.

    Raises
    ------
    InputError
        If a row belongs to no recording, a group changes within one, a column looks like a slip of a key, or
        what is said of a recording cannot be used.
    """
    if context is None:
        return {member.record_id: Documented() for member in members}
    found, where = read_rows(context, "context")
    rows = [found] if isinstance(found, Mapping) else list(found)
    _refuse_slips({str(name) for row in rows for name in row}, where, isinstance(found, Mapping))
    if isinstance(found, Mapping):
        Context.read(found)
        return {member.record_id: Documented((dict(found),)) for member in members}
    names = _names(members)
    of_all: list[dict[str, Any]] = []
    of_one: dict[str, list[dict[str, Any]]] = {}
    for number, row in enumerate(rows, start=1):
        filled = {str(key): value for key, value in row.items() if not empty(value)}
        owner = filled.pop(_KEY, None)
        if owner is None:
            of_all.append(filled)
        elif str(owner) in names:
            of_one.setdefault(names[str(owner)], []).append(filled)
        else:
            raise InputError(f"{where}, row {number}: there is no recording {str(owner)!r} in the cohort")
    return {
        member.record_id: _split([*of_all, *of_one.get(member.record_id, [])], f"{where}, {member.record_id}")
        for member in members
    }


def _names(members: Sequence[Member]) -> dict[str, str]:
    """Recordings by name, and by the last part of it where that is unique."""
    short: dict[str, list[str]] = {}
    for member in members:
        short.setdefault(member.record_id.rsplit("/", 1)[-1], []).append(member.record_id)
    unique = {name: owners[0] for name, owners in short.items() if len(owners) == 1}
    return {**unique, **{member.record_id: member.record_id for member in members}}


def _split(rows: list[dict[str, Any]], where: str) -> Documented:
    groups: dict[str, Any] = {}
    kept = []
    for row in rows:
        for name, value in row.items():
            key = ALIASES.get(name, name)
            if (name in _CONTEXT and key not in ONCE_KEYS) or name == "note":
                continue
            if key in ONCE_KEYS:
                value = ONCE_KEYS[key](value, f"{where}: {name}")
            if groups.setdefault(key, value) != value:
                raise InputError(f"{where}: {name} is {value} on one row and {groups[key]} on another")
        said = {name: value for name, value in row.items() if name in _CONTEXT or name == "note"}
        if said:
            kept.append(said)
    if kept:
        import pandas as pd

        try:
            Context.read(pd.DataFrame(kept))
        except InputError as error:
            raise InputError(f"{where}: {error}") from error
    return Documented(tuple(kept), groups)


def _refuse_slips(names: set[str], where: str, mapping: bool) -> None:
    known = [*_CONTEXT, _KEY, "note", *(("intervals", "events") if mapping else ())]
    for name in sorted(names.difference(known)):
        like = difflib.get_close_matches(name, known, n=1, cutoff=_SLIP)
        if like:
            raise InputError(
                f"{where}: column {name!r} looks like a slip of {like[0]!r}; name a group otherwise"
            )
