"""Which channel is what: the one place where names are given a meaning."""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import TYPE_CHECKING

from hemoidx.errors import DataUnavailableError, InputError
from hemoidx.units import pressure_unit

if TYPE_CHECKING:
    import xarray as xr

ARTERIAL = "arterial_pressure"

# Names that open databases give to the arterial pressure, in the order in which they are taken.
# ABP, ART, IBP and BP are entries of the WFDB calibration table; AOBP and UAP (aortic and
# umbilical) are common practice, no source. ART (radial) and FEM (femoral) are sites as an open
# database of operations writes them, ABP_RAW that of a derived set.
_INVASIVE = ("ABP", "ART", "AOBP", "IBP", "BP", "UAP", "ART (RADIAL)", "FEM (FEMORAL)", "FEM", "ABP_RAW")
# Sites of simulated pulse waves: a site name and _P.
_SITES = (
    *("AORTICROOT", "THORAORTA", "ABDAORTA", "ILIACBIF", "CAROTID", "SUPTEMPORAL", "SUPMIDCEREBRAL"),
    *("BRACHIAL", "RADIAL", "DIGITAL", "COMMONILIAC", "FEMORAL", "ANTTIBIAL"),
)
_SITE_NAMES = tuple(f"{site}_P" for site in _SITES)
_NON_INVASIVE = ("FINGER", "FINGER PRESSURE", "NIBP")
# A bare pressure number says which socket, not which vessel; P3 and P4 are also electrode places.
_DOUBTFUL = ("P1", "P2", "P3", "P4")
ARTERIAL_ORDER = (*_INVASIVE, *_SITE_NAMES, *_NON_INVASIVE, *_DOUBTFUL)

_OTHER_PRESSURES = {
    "PAP": "pulmonary_pressure",
    "PA": "pulmonary_pressure",
    "CVP": "central_venous_pressure",
    "ICP": "intracranial_pressure",
}
# What a cuff or a monitor's number says now and then, by the names of open databases.
_STATISTIC = {"S": "systolic", "D": "diastolic", "M": "mean"}
_CUFF = re.compile(r"(NIBP|NBP)[_ ]?(?P<which>[SDM])(BP|YS|IAS?|EAN)?")
CUFF = "cuff_pressure"
PRESSURE_ROLES = frozenset({ARTERIAL, CUFF, *_OTHER_PRESSURES.values()})
_PATTERNS = (
    ("ecg", re.compile(r"I|II|III|AV[RLF]|V\d?|MCL\d?|ECG.*|EKG.*")),
    ("respiration", re.compile(r"RESP.*")),
    ("co2", re.compile(r"(ET)?CO2")),
    ("pleth", re.compile(r"PLETH.*|PPG.*")),
    ("flow", re.compile(r"FLOW.*|\w+_[UQ]")),
    ("cardiac_output", re.compile(r"CCO|CARDIAC[_ ]OUTPUT")),
    ("numeric", re.compile(r"(ART|FEM|ABP)[_ ]?[SDM](BP|YS|IAS?|EAN)?|HR|PULSE.*|RR|SPO2|VENT_.*")),
)
# Where in the body a name says that the cannula or the point of a simulated wave lies.
_SITE = (
    *(("radial", re.compile(r".*RADIAL.*")), ("femoral", re.compile(r"FEM.*|.*FEMORAL.*"))),
    *(("brachial", re.compile(r".*BRACHIAL.*")), ("carotid", re.compile(r".*CAROTID.*"))),
    *(("aorta", re.compile(r"AOBP|.*AORT.*")), ("umbilical", re.compile(r"UAP"))),
)
_TITLES = {
    ARTERIAL: "arterial pressure",
    "pulmonary_pressure": "pulmonary arterial pressure",
    "central_venous_pressure": "central venous pressure",
    "intracranial_pressure": "intracranial pressure",
    "ecg": "electrocardiogram",
    "respiration": "respiration",
    "co2": "carbon dioxide in the airway",
    "pleth": "plethysmogram",
    "flow": "flow",
    "cardiac_output": "cardiac output",
    "cuff_pressure": "pressure by a cuff",
    "numeric": "number noted now and then",
}


