"""
Published rules of thumb about natural frequency and damping, and where they disagree.

None of them knows the patient's pulse; `hemoidx.line.adequacy` does. They stand beside it because people
quote them.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

#: What a rule can say of a line.
MET, NOT_MET, OPEN = "met", "not met", "says nothing"

_HANDBOOK = (
    "Mark JB. Atlas of Cardiovascular Monitoring. Churchill Livingstone 1998, Figs 9-6 to 9-14, "
    "as captioned in Miller's Anesthesia"
)


@dataclass(frozen=True, slots=True)
class Line:
    """What a rule may look at: natural frequency [Hz], damping ratio, heart rate [1/min]."""

    natural_frequency_hz: float
    damping_ratio: float
    heart_rate: float


@dataclass(frozen=True, slots=True)
class Rule:
    """
    One published rule.

    Attributes
    ----------
    name, words : str
        Its name, and what it asks for.
    says : callable
        Gives `MET`, `NOT_MET` or `OPEN` for a line.
    source : str
        Where it was read.
    remembered : bool
        Quoted from memory; not to be relied on before it was looked up.
    disputed : bool
        Other sources contradict it.
    """

    name: str
    words: str
    says: Callable[[Line], str]
    source: str
    remembered: bool = False
    disputed: bool = False


def lowest_frequency(line: Line) -> str:
    """Below 7 Hz no damping makes a line usable; a text of the same family says 7.5 Hz: between is open."""
    if line.natural_frequency_hz < 7.0:
        return NOT_MET
    return OPEN if line.natural_frequency_hz < 7.5 else MET


def at_least(hz: float) -> Callable[[Line], str]:
    """Rule that asks for a natural frequency of at least `hz` [Hz]."""
    return lambda line: MET if line.natural_frequency_hz >= hz else NOT_MET


def needed_frequency(heart_rate: float, harmonics: int) -> float:
    """
    Frequency of a harmonic of the pulse.

    Parameters
    ----------
    heart_rate : float
        Rate [1/min].
    harmonics : int
        Which harmonic.

    Returns
    -------
    float
        [Hz].

    Examples
    --------
    >>> needed_frequency(180, 10)
    30.0
    """
    return harmonics * heart_rate / 60.0


def times_the_rate(harmonics: int) -> Callable[[Line], str]:
    """Rule that asks for a natural frequency of so many times the pulse rate."""
    return lambda line: (
        MET if line.natural_frequency_hz >= needed_frequency(line.heart_rate, harmonics) else NOT_MET
    )


def flat_band(line: Line, tolerance: float = 0.05) -> float:
    """
    Widest band from zero in which the gain stays within a tolerance of one.

    Parameters
    ----------
    line : Line
        The line.
    tolerance : float
        Allowed departure of the gain from one.

    Returns
    -------
    float
        [Hz].

    Notes
    -----
    With ``b = 2 z^2 - 1`` the squared gain is ``1 / (u^2 + 2 b u + 1)`` of ``u = (f / fn)^2``; the band ends
    at the first `u` at which it leaves ``(1 - tolerance)^2`` to ``(1 + tolerance)^2``.

    Examples
    --------
    >>> round(flat_band(Line(20.0, 0.2, 70.0)), 1)
    4.6
    """
    b = 2.0 * line.damping_ratio**2 - 1.0
    ends = []
    for gain in (1.0 - tolerance, 1.0 + tolerance):
        inside = b * b - 1.0 + gain**-2
        if inside >= 0:
            ends += [u for u in (-b - np.sqrt(inside), -b + np.sqrt(inside)) if u > 0]
    return float(line.natural_frequency_hz * np.sqrt(min(ends)))


def flat_to_20_hz(line: Line) -> str:
    """A gain of one up to 20 Hz, taken as within 5 %; the source names no tolerance."""
    return MET if flat_band(line) >= 20.0 else NOT_MET


def examiners_damping(line: Line) -> str:
    """Damping of 0.7 to 1: below the examiners call a line underdamped, above overdamped."""
    return MET if 0.7 <= line.damping_ratio <= 1.0 else NOT_MET


def by_counting(oscillations: int) -> str:
    """
    What counting the oscillations after a fast flush is taken to say.

    Parameters
    ----------
    oscillations : int
        How many can be seen.

    Returns
    -------
    str
        'overdamped' for none or one, 'underdamped' for three and more, 'acceptable' between.

    Notes
    -----
    It looks at damping only, and at no pulse. Another text calls one oscillation optimal.

    References
    ----------
    .. [1] Rogers Z. Arterial line square-wave test. Educational pearl, emergency medicine, University of
       Maryland, 24 October 2022.
    """
    if oscillations <= 1:
        return "overdamped"
    return "acceptable" if oscillations == 2 else "underdamped"


RULES: tuple[Rule, ...] = (
    Rule("lowest", "at least 7 Hz (a text of the same family: 7.5 Hz)", lowest_frequency, _HANDBOOK),
    Rule(
        "usual",
        "above about 12 Hz an underdamped line still serves",
        at_least(12.0),
        "Mark JB, Slaughter TF. Cardiovascular monitoring, in Miller's Anesthesia",
        remembered=True,
    ),
    Rule(
        "fine_detail",
        "above 24 Hz, to resolve the dicrotic notch",
        at_least(24.0),
        "Deranged Physiology, examination notes: arterial line dynamic response testing",
    ),
    Rule(
        "eight_times",
        "eight times the pulse rate",
        times_the_rate(8),
        "tradition of anaesthetic texts",
        remembered=True,
        disputed=True,
    ),
    Rule(
        "ten_times",
        "ten times the pulse rate",
        times_the_rate(10),
        "Part One, anaesthetic examination notes (Barlow C and contributors): pressure transduction",
    ),
    Rule(
        "twenty_times",
        "the twentieth harmonic of the pulse, for a wave reproduced exactly",
        times_the_rate(20),
        "education page on catheterisation",
    ),
    Rule(
        "above_the_pulse",
        "above 40 Hz, beyond the frequencies of the pulse",
        at_least(40.0),
        "AnaesthesiaUK, sources of error: damping and resonance (2004)",
        disputed=True,
    ),
    Rule(
        "steepness",
        "above 40 Hz, for dP/dt max of the left ventricle within 10 %",
        at_least(40.0),
        "Falsetti HL, Mates RE, Carroll RJ, Gupta RL, Bell AC. Circulation 1974;49:165-172",
    ),
    Rule(
        "flat_to_20_hz",
        "a gain of one from 0 to 20 Hz",
        flat_to_20_hz,
        "abstract: why natural frequency and damping coefficient do not evaluate the dynamic response of "
        "pressure monitoring circuits correctly",
    ),
    Rule(
        "examiners_damping",
        "damping between 0.7 and 1; by this nearly every line in use is underdamped",
        examiners_damping,
        "College of Intensive Care Medicine, examiners' comment 2012, as quoted in examination notes",
        disputed=True,
    ),
)


def rules_of_thumb(natural_frequency_hz: float, damping_ratio: float, heart_rate: float) -> dict[str, str]:
    """
    What each published rule says of a line.

    Parameters
    ----------
    natural_frequency_hz, damping_ratio : float
        The line [Hz, ratio].
    heart_rate : float
        Pulse rate [1/min].

    Returns
    -------
    dict of str to str
        `MET`, `NOT_MET` or `OPEN` by the name of the rule, in the order of `RULES`.

    Examples
    --------
    >>> rules_of_thumb(17.0, 0.2, 75.0)["ten_times"]
    'met'
    """
    line = Line(natural_frequency_hz, damping_ratio, heart_rate)
    return {rule.name: rule.says(line) for rule in RULES}


def disagreement(said: dict[str, str]) -> str:
    """Sentence on how far the rules agree about a line."""
    met = [rule.words for rule in RULES if said[rule.name] == MET]
    not_met = [rule.words for rule in RULES if said[rule.name] == NOT_MET]
    if met and not_met:
        return (
            f"Published rules disagree: {len(met)} of {len(RULES)} are met, {len(not_met)} are not. "
            f"Met: {'; '.join(met)}. Not met: {'; '.join(not_met)}."
        )
    return f"All published rules with an opinion are {'met' if met else 'not met'}."
