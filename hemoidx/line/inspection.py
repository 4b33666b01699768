"""
Reading a set-up sheet: what was wrong with the line, how it shows on the trace, and what says so.

Findings describe a recording for research and teaching. They are no advice: local policy and licensed
practice decide at the bedside.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import Any

from .ruling import Basis, Effect, Rule, Severity
from .setup import CAUTION, Setup
from .setup_rules import RULES


@dataclass(frozen=True)
class Finding:
    """
    One thing that was wrong with the line.

    Attributes
    ----------
    rule : str
        Name of the rule.
    field : str
        Field of the sheet it comes from; a tap by its number, as in ``taps[1].tight``.
    effects : tuple of Effect
        How it shows on the trace, or what else it does.
    severity : Severity
        How serious it is for the recording.
    meaning : str
        What was wrong, in words, with the values of the sheet.
    basis : tuple of Basis
        The published value, or that it is common practice without a source, or a convention.
    """

    rule: str
    field: str
    effects: tuple[Effect, ...]
    severity: Severity
    meaning: str
    basis: tuple[Basis, ...]

    def words(self) -> str:
        """Give it as one line of text."""
        shows = "; or ".join(effect.words for effect in self.effects)
        says = "; ".join(basis.words() for basis in self.basis)
        return f"{self.severity}: {self.field}: {self.meaning}. It {shows}. {says[:1].upper()}{says[1:]}."

    def to_json(self) -> dict[str, Any]:
        """Give it as a mapping of plain values."""
        return {
            "rule": self.rule,
            "field": self.field,
            "effects": [str(effect) for effect in self.effects],
            "severity": str(self.severity),
            "meaning": self.meaning,
            "basis": [basis.words() for basis in self.basis],
        }


class _Values(dict[str, Any]):
    """Values of a sheet or tap by name, for filling in a sentence."""

    def __init__(self, part: object) -> None:
        super().__init__()
        self._part = part

    def __missing__(self, name: str) -> Any:
        value = getattr(self._part, name)
        return value.replace("_", " ") if isinstance(value, str) else value


def inspect(setup: Setup, rules: Iterable[Rule] = RULES) -> list[Finding]:
    """
    Find what was wrong with a line, by its sheet.

    What nobody documented makes no finding; `Setup.undocumented` lists it. Collateral flow is recorded on the
    sheet and not graded. Findings describe a recording for research and teaching; local policy and licensed
    practice decide at the bedside.

    Parameters
    ----------
    setup : Setup
        The sheet.
    rules : iterable of Rule
        Rules to apply.

    Returns
    -------
    list of Finding
        The serious ones first, then in the order of the rules.

    Examples
    --------
    >>> [found.rule for found in inspect(Setup(tubing_length_cm=200, zeroed=False))]
    ['not_zeroed', 'tubing_long']
    """
    found = [finding for rule in rules for finding in _findings(setup, rule)]
    return sorted(found, key=lambda finding: -finding.severity.rank)


def _findings(setup: Setup, rule: Rule) -> Iterator[Finding]:
    if rule.each_tap:
        inside = rule.field.removeprefix("taps.")
        parts: list[tuple[str, object]] = [
            (f"taps[{i}].{inside}", tap) for i, tap in enumerate(setup.taps or (), start=1)
        ]
    else:
        parts = [(rule.field, setup)]
    for field, part in parts:
        if rule.applies(part):
            meaning = rule.meaning.format_map(_Values(part))
            yield Finding(rule.name, field, rule.effects, rule.severity, meaning, rule.basis)


def words(findings: Iterable[Finding], undocumented: Iterable[str] = ()) -> str:
    """
    Give findings as text, with what nobody documented in one line, and the caution.

    Parameters
    ----------
    findings : iterable of Finding
        From `inspect`.
    undocumented : iterable of str
        From `Setup.undocumented`.

    Returns
    -------
    str
        One line for each finding, serious ones as they come.
    """
    lines = [finding.words() for finding in findings]
    missing = ", ".join(undocumented)
    return "\n".join(
        [
            *(lines or ["Nothing wrong was documented."]),
            *([f"Not documented: {missing}."] if missing else []),
            CAUTION,
        ]
    )
