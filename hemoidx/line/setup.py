"""
The set-up sheet: what stood between artery and recorder, from the fluid bag to the cannula.

It documents a recording for research and teaching. It is not a bedside checklist: local policy and licensed
practice decide there. What a sheet tells about a trace is found by `hemoidx.line.inspection.inspect`.
"""

from __future__ import annotations

import json
import os
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, datetime
from pathlib import Path
from typing import Any, Self

from hemoidx.errors import InputError

from .level import Level
from .setup_fields import (
    check_fields,
    count,
    day,
    explained,
    flag,
    listed,
    moment,
    number,
    read_mapping,
    specs,
    text,
    unknown_keys,
    word,
)
from .setup_taps import TURNS, Tap, read_taps

__all__ = ["CAUTION", "SITES", "Setup", "Tap", "blank_sheet"]

#: Sites as in the context of a recording; a site that nobody knows is simply not documented.
SITES = (
    *("radial", "ulnar", "brachial", "axillary", "femoral", "dorsalis_pedis", "posterior_tibial"),
    *("temporal", "carotid", "umbilical", "aorta", "other"),
)
CAUTION = (
    "A set-up sheet documents a recording for research and teaching only; not for patient care. "
    "Local policy and licensed practice decide at the bedside."
)


@dataclass(frozen=True)
class Setup:
    """
    Set-up sheet of a line, as found at one moment; None is "nobody documented it".

    It documents a recording for research and teaching; local policy and licensed practice decide at the
    bedside.

    Attributes
    ----------
    record_id : str, optional
        The recording it belongs to.
    inspected_at : datetime, optional
        When the line was looked at. All times of a sheet are with, or all without, a time zone.
    inspected_by : str, optional
        By whom, in free text.
    fluid : str, optional
        ``saline`` (0.9 %), ``half_saline`` (0.45 %), ``balanced`` (Ringer's and the like), ``glucose``
        (any bag that holds glucose), ``water``, ``other``.
    fluid_additive : str, optional
        ``none``, ``heparin``, ``other``.
    fluid_expires_on : date, optional
        Last day of use. A month alone, as on many bags, is its last day.
    fluid_clarity : str, optional
        ``clear``, ``cloudy``, ``discoloured``, ``particles``.
    bag_pressure_mmhg : float, optional
        Pressure of the cuff around the bag [mmHg].
    drip_chamber_filled : bool, optional
        Whether the drip chamber holds fluid, so that no air can pass.
    clamp_open : bool, optional
        Whether the clamp between bag and transducer is open.
    n_taps : int, optional
        Number of taps between transducer and cannula, without the transducer's own.
    taps : tuple of Tap, optional
        The same taps one by one.
    tubing_length_cm : float, optional
        Length from transducer to cannula [cm].
    tubing_bore_mm : float, optional
        Inner diameter [mm].
    tubing_stiffness : str, optional
        ``stiff`` or ``soft``.
    tubing_kinked : bool, optional
        Whether tubing or cannula is kinked.
    bubbles_seen : bool, optional
        Whether air was seen between bag and cannula.
    bubble_volume_ml : float, optional
        Their volume [mL]; 0 if there are none.
    bubbles_where : str, optional
        Where, in free text.
    reference_level : str, optional
        What the transducer was levelled to: ``heart``, ``ear`` (external auditory meatus) or ``other``.
    transducer_above_reference_cm : float, optional
        Height above that level of the opening to air at which the zero was taken, commonly the transducer's
        tap, as the line stands at the inspection; negative if below [cm].
    transducer_tap : str, optional
        How the transducer's own tap stands, one of `TURNS`.
    zeroed : bool, optional
        Whether a zero was taken at all.
    zeroed_at : datetime, optional
        When the last zero was taken.
    moved_since_zero : bool, optional
        Whether transducer or bed was moved against the other after the last zero and before the height was
        looked at: the zero holds, the height meanwhile nobody knows.
    cannula_kind : str, optional
        ``short``, ``long``, ``sheath`` or ``other``.
    cannula_gauge : int, optional
        Gauge; a larger number is a narrower cannula.
    cannula_site : str, optional
        One of `SITES`.
    cannula_days_in_place : float, optional
        Age of the cannula [days].
    collateral_flow_looked_at : bool, optional
        Whether collateral flow was looked at. Recorded and not graded: tests of it agree poorly with
        Doppler (Jarvis 2000, Di Santo 2018) and have not been shown to predict harm (Brzezinski 2009).
    collateral_flow_how : str, optional
        How, in free text.
    note : str, optional
        Free text.

    Raises
    ------
    InputError
        If a value cannot be, or two contradict each other; all problems in one line.

    References
    ----------
    Jarvis MA and others, Ann Thorac Surg 2000;70:1362-1365. Di Santo P and others, CMAJ 2018;190:E380-E388.
    Brzezinski M and others, Anesth Analg 2009, doi 10.1213/ANE.0b013e3181bbd416.

    Examples
    --------
    >>> sheet = Setup.read({"fluid": "saline", "bag_pressure_mmhg": 300, "taps": [{"tight": True}]})
    >>> sheet.tap_count, sheet.bag_pressure_mmhg
    (1, 300.0)
    """

    # RUF009 does not know that dates cannot be changed in place.
    record_id: str | None = text("recording it belongs to")
    inspected_at: datetime | None = moment("when the line was looked at")  # noqa: RUF009
    inspected_by: str | None = text("by whom")
    fluid: str | None = word(
        "fluid in the bag", "saline", "half_saline", "balanced", "glucose", "water", "other"
    )
    fluid_additive: str | None = word("what was added to it", "none", "heparin", "other")
    fluid_expires_on: date | None = day("last day of use of the bag")  # noqa: RUF009
    fluid_clarity: str | None = word("look of the fluid", "clear", "cloudy", "discoloured", "particles")
    bag_pressure_mmhg: float | None = number("pressure of the cuff around the bag", "mmHg", 0, 600)
    drip_chamber_filled: bool | None = flag("whether the drip chamber holds fluid")
    clamp_open: bool | None = flag("whether the clamp below the bag is open")
    n_taps: int | None = count("taps between transducer and cannula, without the transducer's own", 0, 20)
    taps: tuple[Tap, ...] | None = listed("the same taps one by one")
    tubing_length_cm: float | None = number("length from transducer to cannula", "cm", 5, 1000)
    tubing_bore_mm: float | None = number("inner diameter of the tubing", "mm", 0.2, 8)
    tubing_stiffness: str | None = word("wall of the tubing", "stiff", "soft")
    tubing_kinked: bool | None = flag("whether tubing or cannula is kinked")
    bubbles_seen: bool | None = flag("whether air was seen in the line")
    bubble_volume_ml: float | None = number("volume of the air", "mL", 0, 20)
    bubbles_where: str | None = text("where the air was")
    reference_level: str | None = word("what the transducer was levelled to", "heart", "ear", "other")
    transducer_above_reference_cm: float | None = number(
        "height above it of the opening to air at which the zero was taken, negative if below",
        *("cm", -150, 150),
    )
    transducer_tap: str | None = word("how the transducer's own tap stands", *TURNS)
    zeroed: bool | None = flag("whether a zero was taken")
    zeroed_at: datetime | None = moment("when the last zero was taken")  # noqa: RUF009
    moved_since_zero: bool | None = flag("whether transducer or bed was moved since the last zero")
    cannula_kind: str | None = word("kind of cannula", "short", "long", "sheath", "other")
    cannula_gauge: int | None = count("gauge of the cannula", 10, 30, "gauge")
    cannula_site: str | None = word("artery it lies in", *SITES)
    cannula_days_in_place: float | None = number("age of the cannula", "days", 0, 366)
    collateral_flow_looked_at: bool | None = flag("whether collateral flow was looked at; not graded")
    collateral_flow_how: str | None = text("how it was looked at")
    note: str | None = text("anything else")

    def __post_init__(self) -> None:
        problems = check_fields(self)
        try:
            object.__setattr__(self, "taps", read_taps(self.taps))
        except InputError as error:
            problems.append(str(error))
        # Contradictions are looked for among values that are each possible.
        if problems := problems or _contradictions(self):
            raise InputError("; ".join(problems))

    @classmethod
    def read(cls, source: Setup | Mapping[str, Any] | str | os.PathLike[str] | None) -> Self:
        """
        Read and check a sheet.

        Parameters
        ----------
        source : Setup, mapping, path or None
            A mapping of the fields, or a YAML or JSON file of one. Fields that are left out, left empty or
            called "unknown" are not documented.

        Returns
        -------
        Setup
            The checked sheet.

        Raises
        ------
        InputError
            If anything in it cannot be used; all problems in one line.
        DataUnavailableError
            If the file is not there.
        """
        if source is None:
            return cls()
        if isinstance(source, Setup):
            return cls(**{name: getattr(source, name) for name in specs(cls)})
        where = "set-up sheet"
        if isinstance(source, str | os.PathLike):
            where = f"{where} {Path(source).name}"
            source = read_mapping(source, where)
        if not isinstance(source, Mapping):
            raise InputError(f"{where}: need a mapping of fields or a file, got {type(source).__name__}")
        problems = unknown_keys(source, specs(cls))
        try:
            sheet = cls(**{name: source[name] for name in specs(cls) if name in source})
        except InputError as error:
            problems.append(str(error))
        if problems:
            raise InputError(f"{where}: {'; '.join(problems)}")
        return sheet

    def write(self, path: str | os.PathLike[str]) -> Path:
        """
        Write what is documented as a file that `read` understands; a file of that name is replaced.

        Parameters
        ----------
        path : path-like
            A .yaml, .yml or .json file.

        Returns
        -------
        Path
            The file.

        Raises
        ------
        InputError
            If the suffix is another, or the file cannot be written.
        """
        file = Path(path)
        if file.suffix.lower() not in (".yaml", ".yml", ".json"):
            raise InputError(f"set-up sheet {file.name}: need a .yaml or .json file to write")
        if file.suffix.lower() == ".json":
            content = json.dumps(self.to_json(), indent=2, ensure_ascii=False) + "\n"
        else:
            import yaml

            body = yaml.safe_dump(self.to_json(), sort_keys=False, allow_unicode=True, width=100)
            content = f"# {CAUTION}\n{body}"
        part = file.with_name(f"{file.name}.part")
        try:
            part.write_text(content, encoding="utf-8")
            part.replace(file)
        except OSError as error:
            part.unlink(missing_ok=True)
            raise InputError(
                f"set-up sheet {file.name}: cannot be written ({error.strerror or error})"
            ) from error
        return file

    def to_json(self) -> dict[str, Any]:
        """Give what is documented as a mapping of plain values that `read` understands."""
        return _plain(self)

    @property
    def tap_count(self) -> int | None:
        """Number of taps, however it was documented."""
        return self.n_taps if self.taps is None else len(self.taps)

    @property
    def has_bubbles(self) -> bool | None:
        """Whether there is air in the line, however it was documented."""
        return self.bubbles_seen if self.bubble_volume_ml is None else self.bubble_volume_ml > 0

    @property
    def level_offset_mmhg(self) -> float | None:
        """What the channel reads too much because of the transducer's height [mmHg]."""
        height = self.transducer_above_reference_cm
        return None if height is None else Level(height).reading_error

    @property
    def zero_age_h(self) -> float | None:
        """Time from the last zero to the inspection [h]."""
        if self.inspected_at is None or self.zeroed_at is None:
            return None
        return (self.inspected_at - self.zeroed_at).total_seconds() / 3600

    @property
    def days_past_expiry(self) -> int | None:
        """Days from the last day of use to the inspection [days]; negative before it."""
        if self.inspected_at is None or self.fluid_expires_on is None:
            return None
        return (self.inspected_at.date() - self.fluid_expires_on).days

    def undocumented(self) -> tuple[str, ...]:
        """Fields that nobody documented, in the order of the sheet; free text is not missed."""
        settled = _settled(self)
        missing = [
            name
            for name, spec in specs(self).items()
            if getattr(self, name) is None and not spec.optional and name not in settled
        ]
        for i, tap in enumerate(self.taps or (), start=1):
            missing += [f"taps[{i}].{name}" for name in specs(tap) if getattr(tap, name) is None]
        return tuple(missing)


