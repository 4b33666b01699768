"""
Cohorts at scale: throughput, speed-up, memory, overhead, and going on after being killed.

``python -m tests.bench.cohort --n 1000 --hours 1`` makes simulated recordings (once, into the folder that is
named), analyses them with one and with two processes, once more through a scheduler started as processes of
its own, and prints hours of signal per second, the ratio of both, the slope of memory over the recordings
with its standard error, and what a cohort adds to plain `analyse` for each recording. ``--kills 10`` kills as
many runs at random moments, every second time a worker and every second time the whole, and compares the
tables.
"""

from __future__ import annotations

import argparse
import hashlib
import os
import shutil
import signal
import subprocess
import sys
import tempfile
import threading
import time
from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace
from pathlib import Path
from typing import NamedTuple

import numpy as np

import hemoidx as hx
from hemoidx.simulate import simulate, write_recording
from hemoidx.simulate.draw import random_scenarios
from tests.bench.cluster import Cluster

PAGE = os.sysconf("SC_PAGE_SIZE")
LOOK_S = 0.5


def make(folder: Path, n: int, hours: float, seed: int, processes: int) -> None:
    """
    Simulated recordings of all families of the generator; those that are there stay.

    Each keeps two of its events at most: a flush costs a third of a second, and the generator makes one
    every few minutes, where a bedside sees a few a day.
    """
    folder.mkdir(parents=True, exist_ok=True)
    scenarios = random_scenarios(n, seed=seed, duration_s=3600.0 * hours)
    named = [
        replace(s, name=f"{k:05d}_{s.name}", breath_channels=(), events=s.events[:2])
        for k, s in enumerate(scenarios)
    ]
    missing = [scenario for scenario in named if not (folder / f"{scenario.name}.hea").is_file()]
    with ProcessPoolExecutor(processes) as pool:
        for _ in pool.map(_write, missing, [folder] * len(missing)):
            pass


def _write(scenario: hx.simulate.Scenario, folder: Path) -> None:
    write_recording(simulate(scenario), folder)


class Run(NamedTuple):
    """What a run took: wall time [s], hours of signal, failures, memory over the share that is done."""

    seconds: float
    hours: float
    failed: int
    slope: float
    slope_se: float
    peak: float


def run(source: list[str], out: Path, workers: int | None, scheduler: str | None = None) -> Run:
    """Analyse all, watching the memory of this process and of all processes below it."""
    shutil.rmtree(out, ignore_errors=True)
    seen: list[tuple[float, float]] = []
    over = threading.Event()
    start = time.perf_counter()

    def watch() -> None:
        while not over.wait(LOOK_S):
            seen.append((time.perf_counter() - start, memory()))

    watcher = threading.Thread(target=watch)
    watcher.start()
    try:
        cohort = hx.run_cohort(source, out, workers=workers, scheduler=scheduler, progress=False)
    finally:
        over.set()
        watcher.join()
    took = time.perf_counter() - start
    slope, error, peak = trend(seen, took, len(cohort))
    return Run(took, float(cohort.members["hours"].sum()), len(cohort.failures), slope, error, peak)


def trend(seen: list[tuple[float, float]], took: float, n: int) -> tuple[float, float, float]:
    """Slope of memory [MB per 1,000 recordings] and its standard error over the last three quarters; peak."""
    if len(seen) < 8:
        return np.nan, np.nan, max((m for _, m in seen), default=np.nan)
    share, held = np.array(seen).T
    share = share / took * n / 1000.0
    late = share > 0.25 * share[-1]
    x, y = share[late] - share[late].mean(), held[late]
    slope = float(x @ y / (x @ x))
    left = y - y.mean() - slope * x
    # Neighbouring looks are alike: as many independent ones as the correlation of neighbours leaves.
    together = max(0.0, float(left[1:] @ left[:-1] / (left @ left))) if left.any() else 0.0
    independent = max(3.0, left.size * (1.0 - together) / (1.0 + together))
    # The plain standard error, as if there were no more looks than that.
    error = float(np.sqrt((left @ left) / (x @ x) / (independent - 2.0)))
    return slope, error, float(held.max())


def memory() -> float:
    """Resident memory of this process and all below it [MB]."""
    parents, pages = {}, {}
    for folder in Path("/proc").iterdir():
        if folder.name.isdigit():
            try:
                parents[int(folder.name)] = int((folder / "stat").read_text().rsplit(")", 1)[1].split()[1])
                pages[int(folder.name)] = int((folder / "statm").read_text().split()[1])
            except (OSError, IndexError):
                continue
    mine = {os.getpid()}
    while True:
        more = {child for child, parent in parents.items() if parent in mine} - mine
        if not more:
            break
        mine |= more
    return sum(pages.get(process, 0) for process in mine) * PAGE / 1e6


def overhead(source: Path, out: Path, n: int) -> tuple[float, float]:
    """Plain `analyse` of some recordings, and the same as a cohort in this process [s for each]."""
    headers = sorted(source.glob("*.hea"))[:n]
    hx.analyse(hx.load(headers[0]), progress=False)
    start = time.perf_counter()
    for header in headers:
        hx.analyse(hx.load(header), progress=False)
    plain = time.perf_counter() - start
    shutil.rmtree(out, ignore_errors=True)
    start = time.perf_counter()
    hx.run_cohort([str(header) for header in headers], out, workers=0, progress=False)
    return plain / n, (time.perf_counter() - start) / n


