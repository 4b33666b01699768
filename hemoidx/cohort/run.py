"""`run_cohort`: from a source of recordings to a folder of results, resumable at any moment."""

from __future__ import annotations

import hashlib
import json
import os
import platform
import re
from collections.abc import Iterable, Mapping, Sequence
from datetime import UTC, datetime
from importlib import import_module
from pathlib import Path
from typing import TYPE_CHECKING, Any

from ..context import Edits
from ..errors import InputError
from ..output import refuse_foreign
from . import engine, layout
from .opened import Cohort
from .sources import Documented, Member, documented, members_of
from .task import COMMON, Job, one_thread

if TYPE_CHECKING:
    import pandas as pd

    from ..indices.catalogue import Catalogue
    from ..indices.index import Index

_MEMBER = ("record_id", "source", "status", "key", "hours", "seconds", "n_beats")
_FAILURE = ("record_id", "source", "kind", "stage", "reason", "attempts")
_NUMBER = re.compile(r"-?(0|[1-9]\d*)(\.\d+)?(e[-+]?\d+)?", re.IGNORECASE)
_LEAST_MEMORY = 256 * 1024**2


def run_cohort(
    source: Any,
    out: str | os.PathLike[str],
    *,
    channel: str | None = None,
    context: Any = None,
    edits: Any = None,
    catalogue: Catalogue | Iterable[Index] | None = None,
    units: str | Mapping[str, str] | None = None,
    workers: int | None = None,
    scheduler: str | None = None,
    limit_s: float | None = None,
    memory_limit: int | None = None,
    progress: bool | None = None,
) -> Cohort:
    """
    Analyse many recordings, and keep the results as data sets.

    Parameters
    ----------
    source : path, str, sequence or DataFrame
        A folder, a database, or a list of recordings, see `hemoidx.cohort.sources.members_of`.
    out : path
        Folder of the cohort. If it holds one, what is there and still good is kept: the same call goes on
        where a run was stopped, and takes in what was added or has changed.
    channel : str, optional
        The pressure channel of every recording; by default chosen as by `hemoidx.analyse`.
    context : table, path or mapping, optional
        Context by ``record_id``; its other columns are groups.
    edits : table or path, optional
        Edits with a column ``record_id``.
    catalogue : Catalogue or iterable of Index, optional
        Further indices, as for `hemoidx.analyse`; their functions travel to the processes.
    units : str or mapping, optional
        Units for CSV and Parquet files that state none.
    workers : int, optional
        Processes on this machine, by default as many as it has cores; 0 works in this process, which is what
        a debugger wants, but cannot isolate a recording that crashes or hangs.
    scheduler : str, optional
        Address of a dask scheduler in place of `workers`. Its workers need this hemoidx and see the same
        files under the same paths.
    limit_s : float, optional
        A recording that takes longer [s] hangs, and is given up.
    memory_limit : int, optional
        What each process may take for its data [bytes]; a recording that needs more fails.
    progress : bool, optional
        Show progress and time left on stderr; by default where stderr is a terminal.

    Returns
    -------
    Cohort
        The results. Recordings that failed are in `Cohort.failures` and stop nobody else.

    Raises
    ------
    InputError
        If the source, the context or a setting cannot be used, or another run writes into the folder.
    DataUnavailableError
        If something that is named is not there.

    Notes
    -----
    For retrospective research and teaching, not for patient care; local codes and licensed practice come
    first. In a script of one's own the call stands under ``if __name__ == "__main__":``, since processes are
    started afresh and read the script.

    Examples
    --------
    >>> import hemoidx as hx
    >>> cohort = hx.run_cohort("recordings", "results", workers=2)  # doctest: +SKIP
    >>> cohort.table("windows", ["start_s", "mbp"])  # doctest: +SKIP
    """
    folder = Path(out).absolute()
    members, words = members_of(source)
    said = documented(context, members)
    by_hand = _edits(edits, members)
    entries = _entries(catalogue)
    common = _common(entries, channel, units)
    _refuse(limit_s, workers, memory_limit)
    if not layout.only_begun(folder):
        refuse_foreign(folder, layout.DESCRIPTION)
    one_thread()
    pickled = None if catalogue is None else _pickled(entries)
    jobs = [
        Job(
            member.record_id,
            member.source,
            str(folder),
            _settings(common, said[member.record_id], by_hand[member.record_id]),
            channel,
            units,
            said[member.record_id].rows,
            by_hand[member.record_id],
            pickled,
            limit_s,
            memory_limit,
        )
        for member in members
    ]
    folder.mkdir(parents=True, exist_ok=True)
    with layout.Lock(folder):
        # First of all what says that the folder is ours: a run may be killed at any moment.
        info = _description(common, entries, words, workers, scheduler)
        layout.write_json(info, folder / layout.DESCRIPTION)
        layout.prepare(folder)
        summaries: list[dict[str, Any]] = []
        with _bar(len(jobs), progress) as bar:

            def heard(summary: dict[str, Any]) -> None:
                summaries.append(summary)
                bar.update()

            engine.run(jobs, workers, scheduler, memory_limit, heard)
        _finish(folder, info, members, said, summaries)
    return Cohort.open(folder)


