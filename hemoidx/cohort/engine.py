"""
The one engine: futures of `dask.distributed`, on this machine or on a cluster that is there already.

A recording that takes its process with it, by a crash, a hang or its memory, takes those that waited for the
same process too. Which of them it was cannot be told, so all of them are tried again one at a time at the
end: only one that dies alone is blamed.
"""

from __future__ import annotations

import contextlib
import logging
import os
import time
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import FIRST_COMPLETED, CancelledError, Executor, Future, wait
from pathlib import Path
from typing import Any

from ..errors import DataUnavailableError, InputError
from .task import Job, marker, work

Summary = dict[str, Any]
_INSTALL = (
    'a cohort needs dask to run in several processes: pip install "hemoidx[cohort]"; or use no workers (0)'
)
#: Recordings handed out for each process: one at work, one waiting.
_EACH = 2
#: How long a scheduler may take to answer [s].
_PATIENCE_S = 15
_LOOK_S = 0.5


def run(
    jobs: Sequence[Job],
    workers: int | None,
    scheduler: str | None,
    memory: int | None,
    heard: Callable[[Summary], None],
) -> None:
    """
    Do all jobs.

    Parameters
    ----------
    jobs : sequence of Job
        The recordings.
    workers : int, optional
        Processes on this machine; 0 works in this one. By default as many as there are cores.
    scheduler : str, optional
        Address of a dask scheduler that is there already, such as "tcp://host:8786".
    memory : int, optional
        What each process may take [bytes].
    heard : callable
        Told the summary of each recording when it is there.

    Raises
    ------
    InputError
        If workers and scheduler are both given, or no scheduler answers.
    DataUnavailableError
        If dask is not installed.
    """
    if scheduler is not None and workers is not None:
        raise InputError("cohort: give workers, or the address of a scheduler that has its own, not both")
    if workers == 0:
        for job in jobs:
            heard(work(job))
        return
    with _executor(workers, scheduler, memory) as (executor, width):
        suspects = _together(executor, width, jobs, heard)
        for job in suspects:
            heard(_alone(executor, job))


def _together(
    executor: Executor, width: Callable[[], int], jobs: Sequence[Job], heard: Callable[[Summary], None]
) -> list[Job]:
    """Do jobs side by side; give those whose process died."""
    waiting, flying, suspects = deque(jobs), dict[Future[Summary], Job](), list[Job]()
    while waiting or flying:
        while waiting and len(flying) < _EACH * width():
            job = waiting.popleft()
            flying[executor.submit(work, job)] = job
        done, _ = wait(flying, timeout=_LOOK_S, return_when=FIRST_COMPLETED)
        for future in done:
            job = flying.pop(future)
            try:
                heard(future.result())
            except (CancelledError, Exception) as error:
                if not _died(error):
                    raise _gone(error) from error
                suspects.append(job)
    return suspects


def _alone(executor: Executor, job: Job) -> Summary:
    """Try a recording again while nothing else is at work: if its process dies now, it is to blame."""
    try:
        return executor.submit(work, job).result()
    except (CancelledError, Exception) as error:
        if not _died(error):
            raise _gone(error) from error
    out = Path(job.out)
    mark = marker(out, job.record_id)
    try:
        lasted = time.time() - float(mark.read_text(encoding="ascii"))
    except (OSError, ValueError):
        lasted = 0.0
    mark.unlink(missing_ok=True)
    if job.limit_s is not None and lasted >= job.limit_s:
        kind, reason = "hang", f"not done after {job.limit_s:g} s"
    else:
        kind, reason = "killed", "its process died, twice, the second time with nothing else at work"
    failed = {"record_id": job.record_id, "source": job.source, "status": "failed"}
    return {**failed, "kind": kind, "reason": reason, "attempts": 2}


def _died(error: BaseException) -> bool:
    """Whether an error says that the process of a recording died."""
    return type(error).__name__ == "KilledWorker"


def _gone(error: BaseException) -> BaseException:
    """What to raise where no process is to blame: a scheduler that went away, or a fault of ours."""
    if type(error).__name__ in ("CancelledError", "FutureCancelledError", "CommClosedError", "TimeoutError"):
        return DataUnavailableError(
            "cohort: the scheduler went away; what is done is kept, and the same command goes on"
        )
    return error


@contextlib.contextmanager
def _executor(
    workers: int | None, scheduler: str | None, memory: int | None
) -> Iterator[tuple[Executor, Callable[[], int]]]:
    """Give an executor, and how many processes it has at the moment."""
    try:
        import dask
        from distributed import Client, LocalCluster
    except ImportError as error:
        raise DataUnavailableError(_INSTALL) from error
    settings = {
        # The first death sends a recording back to us; results are small and nothing is to go to disk.
        "distributed.scheduler.allowed-failures": 0,
        "distributed.worker.memory.target": False,
        "distributed.worker.memory.spill": False,
        "distributed.comm.timeouts.connect": f"{_PATIENCE_S}s",
        "distributed.admin.tick.limit": "1h",
    }
    count = workers or os.cpu_count() or 1
    with dask.config.set(settings), contextlib.ExitStack() as stack:
        if scheduler is None:
            cluster: Any = stack.enter_context(_local(LocalCluster, count, memory))
        else:
            cluster = scheduler
        try:
            connect: Any = Client
            client = stack.enter_context(connect(cluster, timeout=f"{_PATIENCE_S}s", set_as_default=False))
        except (OSError, TimeoutError, ValueError) as error:
            raise InputError(f"cohort: no dask scheduler answers at {scheduler}; is it running?") from error
        executor = stack.enter_context(client.get_executor(pure=False))
        yield executor, lambda: _width(client, count if scheduler is None else None)


def _local(make: Any, count: int, memory: int | None) -> Any:
    """Processes on this machine; a script that starts them again and again is told how to be written."""
    try:
        return make(
            n_workers=count,
            threads_per_worker=1,
            processes=True,
            host="127.0.0.1",
            dashboard_address=None,
            memory_limit="auto" if memory is None else memory,
            silence_logs=logging.CRITICAL,
        )
    except RuntimeError as error:
        raise InputError(
            "cohort: its processes could not be started; in a script saved as a file the call stands under "
            "'if __name__ == \"__main__\":', and workers=0 needs no processes"
        ) from error


def _width(client: Any, local: int | None) -> int:
    """Processes that can work now; at least one, since a cluster may still be waiting for its first."""
    if local is not None:
        return local
    there = client.scheduler_info(n_workers=-1)["workers"].values()
    return max(1, sum(int(worker["nthreads"]) for worker in there))
