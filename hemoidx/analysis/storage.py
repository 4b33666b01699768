"""An analysis on disk: one folder of Parquet tables and ``analysis.json``."""

from __future__ import annotations

import json
import os
import warnings
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from ..errors import DataUnavailableError, HemoidxError, InputError
from ..indices.stored import from_json
from ..output import refuse_foreign, whole_folder
from ..tables import SCHEMA_VERSION, attributes, read_table, write_table
from .result import Analysis, Hidden

if TYPE_CHECKING:
    import pandas as pd
    import xarray as xr

    from ..indices.catalogue import Catalogue

DESCRIPTION = "analysis.json"
_TABLES = ("beats", "breaths", "windows", "record", "spans", "events", "flushes", "zeros")


def save(result: Analysis, folder: str | os.PathLike[str]) -> None:
    """
    Write an analysis, whole or not at all.

    Parameters
    ----------
    result : Analysis
        The analysis.
    folder : str or path-like
        A new or empty folder, or one that holds an analysis.

    Raises
    ------
    InputError
        If the folder holds something else.
    """
    target = Path(folder)
    refuse_foreign(target, DESCRIPTION)
    with whole_folder(target) as part:
        for name in _TABLES:
            write_table(getattr(result, name), part / f"{name}.parquet")
        write_table(unchecked_table(result.hidden), part / "unchecked.parquet")
        text = json.dumps(result.info, indent=1, ensure_ascii=False, allow_nan=False)
        (part / DESCRIPTION).write_text(text + "\n", encoding="utf-8")


def unchecked_table(hidden: Hidden) -> pd.DataFrame:
    """Put all hidden values into one long table."""
    import pandas as pd

    parts = list(hidden.items())
    sizes = [rows.size for _, _, rows, _ in parts]
    columns: dict[str, Any] = {
        # Categories: there are millions of rows but only some dozen different texts.
        "table": pd.Categorical([table for table, *_ in parts]).repeat(sizes),
        "row": np.concatenate([np.zeros(0, dtype=np.int64), *(rows for _, _, rows, _ in parts)]),
        "name": pd.Categorical([name for _, name, *_ in parts]).repeat(sizes),
        "value": np.concatenate([np.zeros(0), *(values for *_, values in parts)]),
    }
    out = pd.DataFrame(columns)
    out.attrs.update(attributes("unchecked", columns).items())
    return out


def _hidden(table: pd.DataFrame) -> Hidden:
    out = Hidden()
    for (name, column), rows in table.groupby(["table", "name"], observed=True, sort=False):
        out.kept[str(name), str(column)] = (rows["row"].to_numpy(), rows["value"].to_numpy())
    return out


def open_folder(folder: str | os.PathLike[str]) -> Analysis:
    """
    Open a saved analysis.

    Parameters
    ----------
    folder : str or path-like
        What `save` wrote.

    Returns
    -------
    Analysis
        The analysis.

    Raises
    ------
    DataUnavailableError
        If there is no analysis.
    InputError
        If it cannot be read.
    """
    target = Path(folder)
    if not (target / DESCRIPTION).is_file():
        raise DataUnavailableError(f"{target}: no analysis there (no {DESCRIPTION})")
    try:
        info = json.loads((target / DESCRIPTION).read_text(encoding="utf-8"))
        version = int(info["schema_version"])
    except (ValueError, KeyError, TypeError) as error:
        raise _not_ours(target) from error
    if version != SCHEMA_VERSION:
        raise InputError(
            f"{target}: written with schema {version}, this hemoidx reads {SCHEMA_VERSION}; analyse again"
        )
    tables = {name: read_table(target / f"{name}.parquet") for name in (*_TABLES, "unchecked")}
    try:
        return put_together(tables, info)
    except (ValueError, KeyError, TypeError) as error:
        raise _not_ours(target) from error


def put_together(
    tables: Mapping[str, pd.DataFrame], info: dict[str, Any], catalogue: Catalogue | None = None
) -> Analysis:
    """
    Make an analysis of its tables and its description.

    Parameters
    ----------
    tables : mapping of str to DataFrame
        All tables, ``unchecked`` among them.
    info : dict
        Its description, with the catalogue as ``indices``.
    catalogue : Catalogue, optional
        That catalogue, where it was read already.

    Returns
    -------
    Analysis
        The analysis.
    """
    shown: dict[str, Any] = {name: tables[name] for name in _TABLES}
    entries = from_json(info["indices"]) if catalogue is None else catalogue
    return Analysis(**shown, info=info, catalogue=entries, hidden=_hidden(tables["unchecked"]))


def _not_ours(target: Path) -> InputError:
    return InputError(f"{target / DESCRIPTION}: not the description of an analysis, or cut off")


def find_recording(info: dict[str, Any]) -> xr.Dataset | None:
    """
    Read again the recording that was analysed.

    Parameters
    ----------
    info : dict
        Description of the analysis.

    Returns
    -------
    xarray.Dataset or None
        The stretch that was analysed, of the channel that was analysed; None where it cannot be had.

    Warns
    -----
    UserWarning
        If the file is there but its content is not what was analysed.
    """
    from ..recordings import crop, load

    samples, fs = info["samples"], info["fs"]
    if not samples["source"]:
        return None
    try:
        rec = load(samples["source"], channels=[info["channel"]])
    except (HemoidxError, OSError):
        return None
    was = {file["name"]: file.get("sha256") for file in info["provenance"].get("files", [])}
    now = {file["name"]: file.get("sha256") for file in rec.attrs["provenance"].get("files", [])}
    if was != now:
        warnings.warn(
            f"{samples['source']}: not the files that were analysed (their checksums differ); left out",
            stacklevel=3,
        )
        return None
    return crop(rec, samples["first"] / fs, (samples["first"] + samples["size"]) / fs)
