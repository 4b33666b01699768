"""
hemoidx: from an arterial line to numbers that can be believed.

For retrospective research and teaching, not for patient care; local codes and licensed practice come first.
"""

from importlib import import_module
from typing import Any

__version__ = "0.1.0"

# Resolved on first use: importing hemoidx loads numpy and nothing else that is not Python's own.
_HOME = {
    "load": "recordings",
    "crop": "recordings",
    "databases": "opendata",
    "fetch": "opendata",
    "analyse": "analysis",
    "Analysis": "analysis",
    "run_cohort": "cohort",
    "Cohort": "cohort",
    "read_table": "tables",
    "has_fact": "tables",
    "Context": "context",
    "Edits": "context",
    "Index": "indices.index",
    "Catalogue": "indices.catalogue",
    "Mark": "indices.index",
    "Rule": "indices.rules",
    "Limit": "indices.rules",
    "When": "indices.rules",
    "default_catalogue": "indices",
    "exposure_index": "indices.exposure.entries",
    "compute": "indices.compute",
    "Fact": "facts",
    "HemoidxError": "errors",
    "InputError": "errors",
    "UnitError": "errors",
    "DataUnavailableError": "errors",
}
_ROOMS = ("line", "simulate", "explore")

__all__ = ["__version__", *_HOME, *_ROOMS]


def __getattr__(name: str) -> Any:
    if name in _HOME:
        value = getattr(import_module(f"{__name__}.{_HOME[name]}"), name)
    elif name in _ROOMS:
        value = import_module(f"{__name__}.{name}")
    else:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    globals()[name] = value
    return value


def __dir__() -> list[str]:
    return sorted({*globals(), *__all__})
