"""
One walk through a cohort: what each recording has to say of some indices, in a few numbers each.

Whatever is said of a cohort afterwards stands on these numbers: counts of verdicts and their reasons, and
number, mean and standard deviation of a recording's values, masked and not. They are as many as recordings
times indices, however long the recordings are.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from ..analysis.storage import put_together
from ..errors import InputError
from ..facts import mask
from ..indices.index import Index
from ..indices.windows import Grid, Groups, statistic
from ..report.words import reasons_of
from ..tables import TABLES
from . import layout

if TYPE_CHECKING:
    import pandas as pd

    from ..analysis import Analysis
    from .opened import Cohort

Float = NDArray[np.float64]

LEVELS = ("accepted", "caution", "rejected")
_ALWAYS = ("record", "windows", "unchecked")
#: What makes a window count for nothing, whatever the index.
_USELESS = ("too_few_beats", "too_little_valid_time")


@dataclass(frozen=True)
class Tally:
    """
    What the recordings of a cohort say of some indices.

    Attributes
    ----------
    names : tuple of str
        The indices.
    recordings : pandas.DataFrame
        One row a recording with results, all of the members' columns and: ``beats``, ``windows``,
        ``usable_windows``, which hold enough beats and valid time, ``fs`` [Hz], ``channel``, ``calibrated``.
    values : pandas.DataFrame
        One row a recording and index. ``rows``: windows (1, for an index that only the recording has), by
        measurement ``accepted``, ``caution`` and ``rejected``, and ``undocumented``: not rejected, but
        something that bears on it was not documented; ``of_recording``: the recording's own verdict
        ("" if the index has none). Of the values that stand: ``n``, ``mean``, ``sd``, ``median``; the same
        with what masking hid put back: ``n_unmasked``, ``mean_unmasked``, ``sd_unmasked``.
    reasons : pandas.DataFrame
        One row a recording, index, ``level`` ("rejected" or "caution") and ``reason``: ``rows`` it was given
        for, and those for which it was the only one of that level (``alone``).
    of_recording : pandas.DataFrame
        The same for the verdict of the recording as a whole, and ``level`` "undocumented" for what nobody
        documented, which is said there once.
    """

    names: tuple[str, ...]
    recordings: pd.DataFrame
    values: pd.DataFrame
    reasons: pd.DataFrame
    of_recording: pd.DataFrame

    def of(self, name: str) -> pd.DataFrame:
        """Rows of `values` of one index, with the columns of `recordings`."""
        if name not in self.names:
            raise InputError(f"the tally holds no index {name!r}; it holds {', '.join(self.names)}")
        mine = self.values[self.values["index"] == name]
        return self.recordings.merge(mine, on="record_id", how="inner", validate="1:1")

    def only(self, names: Sequence[str]) -> Tally:
        """What it holds of some of its indices."""
        kept = [table[table["index"].isin(names)] for table in (self.values, self.reasons, self.of_recording)]
        return Tally(tuple(names), self.recordings, *kept)


_VALUE = (
    "record_id", "index", "table", "rows", *LEVELS, "undocumented", "of_recording", "n", "mean", "sd",
    "median", "n_unmasked", "mean_unmasked", "sd_unmasked",
)  # fmt: skip
_REASON = ("record_id", "index", "level", "reason", "rows", "alone")


def tally(cohort: Cohort, names: str | Sequence[str]) -> Tally:
    """
    Walk through a cohort once.

    Parameters
    ----------
    cohort : Cohort
        The cohort.
    names : str or sequence of str
        Indices that windows or recordings have.

    Returns
    -------
    Tally
        Counts and numbers of each recording.

    Raises
    ------
    InputError
        If there is no such index, or no recording has results.
    """
    import pandas as pd

    given = [names] if isinstance(names, str) else names
    wanted = tuple(dict.fromkeys(cohort.catalogue[name].name for name in given))
    if not wanted:
        raise InputError("name at least one index, for instance mbp")
    entries = [cohort.catalogue[name] for name in wanted]
    tables = {index.name: table_of(index) for index in entries}
    if not cohort.done:
        raise InputError("no recording of this cohort has results; `failures` says why")
    counts, values, reasons, of_recording = [], [], [], []
    for result in walk(cohort, {index.table for index in entries} - {"windows", "record"}):
        facts = result.windows["facts"].to_numpy()
        counts.append(
            {
                "record_id": result.record_id,
                "beats": int(result.record["beats"].iloc[0]),
                "windows": len(facts),
                "fs": float(result.info["fs"]),
                "channel": result.channel,
                "calibrated": bool(result.info["calibrated"]),
                "usable_windows": int(np.sum((facts & mask(*_USELESS)) == 0)),
            }
        )
        for index in entries:
            row, said, whole = _of_index(result, index, tables[index.name])
            values.append(row)
            reasons += said
            of_recording += whole
    members = cohort.members
    return Tally(
        tuple(index.name for index in entries),
        pd.DataFrame(counts).merge(members, on="record_id", how="left", validate="1:1"),
        pd.DataFrame(values, columns=list(_VALUE)),
        pd.DataFrame(reasons, columns=list(_REASON)),
        pd.DataFrame(of_recording, columns=list(_REASON)),
    )


def table_of(index: Index) -> str:
    """Table whose rows an index is counted by: windows, or the recording where windows have none."""
    for table in ("windows", "record"):
        if index.appears_in(table):
            return table
    raise InputError(f"index {index.name} has values of {index.table} only; name one that windows have")


def walk(cohort: Cohort, also: set[str] | frozenset[str] = frozenset()) -> Iterator[Analysis]:
    """
    Give the analyses of a cohort one by one, with only some of their tables read.

    Parameters
    ----------
    cohort : Cohort
        The cohort.
    also : set of str
        Tables beside record, windows and what was hidden; the others are empty.

    Yields
    ------
    Analysis
        In the order of `Cohort.done`.
    """
    import pandas as pd

    needed = {*_ALWAYS, *also}
    for record_id in cohort.done:
        info = layout.read_json(layout.info_path(cohort.folder, record_id))
        if info is None:
            raise InputError(f"{record_id}: its description is gone; run the cohort again")
        tables = {
            table: cohort.of_one(table, record_id) if table in needed else pd.DataFrame() for table in TABLES
        }
        yield put_together(tables, {**info, **cohort.info["common"]}, cohort.catalogue)


_Rows = list[dict[str, Any]]


def _of_index(result: Analysis, index: Index, table: str) -> tuple[dict[str, Any], _Rows, _Rows]:
    """Counts and numbers of one recording and index, reasons of its rows, and of the recording as a whole."""
    verdict = result.verdicts(index.name, table)
    measured = verdict["measurement"].to_numpy(dtype=object)
    # In the recording's own row "undocumented" is a measurement; it was accepted as far as anybody knows.
    silent = measured == "undocumented"
    unread = (verdict["interpretation"].to_numpy(dtype=object) == "undocumented") | silent
    refused = measured == "rejected"
    own, of_recording = "", list[dict[str, Any]]()
    if index.appears_in("record"):
        whole = result.verdicts(index.name, "record")
        own = str(whole["measurement"].iloc[0])
        of_recording = _reasons(result.record_id, index.name, whole)
        # What nobody documented is said once for a recording, and bears on every row of it.
        unread |= any(said["level"] == "undocumented" for said in of_recording)
    frame = result.windows if table == "windows" else result.record
    shown = frame[index.column].to_numpy(dtype=np.float64)
    row: dict[str, Any] = {
        "record_id": result.record_id,
        "index": index.name,
        "table": table,
        "rows": len(measured),
        "accepted": int(np.sum((measured == "accepted") | silent)),
        "caution": int(np.sum(measured == "caution")),
        "rejected": int(np.sum(refused)),
        "undocumented": int(np.sum(unread & ~refused)),
        "of_recording": own,
        **_numbers(shown, ""),
        **_numbers(unmasked(result, index, table), "_unmasked"),
    }
    del row["median_unmasked"]
    said = [one for one in _reasons(result.record_id, index.name, verdict) if one["level"] != "undocumented"]
    return row, said, of_recording


def _numbers(values: Float, ending: str) -> dict[str, float]:
    known = values[np.isfinite(values)]
    nothing = float("nan")
    return {
        f"n{ending}": int(known.size),
        f"mean{ending}": float(known.mean()) if known.size else nothing,
        f"sd{ending}": float(known.std(ddof=1)) if known.size > 1 else nothing,
        f"median{ending}": float(np.median(known)) if known.size else nothing,
    }


def unmasked(result: Analysis, index: Index, table: str) -> Float:
    """
    Values of windows, or of the recording, as they would stand if no rule had hidden anything.

    Parameters
    ----------
    result : Analysis
        One recording, with the table in which the index is computed.
    index : Index
        The index.
    table : str
        "windows" or "record".

    Returns
    -------
    ndarray, shape (n_rows,)
        Of an index of beats or breaths, each window is put together anew from all of them, the hidden ones
        too. What was never found, such as beats in a marked stretch, cannot come back.
    """
    if table != "windows" or index.table in ("windows", "record"):
        return result.whole(table, index.column)
    below = index.table
    rows: pd.DataFrame = getattr(result, below)
    windows = result.windows
    if not len(rows):
        return np.full(len(windows), np.nan)
    begin = rows["onset_s" if below == "beats" else "start_s"].to_numpy(dtype=np.float64)
    grid = Grid(*(windows[name].to_numpy() for name in ("window", "start_s", "end_s")))
    durations = result.catalogue.get("duration")
    weights = np.ones(begin.size)
    if index.window == "time_mean" and durations is not None and durations.column in rows:
        weights = result.whole(below, durations.column)
    groups = Groups(grid.of(begin), np.zeros(begin.size, dtype=np.int64), len(windows))
    return statistic(index.window, result.whole(below, index.column), weights, groups)[0]


def _reasons(record_id: str, name: str, verdict: pd.DataFrame) -> list[dict[str, Any]]:
    """Reasons of a verdict, with how many rows they were given for."""
    given: Counter[tuple[str, str]] = Counter()
    alone: Counter[tuple[str, str]] = Counter()
    said_of = Counter(zip(verdict["measurement"], verdict["reasons"], strict=True))
    for (level, words), times in said_of.items():
        for kind in ("rejected", "caution", "undocumented"):
            # Cautions of what was rejected anyway matter no more; what nobody documented still does.
            if kind not in (level, "undocumented") or f"{kind.capitalize()} because " not in words:
                continue
            said = list(dict.fromkeys(reasons_of(str(words), kind)))
            given.update({(kind, reason): times for reason in said})
            if len(said) == 1:
                alone[kind, said[0]] += times
    return [
        {
            "record_id": record_id,
            "index": name,
            "level": level,
            "reason": reason,
            "rows": rows,
            "alone": alone[level, reason],
        }
        for (level, reason), rows in given.items()
    ]


def groups_of(table: pd.DataFrame, by: str | None) -> list[tuple[str, pd.DataFrame]]:
    """
    Rows by group, all of them first.

    Parameters
    ----------
    table : pandas.DataFrame
        Rows with the columns of the members.
    by : str, optional
        Column to group by.

    Returns
    -------
    list of (str, DataFrame)
        "all", then each group in order; "not stated" holds those without a value.

    Raises
    ------
    InputError
        If there is no such column.
    """
    out = [("all", table)]
    if by is None:
        return out
    if by not in table:
        raise InputError(f"the members have no column {by!r} to group by; give it in the context table")
    stated = table[table[by].notna()]
    out += [(str(name), rows) for name, rows in stated.groupby(by, sort=True, observed=True)]
    rest = table[table[by].isna()]
    return [*out, ("not stated", rest)] if len(rest) else out


def patient_of(table: pd.DataFrame) -> pd.Series[Any]:
    """
    Say whose each recording is.

    Parameters
    ----------
    table : pandas.DataFrame
        Rows with the columns of the members.

    Returns
    -------
    pandas.Series
        The column ``patient``; a recording without one is a patient of its own.
    """
    own = "recording " + table["record_id"].astype(str)
    if "patient" not in table:
        return own
    return table["patient"].astype(object).where(table["patient"].notna(), own).astype(str)
