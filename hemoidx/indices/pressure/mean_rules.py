"""Mean pressure by rules of thumb, under names of their own, and the form factor that they assume."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from ...samples import Float
from ..index import Index, Range
from ..limits import away_from_aorta, supported
from ..rules import CLIPPED, DYNAMIC_SHAPE, PRESSURE_RULES, Limit, reject

_CHEMLA = (
    "Chemla D, Hebert JL, Aptecar E, et al. Empirical estimates of mean aortic pressure: advantages, "
    "drawbacks and implications for pressure redundancy. Clin Sci 2002;103:7-13 (abstract)"
)
_INTENSIVE_CARE = (
    "Form factor at radial and femoral level in 632 intensive-care patients (abstract in a topic listing; "
    "authors and year not shown there)"
)
_BOS = (
    "Bos WJW, Verrij E, Vincent HH, et al. How to assess mean blood pressure properly at the brachial artery "
    "level. J Hypertens 2007;25:751-755 (as quoted in a conference abstract)"
)
_ARMSTRONG = (
    "Armstrong MK, Schultz MG, Picone DS, et al. The influence of SBP amplification on the accuracy of "
    "form-factor-derived mean arterial pressure. J Hypertens 2020;38:1033-1039 (abstract)"
)


class FormFactor(NamedTuple):
    """A published form factor: mean, range (one standard deviation, or as printed), in whom, where."""

    value: float
    low: float
    high: float
    population: str
    source: str


#: Published form factors, measured inside the artery. None is known to us for other sites.
FORM_FACTORS: dict[str, FormFactor] = {
    "radial": FormFactor(0.35, 0.29, 0.41, "355 stable patients in intensive care", _INTENSIVE_CARE),
    "femoral": FormFactor(0.34, 0.29, 0.39, "277 stable patients in intensive care", _INTENSIVE_CARE),
    "brachial": FormFactor(0.40, np.nan, np.nan, "invasive, no range printed where it was read", _BOS),
    "aorta": FormFactor(0.45, 0.35, 0.53, "root of the aorta, 73 adults, range", _CHEMLA),
}


def form_factor_of_site(site: ArrayLike) -> Float:
    """
    Published mean form factor of a site.

    Parameters
    ----------
    site : array_like of str, shape (n,)
        Documented site; None where nobody documented it.

    Returns
    -------
    ndarray, shape (n,)
        See `FORM_FACTORS`. NaN where no value is published for the site.

    Examples
    --------
    >>> form_factor_of_site(["radial", "aorta", "temporal"])
    array([0.35, 0.45,  nan])
    """
    words = np.asarray(site, dtype=object)
    out = np.full(words.shape, np.nan)
    for name, factor in FORM_FACTORS.items():
        out[words == name] = factor.value
    return out


def mbp_one_third(sbp: ArrayLike, dbp: ArrayLike) -> Float:
    """
    Mean pressure by the one-third rule.

    Parameters
    ----------
    sbp, dbp : array_like, shape (n_beats,)
        Systolic and diastolic pressure [mmHg].

    Returns
    -------
    ndarray, shape (n_beats,)
        dbp + (sbp - dbp) / 3 [mmHg].

    Notes
    -----
    Not the mean: it takes the form factor for 1/3 whatever the wave looks like. `mbp` averages the wave.

    References
    ----------
    .. [1] Common practice, no source; a printed worked example is 120/80 and 93.3 mmHg.

    Examples
    --------
    >>> mbp_one_third([120.0], [60.0])
    array([80.])
    """
    low = np.asarray(dbp, dtype=np.float64)
    return low + (np.asarray(sbp, dtype=np.float64) - low) / 3.0


def mbp_form_factor(sbp: ArrayLike, dbp: ArrayLike, site: ArrayLike) -> Float:
    """
    Mean pressure by the published form factor of the documented site.

    Parameters
    ----------
    sbp, dbp : array_like, shape (n_beats,)
        Systolic and diastolic pressure [mmHg].
    site : array_like of str, shape (n_beats,)
        Documented site; None where nobody documented it.

    Returns
    -------
    ndarray, shape (n_beats,)
        dbp + form factor x (sbp - dbp) [mmHg]; NaN where no form factor is published for the site.

    References
    ----------
    .. [1] Those of `FORM_FACTORS`: radial 0.35, femoral 0.34, brachial 0.40, aorta 0.45.

    Examples
    --------
    >>> mbp_form_factor([120.0], [80.0], ["aorta"])
    array([98.])
    """
    low = np.asarray(dbp, dtype=np.float64)
    return low + form_factor_of_site(site) * (np.asarray(sbp, dtype=np.float64) - low)


def mbp_razminia(sbp: ArrayLike, dbp: ArrayLike, hr: ArrayLike) -> Float:
    """
    Mean pressure by a rule in which the weight of pulse pressure grows with heart rate.

    Parameters
    ----------
    sbp, dbp : array_like, shape (n_beats,)
        Systolic and diastolic pressure [mmHg].
    hr : array_like, shape (n_beats,)
        Heart rate [1/min].

    Returns
    -------
    ndarray, shape (n_beats,)
        dbp + (0.33 + 0.0012 hr) (sbp - dbp) [mmHg].

    References
    ----------
    .. [1] Razminia M, et al. Validation of a new formula for mean arterial pressure calculation. Catheter
       Cardiovasc Interv 2004;63:419-425. doi:10.1002/ccd.20217 (derived in the aorta).

    Examples
    --------
    >>> mbp_razminia([120.0], [80.0], [75.0])
    array([96.8])
    """
    low = np.asarray(dbp, dtype=np.float64)
    weight = 0.33 + 0.0012 * np.asarray(hr, dtype=np.float64)
    return low + weight * (np.asarray(sbp, dtype=np.float64) - low)


def form_factor(mbp: ArrayLike, dbp: ArrayLike, pp: ArrayLike) -> Float:
    """
    Where the mean lies between diastolic and systolic pressure.

    Parameters
    ----------
    mbp, dbp, pp : array_like, shape (n_beats,)
        True mean, diastolic and pulse pressure [mmHg].

    Returns
    -------
    ndarray, shape (n_beats,)
        (mbp - dbp) / pp, 0 to 1. It does not change with gain or offset.

    References
    ----------
    .. [1] Chemla D, Hebert JL, Aptecar E, et al. Clin Sci 2002;103:7-13.

    Examples
    --------
    >>> form_factor([94.0], [80.0], [40.0])
    array([0.35])
    """
    rise = np.asarray(mbp, dtype=np.float64) - np.asarray(dbp, dtype=np.float64)
    return np.asarray(rise / np.asarray(pp, dtype=np.float64))


_TRUE_MEAN = Limit(
    "mean arterial pressure",
    "either way",
    "the form factor is no constant: to give the aortic mean it would have had to lie between 0.17 and 0.74 "
    "at the radial artery, and between 0.20 and 0.57 at the brachial; mbp averages the wave itself",
    source=_ARMSTRONG,
)

MBP_ONE_THIRD = Index(
    name="mbp_one_third",
    title="Mean pressure by the one-third rule",
    unit="mmHg",
    level="beat",
    readings=0.75,
    family="pressure",
    formula="dbp + (sbp - dbp) / 3; a rule, not the mean of the wave",
    inputs=("sbp", "dbp"),
    function=mbp_one_third,
    sources=("common practice, no source: the one-third rule",),
    harmed_by=("offset", "gain", "line"),
    limits=(_TRUE_MEAN,),
)

MBP_FORM_FACTOR = Index(
    name="mbp_form_factor",
    title="Mean pressure by the published form factor of the site",
    unit="mmHg",
    level="beat",
    readings=0.75,
    family="pressure",
    formula="dbp + f (sbp - dbp), f by documented site: radial 0.35, femoral 0.34, brachial 0.40, aorta "
    "0.45; a rule, not the mean of the wave",
    inputs=("sbp", "dbp", "context.site"),
    function=mbp_form_factor,
    sources=(_INTENSIVE_CARE, _BOS, _CHEMLA),
    harmed_by=("offset", "gain", "line"),
    limits=(_TRUE_MEAN,),
    missing="nobody documented the site, or no form factor is published for it",
)

MBP_RAZMINIA = Index(
    name="mbp_razminia",
    title="Mean pressure by a rule that weighs heart rate",
    unit="mmHg",
    level="beat",
    readings=0.75,
    family="pressure",
    formula="dbp + (0.33 + 0.0012 hr) (sbp - dbp); a rule, not the mean of the wave",
    inputs=("sbp", "dbp", "hr"),
    function=mbp_razminia,
    sources=(
        "Razminia M, Trivedi A, Molnar J, et al. Validation of a new formula for mean arterial pressure "
        "calculation. Catheter Cardiovasc Interv 2004;63:419-425. doi:10.1002/ccd.20217 (abstract)",
    ),
    harmed_by=("offset", "gain", "line"),
    limits=(
        _TRUE_MEAN,
        *away_from_aorta(
            "mean arterial pressure",
            "may read high",
            "the rule was made in the aorta, where the form factor is larger",
            "Razminia M, et al. Catheter Cardiovasc Interv 2004;63:419-425; form factors: Clin Sci "
            "2002;103:7-13",
        ),
    ),
)

FORM_FACTOR = Index(
    name="form_factor",
    title="Form factor, measured",
    unit="1",
    level="beat",
    family="pressure",
    formula="(mbp - dbp) / pp, from the true mean; published means: radial 0.35 +/- 0.06, femoral "
    "0.34 +/- 0.05, brachial 0.40, aorta 0.45 (0.35 to 0.53)",
    inputs=("mbp", "dbp", "pp"),
    function=form_factor,
    sources=(_CHEMLA, _INTENSIVE_CARE),
    rules=PRESSURE_RULES + CLIPPED + reject("end_unknown") + DYNAMIC_SHAPE,
    harmed_by=("line",),
    limits=(
        *away_from_aorta(
            "form factor of the aorta",
            "reads low",
            "pulse pressure grows on the way to the periphery and the mean does not (0.34 at the forearm "
            "against 0.44 centrally, by tonometry in 376 people)",
            "Factors affecting arterial form factor by radial tonometry and brachial oscillometry "
            "(abstract in a library catalogue, authors not shown there)",
        ),
        *supported("shape of the heart's own pulse"),
    ),
    published_range=Range(
        0.28,
        0.40,
        "radial and femoral, mean and one standard deviation, 632 stable patients in intensive care",
        _INTENSIVE_CARE,
    ),
)

INDICES = (MBP_ONE_THIRD, MBP_FORM_FACTOR, MBP_RAZMINIA, FORM_FACTOR)
