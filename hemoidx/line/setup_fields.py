"""
Fields of the set-up sheet: what may stand in each, and how a file of them is read.

A slip in a sheet that was silently taken as "not documented" would be worse than no sheet, so everything that
cannot be used is an error that names the field, what it needs, and the nearest known word.
"""

from __future__ import annotations

import calendar
import dataclasses
import difflib
import json
import math
import numbers
import os
import re
import reprlib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from datetime import date, datetime
from pathlib import Path
from typing import Any, Literal

from hemoidx.errors import DataUnavailableError, InputError

Kind = Literal["number", "count", "flag", "word", "text", "day", "moment", "list"]

_NEEDS = {
    "flag": "yes or no",
    "text": "one line of text",
    "day": "a day such as 2026-05-31, or a month such as 2026-05 for its last day",
    "moment": "a day and a time such as 2026-05-31 08:30",
}


@dataclass(frozen=True)
class Spec:
    """
    What may stand in one field.

    Attributes
    ----------
    kind : str
        Kind of value: number, count (whole number), flag (yes or no), word (one of `choices`), text, day,
        moment (day and time), list.
    title : str
        What the field means, in words.
    unit : str
        Unit of a number, or empty.
    low, high : float
        A number outside of these is a slip of the unit or of the pen, not a line.
    choices : tuple of str
        Words allowed.
    optional : bool
        Whether its absence says nothing about the line: free text and the like.
    """

    kind: Kind
    title: str
    unit: str = ""
    low: float = -math.inf
    high: float = math.inf
    choices: tuple[str, ...] = ()
    optional: bool = False

    def check(self, value: Any, what: str) -> Any:
        """
        Read a value; None, an empty text and, but for free text, "unknown" stand for not documented.

        Raises
        ------
        InputError
            If the value cannot be this field's.
        """
        if left_open(value) and not (self.kind == "text" and value):
            return None
        if self.kind in ("number", "count"):
            return self._number(value, what)
        if self.kind == "word":
            return self._word(value, what)
        found = {"flag": _flag, "text": _text, "day": _day, "moment": _moment}[self.kind](value)
        if found is None:
            raise InputError(f"{what}: need {_NEEDS[self.kind]}, got {reprlib.repr(value)}")
        return found

    def _number(self, value: Any, what: str) -> float | int:
        need = "a whole number" if self.kind == "count" else f"a number [{self.unit}]"
        found = _as_float(value)
        if not math.isfinite(found) or (self.kind == "count" and found != int(found)):
            raise InputError(f"{what}: need {need}, got {reprlib.repr(value)}")
        if not self.low <= found <= self.high:
            unit = f" {self.unit}" if self.unit else ""
            raise InputError(f"{what}: must lie between {self.low:g} and {self.high:g}{unit}, got {found:g}")
        return int(found) if self.kind == "count" else found

    def _word(self, value: Any, what: str) -> str:
        word = value.strip().lower() if isinstance(value, str) else reprlib.repr(value)
        if word not in self.choices:
            raise InputError(f"{what}: {word[:60]!r} is not known{near(word, self.choices)}")
        return word


def number(title: str, unit: str, low: float, high: float) -> Any:
    """Field for a number with a unit."""
    return _field(Spec("number", title, unit, low, high))


def count(title: str, low: int, high: int, unit: str = "") -> Any:
    """Field for a whole number."""
    return _field(Spec("count", title, unit, low, high))


def flag(title: str) -> Any:
    """Field for yes or no."""
    return _field(Spec("flag", title))


def word(title: str, *choices: str) -> Any:
    """Field for one of a few words."""
    return _field(Spec("word", title, choices=choices))


def day(title: str) -> Any:
    """Field for a day."""
    return _field(Spec("day", title))


def moment(title: str) -> Any:
    """Field for a day with a time."""
    return _field(Spec("moment", title))


def text(title: str) -> Any:
    """Field for a line of free text, which no rule looks at."""
    return _field(Spec("text", title, optional=True))


def listed(title: str) -> Any:
    """Field for a list of parts, each checked by its own class."""
    return _field(Spec("list", title))


def _field(spec: Spec) -> Any:
    return field(default=None, metadata={"spec": spec})


def specs(sheet: Any) -> dict[str, Spec]:
    """Fields of a sheet, or of its class, with what may stand in them."""
    return {item.name: item.metadata["spec"] for item in dataclasses.fields(sheet)}


def explained(spec: Spec) -> str:
    """What a field means and what may stand in it, for a sheet to be filled in."""
    allowed = ", ".join(spec.choices)
    if spec.kind in ("number", "count"):
        allowed = f"{spec.low:g} to {spec.high:g} {spec.unit}".strip()
    elif spec.kind in ("flag", "day", "moment"):
        allowed = {"flag": "yes, no", "day": "2026-05-31 or 2026-05", "moment": "2026-05-31 08:30"}[spec.kind]
    return f"{spec.title} ({allowed})" if allowed else spec.title


def left_open(value: Any) -> bool:
    """Whether a value stands for "nobody documented it": None, an empty text, or the word unknown."""
    return value is None or (isinstance(value, str) and value.strip().lower() in ("", "unknown"))


