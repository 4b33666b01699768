"""One recording of a cohort: read, analysed and written by whichever process it falls to."""

from __future__ import annotations

import contextlib
import faulthandler
import hashlib
import json
import os
import sys
import tempfile
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from ..errors import HemoidxError
from ..tables import TABLES
from . import layout

if TYPE_CHECKING:
    import xarray as xr

    from ..analysis import Analysis

#: Fields of a description that are the same for all recordings: they stand once, in that of the cohort.
COMMON = ("indices",)


@dataclass(frozen=True)
class Job:
    """
    What one process is asked to do.

    Attributes
    ----------
    record_id, source : str
        The recording.
    out : str
        Folder of the cohort.
    settings : str
        Checksum of all that decides the result beside the recording itself.
    channel : str, optional
        Channel to analyse.
    units : str or mapping, optional
        Units for files that state none.
    context : tuple of dict
        Rows of context.
    edits : tuple of dict
        Rows of edits.
    catalogue : bytes, optional
        The user's catalogue, pickled; ours if left out.
    limit_s : float, optional
        A recording that takes longer hangs [s].
    memory : int, optional
        What the process may take for data [bytes].
    """

    record_id: str
    source: str
    out: str
    settings: str
    channel: str | None = None
    units: Any = None
    context: tuple[dict[str, Any], ...] = ()
    edits: tuple[dict[str, Any], ...] = ()
    catalogue: bytes | None = None
    limit_s: float | None = None
    memory: int | None = None


def work(job: Job) -> dict[str, Any]:
    """
    Analyse one recording and write it, unless it is there already.

    Parameters
    ----------
    job : Job
        What is asked.

    Returns
    -------
    dict
        A short summary: ``record_id, source, status``; ``key, hours, seconds, n_beats`` if it is "done", else
        ``kind`` ("error" or "memory"), ``stage`` ("loading" or "analysing") and ``reason``.
    """
    out = Path(job.out)
    there = _kept(job, out)
    if there is not None:
        return there
    layout.clear(out, job.record_id)
    stage = "loading"
    try:
        with _guarded(job):
            started = time.perf_counter()
            rec = _loaded(job)
            stage = "analysing"
            return _made(job, out, rec, started)
    except MemoryError:
        return _failed(job, stage, "memory", "it needs more memory than a process may take")
    except (HemoidxError, OSError) as error:
        return _failed(job, stage, "error", " ".join(str(error).split()))
    except Exception as error:
        words = " ".join(f"{type(error).__name__}: {error}".split())
        return _failed(
            job, stage, "error", f"unexpected {words}; this is a fault of hemoidx or of an index given to it"
        )


def _failed(job: Job, stage: str, kind: str, reason: str) -> dict[str, Any]:
    layout.clear(Path(job.out), job.record_id)
    return {
        "record_id": job.record_id,
        "source": job.source,
        "status": "failed",
        "kind": kind,
        "stage": stage,
        "reason": reason[:500],
    }


def _loaded(job: Job) -> xr.Dataset:
    import hemoidx as hx

    rec = hx.load(job.source, units=job.units) if job.units is not None else hx.load(job.source)
    rec.attrs["record_id"] = job.record_id
    return rec


def _made(job: Job, out: Path, rec: xr.Dataset, started: float) -> dict[str, Any]:
    import hemoidx as hx

    context: Any = None
    if job.context:
        # A mapping of a cohort stands alone; rows come from a table.
        whole = len(job.context) == 1 and {"intervals", "events"} & set(job.context[0])
        context = job.context[0] if whole else _table(job.context)
    catalogue = None
    if job.catalogue is not None:
        import pickle

        catalogue = pickle.loads(job.catalogue)
    result = hx.analyse(
        rec,
        channel=job.channel,
        context=context,
        edits=list(job.edits) or None,
        catalogue=catalogue,
        progress=False,
    )
    summary = {
        "record_id": job.record_id,
        "source": job.source,
        "status": "done",
        "key": _key(job, result.info["provenance"]["files"]),
        "hours": float(result.record["duration_s"].iloc[0]) / 3600.0,
        "seconds": 0.0,
        "n_beats": len(result.beats),
    }
    for table in TABLES:
        layout.write_rows(rows_of(result, table), layout.table_path(out, table, job.record_id))
    summary["seconds"] = time.perf_counter() - started
    info = {name: value for name, value in result.info.items() if name not in COMMON}
    info["cohort"] = {"settings": job.settings, "summary": summary, "inputs": _inputs(job, info)}
    layout.write_json(info, layout.info_path(out, job.record_id))
    return summary


