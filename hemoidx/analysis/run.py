"""`analyse`: from one pressure channel of a recording to an `Analysis`."""

from __future__ import annotations

import math
import os
from collections.abc import Callable, Iterable, Mapping
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from .. import beats as beat_finder
from ..context import Context, Edits
from ..context.edits import NEAREST_S
from ..errors import InputError
from ..facts import mask
from ..indices import default_catalogue
from ..indices.catalogue import Catalogue
from ..indices.index import LANDMARKS, Index
from ..indices.level import Breathing, Level, Source
from ..indices.levels import beat_level, breath_level, record_level, window_level
from ..indices.stored import to_json
from ..indices.windows import LEAST_BEATS, LEAST_VALID, LEAST_WINDOW_S, WINDOW_S
from ..line.telling import described, flush_rows, zero_rows
from ..spans import KINDS
from ..tables import CAUTION, SCHEMA_VERSION, attributes, frame
from .breathing import breathing_of
from .measured import chain_of
from .pulseless import refuse_pulseless
from .result import Analysis, Hidden

if TYPE_CHECKING:
    import pandas as pd
    import xarray as xr

    from ..recordings import Axis

Wave = NDArray[np.floating[Any]]

ALGORITHM = 4
"""Raised when results change; part of what decides whether a saved result is still good."""
LEAST_RATE_HZ = 40.0
"""Slower sampling is refused: an upstroke would hold fewer than four samples. Validated from 60 Hz on."""
LEAST_LENGTH_S = 5.0
"""Shorter recordings are refused."""
LEAST_APART_S = 0.2
"""A beat added by hand this close to another is the same beat [s]."""
_SLOW_CLOCK = "; if the times of the file are not in seconds, name their unit in its header: time [ms]"
_CHEST = (
    "lung_compliance_ml_per_cmh2o",
    "intra_abdominal_pressure_mmhg",
    "chest_open",
    "right_heart_failure",
)
_NO_BREATH = ("apnoea", "end_expiratory_occlusion")
_PROGRESS_FROM_SAMPLES = 10_000_000
_LOOKED_AT = 1_000_000
"""Samples that are looked at in one go for a number among gaps."""


