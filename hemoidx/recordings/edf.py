"""EDF and EDF+ files: every signal at its own rate, gaps between records as NaN."""

from __future__ import annotations

import warnings
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from hemoidx.errors import DataUnavailableError, InputError
from hemoidx.recordings.building import Channel, Origin, build, check_length, empty, unique_names
from hemoidx.recordings.channels import ARTERIAL, holds_pressure, pick_names, role_of
from hemoidx.recordings.files import fingerprint
from hemoidx.units import mmhg_per_unit, pressure_unit

if TYPE_CHECKING:
    import xarray as xr

_INSTALL = 'EDF files need edfio: pip install "hemoidx[formats]"'
_ANNOTATIONS = "EDF Annotations"
_HEAD, _PER_SIGNAL = 256, 256
#: Records begin on the grid of the samples, give or take this share of a step.
_OFF_GRID = 0.25


def read_edf(path: Path, channels: str | Sequence[str] | None = None) -> xr.Dataset:
    """
    Read an EDF or EDF+ file.

    Parameters
    ----------
    path : Path
        The file. Of EDF+D (records with gaps between them) each record stands at its own time.
    channels : str or sequence of str, optional
        Signals wanted; all if left out.

    Returns
    -------
    xarray.Dataset
        As `hemoidx.load` gives it; annotations are among the ``comments``, with their time.

    Raises
    ------
    InputError
        If the file cannot be used.
    DataUnavailableError
        If edfio is not installed, or a channel is not there.

    References
    ----------
    .. [1] Kemp B, Olivan J. European data format 'plus' (EDF+), an EDF alike standard format for the exchange
       of physiological data. Clin Neurophysiol 2003;114:1755-1761 (the layout is quoted from memory).
    """
    try:
        import edfio
    except ImportError as error:
        raise DataUnavailableError(_INSTALL) from error
    try:
        with warnings.catch_warnings(record=True) as told:
            warnings.simplefilter("always")
            edf = edfio.read_edf(path)
        onset = _onsets(path)
    except (ValueError, OSError, IndexError, KeyError) as error:
        raise InputError(f"{path.name} cannot be read as EDF: {' '.join(str(error).split())}") from error
    if onset is not None and np.any(np.diff(onset) < edf.data_record_duration - 1e-9):
        raise InputError(f"{path.name}: records overlap in time or run backwards")
    signals = [signal for signal in edf.signals if signal.label.strip() != _ANNOTATIONS]
    if not signals:
        raise InputError(f"{path.name}: it holds no signal")
    names = unique_names([signal.label.strip() or f"signal {k + 1}" for k, signal in enumerate(signals)])
    wanted = pick_names(names, channels, path.name)
    read = [(name, signals[names.index(name)], names.index(name)) for name in wanted]
    frame = _frame_rate(read)
    found = [_channel(name, signal, k, onset, frame, path) for name, signal, k in read]
    main = next((ch for ch in found if ch.dim == "time"), found[0])
    origin = Origin(
        record_id=path.stem,
        source=str(path),
        fs=frame,
        segments=[{"name": path.stem, "start": main.first, "stop": main.first + main.values.size}],
        start_time=_start(edf, edfio.AnonymizedDateError),
        comments=[f"{a.onset:g} s: {a.text}" for a in edf.annotations if a.text],
        notices=[
            *([] if onset is None else ["records are not continuous; the times between them are gaps"]),
            *(str(warning.message) for warning in told),
        ],
        files=[fingerprint(path, path.parent)],
        checksums={ch.name: "not stated" for ch in found},
    )
    return build(found, origin)


def _frame_rate(read: Sequence[tuple[str, Any, int]]) -> float:
    """Rate of the arterial pressure, else the highest: the channels at it lie along `time`."""
    arterial = [s.sampling_frequency for n, s, _ in read if role_of(n, s.physical_dimension) == ARTERIAL]
    return float(max(arterial or [signal.sampling_frequency for _, signal, _ in read]))


def _start(edf: Any, anonymised: type[Exception]) -> str:
    try:
        return str(edf.startdatetime.isoformat())
    except (anonymised, ValueError):
        return ""


def _channel(
    name: str, signal: Any, number: int, onset: NDArray[np.float64] | None, frame: float, path: Path
) -> Channel:
    unit = signal.physical_dimension.strip()
    role = role_of(name, unit)
    pressure = holds_pressure(role, unit)
    factor = mmhg_per_unit(unit, f"{path.name}, channel {name}") if pressure and pressure_unit(unit) else 1.0
    calibrated = not pressure or pressure_unit(unit) is not None
    fs = float(signal.sampling_frequency)
    check_length(signal.data.size, fs, f"{path.name}, channel {name}")
    values = np.asarray(signal.data, dtype=np.float32) * np.float32(factor)
    if onset is not None:
        values = _placed(
            values, int(signal.samples_per_data_record), onset, fs, f"{path.name}, channel {name}"
        )
    step = factor * (signal.physical_max - signal.physical_min) / (signal.digital_max - signal.digital_min)
    low, high = sorted((factor * signal.physical_min, factor * signal.physical_max))
    run = {
        "start": 0,
        "stop": int(values.size),
        "gain": float(1.0 / step) if step else 0.0,
        "baseline": round(signal.digital_min - signal.physical_min * factor / step) if step else 0,
        "units_in": unit,
        "step": abs(float(step)),
        "rail_low": float(low),
        "rail_high": float(high),
        "calibrated": calibrated,
    }
    units = "mmHg" if pressure and calibrated else unit or "counts"
    dim = "time" if fs == frame else f"time_{fs:g}hz"
    return Channel(name, values, fs, dim, role, units, f"{path.name}, signal {number + 1}", [run])


def _placed(
    values: NDArray[np.float32], each: int, onset: NDArray[np.float64], fs: float, where: str
) -> NDArray[Any]:
    """Records at their times; between them nothing is known."""
    start = (onset - onset[0]) * fs
    first = np.rint(start).astype(np.int64)
    if np.any(np.abs(start - first) > _OFF_GRID):
        raise InputError(f"{where}: records begin between samples; they cannot share one time axis")
    check_length(int(first[-1]) + each, fs, where)
    out = empty(int(first[-1]) + each, np.float32, where)
    out[first[:, None] + np.arange(each)] = values.reshape(-1, each)[: first.size]
    return out


def _onsets(path: Path) -> NDArray[np.float64] | None:
    """
    Time of each record [s], which EDF+D keeps in its first annotation signal; None where they just follow.

    The header holds, after 256 bytes, for each signal its label (16 bytes) and, after 216 bytes a signal, its
    samples a record (8 bytes).
    """
    with path.open("rb") as file:
        head = file.read(_HEAD)
        if not head[192:197].startswith(b"EDF+D"):
            return None
        count = int(head[252:256])
        fields = file.read(_PER_SIGNAL * count)
        labels = [fields[16 * k : 16 * (k + 1)].decode("ascii").strip() for k in range(count)]
        sizes = [int(fields[216 * count + 8 * k : 216 * count + 8 * (k + 1)]) for k in range(count)]
        where = labels.index(_ANNOTATIONS)
        before, own, whole = 2 * sum(sizes[:where]), 2 * sizes[where], 2 * sum(sizes)
        file.seek(int(head[184:192]))
        body = file.read()
    found = []
    for k in range(len(body) // whole):
        note = body[k * whole + before : k * whole + before + own]
        found.append(float(note.split(b"\x14", 1)[0].split(b"\x15", 1)[0]))
    return np.array(found)
