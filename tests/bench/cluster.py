"""A dask scheduler and its workers as processes of their own, on this machine, found by their address."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import time
from pathlib import Path

_PATIENCE_S = 30.0


class Cluster:
    """
    Start a scheduler and workers, give the address, and end them.

    Parameters
    ----------
    folder : Path
        Where they may keep files.
    workers : int
        How many.
    """

    def __init__(self, folder: Path, workers: int) -> None:
        self._folder, self._count = folder, workers
        self._started: list[subprocess.Popen[bytes]] = []

    def __enter__(self) -> str:
        file = self._folder / "scheduler.json"
        quiet = ["--host", "127.0.0.1", "--scheduler-file", str(file), "--no-dashboard"]
        self._start("scheduler", *quiet, "--port", "0")
        until = time.monotonic() + _PATIENCE_S
        while not file.is_file() and time.monotonic() < until:
            time.sleep(0.05)
        address: str = json.loads(file.read_text(encoding="utf-8"))["address"]
        space = ["--local-directory", str(self._folder), "--nthreads", "1", "--nworkers", str(self._count)]
        self._start("worker", address, "--host", "127.0.0.1", "--no-dashboard", *space)
        return address

    def _start(self, *words: str) -> None:
        command = [sys.executable, "-m", "dask", *words]
        environment = {**os.environ, "DASK_DISTRIBUTED__SCHEDULER__ALLOWED_FAILURES": "0"}
        with (self._folder / f"{words[0]}.log").open("wb") as log:
            self._started.append(
                subprocess.Popen(command, stdout=log, stderr=log, env=environment, cwd=self._folder)
            )

    def kill(self) -> None:
        """End them at once, as a power cut does."""
        for process in self._started:
            process.kill()

    def __exit__(self, *_: object) -> None:
        for process in reversed(self._started):
            process.terminate()
        for process in self._started:
            try:
                process.wait(10)
            except subprocess.TimeoutExpired:
                process.kill()
                process.wait()
