"""NetCDF: recordings written for exchange and read back to the last digit, and plain files with times."""

from __future__ import annotations

import json
import os
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from hemoidx.errors import DataUnavailableError, InputError
from hemoidx.output import whole_file
from hemoidx.recordings.building import Channel, Origin, build
from hemoidx.recordings.channels import holds_pressure, pick_names, role_of
from hemoidx.recordings.clock import read_clock
from hemoidx.recordings.files import fingerprint
from hemoidx.recordings.time_axis import Axis, axis_of, time_coordinate
from hemoidx.units import mmhg_per_unit, pressure_unit

if TYPE_CHECKING:
    import xarray as xr

_INSTALL = 'NetCDF files need h5netcdf and h5py: pip install "hemoidx[formats]"'
_OURS = "hemoidx_recording"
_VERSION = 1
_TIME_UNITS = {"s": 1.0, "seconds": 1.0, "ms": 1e-3, "milliseconds": 1e-3}


def save_recording(rec: xr.Dataset, path: str | os.PathLike[str]) -> None:
    """
    Write a recording as NetCDF, whole or not at all.

    Parameters
    ----------
    rec : xarray.Dataset
        A recording as `hemoidx.load` gives it.
    path : path
        The file, which is replaced if it is there. Exact time axes are kept as first sample, step and rate;
        times in seconds stand beside them for other readers.

    Raises
    ------
    InputError
        If it is no recording.
    DataUnavailableError
        If h5netcdf is not installed.
    """
    import xarray as xr

    _needs_h5netcdf()
    out = xr.Dataset()
    for name in rec.data_vars:
        data = rec[name]
        axis = axis_of(data)
        dim = str(data.dims[0])
        attrs = {key: json.dumps(value) for key, value in data.attrs.items()}
        out[str(name)] = xr.Variable((dim,), np.asarray(data.values), attrs)
        if dim not in out.coords:
            where = {"units": "s", "hemoidx_axis": json.dumps([axis.first, axis.step, axis.fs])}
            out = out.assign_coords({dim: xr.Variable((dim,), axis.seconds(np.arange(axis.size)), where)})
    out.attrs = {key: json.dumps(value) for key, value in rec.attrs.items()}
    out.attrs[_OURS] = _VERSION
    packed = {str(name): {"zlib": True, "complevel": 4} for name in out.variables}
    with whole_file(path) as part:
        out.to_netcdf(part, engine="h5netcdf", encoding=packed)


def read_netcdf(path: Path, channels: str | Sequence[str] | None = None) -> xr.Dataset:
    """
    Read a NetCDF file.

    Parameters
    ----------
    path : Path
        What `save_recording` wrote, or a file of 1-D variables along one dimension with times in seconds or
        as timestamps; their ``units`` are heeded.
    channels : str or sequence of str, optional
        Channels wanted; all if left out.

    Returns
    -------
    xarray.Dataset
        The recording.

    Raises
    ------
    InputError
        If the file cannot be used.
    DataUnavailableError
        If h5netcdf is not installed, or a channel is not there.
    """
    import xarray as xr

    _needs_h5netcdf()
    try:
        found = xr.open_dataset(path, engine="h5netcdf", decode_times=True)
    except (OSError, ValueError, KeyError) as error:
        raise InputError(f"{path.name} cannot be read as NetCDF: {' '.join(str(error).split())}") from error
    with found:
        names = [str(name) for name in found.data_vars if found[name].ndim == 1]
        wanted = pick_names(names, channels, path.name)
        if not wanted:
            raise InputError(f"{path.name}: it holds no series along one dimension")
        return _ours(found, wanted) if _OURS in found.attrs else _foreign(found, wanted, path)


def _needs_h5netcdf() -> None:
    try:
        import h5netcdf  # noqa: F401 - xarray finds it by name
    except ImportError as error:
        raise DataUnavailableError(_INSTALL) from error


def _ours(found: xr.Dataset, wanted: Sequence[str]) -> xr.Dataset:
    import xarray as xr

    rec = xr.Dataset()
    for name in wanted:
        dim = str(found[name].dims[0])
        if dim not in rec.coords:
            first, step, fs = json.loads(found[dim].attrs["hemoidx_axis"])
            axis = Axis(int(first), int(step), float(fs), found.sizes[dim])
            rec = rec.assign_coords(time_coordinate(axis, dim))
    for name in wanted:
        attrs = {str(key): json.loads(value) for key, value in found[name].attrs.items()}
        rec[name] = xr.Variable(found[name].dims, found[name].values, attrs)
    rec.attrs = {str(key): json.loads(value) for key, value in found.attrs.items() if key != _OURS}
    return rec


def _foreign(found: xr.Dataset, wanted: Sequence[str], path: Path) -> xr.Dataset:
    """Series of a file that is not ours: one dimension with its times, units by attribute."""
    import pandas as pd

    dims = {str(found[name].dims[0]) for name in wanted}
    if len(dims) > 1:
        raise InputError(
            f"{path.name}: channels along {', '.join(sorted(dims))}; name those of one with channels="
        )
    dim = dims.pop()
    if dim not in found.coords:
        raise InputError(f"{path.name}: the dimension {dim!r} has no times")
    said = str(found[dim].attrs.get("units", "s"))
    if said not in _TIME_UNITS and np.issubdtype(found[dim].dtype, np.number):
        raise InputError(f"{path.name}: the times are in {said!r}; seconds or milliseconds are read")
    clock = read_clock(pd.Series(found[dim].values), _TIME_UNITS.get(said, 1.0), f"{path.name}, {dim}")
    made = []
    for name in wanted:
        unit = str(found[name].attrs.get("units", ""))
        role = role_of(name, unit)
        pressure = holds_pressure(role, unit)
        if pressure and not pressure_unit(unit):
            raise InputError(f"{path.name}, {name}: a pressure without a unit; set its attribute units")
        factor = mmhg_per_unit(unit, f"{path.name}, {name}") if pressure else 1.0
        values = np.full(clock.size, np.nan)
        values[clock.rows] = np.asarray(found[name].values, dtype=np.float64) * factor
        made.append(_channel(name, values, clock, role, "mmHg" if pressure else unit, unit, factor, path))
    origin = Origin(
        record_id=path.stem,
        source=str(path),
        fs=clock.fs,
        segments=[{"name": path.stem, "start": clock.first, "stop": clock.first + clock.size}],
        start_time=clock.start_time,
        files=[fingerprint(path, path.parent)],
        checksums=dict.fromkeys(wanted, "not stated"),
    )
    return build(made, origin)


def _channel(
    name: str, values: Any, clock: Any, role: str, units: str, unit: str, factor: float, path: Path
) -> Channel:
    run = {"start": clock.first, "stop": clock.first + clock.size, "gain": 1.0 / factor, "baseline": 0}
    run |= {"units_in": unit, "step": None, "rail_low": None, "rail_high": None, "calibrated": True}
    return Channel(name, values, clock.fs, "time", role, units, f"{path.name}, {name}", [run], clock.first)