def analyse(
    rec: xr.Dataset,
    channel: str | None = None,
    context: Context | Mapping[str, Any] | pd.DataFrame | str | os.PathLike[str] | None = None,
    edits: Edits
    | Mapping[str, Any]
    | list[Mapping[str, Any]]
    | pd.DataFrame
    | str
    | os.PathLike[str]
    | None = None,
    catalogue: Catalogue | Iterable[Index] | None = None,
    progress: bool | None = None,
) -> Analysis:
    """
    Analyse the arterial pressure of a recording: beats, windows, summary, each value with its verdict.

    Parameters
    ----------
    rec : xarray.Dataset
        A recording, as `hemoidx.load` returns it.
    channel : str, optional
        The pressure channel; by default the first that has a name open databases use for it.
    context : Context, mapping, DataFrame or path, optional
        What the waveform cannot tell, see `hemoidx.Context.read`.
    edits : Edits, list of mapping, DataFrame or path, optional
        Beats and spans added or removed by hand, see `hemoidx.Edits.read`.
    catalogue : Catalogue or iterable of Index, optional
        Further indices beside ours; a `Catalogue` takes the place of ours.
    progress : bool, optional
        Show a progress bar on stderr; by default on work over about two seconds.

    Returns
    -------
    Analysis
        Tables, verdicts, and how they came about.

    Raises
    ------
    InputError
        If the channel cannot be analysed: no pressure, too short, sampled too slowly, no pulse and nothing
        that would say why; or if context, edits or catalogue cannot be used.
    DataUnavailableError
        If there is no such channel or file.

    Notes
    -----
    For retrospective research and teaching, not for patient care; local codes and licensed practice come
    first.

    Examples
    --------
    >>> import hemoidx as hx
    >>> result = hx.analyse(hx.load("mimicdb/037/03700181"))  # doctest: +SKIP
    >>> result.windows[["start_s", "hr", "mbp"]]  # doctest: +SKIP
    """
    from ..recordings import axis_of, explain_arterial

    if not hasattr(rec, "data_vars"):
        raise InputError(f"analyse takes a recording as hemoidx.load returns it, got {type(rec).__name__}")
    record_id = str(rec.attrs.get("record_id", ""))
    name, choice = explain_arterial(rec, channel)
    where = f"{record_id or 'recording'}, channel {name}"
    entries = _catalogue(catalogue)
    known = Context.read(context, record_id or None)
    by_hand = Edits.read(edits, record_id or None)
    data = rec[name]
    axis = axis_of(data)
    _check(axis, where)
    by_hand.refuse_outside(float(axis.seconds(0)), float(axis.seconds(axis.size)))
    pressure = np.asarray(data.values)
    scale = _scale(data.attrs.get("scale") or [], axis)
    with _bar(axis.size, where, progress) as bar:
        try:
            reading = _read(pressure, axis, scale, by_hand, lambda share: bar.update(80.0 * share))
        except InputError as error:
            raise InputError(f"{where}: {error}") from error
        chain = chain_of(rec, name, axis, reading, scale, known)
        source = Source(
            pressure=pressure,
            fs=axis.fs,
            seconds=axis.seconds,
            landmarks={mark: getattr(reading, mark) for mark in LANDMARKS},
            quality=reading.quality,
            facts=reading.facts | chain.facts | _supported(known, axis.seconds(reading.onset)),
            context=known.over,
            chain=chain,
            step=_step(scale, reading.onset),
        )
        beats = beat_level(entries, source)
        bar.update(15.0)
        breathing, breathing_source = Breathing.none(), "not looked for"
        if entries.needs_breaths:
            breathing, breathing_source = breathing_of(rec, axis, beats, _held(known))
        breaths = breath_level(entries, source, beats, breathing)
        by_hand.mark(breaths.facts, breaths.keys["start_s"], breaths.keys["end_s"])
        windows = window_level(entries, source, beats, breaths, breathing)
        by_hand.mark(windows.facts, windows.keys["start_s"], windows.keys["end_s"])
        spans = {kind: reading.spans.of(kind) for kind in KINDS}
        seconds = {kind: float(np.sum(s.stop - s.start)) / axis.fs for kind, s in spans.items()}
        facts = reading.record_facts | chain.record_facts | _undocumented(known)
        below = (beats, breaths, windows)
        record = record_level(entries, source, below, breathing, facts, seconds)
        by_hand.mark(record.facts, np.array([-np.inf]), np.array([np.inf]))
        bar.update(5.0)
    info = _info(rec, name, choice, axis, known, by_hand, entries)
    info["breathing"] = {"source": breathing_source}
    info["line"] = described(chain, axis.fs, axis.first)
    line = {"flushes": flush_rows(chain, axis.fs, axis.first), "zeros": zero_rows(chain)}
    return _analysis(info, entries, (*below, record), line, reading.spans, axis, known, rec)


def _catalogue(given: Catalogue | Iterable[Index] | None) -> Catalogue:
    if given is None:
        return default_catalogue()
    if not isinstance(given, Catalogue):
        return default_catalogue().with_(given)
    if "duration" not in given:
        raise InputError("catalogue: it lacks the index 'duration', by which valid time is counted")
    return given


def _check(axis: Axis, where: str) -> None:
    """Refuse what cannot be analysed by its shape alone."""
    if axis.step != 1:
        raise InputError(f"{where}: it was thinned or reversed; analyse the channel as it was recorded")
    if axis.fs < LEAST_RATE_HZ:
        raise InputError(
            f"{where}: sampled at {axis.fs:g} Hz; at least {LEAST_RATE_HZ:g} Hz is needed, and 60 Hz is the "
            f"least that is validated{_SLOW_CLOCK if axis.fs < 1.0 else ''}"
        )
    if axis.size < LEAST_LENGTH_S * axis.fs:
        raise InputError(
            f"{where}: too short, {axis.size / axis.fs:.3g} s; at least {LEAST_LENGTH_S:g} s are needed"
        )


