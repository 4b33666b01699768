"""A view as a page, for those who write no code: on this machine only, to whoever has the token."""

from __future__ import annotations

import json
import os
import secrets
import socket
import subprocess
import sys
import tempfile
import time
import webbrowser
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from importlib.util import find_spec
from pathlib import Path
from typing import Any

from ..errors import DataUnavailableError, InputError

_INSTALL = 'pages need voila: pip install "hemoidx[explore]"'
_PATIENCE_S = 60.0
_HOST = "127.0.0.1"
#: Views that need nothing but their name.
BENCHES = {"line": "LineBench", "swings": "SwingBench", "mystery": "MysteryLine"}


def code_for(what: str) -> str:
    """
    Give the code of the page for something.

    Parameters
    ----------
    what : str
        "line", "swings" or "mystery"; the folder of a cohort or of an analysis; a table of recordings
        (``.csv`` or ``.parquet`` with a column ``record_id``); or a recording, as `hemoidx.load` takes it.

    Returns
    -------
    str
        Code whose last line is the view.

    Raises
    ------
    DataUnavailableError
        If there is no such thing.
    """
    head = "import hemoidx as hx\n\n"
    if what in BENCHES:
        from . import __all__ as there

        if BENCHES[what] not in there:
            raise InputError(f"open: there is no view {what!r} in this version")
        return f"{head}hx.explore.{BENCHES[what]}()\n"
    path = Path(what).expanduser()
    place = repr(str(path.absolute()))
    if (path / "cohort.json").is_file():
        return f"{head}hx.explore.CohortView({place})\n"
    if (path / "analysis.json").is_file():
        return f"{head}hx.explore.RecordingView(hx.Analysis.open({place}))\n"
    if path.suffix in (".csv", ".parquet") and path.is_file() and _names_records(path):
        return f"{head}hx.explore.CohortView({place})\n"
    source = _recording(what)
    return f"{head}hx.explore.RecordingView(hx.load({source!r}))\n"


def _names_records(path: Path) -> bool:
    if path.suffix == ".parquet":
        import pyarrow.parquet as pq

        return "record_id" in pq.read_schema(path).names
    with path.open(encoding="utf-8-sig") as lines:
        return "record_id" in next(lines, "").strip().split(",")


def _recording(what: str) -> str:
    """Name by which another process, in another folder, finds the recording too."""
    from ..recordings.finding import find_record, places

    for place in places(what):
        if place.is_dir() or (place.name.isdigit() and place.parent.is_dir()):
            return str(place.absolute())
    return str(find_record(what).absolute())


@contextmanager
def served(code: str, port: int = 0) -> Iterator[tuple[str, subprocess.Popen[bytes]]]:
    """
    Serve the page of some code as long as the block lasts.

    Parameters
    ----------
    code : str
        What `code_for` gives.
    port : int
        Port on this machine; 0 takes a free one.

    Yields
    ------
    url : str
        Address with the token, without which nothing is served.
    process : Popen
        The server.

    Raises
    ------
    DataUnavailableError
        If voila is not installed, or does not start.
    """
    if find_spec("voila") is None:
        raise DataUnavailableError(_INSTALL)
    from nbformat import v4, writes

    token = secrets.token_urlsafe(24)
    with tempfile.TemporaryDirectory(prefix="hemoidx-") as name:
        folder = Path(name)
        make: Any = v4
        # What a reader saves by a relative name belongs where the command was given, not into a folder that
        # goes away with the page.
        here = f"import os\n\nos.chdir({os.getcwd()!r})\n"
        notebook = make.new_notebook(cells=[make.new_code_cell(here + code)])
        notebook.metadata["kernelspec"] = {"name": "python3", "display_name": "Python 3"}
        write: Any = writes
        (folder / "hemoidx.ipynb").write_text(str(write(notebook)), encoding="utf-8")
        settings = folder / "config"
        settings.mkdir(mode=0o700)
        chosen = port or _free_port()
        # In a file of ours alone: a command line can be read by everybody on the machine.
        voila = {"token": token, "ip": _HOST, "port": chosen, "open_browser": False}
        (settings / "voila.json").write_text(json.dumps({"Voila": voila}), encoding="utf-8")
        own = {"JUPYTER_CONFIG_DIR": str(settings), "JUPYTER_PREFER_ENV_PATH": "1"}
        log = folder / "voila.log"
        with log.open("wb") as told:
            process = subprocess.Popen(
                [sys.executable, "-m", "voila", "hemoidx.ipynb", "--no-browser"],
                cwd=folder, env={**os.environ, **own}, stdout=told, stderr=told,
            )  # fmt: skip
        try:
            _wait(process, chosen, log)
            yield f"http://{_HOST}:{chosen}/?token={token}", process
        finally:
            process.terminate()
            with suppress(subprocess.TimeoutExpired):
                process.wait(10)
            if process.poll() is None:
                process.kill()
                process.wait()


def _free_port() -> int:
    with socket.socket() as found:
        found.bind((_HOST, 0))
        return int(found.getsockname()[1])


def _wait(process: subprocess.Popen[bytes], port: int, log: Path) -> None:
    until = time.monotonic() + _PATIENCE_S
    while time.monotonic() < until and process.poll() is None:
        try:
            socket.create_connection((_HOST, port), 1.0).close()
        except OSError:
            time.sleep(0.1)
        else:
            return
    last = log.read_text(encoding="utf-8", errors="replace").strip().splitlines()[-1:]
    raise DataUnavailableError(f"open: the page could not be served on port {port}: {' '.join(last)}")


def open_page(what: str, port: int = 0, browser: bool = True, told: Callable[[str], None] = print) -> None:
    """
    Serve a view until somebody stops it.

    Parameters
    ----------
    what : str
        As `code_for` takes it.
    port : int
        Port on this machine; 0 takes a free one.
    browser : bool
        Open it in the browser too.
    told : callable
        Told where the page is.
    """
    with served(code_for(what), port) as (url, process):
        told(f"The page is at {url} on this machine; Ctrl-C ends it.")
        if browser:
            webbrowser.open(url)
        process.wait()
