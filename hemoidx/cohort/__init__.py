"""Many recordings: found, analysed side by side, kept as data sets, and opened again."""

from .opened import Cohort
from .run import run_cohort

__all__ = ["Cohort", "run_cohort"]
