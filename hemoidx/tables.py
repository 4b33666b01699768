"""
Tables: how rows become DataFrames and Parquet files that explain themselves.

The schema metadata of a file is authoritative: unit and long name of each column, version of the schema, and
the meaning of each bit of ``facts`` after the CF conventions. `read_table` puts them into ``attrs``, where a
fresh analysis has them too.
"""

from __future__ import annotations

import json
import os
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from .errors import DataUnavailableError, InputError
from .facts import FACTS, Fact, cf_attributes
from .indices.index import Index
from .output import whole_file
from .spans import KINDS

if TYPE_CHECKING:
    import pandas as pd

SCHEMA_VERSION = 3
"""Raised when columns change their name or meaning."""

TABLES = (
    "beats",
    "breaths",
    "windows",
    "record",
    "events",
    "spans",
    "flushes",
    "zeros",
    "unchecked",
)
CAUTION = "Retrospective research and teaching, not for patient care."

#: Unit and long name of the columns that are no index.
COLUMNS: dict[str, tuple[str, str]] = {
    "record_id": ("", "recording"),
    "channel": ("", "channel"),
    "beat": ("1", "number of the beat in the recording, from 0"),
    "breath": ("1", "number of the breath, from 0; -1 for a beat in no complete breath"),
    "breaths": ("1", "complete breaths that begin in it"),
    "inspiration_end_s": ("s", "end of inspiration, empty where it is not known"),
    "window": ("1", "number of the 30 s window, counted from the recording's start"),
    "event": ("1", "number of the event, from 0"),
    "onset_s": ("s", "tangent foot of the upstroke"),
    "steepest_s": ("s", "steepest rise"),
    "peak_s": ("s", "systolic peak"),
    "notch_s": ("s", "dicrotic notch"),
    "quality": ("1", "quality of the beat, 0 to 1; below 0.5 it is not believed"),
    "facts": ("1", "facts, one bit each"),
    "start_s": ("s", "start"),
    "end_s": ("s", "end"),
    "valid_s": ("s", "time covered by beats whose duration was measured"),
    "beats": ("1", "beats whose duration was measured"),
    "clipped_share": ("1", "share of the beats that the recorder clipped at its rail, 0 to 1"),
    "duration_s": ("s", "length of the recording"),
    "flush": ("1", "number of the flush, from 0"),
    "release_s": ("s", "release of the flush"),
    "natural_frequency_hz": ("Hz", "natural frequency of the line"),
    "natural_frequency_hz_se": ("Hz", "natural frequency: standard error, empty where it is known by bounds"),
    "natural_frequency_hz_low": ("Hz", "natural frequency: lower end of its 95 % interval"),
    "natural_frequency_hz_high": ("Hz", "natural frequency: upper end of its 95 % interval"),
    "damping_ratio": ("1", "damping ratio of the line"),
    "damping_ratio_se": ("1", "damping ratio: standard error, empty where it is known by bounds"),
    "damping_ratio_low": ("1", "damping ratio: lower end of its 95 % interval"),
    "damping_ratio_high": ("1", "damping ratio: upper end of its 95 % interval"),
    "slow_pole_s": ("s", "time constant of the slow return of an overdamped line"),
    "slow_pole_s_se": ("s", "time constant of the slow return: standard error"),
    "bedside_natural_frequency_hz": ("Hz", "natural frequency from period and amplitudes of the swings"),
    "bedside_damping_ratio": ("1", "damping ratio from the amplitudes of successive swings"),
    "method": ("", "how it was measured"),
    "reason": ("", "why there is no number"),
    "zero": ("1", "number of the level, from 0"),
    "level": ("mmHg", "pressure read while open to air"),
    "level_se": ("mmHg", "its standard error"),
    "zeroed": ("", "whether a zero was taken at its start"),
    "holds": ("", "whether it is the last level of its opening"),
    "not_applied": ("", "whether the line was left off zero"),
    "kind": ("", "kind"),
    "note": ("", "note"),
    "table": ("", "table of the hidden value"),
    "row": ("1", "row in that table, from 0"),
    "name": ("", "column of that table"),
    "value": ("", "value that masking hid; unit as in that column"),
    **{f"{kind}_s": ("s", f"time marked as {kind.replace('_', ' ')}") for kind in KINDS},
}
_OF_TABLE = {
    ("beats", "end_s"): ("s", "foot of the next beat"),
    ("breaths", "beats"): ("1", "beats that begin in it"),
}


