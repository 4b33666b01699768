"""Supply against demand of the inner layer of the heart's wall, from the two parts of the pressure wave."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from ...samples import Float
from ..index import Index, Range
from ..limits import NOTCH_AT_FLOOR, SUPPORTED, aortic_only, away_from_aorta, supported
from ..rules import CLIPPED, DYNAMIC_SHAPE, PRESSURE_RULES, STATIC_LINE, Limit, reject

#: Length of ejection that the ratio from numbers takes for granted [s].
EVR_EJECTION_S = 0.2
#: Left ventricular end-diastolic pressure assumed where only arterial pressure is recorded [mmHg]: ours.
EVR_FILLING_MMHG = 10.0

_SALVI = (
    "Salvi P, Baldi C, Scalise F, et al. Comparison between invasive and noninvasive methods to estimate "
    "subendocardial oxygen supply and demand imbalance. J Am Heart Assoc 2021;10:e021207. "
    "doi:10.1161/JAHA.121.021207 (abstract)"
)
_REITAN = (
    "Reitan JA, Martucci RW, Levine NA. Site dependence of the diastolic to systolic pressure-time ratio. "
    "J Clin Monit 1986;2:95-99. doi:10.1007/BF01637675 (title paraphrased; abstract)"
)
_EVR = (
    "Endocardial viability ratio is associated with survival in advanced heart failure patients. Conference "
    "abstract 11969 (authors not shown there; formula and values printed)"
)
_PERIPHERAL = (
    "changes of the ratio were about 25 % larger at peripheral arteries of dogs than in the aorta: no figure "
    "for the aorta holds elsewhere"
)


def sevr(diastolic_area: ArrayLike, systolic_area_above_zero: ArrayLike) -> Float:
    """
    Area under the diastolic part of a beat over that under its systolic part.

    Parameters
    ----------
    diastolic_area, systolic_area_above_zero : array_like, shape (n_beats,)
        Areas behind and before the notch, above zero pressure [mmHg s].

    Returns
    -------
    ndarray, shape (n_beats,)
        Ratio; often printed times 100.

    References
    ----------
    .. [1] Salvi P, et al. J Am Heart Assoc 2021;10:e021207 (definition, and what it leaves out).

    Examples
    --------
    >>> sevr([45.0], [30.0])
    array([1.5])
    """
    below = np.asarray(systolic_area_above_zero, dtype=np.float64)
    return np.asarray(np.asarray(diastolic_area, dtype=np.float64) / below)


def endocardial_viability_ratio(
    sbp: ArrayLike, dbp: ArrayLike, duration: ArrayLike, filling_pressure: ArrayLike
) -> Float:
    """
    Diastolic over systolic pressure-time from numbers alone, with ejection taken for 0.2 s.

    Parameters
    ----------
    sbp, dbp : array_like, shape (n_beats,)
        Systolic and diastolic pressure [mmHg].
    duration : array_like, shape (n_beats,)
        Duration of the beat [s].
    filling_pressure : array_like
        End-diastolic pressure of the left ventricle [mmHg].

    Returns
    -------
    ndarray, shape (n_beats,)
        (dbp - filling pressure) (duration - 0.2 s) / (sbp x 0.2 s).

    References
    ----------
    .. [1] Endocardial viability ratio is associated with survival in advanced heart failure patients.
       Conference abstract 11969.

    Examples
    --------
    >>> endocardial_viability_ratio([120.0], [80.0], [0.8], 20.0)
    array([1.5])
    """
    supply = (np.asarray(dbp, dtype=np.float64) - np.asarray(filling_pressure, dtype=np.float64)) * (
        np.asarray(duration, dtype=np.float64) - EVR_EJECTION_S
    )
    return np.asarray(supply / (EVR_EJECTION_S * np.asarray(sbp, dtype=np.float64)))


def evr(sbp: ArrayLike, dbp: ArrayLike, duration: ArrayLike) -> Float:
    """
    Endocardial viability ratio with a filling pressure assumed, not measured.

    Parameters
    ----------
    sbp, dbp : array_like, shape (n_beats,)
        Systolic and diastolic pressure [mmHg].
    duration : array_like, shape (n_beats,)
        Duration of the beat [s].

    Returns
    -------
    ndarray, shape (n_beats,)
        `endocardial_viability_ratio` at a filling pressure of `EVR_FILLING_MMHG`.

    References
    ----------
    .. [1] As `endocardial_viability_ratio`; the assumed pressure is ours.

    Examples
    --------
    >>> evr([120.0], [82.0], [0.8])
    array([1.8])
    """
    return endocardial_viability_ratio(sbp, dbp, duration, EVR_FILLING_MMHG)


SEVR = Index(
    name="sevr",
    title="Subendocardial viability ratio",
    unit="1",
    level="beat",
    family="pressure",
    formula="diastolic_area / systolic_area_above_zero: area behind the notch over area before it",
    inputs=("diastolic_area", "systolic_area_above_zero"),
    function=sevr,
    sources=(_SALVI,),
    rules=PRESSURE_RULES
    + CLIPPED
    + reject("no_notch", "end_unknown")
    + STATIC_LINE
    + DYNAMIC_SHAPE
    + SUPPORTED
    + NOTCH_AT_FLOOR
    + aortic_only(_PERIPHERAL),
    harmed_by=("offset", "line"),
    limits=(
        Limit(
            "supply of the subendocardium against its demand",
            "reads high",
            "it leaves out the diastolic pressure of the ventricle and the time in which the ventricle "
            "builds up and loses its pressure",
            source=_SALVI,
        ),
        *away_from_aorta(
            "supply of the subendocardium against its demand", "either way", _PERIPHERAL, _REITAN
        ),
        *supported("supply of the subendocardium against its demand"),
    ),
    shared_inputs=("diastolic_area", "systolic_area_above_zero"),
    published_range=Range(
        1.2,
        1.9,
        "central, healthy; quoted from memory (read: median 1.45 in stable coronary disease, abstract "
        "PMC5324860)",
        "quoted from memory",
    ),
)

EVR = Index(
    name="evr",
    title="Endocardial viability ratio from numbers",
    unit="1",
    level="beat",
    family="pressure",
    formula="(dbp - 10 mmHg) (duration - 0.2 s) / (sbp x 0.2 s); the filling pressure of 10 mmHg is assumed",
    inputs=("sbp", "dbp", "duration"),
    function=evr,
    sources=(_EVR,),
    harmed_by=("offset", "line"),
    limits=(
        Limit(
            "supply of the subendocardium against its demand",
            "either way",
            "filling pressure (10 mmHg) and length of ejection (0.2 s) are assumed, not measured: it reads "
            "high where the filling pressure is higher, and sevr measures the areas instead",
            source=_EVR,
        ),
        *supported("supply of the subendocardium against its demand"),
    ),
    published_range=Range(
        0.923, 1.398, "143 patients with advanced heart failure, quartiles, filling pressure measured", _EVR
    ),
)

INDICES = (SEVR, EVR)
