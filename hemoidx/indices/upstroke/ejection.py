"""Ejection time beside what was published for the rate, and its share of the beat."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from ...errors import InputError
from ...samples import Float
from ..index import Index, Range
from ..limits import NOTCH_AT_FLOOR, SUPPORTED, aortic_only, supported
from ..rules import CAUTION, DYNAMIC_SHAPE, SHAPE_RULES, Limit, Rule, When, reject

_WEISSLER = (
    "Weissler AM, Harris WS, Schoenfeld CD. Systolic time intervals in heart failure in man. Circulation "
    "1968;37:149-159. doi:10.1161/01.CIR.37.2.149 (regression lines as programs that cite it print them)"
)
_LANCE = (
    "Lance, et al. Ejection time and heart rate at seated rest and during cycling (title paraphrased; "
    "abstract)"
)
_LEWIS = (
    "Lewis RP, Rittgers SE, Forester WF, Boudoulas H. A critical review of the systolic time intervals. "
    "Circulation 1977;56:146-158. doi:10.1161/01.CIR.56.2.146"
)
_COPENHAGEN = (
    "Age- and sex-based normal reference ranges of the cardiac time intervals: the Copenhagen City Heart "
    "Study. Clin Res Cardiol (abstract)"
)


#: More than this share of a beat is no plausible ejection (our convention; the lines give 0.46 at 140/min).
LONGEST_SHARE = 0.55


class Regression(NamedTuple):
    """A published line: interval [s] = `intercept` [s] - `slope` [s per 1/min] x rate; `sd` [s] about it."""

    intercept: float
    slope: float
    sd: float
    population: str
    source: str

    def at(self, hr: ArrayLike) -> Float:
        """Interval at a heart rate [1/min], in s."""
        return self.intercept - self.slope * np.asarray(hr, dtype=np.float64)


_SUPINE = "supine rest, adults of 19 to 65 years"
#: Published regressions of systolic time intervals on heart rate; the first two are used by the catalogue.
REGRESSIONS: dict[str, Regression] = {
    "lvet_men": Regression(0.413, 0.0017, 0.010, f"men, {_SUPINE}", _WEISSLER),
    "lvet_women": Regression(0.418, 0.0016, 0.010, f"women, {_SUPINE}", _WEISSLER),
    "lvet_men_seated": Regression(0.379, 0.0018, 0.0110, "18 men of 22 to 37 years, seated rest", _LANCE),
    "lvet_men_cycling": Regression(0.371, 0.0012, 0.0139, "the same men cycling upright", _LANCE),
    "pep_men": Regression(0.131, 0.0004, 0.014, f"men, {_SUPINE}", _WEISSLER),
    "pep_women": Regression(0.133, 0.0004, 0.014, f"women, {_SUPINE}; from memory", _WEISSLER),
    "qs2_men": Regression(0.546, 0.0021, 0.014, f"men, {_SUPINE}; from memory", _WEISSLER),
    "qs2_women": Regression(0.549, 0.0020, 0.014, f"women, {_SUPINE}; from memory", _WEISSLER),
}


def published_interval(name: str, hr: ArrayLike) -> Float:
    """
    Systolic time interval that a published regression gives for a heart rate.

    Parameters
    ----------
    name : str
        One of `REGRESSIONS`.
    hr : array_like
        Heart rate [1/min].

    Returns
    -------
    ndarray
        Interval [s].

    Raises
    ------
    InputError
        If no regression is called so.

    References
    ----------
    .. [1] Each regression names its own, see `REGRESSIONS`.

    Examples
    --------
    >>> round(float(published_interval("lvet_men", 60.0)), 3)
    0.311
    """
    if name not in REGRESSIONS:
        raise InputError(f"no regression is called {name!r}; known are {', '.join(REGRESSIONS)}")
    return REGRESSIONS[name].at(hr)


def _of_sex(sex: ArrayLike, field: str) -> Float:
    """Coefficient of the regression for the documented sex, NaN where nobody documented it."""
    words = np.asarray(sex, dtype=object)
    out = np.full(words.shape, np.nan)
    for word, name in (("male", "lvet_men"), ("female", "lvet_women")):
        out[words == word] = getattr(REGRESSIONS[name], field)
    return out


def ejection_time_predicted(hr: ArrayLike, sex: ArrayLike) -> Float:
    """
    Ejection time that goes with the heart rate in healthy people at rest.

    Parameters
    ----------
    hr : array_like, shape (n_beats,)
        Heart rate [1/min].
    sex : array_like of str, shape (n_beats,)
        "male" or "female"; None where nobody documented it.

    Returns
    -------
    ndarray, shape (n_beats,)
        0.413 - 0.0017 hr for men, 0.418 - 0.0016 hr for women [s]; NaN where the sex is not known.

    References
    ----------
    .. [1] Weissler AM, Harris WS, Schoenfeld CD. Circulation 1968;37:149-159.

    Examples
    --------
    >>> ejection_time_predicted([70.0, 70.0, 70.0], ["male", "female", None]).round(4)
    array([0.294, 0.306,   nan])
    """
    return _of_sex(sex, "intercept") - _of_sex(sex, "slope") * np.asarray(hr, dtype=np.float64)


def ejection_time_deviation(ejection_time: ArrayLike, ejection_time_predicted: ArrayLike) -> Float:
    """
    Ejection time less the one that goes with the heart rate.

    Parameters
    ----------
    ejection_time, ejection_time_predicted : array_like, shape (n_beats,)
        Measured, and from the regression [s].

    Returns
    -------
    ndarray, shape (n_beats,)
        Difference [s], negative where ejection is short.

    References
    ----------
    .. [1] Weissler AM, Harris WS, Schoenfeld CD. Circulation 1968;37:149-159.

    Examples
    --------
    >>> ejection_time_deviation([0.25], [0.30]).round(3)
    array([-0.05])
    """
    return np.asarray(ejection_time, dtype=np.float64) - np.asarray(ejection_time_predicted, dtype=np.float64)


def ejection_time_index(ejection_time: ArrayLike, hr: ArrayLike, sex: ArrayLike) -> Float:
    """
    Ejection time carried to a heart rate of zero.

    Parameters
    ----------
    ejection_time : array_like, shape (n_beats,)
        Measured ejection time [s].
    hr : array_like, shape (n_beats,)
        Heart rate [1/min].
    sex : array_like of str, shape (n_beats,)
        "male" or "female"; None where nobody documented it.

    Returns
    -------
    ndarray, shape (n_beats,)
        Ejection time + 0.0017 hr for men, + 0.0016 hr for women [s]; NaN where the sex is not known.

    References
    ----------
    .. [1] Weissler AM, Harris WS, Schoenfeld CD. Circulation 1968;37:149-159.

    Examples
    --------
    >>> ejection_time_index([0.294], [70.0], ["male"]).round(4)
    array([0.413])
    """
    rate = np.asarray(hr, dtype=np.float64)
    return np.asarray(ejection_time, dtype=np.float64) + _of_sex(sex, "slope") * rate


def systolic_fraction(ejection_time: ArrayLike, duration: ArrayLike) -> Float:
    """
    Share of the beat that ejection takes. Not the ejection fraction, which is one of volume.

    Parameters
    ----------
    ejection_time, duration : array_like, shape (n_beats,)
        Foot to notch, and foot to next foot [s].

    Returns
    -------
    ndarray, shape (n_beats,)
        Ejection time / duration, 0 to 1.

    References
    ----------
    .. [1] Common practice, no source: used in pressure-time products.

    Examples
    --------
    >>> systolic_fraction([0.3], [0.75])
    array([0.4])
    """
    return np.asarray(np.asarray(ejection_time, dtype=np.float64) / np.asarray(duration, dtype=np.float64))


_SEX = "nobody documented the sex, and the published lines differ for men and women"
_POSTURE = (
    Limit(
        "ejection time expected here",
        "may read high",
        "the line is that of lying at rest: seated at rest its intercept was more than 30 ms lower",
        source=_LANCE,
    ),
    *(
        Limit(
            "ejection time expected here",
            "either way",
            "the line was made in people of 19 to 65 years",
            when,
            _WEISSLER,
        )
        for when in (
            When(column="context.age_years", below=19.0),
            When(column="context.age_years", above=65.0),
        )
    ),
)
_AORTIC = aortic_only(
    "the published line stands for the root of the aorta, and at a peripheral site the notch is late and "
    "rounded"
)
_IRREGULAR = Rule(
    CAUTION,
    When(facts=("irregular_rhythm", "ectopic")),
    "the published line was made in regular rhythm; after a long pause ejection is longer (common "
    "practice, no source)",
)
_FUNCTION = (
    Limit(
        "contractility",
        "either way",
        "failing shortens ejection, and so does little filling; a narrowed valve or a large stroke volume "
        "prolongs it",
        source=_LEWIS,
    ),
    *supported("contractility"),
)

EJECTION_TIME_PREDICTED = Index(
    name="ejection_time_predicted",
    title="Ejection time expected for rate and sex",
    unit="s",
    level="beat",
    family="upstroke",
    formula="men 0.413 - 0.0017 hr, women 0.418 - 0.0016 hr",
    inputs=("hr", "context.sex"),
    function=ejection_time_predicted,
    sources=(_WEISSLER,),
    limits=_POSTURE,
    column="ejection_time_predicted_s",
    missing=_SEX,
)

EJECTION_TIME_DEVIATION = Index(
    name="ejection_time_deviation",
    title="Ejection time less the one expected for rate and sex",
    unit="s",
    level="beat",
    family="upstroke",
    formula="ejection_time - ejection_time_predicted",
    inputs=("ejection_time", "ejection_time_predicted"),
    function=ejection_time_deviation,
    sources=(_WEISSLER,),
    rules=(
        *SHAPE_RULES,
        *reject("no_notch", "end_unknown"),
        *DYNAMIC_SHAPE,
        *SUPPORTED,
        *NOTCH_AT_FLOOR,
        _IRREGULAR,
        *_AORTIC,
    ),
    harmed_by=("line",),
    limits=(*_FUNCTION, *_POSTURE),
    column="ejection_time_deviation_s",
    missing=_SEX,
    shared_inputs=("ejection_time_index",),
)

EJECTION_TIME_INDEX = Index(
    name="ejection_time_index",
    title="Ejection time index (carried to a rate of zero)",
    unit="s",
    level="beat",
    family="upstroke",
    formula="ejection_time + 0.0017 hr for men, + 0.0016 hr for women",
    inputs=("ejection_time", "hr", "context.sex"),
    function=ejection_time_index,
    sources=(_WEISSLER,),
    rules=(
        *SHAPE_RULES,
        *reject("no_notch", "end_unknown"),
        *DYNAMIC_SHAPE,
        *SUPPORTED,
        *NOTCH_AT_FLOOR,
        _IRREGULAR,
        *_AORTIC,
    ),
    harmed_by=("line",),
    limits=(
        *_FUNCTION,
        Limit(
            "ejection time index in exercise",
            "reads high",
            "with effort ejection time falls less with the rate (1.2 ms a beat per minute against 1.8 at "
            "rest)",
            source=_LANCE,
        ),
    ),
    column="ejection_time_index_s",
    missing=_SEX,
    shared_inputs=("ejection_time_deviation",),
    published_range=Range(
        0.403, 0.423, "men at supine rest, intercept and one standard deviation", _WEISSLER
    ),
)

SYSTOLIC_FRACTION = Index(
    name="systolic_fraction",
    title="Share of the beat that ejection takes",
    unit="1",
    level="beat",
    family="upstroke",
    formula="ejection_time / duration",
    inputs=("ejection_time", "duration"),
    function=systolic_fraction,
    sources=("common practice, no source: used in pressure-time products",),
    rules=(
        *SHAPE_RULES,
        *reject("no_notch", "end_unknown"),
        *DYNAMIC_SHAPE,
        *SUPPORTED,
        Rule(
            CAUTION,
            When(column="systolic_fraction", above=LONGEST_SHARE),
            "ejection would take more than 55 % of the beat: the mark may be the trough before a reflected "
            "wave, not the closing valve",
        ),
    ),
    harmed_by=("line",),
    limits=(
        Limit(
            "ejection fraction",
            "says nothing",
            "it is a share of time and not of volume",
            source="common practice, no source",
        ),
    ),
    shared_inputs=("diastolic_fraction",),
)

INDICES = (
    EJECTION_TIME_PREDICTED,
    EJECTION_TIME_DEVIATION,
    EJECTION_TIME_INDEX,
    SYSTOLIC_FRACTION,
)