class Words(dict[str, Any]):
    """
    Descriptions of the columns of a table, which nobody changes.

    pandas copies what a table carries, deeply, whenever a column is taken out of it; descriptions of two
    hundred columns would cost more than the work. A copy of what cannot change is the thing itself.
    """

    def __copy__(self) -> Words:
        return self

    def __deepcopy__(self, memo: dict[int, Any]) -> Words:
        return self

    def __reduce__(self) -> tuple[type[Words], tuple[dict[str, Any]]]:
        return Words, (dict(self),)

    def __setitem__(self, name: str, value: Any) -> None:
        raise TypeError("descriptions of a table are not changed in place: put a dict of your own into attrs")


def attributes(
    table: str, columns: Iterable[str], indices: Iterable[Index] = (), facts: Iterable[Fact] = FACTS
) -> dict[str, Any]:
    """
    Describe a table.

    Parameters
    ----------
    table : str
        Its name.
    columns : iterable of str
        Its columns.
    indices : iterable of Index
        Catalogue entries that have columns in it.
    facts : iterable of Fact
        Facts that its rows may carry.

    Returns
    -------
    dict
        ``table``, ``schema_version``, ``caution``, ``units`` and ``long_names`` by column and, where there is
        a column ``facts``, ``flag_masks``, ``flag_meanings`` and ``flag_descriptions``. Fit for JSON.
    """
    columns = list(columns)
    known = {**COLUMNS, **{c: words for (t, c), words in _OF_TABLE.items() if t == table}}
    for index in indices:
        known[index.column] = (index.unit, index.title)
        if index.has_se:
            known[f"{index.column}_se"] = (index.unit, f"{index.title}: random standard error")
    out: dict[str, Any] = {
        "table": table,
        "schema_version": SCHEMA_VERSION,
        "caution": CAUTION,
        "units": {column: known[column][0] for column in columns},
        "long_names": {column: known[column][1] for column in columns},
    }
    return _fixed({**out, **cf_attributes(facts)} if "facts" in columns else out)


def _fixed(attrs: dict[str, Any]) -> dict[str, Any]:
    """Attributes whose mappings and lists are not copied over and over."""
    return {
        name: Words(value) if isinstance(value, dict) else tuple(value) if isinstance(value, list) else value
        for name, value in attrs.items()
    }


def frame(
    columns: Mapping[str, NDArray[Any]], keys: Mapping[str, str], attrs: dict[str, Any]
) -> pd.DataFrame:
    """
    Put a table together.

    Parameters
    ----------
    columns : mapping of str to ndarray, shape (n_rows,)
        Its columns.
    keys : mapping of str to str
        Texts that are the same on every row, put first.
    attrs : dict
        What `attributes` made.

    Returns
    -------
    pandas.DataFrame
        The table.
    """
    import pandas as pd

    n_rows = next(iter(columns.values())).size
    data: dict[str, Any] = {
        # One text, repeated: an array of 100,000 equal texts would take longer than the table.
        name: pd.array([text], dtype="str").repeat(n_rows)
        for name, text in keys.items()
    }
    rows = {name: values for name, values in columns.items() if values.dtype == np.float32}
    block = _block(list(rows.values()))
    if block is None:
        out = pd.DataFrame({**data, **columns})
    else:
        left = pd.DataFrame({**data, **{name: v for name, v in columns.items() if name not in rows}})
        # The values of a day's beats stay where they are: a copy would be most of the memory of an analysis.
        whole = pd.concat([left, pd.DataFrame(block.T, columns=list(rows), copy=False)], axis=1)
        out = whole[[*keys, *columns]]
    out.attrs.update(attrs.items())
    return out


