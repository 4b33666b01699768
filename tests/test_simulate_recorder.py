"""Recorder, container, teaching cohort: what reaches the disk is what was simulated."""

import json
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from hemoidx.errors import DataUnavailableError
from hemoidx.recordings import axis_of, load
from hemoidx.simulate import (
    Event,
    Scenario,
    read_truth,
    simulate,
    simulate_arrays,
    teaching_cohort,
    write_cohort,
    write_recording,
)


@pytest.mark.parametrize("fs", [60.0, 62.5, 125.0, 1000.0])
def test_samples_stand_at_their_time(fs: float) -> None:
    """The filter's delay is taken out: a slow and a fast recorder agree on when it was."""
    quiet = {"noise": 0.0, "step": 0.01, "duration_s": 30.0, "seed": 2}
    reference, high, _, truth = simulate_arrays(Scenario(fs=2000.0, **quiet))
    p, _, _, _ = simulate_arrays(Scenario(fs=fs, **quiet))
    wanted = np.interp(np.arange(p.size) / fs, np.arange(reference.size) / high, reference)
    inner = slice(int(fs), -int(fs))
    assert np.abs(p - wanted)[inner].max() < 1.0
    best = [
        np.abs(np.interp(np.arange(p.size) / fs + lag, np.arange(reference.size) / high, reference) - p)[
            inner
        ].mean()
        for lag in (-0.003, 0.0, 0.003)
    ]
    assert np.argmin(best) == 1
    assert len(truth.beats) > 30


def test_noise_has_its_size() -> None:
    noisy = simulate_arrays(Scenario(noise=0.8, step=0.01, seed=9))[0]
    clean = simulate_arrays(Scenario(noise=0.0, step=0.01, seed=9))[0]
    assert (noisy - clean).std() == pytest.approx(0.8, rel=0.05)


def test_rails_clip() -> None:
    p, _, scale, truth = simulate_arrays(Scenario(rail_high=100.0, rail_low=80.0, step=0.5))
    assert p.max() == scale[0]["rail_high"] == 100.0
    assert p.min() == scale[0]["rail_low"] == 80.0
    assert truth.beats.sbp.min() > 100.0
    assert not truth.beats.clear.any()


def test_container_says_what_it_is() -> None:
    sim = simulate(
        Scenario(name="test", duration_s=20.0, fs=62.5, note="A note.", events=(Event("gap", 5.0, 1.0),))
    )
    channel = sim.recording["ABP"]
    axis = axis_of(channel)
    assert (axis.first, axis.step, axis.fs, axis.size) == (0, 1, 62.5, 1250)
    assert channel.dtype == np.float32
    assert channel.attrs["units"] == "mmHg"
    assert channel.attrs["role"] == "arterial_pressure"
    assert channel.attrs["calibrated"] is True
    assert channel.attrs["scale"][0]["stop"] == 1250
    assert sim.recording.attrs["comments"][0].startswith("invented: simulated")
    assert sim.recording.attrs["comments"][1] == "A note."
    json.dumps([sim.recording.attrs, channel.attrs])
    assert np.isnan(channel.values).sum() == pytest.approx(62.5, abs=1)


@pytest.fixture(scope="module")
def cohort(tmp_path_factory: pytest.TempPathFactory) -> list[Path]:
    return write_cohort(tmp_path_factory.mktemp("cohort"), seed=3)


def test_cohort_shows_what_it_should(cohort: list[Path]) -> None:
    scenarios = teaching_cohort(3)
    assert len(scenarios) >= 12
    assert len({s.name for s in scenarios}) == len(scenarios)
    assert [p.name for p in cohort] == [s.name for s in scenarios]
    assert all(180 <= s.duration_s <= 360 for s in scenarios)
    assert all(s.note for s in scenarios)
    kinds = {e.kind for s in scenarios for e in s.events}
    assert kinds == {
        "flush",
        "open_to_air",
        "flat",
        "saturated",
        "sampling",
        "motion",
        "cuff",
        "gap",
        "not_pulsatile",
    }
    by_name = {p.name.split("_", 1)[1]: read_truth(p) for p in cohort}
    assert 60 / by_name["tachycardia"].beats.duration_s.median() > 140
    assert by_name["shock"].beats.mbp.median() < 50
    assert by_name["overdamped"].beats.notch_s.notna().mean() < 0.05
    assert (by_name["ectopy"].beats.kind == "ectopic").sum() > 8
    assert by_name["underdamped"].beats.dpdt_max.median() > 2 * by_name["overdamped"].beats.dpdt_max.median()
    pulse = by_name["alternans"].beats.groupby("kind").pp.median()
    assert pulse["strong"] > 1.15 * pulse["weak"]


def test_cohort_reads_back_as_it_was(cohort: list[Path]) -> None:
    for path, scenario in zip(cohort, teaching_cohort(3), strict=True):
        sim, read = simulate(scenario), load(path)
        assert np.array_equal(read["ABP"].values, sim.recording["ABP"].values, equal_nan=True)
        assert read.attrs["comments"] == sim.recording.attrs["comments"]
        assert read.attrs["comments"][0].startswith("invented")
        assert read.attrs["provenance"]["checksums"] == {"ABP": "agrees"}
        got, meant = read["ABP"].attrs["scale"][0], sim.recording["ABP"].attrs["scale"][0]
        assert got["gain"] == meant["gain"]
        assert got["baseline"] == meant["baseline"]
        assert got["calibrated"]
        # The reader knows the rails from the converter's bits.
        assert got["rail_high"] == pytest.approx(meant["rail_high"], abs=2.1 * meant["step"])
        truth = read_truth(path)
        pd.testing.assert_frame_equal(truth.beats, sim.truth.beats)
        pd.testing.assert_frame_equal(truth.spans, sim.truth.spans)


def test_cohort_is_the_same_byte_for_byte(cohort: list[Path], tmp_path: Path) -> None:
    again = write_cohort(tmp_path, seed=3)
    names = sorted(p.name for p in tmp_path.iterdir())
    assert len(names) == 5 * len(again)
    for name in names:
        assert (tmp_path / name).read_bytes() == (cohort[0].parent / name).read_bytes(), name
    other = write_recording(simulate(teaching_cohort(4)[0]), tmp_path / "other")
    assert other.with_suffix(".dat").read_bytes() != cohort[0].with_suffix(".dat").read_bytes()


def test_missing_truth_is_named(tmp_path: Path) -> None:
    path = write_recording(simulate(Scenario(name="lonely", duration_s=10.0)), tmp_path, "renamed")
    assert path.name == "renamed"
    (tmp_path / "renamed.truth_spans.parquet").unlink()
    with pytest.raises(DataUnavailableError, match="renamed"):
        read_truth(path)


def test_three_minutes_take_a_moment() -> None:
    scenario = Scenario(duration_s=180.0, fs=1000.0)
    spent = []
    for _ in range(4):
        begin = time.perf_counter()
        simulate_arrays(scenario)
        spent.append(time.perf_counter() - begin)
    # 0.12 s alone on one core; the rest is room for a busy machine.
    assert min(spent) < 0.5


def test_room_imports_cheaply() -> None:
    code = "import sys, hemoidx.simulate; print(*sys.modules)"
    out = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert not {"scipy", "pandas", "xarray", "wfdb", "pyarrow"} & set(out.stdout.split())
