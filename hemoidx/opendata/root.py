"""Where databases lie on this machine."""

from __future__ import annotations

import os
import sys
from pathlib import Path

ENVIRONMENT = "HEMOIDX_DATA"


def data_root() -> Path:
    """
    Folder that holds the databases.

    Returns
    -------
    Path
        The environment variable HEMOIDX_DATA if set, else the user's data folder of the platform.
        It need not exist.
    """
    given = os.environ.get(ENVIRONMENT)
    if given:
        return Path(given).expanduser()
    home = Path.home()
    if sys.platform == "darwin":
        base = home / "Library" / "Application Support"
    elif os.name == "nt":
        base = Path(os.environ.get("LOCALAPPDATA") or home / "AppData" / "Local")
    else:
        base = Path(os.environ.get("XDG_DATA_HOME") or home / ".local" / "share")
    return base / "hemoidx"
