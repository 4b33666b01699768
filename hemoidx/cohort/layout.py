"""Where a cohort keeps what: one Parquet data set a table, one file in it a recording."""

from __future__ import annotations

import json
import os
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any
from urllib.parse import quote, unquote

import numpy as np

from ..errors import InputError
from ..output import whole_file
from ..tables import TABLES

if TYPE_CHECKING:
    import pandas as pd
    import pyarrow as pa

DESCRIPTION, MEMBERS, FAILURES = "cohort.json", "members.parquet", "failures.parquet"
LOCK = ".lock"
#: Longest name of a file, less what is put around it.
_LONGEST = 200


def file_name(record_id: str) -> str:
    """Name of a recording as a file: reversible, and never a path or a hidden file."""
    name = quote(record_id, safe=" -_.,+=@()")
    if name.startswith((".", "_")):
        # Readers of data sets pass over files that begin so.
        name = f"%{ord(name[0]):02X}{name[1:]}"
    if len(name) > _LONGEST:
        raise InputError(
            f"cohort: the name of recording {record_id[:60]!r}... is too long; give it a record_id"
        )
    return name


def record_of(path: Path) -> str:
    """Recording that a file belongs to."""
    return unquote(path.name.rsplit(".", 1)[0])


def table_path(out: Path, table: str, record_id: str) -> Path:
    """File of one table of one recording."""
    return out / "tables" / table / f"{file_name(record_id)}.parquet"


def info_path(out: Path, record_id: str) -> Path:
    """Description of the analysis of one recording; written last, it says that all of it is there."""
    return out / "info" / f"{file_name(record_id)}.json"


def only_begun(out: Path) -> bool:
    """Whether a folder holds no more than the lock of a run that was killed in its first moment."""
    return out.is_dir() and all(
        path.name == LOCK or (path.name.startswith(f".{DESCRIPTION}.") and path.suffix == ".part")
        for path in out.iterdir()
    )


def prepare(out: Path) -> None:
    """Make the folders, and take away what a killed run left half-written."""
    for folder in (out, out / "info", *(out / "tables" / table for table in TABLES)):
        folder.mkdir(parents=True, exist_ok=True)
        for left in folder.glob(".*.part"):
            left.unlink(missing_ok=True)


def clear(out: Path, record_id: str) -> None:
    """Take a recording out, its description first: what is left without one counts for nothing."""
    info_path(out, record_id).unlink(missing_ok=True)
    for table in TABLES:
        table_path(out, table, record_id).unlink(missing_ok=True)


def kept_records(out: Path) -> Iterator[str]:
    """Recordings of which anything is there."""
    seen: set[str] = set()
    for folder in (out / "info", *(out / "tables" / table for table in TABLES)):
        if folder.is_dir():
            seen |= {record_of(path) for path in folder.iterdir() if not path.name.startswith(".")}
    yield from sorted(seen)


def write_json(content: Mapping[str, Any], path: Path) -> None:
    """Write a description, whole or not at all, and onto the disk."""
    with whole_file(path) as part:
        part.write_text(json.dumps(content, ensure_ascii=False, allow_nan=False), encoding="utf-8")
        _onto_disk(part)


def read_json(path: Path) -> dict[str, Any] | None:
    """Read a description; None where there is none, or none that was finished."""
    try:
        content = json.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return None
    return content if isinstance(content, dict) else None


def write_rows(rows: pd.DataFrame, path: Path) -> None:
    """
    Write one table of one recording, whole or not at all, and onto the disk.

    Columns have the same types in every file, also where there is no row. What they mean stands once for the
    cohort, in its description: in a file of a few rows it would be most of the file.
    """
    import pyarrow.parquet as pq

    table = _arrow(rows)
    floats = [name for name in table.schema.names if table.schema.field(name).type in _floats()]
    with whole_file(path) as part:
        pq.write_table(
            table,
            part,
            compression="zstd",
            use_dictionary=[name for name in table.schema.names if name not in floats],
            use_byte_stream_split=floats,
            write_statistics=["record_id"] if "record_id" in table.schema.names else False,
        )
        _onto_disk(part)


def _floats() -> tuple[pa.DataType, ...]:
    import pyarrow as pa

    return pa.float64(), pa.float32()


def _arrow(rows: pd.DataFrame) -> pa.Table:
    import pyarrow as pa

    # pandas copies what a table carries with every column that is taken out of it.
    rows = rows.copy(deep=False)
    rows.attrs = {}
    columns = {}
    for name in rows.columns:
        column = rows[name]
        if isinstance(column.dtype, np.dtype) and column.dtype.kind in "fiub":
            columns[str(name)] = pa.array(column.to_numpy())
        else:
            texts = [None if value is None or value != value else str(value) for value in column]
            columns[str(name)] = pa.array(texts, type=pa.string())
    return pa.table(columns).replace_schema_metadata({"hemoidx": f'{{"see": "{DESCRIPTION}"}}'})


def write_frame(rows: pd.DataFrame, path: Path) -> None:
    """Write a table of the cohort itself, whole or not at all."""
    with whole_file(path) as part:
        rows.to_parquet(part, index=False, compression="zstd")
        _onto_disk(part)


def _onto_disk(path: Path) -> None:
    with path.open("rb+") as file:
        os.fsync(file.fileno())


class Lock:
    """One run writes into a folder at a time; the system lets go of it when the process ends, however."""

    def __init__(self, out: Path) -> None:
        self._path = out / LOCK
        self._file: Any = None

    def __enter__(self) -> Lock:
        self._file = self._path.open("a+b")
        try:
            import fcntl

            fcntl.flock(self._file, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except ImportError:
            # Not there on every platform; a second run at the same time is then the user's to avoid.
            pass
        except OSError as error:
            self._file.close()
            raise InputError(
                f"{self._path.parent}: another run is writing into this cohort; wait for it"
            ) from error
        return self

    def __exit__(self, *_: object) -> None:
        self._file.close()
