"""Edits: beats and spans that a person added or removed."""

from __future__ import annotations

import json
import math
import os
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from ..errors import InputError
from ..facts import mask
from ..output import whole_file
from ..spans import KINDS
from .rows import empty, near, number, read_rows, text

if TYPE_CHECKING:
    import pandas as pd

Float = NDArray[np.float64]

ACTIONS = ("add_beat", "remove_beat", "add_span", "remove_span")
NEAREST_S = 0.25
"""A beat is removed if it lies within this of the time given [s]."""
_KEYS = ("action", "at_s", "from_s", "to_s", "kind", "note")
SPAN_DTYPE = np.dtype([("start", np.int64), ("stop", np.int64), ("kind", np.int64)])


class SampleEdits(NamedTuple):
    """
    Edits in samples, as `hemoidx.beats.read` takes them.

    Attributes
    ----------
    add_beats, remove_beats : ndarray, shape (n,)
        Positions, fractional [samples].
    add_spans, remove_spans : structured ndarray, shape (n,)
        Fields start, stop (half open) and kind (number in `hemoidx.spans.KINDS`; -1: any).
    """

    add_beats: Float
    remove_beats: Float
    add_spans: NDArray[np.void]
    remove_spans: NDArray[np.void]


@dataclass(frozen=True, slots=True)
class Edit:
    """One edit; times in s from the start of the recording."""

    action: str
    at_s: float = math.nan
    from_s: float = math.nan
    to_s: float = math.nan
    kind: str = ""
    note: str = ""


@dataclass(frozen=True)
class Edits:
    """
    Corrections by hand.

    Attributes
    ----------
    rows : tuple of Edit
        As given, in order.

    Examples
    --------
    >>> edits = Edits.read([{"action": "remove_beat", "at_s": 12.3}])
    >>> edits.remove_beats_s
    array([12.3])
    """

    rows: tuple[Edit, ...] = ()

    def __bool__(self) -> bool:
        return bool(self.rows)

    @classmethod
    def read(
        cls,
        source: Edits
        | Mapping[str, Any]
        | Iterable[Mapping[str, Any]]
        | pd.DataFrame
        | str
        | os.PathLike[str]
        | None,
        record_id: str | None = None,
    ) -> Edits:
        """
        Read and check edits.

        Parameters
        ----------
        source : Edits, list of mapping, mapping, DataFrame, path or None
            Rows with an ``action``: ``add_beat`` and ``remove_beat`` with ``at_s`` (near the upstroke;
            the analysis refuses a beat that it finds no upstroke for),
            ``add_span`` with ``from_s``, ``to_s`` and ``kind``, ``remove_span`` with ``from_s``, ``to_s``
            and, if only one kind is meant, ``kind``. A mapping holds them as a list called ``edits``.
            Files: YAML, JSON, CSV, Parquet.
        record_id : str, optional
            Of a table with a column ``record_id``, only the rows of this recording are taken.

        Returns
        -------
        Edits
            The checked edits.

        Raises
        ------
        InputError
            If anything in them cannot be used.
        DataUnavailableError
            If the file is not there.
        """
        if source is None:
            return cls()
        if isinstance(source, Edits):
            return source
        found, where = read_rows(source, "edits")
        if isinstance(found, Mapping):
            unknown = [key for key in found if key != "edits"]
            if unknown:
                raise InputError(f"{where}: unknown key {unknown[0]!r}; a mapping holds a list 'edits'")
            found, where = read_rows(found.get("edits") or [], where)
            if isinstance(found, Mapping):
                raise InputError(f"{where}: edits must be a list of mappings")
        rows = []
        for i, row in enumerate(found, start=1):
            filled = {str(key): value for key, value in row.items() if not empty(value)}
            owner = filled.pop("record_id", None)
            if owner is None or record_id is None or str(owner) == record_id:
                rows.append(_edit(filled, f"{where}, row {i}"))
        return cls(tuple(rows))

    @property
    def add_beats_s(self) -> Float:
        """Times of the beats to add [s], shape (n,)."""
        return self._at("add_beat")

    @property
    def remove_beats_s(self) -> Float:
        """Times of the beats to remove [s], shape (n,)."""
        return self._at("remove_beat")

    def _at(self, action: str) -> Float:
        return np.array([row.at_s for row in self.rows if row.action == action], dtype=np.float64)

    def in_samples(self, fs: float, first: int = 0) -> SampleEdits:
        """
        Give them in samples of a channel.

        Parameters
        ----------
        fs : float
            Sampling rate [Hz].
        first : int
            Number of the channel's first sample, counted from the start of the recording.

        Returns
        -------
        SampleEdits
            Positions counted from the channel's first sample.
        """
        return SampleEdits(
            self.add_beats_s * fs - first,
            self.remove_beats_s * fs - first,
            self._spans("add_span", fs, first),
            self._spans("remove_span", fs, first),
        )

    def _spans(self, action: str, fs: float, first: int) -> NDArray[np.void]:
        rows = [
            (
                math.floor(row.from_s * fs) - first,
                math.ceil(row.to_s * fs) - first,
                KINDS.index(row.kind) if row.kind else -1,
            )
            for row in self.rows
            if row.action == action
        ]
        return np.array(rows, dtype=SPAN_DTYPE)

    def mark(self, facts: NDArray[np.int64], start_s: Float, end_s: Float) -> None:
        """
        Add the fact "edited_by_hand" to rows that an edit touches.

        A beat that was removed leaves no row of its own that could say so.

        Parameters
        ----------
        facts : ndarray of int64, shape (n,)
            Facts of the rows, changed in place.
        start_s, end_s : ndarray, shape (n,)
            Their stretches, half open [s].
        """
        found = np.zeros(np.shape(start_s), dtype=bool)
        for row in self.rows:
            if row.action.endswith("_beat"):
                found |= (start_s <= row.at_s) & (row.at_s < end_s)
            else:
                found |= (start_s < row.to_s) & (row.from_s < end_s)
        facts |= np.where(found, mask("edited_by_hand"), 0)

    def refuse_outside(self, start_s: float, end_s: float) -> None:
        """
        Refuse edits that touch nothing of a recording.

        Parameters
        ----------
        start_s, end_s : float
            First and last time of the recording [s].

        Raises
        ------
        InputError
            If an edit lies outside.
        """
        for i, row in enumerate(self.rows, start=1):
            low, high = (row.at_s, row.at_s) if "beat" in row.action else (row.from_s, row.to_s)
            if high < start_s or low > end_s:
                raise InputError(
                    f"edits, row {i}: {row.action} at {low:g} s lies outside the recording "
                    f"({start_s:g} to {end_s:g} s)"
                )

    def save(self, path: str | os.PathLike[str]) -> Path:
        """
        Save them as a file that `read` takes.

        Parameters
        ----------
        path : path
            Its ending says what it is: .csv, .yaml, .yml or .json. It is replaced if it is there.

        Returns
        -------
        Path
            The file.

        Raises
        ------
        InputError
            If the ending is none of these.
        """
        target, rows = Path(path), self.to_json()
        if target.suffix == ".csv":
            import csv
            import io

            text_ = io.StringIO(newline="")
            writer = csv.DictWriter(text_, _KEYS)
            writer.writeheader()
            writer.writerows(rows)
            content = text_.getvalue()
        elif target.suffix in (".yaml", ".yml"):
            import yaml

            content = yaml.safe_dump({"edits": rows}, sort_keys=False)
        elif target.suffix == ".json":
            content = json.dumps({"edits": rows}, indent=1)
        else:
            raise InputError(f"{target.name}: edits are saved as .csv, .yaml or .json")
        with whole_file(target) as part:
            part.write_text(content, encoding="utf-8", newline="")
        return target

    def to_json(self) -> list[dict[str, Any]]:
        """Give them as rows that `read` understands."""
        return [{key: value for key in _KEYS if not empty(value := getattr(row, key))} for row in self.rows]


