"""Recordings of an open database into the data root: only what was asked for, verified, and resumable."""

from __future__ import annotations

import json
import os
import re
import threading
from collections.abc import Iterable, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor, as_completed
from contextlib import suppress
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path
from typing import Any
from urllib.parse import quote, urlsplit

from hemoidx.errors import DataUnavailableError, HemoidxError, InputError
from hemoidx.output import whole_file

from .cases import Task, tasks
from .manifest import databases
from .root import data_root
from .transfer import Manners, get_file, get_text, sha256

INDEX = ".hemoidx-files.json"
SUMS, RECORDS = "SHA256SUMS.txt", "RECORDS"
#: Connections to one server at a time, if nothing else is said.
POLITE = 4
_SAFE = re.compile(r"[A-Za-z0-9._+@=() -]+")


@dataclass
class Fetched:
    """
    What a fetch did.

    Attributes
    ----------
    folder : Path
        Where the database lies.
    files : list of str
        Files that are in place and verified, new or not, by their place in the database.
    new : list of str
        Those of them that were fetched now.
    unverified : list of str
        Those for which the database publishes no checksum; they are held against what was fetched first.
    failed : dict of str to str
        What could not be had, and why.
    """

    folder: Path
    files: list[str] = field(default_factory=list)
    new: list[str] = field(default_factory=list)
    unverified: list[str] = field(default_factory=list)
    failed: dict[str, str] = field(default_factory=dict)


def fetch(
    database: str,
    records: Sequence[str] = (),
    *,
    base_url: str | None = None,
    root: str | os.PathLike[str] | None = None,
    workers: int = POLITE,
    progress: bool | None = None,
    manners: Manners | None = None,
) -> Fetched:
    """
    Fetch recordings of an open database.

    Parameters
    ----------
    database : str
        Its slug.
    records : sequence of str
        Recordings as the database names them, or patterns with ``*``; all of them if left out. The headers of
        a record of several segments bring all segments along. Of a database of tracks, cases by their number
        with the usual tracks, or ``7/ART*`` for others.
    base_url : str, optional
        Another server of the same layout, such as a mirror.
    root : path, optional
        Where databases lie; `data_root` if left out. Nothing is ever written outside of it.
    workers : int
        Connections at a time, 1 to 8.
    progress : bool, optional
        Show progress on stderr; by default where stderr is a terminal.
    manners : Manners, optional
        Tries, time limits and waits.

    Returns
    -------
    Fetched
        What is there now, and what is not and why: one file that cannot be had stops no other.

    Raises
    ------
    InputError
        If a record's name leads out of the database's folder, or the number of workers makes no sense.
    DataUnavailableError
        If there is no such database or record, or the server cannot be reached.

    Notes
    -----
    Terms are shown, never accepted for you. Credentials come from the environment (HEMOIDX_USER,
    HEMOIDX_PASSWORD) or netrc and are printed nowhere.
    """
    entry = databases()[database]
    server = base_url or entry.files
    if server is None or entry.layout not in ("wfdb", "tracks"):
        raise DataUnavailableError(
            f"{database} cannot be fetched by this program; see {entry.landing}, and put it under "
            f"{data_root()}"
        )
    if not 1 <= workers <= 8:
        raise InputError(f"fetch: {workers} connections at a time; 1 to 8 are polite")
    folder = Path(root) if root is not None else data_root()
    place = _Place((folder / database / (entry.version or "current")).absolute(), server.rstrip("/") + "/")
    polite = manners or Manners()
    work = _Work(place, entry.access == "credentialed", polite)
    todo: Mapping[str, Task]
    if entry.layout == "tracks":
        todo = tasks(work, entry, records)
    else:
        todo = {name: partial(_record, work, name) for name in _wanted(work, records)}
    _run(work, todo, workers, progress)
    work.index.save()
    if not work.done.files and work.done.failed:
        name, reason = next(iter(work.done.failed.items()))
        raise DataUnavailableError(f"{database}: nothing could be fetched; {name}: {reason}")
    work.done.files.sort()
    return work.done


