"""Open databases: what is known of them, where they lie on this machine, and how they get there."""

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from .fetching import fetch
    from .manifest import Database, Databases, databases
    from .root import data_root

_HOME = {
    "Database": "manifest",
    "Databases": "manifest",
    "databases": "manifest",
    "data_root": "root",
    "fetch": "fetching",
}

__all__ = ["Database", "Databases", "data_root", "databases", "fetch"]


def __getattr__(name: str) -> Any:
    if name not in _HOME:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    return getattr(import_module(f"{__name__}.{_HOME[name]}"), name)


def __dir__() -> list[str]:
    return sorted({*globals(), *__all__})