def _refuse(limit_s: float | None, workers: int | None, memory: int | None) -> None:
    if workers is not None and workers < 0:
        raise InputError(f"cohort: {workers} workers; give 0 (this process) or more")
    if limit_s is not None and not limit_s > 0:
        raise InputError(f"cohort: the limit of time must be above 0 s, got {limit_s:g}")
    if limit_s is not None and workers == 0:
        raise InputError("cohort: a limit of time ends the process of a recording; it needs workers")
    if memory is not None and memory < _LEAST_MEMORY:
        raise InputError(
            f"cohort: a process needs at least {_LEAST_MEMORY // 1024**2} MiB, got {memory} bytes"
        )


def _edits(edits: Any, members: Sequence[Member]) -> dict[str, tuple[dict[str, Any], ...]]:
    """Edits of each recording, checked."""
    nothing: dict[str, tuple[dict[str, Any], ...]] = {member.record_id: () for member in members}
    if edits is None:
        return nothing
    from ..context.rows import read_rows

    rows, where = read_rows(edits, "edits")
    if isinstance(rows, Mapping) or not all("record_id" in row for row in rows):
        raise InputError(f"{where}: edits of a cohort are a table with a column record_id")
    unknown = sorted({str(row["record_id"]) for row in rows} - set(nothing))
    if unknown:
        raise InputError(f"{where}: there is no recording {unknown[0]!r} in the cohort")
    for name in nothing:
        mine = [
            {k: v for k, v in row.items() if k != "record_id"}
            for row in rows
            if str(row["record_id"]) == name
        ]
        nothing[name] = tuple(Edits.read(mine).to_json()) if mine else ()
    return nothing


def _entries(catalogue: Any) -> Catalogue:
    from ..indices import default_catalogue
    from ..indices.catalogue import Catalogue

    if catalogue is None:
        return default_catalogue()
    return catalogue if isinstance(catalogue, Catalogue) else default_catalogue().with_(list(catalogue))


def _pickled(entries: Catalogue) -> bytes:
    """Catalogue as it travels; functions of the user's script and lambdas included."""
    try:
        # dask brings it, and without dask nothing is sent anywhere.
        pickler = import_module("cloudpickle")
    except ImportError:
        pickler = import_module("pickle")
    try:
        content: bytes = pickler.dumps(entries)
    except Exception as error:
        raise InputError(
            f"catalogue: it cannot be sent to other processes ({error}); use plain functions"
        ) from error
    return content


def _common(entries: Catalogue, channel: str | None, units: Any) -> dict[str, Any]:
    from ..analysis.run import ALGORITHM
    from ..indices.stored import to_json
    from ..tables import SCHEMA_VERSION

    return {
        "algorithm": ALGORITHM,
        "schema_version": SCHEMA_VERSION,
        "channel": channel,
        "units": dict(units) if isinstance(units, Mapping) else units,
        "indices": hashlib.sha256(json.dumps(to_json(entries), sort_keys=True).encode()).hexdigest(),
        "functions": _functions(entries),
    }


def _functions(entries: Catalogue) -> str:
    """Checksum of the code of functions that are not ours: results change with it."""
    digest = hashlib.sha256()
    for index in entries:
        function = getattr(index.function, "of", index.function)
        if not getattr(function, "__module__", "").startswith("hemoidx."):
            code = getattr(function, "__code__", None)
            digest.update(repr((index.name, code and code.co_code, code and code.co_consts)).encode())
    return digest.hexdigest()


