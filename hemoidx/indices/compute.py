"""One face for all indices: the same function on arrays, tables and labelled arrays, with units kept."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..errors import InputError
from ..units import in_unit, of_name
from .catalogue import Catalogue, split_input
from .index import LANDMARKS, Index

_LEVEL = {"beats": "beat", "breaths": "breath", "windows": "window"}
#: Inputs that are no rows of a table.
_NO_ROWS = ("pressure", "fs")


def compute(
    index: str | Index, data: Any = None, /, catalogue: Catalogue | None = None, **inputs: Any
) -> Any:
    """
    Compute one index from values that are already there: no rules, no facts, the bare formula.

    Parameters
    ----------
    index : str or Index
        Name of an entry of the catalogue, or an entry of one's own.
    data : pandas.DataFrame, xarray.Dataset or mapping of arrays, optional
        Where inputs are looked up by name or column: for instance the beats of an analysis, or a table of
        pressures that came from elsewhere. What is not there but is itself an index is computed first.
        Units that it states (``attrs["units"]``) are heeded: those of pressure, time, length and weight are
        converted, others refused.
    catalogue : Catalogue, optional
        Where names are looked up; by default ours.
    **inputs
        Inputs by name, before those of `data`. With ``pressure`` a channel of a recording, its sampling rate
        is known, and landmarks come from the columns ``onset_s``, ``peak_s`` and so on.

    Returns
    -------
    Series, DataArray or ndarray
        As the data came, named, with ``units`` and ``long_name`` in ``attrs``; an array where the result has
        not one value for each row.

    Raises
    ------
    InputError
        If an input is missing, or inputs carry different labels: they are never matched by their place.
    UnitError
        If an input is in a unit that cannot be converted.

    Notes
    -----
    `hemoidx.analyse` says of each value whether it was measured; this does not.

    Examples
    --------
    >>> compute("pp", sbp=[120.0, 110.0], dbp=[80.0, 70.0])
    array([40., 40.])
    """
    from . import default_catalogue

    known = default_catalogue() if catalogue is None else catalogue
    entry = index if isinstance(index, Index) else known[index]
    given = _Given(known, data, inputs)
    return _dressed(entry, given.values(entry, ()), data, inputs)


@dataclass(frozen=True)
class _Given:
    """What was handed in, and the labels of what was taken from it so far."""

    known: Catalogue
    data: Any
    inputs: Mapping[str, Any]
    labels: dict[str, tuple[str, tuple[Any, ...]]] = field(default_factory=dict)

    def values(self, entry: Index, on_the_way: tuple[str, ...]) -> NDArray[np.float64]:
        """Bare values of an entry, after those of its inputs."""
        arguments = [self.input(entry, name, (*on_the_way, entry.name)) for name in entry.inputs]
        with np.errstate(invalid="ignore", divide="ignore"):
            return np.asarray(entry.function(*arguments), dtype=np.float64)

    def input(self, entry: Index, name: str, on_the_way: tuple[str, ...]) -> Any:
        """Find one input, or compute it."""
        table, column = split_input(name)
        word = column.removeprefix("context.")
        source = self.known.get(word)
        words = dict.fromkeys([word, *((source.name, source.column) if source else ())])
        for holder in (self.inputs, self.data):
            for spelled in words:
                found = _get(holder, spelled)
                if found is not None:
                    if word not in _NO_ROWS:
                        self.refuse_other_labels(spelled, found, _LEVEL.get(table, entry.level))
                    unit = source.unit if source else of_name(word)
                    where = f"input {spelled} of {entry.name}"
                    return _plain(found, unit, where, _unit_of(holder, spelled, found))
        measured = _from_channel(word, self.data, self.inputs)
        if measured is not None:
            return measured
        if source is not None and source.name not in on_the_way:
            try:
                return self.values(source, on_the_way)
            except InputError as error:
                raise InputError(f"compute: {entry.name} needs {word}; {error}") from error
        raise InputError(f"compute: {entry.name} needs {word!r}, which is not there: give it by name")

    def refuse_other_labels(self, name: str, found: Any, level: str) -> None:
        """Values of one table must carry the same labels, or none."""
        mine = _labels(found)
        if not mine:
            return
        other, theirs = self.labels.setdefault(level, (name, mine))
        if len(mine) != len(theirs) or not all(
            a.name == b.name and a.equals(b) for a, b in zip(mine, theirs, strict=True)
        ):
            raise InputError(
                f"compute: {name} and {other} carry different labels ({_said(mine)}; {_said(theirs)}); align "
                "them first, for instance in one DataFrame or with xarray.align"
            )


def _labels(found: Any) -> tuple[Any, ...]:
    """Index of each dimension, named after it; nothing for what is not labelled."""
    if hasattr(found, "coords"):
        return tuple(found.get_index(dim).rename(str(dim)) for dim in found.dims)
    index = getattr(found, "index", None)
    # A list has a method of that name.
    return () if index is None or callable(index) else (index,)


def _said(labels: tuple[Any, ...]) -> str:
    return " x ".join(f"{len(index)}{f' of {index.name}' if index.name else ''}" for index in labels)


def _get(holder: Any, name: str) -> Any:
    return None if holder is None or name not in holder else holder[name]


def _unit_of(holder: Any, name: str, found: Any) -> str | None:
    """Unit that a value carries, or that its table states for it."""
    units = getattr(found, "attrs", {}).get("units")
    if isinstance(units, str):
        return units
    stated = getattr(holder, "attrs", {}).get("units")
    return stated.get(name) if isinstance(stated, Mapping) else None


def _plain(found: Any, wanted: str, where: str, unit: str | None) -> Any:
    """Bare array in the canonical unit."""
    values = np.asarray(getattr(found, "values", found))
    if not unit or not wanted or unit == wanted:
        return values[()] if values.ndim == 0 else values
    return in_unit(values, unit, wanted, where)


def _from_channel(word: str, data: Any, inputs: Mapping[str, Any]) -> Any:
    """Sampling rate and landmarks from a channel of a recording and the columns of its beats."""
    channel: Any = inputs.get("pressure")
    if word not in ("fs", *LANDMARKS) or not hasattr(channel, "coords"):
        return None
    from ..recordings import axis_of

    axis = axis_of(channel)
    if word == "fs":
        return axis.fs
    seconds = _get(data, f"{word}_s")
    return None if seconds is None else np.asarray(seconds, dtype=np.float64) * axis.fs - axis.first


def _dressed(entry: Index, values: NDArray[np.float64], data: Any, inputs: Mapping[str, Any]) -> Any:
    """Give a result the labels of the data."""
    attrs = {"units": entry.unit, "long_name": entry.title}
    if hasattr(data, "data_vars"):
        models = [data[name] for name in data.data_vars]
    elif hasattr(data, "columns"):
        models = [data[name] for name in data.columns[:1]]
    else:
        models = []
    models += [value for value in inputs.values() if _labels(value)]
    for model in models:
        if model.shape != values.shape:
            continue
        if hasattr(model, "coords"):
            return model.copy(data=values).rename(entry.column).assign_attrs(attrs)
        import pandas as pd

        out = pd.Series(values, index=model.index, name=entry.column)
        out.attrs.update(attrs)
        return out
    return values
