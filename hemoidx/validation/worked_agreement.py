"""Agreement statistics on the published data sets, as the reference values ask for them."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from .agreement import (
    compare_roc,
    concordance_correlation,
    cuff_criteria,
    grey_zone,
    intraclass_correlation,
    limits_of_agreement,
    percentage_error,
    proportional_bias,
    repeatability,
    repeated_limits,
    roc,
    youden,
)
from .agreement.concordance import ConcordanceCorrelation, IntraclassCorrelation
from .agreement.cuffs import CuffCriteria
from .agreement.cuts import Cut, GreyZone
from .agreement.limits import Limits, Trend
from .agreement.roc import Roc, RocDifference
from .datasets import dataset

Float = NDArray[np.float64]


def single(data: str, test: str, reference: str, without: Sequence[int] = (), **options: Any) -> Limits:
    """Limits of agreement of two columns, without some subjects."""
    table = dataset(data)
    table = table[~table["subject"].isin(list(without))]
    return limits_of_agreement(table[test], table[reference], **options)


def trend(data: str, test: str, reference: str) -> Trend:
    """How the differences of two columns depend on the level."""
    table = dataset(data)
    return proportional_bias(table[test], table[reference])


def _long(data: str, test: str, reference: str) -> tuple[Float, Float, Float]:
    """Readings with their subject: of columns, or of all columns that begin so and end in a number."""
    table = dataset(data)
    there = [str(column) for column in table]
    columns = [[c for c in there if name in (c, c.rstrip("0123456789"))] for name in (test, reference)]
    times = len(columns[0])
    a, b = (table[names].to_numpy(dtype=np.float64).ravel() for names in columns)
    return a, b, np.repeat(table["subject"].to_numpy(dtype=np.float64), times)


def repeated(data: str, test: str, reference: str, **options: Any) -> Limits:
    """Limits of agreement with several readings of each subject."""
    return repeated_limits(*_long(data, test, reference), **options)


def pooled(data: str, test: str, reference: str) -> Limits:
    """Limits of agreement that take all pairs for those of different subjects, which they are not."""
    a, b, _ = _long(data, test, reference)
    return limits_of_agreement(a, b)


def scatter(data: str, name: str, multiplier: float = 1.96) -> tuple[float, float]:
    """Standard deviation within subjects, and repeatability."""
    values, _, subject = _long(data, name, name)
    return repeatability(values, subject, multiplier)


def error_percent(data: str, test: str, reference: str, over: str) -> float:
    """Percentage error with a varying truth, over the mean of the reference or of both."""
    a, b, subject = _long(data, test, reference)
    mean = float(b.mean()) if over == "reference" else float(0.5 * (a.mean() + b.mean()))
    return percentage_error(repeated_limits(a, b, subject).sd, mean)


def concordance(data: str, test: str, reference: str) -> ConcordanceCorrelation:
    """Concordance correlation of two columns."""
    table = dataset(data)
    return concordance_correlation(table[test], table[reference])


def raters(data: str, model: str, averaged: bool = False) -> IntraclassCorrelation:
    """Intraclass correlation of all columns."""
    return intraclass_correlation(dataset(data).to_numpy(dtype=np.float64), model, averaged)


def curve(data: str, marker: str, group: str) -> Roc:
    """Area under the curve of a marker."""
    table = dataset(data)
    return roc(table[marker], table[group])


def curves(data: str, first: str, second: str, group: str, paired: bool = True) -> RocDifference:
    """Difference of two areas."""
    return compare_roc(curve(data, first, group), curve(data, second, group), paired)


def best_cut(data: str, marker: str, group: str) -> Cut:
    """Cut-off after Youden."""
    return youden(curve(data, marker, group))


def zone(data: str, marker: str, group: str) -> GreyZone:
    """Grey zone by sensitivity and specificity of 90 %."""
    table = dataset(data)
    return grey_zone(table[marker], table[group])


def cuff(data: str, test: str, reference: str) -> CuffCriteria:
    """Criteria for cuffs."""
    return cuff_criteria(*_long(data, test, reference))
