"""Pressure and rate taken together: shock indices, rate-pressure product, pulse pressure ratio."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from ...samples import Float
from ..index import Index, Range
from ..limits import away_from_aorta, supported
from ..rules import Limit, When

_KOCH = (
    "Koch E, Lovett S, Nghiem T, et al. Shock index in the emergency department: utility and limitations. "
    "Open Access Emerg Med 2019;11:179-199. doi:10.2147/OAEM.S178358"
)
_GOBEL = (
    "Gobel FL, Norstrom LA, Nelson RR, Jorgensen CR, Wang Y. The rate-pressure product as an index of "
    "myocardial oxygen consumption during exercise in patients with angina pectoris. Circulation "
    "1978;57:549-556 (abstract)"
)
_STEVENSON = (
    "Stevenson LW, Perloff JK. The limited reliability of physical signs for estimating hemodynamics in "
    "chronic heart failure. JAMA 1989;261:884-888 (abstract)"
)
_PETRIE = (
    "Petrie CJ, Ponikowski P, Metra M, et al. Proportional pulse pressure relates to cardiac index in "
    "stabilized acute heart failure patients. Clin Exp Hypertens 2018;40:637-643. "
    "doi:10.1080/10641963.2017.1416121 (abstract)"
)
_NUMBERS = "calculator guide printing both definitions"


def _ratio(above: ArrayLike, below: ArrayLike) -> Float:
    under = np.asarray(below, dtype=np.float64)
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.where(under > 0, np.asarray(above, dtype=np.float64) / under, np.nan)


def shock_index(hr: ArrayLike, sbp: ArrayLike) -> Float:
    """
    Heart rate over systolic pressure.

    Parameters
    ----------
    hr : array_like, shape (n_beats,)
        Heart rate [1/min].
    sbp : array_like, shape (n_beats,)
        Systolic pressure [mmHg].

    Returns
    -------
    ndarray, shape (n_beats,)
        hr / sbp [1/min/mmHg], as a rule quoted without its unit.

    References
    ----------
    .. [1] Allgower M, Burri C. Schockindex. Dtsch Med Wochenschr 1967 (volume and pages from memory).

    Examples
    --------
    >>> shock_index([60.0], [120.0])
    array([0.5])
    """
    return _ratio(hr, sbp)


def modified_shock_index(hr: ArrayLike, mbp: ArrayLike) -> Float:
    """
    Heart rate over mean pressure.

    Parameters
    ----------
    hr : array_like, shape (n_beats,)
        Heart rate [1/min].
    mbp : array_like, shape (n_beats,)
        Mean pressure [mmHg].

    Returns
    -------
    ndarray, shape (n_beats,)
        hr / mbp [1/min/mmHg].

    References
    ----------
    .. [1] Calculator guide; no primary source was seen.

    Examples
    --------
    >>> modified_shock_index([70.0], [87.5])
    array([0.8])
    """
    return _ratio(hr, mbp)


def age_shock_index(shock_index: ArrayLike, age_years: ArrayLike) -> Float:
    """
    Shock index times age.

    Parameters
    ----------
    shock_index : array_like, shape (n_beats,)
        hr / sbp [1/min/mmHg].
    age_years : array_like, shape (n_beats,)
        Age [years]; NaN where nobody documented it.

    Returns
    -------
    ndarray, shape (n_beats,)
        Age x hr / sbp [year/min/mmHg].

    References
    ----------
    .. [1] Calculator guide; no primary source was seen.

    Examples
    --------
    >>> age_shock_index([0.5], [80.0])
    array([40.])
    """
    return np.asarray(shock_index, dtype=np.float64) * np.asarray(age_years, dtype=np.float64)


def rate_pressure_product(hr: ArrayLike, sbp: ArrayLike) -> Float:
    """
    Heart rate times systolic pressure.

    Parameters
    ----------
    hr : array_like, shape (n_beats,)
        Heart rate [1/min].
    sbp : array_like, shape (n_beats,)
        Systolic pressure [mmHg].

    Returns
    -------
    ndarray, shape (n_beats,)
        hr x sbp [mmHg/min].

    References
    ----------
    .. [1] Gobel FL, Norstrom LA, Nelson RR, Jorgensen CR, Wang Y. Circulation 1978;57:549-556.

    Examples
    --------
    >>> rate_pressure_product([70.0], [120.0])
    array([8400.])
    """
    return np.asarray(hr, dtype=np.float64) * np.asarray(sbp, dtype=np.float64)


def pp_ratio(pp: ArrayLike, sbp: ArrayLike) -> Float:
    """
    Pulse pressure over systolic pressure (proportional pulse pressure).

    Parameters
    ----------
    pp, sbp : array_like, shape (n_beats,)
        Pulse pressure and systolic pressure [mmHg].

    Returns
    -------
    ndarray, shape (n_beats,)
        pp / sbp.

    References
    ----------
    .. [1] Stevenson LW, Perloff JK. JAMA 1989;261:884-888.

    Examples
    --------
    >>> pp_ratio([20.0], [100.0])
    array([0.2])
    """
    return _ratio(pp, sbp)


_RATE_HELD = Limit(
    "shock",
    "may read low",
    "beta-blockade or a pacemaker may hold the rate, which this does not know",
    source=f"{_KOCH}; cardiology teaching page",
)

SHOCK_INDEX = Index(
    name="shock_index",
    title="Shock index",
    unit="1/min/mmHg",
    level="beat",
    family="pressure",
    formula="hr / sbp",
    inputs=("hr", "sbp"),
    function=shock_index,
    sources=(
        "Allgower M, Burri C. Schockindex. Dtsch Med Wochenschr 1967 (volume and pages from memory)",
        _KOCH,
    ),
    harmed_by=("offset", "gain", "line"),
    limits=(_RATE_HELD,),
    shared_inputs=("rate_pressure_product",),
    published_range=Range(
        0.5,
        0.7,
        "adults, as teaching pages print it; gradings for trauma begin at 0.6, inside this range",
        _KOCH,
    ),
)

MODIFIED_SHOCK_INDEX = Index(
    name="modified_shock_index",
    title="Modified shock index",
    unit="1/min/mmHg",
    level="beat",
    family="pressure",
    formula="hr / mbp, with the true mean",
    inputs=("hr", "mbp"),
    function=modified_shock_index,
    sources=(_NUMBERS,),
    harmed_by=("offset", "gain"),
    limits=(_RATE_HELD,),
)

AGE_SHOCK_INDEX = Index(
    name="age_shock_index",
    title="Age shock index",
    unit="year/min/mmHg",
    level="beat",
    family="pressure",
    formula="age x hr / sbp",
    inputs=("shock_index", "context.age_years"),
    function=age_shock_index,
    sources=(_NUMBERS,),
    harmed_by=("offset", "gain", "line"),
    limits=(_RATE_HELD,),
    missing="nobody documented the age",
)

RATE_PRESSURE_PRODUCT = Index(
    name="rate_pressure_product",
    title="Rate-pressure product",
    unit="mmHg/min",
    level="beat",
    family="pressure",
    formula="hr x sbp",
    inputs=("hr", "sbp"),
    function=rate_pressure_product,
    sources=(_GOBEL,),
    harmed_by=("offset", "gain", "line"),
    limits=(
        Limit(
            "myocardial oxygen demand",
            "either way",
            "it explains about two thirds of the measured consumption (r = 0.83), hardly more than the rate "
            "alone (0.79), in exercise",
            source=_GOBEL,
        ),
        *away_from_aorta(
            "myocardial oxygen demand",
            "may read high",
            "systolic pressure grows on the way to the periphery",
            "common practice, no source: pulse amplification",
        ),
        *supported("myocardial oxygen demand"),
    ),
    shared_inputs=("shock_index",),
    published_range=Range(
        6000.0,
        10000.0,
        "at rest; pages differ on the upper end (9000 to 12000)",
        "calculator and encyclopaedia pages",
    ),
)

PP_RATIO = Index(
    name="pp_ratio",
    title="Pulse pressure ratio (proportional pulse pressure)",
    unit="1",
    level="beat",
    family="pressure",
    formula="pp / sbp",
    inputs=("pp", "sbp"),
    function=pp_ratio,
    sources=(_STEVENSON,),
    harmed_by=("offset", "line"),
    limits=(
        Limit(
            "cardiac index",
            "either way",
            "it goes by the stiffness of the arteries as well: r was 0.82 in chronic heart failure, but 0.42 "
            "after acute failure",
            source=f"{_STEVENSON}; {_PETRIE}",
        ),
        Limit(
            "cardiac index",
            "may read high",
            "at a peripheral site pulse pressure is amplified, and the published figures are from cuffs",
            When(column="context.site", one_of=("radial", "ulnar", "dorsalis_pedis", "posterior_tibial")),
            "common practice, no source: pulse amplification",
        ),
    ),
)

INDICES = (SHOCK_INDEX, MODIFIED_SHOCK_INDEX, AGE_SHOCK_INDEX, RATE_PRESSURE_PRODUCT, PP_RATIO)
