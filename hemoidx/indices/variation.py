"""Variation from every beat of a window, its noise, variation of stroke volume, and dynamic elastance."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import ArrayLike, NDArray

from .breath_beats import regular_beats
from .index import Index
from .phase_fit import PhaseFit, phase_fit
from .respiratory_rules import MICHARD_2000, MISSING, PRELOAD_LIMITS, REGULAR, SWING_RULES
from .rules import CAUTION, CLIPPED, DYNAMIC_SHAPE, REJECTED, SHAPE_RULES, Limit, Rule, When
from .swings import range_factor, relative_swing

Float = NDArray[np.float64]


def _fit(
    pulse_height: ArrayLike,
    breath_phase: ArrayLike,
    onset_s: ArrayLike,
    facts: ArrayLike,
    window_of_beat: ArrayLike,
    n_windows: int,
) -> PhaseFit:
    pulse = np.where(regular_beats(facts), np.asarray(pulse_height, dtype=np.float64), np.nan)
    return phase_fit(pulse, breath_phase, onset_s, window_of_beat, n_windows)


def ppv_robust(
    pulse_height: ArrayLike,
    breath_phase: ArrayLike,
    onset_s: ArrayLike,
    facts: ArrayLike,
    window_of_beat: ArrayLike,
    n_windows: int,
) -> Float:
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
    ndarray, shape (n_windows,)
        Variation [%]. NaN where beats are too few or fall on too few phases of the breath.

    Notes
    -----
    The curve of `hemoidx.indices.phase_fit.phase_fit` through all beats, then 100 (max - min) / ((max + min)
    / 2) of the curve. It shows the whole swing, where the beats of one breath miss a part of it, and noise
    is taken out of it; simulated with a scatter of 2 % and no variation it reads 1.4 % where the classic
    value reads 3 to 5 %. With exactly four beats a breath only one harmonic can be told, and a swing that is
    no sine reads about a tenth too low.

    References
    ----------
    .. [1] Enevoldsen J, Simpson GL, Vistisen ST. Using generalized additive models to decompose time series
       and waveforms, and dissect heart-lung interaction physiology. J Clin Monit Comput 2022,
       doi:10.1007/s10877-022-00873-7 (idea; title quoted from memory).
    """
    fit = _fit(pulse_height, breath_phase, onset_s, facts, window_of_beat, n_windows)
    return np.asarray(_percent(fit.high - fit.low, fit))


def ppv_robust_se(
    pulse_height: ArrayLike,
    breath_phase: ArrayLike,
    onset_s: ArrayLike,
    facts: ArrayLike,
    window_of_beat: ArrayLike,
    n_windows: int,
) -> Float:
    """
    Random standard error of `ppv_robust`, whose parameters these are.

    Returns
    -------
    ndarray, shape (n_windows,)
        Standard error [%]. Near zero the value is bound to be positive, and the interval is one-sided.
    """
    fit = _fit(pulse_height, breath_phase, onset_s, facts, window_of_beat, n_windows)
    return _percent(fit.se, fit)


def floor_of_scatter(
    pulse_height: ArrayLike,
    breath_phase: ArrayLike,
    onset_s: ArrayLike,
    facts: ArrayLike,
    window_of_beat: ArrayLike,
    n_windows: int,
    beats_per_breath: ArrayLike,
) -> Float:
    """
    What pulse pressure variation would read by the scatter of the beats alone.

    Parameters
    ----------
    pulse_height, breath_phase, onset_s, facts, window_of_beat, n_windows
        As in `ppv_robust`.
    beats_per_breath : array_like, shape (n_windows,)
        Beats in a breath.

    Returns
    -------
    ndarray, shape (n_windows,)
        Expected variation by the formula for one breath, if breathing did nothing [%].

    Notes
    -----
    Standard deviation of the beats about the curve over the breath times the expected range of as many
    errors (`hemoidx.indices.swings.range_factor`). Steps of the recorder are part of the scatter; what they
    add alone is `hemoidx.indices.swings.ppv_floor`.
    """
    fit = _fit(pulse_height, breath_phase, onset_s, facts, window_of_beat, n_windows)
    return _percent(fit.scatter * range_factor(beats_per_breath), fit)


def _percent(part: Float, fit: PhaseFit) -> Float:
    middle = (fit.high + fit.low) / 2.0
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.where(middle > 0, 100.0 * part / middle, np.nan)


def dynamic_elastance(ppv: ArrayLike, reference_svv_percent: ArrayLike) -> Float:
    """
    Pulse pressure variation over stroke volume variation.

    Parameters
    ----------
    ppv : array_like
        Pulse pressure variation [%].
    reference_svv_percent : array_like
        Stroke volume variation over the same breaths, from a flow that was not computed from the pressure
        [%].

    Returns
    -------
    ndarray
        Ratio [1]; NaN where stroke volume does not vary.

    Notes
    -----
    Where flow was computed from the same pressure the two share their errors and in the limit are one
    number: the ratio then says nothing.

    References
    ----------
    .. [1] Monge Garcia MI, Gil Cano A, Gracia Romero M. Dynamic arterial elastance to predict arterial
       pressure response to volume loading in preload-dependent patients. Crit Care 2011;15:R15.

    Examples
    --------
    >>> dynamic_elastance([18.0], [12.0])
    array([1.5])
    """
    flow = np.asarray(reference_svv_percent, dtype=np.float64)
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.where(flow > 0, np.asarray(ppv, dtype=np.float64) / flow, np.nan)


