"""From the set-up sheet to a physical line, and what changes to it would do."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

from ..errors import InputError
from .physics import PhysicalLine, lumped
from .setup import Setup
from .tubing import Fluid

#: Density [kg/m3] and viscosity [mPa s] at 20 C, rounded; from memory, no source.
FLUIDS = {
    "water": Fluid(998.0, 1.00),
    "saline": Fluid(1005.0, 1.02),
    "half_saline": Fluid(1002.0, 1.01),
    "balanced": Fluid(1004.0, 1.02),
    "glucose": Fluid(1017.0, 1.14),
}
#: Inner diameter of a cannula by its gauge [mm], rounded; from memory, makers differ.
BORES = {14: 1.7, 16: 1.3, 18: 0.95, 20: 0.8, 22: 0.6, 24: 0.45, 26: 0.35}
#: Length of a cannula by its kind [mm]; assumptions.
CANNULAS = {"short": 45.0, "long": 120.0, "sheath": 100.0}
#: Compliance of the wall of a metre of tubing [mm3/mmHg]; assumptions, no published number was found.
WALLS = {"stiff": 0.012, "soft": 0.05}


@dataclass(frozen=True, slots=True)
class FromSetup:
    """
    A physical line read from a set-up sheet.

    Attributes
    ----------
    line : PhysicalLine
        The line.
    assumed : tuple of str
        What the sheet does not tell and was assumed, in words, one for each value.
    left_out : tuple of str
        What the sheet tells, but the model cannot hold.
    """

    line: PhysicalLine
    assumed: tuple[str, ...]
    left_out: tuple[str, ...]

    def words(self) -> str:
        """Natural frequency and damping ratio by the model, with what they rest on."""
        found = lumped(self.line)
        rest = [f"Assumed: {'; '.join(self.assumed)}."] if self.assumed else []
        rest += [f"Left out: {'; '.join(self.left_out)}."] if self.left_out else []
        return " ".join(
            [
                f"By a physical model, not measured: natural frequency {found.natural_frequency_hz:.0f} Hz, "
                f"damping ratio {found.damping_ratio:.2f}.",
                *rest,
            ]
        )


def from_setup(setup: Setup, **known: Any) -> FromSetup:
    """
    Read a physical line from a set-up sheet.

    Parameters
    ----------
    setup : Setup
        The sheet.
    **known
        Values of `PhysicalLine` that the sheet does not hold or that are known better.

    Returns
    -------
    FromSetup
        The line, with everything that was assumed.

    Raises
    ------
    InputError
        If a value cannot be, or is no value of a line.
    """
    if unknown := sorted(set(known) - set(PhysicalLine.__dataclass_fields__)):
        raise InputError(f"line: {', '.join(unknown)} is no value of a line")
    told = _told(setup)
    line = PhysicalLine(**(told | known))
    assumed = [
        f"{name} {_shown(getattr(line, name))}"
        for name in PhysicalLine.__dataclass_fields__
        if name not in told and name not in known and name not in _BY_CHOICE
    ]
    if setup.has_bubbles and not setup.bubble_volume_ml and "bubble_volume_ml" not in known:
        assumed = [text for text in assumed if not text.startswith("bubble_volume_ml")]
        assumed.append("bubble_volume_ml 0 although air was seen: natural frequency is at most the one given")
    return FromSetup(line, tuple(assumed), _left_out(setup, known))


# Choices of the model rather than facts of a line, and what is only a detail of a value that is zero.
_BY_CHOICE = ("gas", "profile", "constriction_mmhg_s_per_ml", "bubble_at", "atmosphere_mmhg")


def _told(setup: Setup) -> dict[str, Any]:
    """Values of a line that a sheet tells."""
    told: dict[str, Any] = {
        "tubing_length_cm": setup.tubing_length_cm,
        "tubing_bore_mm": setup.tubing_bore_mm,
        "wall_compliance_mm3_per_mmhg_m": WALLS.get(setup.tubing_stiffness or ""),
        "fluid": FLUIDS.get(setup.fluid or ""),
        "taps": setup.tap_count,
        "cannula_bore_mm": _bore(setup.cannula_gauge),
        "cannula_length_mm": CANNULAS.get(setup.cannula_kind or ""),
        "bubble_volume_ml": 0.0 if setup.has_bubbles is False else setup.bubble_volume_ml,
    }
    return {name: value for name, value in told.items() if value is not None}


def _bore(gauge: int | None) -> float | None:
    """Bore of a gauge [mm], between known ones in proportion; unknown beyond them."""
    if gauge is None or not min(BORES) <= gauge <= max(BORES):
        return None
    below = max(g for g in BORES if g <= gauge)
    above = min(g for g in BORES if g >= gauge)
    share = 0.0 if above == below else (gauge - below) / (above - below)
    return float(BORES[below] ** (1 - share) * BORES[above] ** share)


def _left_out(setup: Setup, known: Mapping[str, Any]) -> tuple[str, ...]:
    """What a sheet tells and the model cannot hold without a number."""
    out = []
    if setup.tubing_kinked and "constriction_mmhg_s_per_ml" not in known:
        out.append("the kink: its resistance is not known, it damps and may do so strongly")
    if setup.has_bubbles and setup.bubble_volume_ml and "bubble_at" not in known:
        out.append("where the air is: taken to be at the transducer, where it harms most")
    if any(tap.turned not in (None, "through") for tap in setup.taps or ()):
        out.append("a tap that may not be open to the line")
    return tuple(out)


def _shown(value: object) -> str:
    if isinstance(value, Fluid):
        return f"{value.density_kg_m3:g} kg/m3 and {value.viscosity_mpa_s:g} mPa s"
    return f"{value:g}" if isinstance(value, int | float) else str(value)


@dataclass(frozen=True, slots=True)
class Change:
    """
    What a change to a line would do, by the lumped model.

    Attributes
    ----------
    name : str
        The change, in words.
    natural_frequency_hz, damping_ratio : float
        Natural frequency [Hz] and damping ratio after it.
    natural_frequency_change_hz, damping_change : float
        After less before.
    line : PhysicalLine
        The changed line.
    """

    name: str
    natural_frequency_hz: float
    damping_ratio: float
    natural_frequency_change_hz: float
    damping_change: float
    line: PhysicalLine


def what_if(
    line: PhysicalLine, changes: Iterable[tuple[str, Mapping[str, Any]]] | None = None
) -> tuple[Change, ...]:
    """
    Give natural frequency and damping ratio of a line as it is and after changes, one at a time.

    Parameters
    ----------
    line : PhysicalLine
        The line.
    changes : iterable of (str, mapping), optional
        Name and changed values. By default those that make sense for this line: no bubble, half of the
        tubing, stiff tubing, no taps, no narrow place, all of these together; and what a bubble of 0.1 mL
        would do.

    Returns
    -------
    tuple of Change
        The first is the line as it is.
    """
    before = lumped(line)
    listed = [("as it is", {}), *(_usual(line) if changes is None else changes)]
    out = []
    for name, values in listed:
        changed = line.replace(**values)
        after = lumped(changed)
        out.append(
            Change(
                name,
                after.natural_frequency_hz,
                after.damping_ratio,
                after.natural_frequency_hz - before.natural_frequency_hz,
                after.damping_ratio - before.damping_ratio,
                changed,
            )
        )
    return tuple(out)


def _usual(line: PhysicalLine) -> list[tuple[str, Mapping[str, Any]]]:
    """Changes that make sense for a line."""
    better: list[tuple[str, Mapping[str, Any]]] = []
    if line.bubble_volume_ml > 0:
        better.append((f"without the bubble of {line.bubble_volume_ml:g} mL", {"bubble_volume_ml": 0.0}))
    half = line.tubing_length_cm / 2
    better.append((f"tubing of {half:g} instead of {line.tubing_length_cm:g} cm", {"tubing_length_cm": half}))
    if line.wall_compliance_mm3_per_mmhg_m > WALLS["stiff"]:
        better.append(("stiff tubing", {"wall_compliance_mm3_per_mmhg_m": WALLS["stiff"]}))
    if line.taps:
        better.append(("without taps", {"taps": 0}))
    if line.constriction_mmhg_s_per_ml > 0:
        better.append(("without the narrow place", {"constriction_mmhg_s_per_ml": 0.0}))
    together: dict[str, Any] = {}
    for _, values in better:
        together |= values
    # Nothing would give way in a line without its bubble, if wall and transducer are rigid.
    if not (line.wall_compliance_mm3_per_mmhg_m or line.transducer_compliance_mm3_per_100mmhg):
        return [(name, values) for name, values in better if "bubble_volume_ml" not in values]
    worse = ("with 0.1 mL more air at the transducer", {"bubble_volume_ml": line.bubble_volume_ml + 0.1})
    return [*better, *([("all of these", together)] if len(better) > 1 else []), worse]
