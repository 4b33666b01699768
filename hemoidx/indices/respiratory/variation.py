"""Pulse pressure variation from every beat of a window, and what noise would read."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ..blocks import Part
from ..index import Index
from ..rules import CAUTION, CLIPPED, DYNAMIC_SHAPE, SHAPE_RULES, Rule, When
from .breath_beats import regular_beats
from .breath_rules import MICHARD_2000, PRELOAD_LIMITS, REGULAR
from .phase_fit import phase_fit
from .swings import range_factor

Float = NDArray[np.float64]

ALIASED_BEATS = 3.4
"""
Beats a breath below which `ppv_robust` read low where breaths were read off the pressure: 0.8 points on
average, 6 of 31 at worst, at 3.1 beats a breath (simulated). With the true breaths it did not.
"""


class PulseCurve(NamedTuple):
    """
    Pulse pressure over the breath, arrays of shape (n_windows,); NaN where there is no curve.

    Attributes
    ----------
    variation, se : ndarray
        Swing of the curve and its random standard error [%]. Near zero the value is bound to be positive,
        and the interval is one-sided.
    scatter : ndarray
        Standard deviation of the beats about the curve [%].
    harmonics : ndarray
        Harmonics of the breath in the curve, 1 to 3.
    """

    variation: Float
    se: Float
    scatter: Float
    harmonics: Float


def pulse_curve(
    pulse_height: ArrayLike,
    breath_phase: ArrayLike,
    onset_s: ArrayLike,
    facts: ArrayLike,
    window_of_beat: ArrayLike,
    n_windows: int,
) -> PulseCurve:
    """
    Pulse pressure variation from every beat of a window.

    Parameters
    ----------
    pulse_height : array_like, shape (n_beats,)
        Height of the pulse [mmHg or any unit]; NaN leaves a beat out.
    breath_phase : array_like, shape (n_beats,)
        Place of each beat in its breath, 0 to 1; NaN outside breaths.
    onset_s : array_like, shape (n_beats,)
        Start of the beats [s].
    facts : array_like of int, shape (n_beats,)
        Facts of the beats: ectopic ones and those after them are left out.
    window_of_beat : array_like of int, shape (n_beats,)
        Window of each beat; negative for none.
    n_windows : int
        Number of windows.

    Returns
    -------
    PulseCurve
        NaN where beats are too few or fall on too few phases of the breath.

    Notes
    -----
    The curve of `hemoidx.indices.phase_fit.phase_fit` through all beats, then 100 (max - min) / ((max + min)
    / 2) of the curve. It shows the whole swing, where the beats of one breath miss a part of it, and noise
    is taken out of it; simulated with a scatter of 2 % and no variation it reads 1.4 % where the classic
    value reads 3 to 5 %. With exactly three or four beats a breath only one harmonic can be told, and a swing
    that is no sine may be off by a quarter either way.

    References
    ----------
    .. [1] Enevoldsen J, Simpson GL, Vistisen ST. Using generalized additive models to decompose time series
       and waveforms, and dissect heart-lung interaction physiology. J Clin Monit Comput 2022,
       doi:10.1007/s10877-022-00873-7 (idea; title quoted from memory).
    """
    pulse = np.where(regular_beats(facts), np.asarray(pulse_height, dtype=np.float64), np.nan)
    fit = phase_fit(pulse, breath_phase, onset_s, window_of_beat, n_windows)
    middle = (fit.high + fit.low) / 2.0
    with np.errstate(invalid="ignore", divide="ignore"):
        percent = np.where(middle > 0, 100.0 / middle, np.nan)
    harmonics = np.where(fit.harmonics > 0, fit.harmonics, np.nan)
    return PulseCurve((fit.high - fit.low) * percent, fit.se * percent, fit.scatter * percent, harmonics)


def floor_of_scatter(ppv_scatter: ArrayLike, beats_per_breath: ArrayLike) -> Float:
    """
    What pulse pressure variation would read by the scatter of the beats alone.

    Parameters
    ----------
    ppv_scatter : array_like, shape (n_windows,)
        Standard deviation of pulse pressure about its curve over the breath [%].
    beats_per_breath : array_like, shape (n_windows,)
        Beats in a breath.

    Returns
    -------
    ndarray, shape (n_windows,)
        Expected variation by the formula for one breath, if breathing did nothing [%].

    Notes
    -----
    Scatter times the expected range of as many errors (`range_factor` of `swings.py`). Steps of the recorder
    are part of the scatter; what they add alone is `ppv_floor` there.
    """
    return np.asarray(ppv_scatter, dtype=np.float64) * range_factor(beats_per_breath)


_WINDOW = (
    "beats.pulse_height",
    "breath_phase",
    "beats.onset_s",
    "beats.facts",
    "window_of_beat",
    "n_windows",
)
_EVERY_BEAT = (
    *REGULAR,
    Rule(
        CAUTION,
        When(facts=("slow_waves",)),
        "slow waves of the pressure are stronger than breathing: simulated, it reads 0.3 points low where "
        "they are as strong, 1 low where they are twice as strong, and wrong where they stand for breathing",
    ),
    *SHAPE_RULES,
    *CLIPPED,
    *DYNAMIC_SHAPE,
)
_TOO_FEW = "too few regular beats lie in complete breaths, or they fall on the same few phases of them"

PPV_ROBUST = Index(
    name="ppv_robust",
    title="Pulse pressure variation from every beat",
    unit="%",
    level="window",
    formula="100 (max - min) / ((max + min) / 2) of a robust curve of pp over the phase of the breath, "
    "beside a linear trend, less what noise adds",
    inputs=_WINDOW,
    function=Part(pulse_curve, "variation"),
    error_function=Part(pulse_curve, "se"),
    sources=(
        MICHARD_2000 + " (formula)",
        "Enevoldsen J, Simpson GL, Vistisen ST. Using generalized additive models to decompose time series "
        "and waveforms, and dissect heart-lung interaction physiology. J Clin Monit Comput 2022. "
        "doi:10.1007/s10877-022-00873-7 (idea; title from memory)",
    ),
    rules=(
        *_EVERY_BEAT,
        Rule(
            CAUTION,
            When(column="beats_per_breath", below=ALIASED_BEATS, tables=("windows",)),
            f"with fewer than {ALIASED_BEATS:g} beats a breath, breaths that are read off the pressure carry "
            "an alias of their own second harmonic, which smears the curve: it may read a seventh too low",
        ),
        Rule(
            CAUTION,
            When(column="ppv_harmonics", below=2.0, tables=("windows",)),
            "beats fall on the same few phases breath after breath, as with exactly three or four beats a "
            "breath: the value of a swing that is no sine may then be off by a quarter either way",
        ),
    ),
    limits=PRELOAD_LIMITS,
    harmed_by=("line",),
    shared_inputs=("ppv", "ppv_floor"),
    family="respiratory",
    missing=_TOO_FEW,
)

PPV_SCATTER = Index(
    name="ppv_scatter",
    title="Scatter of pulse pressure about its curve over the breath",
    unit="%",
    level="window",
    formula="standard deviation of pp about the curve of ppv_robust / pp",
    inputs=_WINDOW,
    function=Part(pulse_curve, "scatter"),
    sources=("our convention",),
    rules=_EVERY_BEAT,
    harmed_by=("line",),
    inner=True,
    shared_inputs=("ppv_robust",),
    family="respiratory",
    missing=_TOO_FEW,
)

PPV_FLOOR = Index(
    name="ppv_floor",
    title="What ppv would read without any variation by breathing",
    unit="%",
    level="window",
    formula="standard deviation of pp about the curve over the breath x expected range of as many errors as "
    "beats in a breath / pp",
    inputs=("ppv_scatter", "beats_per_breath"),
    function=floor_of_scatter,
    sources=(
        "Tippett LHC. On the extreme individuals and the range of samples taken from a normal population. "
        "Biometrika 1925;17:364-387 (from memory)",
    ),
    rules=_EVERY_BEAT,
    harmed_by=("line",),
    shared_inputs=("ppv", "ppv_robust"),
    family="respiratory",
    missing=_TOO_FEW,
)

PPV_HARMONICS = Index(
    name="ppv_harmonics",
    title="Harmonics of the breath in ppv_robust",
    unit="1",
    level="window",
    formula="most harmonics, up to three, that the phases of the beats tell apart",
    inputs=_WINDOW,
    function=Part(pulse_curve, "harmonics"),
    sources=("our convention",),
    rules=_EVERY_BEAT,
    shared_inputs=("ppv_robust",),
    family="respiratory",
    missing=_TOO_FEW,
)

INDICES = (PPV_ROBUST, PPV_SCATTER, PPV_FLOOR, PPV_HARMONICS)