def plain_name(name: str) -> str:
    """
    Reduce a channel name to what is compared.

    Parameters
    ----------
    name : str
        As in the file.

    Returns
    -------
    str
        Capitals, the part after the last slash (device/NAME), no commas or spaces at the ends.

    Examples
    --------
    >>> plain_name("monitor/ART"), plain_name("Radial_P, ")
    ('ART', 'RADIAL_P')
    """
    return re.sub(r"\s+", " ", name.rsplit("/", 1)[-1].strip(" \t,")).upper()


def _arterial_rank(name: str) -> int | None:
    plain = plain_name(name)
    for trial in (plain, re.sub(r"_?\d$", "", plain)):
        if trial in ARTERIAL_ORDER:
            return ARTERIAL_ORDER.index(trial)
    return None


def role_of(name: str, unit: str | None = None) -> str:
    """
    Role of a channel, by its name.

    Parameters
    ----------
    name : str
        As in the file.
    unit : str, optional
        Its unit; only asked for names that may also be something else (P1 to P4).

    Returns
    -------
    str
        arterial_pressure, pulmonary_pressure, central_venous_pressure, intracranial_pressure,
        cuff_pressure, ecg, respiration, co2, pleth, flow, cardiac_output, numeric or other. A channel
        called OFF (not connected) is 'other'.

    Examples
    --------
    >>> role_of("ABP"), role_of("MCL1"), role_of("OFF"), role_of("P3", "uV")
    ('arterial_pressure', 'ecg', 'other', 'other')
    """
    plain = plain_name(name)
    if plain in _DOUBTFUL:
        return ARTERIAL if pressure_unit(unit) else "other"
    if _CUFF.fullmatch(plain):
        return CUFF
    for trial in (plain, re.sub(r"_?\d$", "", plain)):
        if trial in _OTHER_PRESSURES:
            return _OTHER_PRESSURES[trial]
    if _arterial_rank(name) is not None:
        return ARTERIAL
    return next((role for role, pattern in _PATTERNS if pattern.fullmatch(plain)), "other")


def site_of(name: str) -> str:
    """
    Where an arterial pressure was measured, if its name says so.

    Parameters
    ----------
    name : str
        As in the file.

    Returns
    -------
    str
        A site as the context of an analysis names it; empty if the name does not say.

    Examples
    --------
    >>> site_of("device/FEM"), site_of("Radial_P"), site_of("ABP")
    ('femoral', 'radial', '')
    """
    plain = plain_name(name)
    return next((site for site, pattern in _SITE if pattern.fullmatch(plain)), "")


def statistic_of(name: str) -> str:
    """
    Which pressure of a cuff a channel holds.

    Returns
    -------
    str
        "systolic", "diastolic" or "mean"; empty if it is none of a cuff.
    """
    found = _CUFF.fullmatch(plain_name(name))
    return _STATISTIC[found["which"]] if found else ""


def holds_pressure(role: str, unit: str | None) -> bool:
    """
    Whether a channel is a pressure, and so is read in mmHg.

    Parameters
    ----------
    role : str
        Its role, see `role_of`.
    unit : str or None
        Its unit.

    Returns
    -------
    bool
        True for the roles of pressures, and for a name that says nothing with a unit of pressure: the user
        may yet ask for it as the arterial pressure.
    """
    return role in PRESSURE_ROLES or (role == "other" and pressure_unit(unit) is not None)


def long_name(name: str, role: str) -> str:
    """
    Describe a channel in words, for axes and tables.

    Parameters
    ----------
    name : str
        Name of the channel.
    role : str
        Its role, see `role_of`.

    Returns
    -------
    str
        For example 'arterial pressure (ABP)'.
    """
    return f"{_TITLES[role]} ({name})" if role in _TITLES else name


