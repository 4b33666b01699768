"""Calibrations, zeros and levels applied to a recording: always as a new channel, never in place."""

from __future__ import annotations

import copy
from collections.abc import Sequence
from itertools import pairwise
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from hemoidx.errors import DataUnavailableError, InputError
from hemoidx.line.calibration import OFFSET, Calibration, level_calibration, zero_calibrations
from hemoidx.line.level import Level
from hemoidx.line.zero import ZeroReadings, zero_readings

if TYPE_CHECKING:
    import pandas as pd
    import xarray as xr

Float = NDArray[np.float64]
Int = NDArray[np.int64]
Run = dict[str, Any]

BETWEEN = ("step", "linear")


def zeros_of(recording: xr.Dataset, channel: str, spans: pd.DataFrame) -> ZeroReadings:
    """
    Read the zero error of a channel where it was open to air.

    Parameters
    ----------
    recording : xarray.Dataset
        A recording.
    channel : str
        Name of the channel.
    spans : DataFrame
        start_s, end_s and kind, as `Analysis.spans`; those of the kind open_to_air are used.

    Returns
    -------
    ZeroReadings
        Positions count from the first sample of the channel, times from the start of the recording.

    Raises
    ------
    DataUnavailableError
        If the channel is not there.
    InputError
        If it is not a pressure in mmHg on an exact time axis.
    """
    from hemoidx.recordings import axis_of, scale_of

    data = _pressure(recording, channel)
    if data.attrs.get("units") != "mmHg":
        raise InputError(f"channel {channel!r} is in {data.attrs.get('units')!r}; a zero is read in mmHg")
    axis = axis_of(data)
    if axis.step != 1:
        raise InputError(f"channel {channel!r} was thinned or reversed; read its zero before that")
    rows = spans.loc[spans["kind"] == "open_to_air", ["start_s", "end_s"]].sort_values("start_s")
    edges = np.rint(rows.to_numpy(dtype=np.float64) * axis.fs).astype(np.int64) - axis.first
    edges = np.clip(edges, 0, axis.size)
    edges = edges[edges[:, 1] > edges[:, 0]]
    runs = scale_of(data)
    step = [
        max((r["step"] or 0.0 for r in runs if r["start"] < stop and r["stop"] > start), default=0.0)
        for start, stop in edges
    ]
    return zero_readings(data.values, axis.fs, edges[:, 0], edges[:, 1], np.array(step), axis.first)


def apply(
    recording: xr.Dataset,
    channel: str,
    calibration: Calibration | Sequence[Calibration],
    *,
    name: str | None = None,
    between: str = "step",
    step: str = "calibrate",
) -> xr.Dataset:
    """
    Calibrate a channel into a new one.

    Parameters
    ----------
    recording : xarray.Dataset
        A recording; it is not changed.
    channel : str
        Name of the channel.
    calibration : Calibration or sequence of Calibration
        In order of `valid_from_s`. What lies before the first stays as it was.
    name : str, optional
        Name of the new channel; `channel` and '_calibrated' if left out.
    between : str
        'step': each sample takes the last calibration before it. 'linear': offset and gain run evenly from
        one calibration to the next, and stay at the last.
    step : str
        What the provenance calls it.

    Returns
    -------
    xarray.Dataset
        The recording with one channel more. Its `scale` (step, rails) is that of the new values, its
        `calibration` attribute and the steps of the provenance hold what was applied. It counts as calibrated
        where the old one did, and where a calibration of two points or more gave it a gain.

    Raises
    ------
    DataUnavailableError
        If the channel is not there.
    InputError
        If the channel is no pressure, the name is taken, the times are not in order, one point is to
        calibrate a channel that is not in mmHg, or one line is to fit stretches of different kinds.
    """
    from hemoidx import __version__
    from hemoidx.recordings import axis_of

    data = _pressure(recording, channel)
    new = f"{channel}_calibrated" if name is None else name
    _check_name(recording, new)
    if between not in BETWEEN:
        raise InputError(f"between must be one of {', '.join(BETWEEN)}, got {between!r}")
    steps = _in_order(calibration)
    axis = axis_of(data)
    number = axis.first + axis.step * np.arange(axis.size, dtype=np.int64)
    starts = _starts(steps, axis)
    runs = _runs(data, number)
    units = _units(data, channel, steps, bool(number.size) and bool((number < starts[0]).any()))
    pieces = [p for run in runs for p in _pieces(run, starts, steps, between == "linear")]
    _check_mixture(channel, runs, pieces)
    offset, gain = _parameters(number, axis.fs, starts, steps, between == "linear")
    values = (offset + gain * data.values.astype(np.float64)).astype(data.dtype)
    scale = [_scaled(run, *lines, str(data.attrs.get("role", ""))) for run, lines, _ in pieces]
    attrs = _attributes(data, new, units, scale, steps)
    out = recording.assign({new: (data.dims, values, attrs)})
    out.attrs = copy.deepcopy(recording.attrs)
    note: dict[str, Any] = {"step": step, "version": __version__, "channel": channel, "new_channel": new}
    note |= {"between": between, "calibrations": attrs["calibration"]}
    out.attrs.setdefault("provenance", {}).setdefault("steps", []).append(copy.deepcopy(note))
    return out


