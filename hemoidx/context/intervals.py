"""
Context: what the waveform cannot tell, as intervals, single values and marked events.

Everything is checked on the way in: an unknown key, a reversed interval or two contradictory ones is an
error that names it, since context that was silently ignored would be worse than none.
"""

from __future__ import annotations

import math
import os
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from ..errors import InputError
from ..indices.documented import Documented, Steps
from ..line.setup import Setup
from .rows import empty, near, number, read_rows, text

if TYPE_CHECKING:
    import pandas as pd

Float = NDArray[np.float64]

BREATHING = ("controlled_no_effort", "assisted", "spontaneous", "unknown")
SITES = (
    "radial",
    "ulnar",
    "brachial",
    "axillary",
    "femoral",
    "dorsalis_pedis",
    "posterior_tibial",
    "temporal",
    "carotid",
    "umbilical",
    "aorta",
    "other",
    "unknown",
)
EVENTS = (
    "fluid",
    "leg_raise",
    "end_expiratory_occlusion",
    "tidal_volume_challenge",
    "vasopressor_change",
    "apnoea",
)
SUPPORT = ("none", "counterpulsation", "continuous_flow", "unknown")
YES_NO = ("yes", "no", "unknown")

Check = Callable[[Any, str], Any]


def _between(low: float, high: float, unit: str) -> Check:
    def check(value: Any, what: str) -> float:
        found = number(value, what)
        if not low <= found <= high:
            raise InputError(f"{what} must lie between {low:g} and {high:g} {unit}, got {found:g}")
        return found

    return check


def _one_of(allowed: tuple[str, ...]) -> Check:
    def check(value: Any, what: str) -> str:
        # YAML reads a bare yes or no as a truth value, and so do tables.
        if isinstance(value, bool | np.bool_) and "yes" in allowed:
            return "yes" if value else "no"
        found = text(value, what)
        if found not in allowed:
            raise InputError(f"{what}: {found!r} is not known{near(found, allowed)}")
        return found

    return check


#: Keys that hold for an interval. The ranges refuse slips of the unit, nothing else.
INTERVAL_KEYS: dict[str, Check] = {
    "breathing": _one_of(BREATHING),
    "tidal_volume_ml_per_kg_pbw": _between(0.5, 30.0, "mL/kg"),
    "site": _one_of(SITES),
    "transducer_height_cm": _between(-150.0, 150.0, "cm"),
    "transducer_height_se_cm": _between(0.0, 50.0, "cm"),
    "rhythm": text,
    "central_venous_pressure_mmhg": _between(-20.0, 80.0, "mmHg"),
    "reference_flow_l_per_min": _between(0.0, 40.0, "L/min"),
    "reference_flow_window_s": _between(0.001, 86400.0, "s"),
    "reference_flow_from_pressure": _one_of(YES_NO),
    "reference_svv_percent": _between(0.0, 200.0, "%"),
    "lung_compliance_ml_per_cmh2o": _between(0.5, 300.0, "mL/cmH2O"),
    "intra_abdominal_pressure_mmhg": _between(-10.0, 80.0, "mmHg"),
    "chest_open": _one_of(YES_NO),
    "right_heart_failure": _one_of(YES_NO),
    "mechanical_support": _one_of(SUPPORT),
    "note": text,
}
#: Keys that hold once for a recording.
ONCE_KEYS: dict[str, Check] = {
    "height_cm": _between(20.0, 260.0, "cm"),
    "weight_kg": _between(0.2, 500.0, "kg"),
    "age_years": _between(0.0, 130.0, "years"),
    "sex": _one_of(("female", "male")),
}
#: Keys whose values are words.
WORDS = (
    "breathing",
    "site",
    "rhythm",
    "note",
    "sex",
    "reference_flow_from_pressure",
    "chest_open",
    "right_heart_failure",
    "mechanical_support",
)
#: Short names, taken in the unit of the long one.
ALIASES = {"height": "height_cm", "weight": "weight_kg", "age": "age_years"}
_EVENT_KEYS = ("kind", "from_s", "to_s", "at_s", "note")
_TIMES = ("from_s", "to_s")


@dataclass(frozen=True, slots=True)
class Interval:
    """One documented value: `key` is `value` from `from_s` up to `to_s` [s]; infinite where it is open."""

    key: str
    value: str | float
    from_s: float = -math.inf
    to_s: float = math.inf


@dataclass(frozen=True, slots=True)
class Event:
    """A marked event: its kind, `from_s` to `to_s` [s] (equal for a moment), and a note."""

    kind: str
    from_s: float
    to_s: float
    note: str = ""


