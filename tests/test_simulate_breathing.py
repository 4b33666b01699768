"""Simulated breathing: the breaths, what they do, the channel that records them, their truth."""

from pathlib import Path

import numpy as np
import pytest

from hemoidx.errors import InputError
from hemoidx.recordings import axis_of
from hemoidx.simulate import Scenario, read_truth, simulate, write_recording
from hemoidx.simulate.breathing import breath_wave, breathing_channel, breaths_of, vasomotor_wave


@pytest.mark.parametrize("breathing", ["controlled", "spontaneous"])
def test_even_and_uneven_layout_are_the_same_breath(breathing: str) -> None:
    # A hold beyond the end makes the breaths be laid out one by one; nothing else differs.
    even = Scenario(breathing=breathing, breath_rate=13.0, duration_s=60)
    uneven = even.replace(breath_holds=((85.0, 1.0),))
    t = np.linspace(0.0, 60.0, 3001)
    assert breath_wave(uneven, t, 0.3) == pytest.approx(breath_wave(even, t, 0.3), abs=1e-6)
    assert breath_wave(uneven, t, 0.3, 0.2) == pytest.approx(breath_wave(even, t, 0.3, 0.2), abs=1e-6)
    inside = [b.start[(b.start > 0) & (b.start < 60)] for b in (breaths_of(s, 0.3) for s in (even, uneven))]
    assert inside[0] == pytest.approx(inside[1], abs=1e-6)
    assert np.diff(inside[0]) == pytest.approx(60 / 13.0)


@pytest.mark.parametrize(("breathing", "sign"), [("controlled", 1.0), ("spontaneous", -1.0)])
def test_pressure_goes_with_a_ventilator_and_against_own_effort(breathing: str, sign: float) -> None:
    scenario = Scenario(breathing=breathing, inspiration=0.4, breath_rate=12.0, duration_s=40)
    breaths = breaths_of(scenario, 0.7)
    start, turn = (breath_wave(scenario, at, 0.7) for at in (breaths.start, breaths.inspiration_end))
    assert sign * (turn - start) == pytest.approx(1.0, abs=1e-6)
    assert breaths.inspiration_end - breaths.start == pytest.approx(0.4 * 5.0)


def test_a_hold_is_free_of_breaths_and_settles_where_it_is_told() -> None:
    scenario = Scenario(
        breathing="controlled", breath_holds=((30.0, 15.0),), breath_hold_rest=0.25, duration_s=80
    )
    breaths = breaths_of(scenario, 0.1)
    late = np.flatnonzero(breaths.start >= 30.0)[0]
    assert breaths.start[late] == pytest.approx(45.0)
    assert 30.0 <= breaths.end[late - 1] < 34.0
    t = np.arange(breaths.end[late - 1] + 2.0, 45.0, 0.1)
    assert breath_wave(scenario, t, 0.1) == pytest.approx(0.25)
    t = np.arange(0.0, 80.0, 0.01)
    assert np.abs(np.diff(breath_wave(scenario, t, 0.1))).max() < 0.03


def test_lengths_spread_as_asked() -> None:
    breaths = breaths_of(Scenario(breath_irregularity=0.15, breath_rate=20.0, duration_s=3600, seed=4), 0.0)
    length = breaths.end - breaths.start
    assert np.log(length).std() == pytest.approx(0.15, rel=0.1)
    assert np.median(length) == pytest.approx(3.0, rel=0.03)
    assert breaths.start[1:] == pytest.approx(breaths.end[:-1])


def test_truth_of_the_breaths_is_the_extremes_of_their_beats() -> None:
    sim = simulate(Scenario(breathing="controlled", breath_pulse=0.2, duration_s=60, seed=5, drift=0.0))
    beats, breaths = sim.truth.beats, sim.truth.breaths
    assert len(breaths) >= 13
    for row in breaths.itertuples():
        own = beats[(beats.onset_s >= row.start_s) & (beats.onset_s < row.end_s)]
        assert row.beats == len(own)
        assert row.ppv == pytest.approx(200 * (own.pp.max() - own.pp.min()) / (own.pp.max() + own.pp.min()))
        assert row.spv == pytest.approx(own.sbp.max() - own.sbp.min())
    # The latent swing of stroke volume is 20 %; few beats a breath miss part of it, intervals add some.
    assert 15.0 < breaths.ppv.median() < 23.0
    assert breaths.clear.mean() > 0.8