def pick_names(names: list[str], wanted: str | Sequence[str] | None, where: str) -> list[str]:
    """
    Match the channels asked for with those there are.

    Parameters
    ----------
    names : list of str
        Channels of the recording.
    wanted : str, sequence of str or None
        What the user asked for; None means all. A name is matched exactly, else by `plain_name`.
    where : str
        The recording, for the error text.

    Returns
    -------
    list of str
        Names of the recording, in the order asked for, each once.

    Raises
    ------
    DataUnavailableError
        If a channel is not there, or its name fits several.
    InputError
        If nothing, or something other than names, was asked for.
    """
    if wanted is None:
        return list(names)
    asked = [wanted] if isinstance(wanted, str) else list(wanted)
    if not asked or not all(isinstance(name, str) for name in asked):
        raise InputError("channels must be a channel name or a list of names; leave it out for all")
    found: dict[str, None] = {}
    for one in asked:
        fits = [one] if one in names else [n for n in names if plain_name(n) == plain_name(one)]
        if len(fits) != 1:
            why = f"fits several: {', '.join(fits)}" if fits else f"is not there; there are {_listed(names)}"
            raise DataUnavailableError(f"channel {one!r} {why} ({where})")
        found[fits[0]] = None
    return list(found)


def explain_arterial(rec: xr.Dataset, channel: str | None = None) -> tuple[str, str]:
    """
    Choose the arterial pressure of a recording, and say why.

    Parameters
    ----------
    rec : xarray.Dataset
        A recording.
    channel : str, optional
        Name asked for; otherwise the first of the names that open databases use, in the order
        ABP, ART, AOBP, IBP, BP, UAP, then sites, then non-invasive ones, then P1 to P4.

    Returns
    -------
    name : str
        The channel.
    reason : str
        One sentence: how it was chosen, and any doubt about it.

    Raises
    ------
    DataUnavailableError
        If there is no such channel, or none that is an arterial pressure.
    InputError
        If the channel named is not a pressure.
    """
    names = [str(name) for name in rec.data_vars]
    where = str(rec.attrs.get("record_id", "recording"))
    if channel is not None:
        name = pick_names(names, channel, where)[0]
        unit, role = str(rec[name].attrs.get("units", "")), str(rec[name].attrs.get("role", "other"))
        if pressure_unit(unit) is None and role not in PRESSURE_ROLES:
            kind = _TITLES.get(role, "of no known kind")
            raise InputError(
                f"channel {name!r} is {kind} in {unit or 'no unit'}, not a pressure; "
                f"there are {_with_units(rec)}"
            )
        doubt = "" if role == ARTERIAL else "; its name does not say that it is an arterial pressure"
        return name, f"channel {name} was asked for{doubt}{_doubt(name)}"
    ranked = [
        (len(ARTERIAL_ORDER) if rank is None else rank, i, name)
        for i, (name, rank) in enumerate((n, _arterial_rank(n)) for n in names)
        if rec[name].attrs.get("role") == ARTERIAL
    ]
    if not ranked:
        raise DataUnavailableError(
            f"no arterial pressure in {where}; there are {_with_units(rec)}; name the channel to be used"
        )
    name = min(ranked)[2]
    others = [n for *_, n in sorted(ranked) if n != name]
    beside = f"; also there: {', '.join(others)}" if others else ""
    return name, f"channel {name} was taken by its name{beside}{_doubt(name)}"


def choose_arterial(rec: xr.Dataset, channel: str | None = None) -> str:
    """
    Name of the arterial pressure channel of a recording.

    Parameters
    ----------
    rec : xarray.Dataset
        A recording.
    channel : str, optional
        Name asked for; see `explain_arterial` for the order in which names are tried without.

    Returns
    -------
    str
        The channel.

    Raises
    ------
    DataUnavailableError
        If there is no such channel, or none that is an arterial pressure.
    InputError
        If the channel named is not a pressure.
    """
    return explain_arterial(rec, channel)[0]


def _doubt(name: str) -> str:
    plain = plain_name(name)
    if plain in _DOUBTFUL:
        return "; its name does not say which pressure it is, so look at it first"
    if re.sub(r"_?\d$", "", plain) in _NON_INVASIVE:
        return "; it is non-invasive (finger or cuff)"
    return ""


def _listed(names: list[str]) -> str:
    return ", ".join(names) if names else "none"


def _with_units(rec: xr.Dataset) -> str:
    return _listed([f"{n} [{rec[n].attrs.get('units') or 'no unit'}]" for n in map(str, rec.data_vars)])
