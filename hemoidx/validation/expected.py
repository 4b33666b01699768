"""
Results held against a committed table: what moved, and by how much.

A table is a CSV file with the columns `name`, `value` and `tolerance`: the largest absolute difference that
counts as the same. It says that a result has not moved, not that it is right.
"""

from __future__ import annotations

import math
import os
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING

from hemoidx.errors import HemoidxError, InputError

if TYPE_CHECKING:
    import pandas as pd

COLUMNS = ("name", "value", "tolerance")
SAME, MOVED, MISSING, NEW = "same", "moved", "missing", "not in the table"


class ResultsMovedError(HemoidxError):
    """
    Results differ from the committed table.

    Attributes
    ----------
    differences : pandas.DataFrame
        All rows, as `compare` returns them.
    """

    def __init__(self, words: str, differences: pd.DataFrame) -> None:
        super().__init__(words)
        self.differences = differences


def read(path: str | os.PathLike[str]) -> pd.DataFrame:
    """
    Read a table of expected results.

    Parameters
    ----------
    path : path
        CSV file with the columns `name`, `value`, `tolerance`.

    Returns
    -------
    pandas.DataFrame
        Indexed by name.

    Raises
    ------
    InputError
        If the file cannot be read, lacks a column, doubles a name, or has a tolerance that is no number from
        0 on.
    """
    import pandas as pd

    where = Path(path)
    try:
        table = pd.read_csv(where)
    except (OSError, ValueError) as problem:
        raise InputError(f"{where.name}: cannot be read ({problem})") from problem
    if tuple(table.columns) != COLUMNS:
        raise InputError(
            f"{where.name}: columns must be {', '.join(COLUMNS)}, got {', '.join(table.columns)}"
        )
    table["value"] = pd.to_numeric(table["value"], errors="coerce")
    table["tolerance"] = pd.to_numeric(table["tolerance"], errors="coerce")
    doubled = table["name"][table["name"].duplicated()].tolist()
    if doubled:
        raise InputError(f"{where.name}: {doubled[0]!r} is there twice")
    loose = table.loc[~(table["tolerance"] >= 0) | (table["tolerance"] == math.inf), "name"].tolist()
    if loose:
        raise InputError(f"{where.name}: {loose[0]!r} needs a tolerance from 0 on")
    return table.set_index("name")


def differences(found: Mapping[str, float], path: str | os.PathLike[str]) -> pd.DataFrame:
    """
    Hold results against a committed table, without an error where they moved.

    Parameters
    ----------
    found : mapping of str to float
        Results by name. NaN means that there is none, and agrees with an empty value in the table only.
    path : path
        The table, see `read`.

    Returns
    -------
    pandas.DataFrame
        Columns name, expected, found, difference, tolerance, verdict; one row a name of either side.
    """
    import pandas as pd

    table = read(path)
    rows = []
    for name in [*table.index, *(name for name in found if name not in table.index)]:
        known, there = name in table.index, name in found
        expected = float(table.loc[name, "value"]) if known else math.nan
        within = float(table.loc[name, "tolerance"]) if known else math.nan
        got = float(found[name]) if there else math.nan
        apart = got - expected
        if not there:
            verdict = MISSING
        elif not known:
            verdict = NEW
        else:
            alike = abs(apart) <= within or (math.isnan(got) and math.isnan(expected))
            verdict = SAME if alike else MOVED
        rows.append((name, expected, got, apart, within, verdict))
    columns = ["name", "expected", "found", "difference", "tolerance", "verdict"]
    return pd.DataFrame(rows, columns=columns)


def compare(found: Mapping[str, float], path: str | os.PathLike[str]) -> pd.DataFrame:
    """
    Hold results against a committed table.

    Parameters
    ----------
    found, path
        As for `differences`.

    Returns
    -------
    pandas.DataFrame
        As `differences` returns it; every row is the same within its tolerance.

    Raises
    ------
    ResultsMovedError
        If a result lies beyond its tolerance, is missing, or is not in the table; it lists them all.
    """
    table = differences(found, path)
    other = table[table["verdict"] != SAME]
    if len(other):
        lines = [
            f"  {row['name']}: {row['verdict']}, {row['expected']:.7g} expected, {row['found']:.7g} found, "
            f"tolerance {row['tolerance']:g}"
            for row in other.to_dict("records")
        ]
        head = f"{Path(path).name}: {len(other)} of {len(table)} results are not as committed"
        raise ResultsMovedError("\n".join([head, *lines]), table)
    return table


def commit(found: Mapping[str, float], path: str | os.PathLike[str], tolerance: float) -> None:
    """
    Write results as the new table; names that were there keep their tolerance.

    Parameters
    ----------
    found : mapping of str to float
        Results by name.
    path : path
        The table; made anew if it is not there.
    tolerance : float
        Of names that were not there.

    Raises
    ------
    InputError
        If the tolerance is no number from 0 on, or a table that is there cannot be read.
    """
    import pandas as pd

    if not 0 <= tolerance < math.inf:
        raise InputError(f"expected results: tolerance must be a number from 0 on, got {tolerance}")
    where = Path(path)
    kept = read(where)["tolerance"].to_dict() if where.exists() else {}
    rows = [(name, float(f"{value:.8g}"), kept.get(name, tolerance)) for name, value in found.items()]
    pd.DataFrame(rows, columns=list(COLUMNS)).to_csv(where, index=False)
