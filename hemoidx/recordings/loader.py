"""The front door: one function for every kind of recording."""

from __future__ import annotations

import os
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

from hemoidx.errors import InputError
from hemoidx.recordings.finding import find_record

if TYPE_CHECKING:
    import xarray as xr


def load(
    source: str | os.PathLike[str],
    channels: str | Sequence[str] | None = None,
    *,
    units: str | Mapping[str, str] | None = None,
) -> xr.Dataset:
    """
    Read a recording.

    Parameters
    ----------
    source : str or path-like
        A WFDB record, a CSV, Parquet, EDF or NetCDF file: a path, with or without suffix, or
        'database/record' under the data root (environment variable HEMOIDX_DATA, else the user's
        data folder). A WFDB record may also be named by its web address: it is fetched once, and
        kept under the data root. A case of tracks is named by its folder, a subject of simulated
        pulse waves by the folder of the database and its number: 'pwdb/12'.
    channels : str or sequence of str, optional
        Channels wanted; all if left out.
    units : str or mapping of str to str, optional
        For CSV and Parquet files: units by name, which go before those of the file, or one for
        all pressures that state none.

    Returns
    -------
    xarray.Dataset
        One 1-D variable for each channel at its own rate: nothing is averaged or resampled, a gap
        is NaN, pressures are in mmHg. Channels with several samples in a frame have a time
        dimension of their own, for example `time_500hz`. Times are seconds from the start of the
        recording, exact, without memory.

        Attributes of a variable: `units`, `fs` [Hz], `role`, `source`, `long_name`, `calibrated`,
        and `scale`, one entry for each run of samples with one gain: `start`, `stop` (sample
        numbers), `gain` (0 if not stated), `baseline`, `units_in`, `step` and `rail_low`,
        `rail_high` [unit of the channel], `calibrated`. A channel without a gain is in 'counts'.

        Attributes of the recording: `record_id`, `source`, `start_time`, `fs` of the frames [Hz],
        `comments`, `segments` (`name`, `start`, `stop` in frames), `provenance` (`files` with
        SHA-256, `checksums`, `notices`, `steps`).

    Raises
    ------
    InputError
        If the file cannot be used.
    UnitError
        If a pressure that was asked for is not in mmHg, kPa or cmH2O.
    DataUnavailableError
        If a file or a channel is not there.

    Examples
    --------
    >>> rec = load("mimicdb/037/03700181", channels=["ABP"])  # doctest: +SKIP
    """
    if isinstance(source, str) and source.startswith(("http://", "https://")):
        from hemoidx.opendata.fetching import fetch_address

        source = fetch_address(source)
    folder = _folder(source, channels)
    if folder is not None:
        return folder
    path = find_record(source)
    name = path.name.lower()
    if name.endswith(".hea"):
        if units is not None:
            raise InputError("units= is for CSV and Parquet files; a WFDB header states its own")
        from hemoidx.recordings.wfdb_reader import read_wfdb

        return read_wfdb(path.absolute(), channels)
    if name.endswith((".csv", ".csv.gz", ".parquet", ".pq")):
        from hemoidx.recordings.tables import read_table

        return read_table(path.absolute(), channels, units)
    if name.endswith(".edf"):
        from hemoidx.recordings.edf import read_edf

        return read_edf(path.absolute(), channels)
    if name.endswith((".nc", ".nc4")):
        from hemoidx.recordings.netcdf import read_netcdf

        return read_netcdf(path.absolute(), channels)
    raise InputError(
        f"{path.name}: not a kind of file that is read; WFDB (.hea), CSV, Parquet, EDF or NetCDF is"
    )


def _folder(source: str | os.PathLike[str], channels: str | Sequence[str] | None) -> xr.Dataset | None:
    """Recording that is a folder of tracks, or a subject of pulse waves; None if it is neither."""
    from hemoidx.recordings import pulse_waves, tracks
    from hemoidx.recordings.finding import places

    for place in places(source):
        if place.is_dir() and tracks.is_case(place):
            return tracks.read_tracks(place.absolute(), channels)
        if place.name.isdigit() and pulse_waves.is_pulse_waves(place.parent):
            return pulse_waves.read_subject(place.parent.absolute(), int(place.name), channels)
    return None
