"""
What a rule about a set-up sheet is made of: conditions, effects on the trace, severity, and what it rests on.

Three grounds are kept apart. *Published*: a number or an observation with its source. *Practice*: common
practice; where a text says it, the text is named, but there is no numeric proof. *Convention*: a limit chosen
here, so that a rule can be applied at all. No rule says what to do. The rules themselves: `setup_rules.py`.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import Any, Literal

from hemoidx.errors import InputError


class Effect(StrEnum):
    """How a fault shows on the trace, or what else it does."""

    OVERDAMPS = "overdamps"
    UNDERDAMPS = "underdamps"
    OFFSET = "offset"
    NO_SIGNAL = "no_signal"
    GAIN = "gain"
    CONTAMINATES_SAMPLES = "contaminates_samples"
    HARMS_VESSEL = "harms_vessel"
    UNKNOWN = "unknown"

    @property
    def words(self) -> str:
        """The effect in words."""
        return _EFFECT_WORDS[self]


# Directions of the first two: notes on dynamic response testing (Deranged Physiology) and others agree.
_EFFECT_WORDS = {
    Effect.OVERDAMPS: "slurs the wave (systolic low, diastolic high, mean about unchanged)",
    Effect.UNDERDAMPS: "makes the wave ring (systolic high, diastolic low, mean about unchanged)",
    Effect.OFFSET: "shifts every pressure by the same amount",
    Effect.NO_SIGNAL: "takes the pulse off the trace, at once or in time",
    Effect.GAIN: "scales every pressure, pulse pressure too",
    Effect.CONTAMINATES_SAMPLES: "alters blood samples taken from the line, not the trace",
    Effect.HARMS_VESSEL: "may harm artery or tissue, not the trace",
    Effect.UNKNOWN: "has no known effect on the trace",
}


class Severity(StrEnum):
    """How serious a finding is for the recording."""

    NOTE = "note"
    """Worth knowing: by itself it is not expected to change a number, or sources disagree."""
    MINOR = "minor"
    """May change numbers read from the wave."""
    MAJOR = "major"
    """Makes numbers or blood samples wrong, or takes the signal away."""

    @property
    def rank(self) -> int:
        """0 for a note, 2 for a major one."""
        return list(Severity).index(self)


#: A text that several rules name.
EXAMINATION_NOTES = "anaesthetic primary examination notes, arterial line model answer, 2020"

Ground = Literal["published", "practice", "convention"]


@dataclass(frozen=True)
class Basis:
    """
    What a rule rests on.

    Attributes
    ----------
    ground : str
        "published", "practice" or "convention".
    says : str
        What the source, or the trade, says.
    source : str
        Where; empty for practice that no text was read for, and for a convention.
    disputed : bool
        Whether other sources say otherwise.

    Raises
    ------
    InputError
        If something is called published without a source.
    """

    ground: Ground
    says: str
    source: str = ""
    disputed: bool = False

    def __post_init__(self) -> None:
        if self.ground == "published" and not self.source:
            raise InputError(f"basis {self.says!r}: published needs a source")

    def words(self) -> str:
        """Give it in words, with the ground in front."""
        if self.ground == "convention":
            return f"convention of hemoidx: {self.says}"
        if self.ground == "practice":
            return (
                f"common practice, no numeric proof: {self.says} ({self.source})"
                if self.source
                else f"common practice, no source: {self.says}"
            )
        dispute = "; other sources disagree" if self.disputed else ""
        return f"published: {self.says} ({self.source}){dispute}"


def practice(says: str, source: str = "") -> Basis:
    """Common practice, with the text that says it where one was read."""
    return Basis("practice", says, source)


def convention(says: str) -> Basis:
    """Limit chosen here."""
    return Basis("convention", says)


Operator = Literal["is", "above", "at_least", "below", "at_most", "beyond", "within", "undocumented"]


@dataclass(frozen=True)
class Condition:
    """
    One comparison of a field, or of a property, with a limit; false where nobody documented the field.

    Attributes
    ----------
    name : str
        Field or property of `Setup`; of `Tap` in a rule that looks at each tap.
    operator : str
        "is" (one of), "above", "at_least", "below", "at_most", "beyond" and "within" (size without sign), or
        "undocumented" (true only where nobody documented it).
    limit : object
        What it is compared with; a tuple for "is".
    """

    name: str
    operator: Operator
    limit: Any = None

    def holds(self, part: object) -> bool:
        """Whether it holds for a sheet, or a tap."""
        value = getattr(part, self.name)
        if value is None or self.operator == "undocumented":
            return value is None and self.operator == "undocumented"
        if self.operator == "is":
            return bool(value in self.limit)
        compared: dict[str, bool] = {
            "above": value > self.limit,
            "at_least": value >= self.limit,
            "below": value < self.limit,
            "at_most": value <= self.limit,
            "beyond": abs(value) > self.limit,
            "within": abs(value) <= self.limit,
        }
        return compared[self.operator]


@dataclass(frozen=True)
class Rule:
    """
    One thing that can be wrong with a line.

    Attributes
    ----------
    name : str
        Word for files and tests.
    field : str
        Field of the sheet that the finding comes from; "taps.<field>" looks at each tap.
    when : tuple of Condition
        All must hold.
    effects : tuple of Effect
        How it shows; more than one where it depends, or where several come together.
    severity : Severity
        How serious it is for the recording.
    meaning : str
        What is wrong, in words; ``{name}`` is replaced by that value of the sheet, or of the tap.
    basis : tuple of Basis
        What it rests on.
    """

    name: str
    field: str
    when: tuple[Condition, ...]
    effects: tuple[Effect, ...]
    severity: Severity
    meaning: str
    basis: tuple[Basis, ...]

    @property
    def each_tap(self) -> bool:
        """Whether it looks at each tap."""
        return self.field.startswith("taps.")

    def applies(self, part: object) -> bool:
        """Whether the fault is there, in a sheet or a tap."""
        return all(condition.holds(part) for condition in self.when)