def fetch_address(url: str, root: Path | None = None, manners: Manners | None = None) -> Path:
    """
    Fetch one WFDB record by its web address, into ``web/<host>`` under the data root.

    Parameters
    ----------
    url : str
        Address of the record, with or without ``.hea``. Checksums are looked for beside it.
    root : Path, optional
        Where databases lie; `data_root` if left out.
    manners : Manners, optional
        Tries, time limits and waits.

    Returns
    -------
    Path
        Its header on this machine.

    Raises
    ------
    InputError
        If the address names no record.
    DataUnavailableError
        If it cannot be had.
    """
    parts = urlsplit(url)
    folder, _, name = parts.path.rpartition("/")
    name = name.removesuffix(".hea")
    if not parts.hostname or not name:
        raise InputError(
            f"{url}: an address of a recording is needed, such as https://host/database/1.0/record"
        )
    host = parts.hostname + (f"_{parts.port}" if parts.port else "")
    base = _Place(((root or data_root()) / "web" / host).absolute(), "")
    place = base.path(folder.strip("/")) if folder.strip("/") else base.folder
    server = f"{parts.scheme}://{parts.netloc}{folder}/"
    work = _Work(_Place(place, server), False, manners or Manners())
    try:
        _record(work, name, lambda _: None)
    finally:
        work.index.save()
    return place / f"{name}.hea"


@dataclass(frozen=True)
class _Place:
    """A database on the disk, and the server it comes from."""

    folder: Path
    server: str

    def path(self, name: str) -> Path:
        """Where a file goes; refused if that is not inside the folder, whatever a server calls it."""
        parts = name.split("/")
        if not name or any(part in ("", ".", "..") or not _SAFE.fullmatch(part) for part in parts):
            raise InputError(f"fetch: {name!r} is no name of a file in a database")
        target = self.folder.joinpath(*parts)
        real = Path(os.path.realpath(target.parent))
        if not real.is_relative_to(os.path.realpath(self.folder)) or target.is_symlink():
            raise InputError(
                f"fetch: {name!r} leads out of {self.folder} by a link; nothing is written there"
            )
        return target

    def url(self, name: str) -> str:
        return self.server + quote(name)


class _Index:
    """What was verified: size and time of each file spare reading it again, until one of them changes."""

    def __init__(self, folder: Path) -> None:
        self._path, self._lock = folder / INDEX, threading.Lock()
        self._known: dict[str, list[Any]] = {}
        with suppress(OSError, ValueError):
            self._known = dict(json.loads(self._path.read_text(encoding="utf-8")))

    def good(self, name: str, path: Path, digest: str | None) -> bool:
        """Whether a file is there with the content that was verified."""
        if not path.is_file():
            return False
        noted = self._known.get(name)
        if digest is None and noted is None:
            return False
        wanted = digest or str(noted and noted[2])
        stat = path.stat()
        if noted is not None and noted == [stat.st_size, stat.st_mtime_ns, wanted]:
            return True
        if sha256(path) != wanted:
            return False
        self.note(name, path, wanted)
        return True

    def note(self, name: str, path: Path, digest: str) -> None:
        stat = path.stat()
        with self._lock:
            self._known[name] = [stat.st_size, stat.st_mtime_ns, digest]

    def move(self, old: str, new: str) -> None:
        with self._lock:
            self._known[new] = self._known.pop(old)

    def save(self) -> None:
        if self._known:
            self._path.parent.mkdir(parents=True, exist_ok=True)
            with self._lock, whole_file(self._path) as part:
                part.write_text(json.dumps(self._known, sort_keys=True), encoding="utf-8")


class _Work:
    """What is known while files are fetched."""

    def __init__(self, place: _Place, login: bool, manners: Manners) -> None:
        self.place, self.manners, self.login = place, manners, login
        self.done, self.index, self.lock = Fetched(place.folder), _Index(place.folder), threading.Lock()
        text = get_text(place.url(SUMS), manners, optional=True, login=self.login)
        self.sums = dict(_sums(text or ""))
        if text is not None:
            place.folder.mkdir(parents=True, exist_ok=True)

    def file(self, name: str, told: Any) -> Path:
        """Bring one file into place."""
        path, digest = self.place.path(name), self.sums.get(name)
        if self.sums and digest is None:
            raise DataUnavailableError("the database publishes no such file")
        if not self.there(name):
            self.fetch(name, name, told)
        return path

    def there(self, name: str) -> bool:
        """Whether a file is in place with its content; noted if it is."""
        found = self.index.good(name, self.place.path(name), self.sums.get(name))
        if found:
            self._note(name, new=False)
        return found

    def fetch(self, address: str, name: str, told: Any) -> Path:
        """Fetch a file of the server under a name."""
        path, digest = self.place.path(name), self.sums.get(name)
        found = get_file(self.place.url(address), path, digest, self.manners, self.login, told)
        self.index.note(name, path, found)
        self._note(name, new=True)
        return path

    def rename(self, old: str, new: str) -> None:
        """Give a file that was just fetched another name."""
        target = self.place.path(new)
        self.place.path(old).replace(target)
        with self.lock:
            for names in (self.done.files, self.done.new, self.done.unverified):
                names[:] = [new if name == old else name for name in names]
        self.index.move(old, new)

    def _note(self, name: str, new: bool) -> None:
        with self.lock:
            self.done.files.append(name)
            if new:
                self.done.new.append(name)
            if name not in self.sums:
                self.done.unverified.append(name)


