"""Rows of a cohort, one a recording, and the conditions by which some are chosen."""

from __future__ import annotations

import os
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from ..errors import DataUnavailableError, InputError

if TYPE_CHECKING:
    import numpy as np
    import pandas as pd
    from numpy.typing import NDArray

KEY = "record_id"
#: Columns of a recording's summary that say nothing beside those of its members' row.
_LEFT_OUT = ("channel", "facts")


def rows_of(source: Any) -> tuple[pd.DataFrame, Any, str]:
    """
    One row a recording, from a cohort, its folder, or a table.

    Parameters
    ----------
    source : hemoidx.Cohort, DataFrame or path
        A cohort or the folder of one; or a table with a column ``record_id``, as a DataFrame or the path of a
        Parquet or CSV file.

    Returns
    -------
    rows : pandas.DataFrame
        By ``record_id``: members with their groups, the summary of each recording, and of its windows the
        share that has a value for each index (``<index>_share``), which is what masking left.
    cohort : hemoidx.Cohort or None
        Where recordings can be opened, if there is one.
    code : str
        Plain code that makes `source` again; empty for a table in memory.

    Raises
    ------
    InputError
        If it is none of these, or recordings are not told apart.
    DataUnavailableError
        If there is no such file.
    """
    import pandas as pd

    if isinstance(source, pd.DataFrame):
        return _checked(source, "the table"), None, ""
    if isinstance(source, str | os.PathLike):
        path = Path(source)
        if path.is_dir():
            from ..cohort import Cohort

            return *rows_of(Cohort.open(path))[:2], f"hx.Cohort.open({str(source)!r})"
        if not path.is_file():
            raise DataUnavailableError(f"{path}: there is no such cohort or table")
        read = pd.read_parquet if path.suffix == ".parquet" else pd.read_csv
        return _checked(read(path), str(path)), None, repr(str(source))
    if hasattr(source, "members") and hasattr(source, "table"):
        return _of_cohort(source), source, ""
    raise InputError(f"a cohort, its folder or a table of recordings is needed, got {type(source).__name__}")


def _checked(table: pd.DataFrame, where: str) -> pd.DataFrame:
    if KEY not in table:
        raise InputError(f"{where}: no column {KEY!r}, by which recordings are told apart")
    if table[KEY].duplicated().any():
        twice = table.loc[table[KEY].duplicated(), KEY].iloc[0]
        raise InputError(f"{where}: recording {twice!r} stands there twice; one row a recording is needed")
    return table.reset_index(drop=True)


def _of_cohort(cohort: Any) -> pd.DataFrame:
    members = cohort.members
    record = cohort.table("record")
    units = dict(record.attrs.get("units") or {})
    windows = cohort.table("windows")
    summary = record.drop(columns=[name for name in _LEFT_OUT if name in record])
    values = [name for name in summary if name in windows and name not in (KEY, "beats", "breaths")]
    share = windows[values].notna().groupby(windows[KEY]).mean().add_suffix("_share")
    new = [name for name in summary if name == KEY or name not in members]
    rows = members.merge(summary[new], on=KEY, how="inner").merge(share, on=KEY, how="left")
    rows.attrs = {"units": units | dict.fromkeys(share, "1")}
    return _checked(rows, "the cohort")


def numeric(rows: pd.DataFrame) -> list[str]:
    """Columns that hold numbers, at least one of them known."""
    from pandas.api.types import is_bool_dtype, is_numeric_dtype

    return [
        str(name)
        for name in rows
        if is_numeric_dtype(rows[name]) and not is_bool_dtype(rows[name]) and rows[name].notna().any()
    ]


def wordy(rows: pd.DataFrame, most: int = 12) -> list[str]:
    """Columns of few words, by which recordings fall into groups."""
    numbers = set(numeric(rows))
    return [str(n) for n in rows if n != KEY and n not in numbers and 1 <= rows[n].nunique() <= most]


def kept(rows: pd.DataFrame, keep: Mapping[str, Sequence[Any]]) -> NDArray[np.bool_]:
    """
    Rows that meet all conditions.

    Parameters
    ----------
    rows : DataFrame
        The recordings.
    keep : mapping of str to sequence
        For a column of numbers its least and greatest value (both count, unknown values never do); for one of
        words those that may stand there.

    Returns
    -------
    ndarray of bool, shape (n_rows,)
        Which are kept.
    """
    import numpy as np

    found = np.ones(len(rows), dtype=bool)
    numbers = set(numeric(rows))
    for name, bounds in keep.items():
        column = rows[name]
        found &= (column.between(*bounds) if name in numbers else column.astype(str).isin(bounds)).to_numpy()
    return found


def condition(rows: pd.DataFrame, keep: Mapping[str, Sequence[Any]]) -> str:
    """Say the conditions as an expression over `rows`."""
    numbers = set(numeric(rows))
    parts = []
    for name, bounds in keep.items():
        if name in numbers:
            low, high = (float(bound) for bound in bounds)
            parts.append(f"rows[{name!r}].between({low!r}, {high!r})")
        else:
            parts.append(f"rows[{name!r}].astype(str).isin({list(bounds)!r})")
    return " & ".join(parts) or 'rows["record_id"].notna()'
