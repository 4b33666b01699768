"""Writing simulated recordings as WFDB, with their truth beside them."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from hemoidx.errors import InputError
from hemoidx.simulate.cohort import teaching_cohort
from hemoidx.simulate.model import Simulated, comments_of, simulate
from hemoidx.simulate.recorder import resolution
from hemoidx.simulate.truth import Truth

if TYPE_CHECKING:
    import pandas as pd

# Code that format 16 keeps for a missing sample.
_NO_SAMPLE = -32768


def _truth_paths(folder: Path, name: str) -> dict[str, Path]:
    return {table: folder / f"{name}.truth_{table}.parquet" for table in ("beats", "spans", "breaths")}


def write_recording(
    sim: Simulated, folder: Path | str, name: str | None = None, *, truth: bool = True
) -> Path:
    """
    Write a simulated recording as WFDB, and its truth as Parquet beside it.

    Parameters
    ----------
    sim : Simulated
        Recording and truth.
    folder : path
        Where to; made if it is not there.
    name : str, optional
        Name of the record: letters, digits, hyphen and underscore. The scenario's name if left out.
    truth : bool
        Whether the truth is written too.

    Returns
    -------
    Path
        The record without suffix, as a reader takes it. The same simulation gives the same bytes.

    Raises
    ------
    InputError
        If it has channels of breathing, which this writer does not know.
    """
    import wfdb

    if len(sim.recording.data_vars) > 1:
        extra = ", ".join(str(name) for name in sim.recording.data_vars if name != "ABP")
        raise InputError(
            f"{sim.scenario.name}: only ABP can be written as WFDB, not {extra}; leave out breath_channels"
        )
    target = Path(folder)
    target.mkdir(parents=True, exist_ok=True)
    record = name if name is not None else sim.scenario.name
    channel = sim.recording["ABP"]
    scale = channel.attrs["scale"][0]
    value = channel.values.astype(np.float64)
    code = np.full(value.size, _NO_SAMPLE, dtype=np.int64)
    there = np.isfinite(value)
    code[there] = np.round(value[there] * scale["gain"]).astype(np.int64) + scale["baseline"]
    fs = float(channel.attrs["fs"])
    wfdb.Record(
        record_name=record,
        n_sig=1,
        fs=int(fs) if fs.is_integer() else fs,
        sig_len=value.size,
        file_name=[f"{record}.dat"],
        fmt=["16"],
        samps_per_frame=[1],
        skew=[None],
        byte_offset=[None],
        adc_gain=[scale["gain"]],
        baseline=[scale["baseline"]],
        units=["mmHg"],
        adc_res=[resolution(sim.scenario)],
        adc_zero=[0],
        init_value=[int(code[0])],
        checksum=[int(code.sum() % 65536)],
        block_size=[0],
        sig_name=["ABP"],
        comments=comments_of(sim.scenario),
        d_signal=code[:, None],
    ).wrsamp(write_dir=str(target))
    for table, path in _truth_paths(target, record).items() if truth else ():
        _write_table(getattr(sim.truth, table), path)
    return target / record


def _write_table(table: pd.DataFrame, path: Path) -> None:
    table.to_parquet(path, engine="pyarrow", compression="zstd", index=False)


def read_truth(record: Path | str) -> Truth:
    """
    Read the truth that lies beside a simulated recording.

    Parameters
    ----------
    record : path
        The record without suffix, as `write_recording` returns it.

    Returns
    -------
    Truth
        Beats, events and breaths.

    Raises
    ------
    DataUnavailableError
        If one of the tables is missing.
    """
    import pandas as pd

    from hemoidx.errors import DataUnavailableError

    base = Path(record)
    tables = {}
    for table, path in _truth_paths(base.parent, base.name).items():
        if not path.is_file():
            raise DataUnavailableError(f"no truth for {base.name}: {path} is missing; write the cohort again")
        tables[table] = pd.read_parquet(path)
    return Truth(**tables)


def write_cohort(folder: Path | str, seed: int = 0) -> list[Path]:
    """
    Simulate the teaching cohort and write it.

    Parameters
    ----------
    folder : path
        Where to; made if it is not there.
    seed : int
        The same seed gives the same bytes.

    Returns
    -------
    list of Path
        The records without suffix, in the order of `teaching_cohort`.
    """
    return [write_recording(simulate(scenario), folder) for scenario in teaching_cohort(seed)]
