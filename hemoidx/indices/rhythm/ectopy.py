"""Premature beats: which they are and how many."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from ...facts import mask
from ..blocks import Bool, Estimate, Float, Part, of_sums, terms
from ..index import Index
from ..rules import Limit, reject

LEAST_BEATS = 3
"""Beats that a share needs."""


def is_ectopic(facts: ArrayLike) -> Bool:
    """Premature beats by their facts."""
    return np.asarray((np.asarray(facts, dtype=np.int64) & mask("ectopic")) != 0)


def without_ectopy(duration: ArrayLike, facts: ArrayLike, window_of_beat: ArrayLike, n_windows: int) -> Float:
    """
    Take out the intervals before and after premature beats, where these are at most a quarter of the window.

    Parameters
    ----------
    duration, facts, window_of_beat, n_windows
        As in `hemoidx.indices.rhythm.intervals.rmssd_over_mean`.

    Returns
    -------
    ndarray, shape (n_beats,)
        Intervals [s], NaN where they are taken out.
    """
    interval = np.asarray(duration, dtype=np.float64)
    of = np.asarray(window_of_beat, dtype=np.intp)
    ectopic = is_ectopic(facts)
    inside = of >= 0
    total = np.bincount(of[inside], minlength=n_windows)
    early = np.bincount(of[inside & ectopic], minlength=n_windows)
    few = np.append(early <= 0.25 * total, False)[of]
    touched = ectopic | np.append(ectopic[1:], False)[: ectopic.size]
    return np.where(touched & few, np.nan, interval)


def ectopy_burden(
    facts: ArrayLike, duration: ArrayLike, window_of_beat: ArrayLike, n_windows: int
) -> Estimate:
    """
    Share of premature beats among the beats of a window.

    Parameters
    ----------
    facts, duration, window_of_beat, n_windows
        As in `rmssd_over_mean`. Beats without a measured interval do not count.

    Returns
    -------
    Estimate
        Share and its standard error [%], shape (n_windows,).
    """
    known = np.isfinite(np.asarray(duration, dtype=np.float64))
    early = np.where(known, is_ectopic(facts).astype(np.float64), np.nan)
    return of_sums(terms(early), window_of_beat, n_windows, lambda n, x: 100.0 * x / n, LEAST_BEATS)


def ectopy_burden_record(facts: ArrayLike, duration: ArrayLike) -> Estimate:
    """
    Share of premature beats among all beats of a recording.

    Parameters
    ----------
    facts, duration
        As in `ectopy_burden`.

    Returns
    -------
    Estimate
        Share and its standard error [%], shape (1,).
    """
    return ectopy_burden(facts, duration, np.zeros(np.size(np.asarray(facts)), dtype=np.intp), 1)


IRREGULAR = reject("irregular_rhythm")
_WEAK = Limit(
    "ectopy in the electrocardiogram",
    "reads low",
    "a premature beat too weak to reach the artery is not seen, and a pulse does not tell where it arose",
    source="common practice, no source: pulse deficit",
)

ECTOPY_BURDEN = Index(
    name="ectopy_burden",
    title="Share of premature beats",
    unit="%",
    level="window",
    family="rhythm",
    formula="100 premature beats / beats whose interval was measured",
    inputs=("beats.facts", "beats.duration", "window_of_beat", "n_windows"),
    function=Part(ectopy_burden),
    error_function=Part(ectopy_burden, "se"),
    sources=("common practice, no source: share of beats",),
    # In a rhythm without a pattern no beat can come early.
    rules=IRREGULAR,
    limits=(_WEAK,),
    missing="fewer than three intervals were measured",
)

ECTOPY_BURDEN_RECORD = Index(
    name="ectopy_burden_record",
    title="Share of premature beats in the recording",
    unit="%",
    level="record",
    family="rhythm",
    formula="100 premature beats / beats whose interval was measured, over the whole recording",
    inputs=("beats.facts", "beats.duration"),
    function=Part(ectopy_burden_record),
    error_function=Part(ectopy_burden_record, "se"),
    sources=("common practice, no source: share of beats",),
    rules=IRREGULAR,
    limits=(_WEAK,),
    missing="fewer than three intervals were measured",
)

INDICES = (ECTOPY_BURDEN, ECTOPY_BURDEN_RECORD)