def test_premature_beats_make_a_breath_unclear() -> None:
    sim = simulate(Scenario(ectopic_share=0.1, duration_s=60, seed=2))
    for row in sim.truth.breaths.itertuples():
        own = sim.truth.beats.query("@row.start_s <= onset_s < @row.end_s")
        if (own.kind == "ectopic").any():
            assert not row.clear
    assert 0 < sim.truth.breaths.clear.sum() < len(sim.truth.breaths)


def test_slow_waves_move_the_level_at_their_frequency() -> None:
    scenario = Scenario(breathing="none", vasomotor=10.0, vasomotor_hz=0.09, drift=0.0, noise=0.0, seed=3)
    still = simulate(scenario.replace(vasomotor=0.0)).truth.beats
    moved = simulate(scenario).truth.beats
    added = moved.dbp - still.dbp
    # Three waves beat with one another; they need not meet within two minutes.
    assert 7.0 < np.ptp(added) < 10.2
    assert moved.pp.to_numpy() == pytest.approx(still.pp.to_numpy(), rel=0.06)
    t = np.arange(0.0, 600.0, 0.5)
    wave = vasomotor_wave(scenario, t)
    spectrum = np.abs(np.fft.rfft(wave))
    assert np.fft.rfftfreq(t.size, 0.5)[spectrum.argmax()] == pytest.approx(0.09, abs=0.002)
    beats = simulate(scenario.replace(vasomotor_rate=0.05, rate_variability=0.0)).truth.beats
    interval = beats.duration_s.dropna()
    assert np.ptp(interval) / interval.mean() == pytest.approx(0.1, rel=0.3)


def test_the_channel_shows_the_breaths_at_its_own_rate() -> None:
    scenario = Scenario(
        breathing="controlled", breath_channels=("respiration", "co2"), breath_fs=25.0, duration_s=60,
        breath_channel_noise=0.0, breath_channel_gaps=((40.0, 5.0),), seed=8,
    )  # fmt: skip
    sim = simulate(scenario)
    rec, breaths = sim.recording, sim.truth.breaths
    assert [rec[name].attrs["role"] for name in rec.data_vars] == ["arterial_pressure", "respiration", "co2"]
    assert (axis_of(rec["RESP"]).fs, rec["RESP"].size, rec["CO2"].attrs["units"]) == (25.0, 1500, "mmHg")
    assert np.isnan(rec["CO2"].values[1000:1125]).all()
    assert np.isfinite(rec["CO2"].values[:1000]).all()
    t = np.arange(1500) / 25.0
    clear = breaths[breaths.end_s < 39]
    assert len(clear) > 6
    for row in clear.itertuples():
        inside = (t >= row.start_s) & (t < row.end_s)
        # Impedance stands highest where inspiration ends; CO2 is gone through inspiration.
        highest = t[inside][rec["RESP"].values[inside].argmax()]
        assert highest == pytest.approx(row.inspiration_end_s, abs=0.1)
        breathed_in = (t > row.start_s + 0.15) & (t < row.inspiration_end_s)
        assert rec["CO2"].values[breathed_in].max() == 0.0
        assert rec["CO2"].values[np.searchsorted(t, row.start_s) - 1] > 35.0
    upside_down = breathing_channel("respiration", scenario.replace(breath_channel_inverted=True), 0.0, 600)
    upright = breathing_channel("respiration", scenario, 0.0, 600)
    assert (upside_down - 20.0) == pytest.approx(-(upright - 20.0), abs=0.006)


def test_without_breathing_there_is_no_breath() -> None:
    sim = simulate(Scenario(breathing="none", duration_s=20, breath_channels=("co2",), breath_fs=25.0))
    assert len(sim.truth.breaths) == 0
    assert np.nanmax(sim.recording["CO2"].values) < 1.0


def test_breaths_are_written_and_a_channel_that_cannot_be_is_refused(tmp_path: Path) -> None:
    sim = simulate(Scenario(duration_s=20, name="kept"))
    read = read_truth(write_recording(sim, tmp_path))
    assert read.breaths.equals(sim.truth.breaths)
    with pytest.raises(InputError, match="CO2"):
        write_recording(simulate(Scenario(duration_s=20, breath_channels=("co2",))), tmp_path)


@pytest.mark.parametrize(
    "wrong",
    [{"inspiration": 0.05}, {"breath_channels": ("smell",)}, {"breath_holds": ((5.0, -1.0),)}],
)
def test_what_cannot_be_is_refused(wrong: dict[str, object]) -> None:
    with pytest.raises(InputError):
        Scenario().replace(**wrong)
