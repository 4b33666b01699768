"""What swings over a breath are read from: the height of the pulse, and breaths that sound beats fill."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ...facts import mask
from ..index import Index
from ..rules import CLIPPED, DYNAMIC_SHAPE, SHAPE_RULES
from ..windows import covered

Float = NDArray[np.float64]


def pulse_height(sbp: ArrayLike, dbp: ArrayLike) -> Float:
    """
    Height of the pulse in the units of the channel, whatever they are.

    Parameters
    ----------
    sbp, dbp : array_like, shape (n_beats,)
        Highest and lowest pressure of the beats [mmHg, or any other unit].

    Returns
    -------
    ndarray, shape (n_beats,)
        Their difference.

    Notes
    -----
    Equals pulse pressure where the channel is calibrated; where it is not, its relative swing still is that
    of pulse pressure, since an unknown gain cancels. So the entry stands on rules of its own.
    """
    return np.asarray(sbp, dtype=np.float64) - np.asarray(dbp, dtype=np.float64)


def regular_beats(facts: ArrayLike) -> NDArray[np.bool_]:
    """
    Beats that neither come early nor follow one that does.

    Parameters
    ----------
    facts : array_like of int, shape (n_beats,)
        Facts of the beats, in the order of time.

    Returns
    -------
    ndarray of bool, shape (n_beats,)
        False for an ectopic beat and for the one after it, which is stronger for its longer filling.

    Examples
    --------
    >>> regular_beats([0, 2, 0, 0]).tolist()
    [True, False, False, True]
    """
    early = (np.asarray(facts, dtype=np.int64) & mask("ectopic")) != 0
    return np.asarray(~(early | np.concatenate([[False], early[:-1]])[: early.size]))


def uncovered_share(
    start_s: ArrayLike, end_s: ArrayLike, onset_s: ArrayLike, duration: ArrayLike, facts: ArrayLike
) -> Float:
    """
    Share of each breath's time that no sound beat covers.

    Parameters
    ----------
    start_s, end_s : array_like, shape (n_breaths,)
        Start and end of the breaths [s].
    onset_s : array_like, shape (n_beats,)
        Start of the beats [s].
    duration : array_like, shape (n_beats,)
        Time to the beat that follows [s]; NaN where a beat does not run to a next one.
    facts : array_like of int, shape (n_beats,)
        Facts of the beats.

    Returns
    -------
    ndarray, shape (n_breaths,)
        Share, 0 to 1. Above zero where a beat is missing or unknown in its length, comes early, or follows
        one that does (`regular_beats`); beats on either edge count with their share.

    Examples
    --------
    >>> uncovered_share([0.0], [4.0], [0.0, 1.0, 3.0], [1.0, 1.0, 1.0], [0, 0, 0])
    array([0.25])
    """
    start, end, onset, lasts = (np.asarray(v, dtype=np.float64) for v in (start_s, end_s, onset_s, duration))
    stop = onset + lasts
    sound = np.isfinite(stop) & regular_beats(facts)
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.clip(1.0 - covered(start, end, onset[sound], stop[sound]) / (end - start), 0.0, 1.0)


PULSE_HEIGHT = Index(
    name="pulse_height",
    title="Height of the pulse in the units of the channel",
    unit="1",
    level="beat",
    formula="highest less lowest pressure of the beat; equals pp where the channel is calibrated",
    inputs=("sbp", "dbp"),
    function=pulse_height,
    sources=("common practice, no source: a relative swing does not need a calibration",),
    rules=SHAPE_RULES + CLIPPED + DYNAMIC_SHAPE,
    harmed_by=("gain", "line"),
    own_rules=True,
    inner=True,
    window="none",
    shared_inputs=("pp", "sbp", "dbp"),
    family="respiratory",
)

UNCOVERED_SHARE = Index(
    name="uncovered_share",
    title="Share of the breath without sound beats",
    unit="1",
    level="breath",
    formula="share of the breath's time outside beats that run to a next one, do not come early and do not "
    "follow one that does",
    inputs=("start_s", "end_s", "beats.onset_s", "beats.duration", "beats.facts"),
    function=uncovered_share,
    sources=("our convention",),
    window="none",
    family="respiratory",
)

INDICES = (PULSE_HEIGHT, UNCOVERED_SHARE)
