"""Stretches in which many beats are not like their neighbours, though the trace is neither rough nor new."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from ..survey import runs
from .table import KIND, NONE, Spans

Float = NDArray[np.float64]

#: So many of so many beats in a row are doubted; with fewer over all, or in less time [s], it is chance.
DOUBTED, AMONG, LEAST, LEAST_S = 3, 9, 5, 3.0
#: Beats beside such a row belong to it down from this quality, with two better ones between at most.
BESIDE, BETWEEN = 0.93, 2
#: A recording in which more than this share of the other beats is doubted too has no neighbours to be unlike.
ELSEWHERE = 0.1
_WORTH = 0.5


def mottled(quality: Float, onset: Float, last: Float, fs: float) -> Spans:
    """
    Find rows of beats of which every third or so is not believed.

    Parameters
    ----------
    quality : ndarray, shape (n_beats,)
        Quality of the beats, 0 to 1.
    onset, last : ndarray, shape (n_beats,)
        Where each begins, and ends as far as it is known [samples].
    fs : float
        Sampling rate [Hz].

    Returns
    -------
    Spans
        Of the kind motion: whatever disturbed them, beats between them that look right are chance.
    """
    if quality.size < AMONG:
        return NONE
    bad = quality < _WORTH
    around = np.convolve(bad, np.ones(AMONG), mode="same")
    dense = np.convolve(bad & (around >= DOUBTED), np.ones(AMONG // 2), mode="same") > 0.5
    poor = np.flatnonzero(quality < BESIDE)
    # Groups of poor beats with few better ones between them, where each group opens and closes.
    breaks = np.flatnonzero(np.diff(poor) > BETWEEN + 1)
    opens, closes = np.append(0, breaks + 1), np.append(breaks, poor.size - 1)
    belongs = np.searchsorted(opens, np.arange(poor.size), side="right") - 1
    starts, stops = [], []
    row = np.zeros(quality.size, dtype=bool)
    for a, b in runs(dense):
        inside = np.flatnonzero(bad[a:b]) + a
        if inside.size < LEAST:
            continue
        first, final = int(inside[0]), int(inside[-1])
        first = int(poor[opens[belongs[np.searchsorted(poor, first)]]])
        final = int(poor[closes[belongs[np.searchsorted(poor, final)]]])
        if last[final] - onset[first] >= LEAST_S * fs:
            row[first : final + 1] = True
            starts.append(int(onset[first]))
            stops.append(int(np.ceil(last[final])))
    if row.sum() > 0.5 * row.size or bad[~row].mean() > ELSEWHERE:
        return NONE
    return Spans(
        np.array(starts, dtype=np.int64),
        np.array(stops, dtype=np.int64),
        np.full(len(starts), KIND["motion"], dtype=np.int64),
    )