def _scale(runs: Iterable[Mapping[str, Any]], axis: Axis) -> list[dict[str, Any]]:
    """Calibrations with their sample numbers counted from the first sample of the channel."""
    moved = []
    for run in runs:
        start = max(int(run["start"]) - axis.first, 0)
        stop = min(int(run["stop"]) - axis.first, axis.size)
        if stop > start:
            moved.append({**run, "start": start, "stop": stop})
    return moved


def _bar(n_samples: int, where: str, progress: bool | None) -> Any:
    """Progress on stderr, shown only if the work lasts."""
    from tqdm.auto import tqdm

    return tqdm(
        total=100.0,
        desc=where,
        bar_format="{desc}: {percentage:3.0f} % |{bar}| {elapsed}, {remaining} left",
        delay=2,
        leave=False,
        disable=not (progress or (progress is None and n_samples >= _PROGRESS_FROM_SAMPLES)),
    )


def _read(
    pressure: Wave, axis: Axis, scale: list[dict[str, Any]], edits: Edits, progress: Callable[[float], Any]
) -> beat_finder.Reading:
    """Find the beats, with corrections by hand."""
    if not any(np.isfinite(pressure[k : k + _LOOKED_AT]).any() for k in range(0, pressure.size, _LOOKED_AT)):
        raise InputError("it holds no samples, only gaps")
    given = edits.in_samples(axis.fs, axis.first) if edits else None
    if given is not None and given.remove_beats.size:
        _refuse_lonely_removals(pressure, axis, scale, edits)
    reading = beat_finder.read(pressure, axis.fs, scale, given, progress=progress)
    refuse_pulseless(reading, pressure, axis.fs, scale)
    crowded = np.diff(reading.onset) < LEAST_APART_S * axis.fs
    if given is not None and crowded.any():
        at = float(axis.seconds(reading.onset[1:][crowded][0]))
        raise InputError(f"edits: the beat added near {at:.3f} s is there already")
    return reading


def _refuse_lonely_removals(pressure: Wave, axis: Axis, scale: list[dict[str, Any]], edits: Edits) -> None:
    """Refuse to remove a beat where there is none: the edit was meant for something else."""
    found = beat_finder.read(pressure, axis.fs, scale).steepest
    for at_s in edits.remove_beats_s:
        distance = np.abs(found - (at_s * axis.fs - axis.first))
        if not distance.size or float(distance.min()) > NEAREST_S * axis.fs:
            raise InputError(f"edits: no beat within {NEAREST_S:g} s of {at_s:g} s that could be removed")


def _undocumented(context: Context) -> int:
    """What nobody documented of site, breathing and what bears on its effects."""
    missing = [] if context.documents("site") else ["site_undocumented"]
    missing += [] if context.documents("breathing") else ["breathing_undocumented"]
    ventilated = {i.value for i in context.intervals if i.key == "breathing"} != {"spontaneous"}
    if ventilated and not context.documents("tidal_volume_ml_per_kg_pbw"):
        missing.append("tidal_volume_undocumented")
    if not any(map(context.documents, _CHEST)):
        missing.append("chest_undocumented")
    return mask(*missing)


def _held(context: Context) -> list[tuple[float, float]]:
    """Stretches [s] in which, as somebody marked, no breath was taken."""
    return [(event.from_s, event.to_s) for event in context.events if event.kind in _NO_BREATH]


def _supported(context: Context, time: NDArray[np.float64]) -> NDArray[np.int64]:
    """Mark the beats behind which a machine supports the circulation."""
    if not context.documents("mechanical_support"):
        return np.zeros(time.shape, dtype=np.int64)
    support = context.at("mechanical_support", time)
    return np.where(np.isin(support.astype(str), ("None", "none", "unknown")), 0, mask("mechanical_support"))