SCRIPT = """
import sys, hemoidx as hx
if __name__ == "__main__":
    hx.run_cohort(sys.argv[1], sys.argv[2], workers=2, progress=False)
"""


def fingerprint(folder: Path) -> dict[str, str]:
    """Checksums of all tables."""
    return {
        path.relative_to(folder).as_posix(): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in sorted((folder / "tables").rglob("*.parquet"))
    }


def kills(source: Path, work: Path, count: int, seed: int) -> int:
    """Kill runs at random moments, and let them go on; give how many ended with other tables."""
    rng = np.random.default_rng(seed)
    whole = hx.run_cohort(source, work / "whole", workers=2, progress=False)
    expected = fingerprint(whole.folder)
    started = time.perf_counter()
    shutil.rmtree(work / "timed", ignore_errors=True)
    hx.run_cohort(source, work / "timed", workers=2, progress=False)
    lasts = time.perf_counter() - started
    script = work / "run.py"
    script.write_text(SCRIPT, encoding="utf-8")
    wrong = 0
    for k in range(count):
        out = work / f"killed{k}"
        shutil.rmtree(out, ignore_errors=True)
        process = subprocess.Popen([sys.executable, script, source, out], start_new_session=True)
        moment = float(rng.uniform(0.02, 1.1) * (lasts + 1.0))
        time.sleep(moment)
        done = len(list(out.glob("info/*.json")))
        if k % 2:
            os.killpg(process.pid, signal.SIGKILL)
        else:
            for worker in below(process.pid)[:1]:
                os.kill(worker, signal.SIGKILL)
        process.wait()
        again = hx.run_cohort(source, out, workers=2, progress=False)
        same = fingerprint(again.folder) == expected and again.members["record_id"].is_unique
        wrong += not same
        what = "the whole" if k % 2 else "a worker"
        print(f"  {what} killed after {moment:.2f} s with {done} done: {'same' if same else 'OTHER'} tables")
        shutil.rmtree(out)
    return wrong


def below(parent: int) -> list[int]:
    """Worker processes of a run."""
    found = []
    for folder in Path("/proc").iterdir():
        if folder.name.isdigit():
            try:
                above = int((folder / "stat").read_text().rsplit(")", 1)[1].split()[1])
                words = (folder / "cmdline").read_bytes()
            except OSError:
                continue
            if above == parent and b"spawn_main" in words:
                found.append(int(folder.name))
    return found


def main() -> None:
    """Print the figures."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--n", type=int, default=24)
    parser.add_argument("--hours", type=float, default=0.25)
    parser.add_argument("--seed", type=int, default=611)
    parser.add_argument("--folder", type=Path, default=None, help="where the recordings are kept")
    parser.add_argument("--kills", type=int, default=0)
    parser.add_argument("--compare", type=int, default=200, help="recordings for which workers are compared")
    parser.add_argument("--only-make", action="store_true")
    chosen = parser.parse_args()
    with tempfile.TemporaryDirectory() as temporary:
        work = Path(temporary)
        source = chosen.folder or work / "recordings"
        make(source, chosen.n, chosen.hours, chosen.seed, os.cpu_count() or 1)
        if chosen.only_make:
            return
        plain, together = overhead(source, work / "out", min(chosen.n, 20))
        print(
            f"a recording of {chosen.hours:g} h: load and analyse {1000 * plain:.0f} ms, as a cohort in this "
            f"process {1000 * together:.0f} ms, {100 * (together / plain - 1):.0f} % more"
        )
        everything = [str(header) for header in sorted(source.glob("*.hea"))]
        some = everything[: chosen.compare]
        one, two = (told(f"{n} workers, {len(some)} recordings", run(some, work / "out", n)) for n in (1, 2))
        print(f"speed-up of two workers over one: {one.seconds / two.seconds:.2f}")
        with Cluster(work, 2) as address:
            told("a scheduler by its address", run(some, work / "out", None, address))
        whole = told(f"2 workers, {len(everything)} recordings", run(everything, work / "out", 2))
        size = sum(path.stat().st_size for path in (work / "out").rglob("*") if path.is_file())
        read = sum(path.stat().st_size for path in source.glob("*.dat"))
        hours = whole.hours
        print(f"read {read / hours / 1e6:.2f} MB, written {size / hours / 1e6:.2f} MB for an hour of signal")
        if chosen.kills:
            wrong = kills(source, work, chosen.kills, chosen.seed)
            print(f"{chosen.kills} runs killed, {wrong} ended with other tables")


def told(name: str, found: Run) -> Run:
    """Print a run."""
    print(
        f"{name}: {found.seconds:.1f} s for {found.hours:.1f} h, {found.hours / found.seconds:.2f} h/s, "
        f"{found.failed} failed; memory {found.peak:.0f} MB at most, slope {found.slope:+.1f} "
        f"(standard error {found.slope_se:.1f}) MB for 1,000 recordings"
    )
    return found


if __name__ == "__main__":
    main()
