"""One file from a server to the disk: resumed, checked, whole or not at all."""

from __future__ import annotations

import email.utils
import gzip
import hashlib
import netrc
import os
import random
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

from hemoidx.errors import DataUnavailableError

USER, PASSWORD = "HEMOIDX_USER", "HEMOIDX_PASSWORD"
_BLOCK = 1 << 18
_GONE = (404, 410)
_FORBIDDEN = (401, 403)
_LATER = (408, 425, 429, 500, 502, 503, 504)
_NOTHING_LEFT = 416
#: Nobody waits longer than this because a server asks for it [s].
_LONGEST_WAIT_S = 300.0


@dataclass
class Manners:
    """
    How a server is asked.

    Attributes
    ----------
    tries : int
        How often a file is tried.
    connect_s, silence_s : float
        How long a connection may take, and how long a server may say nothing [s].
    wait_s : float
        Wait before the second try [s]; it doubles with each, with some chance in it, so that many who failed
        together do not come back together. What the server asks for goes first.
    agent : str
        How we introduce ourselves.
    sleep : callable
        Waits; replaced in tests.
    """

    tries: int = 5
    connect_s: float = 10.0
    silence_s: float = 60.0
    wait_s: float = 1.0
    agent: str = "hemoidx (research software; polite fetch)"
    sleep: Callable[[float], None] = field(default=time.sleep, repr=False)


def sha256(path: Path) -> str:
    """Checksum of a file."""
    with path.open("rb") as content:
        return hashlib.file_digest(content, "sha256").hexdigest()


def credentials(host: str) -> tuple[str, str] | None:
    """
    User and password for a host, from the environment or from netrc; None if there are none.

    They are never printed and never sent to another host.
    """
    user, password = os.environ.get(USER), os.environ.get(PASSWORD)
    if user and password:
        return user, password
    try:
        found = netrc.netrc(os.environ.get("NETRC")).authenticators(host)
    except (OSError, netrc.NetrcParseError):
        return None
    return (found[0], found[2] or "") if found else None


def get_text(url: str, manners: Manners, optional: bool = False, login: bool = False) -> str | None:
    """
    Read a small text file of a server.

    Parameters
    ----------
    url : str
        Where it is.
    manners : Manners
        How to ask.
    optional : bool
        A file that is not there is None.
    login : bool
        Whether to send credentials.

    Returns
    -------
    str or None
        Its text.

    Raises
    ------
    DataUnavailableError
        If it cannot be had.
    """

    def read(response: Any) -> str:
        content = bytes(response.content)
        if content.startswith(b"\x1f\x8b"):
            content = gzip.decompress(content)
        return content.decode("utf-8-sig", errors="replace")

    try:
        return str(_tried(url, manners, {}, login, read))
    except _NotThereError:
        if optional:
            return None
        raise


def get_file(
    url: str,
    target: Path,
    digest: str | None,
    manners: Manners,
    login: bool = False,
    told: Callable[[int], None] = lambda _: None,
) -> str:
    """
    Fetch a file.

    Parameters
    ----------
    url : str
        Where it is.
    target : Path
        Where it goes. What was begun stands beside it with ``.part`` and is gone on with.
    digest : str, optional
        Its SHA-256, if it is known: another content is never put in place.
    manners : Manners
        How to ask.
    login : bool
        Whether to send credentials.
    told : callable
        Told how many bytes came.

    Returns
    -------
    str
        SHA-256 of what is now in place.

    Raises
    ------
    DataUnavailableError
        If it cannot be had, or what comes is never what it should be.
    """
    part = target.with_name(f"{target.name}.part")
    target.parent.mkdir(parents=True, exist_ok=True)
    for again in (False, True):
        _fetch_into(part, url, manners, login, told)
        found = sha256(part)
        if digest is None or found == digest:
            with part.open("rb+") as file:
                os.fsync(file.fileno())
            part.replace(target)
            return found
        # It may have been begun from another version of the file: once more, from nothing.
        part.unlink()
        if again:
            raise DataUnavailableError(
                f"{_plain(url)}: its checksum is not the published one, twice; nothing was kept"
            )
    raise AssertionError("unreachable")


class _NotThereError(DataUnavailableError):
    """The server says that there is no such file."""


class _CutError(Exception):
    """Less came than was announced."""


