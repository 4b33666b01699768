"""Cutting a recording: all its time axes together, attributes too."""

from __future__ import annotations

import copy
from typing import TYPE_CHECKING, Any

import numpy as np

from hemoidx.errors import InputError

if TYPE_CHECKING:
    import xarray as xr


def crop(rec: xr.Dataset, start: float | None = None, stop: float | None = None) -> xr.Dataset:
    """
    Cut a stretch out of a recording.

    Parameters
    ----------
    rec : xarray.Dataset
        A recording.
    start, stop : float, optional
        Seconds from the start of the recording; samples with start <= time < stop are kept, on
        every time axis. Left out: from its beginning, to its end.

    Returns
    -------
    xarray.Dataset
        A view where possible. Times and sample numbers still count from the start of the
        original recording, in the coordinate as in `scale` and `segments`.

    Raises
    ------
    InputError
        If the stretch is empty, or an axis is not exact any more.

    Notes
    -----
    The times compared are the rounded seconds that the coordinate shows, so cuts at times read
    off the recording fall exactly, and pieces cut at the same time fit without overlap or hole.
    """
    from hemoidx.recordings.time_axis import Axis, TimeIndex

    axes: dict[str, Axis] = {}
    for dim in map(str, rec.dims):
        index = rec.xindexes.get(dim)
        if not isinstance(index, TimeIndex) or index.axis.step < 0:
            raise InputError(f"the axis {dim!r} is not exact or runs backwards; crop the recording as loaded")
        axes[dim] = index.axis
    low = -np.inf if start is None else float(start)
    high = np.inf if stop is None else float(stop)
    parts = {dim: slice(axis.before(low), axis.before(high)) for dim, axis in axes.items()}
    if not parts or all(part.stop <= part.start for part in parts.values()):
        held = [(float(a.seconds(0)), float(a.seconds(a.size))) for a in axes.values() if a.size]
        raise InputError(
            f"nothing between {low:g} and {high:g} s; the recording runs from "
            f"{min((a for a, _ in held), default=0.0):g} to {max((b for _, b in held), default=0.0):g} s"
        )
    out = rec.isel({dim: slice(p.start, max(p.start, p.stop)) for dim, p in parts.items()})
    for name, data in out.data_vars.items():
        axis = axes[str(data.dims[0])].sliced(parts[str(data.dims[0])])
        attrs = copy.deepcopy(data.attrs)
        attrs["scale"] = _clipped(attrs.get("scale", []), axis)
        if "calibrated" in attrs:
            attrs["calibrated"] = bool(attrs["scale"]) and all(r["calibrated"] for r in attrs["scale"])
        out[name].attrs = attrs
    out.attrs = copy.deepcopy(rec.attrs)
    _cut_attrs(out, axes, low, high)
    return out


def _clipped(runs: list[dict[str, Any]], axis: Any) -> list[dict[str, Any]]:
    first, end = axis.first, axis.first + axis.size * axis.step
    clipped = [{**r, "start": max(r["start"], first), "stop": min(r["stop"], end)} for r in runs]
    return [run for run in clipped if run["stop"] > run["start"]]


def _cut_attrs(out: xr.Dataset, axes: dict[str, Any], low: float, high: float) -> None:
    """Segments count in frames, for which there need not be a channel."""
    from hemoidx.recordings.time_axis import Axis

    segments = out.attrs.get("segments")
    if segments:
        fs = out.attrs.get("fs") or (axes["time"].fs if "time" in axes else None)
        if fs is None:
            raise InputError("the recording does not say its frame rate (attribute fs)")
        frames = Axis(0, 1, float(fs), max(s["stop"] for s in segments))
        out.attrs["segments"] = _clipped(
            segments, frames.sliced(slice(frames.before(low), frames.before(high)))
        )
    provenance = out.attrs.setdefault("provenance", {})
    provenance.setdefault("steps", []).append(
        {
            "step": "crop",
            "start_s": None if low == -np.inf else low,
            "stop_s": None if high == np.inf else high,
        }
    )