def svv_systolic_area(sv_systolic_area: ArrayLike, breath_of_beat: ArrayLike, n_breaths: int) -> Float:
    """
    Stroke volume variation of each breath, by systolic area.

    Parameters
    ----------
    sv_systolic_area : array_like, shape (n_beats,)
        Estimate of stroke volume [any unit].
    breath_of_beat, n_breaths
        As in `hemoidx.indices.swings.relative_swing`.

    Returns
    -------
    ndarray, shape (n_breaths,)
        Variation [%]; a factor common to all beats cancels.
    """
    return relative_swing(sv_systolic_area, breath_of_beat, n_breaths)


def svv_liljestrand_zander(
    sv_liljestrand_zander: ArrayLike, breath_of_beat: ArrayLike, n_breaths: int
) -> Float:
    """
    Stroke volume variation of each breath, by pulse pressure over the sum of systolic and diastolic pressure.

    Parameters
    ----------
    sv_liljestrand_zander : array_like, shape (n_beats,)
        Estimate of stroke volume [any unit].
    breath_of_beat, n_breaths
        As in `hemoidx.indices.swings.relative_swing`.

    Returns
    -------
    ndarray, shape (n_breaths,)
        Variation [%]; a factor common to all beats cancels.
    """
    return relative_swing(sv_liljestrand_zander, breath_of_beat, n_breaths)


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
    function=ppv_robust,
    error_function=ppv_robust_se,
    sources=(
        MICHARD_2000 + " (formula)",
        "Enevoldsen J, Simpson GL, Vistisen ST. Using generalized additive models to decompose time series "
        "and waveforms, and dissect heart-lung interaction physiology. J Clin Monit Comput 2022. "
        "doi:10.1007/s10877-022-00873-7 (idea; title from memory)",
    ),
    rules=_EVERY_BEAT,
    limits=PRELOAD_LIMITS,
    harmed_by=("line",),
    shared_inputs=("ppv", "ppv_floor"),
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
    inputs=(*_WINDOW, "beats_per_breath"),
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

DYNAMIC_ELASTANCE = Index(
    name="dynamic_elastance",
    title="Dynamic arterial elastance",
    unit="1",
    level="window",
    formula="ppv / documented stroke volume variation, from a flow that was measured independently of "
    "pressure",
    inputs=("ppv", "context.reference_svv_percent"),
    function=dynamic_elastance,
    sources=(
        "Monge Garcia MI, Gil Cano A, Gracia Romero M. Dynamic arterial elastance to predict arterial "
        "pressure response to volume loading in preload-dependent patients. Crit Care 2011;15:R15. "
        "doi:10.1186/cc9420",
        "Monge Garcia MI, Gracia Romero M, Gil Cano A, et al. Dynamic arterial elastance as a predictor of "
        "arterial pressure response to fluid administration: a validation study. Crit Care 2014;18:626. "
        "doi:10.1186/s13054-014-0626-6 (flow measured by oesophageal Doppler)",
    ),
    rules=(
        Rule(
            REJECTED,
            When(column="context.reference_flow_from_pressure", one_of=("yes",)),
            "the reference flow was computed from pressure: both variations then share their errors",
        ),
        Rule(
            REJECTED,
            When(column="context.reference_flow_from_pressure", one_of=("unknown", "None")),
            "it is not documented that the reference flow was measured independently of pressure",
        ),
        *DYNAMIC_SHAPE,
    ),
    limits=(
        Limit(
            "response of pressure to a rise of flow",
            "says nothing",
            "stroke volume varied by less than the 10 % of the first study",
            When(column="context.reference_svv_percent", below=10.0),
            "Monge Garcia MI, Gil Cano A, Gracia Romero M. Crit Care 2011;15:R15",
        ),
        Limit(
            "response of pressure to a rise of flow",
            "either way",
            "studies disagree: areas from 0.54 to 0.99, cut-offs from 0.65 to 0.89 in eight of them",
            source="Meta-analysis, Table 2. Ann Intensive Care 2021 (PMC8325731)",
        ),
    ),
    harmed_by=("line",),
    shared_inputs=("ppv",),
    family="respiratory",
    missing="no stroke volume variation of a reference was documented, or it was zero",
)

_COUPLED = "it is computed from the same pressure as ppv: their agreement or ratio is partly arithmetic"


def _svv(method: str, words: str, function: Callable[..., Float]) -> Index:
    """Entry of the variation of one estimator of stroke volume."""
    return Index(
        name=f"svv_{method}",
        title=f"Stroke volume variation by {words}",
        unit="%",
        level="breath",
        formula=f"100 (SVmax - SVmin) / ((SVmax + SVmin) / 2) of sv_{method} over the beats of a complete "
        "breath",
        inputs=(f"beats.sv_{method}", "breath_of_beat", "n_breaths"),
        function=function,
        sources=(
            "standard definition, as printed in teaching texts (max - min over mean); the mean of the two "
            "extremes after Michard F, et al. Am J Respir Crit Care Med 2000;162:134-138",
        ),
        rules=SWING_RULES + DYNAMIC_SHAPE,
        limits=(
            *PRELOAD_LIMITS,
            Limit("confirmation of ppv", "says nothing", _COUPLED, source="common practice, no source"),
        ),
        harmed_by=("line",),
        shared_inputs=("ppv", f"sv_{method}"),
        family="respiratory",
        missing=MISSING,
    )


#: Need the estimators of the same name at beat level.
SVV_INDICES = (
    _svv("systolic_area", "systolic area", svv_systolic_area),
    _svv(
        "liljestrand_zander",
        "pulse pressure over the sum of systolic and diastolic pressure",
        svv_liljestrand_zander,
    ),
)

INDICES = (PPV_ROBUST, PPV_FLOOR, DYNAMIC_ELASTANCE)
