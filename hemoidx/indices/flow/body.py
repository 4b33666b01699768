"""Body size from documented height, weight and sex: surface area and predicted weight."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from ...samples import Float
from ..index import Index
from ..rules import CAUTION, Limit, Rule, When

#: Below this age [years] the formulas made on adults ask for caution: common practice, no source.
ADULT_YEARS = 18.0


def _float(value: ArrayLike) -> Float:
    return np.asarray(value, dtype=np.float64)


def bsa_dubois(height_cm: ArrayLike, weight_kg: ArrayLike) -> Float:
    """
    Body surface area by Du Bois.

    Parameters
    ----------
    height_cm : array_like
        Height [cm].
    weight_kg : array_like
        Weight [kg].

    Returns
    -------
    ndarray
        0.007184 W^0.425 H^0.725 [m2].

    References
    ----------
    .. [1] Du Bois D, Du Bois EF. Arch Intern Med 1916;17:863-871.

    Examples
    --------
    >>> bsa_dubois(170.0, 70.0).round(4).item()
    1.8097
    """
    return 0.007184 * _float(weight_kg) ** 0.425 * _float(height_cm) ** 0.725


def bsa_mosteller(height_cm: ArrayLike, weight_kg: ArrayLike) -> Float:
    """
    Body surface area by Mosteller.

    Parameters
    ----------
    height_cm : array_like
        Height [cm].
    weight_kg : array_like
        Weight [kg].

    Returns
    -------
    ndarray
        sqrt(H W / 3600) [m2].

    References
    ----------
    .. [1] Mosteller RD. N Engl J Med 1987;317:1098. doi:10.1056/NEJM198710223171717.

    Examples
    --------
    >>> bsa_mosteller(160.0, 90.0).item()
    2.0
    """
    return np.sqrt(_float(height_cm) * _float(weight_kg) / 3600.0)


def bsa_haycock(height_cm: ArrayLike, weight_kg: ArrayLike) -> Float:
    """
    Body surface area by Haycock.

    Parameters
    ----------
    height_cm : array_like
        Height [cm].
    weight_kg : array_like
        Weight [kg].

    Returns
    -------
    ndarray
        0.024265 W^0.5378 H^0.3964 [m2].

    References
    ----------
    .. [1] Haycock GB, Schwartz GJ, Wisotsky DH. J Pediatr 1978;93:62-66.

    Examples
    --------
    >>> bsa_haycock(110.0, 18.0).round(4).item()
    0.7401
    """
    return 0.024265 * _float(weight_kg) ** 0.5378 * _float(height_cm) ** 0.3964


def predicted_body_weight(height_cm: ArrayLike, sex: ArrayLike) -> Float:
    """
    Body weight predicted from height and sex.

    Parameters
    ----------
    height_cm : array_like, shape (n,)
        Height [cm].
    sex : array_like of str or None, shape (n,)
        "female" or "male".

    Returns
    -------
    ndarray, shape (n,)
        50 (men) or 45.5 (women) + 0.91 (H - 152.4) [kg]; NaN where sex or height is not known.

    References
    ----------
    .. [1] The Acute Respiratory Distress Syndrome Network. N Engl J Med 2000;342:1301-1308 (recalled).

    Examples
    --------
    >>> predicted_body_weight([175.0], ["male"]).round(2).tolist()
    [70.57]
    """
    who = np.asarray(sex, dtype=object)
    base = np.where(who == "male", 50.0, np.where(who == "female", 45.5, np.nan))
    return base + 0.91 * (_float(height_cm) - 152.4)


_CHILD = (
    Rule(
        CAUTION,
        When(column="context.age_years", below=ADULT_YEARS),
        "the formula was made on adults",
    ),
)
_SIZE = ("context.height_cm", "context.weight_kg")
_MISSING_SIZE = "nobody documented height and weight"
_OBESE = Limit(
    "body surface area in obesity",
    "reads low",
    "it was made on nine people of usual build, and reads 3 to 5 % low in obesity",
    source="clinical reference pages on Du Bois and Du Bois 1916; number of people recalled",
)

BSA_DUBOIS = Index(
    name="bsa_dubois",
    title="Body surface area (Du Bois)",
    unit="m2",
    level="record",
    family="flow",
    formula="0.007184 * weight^0.425 * height^0.725 (kg, cm)",
    inputs=_SIZE,
    function=bsa_dubois,
    sources=("Du Bois D, Du Bois EF. Arch Intern Med 1916;17:863-871",),
    rules=_CHILD,
    limits=(_OBESE,),
    missing=_MISSING_SIZE,
    shared_inputs=("bsa_mosteller", "bsa_haycock"),
)

BSA_MOSTELLER = Index(
    name="bsa_mosteller",
    title="Body surface area (Mosteller)",
    unit="m2",
    level="record",
    family="flow",
    formula="sqrt(height * weight / 3600) (cm, kg)",
    inputs=_SIZE,
    function=bsa_mosteller,
    sources=("Mosteller RD. N Engl J Med 1987;317:1098. doi:10.1056/NEJM198710223171717",),
    missing=_MISSING_SIZE,
    shared_inputs=("bsa_dubois", "bsa_haycock"),
)

BSA_HAYCOCK = Index(
    name="bsa_haycock",
    title="Body surface area (Haycock)",
    unit="m2",
    level="record",
    family="flow",
    formula="0.024265 * weight^0.5378 * height^0.3964 (kg, cm)",
    inputs=_SIZE,
    function=bsa_haycock,
    sources=("Haycock GB, Schwartz GJ, Wisotsky DH. J Pediatr 1978;93:62-66",),
    missing=_MISSING_SIZE,
    shared_inputs=("bsa_dubois", "bsa_mosteller"),
)

PREDICTED_WEIGHT = Index(
    name="predicted_weight",
    title="Predicted body weight",
    unit="kg",
    level="record",
    family="flow",
    formula="50 (men) or 45.5 (women) + 0.91 * (height - 152.4) (kg, cm)",
    inputs=("context.height_cm", "context.sex"),
    function=predicted_body_weight,
    sources=(
        "The Acute Respiratory Distress Syndrome Network. N Engl J Med 2000;342:1301-1308 "
        "(recalled from memory)",
    ),
    rules=(
        *_CHILD,
        Rule(
            CAUTION,
            When(column="context.height_cm", below=152.4),
            "the straight line is carried on below five feet, where it was not made",
        ),
    ),
    missing="nobody documented height and sex",
)

INDICES = (BSA_DUBOIS, BSA_MOSTELLER, BSA_HAYCOCK, PREDICTED_WEIGHT)
