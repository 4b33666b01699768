"""Simulated pulse waves of virtual subjects: one beat each, at many sites, with the values behind them."""

from __future__ import annotations

import re
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from hemoidx.errors import DataUnavailableError, InputError
from hemoidx.recordings.building import Channel, Origin, build
from hemoidx.recordings.channels import pick_names, role_of
from hemoidx.recordings.files import fingerprint

if TYPE_CHECKING:
    import pandas as pd
    import xarray as xr

FS = 500.0
#: A beat is periodic by its making, so that a train of it is what the subject would show.
BEATS = 60
_UNITS = {"P": "mmHg", "U": "m/s", "A": "m2", "PPG": ""}
_FILE = re.compile(r"PWs_(?P<site>\w+)_(?P<signal>[A-Z]+)\.csv")
_REFERENCE = "pwdb_haemod_params.csv"
_SUBJECT = "Subject Number"


def is_pulse_waves(folder: Path) -> bool:
    """Whether a folder holds pulse waves as CSV."""
    return folder.is_dir() and bool(_files(folder))


def read_subject(
    folder: Path, subject: int, channels: str | Sequence[str] | None = None, beats: int = BEATS
) -> xr.Dataset:
    """
    Read one virtual subject as a train of its one beat.

    Parameters
    ----------
    folder : Path
        Folder of the database: files ``PWs_<site>_<signal>.csv`` in it or in ``PWs/csv``, one row a subject,
        and reference values in ``pwdb_haemod_params.csv``.
    subject : int
        Its number.
    channels : str or sequence of str, optional
        Channels wanted, named ``<site>_<signal>`` such as "Radial_P"; all if left out.
    beats : int
        How often the beat is repeated.

    Returns
    -------
    xarray.Dataset
        The recording; ``attrs["reference"]`` holds the values it was simulated with, by name with unit.

    Raises
    ------
    InputError
        If beats of one subject differ in length, or a table cannot be read.
    DataUnavailableError
        If there is no such subject.

    References
    ----------
    .. [1] Charlton PH and others. Am J Physiol Heart Circ Physiol 2019;317:H1062-H1085.
    """
    if beats < 1:
        raise InputError(f"{folder.name}: a train of {beats} beats; at least 1 is needed")
    files = {f"{m['site']}_{m['signal']}": (path, m["signal"]) for path, m in _files(folder)}
    wanted = pick_names(list(files), channels, folder.name)
    found = []
    for name in wanted:
        path, signal = files[name]
        beat = _row(path, subject)
        values = np.tile(beat.astype(np.float32), beats)
        unit = _UNITS.get(signal, "")
        run = {"start": 0, "stop": values.size, "gain": 1.0, "baseline": 0, "units_in": unit}
        run |= {"step": None, "rail_low": None, "rail_high": None, "calibrated": True}
        where = f"{path.name}, subject {subject}"
        found.append(Channel(name, values, FS, "time", role_of(name, unit), unit, where, [run]))
    if len({ch.values.size for ch in found}) > 1:
        raise InputError(f"{folder.name}, subject {subject}: its beats differ in length from site to site")
    size = found[0].values.size
    origin = Origin(
        record_id=str(subject),
        source=str(folder / str(subject)),
        fs=FS,
        segments=[{"name": str(subject), "start": 0, "stop": size}],
        comments=["simulated by its authors: no patient"],
        notices=[f"one beat, repeated {beats} times"],
        files=[fingerprint(files[name][0], folder) for name in wanted],
        checksums=dict.fromkeys(wanted, "not stated"),
    )
    rec = build(found, origin)
    rec.attrs["reference"] = _reference(folder, subject)
    return rec


def reference_table(folder: Path) -> pd.DataFrame:
    """
    Values that the subjects were simulated with.

    Parameters
    ----------
    folder : Path
        Folder of the database.

    Returns
    -------
    pandas.DataFrame
        By subject; ``attrs["units"]`` holds the unit of each column.

    Raises
    ------
    DataUnavailableError
        If the table is not there.
    InputError
        If it names no subjects.
    """
    import pandas as pd

    path = folder / _REFERENCE
    if not path.is_file():
        raise DataUnavailableError(f"{folder.name}: its reference values ({_REFERENCE}) are not there")
    table = pd.read_csv(path, skipinitialspace=True)
    names, units = {}, {}
    for column in table.columns:
        match = re.fullmatch(r"(.*?)\s*\[(.*)\]", str(column).strip())
        names[column] = match[1] if match else str(column).strip()
        units[names[column]] = match[2] if match else ""
    table = table.rename(columns=names)
    if _SUBJECT not in table:
        raise InputError(f"{path.name}: no column {_SUBJECT!r}")
    table = table.set_index(_SUBJECT)
    table.attrs["units"] = {name: unit for name, unit in units.items() if name != _SUBJECT}
    return table


def _reference(folder: Path, subject: int) -> dict[str, Any]:
    try:
        table = reference_table(folder)
    except DataUnavailableError:
        return {}
    if subject not in table.index:
        return {}
    units = table.attrs["units"]
    row = table.loc[[subject]].iloc[0].to_dict()
    return {str(name): {"value": float(value), "unit": units[name]} for name, value in row.items()}


def _files(folder: Path) -> list[tuple[Path, re.Match[str]]]:
    found = []
    for place in (folder, folder / "PWs" / "csv"):
        if place.is_dir():
            found += [(path, m) for path in sorted(place.iterdir()) if (m := _FILE.fullmatch(path.name))]
    return found


def _row(path: Path, subject: int) -> NDArray[np.float64]:
    """The beat of one subject, without the padding of shorter beats."""
    with path.open(encoding="utf-8-sig") as lines:
        if not next(lines, "").strip().startswith(_SUBJECT):
            raise InputError(f"{path.name}: its first column is not {_SUBJECT!r}")
        for line in lines:
            number, _, rest = line.partition(",")
            if number.strip() and float(number) == subject:
                cells = [cell.strip() for cell in rest.split(",")]
                while cells and cells[-1].lower() in ("", "nan"):
                    cells.pop()
                try:
                    return np.array([float(cell) for cell in cells])
                except ValueError as error:
                    raise InputError(f"{path.name}, subject {subject}: {error}") from error
    raise DataUnavailableError(f"{path.name}: there is no subject {subject}")
