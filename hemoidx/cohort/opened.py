"""A cohort on disk, opened: members, tables, verdicts, single analyses."""

from __future__ import annotations

import os
from collections.abc import Sequence
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Any

from ..errors import DataUnavailableError, InputError
from ..tables import TABLES, Words
from . import layout
from .questions import Questions

if TYPE_CHECKING:
    import pandas as pd

    from ..analysis import Analysis
    from ..indices.catalogue import Catalogue

_SOME = 20
Where = Sequence[tuple[str, str, Any]]


class Cohort(Questions):
    """
    What `hemoidx.run_cohort` wrote.

    Use `Cohort.open`. Tables are Parquet data sets, one file a recording (``<folder>/tables/windows`` and so
    on), which any reader of Parquet takes as they are; nothing is read before it is asked for.

    Attributes
    ----------
    folder : Path
        Where it is.
    info : dict
        How it came about: version, algorithm, parameters, catalogue, counts.
    members : pandas.DataFrame
        One row a recording: ``record_id, source, status`` (done or failed), ``key``, ``hours`` of signal,
        ``seconds`` of work, ``n_beats``, and the groups of the context table.
    failures : pandas.DataFrame
        Recordings that failed: ``record_id, source, kind`` (error, hang, memory, killed), ``stage``
        (loading or analysing; "" where the process could not say), ``reason`` and ``attempts``.

    Notes
    -----
    For retrospective research and teaching, not for patient care; local codes and licensed practice come
    first.
    """

    def __init__(
        self, folder: Path, info: dict[str, Any], members: pd.DataFrame, failures: pd.DataFrame
    ) -> None:
        self.folder, self.info, self.members, self.failures = folder, info, members, failures
        self.tallies = {}

    @classmethod
    def open(cls, folder: str | os.PathLike[str]) -> Cohort:
        """
        Open a cohort.

        Parameters
        ----------
        folder : path
            What `run_cohort` wrote, or `hemoidx cohort` on the command line.

        Returns
        -------
        Cohort
            The cohort.

        Raises
        ------
        DataUnavailableError
            If there is none, or its run was not finished.
        """
        import pandas as pd

        target = Path(folder)
        info = layout.read_json(target / layout.DESCRIPTION)
        if info is None or "cohort" not in info:
            raise DataUnavailableError(f"{target}: no cohort there (no {layout.DESCRIPTION})")
        if info["cohort"].get("finished") is None:
            raise DataUnavailableError(
                f"{target}: its run was not finished; the same command goes on with it"
            )
        members, failures = (pd.read_parquet(target / name) for name in (layout.MEMBERS, layout.FAILURES))
        return cls(target, info, members, failures)

    def __len__(self) -> int:
        return len(self.members)

    def __repr__(self) -> str:
        count, failed = len(self.members), len(self.failures)
        hours = self.members["hours"].sum()
        return f"Cohort: {count} recordings, {failed} failed, {hours:.1f} h of signal, in {self.folder.name}"

    @property
    def done(self) -> list[str]:
        """Recordings that have results, in order."""
        return self.members.loc[self.members["status"] == "done", "record_id"].tolist()

    def dataset(self, table: str) -> Any:
        """
        Give a table of all recordings as a `pyarrow.dataset.Dataset`, which reads only what is asked for.

        Parameters
        ----------
        table : str
            "beats", "breaths", "windows", "record", "spans", "events", "flushes", "zeros" or "unchecked".

        Returns
        -------
        pyarrow.dataset.Dataset
            Its files, in the order of `done`.

        Raises
        ------
        InputError
            If there is no such table.
        """
        import pyarrow.dataset as ds

        if table not in TABLES:
            raise InputError(f"a cohort has no table {table!r}; it has {', '.join(TABLES)}")
        files = [str(layout.table_path(self.folder, table, name)) for name in self.done]
        if not files:
            raise InputError("no recording of this cohort has results; `failures` says why")
        return ds.dataset(files, format="parquet")

    def table(self, table: str, columns: Sequence[str] | None = None, where: Where = ()) -> pd.DataFrame:
        """
        Read a table of all recordings.

        Parameters
        ----------
        table : str
            As in `dataset`.
        columns : sequence of str, optional
            Columns to read; all if left out. ``record_id`` always comes first.
        where : sequence of (column, operator, value)
            Conditions that rows must meet, all of them, such as ``[("mbp", "<", 65.0)]``; operators are
            those of Parquet readers: ``==, !=, <, <=, >, >=, in, not in``.

        Returns
        -------
        pandas.DataFrame
            Its rows, recording by recording; ``attrs`` holds units and names as in an analysis. Rejected
            values are NaN.

        Raises
        ------
        InputError
            If there is no such table or column.
        """
        import pyarrow.parquet as pq

        found = self.dataset(table)
        there = found.schema.names
        wanted = there if columns is None else list(dict.fromkeys(["record_id", *columns]))
        unknown = [name for name in (*wanted, *(name for name, *_ in where)) if name not in there]
        if unknown:
            raise InputError(
                f"table {table} has no column {unknown[0]!r}; it has {', '.join(there[:_SOME])} ..."
            )
        condition = pq.filters_to_expression(list(where)) if where else None
        rows: pd.DataFrame = found.to_table(columns=wanted, filter=condition).to_pandas()
        rows.attrs.update(self._attrs(table, wanted))
        return rows

    def _attrs(self, table: str, columns: Sequence[str]) -> dict[str, Any]:
        attrs = dict(self.info["tables"][table])
        for name in ("units", "long_names"):
            # pandas copies attributes with every column that is taken out; these copy to themselves.
            attrs[name] = Words({column: attrs[name].get(column, "") for column in columns})
        return {name: tuple(value) if isinstance(value, list) else value for name, value in attrs.items()}

    def analysis(self, record_id: str) -> Analysis:
        """
        Give the analysis of one recording, as `hemoidx.analyse` returned it.

        Parameters
        ----------
        record_id : str
            The recording.

        Returns
        -------
        Analysis
            Its tables, verdicts and report.

        Raises
        ------
        InputError
            If there is no such recording.
        DataUnavailableError
            If it has no results.
        """
        from ..analysis.storage import put_together

        row = self.members[self.members["record_id"] == record_id]
        if row.empty:
            raise InputError(f"no recording {record_id!r} in this cohort")
        info = layout.read_json(layout.info_path(self.folder, record_id))
        if row["status"].iloc[0] != "done" or info is None:
            reason = self.failures.loc[self.failures["record_id"] == record_id, "reason"]
            raise DataUnavailableError(f"{record_id} has no results: {next(iter(reason), 'they are gone')}")
        tables = {table: self.of_one(table, record_id) for table in TABLES}
        return put_together(tables, {**info, **self.info["common"]}, self.catalogue)

    def of_one(self, table: str, record_id: str, columns: Sequence[str] | None = None) -> pd.DataFrame:
        """
        Read a table of one recording: its own file, not a search through those of all.

        Parameters
        ----------
        table : str
            As in `dataset`.
        record_id : str
            A recording with results.
        columns : sequence of str, optional
            Columns to read; all if left out.

        Returns
        -------
        pandas.DataFrame
            Its rows.
        """
        import pyarrow.parquet as pq

        path = layout.table_path(self.folder, table, record_id)
        rows: pd.DataFrame = pq.read_table(
            path, columns=None if columns is None else list(columns), partitioning=None
        ).to_pandas()
        rows.attrs.update(self._attrs(table, list(rows.columns)))
        return rows

    @cached_property
    def catalogue(self) -> Catalogue:
        """Indices of this cohort; those of a user's own keep their declaration, not their function."""
        from ..indices.stored import from_json

        return from_json(self.info["common"]["indices"])

    def verdicts(
        self, name: str, table: str = "windows", records: Sequence[str] | None = None
    ) -> pd.DataFrame:
        """
        Say of each value whether it was measured and how it can be read.

        Parameters
        ----------
        name : str
            Index, for instance "ppv".
        table : str
            "beats", "breaths", "windows" or "record".
        records : sequence of str, optional
            Recordings; all that have results if left out.

        Returns
        -------
        pandas.DataFrame
            As `Analysis.verdicts`, recording by recording.
        """
        import pandas as pd

        wanted = self.done if records is None else records
        return pd.concat(
            [pd.DataFrame(self.analysis(record).verdicts(name, table=table)) for record in wanted],
            ignore_index=True,
        )

    def join(self, table: pd.DataFrame, on: str = "record_id") -> pd.DataFrame:
        """
        Join members with a clinical table.

        Parameters
        ----------
        table : pandas.DataFrame
            One row a value of `on`.
        on : str
            Column of both, such as "record_id" or a group like "patient".

        Returns
        -------
        pandas.DataFrame
            All members; those that the table does not know keep empty values.

        Raises
        ------
        InputError
            If a column is missing, or a value of `on` stands twice in the table.
        """
        for rows, what in ((self.members, "members"), (table, "table")):
            if on not in rows:
                raise InputError(f"join: the {what} have no column {on!r}")
        if table[on].duplicated().any():
            twice = table.loc[table[on].duplicated(), on].iloc[0]
            raise InputError(f"join: {on} {twice!r} stands twice in the table; rows would be doubled")
        both = set(table.columns) & set(self.members.columns) - {on}
        if both:
            raise InputError(f"join: the members have a column {sorted(both)[0]!r} already; rename it")
        return self.members.merge(table, on=on, how="left")
