"""
The one evaluator of the catalogue: finds the inputs of an entry, calls its function, checks what comes back.

Functions that read the wave are called for stretches of half an hour, each with the beats whose onset
lies in it and a margin of samples on either side, positions shifted to the stretch. So a day-long wave is
never copied whole, and a value does not depend on the stretch it was computed in.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..errors import InputError
from .blocks import Part
from .catalogue import Catalogue
from .index import LANDMARKS, Index

Float = NDArray[np.float64]
Wave = NDArray[np.floating[Any]]
Stored = NDArray[np.float32]
Lookup = Callable[[str], Any]

STORED = np.dtype(np.float32)
"""Precision in which values of beats are kept: seven digits, half the memory of a long recording's table."""

CHUNK_S = 1800.0
"""Length [s] of the stretches. A fixed grid from the first sample, whatever the memory."""
MARGIN_S = 2.0
"""What a function may look at before the first landmark and after the last one of its beats [s]."""


def beat_values(
    catalogue: Catalogue,
    pressure: Wave,
    fs: float,
    landmarks: Mapping[str, Float],
    quality: Float,
    context: Lookup,
    chain: Any = None,
    chunk_s: float = CHUNK_S,
) -> dict[str, Stored]:
    """
    Values of all indices at beat level, unmasked.

    Parameters
    ----------
    catalogue : Catalogue
        The entries.
    pressure : ndarray, shape (n_samples,)
        The wave [mmHg].
    fs : float
        Sampling rate [Hz].
    landmarks : mapping of str to ndarray, shape (n_beats,)
        Positions of `onset` (increasing, finite), `steepest`, `peak`, `notch`, `end` [samples].
    quality : ndarray, shape (n_beats,)
        Quality of the beats, 0 to 1.
    context : callable
        Returns, for a key, what was documented at the time of each beat.
    chain : Chain, optional
        What measured the beats.
    chunk_s : float
        Length of a stretch [s].

    Returns
    -------
    dict of str to ndarray, shape (n_beats,)
        By column name, in the order of the catalogue: rows of one array, which a table can take as it is.

    Raises
    ------
    InputError
        If a function returns something of another shape, or a position is out of order.
    """
    onset = landmarks["onset"]
    if not (np.isfinite(onset).all() and np.all(np.diff(onset) > 0)):
        raise InputError("beats: onsets must be finite and increasing")
    known: dict[str, Any] = {
        **{name: landmarks[name] for name in LANDMARKS},
        "fs": fs,
        "quality": quality,
        "chain": chain,
    }
    waiting = list(catalogue.order("beat"))
    done = _rows([index for index in catalogue if index.level == "beat"], onset.size)
    doubled: dict[str, Any] = {}

    def look_up(name: str) -> Any:
        if name.startswith("context.") and name not in known:
            known[name] = context(name)
        return known[name]

    def find(name: str) -> Any:
        if name not in doubled:
            doubled[name] = _double(look_up(name))
        return doubled[name]

    while waiting:
        stage = _stage(waiting, known)
        if stage[0].reads_wave:
            _over_chunks(stage, pressure, fs, look_up, onset, chunk_s, done)
        else:
            # Only what the last entry asked for too is the same array again.
            doubled = {name: doubled[name] for name in stage[0].inputs if name in doubled}
            done[stage[0].column][:] = _call(stage[0], find, onset.size)
        for index in stage:
            known[index.name] = known[index.column] = done[index.column]
        names = {index.name for index in stage}
        waiting = [index for index in waiting if index.name not in names]
    return done


def _rows(entries: Sequence[Index], size: int) -> dict[str, Stored]:
    """A row of one array for each entry; those that tables do not show come last."""
    block = np.full((len(entries), size), np.nan, dtype=STORED)
    place = {index.column: row for row, index in enumerate(sorted(entries, key=lambda entry: entry.inner))}
    return {index.column: block[place[index.column]] for index in entries}


def _double(values: Any) -> Any:
    """Stored values in double precision, in which everything is worked out; anything else as it is."""
    single = isinstance(values, np.ndarray) and values.dtype == STORED
    return values.astype(np.float64) if single else values


def _stage(waiting: Sequence[Index], known: Mapping[str, Any]) -> list[Index]:
    """Next entries to compute: all readers of the wave that can share one pass, else one that is algebra."""
    have = {*known, "pressure"}
    stage = []
    for index in waiting:
        if index.reads_wave and all(n in have or n.startswith("context.") for n in index.inputs):
            stage.append(index)
            have |= {index.name, index.column}
    return stage or [waiting[0]]


