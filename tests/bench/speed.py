"""
Speed and memory of `analyse`, as ratios to `sosfiltfilt` over the same samples in the same run.

Run it with ``python -m tests.bench.speed [--hours 24] [--fs 125]``. Two catalogues are timed: the usual
indices (pressures, rate, duration, dP/dt max, systolic area, ejection time, and what the measuring chain adds
to them), and all of them. The yardstick is one warm pass of
scipy's `sosfiltfilt` with a fourth-order Butterworth band-pass; both are best of five. The recording holds no
flush: each one is measured at a cost of its own, which is printed beside it. Also printed: how memory grows
with the length of the recording, and what importing and asking for help cost.
"""

from __future__ import annotations

import argparse
import subprocess
import sys
import time
import tracemalloc
from collections.abc import Callable
from typing import Any

import numpy as np

USUAL = (
    "sbp",
    "dbp",
    "mbp",
    "pp",
    "hr",
    "duration",
    "dpdt_max",
    "systolic_area",
    "ejection_time",
    "chain",
)


def day(hours: float, fs: float, flushes: int = 0) -> np.ndarray:
    """Simulated pressure: ten minutes with breathing over and over, some of them with a flush [mmHg]."""
    from hemoidx.simulate import Event, Scenario, simulate_arrays

    quiet = Scenario(seed=3, fs=fs, duration_s=600.0, rate=72.0, name="speed")
    flushed = quiet.replace(events=(Event("flush", 300.0, 1.5),))
    with_flush, without = (simulate_arrays(scenario)[0] for scenario in (flushed, quiet))
    pieces = max(1, round(hours * 6))
    chosen = set(np.linspace(0, pieces - 1, flushes).astype(int).tolist())
    return np.concatenate([with_flush if k in chosen else without for k in range(pieces)])


def best(run: Callable[[], object], times: int = 5) -> float:
    """Shortest of several timings after one that does not count [s]."""
    run()
    took = []
    for _ in range(times):
        start = time.perf_counter()
        run()
        took.append(time.perf_counter() - start)
    return min(took)


def start_up(code: str) -> float:
    """Median time of nine fresh interpreters that run this code [s]."""
    took = []
    for _ in range(9):
        start = time.perf_counter()
        subprocess.run([sys.executable, "-c", code], check=True, stdout=subprocess.DEVNULL)
        took.append(time.perf_counter() - start)
    return sorted(took)[4]


def extra_memory(rec: Any, entries: Any = None) -> int:
    """Most memory that one analysis holds beside the recording [bytes]."""
    import hemoidx as hx

    tracemalloc.start()
    hx.analyse(rec, catalogue=entries, progress=False)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    return peak


def recording(wave: np.ndarray, fs: float) -> Any:
    """Recording with this wave as its arterial channel."""
    from hemoidx.recordings import Channel, Origin, build

    channel = Channel("ABP", wave, fs, "time", "arterial_pressure", "mmHg", "simulated", [])
    return build([channel], Origin("speed", "simulated", fs, [], "", [], []))


def print_start_up() -> None:
    """Print what importing and asking for help cost."""
    bare, numpy, ours = start_up("pass"), start_up("import numpy"), start_up("import hemoidx")
    print(
        f"import hemoidx {1000 * (ours - bare):.0f} ms, import numpy {1000 * (numpy - bare):.0f} ms: "
        f"ratio {(ours - bare) / (numpy - bare):.2f}"
    )
    help_s = start_up("import sys; from hemoidx.cli import main; sys.argv[1:] = ['--help']; main(['--help'])")
    print(f"hemoidx --help {1000 * help_s:.0f} ms, interpreter and all")


def main() -> None:
    """Print the ratios."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--hours", type=float, default=24.0)
    parser.add_argument("--fs", type=float, default=125.0)
    chosen = parser.parse_args()
    from scipy.signal import butter, sosfiltfilt

    import hemoidx as hx
    from hemoidx import beats

    print(f"{chosen.hours:g} h at {chosen.fs:g} Hz, one channel")
    wave32 = day(chosen.hours, chosen.fs)
    for wave in (wave32, wave32.astype(np.float64)):
        rec = recording(wave, chosen.fs)
        sos = butter(4, [0.5, 16.0], "band", fs=chosen.fs, output="sos")
        yard = best(lambda w=wave, s=sos: sosfiltfilt(s, w))
        core = best(lambda w=wave: beats.read(w, chosen.fs))
        print(f"{wave.dtype}: sosfiltfilt {yard:.3f} s, beats {core:.3f} s = {core / yard:.2f} passes")
        for words, entries in (
            ("usual", hx.default_catalogue().only(*USUAL)),
            ("all", hx.default_catalogue()),
        ):
            took = best(lambda r=rec, c=entries: hx.analyse(r, catalogue=c, progress=False))
            peak = extra_memory(rec, entries)
            print(
                f"  analyse, {words} {len(entries)} indices: {took:.3f} s = {took / yard:.2f} passes; "
                f"extra memory {peak / 1e6:.0f} MB = {peak / wave.nbytes:.2f} times the signal"
            )
        if wave is wave32:
            without = took
    rec = recording(day(chosen.hours, chosen.fs, flushes=12), chosen.fs)
    some = best(lambda: hx.analyse(rec, progress=False), times=2)
    print(f"12 flushes in it, float32: {some:.3f} s; each costs {(some - without) / 12:.3f} s")
    for times in (0.5, 2.0):
        wave = day(chosen.hours * times, chosen.fs)
        peak = extra_memory(recording(wave, chosen.fs))
        print(
            f"{chosen.hours * times:g} h, float32: extra memory {peak / 1e6:.0f} MB "
            f"= {peak / wave.nbytes:.2f} times the signal"
        )
    print_start_up()


if __name__ == "__main__":
    main()
