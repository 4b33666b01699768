"""
The measuring chain: what stands between the artery and the number.

So far the dynamic response of the line, measured from its flushes; `hemoidx.analyse` does not use it yet.
"""

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from .dynamics import Dynamics, FlushReading, pool
    from .measure import measure_flushes

_WHERE = {
    "Dynamics": "dynamics",
    "FlushReading": "dynamics",
    "measure_flushes": "measure",
    "pool": "dynamics",
}

__all__ = ["Dynamics", "FlushReading", "measure_flushes", "pool"]


def __getattr__(name: str) -> Any:
    from importlib import import_module

    if name not in _WHERE:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    return getattr(import_module(f"{__name__}.{_WHERE[name]}"), name)
