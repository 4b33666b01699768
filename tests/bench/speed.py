"""
Speed and memory of `analyse`, as ratios to `sosfiltfilt` over the same samples in the same run.

Run it with ``python -m tests.bench.speed [--hours 24] [--fs 125]``. The yardstick is one warm pass of
scipy's `sosfiltfilt` with a fourth-order Butterworth band-pass; both are best of five.
"""

from __future__ import annotations

import argparse
import time
import tracemalloc
from collections.abc import Callable

import numpy as np


def day(hours: float, fs: float) -> np.ndarray:
    """Simulated pressure of this length: ten minutes with breathing and a flush, over and over [mmHg]."""
    from hemoidx.simulate import Event, Scenario, simulate_arrays

    scenario = Scenario(
        seed=3, fs=fs, duration_s=600.0, rate=72.0, events=(Event("flush", 300.0, 1.5),), name="speed"
    )
    pressure, _, _, _ = simulate_arrays(scenario)
    return np.tile(pressure, max(1, round(hours * 6)))


def best(run: Callable[[], object], times: int = 5) -> float:
    """Shortest of several timings after one that does not count [s]."""
    run()
    took = []
    for _ in range(times):
        start = time.perf_counter()
        run()
        took.append(time.perf_counter() - start)
    return min(took)


def main() -> None:
    """Print the ratios."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--hours", type=float, default=24.0)
    parser.add_argument("--fs", type=float, default=125.0)
    chosen = parser.parse_args()
    from scipy.signal import butter, sosfiltfilt

    import hemoidx as hx
    from hemoidx import beats
    from hemoidx.recordings import Channel, Origin, build

    print(f"{chosen.hours:g} h at {chosen.fs:g} Hz, one channel")
    wave32 = day(chosen.hours, chosen.fs)
    for wave in (wave32, wave32.astype(np.float64)):
        size = wave.nbytes
        channel = Channel("ABP", wave, chosen.fs, "time", "arterial_pressure", "mmHg", "simulated", [])
        rec = build([channel], Origin("speed", "simulated", chosen.fs, [], "", [], []))
        sos = butter(4, [0.5, 16.0], "band", fs=chosen.fs, output="sos")
        yard = best(lambda w=wave, s=sos: sosfiltfilt(s, w))
        core = best(lambda w=wave: beats.read(w, chosen.fs))
        whole = best(lambda r=rec: hx.analyse(r, progress=False))
        tracemalloc.start()
        result = hx.analyse(rec, progress=False)
        peak = tracemalloc.get_traced_memory()[1]
        tracemalloc.stop()
        print(
            f"{wave.dtype}: sosfiltfilt {yard:.3f} s, beats {core:.3f} s = {core / yard:.2f} passes, "
            f"analyse {whole:.3f} s = {whole / yard:.2f} passes; {len(result.beats)} beats; "
            f"extra memory {peak / 1e6:.0f} MB = {peak / size:.2f} times the signal"
        )


if __name__ == "__main__":
    main()
