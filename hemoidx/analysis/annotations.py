"""Beats and spans as annotations that other programs read."""

from __future__ import annotations

import os
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from ..errors import InputError
from ..output import whole_folder

if TYPE_CHECKING:
    from .result import Analysis

#: Codes of the open annotation standard: a beat, and a change in what the signal is worth.
BEAT, CHANGE = "N", "~"


def write_annotations(result: Analysis, folder: str | os.PathLike[str], extension: str = "hxb") -> Path:
    """
    Write beats and spans as WFDB annotations.

    Parameters
    ----------
    result : Analysis
        The analysis.
    folder : path
        Where to; the file is called after the recording.
    extension : str
        Suffix of the file: letters and digits, a letter first.

    Returns
    -------
    Path
        The file. Each beat is ``N`` at its foot, rounded to a sample of the pressure channel, with "edited"
        beside it where a person added it; each span is a ``~`` at its beginning and one at its end, with
        "(motion" and "motion)" beside them.

    Raises
    ------
    InputError
        If there is nothing to annotate, or the name or the extension cannot be one of a record.

    References
    ----------
    .. [1] WFDB annotation codes (``N`` and ``~``), WFDB Programmer's Guide.
    """
    import wfdb

    from ..facts import mask

    name = str(result.info["record_id"] or "recording").rsplit("/", 1)[-1]
    if not name.replace("_", "").replace("-", "").isalnum():
        raise InputError(
            f"annotations: {name!r} cannot be the name of a WFDB record; letters, digits, - and _"
        )
    if not (extension.isalnum() and extension[0].isalpha()):
        raise InputError(f"annotations: {extension!r} cannot be a suffix; letters and digits, a letter first")
    fs, first = float(result.info["fs"]), int(result.info["samples"]["first"])
    by_hand = (result.beats["facts"].to_numpy() & mask("edited_by_hand")) != 0
    marks = [
        (round(onset * fs), BEAT, "edited" if hand else "")
        for onset, hand in zip(result.beats["onset_s"], by_hand, strict=True)
    ]
    ends = (result.spans[name].to_numpy(dtype=np.float64) for name in ("start_s", "end_s"))
    for kind, start, end in zip(result.spans["kind"], *ends, strict=True):
        marks += [(round(start * fs), CHANGE, f"({kind}"), (round(end * fs), CHANGE, f"{kind})")]
    if not marks:
        raise InputError(f"annotations: {name} has neither beats nor spans")
    marks.sort(key=lambda mark: mark[0])
    sample = np.array([max(at, first) for at, *_ in marks], dtype=np.int64)
    with whole_folder(folder) as part:
        wfdb.wrann(
            name, extension, sample, symbol=[code for _, code, _ in marks],
            aux_note=[note for *_, note in marks], fs=fs, write_dir=str(part),
        )  # fmt: skip
    return Path(folder) / f"{name}.{extension}"
