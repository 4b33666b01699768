"""`Analysis`: the tables of one channel, their verdicts, and how they came about."""

from __future__ import annotations

import os
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from ..context import Context
from ..errors import InputError
from ..facts import FACTS, UNDOCUMENTED
from ..indices.catalogue import Catalogue
from ..indices.index import Index
from ..indices.lookup import columns_of
from ..indices.rules import judge
from .questions import Questions

if TYPE_CHECKING:
    import matplotlib.figure
    import pandas as pd
    import xarray as xr

    from ..line.dynamics import Dynamics

Float = NDArray[np.float64]
Kept = NDArray[np.floating[Any]]

KEYS = {
    "beats": ("record_id", "channel", "beat"),
    "breaths": ("record_id", "channel", "breath"),
    "windows": ("record_id", "channel", "window"),
    "record": ("record_id", "channel"),
}
_LASTING = {"beats": ("onset_s", "onset_s"), "breaths": ("start_s", "end_s"), "windows": ("start_s", "end_s")}


@dataclass
class Hidden:
    """Values that masking hid: for a table and column, the rows and the values."""

    kept: dict[tuple[str, str], tuple[NDArray[np.int64], Kept]] = field(default_factory=dict)

    def keep(self, table: str, name: str, refused: NDArray[np.bool_], values: Kept) -> None:
        """Keep the finite values of the refused rows."""
        rows = np.flatnonzero(refused & np.isfinite(values))
        if rows.size:
            self.kept[table, name] = (rows.astype(np.int64), values[rows])

    def of(self, table: str, name: str) -> tuple[NDArray[np.int64], Kept]:
        """Rows and values of one column."""
        return self.kept.get((table, name), (np.zeros(0, dtype=np.int64), np.zeros(0)))

    def items(self) -> Iterator[tuple[str, str, NDArray[np.int64], Kept]]:
        """Everything: table, column, rows, values."""
        for (table, name), (rows, values) in self.kept.items():
            yield table, name, rows, values


