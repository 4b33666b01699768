"""Criteria of ISO 81060-2 for cuff devices; they judge no invasive pressure."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from hemoidx.errors import InputError

from .repeated import within

#: Largest standard deviation of subject means [mmHg] by size of the mean error, 0.0 to 5.0 mmHg in steps of
#: 0.1: Table 1 of ISO 81060-2, as quoted in a public evaluation program. The printed table departs by up to
#: 0.024 mmHg from the rule behind it (85 % of errors within 10 mmHg); the table counts.
TABLE_1 = (
    6.95, 6.95, 6.95, 6.95, 6.93, 6.92, 6.91, 6.90, 6.89, 6.88,
    6.87, 6.86, 6.84, 6.82, 6.80, 6.78, 6.76, 6.73, 6.71, 6.68,
    6.65, 6.62, 6.58, 6.55, 6.51, 6.47, 6.43, 6.39, 6.34, 6.30,
    6.25, 6.20, 6.14, 6.09, 6.03, 5.97, 5.89, 5.83, 5.77, 5.70,
    5.64, 5.56, 5.49, 5.41, 5.33, 5.25, 5.16, 5.08, 5.01, 4.90,
    4.79,
)  # fmt: skip
MOST_ERROR, MOST_SD = 5.0, 8.0
NEEDED_SUBJECTS, NEEDED_PAIRS = 85, 255


@dataclass(frozen=True)
class CuffCriteria:
    """
    What ISO 81060-2 asks, and what was found.

    Attributes
    ----------
    mean_error, sd : float
        Over all pairs [mmHg].
    sd_of_subjects : float
        Standard deviation of the subjects' mean errors [mmHg].
    allowed_sd : float
        Most that criterion 2 allows at this mean error [mmHg]; NaN beyond 5 mmHg.
    criterion_1, criterion_2 : bool
        Whether each is met.
    pairs, subjects : int
        What it rests on.
    enough : bool
        Whether there are the 85 subjects and 255 pairs that the standard asks for.
    """

    mean_error: float
    sd: float
    sd_of_subjects: float
    allowed_sd: float
    criterion_1: bool
    criterion_2: bool
    pairs: int
    subjects: int
    enough: bool


def allowed_sd(mean_error: float) -> float:
    """
    Most that criterion 2 allows at a mean error.

    Parameters
    ----------
    mean_error : float
        Mean error [mmHg].

    Returns
    -------
    float
        Standard deviation of the subject means [mmHg], read from the table at the error rounded to a tenth;
        NaN beyond 5 mmHg.

    References
    ----------
    .. [1] ISO 81060-2:2018, Table 1 (as quoted in a public evaluation program).

    Examples
    --------
    >>> allowed_sd(0.0), allowed_sd(-2.5), allowed_sd(5.0)
    (6.95, 6.47, 4.79)
    """
    at = round(abs(mean_error) * 10)
    return TABLE_1[at] if at < len(TABLE_1) else float("nan")


def cuff_criteria(test: ArrayLike, reference: ArrayLike, subject: ArrayLike) -> CuffCriteria:
    """
    Hold a cuff device against ISO 81060-2.

    Parameters
    ----------
    test, reference : array_like, shape (n,)
        Pairs of readings [mmHg].
    subject : array_like, shape (n,)
        Whose they are.

    Returns
    -------
    CuffCriteria
        Both criteria. The standard is written for cuffs read at intervals: no verdict on an invasive pressure
        or a continuous one follows from it.

    Raises
    ------
    InputError
        If rows differ in length or there are fewer than three subjects.

    References
    ----------
    .. [1] ISO 81060-2:2018, criteria 1 and 2 (as quoted in review tables).
    """
    a, b, who = (np.asarray(x) for x in (test, reference, subject))
    if not a.shape == b.shape == who.shape or a.ndim != 1:
        raise InputError("cuff criteria: need three rows of equal length")
    error = a.astype(np.float64) - b.astype(np.float64)
    known = np.isfinite(error)
    names, number = np.unique(who[known], return_inverse=True)
    if names.size < 3:
        raise InputError(f"cuff criteria: need at least three subjects, got {names.size}")
    error = error[known]
    mean, sd = float(error.mean()), float(error.std(ddof=1))
    means = within(error, number.astype(np.intp), int(names.size))[0] if error.size > names.size else error
    of_subjects = float(means.std(ddof=1))
    most = allowed_sd(mean)
    return CuffCriteria(
        mean, sd, of_subjects, most, bool(abs(mean) <= MOST_ERROR and sd <= MOST_SD),
        bool(of_subjects <= most), int(error.size), int(names.size),
        bool(names.size >= NEEDED_SUBJECTS and error.size >= NEEDED_PAIRS),
    )  # fmt: skip
