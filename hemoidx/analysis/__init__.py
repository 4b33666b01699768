"""Analysis: the one path from a recording to its tables, and what it returns."""

from .result import Analysis
from .run import ALGORITHM, analyse

__all__ = ["ALGORITHM", "Analysis", "analyse"]