@dataclass(eq=False, repr=False)
class Analysis(Questions):
    """
    What `hemoidx.analyse` returns.

    Attributes
    ----------
    beats, breaths, windows, record, spans, events, flushes, zeros : pandas.DataFrame
        The tables. Rejected values are NaN; ``attrs`` holds units, names and the meaning of ``facts``.
    info : dict
        How they came about: versions, parameters, context, edits, channel, input checksums.
    catalogue : Catalogue
        The entries behind the columns.

    Notes
    -----
    For retrospective research and teaching, not for patient care; local codes and licensed practice come
    first.
    """

    beats: pd.DataFrame
    breaths: pd.DataFrame
    windows: pd.DataFrame
    record: pd.DataFrame
    spans: pd.DataFrame
    events: pd.DataFrame
    flushes: pd.DataFrame
    zeros: pd.DataFrame
    info: dict[str, Any]
    catalogue: Catalogue
    hidden: Hidden = field(default_factory=Hidden)
    loaded: xr.Dataset | None = None

    @property
    def channel(self) -> str:
        """Name of the channel."""
        return str(self.info["channel"])

    @property
    def record_id(self) -> str:
        """Name of the recording."""
        return str(self.info["record_id"])

    @property
    def recording(self) -> xr.Dataset | None:
        """
        The recording; of an opened analysis it is read again on first use, else None.

        Warns
        -----
        UserWarning
            If the file is there but is no longer the one that was analysed.
        """
        if self.loaded is None:
            from .storage import find_recording

            self.loaded = find_recording(self.info)
        return self.loaded

    @property
    def dynamics(self) -> Dynamics | None:
        """Dynamic response of the line, from the last flushes that told of it; None if none did."""
        from ..line.telling import dynamics_from

        states = self.info["line"]["states"]
        return dynamics_from(states[-1]) if states else None

    @property
    def undocumented(self) -> list[str]:
        """What nobody documented, in words; said once for the recording, not on each row."""
        facts = int(self.record["facts"].iloc[0])
        return [fact.meaning for fact in FACTS if fact.name in UNDOCUMENTED and facts >> fact.bit & 1]

    def verdicts(self, name: str, table: str = "windows") -> pd.DataFrame:
        """
        Say of each value whether it was measured, and what limits its reading.

        Parameters
        ----------
        name : str
            Index, for instance "sbp".
        table : str
            "beats", "breaths", "windows" or "record".

        Returns
        -------
        pandas.DataFrame
            The key columns; ``measurement``: accepted, undocumented (in the record's row only: nobody
            documented what would be needed to know), caution or rejected; ``interpretation``: limited,
            undocumented (nobody documented something that bears on it, such as the zero, the line or the
            site; `undocumented` and the record's row say what) or unlimited; ``reasons`` in words, empty
            where there are none.

        Raises
        ------
        InputError
            If there is no such index or table.
        """
        from .verdicts import Verdicts

        index, frame = self._find(name, table)
        context = Context.read(self.info["context"])
        start, end = self._lasting(table)
        columns = columns_of(
            self.catalogue, lambda column: self.whole(table, column), context.over, start, end
        )
        judged = judge(
            self.catalogue.rules_in(index, table),
            index.limits,
            table,
            frame["facts"].to_numpy(),
            columns,
            self.whole(table, index.column),
            self.catalogue.facts,
            int(self.record["facts"].iloc[0]),
            index.missing,
        )
        out = Verdicts(frame[list(KEYS[table])].copy())
        out.attrs = {}
        for column in judged._fields:
            out[column] = getattr(judged, column)
        return out

    def unchecked(self, name: str, table: str = "windows") -> pd.DataFrame:
        """
        Give the values that masking hid.

        Parameters
        ----------
        name : str
            Index, for instance "sbp".
        table : str
            "beats", "breaths", "windows" or "record".

        Returns
        -------
        pandas.DataFrame
            The key columns, ``row`` (number of the row in the table) and ``value``: one row for each value
            that a rule rejected. They are not results; the verdicts say why.

        Raises
        ------
        InputError
            If there is no such index or table.
        """
        index, frame = self._find(name, table)
        rows, values = self.hidden.of(table, index.column)
        out = frame[list(KEYS[table])].iloc[rows].reset_index(drop=True)
        out.attrs = {"units": {"value": index.unit}}
        out["row"] = rows
        out["value"] = values
        return out

    def plus_minus(self, name: str, table: str = "windows", times: float = 1.96) -> pd.DataFrame:
        """
        Give values less and plus what zero, level and gain leave open.

        Parameters
        ----------
        name : str
            Index that they harm, for instance "mbp".
        table : str
            "beats", "breaths", "windows" or "record".
        times : float
            Standard errors; 1.96 for 95 %.

        Returns
        -------
        pandas.DataFrame
            The key columns, ``value``, ``low`` and ``high`` in the unit of the index. Both are NaN where the
            zero or the height of the transducer is not known: not known is not zero. A gain that nobody
            checked is left out, which the verdict of the recording says. The error is shared by all values
            of a recording, and in one direction.

        Raises
        ------
        InputError
            If there is no such index or table, or zero, level and gain do not reach the index.
        """
        from ..line.static import StaticUncertainty

        index, frame = self._find(name, table)
        if index.family == "exposure":
            raise InputError(f"index {name}: it is not linear in pressure; see Analysis.exposure")
        if not {"offset", "gain"} & set(index.harmed_by):
            raise InputError(f"index {name}: zero, level and gain do not change it")
        value = frame[index.column].to_numpy(dtype=np.float64)
        # An analysis with part of the catalogue may lack these columns: not known, too.
        zero_se, gain_se = (
            frame[name].to_numpy(dtype=np.float64) if name in frame else np.full(len(frame), np.nan)
            for name in ("static_error_se", "gain_error_se")
        )
        # Zero and level stand together in the first of them.
        unsure = StaticUncertainty(zero_se=zero_se, level_se=0.0, gain_se=np.nan_to_num(gain_se) / 100.0)
        low, high = unsure.plus_minus(value, times, difference="offset" not in index.harmed_by)
        out = frame[list(KEYS[table])].copy()
        out.attrs = {"units": dict.fromkeys(("value", "low", "high"), index.unit)}
        return out.assign(value=value, low=low, high=high)

    def _find(self, name: str, table: str) -> tuple[Index, pd.DataFrame]:
        if table not in KEYS:
            raise InputError(f"no table {table!r} holds indices; there are {', '.join(KEYS)}")
        index = self.catalogue[name]
        if not index.appears_in(table):
            there = ", ".join(known for known in KEYS if index.appears_in(known))
            raise InputError(f"index {name} is not in the table {table}; it is in {there}")
        frame: pd.DataFrame = getattr(self, table)
        return index, frame

    def _lasting(self, table: str) -> tuple[Float, Float]:
        """Where the rows of a table begin and end [s]; a beat counts as the moment of its onset."""
        if table in _LASTING:
            frame: pd.DataFrame = getattr(self, table)
            start, end = (frame[column].to_numpy(dtype=np.float64) for column in _LASTING[table])
            return start, end
        first, fs = self.info["samples"]["first"], self.info["fs"]
        return np.array([first / fs]), np.array([(first + self.info["samples"]["size"]) / fs])

    def whole(self, table: str, column: str) -> Float:
        """
        Give a column of a table with what masking hid put back.

        Parameters
        ----------
        table : str
            "beats", "breaths", "windows" or "record".
        column : str
            One of its columns of numbers.

        Returns
        -------
        ndarray, shape (n_rows,)
            The values; they are no results, see `unchecked`.

        Raises
        ------
        InputError
            If there is no such column.
        """
        frame: pd.DataFrame = getattr(self, table)
        if column not in frame:
            raise InputError(f"table {table}: no column {column!r} for a rule to read")
        values = frame[column].to_numpy(dtype=np.float64)
        rows, hidden = self.hidden.of(table, column)
        if rows.size:
            values = values.copy()
            values[rows] = hidden
        return values

    def save(self, folder: str | os.PathLike[str]) -> None:
        """
        Write all tables and ``analysis.json``, whole or not at all.

        Parameters
        ----------
        folder : str or path-like
            A new or empty folder, or one that holds an analysis, whose tables are then replaced.

        Raises
        ------
        InputError
            If the folder holds something else.
        """
        from .storage import save

        save(self, folder)

    @classmethod
    def open(cls, folder: str | os.PathLike[str]) -> Analysis:
        """
        Open a saved analysis.

        Parameters
        ----------
        folder : str or path-like
            What `save` wrote.

        Returns
        -------
        Analysis
            Equal tables and verdicts. Indices of a user's own keep their declaration, not their function.

        Raises
        ------
        DataUnavailableError
            If there is no analysis.
        InputError
            If it cannot be read.
        """
        from .storage import open_folder

        return open_folder(folder)

    def plot(self) -> matplotlib.figure.Figure:
        """
        Draw an overview: the wave with its landmarks and spans, trends, beats laid over each other.

        Returns
        -------
        matplotlib.figure.Figure
            The figure; show or save it.
        """
        from hemoidx.plot import overview

        return overview(self)

    def report(self, path: str | os.PathLike[str]) -> None:
        """
        Write a self-contained HTML page.

        Parameters
        ----------
        path : str or path-like
            The file.
        """
        from hemoidx.report import write_report

        write_report(self, path)

    def __repr__(self) -> str:
        return (
            f"<Analysis of {self.record_id or 'recording'}, channel {self.channel}: {len(self.beats)} beats, "
            f"{len(self.windows)} windows, {len(self.spans)} spans>"
        )

    def _repr_html_(self) -> str:
        from .summary import html

        return html(self)
