"""Breathing rate, and how many beats a breath holds."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ..index import Index
from ..rules import Limit, When, caution, reject

Float = NDArray[np.float64]

#: What a breathing that was sampled once a beat cannot tell.
ALIASED = (
    Limit(
        "rate of breathing",
        "may read low",
        "breathing faster than half the heart rate shows in the beats as heart rate less that rate; nothing "
        "in the pressure tells them apart",
        When(facts=("breathing_from_pressure",)),
        "arithmetic of sampling; common practice, no source",
    ),
)
#: Rules of what is read off breaths, in the tables where it appears.
BREATH_RULES = (
    *reject("breathing_unclear"),
    *reject("too_few_breaths", tables=("windows", "record")),
    *caution("slow_waves"),
)


def breathing_rate(start_s: ArrayLike, end_s: ArrayLike) -> Float:
    """
    Rate of each breath.

    Parameters
    ----------
    start_s, end_s : array_like, shape (n_breaths,)
        Start and end [s].

    Returns
    -------
    ndarray, shape (n_breaths,)
        Rate [1/min].

    Examples
    --------
    >>> breathing_rate([0.0, 4.0], [4.0, 9.0])
    array([15., 12.])
    """
    return 60.0 / (np.asarray(end_s, dtype=np.float64) - np.asarray(start_s, dtype=np.float64))


def beats_per_breath(
    start_s: ArrayLike, end_s: ArrayLike, duration: ArrayLike, breath_of_beat: ArrayLike
) -> Float:
    """
    Beats that fit into each breath, as a fraction: its length over the mean interval of its beats.

    Parameters
    ----------
    start_s, end_s : array_like, shape (n_breaths,)
        Start and end of the breaths [s].
    duration : array_like, shape (n_beats,)
        Duration of the beats [s], NaN where it was not measured.
    breath_of_beat : array_like of int, shape (n_beats,)
        Row of the breath in which each beat begins, -1 for none.

    Returns
    -------
    ndarray, shape (n_breaths,)
        Ratio of heart rate to breathing rate [1]; NaN where no beat of the breath was measured.

    References
    ----------
    .. [1] De Backer D, Taccone FS, Holsten R, Ibrahimi F, Vincent JL. Influence of respiratory rate on stroke
       volume variation in mechanically ventilated patients. Anesthesiology 2009;110:1092-1097 (from memory).

    Examples
    --------
    >>> beats_per_breath([0.0], [4.0], [0.8, 0.8, 1.0], [0, 0, -1])
    array([5.])
    """
    start = np.asarray(start_s, dtype=np.float64)
    seconds = np.asarray(duration, dtype=np.float64)
    breath = np.asarray(breath_of_beat)
    inside = (breath >= 0) & np.isfinite(seconds)
    row = breath[inside]
    count = np.bincount(row, minlength=start.size)
    with np.errstate(invalid="ignore", divide="ignore"):
        interval = np.bincount(row, seconds[inside], start.size) / count
        return np.asarray((np.asarray(end_s, dtype=np.float64) - start) / interval, dtype=np.float64)


INDICES = (
    Index(
        name="resp_rate",
        title="Breathing rate",
        unit="1/min",
        level="breath",
        formula="60 / length of the breath; of a window, 60 / mean length",
        inputs=("start_s", "end_s"),
        function=breathing_rate,
        window="rate",
        sources=("common practice, no source",),
        rules=BREATH_RULES,
        limits=ALIASED,
        family="respiratory",
        missing="no complete breath was found",
    ),
    Index(
        name="beats_per_breath",
        title="Heart rate over breathing rate",
        unit="1",
        level="breath",
        formula="length of the breath / mean interval of its beats",
        inputs=("start_s", "end_s", "beats.duration", "breath_of_beat"),
        function=beats_per_breath,
        sources=(
            "De Backer D, Taccone FS, Holsten R, Ibrahimi F, Vincent JL. Anesthesiology 2009;110:1092-1097 "
            "(from memory)",
        ),
        rules=BREATH_RULES,
        limits=ALIASED,
        shared_inputs=("resp_rate", "hr"),
        family="respiratory",
        missing="no complete breath with a measured beat was found",
    ),
)
