"""
The measuring chain: what stands between the artery and the number.

From the fluid bag to the recorder: the set-up sheet and what it shows, zero, level and calibration, the
dynamic response from fast flushes, what it does to a patient's own pulses, and how to take it out again.
`hemoidx.analyse` asks `examine` and turns the answers into facts, columns and words.

For retrospective research and teaching, not for patient care; local codes and licensed practice come first.
"""

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from .adequacy import Adequacy, assess, expected_error
    from .applying import apply, correct_level, correct_zero, zeros_of
    from .calibration import Calibration, calibrate
    from .chain import Chain, examine
    from .correction import correct
    from .dynamics import Dynamics, FlushReading, pool
    from .hints import hint
    from .inspection import Finding, inspect
    from .level import Level, column_pressure
    from .measure import measure_flushes
    from .physical_setup import from_setup, what_if
    from .physics import PhysicalLine, lumped
    from .setup import Setup, Tap, blank_sheet
    from .static import StaticUncertainty
    from .thumb import rules_of_thumb
    from .typical import TypicalBeat, typical_beat
    from .zero import ZeroReadings, zero_readings

_WHERE = {
    "adequacy": ("Adequacy", "assess", "expected_error"),
    "applying": ("apply", "correct_level", "correct_zero", "zeros_of"),
    "calibration": ("Calibration", "calibrate"),
    "chain": ("Chain", "examine"),
    "correction": ("correct",),
    "dynamics": ("Dynamics", "FlushReading", "pool"),
    "hints": ("hint",),
    "inspection": ("Finding", "inspect"),
    "level": ("Level", "column_pressure"),
    "measure": ("measure_flushes",),
    "physical_setup": ("from_setup", "what_if"),
    "physics": ("PhysicalLine", "lumped"),
    "setup": ("Setup", "Tap", "blank_sheet"),
    "static": ("StaticUncertainty",),
    "thumb": ("rules_of_thumb",),
    "typical": ("TypicalBeat", "typical_beat"),
    "zero": ("ZeroReadings", "zero_readings"),
}
_HOME = {name: module for module, names in _WHERE.items() for name in names}

__all__ = [
    "Adequacy",
    "Calibration",
    "Chain",
    "Dynamics",
    "Finding",
    "FlushReading",
    "Level",
    "PhysicalLine",
    "Setup",
    "StaticUncertainty",
    "Tap",
    "TypicalBeat",
    "ZeroReadings",
    "apply",
    "assess",
    "blank_sheet",
    "calibrate",
    "column_pressure",
    "correct",
    "correct_level",
    "correct_zero",
    "examine",
    "expected_error",
    "from_setup",
    "hint",
    "inspect",
    "lumped",
    "measure_flushes",
    "pool",
    "rules_of_thumb",
    "typical_beat",
    "what_if",
    "zero_readings",
    "zeros_of",
]


def __getattr__(name: str) -> Any:
    from importlib import import_module

    if name not in _HOME:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    return getattr(import_module(f"{__name__}.{_HOME[name]}"), name)