def _table(rows: tuple[dict[str, Any], ...]) -> Any:
    import pandas as pd

    return pd.DataFrame(list(rows))


def rows_of(result: Analysis, table: str) -> Any:
    """One table of an analysis; hidden values name their recording too."""
    if table != "unchecked":
        return getattr(result, table)
    from ..analysis.storage import unchecked_table

    rows = unchecked_table(result.hidden)
    rows.insert(0, "record_id", result.info["record_id"])
    return rows


def _key(job: Job, files: list[dict[str, Any]]) -> str:
    """What decides the result: contents of the files, and the settings."""
    contents = sorted((str(file["name"]), str(file.get("sha256"))) for file in files)
    return hashlib.sha256(json.dumps([contents, job.settings]).encode()).hexdigest()


def _inputs(job: Job, info: dict[str, Any]) -> list[dict[str, Any]]:
    """Files that were read, as they lie on the disk."""
    folder = Path(info["samples"]["source"] or job.source).parent
    found = []
    for file in info["provenance"]["files"]:
        path = folder / file["name"]
        stat = path.stat()
        found.append(
            {
                "path": str(path),
                "bytes": stat.st_size,
                "mtime_ns": stat.st_mtime_ns,
                "sha256": file.get("sha256"),
            }
        )
    return found


def _kept(job: Job, out: Path) -> dict[str, Any] | None:
    """Summary of a recording that is there, made with these settings from these files; else None."""
    info = layout.read_json(layout.info_path(out, job.record_id))
    if info is None or info.get("cohort", {}).get("settings") != job.settings:
        return None
    if not all(layout.table_path(out, table, job.record_id).is_file() for table in TABLES):
        return None
    if not info["cohort"]["inputs"] or not all(map(_unchanged, info["cohort"]["inputs"])):
        return None
    summary: dict[str, Any] = info["cohort"]["summary"]
    return {**summary, "source": job.source}


def _unchanged(file: dict[str, Any]) -> bool:
    """Whether a file has the content it had. Size and time spare reading a terabyte again for nothing."""
    path = Path(file["path"])
    try:
        stat = path.stat()
    except OSError:
        return False
    if (stat.st_size, stat.st_mtime_ns) == (file["bytes"], file["mtime_ns"]):
        return True
    if stat.st_size != file["bytes"]:
        return False
    with path.open("rb") as content:
        return bool(hashlib.file_digest(content, "sha256").hexdigest() == file["sha256"])


def marker(out: Path, record_id: str) -> Path:
    """File that says since when a process has worked on a recording."""
    return out / "info" / f".{layout.file_name(record_id)}.started.part"


@contextlib.contextmanager
def _guarded(job: Job) -> Iterator[None]:
    """
    Bound the time and the memory of a process.

    The watchdog is no thread of Python's: it ends the process even if a loop in compiled code holds the
    interpreter. Whoever asked for the work sees the process die, and the marker says how long it had worked.
    """
    mark = marker(Path(job.out), job.record_id)
    if job.limit_s is not None:
        mark.write_text(str(time.time()), encoding="ascii")
        # Where the traceback goes matters to nobody, but it needs a real file.
        nowhere = tempfile.TemporaryFile()  # noqa: SIM115 - open as long as the watchdog is
        faulthandler.dump_traceback_later(job.limit_s, exit=True, file=nowhere)
    before = _bound_memory(job.memory)
    try:
        yield
    finally:
        _unbound_memory(before)
        if job.limit_s is not None:
            faulthandler.cancel_dump_traceback_later()
            nowhere.close()
            mark.unlink(missing_ok=True)


def _bound_memory(limit: int | None) -> tuple[int, int] | None:
    if limit is None or sys.platform == "win32":
        return None
    import resource

    before = resource.getrlimit(resource.RLIMIT_DATA)
    hard = before[1]
    soft = limit if hard == resource.RLIM_INFINITY else min(limit, hard)
    resource.setrlimit(resource.RLIMIT_DATA, (soft, hard))
    return before


def _unbound_memory(before: tuple[int, int] | None) -> None:
    if before is not None:
        import resource

        resource.setrlimit(resource.RLIMIT_DATA, before)


def one_thread() -> None:
    """Numerical libraries must not share out the work again: the processes do."""
    for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
        os.environ.setdefault(name, "1")
