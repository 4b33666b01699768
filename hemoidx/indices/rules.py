"""
Rules: when a value counts as measured, and for which use it can be read.

Two questions are kept apart. *Measurement*: was this quantity measured at all? A `Rule` rejects a value,
which is then NaN in the tables, or asks for caution, or says that something nobody documented would be needed
to know. *Interpretation*: for a named use, what limits the value, and in which direction? A `Limit` never
hides a value. Both are predicates over the facts and the numeric columns of a row, declared as data, so that
they can be shown, stored beside the tables, and evaluated again on them.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from ..errors import InputError
from ..facts import FACTS, UNDOCUMENTED, Fact, Int64Array, mask
from .when import Answers as Answers
from .when import Bool, Columns
from .when import When as When

ACCEPTED, UNDOCUMENTED_LEVEL, CAUTION, REJECTED = "accepted", "undocumented", "caution", "rejected"
LEVELS = (ACCEPTED, UNDOCUMENTED_LEVEL, CAUTION, REJECTED)
DIRECTIONS = ("reads low", "reads high", "may read low", "may read high", "either way", "says nothing")


@dataclass(frozen=True, slots=True)
class Rule:
    """
    A measurement rule.

    Attributes
    ----------
    level : str
        "rejected", "caution" or "undocumented".
    when : When
        Rows it applies to.
    reason : str
        Words that fit behind "because"; made from `when` if empty.
    """

    level: str
    when: When
    reason: str = ""

    def __post_init__(self) -> None:
        if self.level not in LEVELS[1:]:
            raise InputError(f"a rule's level must be one of {', '.join(LEVELS[1:])}, got {self.level!r}")


@dataclass(frozen=True, slots=True)
class Limit:
    """
    A limit of interpretation for a named use.

    Attributes
    ----------
    use : str
        What the value would be read as, for instance "contractility".
    direction : str
        "reads low", "reads high", "may read low", "may read high", "either way", or "says nothing".
    reason : str
        Words that fit behind "because".
    when : When
        Rows it applies to; by default every one. On facts of the kind "nobody documented it" it says
        ``undocumented``, once for a recording.
    source : str
        Where the limit is published; "common practice, no source" where it is not.
    """

    use: str
    direction: str
    reason: str
    when: When = field(default_factory=When)
    source: str = ""

    def __post_init__(self) -> None:
        if self.direction not in DIRECTIONS:
            allowed = ", ".join(DIRECTIONS)
            raise InputError(f"limit for {self.use}: direction must be {allowed}, not {self.direction!r}")

    @property
    def level(self) -> str:
        """Either "undocumented", where it rests on nobody having documented something, or "limited"."""
        undocumented = self.when.facts and set(self.when.facts) <= set(UNDOCUMENTED)
        return UNDOCUMENTED_LEVEL if undocumented else "limited"


def reject(*facts: str, tables: tuple[str, ...] = ()) -> tuple[Rule, ...]:
    """Rules that reject a value, one for each fact."""
    return tuple(Rule(REJECTED, When(facts=(name,), tables=tables)) for name in facts)


def caution(*facts: str, tables: tuple[str, ...] = ()) -> tuple[Rule, ...]:
    """Rules that ask for caution, one for each fact."""
    return tuple(Rule(CAUTION, When(facts=(name,), tables=tables)) for name in facts)


def undocumented(*facts: str) -> tuple[Rule, ...]:
    """Rules that say, once for a recording, what nobody documented."""
    return tuple(Rule(UNDOCUMENTED_LEVEL, When(facts=(name,), tables=("record",))) for name in facts)


def _beyond(value: str, sure: str, words: str, ends: tuple[str, str] = ("", "")) -> tuple[Rule, ...]:
    """Rules on the size of an error: its best value, or where that is not known all of its interval."""
    low, high = ends
    rejected = words.format(ERROR_REJECTED)
    cautious = words.format(ERROR_CAUTION)
    return (
        Rule(REJECTED, When(column=value, above=ERROR_REJECTED), rejected),
        Rule(REJECTED, When(column=value, below=-ERROR_REJECTED), rejected),
        Rule(REJECTED, When(column=f"{sure}{low}", above=ERROR_REJECTED), rejected),
        Rule(REJECTED, When(column=f"{sure}{high}", below=-ERROR_REJECTED), rejected),
        Rule(CAUTION, When(column=value, above=ERROR_CAUTION), cautious),
        Rule(CAUTION, When(column=value, below=-ERROR_CAUTION), cautious),
    )


#: An error of zero, level or line asks for caution from the first on, and rejects from the second on [mmHg]:
#: our convention; 5 is what standards for cuffs allow as mean error (quoted from memory).
ERROR_CAUTION, ERROR_REJECTED = 2.0, 5.0

#: A beat that is in doubt itself: nothing read from it counts. Samples missing behind its upstroke take its
#: end away, and what needs that; what was measured before them stands.
BEAT_RULES = reject("low_quality") + caution("weak_pulse", "near_event", "gap_inside")
#: The shape is turned over: landmarks other than the beat's own length mean nothing.
SHAPE_RULES = BEAT_RULES + reject("inverted")
#: The value is a pressure, or made of pressures.
PRESSURE_RULES = SHAPE_RULES + reject("uncalibrated") + caution("implausible_level", "setup_no_signal")
CLIPPED_SHARE = 0.05
"""
Share of clipped beats beyond which a window's pressures are rejected.