def _contradictions(sheet: Setup) -> list[str]:
    """What cannot be true together."""
    found = []
    if sheet.taps is not None and sheet.n_taps not in (None, len(sheet.taps)):
        found.append(f"n_taps is {sheet.n_taps}, but taps lists {len(sheet.taps)}")
    if sheet.bubbles_seen is not None and sheet.has_bubbles != sheet.bubbles_seen:
        seen = "seen" if sheet.bubbles_seen else "not seen"
        found.append(f"bubble_volume_ml is {sheet.bubble_volume_ml:g}, but bubbles were {seen}")
    if sheet.has_bubbles is False and sheet.bubbles_where is not None:
        found.append("bubbles_where is given, but there are no bubbles")
    if sheet.zeroed is False and sheet.zeroed_at is not None:
        found.append("zeroed_at is given, but zeroed is no")
    if sheet.zeroed is False and sheet.moved_since_zero is not None:
        found.append("moved_since_zero is given, but zeroed is no")
    if sheet.collateral_flow_looked_at is False and sheet.collateral_flow_how is not None:
        found.append("collateral_flow_how is given, but collateral_flow_looked_at is no")
    if sheet.inspected_at is not None and sheet.zeroed_at is not None:
        if (sheet.inspected_at.utcoffset() is None) != (sheet.zeroed_at.utcoffset() is None):
            found.append("inspected_at and zeroed_at must both have a time zone, or neither")
        elif sheet.zeroed_at > sheet.inspected_at:
            found.append("zeroed_at must not come after inspected_at")
    return found