def _settings(common: Mapping[str, Any], said: Documented, edits: Sequence[Mapping[str, Any]]) -> str:
    """Checksum of all that decides a result beside the recording; not the version of the package."""
    content = [
        common,
        [sorted(map(str, row.items())) for row in said.rows],
        [str(dict(row)) for row in edits],
    ]
    return hashlib.sha256(json.dumps(content, sort_keys=True, default=str).encode()).hexdigest()


def _description(
    common: Mapping[str, Any], entries: Catalogue, words: str, workers: int | None, scheduler: str | None
) -> dict[str, Any]:
    import numpy as np

    from .. import __version__
    from ..indices.stored import to_json
    from ..tables import CAUTION

    return {
        "hemoidx": __version__,
        "caution": CAUTION,
        "cohort": {
            "source": words,
            "settings": dict(common),
            "engine": "this process"
            if workers == 0
            else "local processes"
            if scheduler is None
            else "a cluster",
            "python": platform.python_version(),
            "numpy": np.__version__,
            "started": datetime.now(UTC).isoformat(timespec="seconds"),
            "finished": None,
        },
        "common": dict.fromkeys(COMMON, to_json(entries)),
        "tables": {},
    }


def _finish(
    folder: Path,
    info: dict[str, Any],
    members: Sequence[Member],
    said: Mapping[str, Documented],
    summaries: Sequence[dict[str, Any]],
) -> None:
    """Take away what no longer belongs, then write members, failures and, last, that it is finished."""
    import pandas as pd

    by_name = {summary["record_id"]: summary for summary in summaries}
    done = [member.record_id for member in members if by_name[member.record_id]["status"] == "done"]
    for name in set(layout.kept_records(folder)).difference(done):
        layout.clear(folder, name)
    groups = list(dict.fromkeys(name for member in members for name in said[member.record_id].groups))
    rows = [
        {
            **{name: by_name[member.record_id].get(name) for name in _MEMBER},
            **{name: said[member.record_id].groups.get(name) for name in groups},
        }
        for member in members
    ]
    table = pd.DataFrame(rows, columns=[*_MEMBER, *groups])
    for name in groups:
        table[name] = _typed(table[name])
    numbers = {"hours": "float64", "seconds": "float64", "n_beats": "Int64"}
    layout.write_frame(table.astype(numbers), folder / layout.MEMBERS)
    failed = [
        {"attempts": 1, "stage": "", **by_name[m.record_id]} for m in members if m.record_id not in set(done)
    ]
    failures = pd.DataFrame(failed, columns=list(_FAILURE)).astype({"attempts": "int64"})
    texts = [name for name in _FAILURE if name != "attempts"]
    layout.write_frame(failures.astype(dict.fromkeys(texts, "str")), folder / layout.FAILURES)
    info["tables"] = _attrs_of_tables(info, folder, done)
    info["cohort"] |= {
        "recordings": len(members),
        "failed": len(failed),
        "hours": float(table["hours"].astype(float).sum()),
        "finished": datetime.now(UTC).isoformat(timespec="seconds"),
    }
    layout.write_json(info, folder / layout.DESCRIPTION)


def _typed(column: pd.Series[Any]) -> pd.Series[Any]:
    """Numbers of a CSV file as numbers, unless one is written as a name is, such as 007."""
    import pandas as pd

    known = column.dropna()
    if len(known) and known.map(lambda value: bool(_NUMBER.fullmatch(str(value)))).all():
        return pd.to_numeric(column)
    return column.map(lambda value: value if value is None or value != value else str(value))


def _attrs_of_tables(info: Mapping[str, Any], folder: Path, done: Sequence[str]) -> dict[str, Any]:
    """What the columns of each table mean, said once."""
    import pyarrow.parquet as pq

    from ..indices.stored import from_json
    from ..tables import TABLES, attributes

    catalogue = from_json(info["common"]["indices"])
    found = {}
    for table in TABLES if done else ():
        columns = pq.read_schema(layout.table_path(folder, table, done[0])).names
        found[table] = attributes(table, columns, catalogue.in_table(table), catalogue.facts)
    return json.loads(json.dumps(found, default=list)) if found else {}


def _bar(count: int, progress: bool | None) -> Any:
    from tqdm.auto import tqdm

    # None lets tqdm ask whether stderr is a terminal.
    return tqdm(
        total=count, unit="recording", desc="cohort", disable=None if progress is None else not progress
    )
