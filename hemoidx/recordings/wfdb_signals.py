"""Samples of one WFDB segment: digital, in pieces, at the rate of each channel.

The signal formats themselves are decoded by wfdb. Its record readers are not used: they parse
the header once more (and stop at a bad date), average the frames, fill in gains, and hold a
whole record in several copies.

References
----------
.. [WFDB-signal] WFDB Applications Guide, signal(5): sample formats and their missing-sample
   codes; header(5): skew, checksum, prolog.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from hemoidx.errors import InputError
from hemoidx.recordings.wfdb_header import Signal

# Bits of a stored sample, whether the lowest code means "missing", bytes for each sample on disk.
_FORMATS: dict[str, tuple[int, bool, float]] = {
    "8": (8, False, 1),
    "16": (16, True, 2),
    "24": (24, True, 3),
    "32": (32, True, 4),
    "61": (16, True, 2),
    "80": (8, True, 1),
    "160": (16, True, 2),
    "212": (12, True, 1.5),
    "310": (10, True, 4 / 3),
    "311": (10, True, 4 / 3),
    "508": (8, True, 0),
    "516": (16, True, 0),
    "524": (24, True, 0),
}
NO_DATA = "0"  # header(5): format of a signal that is not stored
_PIECE = 1 << 20  # samples decoded at once, all signals of a file together


def missing_code(fmt: str) -> int | None:
    """
    Code that stands for a missing sample.

    Parameters
    ----------
    fmt : str
        Format number.

    Returns
    -------
    int or None
        The lowest code of the format; None in format 8, which has no such code.
    """
    bits, has_code, _ = _FORMATS[fmt]
    return -(1 << (bits - 1)) if has_code else None


def code_limits(signal: Signal) -> tuple[int, int]:
    """
    Lowest and highest code that the converter can give.

    Parameters
    ----------
    signal : Signal
        Its format, resolution and zero.

    Returns
    -------
    tuple of int
        Limits by the stated resolution, if it fits into the format, else those of the format.
    """
    bits = _FORMATS[signal.fmt][0]
    if signal.fmt == "8":  # differences: a sample may be wider than its step
        bits = signal.resolution or 16
    low, high = -(1 << (bits - 1)), (1 << (bits - 1)) - 1
    if 0 < signal.resolution < bits:
        half = 1 << (signal.resolution - 1)
        return max(low, signal.zero - half), min(high, signal.zero + half - 1)
    return low, high


def check_file(path: Path, signals: list[Signal]) -> None:
    """
    Refuse what cannot be decoded, before anything is read.

    Parameters
    ----------
    path : Path
        The signal file.
    signals : list of Signal
        All signals stored in it.

    Raises
    ------
    InputError
        If a format is unknown, or the signals disagree on how the file is laid out.
    """
    first = signals[0]
    if first.fmt not in _FORMATS:
        raise InputError(f"{path.name}: signal format {first.fmt} is not known")
    if any((s.fmt, s.offset) != (first.fmt, first.offset) for s in signals):
        raise InputError(f"{path.name}: the header gives this file several formats or offsets")


def frames_in(path: Path, signals: list[Signal]) -> int:
    """
    Frames that a signal file holds.

    Parameters
    ----------
    path : Path
        The signal file.
    signals : list of Signal
        All signals stored in it.

    Returns
    -------
    int
        Whole frames, by the size of the file (by its own count if it is compressed).
    """
    first, per_frame = signals[0], sum(s.samples_per_frame for s in signals)
    width = _FORMATS[first.fmt][2]
    if width:
        return max(int((path.stat().st_size - first.offset) / width + 1e-9), 0) // per_frame
    import soundfile  # type: ignore[import-untyped]

    try:
        with soundfile.SoundFile(path) as stream:
            held = int(stream.frames)
    except (RuntimeError, OSError) as error:
        raise InputError(f"{path.name} is not a readable FLAC file: {error}") from error
    return max(held - first.offset, 0) // first.samples_per_frame


def pieces(
    path: Path, signals: list[Signal], n_frames: int
) -> Iterator[tuple[int, int, list[NDArray[np.signedinteger[Any]]]]]:
    """
    Decode a signal file piece by piece.

    Parameters
    ----------
    path : Path
        The signal file.
    signals : list of Signal
        All signals stored in it.
    n_frames : int
        Frames to read.

    Yields
    ------
    start, stop : int
        First frame of the piece and the one after its last, as stored (skew not applied).
    codes : list of ndarray
        Stored codes of each signal, `samples_per_frame` for each frame.

    Raises
    ------
    InputError
        If the file cannot be decoded.
    """
    # Not public, but the only entry that decodes a file without parsing the header again.
    from wfdb.io._signal import _rd_dat_signals

    n, frame = len(signals), [s.samples_per_frame for s in signals]
    initial = [s.initial or 0 for s in signals]
    # A multiple of six frames starts on a whole byte group in every packed format.
    size = max(_PIECE // (6 * sum(frame)), 1) * 6
    for start in range(0, n_frames, size):
        stop = min(start + size, n_frames)
        try:
            codes = _rd_dat_signals(
                file_name=path.name,
                dir_name=str(path.parent),
                pn_dir=None,
                fmt=signals[0].fmt,
                n_sig=n,
                sig_len=n_frames,
                byte_offset=signals[0].offset,
                samps_per_frame=frame,
                skew=[0] * n,
                init_value=initial,
                sampfrom=start,
                sampto=stop,
            )
        except (ValueError, RuntimeError, OSError) as error:
            reason = " ".join(str(error).split())
            raise InputError(f"{path.name} cannot be decoded: {reason}") from error
        if signals[0].fmt == "8":  # differences: the next piece goes on from the last sample
            initial = [int(code[-1]) for code in codes]
        yield start, stop, codes
