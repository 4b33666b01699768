"""Breaths from a channel of breathing: simulated truth, gaps, polarity, and real recordings."""

from pathlib import Path
from typing import Any

import numpy as np
import pytest

from hemoidx.breaths import Breaths, BreathSignal, read
from hemoidx.errors import InputError
from hemoidx.facts import mask
from hemoidx.recordings import axis_of, load
from hemoidx.simulate import Scenario, Simulated, simulate
from tests.bench.breathing import compare, series_of


def signals_of(sim: Simulated) -> list[BreathSignal]:
    return [
        BreathSignal(data.values, data.attrs["fs"], data.attrs["role"])
        for name, data in sim.recording.data_vars.items()
        if name != "ABP"
    ]


def simulated(kind: str, **changes: Any) -> tuple[Breaths, Simulated]:
    base = Scenario(
        duration_s=180.0, seed=6, breath_channels=(kind,), breath_irregularity=0.1, breath_rate=13.0
    )
    sim = simulate(base.replace(**changes))
    channel = sim.recording["ABP"]
    series = series_of(channel.values, sim.scenario.fs, channel.attrs["scale"])
    return read(series, 180.0, signals_of(sim)), sim


def nearest(found: np.ndarray, truth: np.ndarray) -> np.ndarray:
    away = found[:, None] - truth
    return away[np.arange(found.size), np.abs(away).argmin(axis=1)]


@pytest.mark.parametrize(
    ("kind", "changes"),
    [
        ("respiration", {"breathing": "controlled", "breath_fs": 25.0}),
        ("respiration", {"breathing": "spontaneous", "inspiration": 0.35, "breath_fs": 125.0}),
        ("respiration", {"breathing": "controlled", "breath_channel_inverted": True}),
        ("co2", {"breathing": "controlled", "breath_fs": 125.0}),
        ("co2", {"breathing": "spontaneous", "breath_rate": 27.0}),
    ],
)
def test_starts_and_ends_of_inspiration(kind: str, changes: dict[str, Any]) -> None:
    found, sim = simulated(kind, **changes)
    truth = sim.truth.breaths
    assert found.source == kind
    assert not found.from_pressure.any()
    assert found.start_s.size >= 0.85 * len(truth)
    inside = (found.start_s > truth.start_s.min() - 1) & (found.end_s < truth.end_s.max() + 1)
    off = nearest(found.start_s[inside], truth.start_s.to_numpy())
    usual = 60.0 / sim.scenario.breath_rate
    assert abs(np.median(off)) < 0.09 * usual
    assert np.quantile(np.abs(off - np.median(off)), 0.9) < 0.06 * usual
    turned = found.inspiration_end_s[inside]
    assert np.isfinite(turned).mean() > 0.9
    # From CO2 it is late by the dead space.
    late = nearest(turned[np.isfinite(turned)], truth.inspiration_end_s.to_numpy())
    assert abs(np.median(late)) < (0.4 if kind == "co2" else 0.15)


@pytest.mark.parametrize("kind", ["respiration", "co2"])
def test_rate_with_a_channel(kind: str) -> None:
    found, sim = simulated(kind, breath_channel_noise=0.1)
    claimed, real = compare(found, sim.truth.breaths, 180.0)
    assert np.isfinite(claimed).all()
    assert np.abs(claimed - real).max() < 0.5


def test_channel_counts_where_the_rhythm_hides_breathing() -> None:
    found, sim = simulated("respiration", rhythm="atrial_fibrillation", irregularity=0.25)
    claimed, real = compare(found, sim.truth.breaths, 180.0)
    assert np.abs(claimed - real).max() < 0.6


def test_pressure_fills_a_gap_of_the_channel() -> None:
    gap = (60.0, 50.0)
    found, _ = simulated("co2", breath_pulse=0.15, breath_channel_gaps=(gap,), breath_irregularity=0.0)
    assert found.source == "co2"
    middle = 0.5 * (found.start_s + found.end_s)
    inside = (middle > 62) & (middle < 108)
    assert inside.sum() >= 8
    assert found.from_pressure[inside].all()
    assert not found.from_pressure[(middle < 55) | (middle > 115)].any()
    assert np.isnan(found.inspiration_end_s[inside]).all()
    assert np.all(found.start_s[1:] >= found.end_s[:-1])
    facts = found.facts_between([0.0, 65.0], [50.0, 105.0])
    assert (facts & mask("breathing_from_pressure")).tolist() == [0, mask("breathing_from_pressure")]


