"""
What is known about a row: facts, one bit each, in one int64 column of every table.

A fact says what was seen ("no notch found", "nobody documented the breathing"); it does not judge. Judging is
the work of the rules in the catalogue, which are predicates over facts and numbers. Bits 0 to 47 belong to
hemoidx and are only ever added to; bits 48 to 62 are free for users.

Facts pass upward, from beats to windows and to the recording, each by its own declared rule:

``"any"``
    set above when any row below has it;
a number between 0 and 1
    set above when more than this fraction of the rows below has it;
``"all"``
    set above when there are rows below and every one has it;
``"own"``
    never passed on: the row above finds out for itself.

A fact that makes rules reject a value passes to windows by a fraction of 0.2, the complement of the 80 % of
valid time that a window needs (our convention): a window is not thrown away for one bad beat, which its mean
leaves out anyway. A breath of four or five beats, whose extremes may be that very beat, has it from any. To
the recording, whose medians also come from usable beats only, it passes when all have it.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from hemoidx.errors import InputError

FIRST_USER_BIT = 48
LAST_USER_BIT = 62

Int64Array = NDArray[np.int64]
Passing = str | float


@dataclass(frozen=True, slots=True)
class Fact:
    """
    One thing that can be true of a row.

    Attributes
    ----------
    name : str
        Word used in rules and files.
    bit : int
        Place in the mask, 0 to 62; never reused. Users take 48 to 62.
    meaning : str
        What it says, in words that fit behind "because".
    upward : str or float
        How it passes from beats to breaths and windows: "any", "all", "own", or the fraction of the rows
        below beyond which it is set above.
    to_record : str or float, optional
        How it passes from beats to the recording, where that differs.

    Raises
    ------
    InputError
        If one of these cannot be.
    """

    name: str
    bit: int
    meaning: str
    upward: Passing = "any"
    to_record: Passing | None = None

    def __post_init__(self) -> None:
        if not self.name.isidentifier():
            raise InputError(f"fact name {self.name!r}: need a plain word of letters, digits and underscores")
        if not 0 <= self.bit <= LAST_USER_BIT:
            raise InputError(f"fact {self.name}: bit must lie between 0 and {LAST_USER_BIT}, got {self.bit}")
        for rule in (self.upward, self.passing("record")):
            known = rule in ("any", "all", "own") if isinstance(rule, str) else 0 < rule < 1
            if not known:
                raise InputError(
                    f"fact {self.name}: must pass upward by any, all, own or a fraction between 0 and 1, "
                    f"got {rule!r}"
                )

    def passing(self, table: str) -> Passing:
        """Rule by which it reaches a table from the beats."""
        if table == "breaths" and isinstance(self.upward, float):
            return "any"
        return self.to_record if table == "record" and self.to_record is not None else self.upward

    def words(self, table: str = "beats") -> str:
        """
        Meaning in words, with how many beats it takes where it has passed upward.

        Examples
        --------
        >>> Fact("saturated", 4, "the recorder clipped the wave", 0.2).words("windows")
        'the recorder clipped the wave (more than 20 % of the beats)'
        """
        rule = self.passing(table)
        if table == "beats" or rule == "own":
            return self.meaning
        if isinstance(rule, str):
            return f"{self.meaning} ({'every beat' if rule == 'all' else 'at least one beat'})"
        return f"{self.meaning} (more than {100 * rule:g} % of the beats)"


FACTS: tuple[Fact, ...] = (
    Fact("irregular_rhythm", 0, "the rhythm is irregular", 0.2),
    Fact("ectopic", 1, "a beat comes early, as an ectopic one does", "any"),
    Fact("alternating", 2, "strong and weak beats alternate", 0.5),
    Fact("uncalibrated", 3, "the channel has no calibration", 0.2, "all"),
    Fact("saturated", 4, "the recorder clipped the wave at its rail", 0.2, "all"),
    Fact("gap_inside", 5, "samples are missing", 0.2, "all"),
    Fact("no_notch", 6, "no dicrotic notch was found", 0.5),
    Fact("low_quality", 7, "the wave is too disturbed to be believed", 0.2, "all"),
    Fact("weak_pulse", 8, "the pulse is weak beside its neighbours", 0.2),
    Fact("near_event", 9, "an event such as a flush or a movement touches it", "any", 0.2),
    Fact("edited_by_hand", 10, "it was edited by hand", "any"),
    Fact("sampling_rate_low", 11, "the sampling rate is below 100 Hz", "any"),
    Fact("coarse_steps", 12, "the steps of the recorder are coarse beside the pulse", 0.2),
    Fact("implausible_level", 13, "the pressures lie outside the plausible range", 0.2),
    Fact("end_unknown", 14, "the beat does not run to a next beat", "own"),
    Fact("inverted", 15, "the wave is upside down", 0.2),
    Fact("too_few_beats", 16, "there are too few usable beats", "own"),
    Fact("too_little_valid_time", 17, "too little of the time is covered by usable beats", "own"),
    Fact("site_undocumented", 18, "nobody documented the site of the cannula", "own"),
    Fact("breathing_undocumented", 19, "nobody documented the breathing", "own"),
    Fact("zero_not_seen", 20, "the recording shows no zeroing", "own"),
    Fact("flush_not_seen", 21, "the recording shows no fast flush", "own"),
    Fact("line_unknown", 22, "the dynamic response of the line is unknown", "own"),
    Fact("zero_not_applied", 23, "the line read off zero when it was open to air, and was left so", 0.2),
    Fact("zero_stale", 24, "the zero is older than 8 h or a long gap followed it", 0.2),
    Fact(
        "flush_stale",
        25,
        "since the last flush the line was opened, turned off or out of sight, or 8 h have passed",
        0.2,
    ),
    Fact("line_overdamped", 26, "the measured line is overdamped for this pulse", 0.2),
    Fact("line_underdamped", 27, "the measured line rings with this pulse", 0.2),
    Fact("line_partly_known", 28, "the flushes tell only bounds of the dynamic response", 0.2),
    Fact("line_bends_upstroke", 29, "the line changes the steepest rise by more than a fifth", 0.2),
    Fact("line_corrected", 30, "the wave is one from which the line was taken out by computation", 0.2),
    Fact("perhaps_overdamped", 31, "pulse or set-up sheet suggest an overdamped line", 0.2),
    Fact("perhaps_ringing", 32, "pulse or set-up sheet suggest a line that rings", 0.2),
    Fact("setup_offset", 33, "the set-up sheet shows a fault that shifts all pressures", 0.2),
    Fact("setup_gain", 34, "the set-up sheet shows a fault that scales all pressures", 0.2),
    Fact("setup_no_signal", 35, "the set-up sheet shows a fault that takes the pulse off the trace", 0.2),
    Fact("level_undocumented", 36, "nobody documented the height of the transducer", "own"),
    Fact("gain_unchecked", 37, "the gain was not checked at a known pressure", "own"),
    Fact("setup_undocumented", 38, "there is no set-up sheet", "own"),
    Fact("too_few_breaths", 39, "there are fewer than three complete breaths", "own"),
    Fact(
        "breathing_unclear",
        40,
        "no breathing stands out in the pressure, or two frequencies are as likely",
        "own",
    ),
    Fact("slow_waves", 41, "slow waves of the pressure are stronger than breathing, or stand for it", "own"),
    Fact("breathing_from_pressure", 42, "breathing was read off the pressure itself", "own"),
    Fact("mechanical_support", 43, "the circulation is supported by a machine", 0.2),
    Fact("tidal_volume_undocumented", 44, "nobody documented the tidal volume", "own"),
    Fact(
        "chest_undocumented",
        45,
        "nobody documented lung compliance, abdominal pressure, an open chest or right heart failure",
        "own",
    ),
    Fact(
        "beat_perhaps_missed",
        46,
        "a wave behind it was taken for its echo and may be a beat: the rate may be higher",
        0.2,
    ),
)

BIT: dict[str, int] = {fact.name: fact.bit for fact in FACTS}
UNDOCUMENTED: tuple[str, ...] = (
    "site_undocumented",
    "breathing_undocumented",
    "zero_not_seen",
    "flush_not_seen",
    "line_unknown",
    "level_undocumented",
    "gain_unchecked",
    "setup_undocumented",
    "tidal_volume_undocumented",
    "chest_undocumented",
)
"""Facts that form the level of their own 'undocumented': reported once for a recording, never on rows."""


def mask(*names: str, facts: Iterable[Fact] = FACTS) -> int:
    """
    Mask with the bits of the named facts.

    Raises
    ------
    InputError
        If a name is unknown.

    Examples
    --------
    >>> mask("irregular_rhythm", "alternating")
    5
    """
    bits = {fact.name: fact.bit for fact in facts}
    unknown = [name for name in names if name not in bits]
    if unknown:
        raise InputError(f"unknown fact {', '.join(unknown)}: known are {', '.join(bits)}")
    return sum(1 << bit for bit in {bits[name] for name in names})


def names(value: int, facts: Iterable[Fact] = FACTS) -> list[str]:
    """
    Names of the facts in a mask, by bit; a bit without a name is called ``bit_<n>``.

    Examples
    --------
    >>> names(5)
    ['irregular_rhythm', 'alternating']
    """
    by_bit = {fact.bit: fact.name for fact in facts}
    value = int(value)
    return [by_bit.get(bit, f"bit_{bit}") for bit in range(LAST_USER_BIT + 1) if value >> bit & 1]


def pass_upward(
    values: Int64Array,
    group: NDArray[np.intp],
    n_groups: int,
    table: str = "windows",
    facts: Iterable[Fact] = FACTS,
) -> Int64Array:
    """
    Pass facts from beats to the rows that hold them, each by its own rule.

    Parameters
    ----------
    values : ndarray of int64, shape (n_beats,)
        Facts of the beats.
    group : ndarray of int, shape (n_beats,)
        Row above of each beat, 0 to `n_groups` - 1; a negative number leaves the beat out.
    n_groups : int
        Number of rows above.
    table : str
        Table of the rows above; "record" has passing rules of its own.
    facts : iterable of Fact
        The facts and their rules.

    Returns
    -------
    ndarray of int64, shape (n_groups,)
        Facts of the rows above; 0 for a row without beats.
    """
    inside = group >= 0
    values, group = values[inside], group[inside]
    total = np.bincount(group, minlength=n_groups)
    above = np.zeros(n_groups, dtype=np.int64)
    seen = int(np.bitwise_or.reduce(values)) if values.size else 0
    for fact in facts:
        rule = fact.passing(table)
        if rule == "own" or not seen >> fact.bit & 1:
            continue
        count = np.bincount(group[(values >> fact.bit & 1).astype(bool)], minlength=n_groups)
        if rule == "all":
            holds = (count > 0) & (count == total)
        else:
            holds = count > (0.0 if isinstance(rule, str) else rule) * total
        above |= holds.astype(np.int64) << fact.bit
    return above


def cf_attributes(facts: Iterable[Fact] = FACTS) -> dict[str, Any]:
    """
    Describe the facts column as the CF conventions describe flag variables.

    Returns
    -------
    dict
        ``flag_masks`` (list of int), ``flag_meanings`` (names, blank-separated) and ``flag_descriptions``
        (mapping of name to meaning in words).

    References
    ----------
    NetCDF Climate and Forecast (CF) metadata conventions, section 3.5, "Flags".
    """
    ordered = sorted(facts, key=lambda fact: fact.bit)
    return {
        "flag_masks": [1 << fact.bit for fact in ordered],
        "flag_meanings": " ".join(fact.name for fact in ordered),
        "flag_descriptions": {fact.name: fact.meaning for fact in ordered},
    }


def with_user_facts(extra: Iterable[Fact]) -> tuple[Fact, ...]:
    """
    Our facts and a user's, checked.

    Raises
    ------
    InputError
        If a user's fact takes one of our bits or names, or one twice.
    """
    together = list(FACTS)
    taken = {fact.name: fact.bit for fact in FACTS}
    for fact in extra:
        if fact in together:
            continue
        if not FIRST_USER_BIT <= fact.bit <= LAST_USER_BIT:
            raise InputError(
                f"fact {fact.name}: bits {FIRST_USER_BIT} to {LAST_USER_BIT} are for users, got {fact.bit}"
            )
        if fact.name in taken or fact.bit in taken.values():
            raise InputError(f"fact {fact.name}: its name or bit {fact.bit} is already taken")
        taken[fact.name] = fact.bit
        together.append(fact)
    return tuple(together)