def _chunks(onset: Float, landmarks: Sequence[Float], fs: float, size: int, chunk_s: float) -> Iterator[Any]:
    """Beats and samples of each stretch that holds a beat."""
    step = chunk_s * fs
    edges = np.arange(1, int(onset[-1] // step) + 1) * step if onset.size else np.empty(0)
    bounds = np.concatenate([[0], np.searchsorted(onset, edges), [onset.size]]).astype(int)
    margin = int(np.ceil(MARGIN_S * fs))
    for first, last in pairwise(bounds):
        if first == last:
            continue
        # Onsets are numbers: what is unknown elsewhere does not count.
        furthest = max(np.fmax.reduce(p[first:last], initial=0.0) for p in landmarks)
        low = max(0, int(onset[first]) - margin)
        yield slice(first, last), slice(low, min(size, int(furthest) + margin + 2))


def _over_chunks(
    stage: Sequence[Index],
    pressure: Wave,
    fs: float,
    find: Lookup,
    onset: Float,
    chunk_s: float,
    out: Mapping[str, Stored],
) -> None:
    """Evaluate readers of the wave, stretch by stretch, and put the values into their columns."""
    landmarks = [find(name) for name in LANDMARKS]
    for beats, samples in _chunks(onset, landmarks, fs, pressure.size, chunk_s):
        part = np.array(pressure[samples], dtype=np.float64)
        # Nobody writes to it: what readers sum up over it is kept from one to the next.
        part.setflags(write=False)
        here: dict[str, Any] = {"pressure": part, "fs": fs}
        here |= {name: find(name)[beats] - samples.start for name in LANDMARKS}

        def find_here(name: str, here: dict[str, Any] = here, beats: slice = beats) -> Any:
            if name not in here:
                here[name] = _double(np.asarray(find(name))[beats])
            return here[name]

        for index in stage:
            values = out[index.column][beats]
            values[:] = _call(index, find_here, beats.stop - beats.start)
            here[index.name] = here[index.column] = _double(values)


def _call(
    index: Index, find: Lookup, size: int, function: Callable[..., Any] | _Known | None = None
) -> Float:
    """Call the function of an entry and check what comes back."""
    arguments = [] if isinstance(function, _Known) else [find(name) for name in index.inputs]
    try:
        with np.errstate(invalid="ignore", divide="ignore"):
            value = (function or index.function)(*arguments)
    except Exception as error:
        error.add_note(f"while computing the index {index.name} from {', '.join(index.inputs)}")
        raise
    try:
        array = np.asarray(value, dtype=np.float64)
    except (TypeError, ValueError) as error:
        raise InputError(
            f"index {index.name}: its function must return numbers, got {type(value).__name__}"
        ) from error
    if index.level == "record" and array.ndim == 0:
        array = array.reshape(1)
    if array.shape != (size,):
        raise InputError(
            f"index {index.name}: its function must return one value for each of the {size} rows, "
            f"got shape {array.shape}"
        )
    return array


def upper_values(catalogue: Catalogue, level: str, find: Lookup, size: int) -> Iterator[tuple[str, Float]]:
    """
    Values of the indices of a level above the beats, with their standard errors, one after the other.

    Parameters
    ----------
    catalogue : Catalogue
        The entries.
    level : str
        "window" or "record".
    find : callable
        Returns an input by name; is asked for earlier results of this iterator too.
    size : int
        Number of rows.

    Yields
    ------
    name : str
        Column name.
    values : ndarray, shape (n_rows,)
        Its values, unmasked.
    """
    kept: dict[tuple[Any, ...], Any] = {}
    found: dict[str, Any] = {}

    def look_up(name: str) -> Any:
        if name not in found:
            found[name] = find(name)
        return found[name]

    for index in catalogue.order(level):
        # Only what the last entry asked for too is not looked up again: columns of beats are large.
        found = {name: found[name] for name in index.inputs if name in found}
        yield index.column, _call(index, look_up, size, _once(index.function, index.inputs, kept))
        if index.error_function is not None:
            error_function = _once(index.error_function, index.inputs, kept)
            yield f"{index.column}_se", _call(index, look_up, size, error_function)


def _once(
    function: Callable[..., Any], inputs: tuple[str, ...], kept: dict[tuple[Any, ...], Any]
) -> Callable[..., Any] | _Known:
    """A function as it is; what several entries take their parts from is worked out once for one input."""
    if not isinstance(function, Part):
        return function
    key, whole = (function.of, inputs), function.of
    if key in kept:
        return _Known(getattr(kept[key], function.part))

    def known(*values: Any) -> Any:
        kept[key] = whole(*values)
        return kept[key]

    return Part(known, function.part)


@dataclass(frozen=True)
class _Known:
    """An answer that is there already: no input needs to be looked up for it."""

    value: Any

    def __call__(self, *inputs: Any) -> Any:
        """Give the answer."""
        return self.value