def test_held_breath_is_seen_by_the_channel() -> None:
    found, sim = simulated("respiration", breathing="controlled", breath_holds=((70.0, 40.0),))
    held = sim.truth.breaths.end_s[sim.truth.breaths.end_s < 80].max()
    assert not ((found.start_s > held + 2.0) & (found.end_s < 109.0)).any()
    assert found.facts_between([held + 1.0], [108.0])[0] & mask("breathing_unclear")


@pytest.mark.parametrize("dead", ["flat", "noise", "heart", "empty"])
def test_channel_without_breathing_gives_way_to_the_pressure(dead: str) -> None:
    sim = simulate(Scenario(duration_s=180.0, seed=2, breath_pulse=0.15, breath_rate=14.0, rate=66.0))
    t = np.arange(180 * 50) / 50.0
    made = {
        "flat": np.ones(t.size),
        "noise": np.random.default_rng(1).normal(size=t.size),
        "heart": np.sin(2 * np.pi * np.interp(t, sim.truth.beats.onset_s, np.arange(len(sim.truth.beats)))),
        "empty": np.full(t.size, np.nan),
    }[dead]
    channel = sim.recording["ABP"]
    found = read(series_of(channel.values, 125.0, channel.attrs["scale"]), 180.0, [BreathSignal(made, 50.0)])
    assert found.source == "pressure"
    assert found.rate.mean() == pytest.approx(14.0, abs=0.3)


def test_the_channel_that_shows_more_is_read() -> None:
    sim = simulate(
        Scenario(
            duration_s=180.0, seed=2, breath_channels=("respiration", "co2"), breathing="controlled",
            breath_channel_gaps=(),
        )
    )  # fmt: skip
    impedance, carbon = signals_of(sim)
    broken = BreathSignal(np.where(np.arange(impedance.values.size) < 6000, np.nan, impedance.values), 62.5)
    channel = sim.recording["ABP"]
    series = series_of(channel.values, 125.0, channel.attrs["scale"])
    assert read(series, 180.0, [broken, carbon]).source == "co2"
    assert (
        read(series, 180.0, [impedance, BreathSignal(carbon.values[:3000], 62.5, "co2")]).source
        == "respiration"
    )


def test_a_channel_that_begins_later_is_placed_in_time() -> None:
    found, sim = simulated("co2", breath_irregularity=0.05)
    (signal,) = signals_of(sim)
    n = int(40 * signal.fs)
    later = BreathSignal(signal.values[n:], signal.fs, "co2", first_s=40.0)
    channel = sim.recording["ABP"]
    again = read(series_of(channel.values, 125.0, channel.attrs["scale"]), 180.0, [later])
    both = again.start_s[(again.start_s > 60) & ~again.from_pressure]
    assert both.size > 15
    assert np.abs(nearest(both, found.start_s)).max() < 0.1


def test_wrong_channels_are_refused() -> None:
    with pytest.raises(InputError, match="respiration, co2"):
        BreathSignal(np.zeros(100), 25.0, "pleth")
    with pytest.raises(InputError, match="4 Hz"):
        BreathSignal(np.zeros(100), 1.0)


def test_real_pressure_and_impedance_agree(real_data: Path) -> None:
    path = real_data / "mimicdb/1.0.0/037/03700181"
    if not path.with_suffix(".hea").is_file():
        pytest.skip("this folder of real recordings lacks mimicdb 03700181")
    rec = load(path)
    pressure, chest = rec["ABP"], rec["RESP"]
    axis = axis_of(pressure)
    seconds = axis.size / axis.fs
    series = series_of(pressure.values, axis.fs, pressure.attrs["scale"])
    own = read(series, seconds)
    channel = read(series, seconds, [BreathSignal(chest.values, chest.attrs["fs"], "respiration")])
    assert channel.source == "respiration"
    # Impedance reads 18/min for most of the ten minutes, 22 to 25 in two stretches of triggered breaths.
    assert np.median(channel.rate) == pytest.approx(18.0, abs=0.2)
    assert channel.start_s.size > 175
    assert own.start_s.size > 0.8 * channel.start_s.size
    # Each breath read off the pressure against the count of the channel over the same stretch.
    both = (own.start_s > channel.start_s[0]) & (own.end_s < channel.start_s[-1])
    turn = np.interp(own.end_s[both], channel.start_s, np.arange(channel.start_s.size))
    turn -= np.interp(own.start_s[both], channel.start_s, np.arange(channel.start_s.size))
    assert np.quantile(np.abs(turn - 1.0), 0.9) < 0.15
    assert turn.mean() == pytest.approx(1.0, abs=0.02)