@dataclass(frozen=True)
class Context:
    """
    What was documented about a recording.

    Attributes
    ----------
    intervals : tuple of Interval
        Values that hold for a time: breathing, tidal volume [mL per kg predicted body weight], site, height
        of the transducer above the reference level and its standard error [cm], rhythm, central venous
        pressure [mmHg], reference flow [L/min] with its averaging window [s] and whether it was itself read
        off a pressure, reference stroke volume variation [%], lung compliance [mL/cmH2O], intra-abdominal
        pressure [mmHg], an open chest, right heart failure, mechanical support of the circulation.
    once : mapping of str to value
        Values that hold throughout: height [cm], weight [kg], age [years], sex.
    events : tuple of Event
        Fluid, leg raise, end-expiratory occlusion, change of vasopressor, apnoea.
    setup : Setup, optional
        Set-up sheet of the line. What it says of site and height is taken over where nothing else says it.

    Examples
    --------
    >>> context = Context.read({"site": "radial", "intervals": [{"from_s": 60, "breathing": "assisted"}]})
    >>> context.at("breathing", [30.0, 90.0]).tolist()
    [None, 'assisted']
    """

    intervals: tuple[Interval, ...] = ()
    once: tuple[tuple[str, str | float], ...] = ()
    events: tuple[Event, ...] = ()
    setup: Setup | None = None

    def __post_init__(self) -> None:
        object.__setattr__(self, "intervals", (*self.intervals, *_from_sheet(self.setup, self.intervals)))
        _refuse_contradictions(self.intervals)
        _refuse_lonely_flow(self.intervals)

    @classmethod
    def read(
        cls,
        source: Context | Mapping[str, Any] | pd.DataFrame | str | os.PathLike[str] | None,
        record_id: str | None = None,
    ) -> Context:
        """
        Read and check context.

        Parameters
        ----------
        source : Context, mapping, DataFrame, path or None
            A mapping (or a YAML or JSON file of one) holds values for the whole recording directly, and
            lists ``intervals`` and ``events``; ``setup`` is a set-up sheet, a mapping or the path of its
            file. A table (DataFrame, CSV or Parquet) holds one interval or event a row: a row with a ``kind``
            is an event. Times are ``from_s`` and ``to_s`` [s from the start of the recording], either may be
            left out; an event may have ``at_s`` instead.
        record_id : str, optional
            Of a table with a column ``record_id``, only the rows of this recording are taken.

        Returns
        -------
        Context
            The checked context.

        Raises
        ------
        InputError
            If anything in it cannot be used.
        DataUnavailableError
            If the file is not there.
        """
        if source is None:
            return cls()
        if isinstance(source, Context):
            return source
        found, where = read_rows(source, "context")
        # A sheet that a file names lies beside that file.
        beside = Path(source).parent if isinstance(source, str | os.PathLike) else Path()
        if isinstance(found, Mapping):
            return cls._from_mapping(found, where, beside)
        return cls._from_table(found, where, record_id, beside)

    @classmethod
    def _from_mapping(cls, given: Mapping[str, Any], where: str, beside: Path) -> Context:
        given = dict(given)
        sheet = given.pop("setup", None)
        lists = {name: given.get(name) or [] for name in ("intervals", "events")}
        for name, rows in lists.items():
            if not isinstance(rows, list | tuple) or not all(isinstance(row, Mapping) for row in rows):
                raise InputError(f"{where}: {name} must be a list of mappings")
        whole = {key: value for key, value in given.items() if key not in lists}
        for name in _TIMES:
            if name in whole:
                raise InputError(f"{where}: {name} belongs to an entry of intervals or events")
        once, intervals = _values(whole, where)
        for i, row in enumerate(lists["intervals"], start=1):
            also, found = _values(row, f"{where}, interval {i}")
            if also:
                raise InputError(
                    f"{where}, interval {i}: {next(iter(also))} holds once, outside of intervals"
                )
            intervals += found
        events = [_event(row, f"{where}, event {i}") for i, row in enumerate(lists["events"], start=1)]
        setup = None if sheet is None else _sheet(sheet, beside)
        return cls(tuple(intervals), tuple(sorted(once.items())), tuple(events), setup)

    @classmethod
    def _from_table(
        cls, rows: Iterable[Mapping[str, Any]], where: str, record_id: str | None, beside: Path
    ) -> Context:
        once: dict[str, str | float] = {}
        intervals: list[Interval] = []
        events: list[Event] = []
        sheets: dict[str, Setup] = {}
        for i, row in enumerate(rows, start=1):
            filled = {key: value for key, value in row.items() if not empty(value)}
            owner = filled.pop("record_id", None)
            if owner is not None and record_id is not None and str(owner) != record_id:
                continue
            here = f"{where}, row {i}"
            if (sheet := filled.pop("setup", None)) is not None and str(sheet) not in sheets:
                sheets[str(sheet)] = _sheet(str(sheet), beside)
            if len(sheets) > 1:
                raise InputError(f"{here}: a second set-up sheet; a recording has one")
            if "kind" in filled:
                events.append(_event(filled, here))
                continue
            also, found = _values(filled, here)
            for key, value in also.items():
                if once.setdefault(key, value) != value:
                    raise InputError(f"{here}: {key} is {value}, but {once[key]} in a row above")
            intervals += found
        # A table repeats what holds throughout on every row: the same value twice is no news.
        setup = next(iter(sheets.values()), None)
        return cls(tuple(dict.fromkeys(intervals)), tuple(sorted(once.items())), tuple(events), setup)

    def at(self, key: str, time: Any) -> NDArray[Any]:
        """
        Find what was documented at some times.

        Parameters
        ----------
        key : str
            For instance "breathing"; or a kind of event, such as "apnoea".
        time : array_like, shape (n,)
            Times [s from the start of the recording].

        Returns
        -------
        ndarray, shape (n,)
            Numbers, NaN where nobody documented it; for words an object array with None there; for an event
            1 while it lasts, else 0.

        Raises
        ------
        InputError
            If there is no such key.
        """
        times = np.asarray(time, dtype=np.float64)
        return self.over(key, times, times).value()

    def over(self, key: str, start: Any, end: Any) -> Documented:
        """
        Find what was documented while rows lasted.

        Parameters
        ----------
        key : str
            As in `at`.
        start, end : array_like, shape (n,)
            Where the rows begin and end [s from the start of the recording].

        Returns
        -------
        Documented
            All that was documented somewhere in each row.

        Raises
        ------
        InputError
            If there is no such key.
        """
        key = ALIASES.get(key, key)
        known = {**INTERVAL_KEYS, **ONCE_KEYS, **dict.fromkeys(EVENTS)}
        if key not in known:
            raise InputError(f"context has no key {key!r}{near(key, known)}")
        return self._steps(key).over(start, end)

    def _steps(self, key: str) -> Steps:
        """One key over time."""
        words = key in WORDS
        held: list[tuple[float, float, Any]] = [
            (-math.inf, math.inf, value) for name, value in self.once if name == key
        ]
        held += [(x.from_s, x.to_s, x.value) for x in self.intervals if x.key == key]
        held += [(x.from_s, x.to_s, 1.0) for x in self.events if x.kind == key]
        nothing = 0.0 if key in EVENTS else None if words else math.nan
        edges = np.unique([t for start, stop, _ in held for t in (start, stop) if math.isfinite(t)])
        values = np.full(edges.size + 1, nothing, dtype=object if words else np.float64)
        for start, stop, value in held:
            values[np.searchsorted(edges, start, "right") : np.searchsorted(edges, stop, "left") + 1] = value
        # NaN differs from itself, but two stretches of which nothing is known are one.
        differ = values[1:] != values[:-1]
        differ &= ~((values[1:] != values[1:]) & (values[:-1] != values[:-1]))
        return Steps(edges[differ], values[np.append(True, differ)])

    def documents(self, key: str) -> bool:
        """Whether anything but "unknown" was documented for a key."""
        return any(interval.key == key and interval.value != "unknown" for interval in self.intervals)

    def to_json(self) -> dict[str, Any]:
        """Give it as a mapping that `read` understands."""
        given: dict[str, Any] = dict(self.once)
        if self.setup is not None:
            given["setup"] = self.setup.to_json()
        if self.intervals:
            given["intervals"] = [{x.key: x.value, **_times(x)} for x in self.intervals]
        if self.events:
            given["events"] = [
                {"kind": e.kind, **_times(e), **({"note": e.note} if e.note else {})} for e in self.events
            ]
        return given


