"""What several rooms' tests share."""

import os
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
import xarray as xr
from hypothesis import settings

from hemoidx.recordings import Axis, time_coordinate

# Time says nothing here: a first call imports, and the machine is shared.
settings.register_profile("steady", deadline=None)
settings.load_profile("steady")

FS = 100.0
FEET_S = np.arange(1.0, 118.0, 0.8)


@pytest.fixture(scope="session")
def real_data() -> Path:
    """Folder of real recordings, where there is one."""
    root = os.environ.get("HEMOIDX_DATA", "")
    if not root or not Path(root).is_dir():
        pytest.skip("no real recordings on this machine: HEMOIDX_DATA names no folder")
    return Path(root)


def saw_tooth(seconds: np.ndarray) -> np.ndarray:
    """Pressure that rises from 80 to 120 mmHg in 0.2 s and falls back in 0.6 s, from each foot on."""
    phase = np.mod(seconds - FEET_S[0], 0.8)
    return np.where(phase < 0.2, 80 + 200 * phase, 120 - (phase - 0.2) * 200 / 3)


@pytest.fixture
def drawn() -> SimpleNamespace:
    """An analysis whose every number is known: a saw tooth of 2 min with a flush and a gap."""
    seconds = np.arange(12000) / FS
    pressure = saw_tooth(seconds)
    pressure[(seconds >= 40) & (seconds < 42)] = 300.0
    pressure[(seconds >= 70) & (seconds < 75)] = np.nan
    feet = FEET_S[~((FEET_S > 39) & (FEET_S < 42)) & ~((FEET_S > 69) & (FEET_S < 75))]
    beats = pd.DataFrame(
        {
            "onset_s": feet, "steepest_s": feet + 0.1, "peak_s": feet + 0.2, "notch_s": feet + 0.4,
            "end_s": feet + 0.8, "sbp": 120.0, "dbp": 80.0, "quality": 1.0, "facts": 0,
        }
    )  # fmt: skip
    beats.loc[beats.index[-1], ["notch_s", "end_s"]] = np.nan
    windows = pd.DataFrame({"start_s": [0.0, 30.0, 60.0, 90.0], "end_s": [30.0, 60.0, 90.0, 120.0]})
    windows = windows.assign(sbp=120.0, mbp=100.0, dbp=80.0, pp=40.0, hr=75.0, beats=37, facts=0)
    windows.loc[2, ["sbp", "mbp", "dbp", "pp", "hr"]] = np.nan
    spans = pd.DataFrame({"start_s": [40.0, 70.0], "end_s": [42.0, 75.0], "kind": ["flush", "gap"]})
    recording = xr.Dataset(coords=time_coordinate(Axis(0, 1, FS, 12000)))
    recording["ABP"] = ("time", pressure, {"units": "mmHg", "fs": FS})
    return SimpleNamespace(
        recording=recording, channel="ABP", beats=beats, spans=spans, windows=windows,
        record=pd.DataFrame({"record_id": ["saw"]}), events=pd.DataFrame(), info={"record_id": "saw"},
    )  # fmt: skip
