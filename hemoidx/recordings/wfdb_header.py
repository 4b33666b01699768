"""Headers of WFDB records.

Our own parser, because what a header leaves out matters here (a gain that is not stated is not
200 per millivolt), because a spoiled date must not stop the reading, and because an untrusted
header must end in one plain sentence.

References
----------
.. [WFDB-header] WFDB Applications Guide, header(5): record line, signal and segment
   specification lines, defaults.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass, field
from datetime import date, time
from pathlib import Path

from hemoidx.errors import DataUnavailableError, InputError

DEFAULT_RATE = 250.0  # header(5): rate of a record that states none
_LARGEST_HEADER = 1 << 24  # bytes; a signal file that calls itself .hea is not read into memory
_NUMBER = r"[-+]?(?:\d+\.?\d*|\.\d+)(?:[eE][-+]?\d+)?"
_RECORD = re.compile(r"(?P<name>[^\s/]+)(?:/(?P<n_segments>\d+))?")
_RATE = re.compile(rf"(?P<fs>{_NUMBER})(?:/{_NUMBER}(?:\({_NUMBER}\))?)?")
_FORMAT = re.compile(r"(?P<fmt>\d+)(?:x(?P<spf>\d+))?(?::(?P<skew>\d+))?(?:\+(?P<offset>\d+))?")
_GAIN = re.compile(rf"(?P<gain>{_NUMBER})(?:\((?P<baseline>[-+]?\d+)\))?(?:/(?P<unit>\S+))?")


@dataclass(frozen=True)
class Signal:
    """One signal specification line; None where the header is silent."""

    file: str
    fmt: str
    samples_per_frame: int
    skew: int
    offset: int
    gain: float | None
    baseline: int
    unit: str | None
    resolution: int
    zero: int
    initial: int | None
    checksum: int | None
    name: str


@dataclass(frozen=True)
class Header:
    """One header file."""

    path: Path
    fs: float
    n_frames: int | None
    start_time: str
    signals: tuple[Signal, ...] = ()
    segments: tuple[tuple[str, int], ...] = ()
    comments: tuple[str, ...] = ()
    notices: tuple[str, ...] = field(default=())


def read_header(path: Path) -> Header:
    """
    Read a header file.

    Parameters
    ----------
    path : Path
        The .hea file.

    Returns
    -------
    Header
        Fields as stated; notices say what had to be assumed.

    Raises
    ------
    DataUnavailableError
        If the file is not there.
    InputError
        If it is not a WFDB header, with the line that could not be read.

    References
    ----------
    .. [WFDB-header] See the head of this module.
    """
    lines, comments = _lines(path)
    if not lines:
        raise InputError(f"{path.name} is empty: not a WFDB header")
    number, text = lines[0]
    words = text.split()
    record = _RECORD.fullmatch(words[0])
    n_signals = _whole(words[1]) if len(words) > 1 else None
    if record is None or n_signals is None:
        raise _garbage(path, number, text)
    notices: list[str] = []
    fs = _rate(path, words, notices)
    n_frames = _length(path, words)
    start = _start(words[4:], notices)
    body = lines[1:]
    n_segments = record["n_segments"]
    expected = int(n_segments) if n_segments is not None else n_signals
    kind = "segment" if n_segments is not None else "signal"
    if len(body) < expected or (n_segments is not None and expected == 0):
        raise InputError(f"{path.name}: {expected} {kind} lines are announced, {len(body)} are there")
    body = body[:expected]  # what follows is not part of the record: header(5)
    signals: tuple[Signal, ...] = ()
    segments: tuple[tuple[str, int], ...] = ()
    if n_segments is not None:
        segments = tuple(_segment(path, *line) for line in body)
    else:
        signals = tuple(_signal(path, i, *line) for i, line in enumerate(body))
    return Header(path, fs, n_frames, start, signals, segments, tuple(comments), tuple(notices))


def _lines(path: Path) -> tuple[list[tuple[int, str]], list[str]]:
    if not path.is_file():
        raise DataUnavailableError(f"no header file {path.name} in {path.parent}")
    with path.open("rb") as stream:
        raw = stream.read(_LARGEST_HEADER + 1)
    if len(raw) > _LARGEST_HEADER or b"\0" in raw:
        raise InputError(f"{path.name} is not a WFDB header (it is not a text file)")
    try:
        text = raw.decode("utf-8")
    except UnicodeDecodeError:
        text = raw.decode("latin-1")
    lines: list[tuple[int, str]] = []
    comments: list[str] = []
    for number, line in enumerate(text.splitlines(), start=1):
        stripped = line.strip()
        if stripped.startswith("#"):
            comments.append(stripped[1:].strip())
        elif stripped:
            lines.append((number, stripped))
    return lines, [comment for comment in comments if comment]


def _garbage(path: Path, number: int, text: str) -> InputError:
    shown = text if len(text) <= 60 else text[:60] + "..."
    return InputError(f"{path.name}, line {number}: cannot be read as a WFDB header: {shown!r}")


def _whole(word: str) -> int | None:
    return int(word) if re.fullmatch(r"\d{1,18}", word) else None


def _rate(path: Path, words: list[str], notices: list[str]) -> float:
    if len(words) < 3:
        notices.append(
            f"{path.name} states no sampling rate; {DEFAULT_RATE:g} Hz, the format's default, is used"
        )
        return DEFAULT_RATE
    match = _RATE.fullmatch(words[2])
    if match is None:
        raise InputError(f"{path.name}: {words[2]!r} is no sampling rate")
    fs = float(match["fs"])
    if not (math.isfinite(fs) and fs > 0):
        raise InputError(f"{path.name}: the sampling rate is {match['fs']} Hz; it must be above zero")
    return fs


def _length(path: Path, words: list[str]) -> int | None:
    if len(words) < 4:
        return None
    length = _whole(words[3])
    if length is None:
        raise InputError(f"{path.name}: {words[3]!r} is no number of samples")
    return length or None  # header(5): zero means not stated


def _start(words: list[str], notices: list[str]) -> str:
    """ISO text of the start; a time without a date stays a time."""
    if not words:
        return ""
    clock, day = _clock(words[0]), _day(words[1]) if len(words) > 1 else None
    if clock is None:
        notices.append(f"start time {words[0]!r} is not a time of day and was left out")
    if day is None and len(words) > 1:
        notices.append(f"start date {words[1]!r} is not a date and was left out")
    if clock is None:
        return day.isoformat() if day else ""
    return f"{day.isoformat()}T{clock.isoformat()}" if day else clock.isoformat()


def _clock(word: str) -> time | None:
    match = re.fullmatch(r"(?:(?:(\d+):)?(\d+):)?(\d+)(\.\d*)?", word)
    if match is None:
        return None
    hours, minutes, seconds = (int(part or 0) for part in match.groups()[:3])
    micro = int((match[4] or ".")[1:7].ljust(6, "0"))
    try:
        return time(hours, minutes, seconds, micro)
    except (ValueError, OverflowError):
        return None


def _day(word: str) -> date | None:
    numbers = [int(part) for part in re.findall(r"\d+", word)]
    if len(numbers) != 3 or not re.fullmatch(r"\d+[/-]\d+[/-]\d+", word):
        return None
    year, month, day = numbers if "-" in word else numbers[::-1]
    try:
        return date(year, month, day) if year >= 1000 else None
    except (ValueError, OverflowError):
        return None


def _segment(path: Path, number: int, text: str) -> tuple[str, int]:
    words = text.split()
    length = _whole(words[1]) if len(words) >= 2 else None
    if length is None:
        raise _garbage(path, number, text)
    return words[0], length


def _signal(path: Path, index: int, number: int, text: str) -> Signal:
    words = text.split(None, 8)
    layout = _FORMAT.fullmatch(words[1]) if len(words) > 1 else None
    gain = _GAIN.fullmatch(words[2]) if len(words) > 2 else None
    if layout is None or (len(words) > 2 and gain is None):
        raise _garbage(path, number, text)
    numbers: list[int | None] = [None] * 5  # resolution, zero, initial value, checksum, block size
    for i, word in enumerate(words[3:8]):
        if not re.fullmatch(r"[-+]?\d{1,18}", word):
            raise _garbage(path, number, text)
        numbers[i] = int(word)
    if layout["spf"] == "0":
        raise InputError(f"{path.name}, line {number}: a signal with 0 samples in a frame cannot be read")
    stated = float(gain["gain"]) if gain else 0.0
    if not math.isfinite(stated):
        raise _garbage(path, number, text)
    zero = numbers[1] or 0
    name = words[8].strip(" \t,") if len(words) > 8 else ""
    return Signal(
        file=words[0],
        fmt=layout["fmt"],
        samples_per_frame=int(layout["spf"] or 1),
        skew=int(layout["skew"] or 0),
        offset=int(layout["offset"] or 0),
        gain=stated or None,
        baseline=int(gain["baseline"]) if gain and gain["baseline"] else zero,
        unit=gain["unit"] if gain else None,
        resolution=numbers[0] or 0,
        zero=zero,
        initial=numbers[2],
        checksum=numbers[3],
        name=name or f"signal_{index + 1}",
    )
