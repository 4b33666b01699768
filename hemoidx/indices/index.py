"""`Index`: one frozen entry of the catalogue, and the words that it may use."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from ..errors import InputError
from ..facts import Fact
from .rules import Limit, Rule, When

LEVELS = ("beat", "breath", "window", "record")
TABLE_OF_LEVEL = {"beat": "beats", "breath": "breaths", "window": "windows", "record": "record"}
STATISTICS = ("mean", "time_mean", "rate", "shared", "none")
HARMS = ("offset", "gain", "line")
#: What indices belong to, in the order in which pages show them, and what that is called.
FAMILIES = {
    "pressure": "Pressure and rate",
    "upstroke": "Upstroke and ejection",
    "runoff": "Notch and runoff",
    "area": "Areas under the wave",
    "respiratory": "Breathing and its swings",
    "rhythm": "Rhythm",
    "stroke_volume": "In proportion to stroke volume",
    "flow": "Flow, resistance and power",
    "exposure": "Exposure",
    "own": "Added by the user",
    "chain": "What the measuring chain adds",
}

#: Landmarks of a beat, as positions in samples.
LANDMARKS = ("onset", "steepest", "peak", "notch", "end")
LANDMARK_COLUMNS = tuple(f"{name}_s" for name in LANDMARKS)
#: What an index may ask for besides other indices of its level and ``context.<key>``.
VOCABULARY: dict[str, tuple[str, ...]] = {
    "beat": ("pressure", "fs", *LANDMARKS, "quality", "chain"),
    "breath": (
        "start_s",
        "end_s",
        "beats",
        "inspiration_end_s",
        "breath_of_beat",
        "breath_phase",
        "n_breaths",
    ),
    "window": (
        "start_s",
        "end_s",
        "valid_s",
        "beats",
        "breaths",
        "clipped_share",
        "window_of_beat",
        "window_of_breath",
        "breath_of_beat",
        "breath_phase",
        "n_windows",
    ),
    "record": ("duration_s", "valid_s", "beats", "breaths", "clipped_share"),
}
#: Lower tables whose columns may be asked for as ``<table>.<column>``, and what was documented at their rows
#: as ``<table>.context.<key>``.
BELOW: dict[str, tuple[str, ...]] = {
    "beat": (),
    "breath": ("beats",),
    "window": ("beats", "breaths"),
    "record": ("beats", "breaths", "windows"),
}
#: Columns of the tables that are no index.
FIXED: dict[str, tuple[str, ...]] = {
    "beats": (*LANDMARK_COLUMNS, "quality", "breath", "facts"),
    "breaths": ("start_s", "end_s", "inspiration_end_s", "beats", "facts"),
    "windows": ("start_s", "end_s", "valid_s", "beats", "breaths", "clipped_share", "facts"),
    "record": ("duration_s", "valid_s", "beats", "breaths", "clipped_share", "facts"),
}


@dataclass(frozen=True, slots=True)
class Range:
    """A published range: `low` to `high` [unit of the index], in whom, and where it is published."""

    low: float
    high: float
    population: str
    source: str


@dataclass(frozen=True, slots=True)
class Mark:
    """A fact that an index adds to the rows of its own table where a predicate on numeric columns holds."""

    fact: Fact
    when: When


@dataclass(frozen=True, repr=False)
class Index:
    """
    One entry of the catalogue.

    Attributes
    ----------
    name : str
        Name in code, for instance "sbp".
    title : str
        Name in words.
    unit : str
        Canonical unit: mmHg, s, 1/min, mmHg/s, mmHg s, mL, %, or "1".
    level : str
        "beat", "breath", "window" or "record": the table it is computed in.
    formula : str
        The definition in one line.
    inputs : tuple of str
        What the function is given, in order. At every level: other indices of the level, columns of its
        table, ``context.<key>`` (what was documented while the row lasted: the mean of a number, a word
        that did not change), and, of the tables below, ``<table>.<column>`` (NaN where a value was
        rejected) and ``<table>.context.<key>``, for instance ``beats.sbp`` or ``beats.context.apnoea``.
        Further at beat level ``pressure`` (the wave [mmHg]), ``fs`` [Hz], the landmarks ``onset,
        steepest, peak, notch, end`` [samples of that wave], ``quality`` and the measuring chain
        (``chain``, a `hemoidx.line.Chain`); above the beats ``breath_of_beat``, ``breath_phase`` and, by
        level, ``n_breaths`` or ``window_of_beat``, ``window_of_breath``, ``n_windows``: the row that
        holds each beat or breath (-1: none), the place of each beat in its breath (0 to 1), and the
        number of rows.
    function : callable
        Pure function of these arrays; returns one value for each row. A function that takes the wave is
        given it in stretches of half an hour, with two seconds on either side of the beats; it must
        return for a beat what it would return on the whole wave. A plain module-level function reaches the
        worker processes of a cohort run; a lambda does not.
    sources : tuple of str
        Where the formula is published; "common practice, no source" where it is not.
    rules : tuple of Rule
        When a value counts as measured. What rejects an input of it rejects it too, see
        `Catalogue.rules_in`; one without rules takes over all those of its inputs.
    limits : tuple of Limit
        What limits its reading for named uses.
    column : str
        Column of the tables; the name if empty. The name of a time carries its unit here.
    window : str
        How values of beats or breaths become one of a window: "mean", "time_mean" (weighted by the duration
        of the beats), "rate" (60 / mean interval), "shared" (mean of an error that all beats share, without
        a standard error of its own), or "none". The recording has the median over its windows, also of an
        index of windows, unless it is "none".
    readings : float
        How far the value moves with the steps of the recorder: 1 for a pressure read at one place, the
        square root of 2 for a difference of two, 0 where many samples average the steps out.
    error_function : callable, optional
        At window and record level: random standard error, from the same inputs.
    marks : tuple of Mark
        Facts that it adds to rows.
    shared_inputs : tuple of str
        Other indices read from the same landmarks: a correlation with them is partly arithmetic.
    published_range : Range, optional
        Range in a named population, for orientation; never used to judge a value.
    family : str
        What it belongs to: one of `FAMILIES`; "chain" are errors that the measuring chain adds, "own" is a
        user's.
    missing : str
        Why it may have no value where no rule took it away, in words that fit behind "because".
    own_rules : bool
        Stands on its own rules alone: what rejects an input does not reject it.
    inner : bool
        Only feeds other indices: worked out, but in no table.
    harmed_by : tuple of str
        Errors of the measuring chain that reach it: "offset" (zero, level), "gain", "line".

    Raises
    ------
    InputError
        If an entry is malformed.
    """

    name: str
    title: str
    unit: str
    level: str
    formula: str
    inputs: tuple[str, ...]
    function: Callable[..., Any]
    sources: tuple[str, ...] = ()
    rules: tuple[Rule, ...] = ()
    limits: tuple[Limit, ...] = ()
    column: str = ""
    window: str = "mean"
    readings: float = 0.0
    error_function: Callable[..., Any] | None = None
    marks: tuple[Mark, ...] = ()
    shared_inputs: tuple[str, ...] = ()
    published_range: Range | None = None
    family: str = "own"
    missing: str = ""
    harmed_by: tuple[str, ...] = ()
    own_rules: bool = False
    inner: bool = False

    def __post_init__(self) -> None:
        if not self.column:
            object.__setattr__(self, "column", self.name)
        for word in (self.name, self.column):
            if not word.isidentifier():
                raise InputError(
                    f"index {self.name!r}: names and columns are words of letters, digits and underscores"
                )
        if self.level not in LEVELS:
            raise InputError(
                f"index {self.name}: level must be one of {', '.join(LEVELS)}, got {self.level!r}"
            )
        if self.window not in STATISTICS:
            raise InputError(
                f"index {self.name}: window must be one of {', '.join(STATISTICS)}, got {self.window!r}"
            )
        if self.family not in FAMILIES:
            raise InputError(
                f"index {self.name}: family must be one of {', '.join(FAMILIES)}, got {self.family!r}"
            )
        if isinstance(self.harmed_by, str) or not set(self.harmed_by) <= set(HARMS):
            raise InputError(f"index {self.name}: harmed_by is a tuple of {', '.join(HARMS)}")
        if isinstance(self.inputs, str) or not self.inputs:
            raise InputError(f"index {self.name}: inputs must be a tuple of at least one name")
        if not 0.0 <= self.readings < 100.0:
            raise InputError(f"index {self.name}: readings must be a number from 0 on, got {self.readings}")
        if not callable(self.function):
            raise InputError(
                f"index {self.name}: function must be callable, got {type(self.function).__name__}"
            )
        if isinstance(self.sources, str):
            raise InputError(f"index {self.name}: sources must be a tuple of texts, not one text")

    @property
    def table(self) -> str:
        """Table it is computed in."""
        return TABLE_OF_LEVEL[self.level]

    @property
    def reads_wave(self) -> bool:
        """Whether its function takes the samples."""
        return self.level == "beat" and "pressure" in self.inputs

    @property
    def rises(self) -> bool:
        """Whether windows and the recording have a value made from those of beats or breaths."""
        return self.level in ("beat", "breath") and self.window != "none"

    @property
    def summed(self) -> bool:
        """Whether the recording has the median over its windows."""
        return self.rises or (self.level == "window" and self.window != "none")

    @property
    def has_se(self) -> bool:
        """Whether the tables above the beats have a standard error of it."""
        return self.error_function is not None or (self.rises and self.window != "shared")

    def appears_in(self, table: str) -> bool:
        """Whether a table has a column of it."""
        return not self.inner and self.worked_out_in(table)

    def worked_out_in(self, table: str) -> bool:
        """Whether it has values for the rows of a table, shown or not."""
        return (
            table == self.table or (self.rises and table == "windows") or (self.summed and table == "record")
        )

    def __repr__(self) -> str:
        return f"<Index {self.name}: {self.title} [{self.unit}], one value a {self.level}>"

    def _repr_html_(self) -> str:
        from .shown import entry_page

        return entry_page(self)
