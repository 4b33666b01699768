"""A recording is put together here, and only here, whatever it was read from."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from hemoidx.errors import InputError
from hemoidx.recordings.channels import ARTERIAL, long_name, site_of, statistic_of

if TYPE_CHECKING:
    import xarray as xr

LONGEST_DAYS = 100  # ours: the longest open recording known lasts 16 days


@dataclass
class Channel:
    """
    One channel on its way into a recording.

    Parameters
    ----------
    name : str
        Unique in the recording.
    values : ndarray, shape (n,)
        NaN is a gap.
    fs : float
        Rate [Hz].
    dim : str
        Name of its time dimension.
    role : str
        See `hemoidx.recordings.role_of`.
    units : str
        Unit of the values.
    source : str
        File and signal.
    scale : list of dict
        Runs of samples with one gain.
    first : int
        Number of the first sample.
    """

    name: str
    values: NDArray[np.floating[Any]]
    fs: float
    dim: str
    role: str
    units: str
    source: str
    scale: list[dict[str, Any]]
    first: int = 0


@dataclass
class Origin:
    """
    What is known of a recording as a whole.

    Parameters
    ----------
    record_id, source : str
        Name, and where it was read.
    fs : float
        Rate of the frames [Hz], to which `segments` refer.
    segments : list of dict
        name, start, stop in frames.
    start_time : str
        ISO text or ''.
    comments, notices : list of str
        From the file; about the reading.
    files : list of dict
        name, sha256, bytes.
    checksums : dict
        For each channel 'agrees', 'differs', 'not stated' or 'not checked'.
    """

    record_id: str
    source: str
    fs: float
    segments: list[dict[str, Any]]
    start_time: str = ""
    comments: list[str] = field(default_factory=list)
    notices: list[str] = field(default_factory=list)
    files: list[dict[str, Any]] = field(default_factory=list)
    checksums: dict[str, str] = field(default_factory=dict)


def unique_names(names: list[str]) -> list[str]:
    """
    Make channel names unique.

    Parameters
    ----------
    names : list of str
        As in the file.

    Returns
    -------
    list of str
        A doubled name gets _2, _3 and so on, and so does one that would hide the time axis.
    """
    taken = {"time"}
    out: list[str] = []
    for name in names:
        trial, k = name, 1
        while trial in taken or (trial.startswith("time_") and trial.endswith("hz")):
            k += 1
            trial = f"{name}_{k}"
        taken.add(trial)
        out.append(trial)
    return out


def check_length(n_samples: int, fs: float, where: str) -> None:
    """
    Refuse an absurd length before memory is asked for.

    Parameters
    ----------
    n_samples : int
        Samples at `fs`.
    fs : float
        Rate [Hz].
    where : str
        The recording, for the error text.

    Raises
    ------
    InputError
        If it would last longer than any recording.
    """
    days = n_samples / fs / 86400
    if days > LONGEST_DAYS:
        raise InputError(
            f"{where} would last {days:.4g} days ({n_samples} samples at {fs:g} Hz); "
            f"at most {LONGEST_DAYS} days are read"
        )


def empty(n: int, dtype: type[np.floating[Any]], where: str) -> NDArray[np.floating[Any]]:
    """
    Array of gaps.

    Parameters
    ----------
    n : int
        Samples.
    dtype : type
        float32 or float64.
    where : str
        The recording, for the error text.

    Returns
    -------
    ndarray, shape (n,)
        All NaN.

    Raises
    ------
    InputError
        If there is not enough memory.
    """
    try:
        return np.full(n, np.nan, dtype=dtype)
    except MemoryError as error:
        raise InputError(f"{where}: no memory for {n} samples; ask for fewer channels") from error


def build(channels: list[Channel], origin: Origin) -> xr.Dataset:
    """
    Put a recording together.

    Parameters
    ----------
    channels : list of Channel
        Its channels.
    origin : Origin
        What is known of the recording as a whole.

    Returns
    -------
    xarray.Dataset
        One variable for each channel on exact time axes; attributes hold only JSON values.
    """
    import xarray as xr

    from hemoidx import __version__
    from hemoidx.recordings.time_axis import Axis, time_coordinate

    coords: dict[str, xr.Coordinates] = {}
    for ch in channels:
        if ch.dim not in coords:
            coords[ch.dim] = time_coordinate(Axis(ch.first, 1, ch.fs, ch.values.size), ch.dim)
    rec = xr.Dataset()
    for coordinate in coords.values():
        rec = rec.assign_coords(coordinate)
    for ch in channels:
        attrs = {
            "units": ch.units,
            "fs": ch.fs,
            "role": ch.role,
            "source": ch.source,
            "long_name": long_name(ch.name, ch.role),
            "calibrated": bool(ch.scale) and all(run["calibrated"] for run in ch.scale),
            "scale": ch.scale,
        }
        if ch.role == ARTERIAL and (site := site_of(ch.name)):
            attrs["site"] = site
        if statistic := statistic_of(ch.name):
            attrs["statistic"] = statistic
        rec[ch.name] = xr.Variable((ch.dim,), ch.values, attrs)
    rec.attrs = {
        "record_id": origin.record_id,
        "source": origin.source,
        "start_time": origin.start_time,
        "fs": origin.fs,
        "comments": origin.comments,
        "segments": origin.segments,
        "provenance": {
            "files": origin.files,
            "checksums": origin.checksums,
            "notices": origin.notices,
            "steps": [{"step": "load", "version": __version__}],
        },
    }
    return rec