def _sheet(given: Any, beside: Path) -> Setup:
    """Read a set-up sheet, or the file that is named."""
    return Setup.read(beside / given if isinstance(given, str | os.PathLike) else given)


def _from_sheet(setup: Setup | None, known: Iterable[Interval]) -> list[Interval]:
    """What a set-up sheet says that nothing else does; contradictions are found like any other."""
    if setup is None:
        return []
    said = (("site", setup.cannula_site), ("transducer_height_cm", setup.transducer_above_reference_cm))
    there = {(interval.key, interval.value) for interval in known}
    return [Interval(key, v) for key, v in said if v is not None and (key, v) not in there]


def _times(item: Interval | Event) -> dict[str, float]:
    if item.from_s == item.to_s:
        return {"at_s": item.from_s}
    return {name: float(getattr(item, name)) for name in _TIMES if math.isfinite(getattr(item, name))}


def _values(row: Mapping[str, Any], where: str) -> tuple[dict[str, str | float], list[Interval]]:
    """Values of one row: those that hold once, and those that hold for its interval."""
    start, stop = _from_to(row, where)
    once: dict[str, str | float] = {}
    intervals = []
    for given, value in row.items():
        key = ALIASES.get(str(given), str(given))
        if key in _TIMES or empty(value):
            continue
        if key in ONCE_KEYS:
            if key in once:
                raise InputError(f"{where}: {key} is given twice")
            once[key] = ONCE_KEYS[key](value, f"{where}: {given}")
        elif key in INTERVAL_KEYS:
            intervals.append(Interval(key, INTERVAL_KEYS[key](value, f"{where}: {given}"), start, stop))
        else:
            known = (*INTERVAL_KEYS, *ONCE_KEYS, *ALIASES, *_TIMES, "intervals", "events", "setup")
            raise InputError(f"{where}: unknown key {key!r}{near(key, known)}")
    return once, intervals


