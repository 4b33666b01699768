"""The simulated heart and arteries: rhythm, filling, windkessel."""

import numpy as np
import pytest
from scipy import signal

from hemoidx.simulate.arteries import decay_time, windkessel
from hemoidx.simulate.breathing import breath_wave
from hemoidx.simulate.heart import BEAT_KINDS, BeatTrain, aortic_inflow, beat_train
from hemoidx.simulate.scenario import Scenario


def train_of(seed: int = 3, length: float = 600.0, **changes: object) -> BeatTrain:
    scenario = Scenario().replace(**changes)
    return beat_train(scenario, np.random.default_rng(seed), 0.0, length, 0.3)


@pytest.mark.parametrize("rate", [25.0, 72.0, 130.0, 220.0])
def test_rate_is_met(rate: float) -> None:
    train = train_of(rate=rate)
    assert 60 / np.median(np.diff(train.start)) == pytest.approx(rate, rel=0.02)
    # Ejection must end before the next beat.
    assert np.all(train.ejection[:-1] < 0.75 * np.diff(train.start))


def test_steady_rhythm_ejects_the_mean_volume() -> None:
    train = train_of(breath_pulse=0.0)
    assert train.stroke.mean() == pytest.approx(1.0, abs=0.02)
    assert train.stroke.std() < 0.05


def test_premature_beats_pause_and_are_weak() -> None:
    train = train_of(ectopic_share=0.1, coupling=0.6, sinus_arrhythmia=0.0, rate_variability=0.0)
    early = np.flatnonzero(train.kind == BEAT_KINDS.index("ectopic"))
    early = early[(early > 1) & (early < train.start.size - 1)]
    assert 0.06 < early.size / train.start.size < 0.14
    interval = np.diff(train.start)
    base = 60 / 75
    assert interval[early - 1] == pytest.approx(0.6 * base, rel=0.08)
    # Fully compensatory: the two intervals round the premature beat make two regular ones.
    assert interval[early - 1] + interval[early] == pytest.approx(2 * base, rel=1e-6)
    assert np.all(train.stroke[early] < 0.75)
    assert np.all(train.stroke[early + 1] > 1.0)


def test_bigeminy_alternates_intervals() -> None:
    interval = np.diff(train_of(rhythm="bigeminy").start)[4:]
    assert abs(np.median(interval[::2]) - np.median(interval[1::2])) > 0.4


def test_alternans_spares_the_intervals() -> None:
    train = train_of(alternans=0.2, breath_pulse=0.0)
    ratio = np.median(train.stroke[train.kind == BEAT_KINDS.index("weak")]) / np.median(
        train.stroke[train.kind == BEAT_KINDS.index("strong")]
    )
    assert ratio == pytest.approx(0.8 / 1.2, rel=0.02)
    interval = np.diff(train.start)
    assert np.median(interval[::2]) == pytest.approx(np.median(interval[1::2]), rel=0.01)


def test_atrial_fibrillation_has_no_memory() -> None:
    interval = np.diff(train_of(rhythm="atrial_fibrillation", rate=90.0, sinus_arrhythmia=0.0).start)
    assert interval.std() / interval.mean() > 0.15
    assert abs(np.corrcoef(interval[1:], interval[:-1])[0, 1]) < 0.1


def test_a_beat_that_cannot_fill_leaves_a_pause() -> None:
    # At 110/min a coupling of 0.45 leaves no time to fill: the pulse is missing, not small.
    train = train_of(rate=110.0, ectopic_share=0.1, coupling=0.45)
    assert BEAT_KINDS.index("ectopic") not in train.kind
    assert np.diff(train.start).max() > 1.8 * 60 / 110


def test_area_of_the_inflow_is_the_stroke_volume() -> None:
    train = train_of(length=60.0, alternans=0.3)
    t = np.arange(0, 60.0, 0.001)
    flow = aortic_inflow(train, t)
    for k in range(5, 40):
        part = (t >= train.start[k]) & (t < train.start[k + 1])
        assert flow[part].sum() * 0.001 == pytest.approx(train.stroke[k], rel=0.005)
    assert flow.min() < 0  # backflow closes the valve


@pytest.mark.parametrize("breathing", ["controlled", "spontaneous"])
def test_breath_wave_has_its_rate_and_no_steps(breathing: str) -> None:
    t = np.arange(0, 240, 0.01)
    wave = breath_wave(Scenario(breathing=breathing, breath_rate=12.0), t, 0.2)
    f, power = signal.periodogram(wave - wave.mean(), fs=100.0)
    assert f[np.argmax(power)] == pytest.approx(0.2, abs=0.005)
    assert wave.min() == pytest.approx(-0.5, abs=0.01)
    assert wave.max() == pytest.approx(0.5, abs=0.01)
    assert np.abs(np.diff(wave)).max() < 0.02


def test_windkessel_decays_as_the_closed_form() -> None:
    # P1 exp(-t/RC): Westerhof, Lankhaar, Westerhof, Med Biol Eng Comput 2009;47:131-141.
    r, c, fs = 0.95, 1.4, 500.0
    t = np.arange(1000) / fs
    got = windkessel(np.zeros(t.size), fs, r, c, 0.05, start=120.0)
    assert got == pytest.approx(120.0 * np.exp(-t / (r * c)), rel=1e-9)


def test_windkessel_mean_is_flow_times_resistance() -> None:
    # Mean pressure is mean flow times the sum of the resistances: same source.
    r, c, zc, fs = 0.9, 1.3, 0.06, 1000.0
    beat = np.concatenate((400 * np.sin(np.pi * np.arange(300) / 300), np.zeros(500)))
    flow = np.tile(beat, 40)
    pressure = windkessel(flow, fs, r, c, zc, start=80.0)
    assert pressure[-800:].mean() == pytest.approx(flow.mean() * (r + zc), rel=1e-6)


def test_windkessel_agrees_with_scipy() -> None:
    r, c, zc, fs = 1.1, 1.2, 0.05, 200.0
    flow = np.abs(np.random.default_rng(0).normal(80, 60, 2000))
    t = np.arange(flow.size) / fs
    system = signal.TransferFunction([r * c * zc, r + zc], [r * c, 1.0])
    _, wanted, _ = signal.lsim(system, flow, t, interp=True)
    got = windkessel(flow, fs, r, c, zc, start=0.0)
    later = t > 12 * r * c  # both have forgotten their start
    assert got[later] == pytest.approx(np.asarray(wanted)[later], abs=1e-2)


def test_open_time_constant_keeps_the_asymptote_plausible() -> None:
    assert decay_time(Scenario(decay_s=1.1)) == 1.1
    assert decay_time(Scenario(pulse_pressure=20.0)) > decay_time(Scenario(pulse_pressure=90.0))