def _step(scale: Iterable[Mapping[str, Any]], onset: NDArray[np.float64]) -> NDArray[np.float64]:
    """Step of the recorder at each beat [mmHg], NaN where it is not known."""
    out = np.full(onset.shape, np.nan)
    for run in scale:
        if run.get("step") is not None:
            out[(onset >= run["start"]) & (onset < run["stop"])] = float(run["step"])
    return out


def _info(
    rec: xr.Dataset,
    channel: str,
    choice: str,
    axis: Axis,
    context: Context,
    edits: Edits,
    catalogue: Catalogue,
) -> dict[str, Any]:
    """How the tables came about, as plain data."""
    from .. import __version__

    provenance = dict(rec.attrs.get("provenance") or {})
    data = rec[channel]
    return {
        "caution": CAUTION,
        "hemoidx": __version__,
        "algorithm": ALGORITHM,
        "schema_version": SCHEMA_VERSION,
        "record_id": str(rec.attrs.get("record_id", "")),
        "channel": channel,
        "channel_choice": choice,
        "fs": float(axis.fs),
        "calibrated": bool(data.attrs.get("calibrated", True)),
        "samples": {
            "source": str(rec.attrs.get("source", "")),
            "signal": str(data.attrs.get("source", "")),
            "first": int(axis.first),
            "size": int(axis.size),
            "start_time": str(rec.attrs.get("start_time", "")),
        },
        "provenance": provenance,
        "parameters": {
            "window_s": WINDOW_S,
            "least_valid_share": LEAST_VALID,
            "least_window_s": LEAST_WINDOW_S,
            "least_beats": LEAST_BEATS,
        },
        "context": context.to_json(),
        "edits": edits.to_json(),
        "notices": [choice, *provenance.get("notices", [])],
        "indices": to_json(catalogue),
    }


def _analysis(
    info: dict[str, Any],
    catalogue: Catalogue,
    levels: tuple[Level, ...],
    line: Mapping[str, Mapping[str, NDArray[Any]]],
    spans: Any,
    axis: Axis,
    context: Context,
    rec: xr.Dataset,
) -> Analysis:
    """Label the arrays."""
    keys = {"record_id": info["record_id"], "channel": info["channel"]}
    made = {}
    hidden = Hidden()
    for level in levels:
        inner = {i.column for i in catalogue.worked_out_in(level.table) if i.inner}
        for name, refused in level.rejected.items():
            if name not in inner:
                hidden.keep(level.table, name, refused, level.values[name])
                # Nobody asks for the unmasked value any more: it need not be there twice.
                level.values[name][refused] = np.nan
        shown = {name: values for name, values in level.values.items() if name not in inner}
        names = (*keys, *level.keys, *shown, "facts")
        attrs = attributes(level.table, names, catalogue.in_table(level.table), catalogue.facts)
        made[level.table] = frame({**level.keys, **shown, "facts": level.facts}, keys, attrs)
    for table, found in line.items():
        made[table] = frame(found, keys, attributes(table, (*keys, *found), facts=catalogue.facts))
    rows = {
        "start_s": axis.seconds(spans.start),
        "end_s": axis.seconds(spans.stop),
        "kind": np.array(KINDS, dtype=object)[spans.kind],
    }
    made["spans"] = frame(rows, keys, attributes("spans", (*keys, *rows)))
    marked = _events(context, axis)
    made["events"] = frame(marked, keys, attributes("events", (*keys, *marked)))
    return Analysis(**made, info=info, catalogue=catalogue, hidden=hidden, loaded=rec)


def _events(context: Context, axis: Axis) -> dict[str, NDArray[Any]]:
    """Marked events as columns; an open end is that of the recording."""
    end = float(axis.seconds(axis.size))
    return {
        "event": np.arange(len(context.events), dtype=np.int64),
        "kind": np.array([event.kind for event in context.events], dtype=object),
        "start_s": np.array([event.from_s for event in context.events], dtype=np.float64),
        "end_s": np.array(
            [event.to_s if math.isfinite(event.to_s) else end for event in context.events], dtype=np.float64
        ),
        "note": np.array([event.note for event in context.events], dtype=object),
    }
