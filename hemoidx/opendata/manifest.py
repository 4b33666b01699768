"""The list of open databases that travels with the package."""

from __future__ import annotations

import html
import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from importlib import resources
from pathlib import Path
from typing import Any

from hemoidx.errors import DataUnavailableError, InputError

FILE = "data_manifest.yaml"
SCHEMA = 2
ACCESS = ("open", "credentialed", "on request")
PRESSURE = ("invasive", "finger", "simulated", "none")
LAYOUTS = ("wfdb", "tracks", "pulse_waves", None)
_KNOWN = ("verified", "recalled")


def manifest_text() -> str:
    """
    Read the manifest as text.

    Returns
    -------
    str
        From the installed package, else from the checkout it was installed from.

    Raises
    ------
    DataUnavailableError
        If it is in neither place.
    """
    packaged = resources.files("hemoidx") / FILE
    if packaged.is_file():
        return packaged.read_text(encoding="utf-8")
    # An editable installation has no copy in the package: the file is beside it.
    checkout = Path(__file__).resolve().parents[2] / FILE
    if checkout.is_file():
        return checkout.read_text(encoding="utf-8")
    raise DataUnavailableError(f"{FILE} is missing from the installation; install hemoidx again")


@dataclass(frozen=True)
class Database:
    """
    One open database.

    Attributes
    ----------
    slug, title, version : str
        What it is called; the version is None where there is none.
    doi, licence, citation : str or None
        None where it is not known.
    access : str
        "open", "credentialed" or "on request".
    landing : str
        Its page, with the terms in force.
    files : str or None
        Where recordings are fetched from.
    layout : str or None
        How they lie there: "wfdb", "tracks" or "pulse_waves".
    format : str or None
        In words.
    pressure : str
        How arterial pressure was measured: "invasive", "finger", "simulated" or "none".
    rates_hz : dict
        Sampling rates by role [Hz].
    channels : dict
        Names of channels by role.
    records : dict
        ``count``, ``names`` and an ``example``.
    quirks : tuple of dict
        ``what`` is odd, and what the ``loader`` does about it.
    known : dict
        Names of the fields that were ``verified`` at their source, and of those that are ``recalled``.
    """

    slug: str
    title: str
    version: str | None
    doi: str | None
    licence: str | None
    access: str
    citation: str | None
    landing: str
    files: str | None
    layout: str | None
    format: str | None
    pressure: str
    rates_hz: Mapping[str, float]
    channels: Mapping[str, list[str]]
    records: Mapping[str, Any]
    quirks: tuple[Mapping[str, str], ...]
    known: Mapping[str, list[str]]

    def terms(self) -> str:
        """Say access and licence, and whether the licence was read at its source."""
        if self.licence is None:
            words = "its licence is not known here"
        else:
            words = f"licence {self.licence}"
            if "licence" in self.known["recalled"]:
                words += " as remembered"
        return f"{self.access}, {words}; the terms in force stand at {self.landing}"

    def bibtex(self) -> str:
        """Give the citation as an entry of BibTeX, as far as it is known."""
        year = re.search(r"\b(19|20)\d\d\b", self.citation or "")
        fields = {
            "title": f"{{{self.title}}}",
            "version": self.version,
            "doi": self.doi,
            "year": year.group() if year else None,
            "url": self.landing,
            "note": self.citation,
        }
        lines = "".join(f"  {name} = {{{value}}},\n" for name, value in fields.items() if value)
        return f"@misc{{{self.slug.replace('-', '_')},\n{lines}}}"

    def __str__(self) -> str:
        rows = [
            self.title + (f", version {self.version}" if self.version else ""),
            f"  {self.terms()}",
            f"  pressure: {self.pressure}; format: {self.format or 'not known here'}",
            f"  recordings: {self.records['count'] or 'not counted'}, "
            f"{self.records['names'] or 'names not known'}",
            f"  cite: {self.citation or 'not known here'}",
        ]
        rows += [f"  odd: {quirk['what']}; the loader: {quirk['loader']}" for quirk in self.quirks]
        if self.known["recalled"]:
            rows.append(f"  from memory: {', '.join(self.known['recalled'])}")
        return "\n".join(rows)


class Databases(Mapping[str, Database]):
    """
    Open databases by slug; shows itself as a table.

    `where` picks some, `citation` gives what to cite.
    """

    def __init__(self, entries: Mapping[str, Database]) -> None:
        self._entries = dict(entries)

    def __getitem__(self, slug: str) -> Database:
        if slug not in self._entries:
            raise DataUnavailableError(f"no database {slug!r} is known; there are {', '.join(self._entries)}")
        return self._entries[slug]

    def __contains__(self, slug: object) -> bool:
        return slug in self._entries

    def __iter__(self) -> Iterator[str]:
        return iter(self._entries)

    def __len__(self) -> int:
        return len(self._entries)

    def where(self, **wanted: Any) -> Databases:
        """
        Pick databases by their fields.

        Parameters
        ----------
        **wanted : object
            Values that fields must have, such as ``pressure="invasive"``; ``channel="co2"`` asks for a role.

        Returns
        -------
        Databases
            Those that fit.

        Raises
        ------
        InputError
            If there is no such field.
        """
        found = self._entries
        for name, value in wanted.items():
            if name == "channel":
                found = {slug: entry for slug, entry in found.items() if value in entry.channels}
            elif name in Database.__dataclass_fields__:
                found = {slug: entry for slug, entry in found.items() if getattr(entry, name) == value}
            else:
                raise InputError(f"databases have no field {name!r}")
        return Databases(found)

    def citation(self, slug: str, style: str = "text") -> str:
        """
        Give what to cite.

        Parameters
        ----------
        slug : str
            The database.
        style : str
            "text", or "bibtex".

        Returns
        -------
        str
            Ready to paste.

        Raises
        ------
        DataUnavailableError
            If there is no such database, or its citation is not known here.
        """
        entry = self[slug]
        if style == "bibtex":
            return entry.bibtex()
        if entry.citation is None:
            raise DataUnavailableError(f"{slug}: its citation is not known here; see {entry.landing}")
        return entry.citation + (f" doi {entry.doi}" if entry.doi and entry.doi not in entry.citation else "")

    def __repr__(self) -> str:
        width = max((len(slug) for slug in self), default=0)
        return "\n".join(
            f"{slug:<{width}}  {entry.pressure:<9}  {entry.access:<8}  "
            f"{entry.licence or '?':<12}  {entry.title}"
            for slug, entry in self.items()
        )

    def _repr_html_(self) -> str:
        names = ("name", "title", "pressure", "access", "licence", "recordings")
        head = "".join(f'<th scope="col" style="text-align:left">{name}</th>' for name in names)
        body = "".join(
            "<tr>"
            + "".join(
                f'<td style="text-align:left">{html.escape(str(cell))}</td>'
                for cell in (
                    slug, entry.title, entry.pressure, entry.access, entry.licence or "not known here",
                    entry.records["count"] or "not counted",
                )
            )
            + "</tr>"
            for slug, entry in self.items()
        )  # fmt: skip
        rows = f"<thead><tr>{head}</tr></thead><tbody>{body}</tbody>"
        return f"<table><caption>Open databases</caption>{rows}</table>"


