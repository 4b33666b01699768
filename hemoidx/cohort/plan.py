"""What a database would cost, reckoned from what a cohort did cost."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from ..errors import InputError
from ..tables import TABLES
from . import layout

if TYPE_CHECKING:
    from .opened import Cohort

_TERA, _GIGA, _MEGA = 1e12, 1e9, 1e6


@dataclass(frozen=True)
class Cost:
    """
    What a cohort cost, measured.

    Attributes
    ----------
    recordings : int
        Recordings with results.
    hours : float
        Of signal [h].
    seconds : float
        Of work, all processes together, reading and writing included [s].
    read, written : float
        Bytes of the input files, and of tables and descriptions on disk.
    """

    recordings: int
    hours: float
    seconds: float
    read: float
    written: float

    def __post_init__(self) -> None:
        if not (self.recordings >= 1 and min(self.hours, self.seconds, self.read, self.written) > 0):
            raise InputError(
                "plan: recordings, hours, seconds and bytes of what was measured must be above 0"
            )

    @property
    def seconds_per_hour(self) -> float:
        """Work [s] for an hour of signal, on one core."""
        return self.seconds / self.hours

    @property
    def read_per_hour(self) -> float:
        """Bytes read for an hour of signal."""
        return self.read / self.hours

    @property
    def written_per_hour(self) -> float:
        """Bytes written for an hour of signal."""
        return self.written / self.hours


@dataclass(frozen=True)
class Plan:
    """
    What a database would cost.

    Attributes
    ----------
    cost : Cost
        What was measured.
    hours : float
        Signal of the database [h].
    workers : int
        Processes that share the work.
    efficiency : float
        Share of a worker's time that is work, 0 to 1.
    core_hours : float
        Work, on cores like those measured [h].
    wall_hours : float
        Time from start to end [h]: core_hours / (workers efficiency).
    read, written : float
        Bytes.
    read_per_s, written_per_s : float
        Bytes a second that the disk or network must bear.
    """

    cost: Cost
    hours: float
    workers: int
    efficiency: float
    core_hours: float
    wall_hours: float
    read: float
    written: float
    read_per_s: float
    written_per_s: float

    def text(self) -> str:
        """Say it in words, with the arithmetic and the commands."""
        cost = self.cost
        lines = [
            f"Measured on {cost.recordings} recordings, {cost.hours:.4g} h of signal: "
            f"{cost.seconds_per_hour:.3g} s of work, {cost.read_per_hour / _MEGA:.3g} MB read and "
            f"{cost.written_per_hour / _MEGA:.3g} MB written for each hour of signal.",
            f"{self.hours:,.0f} h of signal x {cost.seconds_per_hour:.3g} s/h / 3600 = "
            f"{self.core_hours:,.1f} core hours.",
            f"{self.core_hours:,.1f} core hours / ({self.workers} workers x {self.efficiency:.2f}) = "
            f"{self.wall_hours:,.2f} h from start to end.",
            f"{self.hours:,.0f} h x {cost.read_per_hour / _MEGA:.3g} MB/h = {_size(self.read)} read, "
            f"{self.read_per_s / _MEGA:,.1f} MB/s on the way.",
            f"{self.hours:,.0f} h x {cost.written_per_hour / _MEGA:.3g} MB/h = {_size(self.written)} "
            f"written, {self.written_per_s / _MEGA:,.1f} MB/s on the way; keep half as much again free.",
        ]
        if cost.hours / cost.recordings < 0.25:
            lines.append(
                f"The recordings measured last {60.0 * cost.hours / cost.recordings:.1f} min each: what "
                "every recording costs whatever its length weighs more in them than in long ones; measure on "
                "the database itself before relying on this."
            )
        return "\n".join(lines)

    def commands(self, source: str = "DATABASE", out: str = "RESULTS") -> str:
        """
        Commands that do it: on this machine, or on a cluster.

        Parameters
        ----------
        source, out : str
            What is analysed, and where results go.

        Returns
        -------
        str
            Lines for a shell.
        """
        from importlib.util import find_spec

        tried = "" if find_spec("distributed") else '# pip install "hemoidx[cohort]"\n'
        return (
            f"{tried}# one machine\n"
            f"hemoidx cohort {source} --out {out} --workers {self.workers} --limit 3600 --memory 4\n"
            "# a cluster: one scheduler, and workers that see the same files under the same paths\n"
            "dask scheduler --port 8786\n"
            "dask worker tcp://HOST:8786 --nworkers CORES --nthreads 1 --memory-limit 4GiB   # on each node\n"
            f"hemoidx cohort {source} --out {out} --scheduler tcp://HOST:8786\n"
            "# stopped? the same command goes on; then\n"
            f"hemoidx paper {out} --out paper --index mbp --by COLUMN\n"
        )

    def __repr__(self) -> str:
        return self.text()


def cost_of(cohort: Cohort) -> Cost:
    """
    Measure what a cohort cost.

    Parameters
    ----------
    cohort : Cohort
        A finished cohort.

    Returns
    -------
    Cost
        Seconds of work as each process noted them, bytes of its input files and of its own files.

    Raises
    ------
    InputError
        If no recording has results.
    """
    done = cohort.members[cohort.members["status"] == "done"]
    if done.empty:
        raise InputError("plan: no recording of this cohort has results; nothing was measured")
    read = written = 0
    for record_id in done["record_id"]:
        described = layout.info_path(cohort.folder, record_id)
        info = layout.read_json(described) or {}
        read += sum(int(file["bytes"]) for file in info["provenance"]["files"])
        files = [described, *(layout.table_path(cohort.folder, table, record_id) for table in TABLES)]
        written += sum(_bytes(path) for path in files)
    seconds = float(done["seconds"].sum())
    return Cost(len(done), float(done["hours"].sum()), seconds, float(read), float(written))


def plan(cost: Cost, hours: float, workers: int, efficiency: float = 0.9) -> Plan:
    """
    Reckon what a database would cost.

    Parameters
    ----------
    cost : Cost
        What was measured, see `cost_of`.
    hours : float
        Signal of the database [h].
    workers : int
        Processes that share the work.
    efficiency : float
        Share of a worker's time that is work, 0 to 1: measure it as the speed-up of n workers over n.

    Returns
    -------
    Plan
        Time, bytes and rates.

    Raises
    ------
    InputError
        If a number cannot be used.

    Examples
    --------
    >>> measured = Cost(recordings=100, hours=100.0, seconds=2000.0, read=9e7, written=5e8)
    >>> made = plan(measured, hours=36000.0, workers=100, efficiency=1.0)
    >>> made.core_hours, made.wall_hours
    (200.0, 2.0)
    """
    if not hours > 0 or workers < 1 or not 0 < efficiency <= 1:
        raise InputError(
            f"plan: needs hours above 0, at least one worker and an efficiency up to 1, got {hours:g}, "
            f"{workers} and {efficiency:g}"
        )
    core_hours = hours * cost.seconds_per_hour / 3600.0
    wall = core_hours / (workers * efficiency)
    read, written = hours * cost.read_per_hour, hours * cost.written_per_hour
    return Plan(
        cost, hours, workers, efficiency, core_hours, wall, read, written,
        read / (3600.0 * wall), written / (3600.0 * wall),
    )  # fmt: skip


def _bytes(path: Path) -> int:
    return path.stat().st_size if path.is_file() else 0


def _size(count: float) -> str:
    for unit, size in (("TB", _TERA), ("GB", _GIGA)):
        if count >= size:
            return f"{count / size:,.2f} {unit}"
    return f"{count / _MEGA:,.1f} MB"
