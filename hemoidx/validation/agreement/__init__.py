"""
Agreement of two ways of measuring: limits, precision, trending, concordance, curves.

Statistics for retrospective research; no number here says what to do with a patient.
"""

from __future__ import annotations

from .concordance import concordance_correlation, intraclass_correlation
from .cuffs import allowed_sd, cuff_criteria
from .cuts import grey_zone, grey_zone_by_likelihood, youden, youden_interval
from .limits import Limits, limits_of_agreement, proportional_bias
from .precision import (
    least_significant_change,
    percentage_error,
    percentage_error_of_test,
    repeatability,
)
from .repeated import repeated_limits
from .resampling import cluster_bootstrap, per_patient
from .roc import compare_roc, roc
from .trending import four_quadrant, polar, wilson

__all__ = [
    "Limits",
    "allowed_sd",
    "cluster_bootstrap",
    "compare_roc",
    "concordance_correlation",
    "cuff_criteria",
    "four_quadrant",
    "grey_zone",
    "grey_zone_by_likelihood",
    "intraclass_correlation",
    "least_significant_change",
    "limits_of_agreement",
    "per_patient",
    "percentage_error",
    "percentage_error_of_test",
    "polar",
    "proportional_bias",
    "repeatability",
    "repeated_limits",
    "roc",
    "wilson",
    "youden",
    "youden_interval",
]