def _sums(text: str) -> Iterable[tuple[str, str]]:
    """Checksums by file: a hash, one or two spaces, a path."""
    for line in text.splitlines():
        digest, _, name = line.strip().partition(" ")
        if re.fullmatch(r"[0-9a-fA-F]{64}", digest) and name.strip():
            yield name.strip().removeprefix("*").removeprefix("./"), digest.lower()


def _wanted(work: _Work, records: Sequence[str]) -> list[str]:
    """Records to fetch, patterns and folders of records resolved."""
    plain = [name for name in records if "*" not in name]
    if records and len(plain) == len(records):
        return list(dict.fromkeys(name.removesuffix(".hea") for name in plain))
    there = list(_listed(work, "", 0))
    if not records:
        return there
    from fnmatch import fnmatch

    found = [name for name in there if any(fnmatch(name, pattern) for pattern in records)]
    if not found:
        raise DataUnavailableError(f"fetch: no recording of the database fits {', '.join(records)}")
    return list(dict.fromkeys([*plain, *found]))


def _listed(work: _Work, folder: str, depth: int) -> Iterable[str]:
    """Records by the list of a folder; an entry that ends in a slash is a folder with a list of its own."""
    text = get_text(work.place.url(f"{folder}{RECORDS}"), work.manners, login=work.login)
    for line in (text or "").splitlines():
        name = f"{folder}{line.strip()}"
        if not line.strip():
            continue
        if line.strip().endswith("/"):
            if depth < 4:
                work.place.path(name.rstrip("/"))
                yield from _listed(work, name, depth + 1)
        else:
            work.place.path(name)
            yield name


def _run(work: _Work, todo: Mapping[str, Task], workers: int, progress: bool | None) -> None:
    """Fetch what is to be fetched, some of it at a time."""
    from tqdm.auto import tqdm

    hide = None if progress is None else not progress
    with (
        tqdm(unit="B", unit_scale=True, desc="fetch", disable=hide) as bar,
        ThreadPoolExecutor(workers) as pool,
    ):

        def told(count: int) -> None:
            with work.lock:
                bar.update(count)

        waiting = {pool.submit(task, told): name for name, task in todo.items()}
        try:
            for future in as_completed(waiting):
                name = waiting[future]
                try:
                    future.result()
                except InputError:
                    raise
                except (HemoidxError, OSError) as error:
                    work.done.failed[name] = " ".join(str(error).split())
        except BaseException:
            pool.shutdown(cancel_futures=True)
            work.index.save()
            raise


def _record(work: _Work, name: str, told: Any, depth: int = 0) -> None:
    """Fetch the header of a record, then the files or the segments that it names."""
    header = work.file(f"{name}.hea", told)
    folder = name.rpartition("/")[0]
    lines = [line.split() for line in header.read_text(encoding="ascii", errors="replace").splitlines()]
    lines = [words for words in lines if words and not words[0].startswith("#")]
    if not lines:
        raise DataUnavailableError(f"{name}.hea is empty")
    beside = f"{folder}/" if folder else ""
    if "/" in lines[0][0]:
        for segment in dict.fromkeys(words[0] for words in lines[1:]):
            # A tilde stands for a gap.
            if segment != "~" and depth < 2:
                _record(work, f"{beside}{segment}", told, depth + 1)
        return
    for signal in dict.fromkeys(words[0] for words in lines[1:] if len(words) > 1):
        if signal != "~":
            work.file(f"{beside}{signal}", told)