def _fetch_into(part: Path, url: str, manners: Manners, login: bool, told: Callable[[int], None]) -> None:
    """Bring what is on the disk up to the whole file."""

    def read(response: Any) -> None:
        begun = part.stat().st_size if part.exists() else 0
        if response.status_code == _NOTHING_LEFT:
            if begun and _total(response) not in (None, begun):
                part.unlink()
                raise _CutError("the file on the server is another one now")
            return
        going_on = response.status_code == 206 and _begins_at(response) == begun
        announced = response.headers.get("Content-Length")
        came = 0
        with part.open("ab" if going_on else "wb") as file:
            for block in response.iter_content(_BLOCK):
                file.write(block)
                came += len(block)
                told(len(block))
        if announced is not None and came < int(announced):
            raise _CutError(f"{came} of {announced} bytes came")

    def headers() -> dict[str, str]:
        begun = part.stat().st_size if part.exists() else 0
        return {"Range": f"bytes={begun}-"} if begun else {}

    _tried(url, manners, headers, login, read)
    if not part.exists():
        part.write_bytes(b"")


def _begins_at(response: Any) -> int | None:
    words = str(response.headers.get("Content-Range", "")).removeprefix("bytes ").split("-")[0]
    return int(words) if words.isdigit() else None


def _total(response: Any) -> int | None:
    words = str(response.headers.get("Content-Range", "")).rpartition("/")[2]
    return int(words) if words.isdigit() else None


def _tried(url: str, manners: Manners, headers: Any, login: bool, read: Callable[[Any], Any]) -> Any:
    """Ask until it works, the server says no, or the tries are over."""
    import requests

    reason = ""
    for number in range(manners.tries):
        wait = manners.wait_s * 2**number * random.uniform(0.75, 1.25)
        try:
            with _session(url, login) as session:
                given = headers() if callable(headers) else headers
                with session.get(
                    url,
                    headers={"User-Agent": manners.agent, "Accept-Encoding": "identity", **given},
                    stream=True,
                    timeout=(manners.connect_s, manners.silence_s),
                ) as response:
                    if response.status_code in _GONE:
                        raise _NotThereError(f"{_plain(url)}: the server has no such file")
                    if response.status_code in _FORBIDDEN:
                        raise DataUnavailableError(_no_entry(url, login))
                    if response.status_code < 400 or response.status_code == _NOTHING_LEFT:
                        return read(response)
                    reason = f"it answers {response.status_code}"
                    if response.status_code not in _LATER:
                        raise DataUnavailableError(f"{_plain(url)}: {reason}")
                    wait = _asked_for(response.headers.get("Retry-After"), wait)
        except _CutError as error:
            reason = f"the transfer was cut ({error})"
        except requests.exceptions.Timeout:
            reason = "it did not answer in time"
        except requests.exceptions.ConnectionError:
            reason = "it could not be reached"
        except requests.exceptions.RequestException as error:
            reason = f"the transfer failed ({type(error).__name__})"
        if number + 1 < manners.tries:
            manners.sleep(wait)
    raise DataUnavailableError(
        f"{_plain(url)}: given up after {manners.tries} tries: {reason}; is this machine online? What came "
        "is kept, and the same command goes on with it"
    )


def _session(url: str, login: bool) -> Any:
    """Session that sends credentials to the host they are for, and to no other that it may be sent on to."""
    import requests

    session = requests.Session()
    # Only what was asked for: neither netrc nor a proxy's credentials by themselves.
    session.trust_env = True
    session.auth = _Nobody()
    if login:
        found = credentials(urlsplit(url).hostname or "")
        if found is not None:
            # requests takes it away where a redirect leaves the host.
            session.auth = requests.auth.HTTPBasicAuth(*found)
    return session


class _Nobody:
    """No credentials: without it requests looks into netrc by itself."""

    def __call__(self, request: Any) -> Any:
        return request


def _asked_for(said: str | None, usual: float) -> float:
    """Wait that a server asks for [s]: seconds, or a date."""
    if said is None:
        return usual
    if said.strip().isdigit():
        return min(max(float(said), usual), _LONGEST_WAIT_S)
    try:
        until = email.utils.parsedate_to_datetime(said).timestamp()
    except (TypeError, ValueError):
        return usual
    return min(max(until - time.time(), usual), _LONGEST_WAIT_S)


def _no_entry(url: str, login: bool) -> str:
    known = login and credentials(urlsplit(url).hostname or "") is not None
    return (
        f"{_plain(url)}: the server does not let us in {'with the credentials given' if known else 'so'}; "
        f"sign the data use agreement on the database's page, then set {USER} and {PASSWORD} in the "
        "environment or add the host to netrc"
    )


def _plain(url: str) -> str:
    """An address without anything secret in it."""
    parts = urlsplit(url)
    return f"{parts.scheme}://{parts.hostname}{f':{parts.port}' if parts.port else ''}{parts.path}"