def _block(rows: Sequence[NDArray[Any]]) -> NDArray[Any] | None:
    """Array whose first rows these are, one after the other; None if there is none."""
    base = rows[0].base if rows else None
    if base is None or base.ndim != 2 or len(rows) > base.shape[0]:
        return None
    begin, step = base.__array_interface__["data"][0], base.strides[0]
    there = all(
        row.base is base and row.__array_interface__["data"][0] == begin + k * step
        for k, row in enumerate(rows)
    )
    return np.asarray(base[: len(rows)]) if there else None


def write_table(table: pd.DataFrame, path: str | os.PathLike[str]) -> None:
    """
    Write a table as Parquet, whole or not at all.

    Parameters
    ----------
    table : pandas.DataFrame
        A table with ``attrs`` as `attributes` makes them.
    path : str or path-like
        The file. It is replaced if it is there.
    """
    import pyarrow as pa
    import pyarrow.parquet as pq

    attrs = dict(table.attrs)
    bare = table.copy(deep=False)
    bare.attrs = {}
    content = pa.Table.from_pandas(bare, preserve_index=False)
    schema = content.schema
    for i, column in enumerate(schema.names):
        words = {"units": attrs["units"].get(column, ""), "long_name": attrs["long_names"].get(column, "")}
        if column == "facts":
            words["flag_masks"] = " ".join(map(str, attrs["flag_masks"]))
            words["flag_meanings"] = attrs["flag_meanings"]
        schema = schema.set(i, schema.field(i).with_metadata(words))
    schema = schema.with_metadata({**content.schema.metadata, b"hemoidx": json.dumps(attrs).encode()})
    floats = [field.name for field in schema if pa.types.is_floating(field.type)]
    with whole_file(path) as part:
        pq.write_table(
            content.cast(schema),
            part,
            compression="zstd",
            use_dictionary=[name for name in schema.names if name not in floats],
            use_byte_stream_split=floats,
        )


def read_table(path: str | os.PathLike[str]) -> pd.DataFrame:
    """
    Read a table of an analysis, with units, names and the meaning of its facts in ``attrs``.

    Parameters
    ----------
    path : str or path-like
        A Parquet file that hemoidx wrote.

    Returns
    -------
    pandas.DataFrame
        The table; ``attrs`` holds ``units`` and ``long_names`` by column, ``schema_version``, and for the
        column ``facts`` the CF attributes ``flag_masks`` and ``flag_meanings``.

    Raises
    ------
    DataUnavailableError
        If there is no such file.
    InputError
        If it is no table of hemoidx, or one of a later schema.
    """
    import pyarrow as pa
    import pyarrow.parquet as pq

    target = Path(path)
    if not target.is_file():
        raise DataUnavailableError(f"table {target.name}: there is no file {target}")
    try:
        content = pq.read_table(target)
    except (pa.ArrowInvalid, OSError) as error:
        raise InputError(f"table {target.name}: not a Parquet file, or cut off") from error
    stored = (content.schema.metadata or {}).get(b"hemoidx")
    if stored is None:
        raise InputError(f"table {target.name}: not a table of hemoidx (its schema holds no description)")
    attrs = _fixed(json.loads(stored))
    if attrs["schema_version"] > SCHEMA_VERSION:
        raise InputError(
            f"table {target.name}: written with schema {attrs['schema_version']}, this hemoidx reads up to "
            f"{SCHEMA_VERSION}; install a newer one"
        )
    out: pd.DataFrame = content.to_pandas()
    out.attrs.update(attrs.items())
    return out


def has_fact(table: pd.DataFrame, name: str) -> NDArray[np.bool_]:
    """
    Tell which rows of a table carry a fact, by the meanings that travel with the table.

    Parameters
    ----------
    table : pandas.DataFrame
        A table with a column ``facts``, fresh or read back.
    name : str
        Name of the fact, for instance "ectopic".

    Returns
    -------
    ndarray of bool, shape (n_rows,)
        True where the row carries it.

    Raises
    ------
    InputError
        If the table knows no such fact.
    """
    names = str(table.attrs.get("flag_meanings", "")).split()
    if name not in names:
        raise InputError(f"the table knows no fact {name!r}; it knows {', '.join(names) or 'none'}")
    mask = int(table.attrs["flag_masks"][names.index(name)])
    return np.asarray((table["facts"].to_numpy() & mask) != 0)
