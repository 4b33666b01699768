"""Pulsus paradoxus: the fall of systolic pressure in inspiration."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ...errors import InputError
from ..index import Index, Range
from ..rules import CAUTION, DYNAMIC_SHAPE, GAIN, REJECTED, Rule, When, reject
from .breath_rules import SWING_RULES

Float = NDArray[np.float64]


def pulsus_paradoxus(
    sbp: ArrayLike,
    onset_s: ArrayLike,
    breath_of_beat: ArrayLike,
    inspiration_end_s: ArrayLike,
    n_breaths: int,
) -> Float:
    """
    Fall of systolic pressure in inspiration.

    Parameters
    ----------
    sbp : array_like, shape (n_beats,)
        Systolic pressure [mmHg].
    onset_s : array_like, shape (n_beats,)
        Start of the beats [s].
    breath_of_beat : array_like of int, shape (n_beats,)
        Breath of each beat, never falling; negative for none. A breath begins with inspiration.
    inspiration_end_s : array_like, shape (n_breaths,)
        End of inspiration [s].
    n_breaths : int
        Number of breaths.

    Returns
    -------
    ndarray, shape (n_breaths,)
        Highest systolic pressure of the beats that begin in expiration, less the lowest of those that begin
        in inspiration [mmHg]. Negative where pressure stands higher all through inspiration, as it does under
        positive pressure. NaN where the end of inspiration or a beat is unknown, or either part holds no
        beat.

    Raises
    ------
    InputError
        If shapes do not fit.

    References
    ----------
    .. [1] Harrison's Principles of Internal Medicine, chapter on the physical examination of the
       cardiovascular system (definition; seen on study cards built on it).

    Examples
    --------
    >>> pulsus_paradoxus([104.0, 110.0, 118.0], [0.0, 1.0, 2.0], [0, 0, 0], [1.5], 1)
    array([14.])
    """
    value, onset = np.asarray(sbp, dtype=np.float64), np.asarray(onset_s, dtype=np.float64)
    breath, turn = np.asarray(breath_of_beat), np.asarray(inspiration_end_s, dtype=np.float64)
    if not value.shape == onset.shape == breath.shape:
        raise InputError(
            f"pulsus paradoxus: need one time and one breath for each beat, got shapes {value.shape}, "
            f"{onset.shape} and {breath.shape}"
        )
    at = np.append(turn, np.nan)[breath]
    inside = (breath >= 0) & np.isfinite(at)
    inspired, expired = inside & (onset < at), inside & (onset >= at)
    lowest, highest = np.full(n_breaths, np.inf), np.full(n_breaths, -np.inf)
    with np.errstate(invalid="ignore"):
        # Both pass NaN on: the missing beat may be the extreme.
        np.minimum.at(lowest, breath[inspired], value[inspired])
        np.maximum.at(highest, breath[expired], value[expired])
        fall = highest - lowest
    return np.where(np.isfinite(fall), fall, np.nan)


PULSUS_PARADOXUS = Index(
    name="pulsus_paradoxus",
    title="Inspiratory fall of systolic pressure",
    unit="mmHg",
    level="breath",
    formula="highest SBP of beats that begin in expiration - lowest SBP of beats that begin in inspiration",
    inputs=("beats.sbp", "beats.onset_s", "breath_of_beat", "inspiration_end_s", "n_breaths"),
    function=pulsus_paradoxus,
    sources=(
        "Harrison's Principles of Internal Medicine, chapter on the physical examination of the "
        "cardiovascular system (seen on study cards built on it)",
    ),
    rules=(
        *SWING_RULES,
        *reject("breathing_from_pressure"),
        Rule(
            REJECTED,
            When(
                column="context.breathing",
                one_of=("controlled_no_effort", "assisted", "unknown", "None"),
                tables=("breaths", "windows"),
            ),
            "it is defined for breathing that is documented as spontaneous; positive pressure turns the sign",
        ),
        Rule(
            CAUTION,
            When(),
            "the end of inspiration is read late by dead space or impedance: simulated, it read up to 3 mmHg "
            "too high",
        ),
        *GAIN,
        *DYNAMIC_SHAPE,
    ),
    harmed_by=("gain", "line"),
    shared_inputs=("spv",),
    published_range=Range(
        0.0,
        5.0,
        "quiet spontaneous breathing; other texts print 6 or 10 mmHg",
        "Michard F. Changes in arterial pressure during mechanical ventilation. Anesthesiology "
        "2005;103:419-428",
    ),
    family="respiratory",
    missing="the end of inspiration is not known, or inspiration or expiration holds no usable beat",
)

INDICES = (PULSUS_PARADOXUS,)