Clipping takes the highest beats away, so that the mean of the others is no fair sample. Measured on 24
simulated recordings of three minutes (144 windows of 30 s, rail between the upper quartile and the top of the
systolic pressures, pulse pressure 50 to 90 mmHg, a sixth of them in atrial fibrillation): up to 5 % clipped,
systolic pressure read at most 0.7 mmHg low; from 5 to 15 %, up to 2.5 mmHg; from 20 to 30 %, up to 3.6 mmHg.
"""
CLIPPED_SHARE_OF_RECORD = 0.2
"""
The same for the summary of a recording: our convention, as for the valid time of a window.

Windows that clipping rejects are the highest ones. Without the highest fifth of a normal distribution the
median lies 0.25 standard deviations too low, about 2 mmHg where windows scatter by 8 mmHg.
"""
#: A clipped beat has no such value; a window without its clipped beats reads low.
CLIPPED = (
    *reject("saturated", tables=("beats", "record")),
    Rule(
        REJECTED,
        When(column="clipped_share", above=CLIPPED_SHARE, tables=("windows",)),
        f"the recorder clipped more than {100 * CLIPPED_SHARE:g} % of the beats at its rail: without them "
        "the value would read low (high, at a lower rail)",
    ),
    Rule(
        REJECTED,
        When(column="clipped_share", above=CLIPPED_SHARE_OF_RECORD, tables=("record",)),
        f"the recorder clipped more than {100 * CLIPPED_SHARE_OF_RECORD:g} % of all beats at its rail: "
        "without the windows that hold them the value would read low (high, at a lower rail)",
    ),
    Rule(
        CAUTION,
        When(column="clipped_share", above=0.0, tables=("windows", "record")),
        "the recorder clipped some beats at its rail, and without them the value reads low (high, at a lower "
        "rail)",
    ),
)
#: The gain scales every pressure and every difference of pressures.
GAIN = undocumented("gain_unchecked", "setup_undocumented") + caution("setup_gain")
#: Static faults (zero, level) shift the value.
STATIC_LINE = (
    undocumented("zero_not_seen", "level_undocumented")
    + caution("zero_not_applied", "zero_stale", "setup_offset")
    + _beyond("static_error", "static_error", "zero or level put it off by more than {:g} mmHg")
    + GAIN
)
#: Dynamic faults (natural frequency, damping) change the value.
DYNAMIC_LINE = undocumented("flush_not_seen", "line_unknown", "setup_undocumented") + caution(
    "flush_stale", "line_corrected", "perhaps_overdamped", "perhaps_ringing"
)
#: The same for what has no expected error of its own: shape and timing.
DYNAMIC_SHAPE = DYNAMIC_LINE + caution("line_partly_known", "line_overdamped", "line_underdamped")


def dynamic_error(name: str) -> tuple[Rule, ...]:
    """Rules for a pressure whose expected error behind the measured line is known."""
    column = f"{name}_line_error"
    unsure = tuple(
        Rule(CAUTION, when, f"an error above {ERROR_REJECTED:g} mmHg by the line cannot be excluded")
        for when in (
            When(column=f"{column}_low", below=-ERROR_REJECTED),
            When(column=f"{column}_high", above=ERROR_REJECTED),
        )
    )
    words = "the measured line puts it off by more than {:g} mmHg"
    return DYNAMIC_LINE + _beyond(column, column, words, ("_low", "_high")) + unsure


#: Rules of a table, which hold for every index in it.
TABLE_RULES: dict[str, tuple[Rule, ...]] = {
    "windows": reject("too_few_beats", "too_little_valid_time"),
    "record": reject("too_few_beats"),
}

_MISSING = {
    "beats": "it could not be read from the samples",
    "breaths": "a beat of the breath could not be used for it",
    "windows": "fewer than three beats were usable for it",
    "record": "fewer than three beats were usable for it",
}


def rejected(
    rules: Sequence[Rule],
    table: str,
    facts: Int64Array,
    columns: Columns,
    known: Sequence[Fact] = FACTS,
    answers: Answers | None = None,
) -> Bool:
    """
    Rows whose value is rejected.

    Parameters
    ----------
    rules : sequence of Rule
        The rules of an index.
    table : str
        Table of the rows; its own rules are added.
    facts : ndarray of int64, shape (n_rows,)
        Facts of the rows.
    columns : callable
        Returns a numeric column, unmasked, by name.
    known : sequence of Fact
        All facts there are.
    answers : Answers, optional
        What was found before for the same table with these very facts.

    Returns
    -------
    ndarray of bool, shape (n_rows,)
        True where the value counts as not measured. Indices with the same answers share one array.
    """
    answers = Answers() if answers is None else answers
    held: dict[int, Bool] = {}

    def ask(when: When) -> Bool | None:
        return when.holds(table, facts, columns, known)

    for rule in (*rules, *TABLE_RULES.get(table, ())):
        if rule.level != REJECTED:
            continue
        found = answers.of(rule.when, ask)
        if found is not None:
            held[id(found)] = found
    together = frozenset(held)
    if together not in answers.together:
        out = np.zeros(facts.shape, dtype=bool)
        for found in held.values():
            out |= found
        answers.together[together] = out
    return answers.together[together]


class Judged(NamedTuple):
    """Verdicts as arrays of words, shape (n_rows,)."""

    measurement: NDArray[np.object_]
    interpretation: NDArray[np.object_]
    reasons: NDArray[np.object_]


class _Clause(NamedTuple):
    """What one rule or limit says where it holds."""

    level: str
    limits: bool
    words: str


def judge(
    rules: Sequence[Rule],
    limits: Sequence[Limit],
    table: str,
    facts: Int64Array,
    columns: Columns,
    values: NDArray[np.float64],
    known: Sequence[Fact] = FACTS,
    of_recording: int = 0,
    missing: str = "",
) -> Judged:
    """
    Verdicts with their reasons in words.

    Parameters
    ----------
    rules, limits : sequences of Rule and Limit
        Those of an index.
    table, facts, columns, known
        As in `rejected`.
    values : ndarray, shape (n_rows,)
        The unmasked values: one that is NaN without a rule's doing was not measured either.
    of_recording : int
        Facts of the recording as a whole: what nobody documented is said there once, and no row that it
        bears on is called unlimited.
    missing : str
        Words for a value that is missing without a rule's doing, if the index has its own.

    Returns
    -------
    Judged
        Measurement (accepted, undocumented, caution, rejected), interpretation (limited; undocumented, where
        something that bears on the index is not known; unlimited) and reasons (empty where there is none;
        those of "undocumented" stand in the record's row only).

    Notes
    -----
    The words are put together once for each combination of rules that occurs, not once for each row.
    """
    clauses: list[_Clause] = []
    seen: list[Bool] = []
    for rule in (*rules, *TABLE_RULES.get(table, ())):
        holds = rule.when.holds(table, facts, columns, known)
        if holds is not None and holds.any():
            clauses.append(_Clause(rule.level, False, rule.reason or rule.when.words(table, known)))
            seen.append(holds)
    refused = np.zeros(facts.shape, dtype=bool)
    for clause, holds in zip(clauses, seen, strict=True):
        if clause.level == REJECTED:
            refused |= holds
    absent = np.isnan(values) & ~refused
    if absent.any():
        clauses.append(_Clause(REJECTED, False, missing or _MISSING.get(table, "it could not be computed")))
        seen.append(absent)
    for limit in limits:
        holds = limit.when.holds(table, facts, columns, known)
        if holds is not None and holds.any():
            clauses.append(_Clause(limit.level, True, f"as {limit.use} it {_limit_words(limit)}"))
            seen.append(holds)
    otherwise = "unlimited"
    if _bears(rules, limits, of_recording, known):
        otherwise = UNDOCUMENTED_LEVEL
    kinds, which = _combinations(seen, facts.size)
    said = [_say([c for c, on in zip(clauses, row, strict=True) if on], otherwise) for row in kinds]
    table_of_words = np.array(said, dtype=object).reshape(-1, 3)
    return Judged(*(table_of_words[which, part] for part in range(3)))


def _bears(rules: Sequence[Rule], limits: Sequence[Limit], of_recording: int, known: Sequence[Fact]) -> bool:
    """Whether something that nobody documented about the recording bears on the index."""
    everything: tuple[Rule | Limit, ...] = (*rules, *limits)
    asked = [item.when for item in everything if item.level == UNDOCUMENTED_LEVEL]
    return any(of_recording & mask(*when.facts, facts=known) for when in asked)


def _limit_words(limit: Limit) -> str:
    verb = limit.direction.replace("either way", "may read low or high").replace("reads", "may read")
    return f"{verb} because {limit.reason}"


def _combinations(seen: Sequence[Bool], n_rows: int) -> tuple[NDArray[np.bool_], NDArray[np.intp]]:
    """Distinct combinations of clauses, and the combination of each row."""
    if not seen:
        return np.zeros((1, 0), dtype=bool), np.zeros(n_rows, dtype=np.intp)
    # Two levels of coding: any number of clauses, yet only one sort of integers for each 60 of them.
    which = np.zeros(n_rows, dtype=np.int64)
    for first in range(0, len(seen), 60):
        code = np.zeros(n_rows, dtype=np.int64)
        for bit, holds in enumerate(seen[first : first + 60]):
            code |= holds.astype(np.int64) << bit
        ranks = np.unique(code, return_inverse=True)[1]
        which = which * (int(ranks.max(initial=0)) + 1) + ranks
    _, row, back = np.unique(which, return_index=True, return_inverse=True)
    return np.stack([holds[row] for holds in seen], axis=1), back


def _say(clauses: Sequence[_Clause], otherwise: str) -> tuple[str, str, str]:
    """Levels and reasons of one combination."""
    measured = [clause for clause in clauses if not clause.limits]
    limited = [clause for clause in clauses if clause.limits]
    measurement = max((c.level for c in measured), key=LEVELS.index, default=ACCEPTED)
    levels = {c.level for c in limited}
    interpretation = next((level for level in ("limited", UNDOCUMENTED_LEVEL) if level in levels), otherwise)
    parts = []
    for level in (REJECTED, CAUTION, UNDOCUMENTED_LEVEL):
        # Several rules may say the same: once is enough.
        words = list(dict.fromkeys(c.words for c in measured if c.level == level))
        if words:
            parts.append(f"{level} because {'; '.join(words)}")
    parts += [c.words for c in limited]
    return measurement, interpretation, ". ".join(part[0].upper() + part[1:] for part in parts)