def check_fields(sheet: Any) -> list[str]:
    """Check all fields of a frozen sheet but lists, in place, and tell what is wrong with them."""
    problems = []
    for name, spec in specs(sheet).items():
        if spec.kind == "list":
            continue
        try:
            object.__setattr__(sheet, name, spec.check(getattr(sheet, name), name))
        except InputError as error:
            problems.append(str(error))
    return problems


def near(name: str, known: Iterable[str]) -> str:
    """Half a sentence for an error text: the nearest known name, or all of them."""
    known = list(known)
    close = difflib.get_close_matches(name, known, n=1)
    return f"; did you mean {close[0]!r}?" if close else f"; known are {', '.join(known)}"


def unknown_keys(given: Mapping[Any, Any], known: Iterable[str]) -> list[str]:
    """Tell what is wrong with the keys of a mapping."""
    known = list(known)
    strange = [str(key) for key in given if key not in known]
    return [f"unknown key {key[:60]!r}{near(key, known)}" for key in strange]


def _as_float(value: Any) -> float:
    """Read a number as a float, NaN if it is none."""
    if isinstance(value, bool) or not isinstance(value, numbers.Real):
        return math.nan
    try:
        return float(value)
    except OverflowError:
        return math.nan


def _flag(value: Any) -> bool | None:
    return value if isinstance(value, bool) else None


def _text(value: Any) -> str | None:
    line = " ".join(value.split()) if isinstance(value, str) else ""
    # Control characters would break the lines of reports and terminals.
    return line if line and line.isprintable() else None


def _day(value: Any) -> date | None:
    if isinstance(value, date) and not isinstance(value, datetime):
        return value
    found = value.strip() if isinstance(value, str) else ""
    try:
        if re.fullmatch(r"\d{4}-\d\d", found):
            # Bags are often marked with a month only, which they outlast.
            year, month = int(found[:4]), int(found[5:])
            return date(year, month, calendar.monthrange(year, month)[1])
        return date.fromisoformat(found)
    except ValueError:
        return None


def _moment(value: Any) -> datetime | None:
    try:
        if isinstance(value, datetime):
            # A data frame's time stamp is a finer kind of datetime; a plain one writes and reads alike.
            return datetime.combine(value.date(), value.timetz())
        found = value.strip() if isinstance(value, str) else ""
        return datetime.fromisoformat(found) if ":" in found else None
    except ValueError:
        return None


def read_mapping(path: str | os.PathLike[str], where: str) -> Mapping[Any, Any]:
    """
    Read a YAML or JSON file of one mapping; an empty file is an empty sheet.

    Raises
    ------
    InputError
        If it is not such a file, or names a key twice.
    DataUnavailableError
        If it is not there.
    """
    file = Path(path)
    if not file.is_file():
        raise DataUnavailableError(f"{where}: there is no file {file}")
    suffix = file.suffix.lower()
    if suffix not in (".yaml", ".yml", ".json"):
        raise InputError(f"{where}: need a .yaml or .json file, got {file.suffix or 'no suffix'}")
    try:
        content = file.read_text(encoding="utf-8-sig")
    except UnicodeDecodeError as error:
        raise InputError(f"{where}: not a text file in UTF-8") from error
    except OSError as error:
        raise DataUnavailableError(f"{where}: cannot be read ({error.strerror or error})") from error
    found = _json(content, where) if suffix == ".json" else _yaml(content, where)
    if found is None:
        return {}
    if not isinstance(found, Mapping):
        raise InputError(f"{where}: need a mapping of fields, got {type(found).__name__}")
    return found


def _json(content: str, where: str) -> Any:
    def once(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
        _refuse_doubled([key for key, _ in pairs], where)
        return dict(pairs)

    try:
        return json.loads(content, object_pairs_hook=once)
    except json.JSONDecodeError as error:
        raise InputError(f"{where}, line {error.lineno}: not JSON ({error.msg})") from error


def _yaml(content: str, where: str) -> Any:
    import yaml

    class Loader(yaml.SafeLoader):
        # Dates stay text here: the fields read them, and an impossible one is then an error in our words.
        yaml_implicit_resolvers = {  # noqa: RUF012 (the parent's attribute)
            first: [(tag, pattern) for tag, pattern in resolvers if not tag.endswith(":timestamp")]
            for first, resolvers in yaml.SafeLoader.yaml_implicit_resolvers.items()
        }

        def construct_mapping(self, node: yaml.MappingNode, deep: bool = False) -> dict[Any, Any]:
            _refuse_doubled([str(key.value) for key, _ in node.value], where)
            return super().construct_mapping(node, deep)

    try:
        return yaml.load(content, Loader)
    except yaml.YAMLError as error:
        mark = getattr(error, "problem_mark", None)
        line = f", line {mark.line + 1}" if mark is not None else ""
        problem = getattr(error, "problem", None) or "cannot be read"
        raise InputError(f"{where}{line}: not YAML ({' '.join(problem.split())})") from error
    except RecursionError as error:
        raise InputError(f"{where}: not a sheet, it is nested too deeply") from error


def _refuse_doubled(keys: list[str], where: str) -> None:
    for key in keys:
        if keys.count(key) > 1:
            raise InputError(f"{where}: {key[:60]!r} is given twice")
