"""Precision: percentage error, what it owes to the reference, repeatability, least significant change."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from hemoidx.errors import InputError

from .repeated import within


def percentage_error(spread: float, mean: float, multiplier: float = 1.96) -> float:
    """
    Half width of the limits of agreement as a share of the mean.

    Parameters
    ----------
    spread : float
        Standard deviation of the differences, such as `Limits.sd` [any unit].
    mean : float
        Mean of the reference, or of both methods: papers differ, say which [same unit].
    multiplier : float
        1.96, or 2 in older papers.

    Returns
    -------
    float
        Percentage error [%].

    Raises
    ------
    InputError
        If the mean is not positive.

    References
    ----------
    .. [1] Peyton PJ, Chong SW. Anesthesiology 2010;113:1220-1235 (limits over mean cardiac output).
    .. [2] Critchley LA, Critchley JA. J Clin Monit Comput 1999;15:85-91 (as quoted there).

    Examples
    --------
    >>> round(percentage_error(0.8, 5.0), 2)
    31.36
    """
    if not mean > 0:
        raise InputError(f"percentage error: the mean must be positive, got {mean:g}")
    return 100.0 * multiplier * spread / mean


def percentage_error_of_test(comparison: float, reference: float) -> float:
    """
    Percentage error that is the test's own, once that of the reference is taken out.

    Parameters
    ----------
    comparison : float
        Percentage error of the comparison [%].
    reference : float
        That of the reference [%].

    Returns
    -------
    float
        That of the test [%].

    Raises
    ------
    InputError
        If the reference alone is less precise than the comparison.

    Notes
    -----
    comparison**2 = reference**2 + test**2, for independent errors.

    References
    ----------
    .. [1] Cecconi M, Rhodes A, Poloniecki J, Della Rocca G, Grounds RM. Crit Care 2009;13:201.

    Examples
    --------
    >>> round(percentage_error_of_test(30.0, 20.0), 1)
    22.4
    """
    if not 0 <= reference <= comparison:
        raise InputError(
            f"percentage error: the reference ({reference:g} %) cannot be less precise than the comparison "
            f"({comparison:g} %)"
        )
    return float(np.sqrt(comparison**2 - reference**2))


def least_significant_change(coefficient_of_variation: float, averaged: int = 1) -> float:
    """
    Smallest change between two readings that is unlikely to be chance.

    Parameters
    ----------
    coefficient_of_variation : float
        Of single readings [%] (or a standard deviation, in any unit).
    averaged : int
        Readings that each of the two values is the mean of.

    Returns
    -------
    float
        1.96 sqrt(2) CV / sqrt(averaged) [% or that unit].

    Raises
    ------
    InputError
        If either cannot be.

    References
    ----------
    .. [1] Cecconi M, Dawson D, Grounds RM, Rhodes A. Intensive Care Med 2009;35:498-504.

    Examples
    --------
    >>> round(least_significant_change(8.66), 1), round(least_significant_change(8.66, averaged=3), 1)
    (24.0, 13.9)
    """
    if not (coefficient_of_variation >= 0 and averaged >= 1):
        raise InputError(
            f"least significant change: need a spread from 0 on and at least one reading, got "
            f"{coefficient_of_variation:g} and {averaged}"
        )
    return 1.96 * float(np.sqrt(2.0 / averaged)) * coefficient_of_variation


def repeatability(values: ArrayLike, subject: ArrayLike, multiplier: float = 1.96) -> tuple[float, float]:
    """
    Scatter of repeated readings of one method.

    Parameters
    ----------
    values, subject : array_like, shape (n,)
        Readings, and whose they are; the quantity must not have changed between them.
    multiplier : float
        1.96, or 2 as in the paper of 1986.

    Returns
    -------
    sd : float
        Standard deviation within subjects.
    coefficient : float
        Repeatability coefficient: differences of two readings stay below it in 95 %.

    Raises
    ------
    InputError
        If no subject has two readings.

    References
    ----------
    .. [1] Bland JM, Altman DG. Lancet 1986;327:307-310.
    """
    x = np.asarray(values, dtype=np.float64)
    known = np.isfinite(x)
    names, number = np.unique(np.asarray(subject)[known], return_inverse=True)
    _, _, variance, _ = within(x[known], number.astype(np.intp), int(names.size))
    return float(np.sqrt(variance)), multiplier * float(np.sqrt(2.0 * variance))