def _edit(row: Mapping[str, Any], where: str) -> Edit:
    """One checked edit."""
    for key in row:
        if key not in _KEYS:
            raise InputError(f"{where}: unknown key {key!r}{near(key, _KEYS)}")
    action = text(row.get("action"), f"{where}: action")
    if action not in ACTIONS:
        raise InputError(f"{where}: unknown action {action!r}{near(action, ACTIONS)}")
    note = text(row["note"], f"{where}: note") if "note" in row else ""
    wanted = ("at_s",) if action.endswith("_beat") else ("from_s", "to_s")
    for key in ("at_s", "from_s", "to_s", "kind"):
        if key in row and key not in wanted and not (key == "kind" and action.endswith("_span")):
            raise InputError(f"{where}: {action} takes {' and '.join(wanted)}, not {key}")
    times = {}
    for key in wanted:
        if key not in row:
            raise InputError(f"{where}: {action} needs {' and '.join(wanted)}")
        times[key] = number(row[key], f"{where}: {key}")
        if times[key] < 0:
            raise InputError(f"{where}: {key} must not be negative, got {times[key]:g}")
    if action.endswith("_beat"):
        return Edit(action, at_s=times["at_s"], note=note)
    return Edit(action, **times, kind=_span_kind(row, action, times, where), note=note)


def _span_kind(row: Mapping[str, Any], action: str, times: Mapping[str, float], where: str) -> str:
    """Kind of the span of an edit, once its times are known to be in order."""
    if not times["to_s"] > times["from_s"]:
        raise InputError(
            f"{where}: to_s must come after from_s, got {times['from_s']:g} to {times['to_s']:g}"
        )
    kind = text(row["kind"], f"{where}: kind") if "kind" in row else ""
    if action == "add_span" and not kind:
        raise InputError(f"{where}: add_span needs a kind: {', '.join(KINDS)}")
    if kind and kind not in KINDS:
        raise InputError(f"{where}: unknown kind of span {kind!r}{near(kind, KINDS)}")
    return kind