def _from_to(row: Mapping[str, Any], where: str) -> tuple[float, float]:
    """Start and end of a row [s], infinite where it is open."""
    found = []
    for name, open_end in zip(_TIMES, (-math.inf, math.inf), strict=True):
        value = row.get(name)
        if empty(value):
            found.append(open_end)
            continue
        time = number(value, f"{where}: {name}", infinite=open_end > 0)
        if time < 0:
            raise InputError(f"{where}: {name} must not be negative, got {time:g}")
        found.append(time)
    start, stop = found
    if not stop > start:
        raise InputError(f"{where}: to_s must come after from_s, got {start:g} to {stop:g}")
    return start, stop


def _event(row: Mapping[str, Any], where: str) -> Event:
    """One marked event."""
    for key in row:
        if key not in _EVENT_KEYS and not empty(row[key]):
            raise InputError(f"{where}: unknown key {key!r}{near(str(key), _EVENT_KEYS)}")
    kind = _one_of(EVENTS)(row.get("kind"), f"{where}: kind")
    note = "" if empty(row.get("note")) else text(row["note"], f"{where}: note")
    if empty(row.get("at_s")):
        start, stop = _from_to(row, where)
        if math.isinf(start):
            raise InputError(f"{where}: an event needs at_s, or from_s with or without to_s")
        return Event(kind, start, stop, note)
    if not all(empty(row.get(name)) for name in _TIMES):
        raise InputError(f"{where}: an event has at_s, or from_s and to_s, not both")
    at = number(row["at_s"], f"{where}: at_s")
    if at < 0:
        raise InputError(f"{where}: at_s must not be negative, got {at:g}")
    return Event(kind, at, at, note)


def _refuse_contradictions(intervals: Iterable[Interval]) -> None:
    by_key: dict[str, list[Interval]] = {}
    for interval in intervals:
        by_key.setdefault(interval.key, []).append(interval)
    for key, found in by_key.items():
        if key == "note":
            continue
        furthest: dict[str | float, float] = {}
        for later in sorted(found, key=lambda x: x.from_s):
            for value, end in furthest.items():
                if value != later.value and end > later.from_s:
                    raise InputError(
                        f"context: {key} is both {value} and {later.value} from "
                        f"{max(later.from_s, 0.0):g} s on; let one interval end where the other begins"
                    )
            furthest[later.value] = max(furthest.get(later.value, -math.inf), later.to_s)


def _refuse_lonely_flow(intervals: tuple[Interval, ...]) -> None:
    """Refuse a flow without its averaging window: it cannot be compared with anything."""
    stretches: dict[str, set[tuple[float, float]]] = {
        "reference_flow_l_per_min": set(),
        "reference_flow_window_s": set(),
    }
    for interval in intervals:
        if interval.key in stretches:
            stretches[interval.key].add((interval.from_s, interval.to_s))
    flow, window = stretches.values()
    if flow != window:
        raise InputError(
            "context: reference_flow_l_per_min and reference_flow_window_s must be given together, "
            "for the same interval"
        )
