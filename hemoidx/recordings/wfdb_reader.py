"""WFDB records: single segments, fixed and variable layouts, at the native rate of each channel."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from hemoidx.errors import InputError
from hemoidx.recordings.building import Channel, Origin, build, check_length, empty, unique_names
from hemoidx.recordings.channels import pick_names, role_of
from hemoidx.recordings.files import fingerprint, inside
from hemoidx.recordings.scale import COUNTS, Run, gain_of, joined
from hemoidx.recordings.time_axis import time_dim
from hemoidx.recordings.wfdb_header import Header, Signal, read_header
from hemoidx.recordings.wfdb_signals import (
    NO_DATA,
    check_file,
    code_limits,
    frames_in,
    missing_code,
    pieces,
)

if TYPE_CHECKING:
    import xarray as xr

NULL_SEGMENT = "~"


@dataclass
class _Segment:
    """A stretch of the record that has samples of its own."""

    header: Header
    names: list[str]
    start: int
    n_frames: int


@dataclass
class _Wanted:
    """A channel being filled."""

    name: str
    role: str
    samples_per_frame: int
    values: NDArray[np.floating[Any]]
    runs: list[Run] = field(default_factory=list)
    verdicts: list[str] = field(default_factory=list)
    files: dict[str, None] = field(default_factory=dict)


@dataclass
class _Plan:
    """What a record consists of, before any sample is read."""

    header: Header
    n_frames: int
    segments: list[_Segment]
    edges: list[dict[str, Any]]
    channels: dict[str, Signal]
    notices: list[str]
    headers: list[Path]


def read_wfdb(path: Path, channels: str | Sequence[str] | None = None) -> xr.Dataset:
    """
    Read a WFDB record.

    Parameters
    ----------
    path : Path
        Its header file.
    channels : str or sequence of str, optional
        Channels wanted; all if left out.

    Returns
    -------
    xarray.Dataset
        The recording, see `hemoidx.recordings.load`.

    Raises
    ------
    InputError
        If the record cannot be used: spoiled header, absurd length, file cut off, file names that
        leave the folder.
    UnitError
        If a pressure that was asked for is not in a unit of pressure.
    DataUnavailableError
        If a file or a channel is not there.
    """
    if "::" in str(path) or "://" in str(path):  # would be an address to the library that opens files
        raise InputError(f"the path {path} holds '::' or '://'; move or rename the folder")
    plan = _plan(path)
    wanted = pick_names(list(plan.channels), channels, path.name)
    filled = _allocate(plan, wanted)
    files = [fingerprint(p, path.parent) for p in plan.headers]
    seen: set[Path] = set()
    for segment in (s for s in plan.segments if s.n_frames):
        for data in _read_segment(plan, segment, filled):
            if data not in seen:
                seen.add(data)
                files.append(fingerprint(data, path.parent))
    return _assemble(plan, list(filled.values()), files)


def _plan(path: Path) -> _Plan:
    header = read_header(path)
    plan = _Plan(header, 0, [], [], {}, list(header.notices), [path])
    if header.segments:
        _plan_segments(plan)
    elif not header.signals:
        raise InputError(f"{path.name} holds no signals (annotations or numbers only)")
    else:
        _add_segment(plan, header, path.stem, header.n_frames)
    stated = header.n_frames
    if header.segments and stated is not None and stated != plan.n_frames:
        plan.notices.append(f"the header states {stated} frames, its segments hold {plan.n_frames}")
    if plan.n_frames == 0:
        raise InputError(f"{path.name} holds no samples")
    check_length(plan.n_frames, header.fs, path.name)
    return plan


def _plan_segments(plan: _Plan) -> None:
    path, entries = plan.header.path, list(plan.header.segments)
    if entries[0][1] == 0:  # header(5): a first segment of length zero describes a variable layout
        layout = _segment_header(plan, entries.pop(0)[0])
        for name, signal in zip(_names(layout), layout.signals, strict=True):
            plan.channels[name] = signal
    for name, length in entries:
        if name == NULL_SEGMENT:
            plan.edges.append({"name": name, "start": plan.n_frames, "stop": plan.n_frames + length})
            plan.n_frames += length
            continue
        header = _segment_header(plan, name)
        if header.n_frames is not None and header.n_frames != length:
            raise InputError(
                f"{path.name} gives segment {name} {length} frames, its own header {header.n_frames}"
            )
        _add_segment(plan, header, name, length)
    if not plan.channels:
        raise InputError(f"{path.name} holds no signals")


def _segment_header(plan: _Plan, name: str) -> Header:
    path = inside(plan.header.path.parent, f"{name}.hea", plan.header.path.name)
    header = read_header(path)
    if header.segments:
        raise InputError(f"{plan.header.path.name}: segment {name} consists of segments itself")
    if header.fs != plan.header.fs:
        raise InputError(
            f"{plan.header.path.name} states {plan.header.fs:g} Hz, its segment {name} {header.fs:g} Hz"
        )
    plan.headers.append(path)
    plan.notices += [f"{name}: {notice}" for notice in header.notices]
    return header


def _names(header: Header) -> list[str]:
    return unique_names([signal.name for signal in header.signals])


def _add_segment(plan: _Plan, header: Header, name: str, n_frames: int | None) -> None:
    names = _names(header)
    for channel, signal in zip(names, header.signals, strict=True):
        first = plan.channels.setdefault(channel, signal)
        if first.samples_per_frame != signal.samples_per_frame:
            raise InputError(f"{header.path.name}: channel {channel!r} changes its sampling rate")
    if n_frames is None:
        n_frames = _length_from_files(header)
        plan.notices.append(f"{header.path.name} states no length; {n_frames} frames by the size of the file")
    plan.segments.append(_Segment(header, names, plan.n_frames, n_frames))
    plan.edges.append({"name": name, "start": plan.n_frames, "stop": plan.n_frames + n_frames})
    plan.n_frames += n_frames


def _stored(header: Header) -> dict[str, list[int]]:
    """Signal numbers by the file that holds them."""
    by_file: dict[str, list[int]] = {}
    for i, signal in enumerate(header.signals):
        if signal.fmt != NO_DATA:
            by_file.setdefault(signal.file, []).append(i)
    return by_file


def _open(header: Header, name: str, numbers: list[int]) -> tuple[Path, list[Signal]]:
    signals = [header.signals[i] for i in numbers]
    path = inside(header.path.parent, name, header.path.name)
    check_file(path, signals)
    return path, signals


def _length_from_files(header: Header) -> int:
    lengths = [frames_in(*_open(header, name, numbers)) for name, numbers in _stored(header).items()]
    if not lengths:
        raise InputError(f"{header.path.name} states no length and stores no samples")
    return min(lengths)


def _allocate(plan: _Plan, wanted: list[str]) -> dict[str, _Wanted]:
    # Files are measured against the header first: an absurd length must not ask for memory.
    for segment in plan.segments:
        _check_sizes(plan, segment, wanted)
    filled: dict[str, _Wanted] = {}
    for name in wanted:
        lines = [s.header.signals[s.names.index(name)] for s in plan.segments if name in s.names] or [
            plan.channels[name]
        ]
        unit = next((line.unit for line in lines if line.unit), None)
        spf = plan.channels[name].samples_per_frame
        # Units are looked at before anything is read, so that a refusal comes at once.
        role = role_of(name, unit)
        for line in lines:
            gain_of(line.gain, line.baseline, line.unit, role, f"channel {name!r} of {plan.header.path.name}")
        values = empty(plan.n_frames * spf, np.float32, plan.header.path.name)
        filled[name] = _Wanted(name, role, spf, values)
    return filled


def _check_sizes(plan: _Plan, segment: _Segment, wanted: list[str]) -> None:
    for name, numbers in _stored(segment.header).items():
        if not any(segment.names[i] in wanted for i in numbers):
            continue
        path, signals = _open(segment.header, name, numbers)
        held = frames_in(path, signals)
        if held < segment.n_frames:
            raise InputError(
                f"{path.name} holds {held} of the {segment.n_frames} frames that "
                f"{segment.header.path.name} states: the file is cut off or the header is wrong"
            )
        if held > segment.n_frames:
            plan.notices.append(
                f"{path.name} holds {held - segment.n_frames} frames more than stated; they were not read"
            )


def _read_segment(plan: _Plan, segment: _Segment, filled: dict[str, _Wanted]) -> list[Path]:
    """Fill the wanted channels from one segment; the files that were read."""
    read = []
    for file, numbers in _stored(segment.header).items():
        mine = [(k, filled[segment.names[i]]) for k, i in enumerate(numbers) if segment.names[i] in filled]
        if not mine:
            continue
        path, signals = _open(segment.header, file, numbers)
        runs, sums = {}, dict.fromkeys((k for k, _ in mine), 0)
        for k, channel in mine:
            runs[k] = _run(segment, signals[k], channel, file)
            channel.files[f"{file}, signal {numbers[k] + 1}"] = None
        for start, stop, codes in pieces(path, signals, segment.n_frames):
            for k, channel in mine:
                sums[k] += int(np.sum(codes[k], dtype=np.int64))
                _place(codes[k], signals[k], runs[k], channel, segment, (start, stop))
        for k, channel in mine:
            channel.runs.append(runs[k])
            channel.verdicts.append(_compare(sums[k], signals[k].checksum))
        read.append(path)
    return read


def _run(segment: _Segment, signal: Signal, channel: _Wanted, file: str) -> Run:
    gain = gain_of(
        signal.gain, signal.baseline, signal.unit, channel.role, f"channel {channel.name!r} of {file}"
    )
    k = channel.samples_per_frame
    return Run(segment.start * k, (segment.start + segment.n_frames) * k, gain, code_limits(signal))


def _place(
    codes: NDArray[np.signedinteger[Any]],
    signal: Signal,
    run: Run,
    channel: _Wanted,
    segment: _Segment,
    frames: tuple[int, int],
) -> None:
    """Scale a piece and put it where it belongs; skewed signals are stored that many frames late."""
    k = channel.samples_per_frame
    early = max(signal.skew - frames[0], 0)  # frames that lie in front of the segment
    part = codes[early * k :]
    if not part.size:
        return
    at = (segment.start + frames[0] + early - signal.skew) * k
    values = part.astype(np.float64)
    code = missing_code(signal.fmt)
    valid = part != code if code is not None else np.ones(part.size, dtype=bool)
    values -= run.gain.baseline
    values *= run.gain.factor
    values[~valid] = np.nan
    channel.values[at : at + part.size] = values
    if valid.any():
        known = part[valid]
        ends = [int(known.min()), int(known.max())]
        low, high = ((end, int(np.count_nonzero(known == end))) for end in ends)
        run.meet(low, high)


def _compare(total: int, stated: int | None) -> str:
    """header(5): the checksum is the 16-bit sum of all stored samples."""
    if stated is None:
        return "not stated"
    return "agrees" if (total - stated) % 65536 == 0 else "differs"


def _verdict(verdicts: list[str]) -> str:
    for word in ("differs", "not stated", "agrees"):
        if word in verdicts:
            return word
    return "not checked"


def _assemble(plan: _Plan, filled: list[_Wanted], files: list[dict[str, Any]]) -> xr.Dataset:
    header, notices, checksums = plan.header, list(plan.notices), {}
    channels = []
    for ch in filled:
        runs = joined(ch.runs)
        units = {run.gain.unit for run in runs} - {COUNTS} or {COUNTS}
        if len(units) > 1:
            raise InputError(
                f"channel {ch.name!r} of {header.path.name} changes its unit ({', '.join(sorted(units))})"
            )
        checksums[ch.name] = _verdict(ch.verdicts)
        if checksums[ch.name] == "differs":
            notices.append(f"channel {ch.name}: the samples do not have the checksum that the header states")
        bad = sum(run.stop - run.start for run in runs if not run.gain.calibrated)
        if bad:
            share = bad / max(sum(run.stop - run.start for run in runs), 1)
            notices.append(
                f"channel {ch.name}: {share:.0%} of the samples have no real gain; their levels mean nothing"
            )
        fs = header.fs * ch.samples_per_frame
        channels.append(
            Channel(
                name=ch.name,
                values=ch.values,
                fs=fs,
                dim=time_dim(fs, ch.samples_per_frame),
                role=ch.role,
                units=units.pop(),
                source=_sources(ch.files),
                scale=[run.as_dict() for run in runs],
            )
        )
    origin = Origin(
        record_id=header.path.stem,
        source=str(header.path),
        fs=header.fs,
        segments=plan.edges,
        start_time=header.start_time,
        comments=_comments(plan),
        notices=notices,
        files=files,
        checksums=checksums,
    )
    return build(channels, origin)


def _sources(files: dict[str, None]) -> str:
    names = list(files)
    return names[0] + (f" and {len(names) - 1} more" if len(names) > 1 else "") if names else "no file"


def _comments(plan: _Plan) -> list[str]:
    """Comments of the record, then those of its segments, each once."""
    return list(
        dict.fromkeys([*plan.header.comments, *(c for s in plan.segments for c in s.header.comments)])
    )
