"""Variation of stroke volume over a breath, and dynamic elastance."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ..index import Index
from ..limits import NOTCHES_AT_FLOOR
from ..rules import DYNAMIC_SHAPE, REJECTED, Limit, Rule, When
from .breath_rules import MISSING, PRELOAD_LIMITS, SWING_RULES
from .swings import relative_swing

Float = NDArray[np.float64]


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
        As in `hemoidx.indices.respiratory.swings.relative_swing`.

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
        As in `hemoidx.indices.respiratory.swings.relative_swing`.

    Returns
    -------
    ndarray, shape (n_breaths,)
        Variation [%]; a factor common to all beats cancels.
    """
    return relative_swing(sv_liljestrand_zander, breath_of_beat, n_breaths)


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


def _svv(method: str, words: str, function: Callable[..., Float], rules: tuple[Rule, ...] = ()) -> Index:
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
        rules=SWING_RULES + DYNAMIC_SHAPE + rules,
        limits=(
            *PRELOAD_LIMITS,
            Limit("confirmation of ppv", "says nothing", _COUPLED, source="common practice, no source"),
        ),
        harmed_by=("line",),
        shared_inputs=("ppv", f"sv_{method}"),
        family="respiratory",
        missing=MISSING,
    )


SVV_INDICES = (
    _svv("systolic_area", "systolic area", svv_systolic_area, NOTCHES_AT_FLOOR),
    _svv(
        "liljestrand_zander",
        "pulse pressure over the sum of systolic and diastolic pressure",
        svv_liljestrand_zander,
    ),
)

INDICES = (*SVV_INDICES, DYNAMIC_ELASTANCE)
