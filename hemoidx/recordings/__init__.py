"""Reading recordings: WFDB, CSV and Parquet into one shape, an ``xarray.Dataset``.

Units are known, nothing is resampled, a gap is NaN, and where it all came from is kept.
"""

from __future__ import annotations

import importlib
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from hemoidx.recordings.building import Channel, Origin, build, unique_names
    from hemoidx.recordings.channels import (
        PRESSURE_ROLES,
        choose_arterial,
        explain_arterial,
        long_name,
        role_of,
    )
    from hemoidx.recordings.cropping import crop
    from hemoidx.recordings.finding import find_record
    from hemoidx.recordings.loader import load
    from hemoidx.recordings.scale import scale_of
    from hemoidx.recordings.time_axis import Axis, TimeIndex, axis_of, time_coordinate, time_dim

# Resolved on first use: reading needs xarray and pandas, importing hemoidx must not.
_ROOMS = {
    "building": ("Channel", "Origin", "build", "unique_names"),
    "channels": ("PRESSURE_ROLES", "choose_arterial", "explain_arterial", "long_name", "role_of"),
    "cropping": ("crop",),
    "finding": ("find_record",),
    "loader": ("load",),
    "scale": ("scale_of",),
    "time_axis": ("Axis", "TimeIndex", "axis_of", "time_coordinate", "time_dim"),
}
_HOME = {name: room for room, names in _ROOMS.items() for name in names}

__all__ = [
    "PRESSURE_ROLES",
    "Axis",
    "Channel",
    "Origin",
    "TimeIndex",
    "axis_of",
    "build",
    "choose_arterial",
    "crop",
    "explain_arterial",
    "find_record",
    "load",
    "long_name",
    "role_of",
    "scale_of",
    "time_coordinate",
    "time_dim",
    "unique_names",
]


def __getattr__(name: str) -> Any:
    if name not in _HOME:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    value = getattr(importlib.import_module(f"{__name__}.{_HOME[name]}"), name)
    globals()[name] = value
    return value


def __dir__() -> list[str]:
    return sorted({*globals(), *__all__})
