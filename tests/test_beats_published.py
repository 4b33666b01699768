"""
Beats against worked examples: their landmarks and pressures on waves whose numbers were printed.

The examples are definitions or closed forms with their arithmetic done; 'from memory' means that the
definition itself was not looked up again.
"""

import numpy as np
import pytest

from hemoidx import beats
from hemoidx.indices.area import ejection_time, systolic_area
from hemoidx.indices.pressure.readings import diastolic_pressure, heart_rate, mean_pressure, systolic_pressure
from hemoidx.indices.upstroke.rise import dpdt_max
from hemoidx.samples import value_at

RATES = [62.5, 125.0, 250.0, 1000.0]


def windkessel(fs, beats_=60):
    """
    Two-element windkessel with half-sine ejection in its steady state.

    R 0.95, C 1.0666, period 0.833333 s, systole 0.333333 s, 90 mL: the teaching set of the two-element
    model (Westerhof N, Lankhaar JW, Westerhof BE. The arterial windkessel. Med Biol Eng Comput
    2009;47:131-141, for the model).
    """
    resistance, compliance, period, systole, volume = 0.95, 1.0666, 0.833333, 0.333333, 90.0
    tau = resistance * compliance
    w = np.pi / systole
    drive = volume * w / 2 / compliance
    size = 1 / tau**2 + w**2
    sine, cosine = drive / tau / size, -drive * w / size
    ejected, run_off = np.exp(-systole / tau), np.exp(-(period - systole) / tau)
    start = -cosine * (1 + ejected) * run_off / (1 - ejected * run_off)
    t = np.arange(int(beats_ * period * fs)) / fs % period
    ejection = sine * np.sin(w * t) + cosine * np.cos(w * t) + (start - cosine) * np.exp(-t / tau)
    end = -cosine + (start - cosine) * ejected
    return np.where(t < systole, ejection, end * np.exp(-(t - systole) / tau)), period


@pytest.mark.parametrize("fs", RATES)
def test_the_beat_of_a_windkessel(fs):
    """Printed: SBP 130.207, lowest 77.366, mean 102.6 mmHg, steepest 294.14 mmHg/s, peak after 0.2984 s."""
    wave, period = windkessel(fs)
    found = beats.read(wave, fs)
    assert found.onset.size >= 58
    assert (found.quality[2:-2] > 0.9).all()
    inner = slice(2, -2)
    peak = systolic_pressure(wave, found.peak, fs)[inner]
    np.testing.assert_allclose(peak, 130.207, atol=0.01)
    foot = diastolic_pressure(wave, found.onset, found.steepest, fs)[inner]
    assert np.median(foot) == pytest.approx(77.366, abs=0.05)
    mean = mean_pressure(wave, found.onset, found.end)[inner]
    np.testing.assert_allclose(mean, 102.6, atol=0.02)
    np.testing.assert_allclose(dpdt_max(wave, found.steepest, fs)[inner], 294.14, rtol=0.002)
    np.testing.assert_allclose((found.peak / fs)[inner] % period, 0.2984, atol=0.002)
    np.testing.assert_allclose(heart_rate((found.end - found.onset)[inner] / fs), 72.0, atol=0.1)
    # A windkessel has no incisura: closing the valve is a corner and pressure falls at once.
    np.testing.assert_allclose(np.diff(found.onset)[inner] / fs, period, atol=0.002)


def ramps(fs, seconds=30.0):
    """Each second: 80 mmHg until 0.05 s, then up by 400 mmHg/s to 120 mmHg, and slowly back to 80."""
    t = np.arange(int(fs * seconds)) / fs % 1.0
    return np.interp(t, [0.0, 0.05, 0.15, 0.75, 1.0], [80.0, 80.0, 120.0, 80.0, 80.0])