def databases(text: str | None = None) -> Databases:
    """
    Open databases with arterial or continuous pressure that are known by name.

    Parameters
    ----------
    text : str, optional
        A manifest; the one of the package if left out.

    Returns
    -------
    Databases
        By slug, in the order of the manifest.

    Raises
    ------
    InputError
        If the manifest does not have the expected shape: which entry and field, and what is wrong.
    """
    import yaml

    try:
        content = yaml.safe_load(manifest_text() if text is None else text)
    except yaml.YAMLError as error:
        raise InputError(f"{FILE} is not YAML: {' '.join(str(error).split())}") from error
    if not isinstance(content, dict) or content.get("version") != SCHEMA:
        raise InputError(f"{FILE}: version {SCHEMA} of the manifest is read")
    entries = content.get("databases")
    if not isinstance(entries, list) or not all(isinstance(entry, dict) for entry in entries):
        raise InputError(f"{FILE}: 'databases' must be a list of entries")
    found: dict[str, Database] = {}
    for entry in entries:
        made = _entry(entry)
        if made.slug in found:
            raise InputError(f"{FILE}: {made.slug!r} stands there twice")
        found[made.slug] = made
    return Databases(found)


def _entry(entry: Mapping[str, Any]) -> Database:
    where = f"{FILE}: entry {entry.get('slug', '?')!r}"
    fields = tuple(Database.__dataclass_fields__)
    missing = [name for name in fields if name not in entry]
    if missing:
        raise InputError(f"{where} lacks {', '.join(missing)}")
    unknown = [name for name in entry if name not in fields]
    if unknown:
        raise InputError(f"{where}: there is no field {unknown[0]!r}")
    texts = ("version", "doi", "licence", "citation", "files", "format")
    for name in ("slug", "title", "landing", *texts):
        value = entry[name]
        if not (isinstance(value, str) and value.strip()) and not (value is None and name in texts):
            raise InputError(
                f"{where}: {name} must be a text{' or null' if name in texts else ''}, got {value!r}"
            )
    if not re.fullmatch(r"[a-z0-9][a-z0-9-]*", entry["slug"]):
        raise InputError(f"{where}: slug may hold small letters, digits and hyphens")
    for name, allowed in (("access", ACCESS), ("pressure", PRESSURE), ("layout", LAYOUTS)):
        if entry[name] not in allowed:
            raise InputError(
                f"{where}: {name} is {entry[name]!r}; it is one of {', '.join(map(str, allowed))}"
            )
    for name in ("landing", "files"):
        if entry[name] is not None and not re.match(r"https?://[^/]+/", entry[name]):
            raise InputError(f"{where}: {name} must be a web address, got {entry[name]!r}")
    _refuse_shapes(entry, where)
    return Database(**{**{name: entry[name] for name in fields}, "quirks": tuple(entry["quirks"])})


def _refuse_shapes(entry: Mapping[str, Any], where: str) -> None:
    rates, channels, records, quirks, known = (
        entry[name] for name in ("rates_hz", "channels", "records", "quirks", "known")
    )
    if not isinstance(rates, dict) or not all(isinstance(v, int | float) and v > 0 for v in rates.values()):
        raise InputError(f"{where}: rates_hz must give a rate above 0 for each role")
    if not isinstance(channels, dict) or not all(
        isinstance(v, list) and all(isinstance(n, str) for n in v) for v in channels.values()
    ):
        raise InputError(f"{where}: channels must list names for each role")
    if not isinstance(records, dict) or set(records) != {"count", "names", "example"}:
        raise InputError(f"{where}: records must hold count, names and example")
    if not isinstance(quirks, list) or not all(
        isinstance(q, dict) and set(q) == {"what", "loader"} for q in quirks
    ):
        raise InputError(f"{where}: each quirk must say what is odd and what the loader does")
    if not isinstance(known, dict) or set(known) != set(_KNOWN):
        raise InputError(f"{where}: known must list what is verified and what is recalled")
    named = [*known["verified"], *known["recalled"]]
    wrong = [name for name in named if name not in entry or name in ("slug", "known")]
    if wrong or len(set(named)) < len(named):
        raise InputError(f"{where}: known must name each field at most once, and none that is not there")