def correct_zero(
    recording: xr.Dataset,
    channel: str,
    zero: ZeroReadings | float,
    *,
    name: str | None = None,
    between: str = "step",
    backwards: bool = False,
) -> xr.Dataset:
    """
    Take the zero error out of a channel.

    Parameters
    ----------
    recording : xarray.Dataset
        A recording; it is not changed.
    channel : str
        Name of the channel.
    zero : ZeroReadings or float
        Open levels, each of which holds from its start to the next one; or one level for the whole channel
        [mmHg].
    name : str, optional
        Name of the new channel; `channel` and '_zeroed' if left out.
    between : str
        'step', or 'linear' from the level left in one open stretch to the one found in the next.
    backwards : bool
        Let the first level hold for what lies before it as well; otherwise that stays as it was.

    Returns
    -------
    xarray.Dataset
        The recording with one channel more, see `apply`. Gain, and whether it is calibrated, do not change.

    Raises
    ------
    InputError, DataUnavailableError
        As `apply`; also if there is no reading or the level is not a number.
    """
    if isinstance(zero, ZeroReadings):
        lines = zero_calibrations(zero, linear=between == "linear", backwards=backwards)
    else:
        given = "zero error given as a number"
        lines = [Calibration(0.0 - float(zero), fitted=OFFSET, points=1, source=given)]
    new = f"{channel}_zeroed" if name is None else name
    return apply(recording, channel, lines, name=new, between=between, step="correct_zero")


def correct_level(
    recording: xr.Dataset, channel: str, level: Level, *, name: str | None = None
) -> xr.Dataset:
    """
    Refer the pressures of a channel to the reference level.

    Parameters
    ----------
    recording : xarray.Dataset
        A recording; it is not changed.
    channel : str
        Name of the channel.
    level : Level
        Height of the transducer.
    name : str, optional
        Name of the new channel; `channel` and '_levelled' if left out.

    Returns
    -------
    xarray.Dataset
        The recording with one channel more, see `apply`.

    Raises
    ------
    InputError, DataUnavailableError
        As `apply`.
    """
    new = f"{channel}_levelled" if name is None else name
    return apply(recording, channel, level_calibration(level), name=new, step="correct_level")


def _pressure(recording: xr.Dataset, channel: str) -> xr.DataArray:
    if channel not in recording.data_vars:
        there = ", ".join(map(str, recording.data_vars)) or "none"
        raise DataUnavailableError(f"channel {channel!r} is not there; there are: {there}")
    data = recording[channel]
    role = str(data.attrs.get("role", "other"))
    # A channel of unknown role may be a pressure that nobody named; one of another kind is not.
    if role != "other" and not role.endswith("_pressure"):
        raise InputError(f"channel {channel!r} is no pressure (role {role}); only pressures are calibrated")
    return data


def _attributes(
    data: xr.DataArray, new: str, units: str, scale: list[Run], steps: Sequence[Calibration]
) -> dict[str, Any]:
    from hemoidx.recordings import long_name

    named = list(dict.fromkeys(c.source for c in steps if c.source))
    taken_from = "; ".join(named[:3]) + (f" and {len(named) - 3} more" if len(named) > 3 else "")
    role = str(data.attrs.get("role", "other"))
    return copy.deepcopy(data.attrs) | {
        "units": units,
        "source": f"{data.name}, calibrated: {taken_from}" if taken_from else f"{data.name}, calibrated",
        "long_name": long_name(new, role),
        "calibrated": bool(scale) and all(run["calibrated"] for run in scale),
        "scale": scale,
        "calibration": [c.as_dict() for c in steps],
    }


def _check_name(recording: xr.Dataset, new: str) -> None:
    from hemoidx.recordings import unique_names

    if not isinstance(new, str) or not new.strip() or unique_names([new]) != [new]:
        raise InputError(f"{new!r} cannot be the name of a channel")
    if new in recording.variables or new in recording.dims:
        raise InputError(f"the recording has a channel {new!r} already; choose another name")


def _in_order(calibration: Calibration | Sequence[Calibration]) -> list[Calibration]:
    steps = [calibration] if isinstance(calibration, Calibration) else list(calibration)
    if not steps or not all(isinstance(c, Calibration) for c in steps):
        raise InputError("give a Calibration, or several in order of valid_from_s")
    times = np.array([-np.inf if c.valid_from_s is None else c.valid_from_s for c in steps])
    if not (times[1:] > times[:-1]).all():
        raise InputError("the calibrations are not in order of time, or two are valid from the same time")
    return steps


def _starts(steps: Sequence[Calibration], axis: Any) -> list[float]:
    """Sample number from which each calibration holds; the time of a sample is compared as shown."""
    from hemoidx.recordings import Axis

    end = axis.first + axis.size * abs(axis.step)
    samples = Axis(0, 1, axis.fs, max(end, axis.first) + 1)
    return [-np.inf if c.valid_from_s is None else samples.before(c.valid_from_s) for c in steps]