@pytest.mark.parametrize("fs", RATES)
def test_foot_by_the_tangent(fs):
    """P = 100 mmHg at 0.1 s, 400 mmHg/s, lowest 80 mmHg: foot at 0.05 s (definition, from memory)."""
    wave = ramps(fs)
    found = beats.read(wave, fs)
    assert found.onset.size == 29
    level = value_at(wave, found.steepest)
    slope = dpdt_max(wave, found.steepest, fs)
    assert np.median(slope) == pytest.approx(400.0, rel=0.07)
    np.testing.assert_allclose(found.steepest / fs - (level - 80.0) / 400.0, found.onset / fs, atol=1e-3)
    np.testing.assert_allclose(found.onset / fs % 1.0, 0.05, atol=1e-3)


@pytest.mark.parametrize("fs", [100.0, 125.0, 250.0, 500.0, 1000.0])
def test_steepest_rise_of_a_sine(fs):
    """P = 90 + 20 sin(2 pi 1.2 t): 150.796447 mmHg/s, within 0.5 % from 100 Hz on (identity)."""
    t = np.arange(int(30 * fs)) / fs
    wave = 90.0 + 20.0 * np.sin(2 * np.pi * 1.2 * t)
    found = beats.read(wave, fs)
    assert found.onset.size >= 34
    np.testing.assert_allclose(dpdt_max(wave, found.steepest, fs), 150.796447, rtol=0.005)
    # It rises through its mean there.
    np.testing.assert_allclose((found.steepest / fs * 1.2 + 0.5) % 1.0, 0.5, atol=0.005)


def test_a_fourth_order_derivative_loses_less_than_a_difference():
    """A central difference passes 0.958418 of 10 Hz at 125 Hz (identity, from memory)."""
    fs, f = 125.0, 10.0
    wave = np.sin(2 * np.pi * f * np.arange(400) / fs)
    crossing = np.array([fs / f * 16])
    found = dpdt_max(wave, crossing, fs)[0] / (2 * np.pi * f)
    difference = (wave[201] - wave[199]) / 2 * fs / (2 * np.pi * f)
    assert difference == pytest.approx(0.958418, abs=1e-6)
    assert found > difference


def test_mean_of_a_ramp_is_no_third():
    """80 to 120 mmHg in a straight line: 100, where the one-third rule says 93.3 (Libii 1988, abstract)."""
    wave = np.tile(80.0 + 40.0 * np.arange(100) / 100, 4)
    wave[::100] = 100.0  # the two sides of the jump, halved: the trapezoid rule sees a straight line
    found = mean_pressure(wave, [0.0, 100.0], [100.0, 200.0])
    np.testing.assert_allclose(found, 100.0, atol=1e-6)


def test_area_of_a_triangle():
    """Foot to notch over diastolic pressure: half of 0.4 s by 40 mmHg, 8 mmHg s (by hand)."""
    fs = 100.0
    wave = np.interp(np.arange(101), [10, 30, 50], [80.0, 120.0, 80.0])
    assert systolic_area(wave, [10.0], [50.0], [80.0], fs)[0] == pytest.approx(8.0)
    # Above a lower diastolic pressure it is larger by its difference times the time.
    assert systolic_area(wave, [10.0], [50.0], [70.0], fs)[0] == pytest.approx(12.0)
    assert ejection_time([10.0], [50.0], fs)[0] == pytest.approx(0.4)
    assert np.isnan(systolic_area(wave, [10.0], [np.nan], [80.0], fs)[0])


@pytest.mark.parametrize("fs", [125.0, 500.0])
def test_noise_does_not_push_the_extremes_out(fs):
    """The highest of many noisy samples reads high, the lowest low; the fits must do much better."""
    rng = np.random.default_rng(11)
    clean, _ = windkessel(fs, 240)
    noisy = clean + 0.8 * rng.standard_normal(clean.size)
    found = beats.read(noisy, fs)
    sbp = np.nanmean(systolic_pressure(noisy, found.peak, fs)) - 130.207
    dbp = np.nanmean(diastolic_pressure(noisy, found.onset, found.steepest, fs)) - 77.366
    rows = [noisy[int(a) : int(b)] for a, b in zip(found.onset[1:-2], found.end[1:-2], strict=True)]
    raw = np.mean([row.max() for row in rows]) - 130.207
    assert raw > 0.7
    assert abs(sbp) < 0.45 * raw
    assert abs(dbp) < 0.5
