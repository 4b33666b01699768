"""Which stretches of a long recording a reader should see."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from hemoidx import facts

if TYPE_CHECKING:
    import pandas as pd

    from hemoidx.analysis import Analysis

Bool = NDArray[np.bool_]

CLEAN_S = 8.0
_BEFORE_S, _AFTER_S, _LONGEST_S = 4.0, 5.0, 24.0
_MOST = 8
_RHYTHM = {
    "ectopic": "an ectopic beat",
    "alternating": "strong and weak beats in turn",
    "irregular_rhythm": "irregular rhythm",
}


@dataclass(frozen=True)
class Excerpt:
    """A stretch worth showing: its ends [s] and what there is to see, as keys of kinds or facts."""

    start: float
    stop: float
    shows: tuple[str, ...]


def choose_excerpts(result: Analysis, begin: float, finish: float) -> list[Excerpt]:
    """
    Choose a clean stretch, one for each kind of span, and one for each remarkable rhythm.

    Parameters
    ----------
    result : Analysis
        What `hemoidx.analyse` returned.
    begin, finish : float
        Ends of the recording [s].

    Returns
    -------
    list of Excerpt
        The clean stretch first (if there is one), the others in order of time, at most eight.
    """
    clean = _clean(result, begin, finish)
    kinds: set[str] = set()
    events: list[Excerpt] = []
    first = result.spans.sort_values("start_s").drop_duplicates("kind")
    for left, right, kind in zip(first["start_s"], first["end_s"], first["kind"], strict=True):
        if kind in kinds:
            continue
        start = max(float(left) - _BEFORE_S, begin)
        stop = min(float(right) + _AFTER_S, start + _LONGEST_S, finish)
        here = result.spans[(result.spans["start_s"] < stop) & (result.spans["end_s"] > start)]
        shows = tuple(dict.fromkeys(here.sort_values("start_s")["kind"].astype(str)))
        kinds.update(shows)
        events.append(Excerpt(start, stop, shows))
    events += _rhythms(result, begin, finish, clean)
    return ([clean] if clean else []) + sorted(events, key=lambda excerpt: excerpt.start)[:_MOST]


def _clean(result: Analysis, begin: float, finish: float) -> Excerpt | None:
    """Find the stretch of good beats that touches no span, and is nearest the middle."""
    beats, spans = result.beats, result.spans
    length = finish - begin
    span = min(CLEAN_S, length)
    if beats.empty:
        return None
    starts = begin + np.arange(0.0, max(length - span, 0.0) + 0.5, max(span / 2, (length - span) / 2000, 0.5))
    starts = starts[starts + span <= finish + 1e-6]
    begun = np.searchsorted(np.sort(spans["start_s"].to_numpy(dtype=float)), starts + span)
    over = np.searchsorted(np.sort(spans["end_s"].to_numpy(dtype=float)), starts, side="right")
    starts = starts[begun == over]
    onset = beats["onset_s"].to_numpy(dtype=float)
    first, last = np.searchsorted(onset, starts), np.searchsorted(onset, starts + span)
    enough = last - first >= 2
    starts, first, last = starts[enough], first[enough], last[enough]
    if not starts.size:
        return None
    total = np.concatenate([[0.0], np.cumsum(np.nan_to_num(beats["quality"].to_numpy(dtype=float)))])
    quality = (total[last] - total[first]) / (last - first)
    # Among equals, the one nearest the middle of the recording: starts and ends are seldom typical.
    off_centre = np.abs(starts + (span - begin - finish) / 2) / length
    best = int(np.argmax(np.round(quality, 2) - 0.01 * off_centre))
    return Excerpt(float(starts[best]), float(starts[best] + span), ("clean",))


def _rhythms(result: Analysis, begin: float, finish: float, clean: Excerpt | None) -> list[Excerpt]:
    beats: pd.DataFrame = result.beats
    mask = beats["facts"].to_numpy(dtype=np.int64)
    found = []
    for name in _RHYTHM:
        shown = early_beats(mask)[0] if name == "ectopic" else (mask & facts.mask(name)) != 0
        at = beats.loc[shown, "onset_s"]
        if at.empty:
            continue
        middle = float(at.iloc[len(at) // 2])
        if clean and clean.start <= middle < clean.stop:
            continue
        start = float(np.clip(middle - 5.0, begin, max(finish - 10.0, begin)))
        found.append(Excerpt(start, min(start + 10.0, finish), (name,)))
    return found


def early_beats(mask: NDArray[np.int64]) -> tuple[Bool, Bool, Bool]:
    """
    Tell early beats apart by what else may have made them early.

    Parameters
    ----------
    mask : ndarray of int, shape (n_beats,)
        Facts of the beats in order of time.

    Returns
    -------
    plain, irregular, beside : ndarray of bool, shape (n_beats,)
        Early beats of an otherwise even rhythm; those of an irregular one, where early and late beats belong
        to it; and those that touch an event, or follow a beat that does, where a beat may be missing.
    """
    early = (mask & facts.mask("ectopic")) != 0
    irregular = (mask & facts.mask("irregular_rhythm")) != 0
    event = (mask & facts.mask("near_event")) != 0
    event = event | np.concatenate([[False], event[:-1]])[: event.size]
    return early & ~irregular & ~event, early & irregular, early & ~irregular & event


def rhythm_words(name: str) -> str:
    """Say what an excerpt chosen for its rhythm shows."""
    return _RHYTHM[name]