def _units(data: xr.DataArray, channel: str, steps: Sequence[Calibration], partly: bool) -> str:
    units = str(data.attrs.get("units", ""))
    if units == "mmHg":
        return units
    if not all(c.sets_gain for c in steps):
        raise InputError(
            f"channel {channel!r} is in {units or 'no unit'}; it takes two points or more to make that mmHg"
        )
    if partly:
        raise InputError(
            f"channel {channel!r} is in {units or 'no unit'} and the first calibration holds from "
            f"{steps[0].valid_from_s:g} s only; give one for the start, or crop the recording"
        )
    return "mmHg"


def _runs(data: xr.DataArray, number: Int) -> list[Run]:
    runs: list[Run] = list(data.attrs.get("scale") or [])
    if runs or not number.size:
        return runs
    run: Run = {"start": int(number.min()), "stop": int(number.max()) + 1, "step": None}
    return [run | {"rail_low": None, "rail_high": None, "calibrated": bool(data.attrs.get("calibrated"))}]


Lines = tuple[list[Calibration], bool]


def _pieces(
    run: Run, starts: Sequence[float], steps: Sequence[Calibration], linear: bool
) -> list[tuple[Run, Lines, int]]:
    """Cut a run where calibrations begin; with each piece the lines at its ends, and which came first."""
    inner = [int(s) for s in starts if run["start"] < s < run["stop"]]
    edges = [run["start"], *inner, run["stop"]]
    out: list[tuple[Run, Lines, int]] = []
    for a, b in pairwise(edges):
        if b <= a:
            continue
        k = int(np.searchsorted(starts, a, side="right")) - 1
        ends = steps[k : k + 1] if k >= 0 else [Calibration(0.0, fitted=OFFSET)]
        moving = linear and 0 <= k < len(steps) - 1 and np.isfinite(starts[k])
        if moving:
            ends = steps[k : k + 2]
        made = k >= 0 and all(c.sets_gain for c in ends)
        piece = {**run, "start": a, "stop": b, "calibrated": bool(run["calibrated"] or made)}
        out.append((piece, (list(ends), moving), k))
    return out


def _check_mixture(channel: str, runs: Sequence[Run], pieces: Sequence[tuple[Run, Lines, int]]) -> None:
    """Refuse one line with a gain for stretches in mmHg and others in codes."""
    seen: dict[int, set[bool]] = {}
    for piece, (ends, _), k in pieces:
        if any(c.sets_gain for c in ends):
            old = any(r["calibrated"] for r in runs if r["start"] <= piece["start"] < r["stop"])
            seen.setdefault(k, set()).add(old)
    if any(len(kinds) > 1 for kinds in seen.values()):
        raise InputError(
            f"channel {channel!r} has stretches with and without a calibration; one line cannot fit both: "
            "give each its own (valid_from_s), or crop the recording"
        )


def _parameters(
    number: Int, fs: float, starts: Sequence[float], steps: Sequence[Calibration], linear: bool
) -> tuple[Float, Float]:
    """Offset and gain for each sample."""
    before = number < starts[0]
    out = []
    for name, neutral in (("offset", 0.0), ("gain", 1.0)):
        value = np.array([getattr(c, name) for c in steps])
        if linear:
            at = np.array([c.valid_from_s for c in steps if c.valid_from_s is not None])
            # One that holds from the start has no time to run from: it lasts until the next begins.
            known = value[len(steps) - at.size :]
            row = np.interp(number / fs, at, known) if at.size else np.full(number.size, value[0])
            if at.size < len(steps):
                row = np.where(number < starts[min(1, len(starts) - 1)], value[0], row)
        else:
            row = value[np.maximum(np.searchsorted(starts, number, side="right") - 1, 0)]
        out.append(np.where(before, neutral, row))
    return out[0], out[1]


def _scaled(run: Run, ends: list[Calibration], moving: bool, role: str) -> Run:
    """Run of the new channel: what step, rails, gain and baseline become."""
    from hemoidx.units import mmhg_per_unit, pressure_unit

    gains = [c.gain for c in ends]
    new = {**run, "step": None if run.get("step") is None else run["step"] * max(gains)}
    # While the line moves, the rails move too; the inner ones are kept, so that nothing clipped is missed.
    for name, inner in (("rail_low", max), ("rail_high", min)):
        rail = run.get(name)
        new[name] = None if rail is None else inner(float(c.pressure(rail)) for c in ends)
    gain, baseline = run.get("gain"), run.get("baseline")
    if gain is None or baseline is None:
        return new
    if moving:
        return new | {"gain": None, "baseline": None, "units_in": "mmHg"}
    unit = pressure_unit(run.get("units_in")) if role.endswith("_pressure") else None
    factor = (mmhg_per_unit(unit) if unit else 1.0) / (gain or 1.0) * ends[0].gain
    return new | {"gain": 1.0 / factor, "baseline": baseline - ends[0].offset / factor, "units_in": "mmHg"}