def _settled(sheet: Setup) -> set[str]:
    """Fields that are empty because another one has answered them."""
    settled = set()
    if sheet.tap_count is not None:
        settled.add("n_taps")
    if sheet.tap_count == 0:
        settled.add("taps")
    if sheet.bubble_volume_ml is not None:
        settled.add("bubbles_seen")
    if sheet.bubbles_seen is False:
        settled.add("bubble_volume_ml")
    if sheet.zeroed_at is not None:
        settled.add("zeroed")
    if sheet.zeroed is False:
        settled |= {"zeroed_at", "moved_since_zero"}
    return settled


def _plain(sheet: Setup | Tap) -> dict[str, Any]:
    plain: dict[str, Any] = {}
    for name in specs(sheet):
        value = getattr(sheet, name)
        if isinstance(value, date):  # a datetime is one, too
            plain[name] = value.isoformat()
        elif isinstance(value, tuple):
            plain[name] = [_plain(tap) for tap in value]
        elif value is not None:
            plain[name] = value
    return plain


def blank_sheet() -> str:
    """
    Give an empty sheet in YAML to fill in by hand: every field with its meaning, unit and words.

    Returns
    -------
    str
        Text that `Setup.read` takes as a file, as it stands or filled in.
    """
    lines = [f"# {CAUTION}", "# What is left empty counts as not documented."]
    for name, spec in specs(Setup).items():
        lines += [f"# {explained(spec)}", f"{name}:"]
        if spec.kind == "list":
            lines += [f"#  - {{{', '.join(f'{key}: ' for key in specs(Tap))}}}"]
            lines += [f"#    {key}: {explained(part)}" for key, part in specs(Tap).items()]
    return "\n".join(lines) + "\n"
