"""One face for all indices: the same function on arrays, tables and labelled arrays, with units kept."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..errors import InputError, UnitError
from ..units import pressure_unit, to_mmhg
from .catalogue import Catalogue, split_input
from .index import LANDMARKS, Index

_PRESSURE = "mmHg"


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
        Units that it states (``attrs["units"]``) are heeded: pressures in kPa or cmH2O are converted, other
        units refused.
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
        If an input is missing.
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
    values = _values(entry, known, data, inputs, ())
    return _dressed(entry, values, data, inputs)


def _values(
    entry: Index, known: Catalogue, data: Any, inputs: Mapping[str, Any], on_the_way: tuple[str, ...]
) -> NDArray[np.float64]:
    """Bare values of an entry, after those of its inputs."""
    arguments = [_input(entry, name, known, data, inputs, (*on_the_way, entry.name)) for name in entry.inputs]
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.asarray(entry.function(*arguments), dtype=np.float64)


def _input(
    entry: Index,
    name: str,
    known: Catalogue,
    data: Any,
    inputs: Mapping[str, Any],
    on_the_way: tuple[str, ...],
) -> Any:
    """Find one input, or compute it."""
    word = split_input(name)[1].removeprefix("context.")
    source = known.get(word)
    words = dict.fromkeys([word, *((source.name, source.column) if source else ())])
    unit = source.unit if source else (_PRESSURE if word == "pressure" else "")
    for holder in (inputs, data):
        for spelled in words:
            found = _get(holder, spelled)
            if found is not None:
                return _plain(
                    found, unit, f"input {spelled} of {entry.name}", _unit_of(holder, spelled, found)
                )
    measured = _from_channel(word, data, inputs)
    if measured is not None:
        return measured
    if source is not None and source.name not in on_the_way:
        try:
            return _values(source, known, data, inputs, on_the_way)
        except InputError as error:
            raise InputError(f"compute: {entry.name} needs {word}; {error}") from error
    raise InputError(f"compute: {entry.name} needs {word!r}, which is not there: give it by name")


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
    if wanted == _PRESSURE and pressure_unit(unit):
        return to_mmhg(values, unit, where)
    raise UnitError(f"{where} is in {unit!r}, need {wanted}")


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
        models = [data[name] for name in data.data_vars if data[name].shape == values.shape]
        if models:
            return models[0].copy(data=values).rename(entry.column).assign_attrs(attrs)
    elif hasattr(data, "columns"):
        import pandas as pd

        if values.shape == (len(data),):
            out = pd.Series(values, index=data.index, name=entry.column)
            out.attrs.update(attrs)
            return out
    models = [v for v in inputs.values() if hasattr(v, "coords") and v.shape == values.shape]
    if models:
        return models[0].copy(data=values).rename(entry.column).assign_attrs(attrs)
    return values
