"""The list of open databases that travels with the package."""

from __future__ import annotations

from importlib import resources
from pathlib import Path
from typing import Any

from hemoidx.errors import DataUnavailableError, InputError

FILE = "data_manifest.yaml"
SCHEMA = 1
FIELDS = ("slug", "title", "version", "licence", "licence_seen", "access", "citation")


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


def databases(text: str | None = None) -> dict[str, dict[str, Any]]:
    """
    Open databases by slug.

    Parameters
    ----------
    text : str, optional
        A manifest; the one of the package if left out.

    Returns
    -------
    dict of dict
        For each slug: title, version, licence, licence_seen (read at its source, or remembered),
        access and citation.

    Raises
    ------
    InputError
        If the manifest does not have the expected shape.
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
    for entry in entries:
        missing = [name for name in FIELDS if name not in entry]
        if missing:
            raise InputError(f"{FILE}: entry {entry.get('slug', '?')!r} lacks {', '.join(missing)}")
    return {str(entry["slug"]): entry for entry in entries}
