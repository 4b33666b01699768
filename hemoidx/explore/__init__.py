"""Views to see, drag and understand, in notebooks and as pages; their state is plain, and their code too."""

from importlib import import_module
from typing import Any

_HOME = {
    "View": "view",
    "CohortView": "cohort_view",
    "RecordingView": "recording_view",
    "LineBench": "line_bench",
    "MysteryLine": "mystery",
    "SwingBench": "swing_bench",
}

__all__ = [*_HOME]


def __getattr__(name: str) -> Any:
    if name not in _HOME:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    return getattr(import_module(f"{__name__}.{_HOME[name]}"), name)


def __dir__() -> list[str]:
    return sorted({*globals(), *__all__})
