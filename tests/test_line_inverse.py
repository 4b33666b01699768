"""The inverse of a line as a filter: against a control library, and what must hold of any such filter."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import signal

from hemoidx.errors import InputError
from hemoidx.line.inverse import (
    Spectrum,
    band_limit,
    design,
    filtered,
    noise_in_diastole,
    pass_band,
    spectrum_of,
)
from tests.bench.line import FINE_HZ, Patient, draw_patient, numbers, record, second_order


@pytest.fixture(scope="module")
def patient() -> Patient:
    """A patient on whose seed nothing was fitted."""
    return draw_patient(42001, duration_s=25.0)


def clean_spectrum(fs: float, noise_sd: float = 1e-4) -> Spectrum:
    """A pulse that stands far out of the noise up to 30 Hz."""
    f = np.linspace(0, fs / 2, 200)
    return Spectrum(f, 100.0 * np.exp(-f / 3.0), noise_sd, fs)


@pytest.mark.parametrize(("hz", "damping"), [(12.0, 0.15), (18.0, 0.3), (7.0, 1.0)])
def test_noise_free_inverse_agrees_with_a_control_library(hz, damping):
    # scipy.signal.lsim integrates the state equations; our filter knows nothing of it.
    fs = 500.0
    t = np.arange(0, 6, 1 / fs)
    true = (
        90
        + 20 * np.sin(2 * np.pi * 1.3 * t)
        + 8 * np.sin(2 * np.pi * 3.9 * t + 1)
        + 2 * np.cos(2 * np.pi * 6.5 * t)
    )
    w = 2 * np.pi * hz
    behind = signal.lsim(([w * w], [1, 2 * damping * w, w * w]), true - true[0], t)[1] + true[0]
    back = filtered(behind, design(hz, damping, clean_spectrum(fs)))
    middle = slice(800, -200)
    assert np.max(np.abs(behind - true)[middle]) > 2.0
    assert np.max(np.abs(back - true)[middle]) < 0.25


@settings(max_examples=25)
@given(st.floats(4.5, 60), st.floats(0.05, 2.0), st.sampled_from([100.0, 125.0, 250.0]))
def test_a_constant_stays_and_so_does_the_mean(hz, damping, fs):
    inverse = design(hz, damping, clean_spectrum(fs, 0.1))
    assert inverse.kernel.sum() == pytest.approx(1.0, abs=1e-12)
    assert inverse.kernel.size == 2 * inverse.half + 1
    flat = filtered(np.full(400, 87.0), inverse)
    np.testing.assert_allclose(flat[np.isfinite(flat)], 87.0, atol=1e-9)


def test_a_line_without_limit_leaves_the_wave(patient):
    rec = record(patient.wave, 250.0, 3, noise=0.02, step=0.02)
    out = filtered(rec.wave, design(5000.0, 0.7, clean_spectrum(250.0)))
    assert np.nanmax(np.abs(out - rec.wave)) < 0.6
    assert np.nanstd(out - rec.wave) < 0.05


@settings(max_examples=25)
@given(st.floats(-3, 3), st.floats(-50, 50))
def test_the_filter_is_linear(gain, offset):
    inverse = design(9.0, 0.2, clean_spectrum(125.0))
    wave = 80 + np.cumsum(np.random.default_rng(2).normal(0, 1, 500))
    once = filtered(wave, inverse)
    np.testing.assert_allclose(filtered(gain * wave + offset, inverse), gain * once + offset, atol=1e-7)


def test_pieces_of_a_recording_give_the_same_values(patient):
    rec = record(patient.wave, 125.0, 3)
    inverse = design(9.0, 0.2, clean_spectrum(125.0))
    whole, half = filtered(rec.wave, inverse), inverse.half
    for start in (100, 777, 1500):
        piece = filtered(rec.wave[start : start + 700], inverse)
        np.testing.assert_allclose(
            piece[half:-half], whole[start + half : start + 700 - half], rtol=0, atol=1e-11
        )


def test_the_pass_band_closes():
    f = np.linspace(0, 60, 200)
    share = pass_band(f, np.full(200, 1e6), 125.0, 25.0)
    assert share[0] == pytest.approx(1.0, abs=1e-5)
    assert np.all(share[f >= 25.0] == 0)
    assert np.all(np.diff(share) <= 0)
    assert np.all(pass_band(f, np.ones(200), 125.0, 25.0) <= 0.5)
    assert np.all(pass_band(f, np.full(200, 1e6), 50.0, 25.0)[f >= 20.0] == 0)
    assert [band_limit(hz) for hz in (5.0, 10.0, 40.0)] == [20.0, 22.0, 30.0]


def test_noise_is_read_in_diastole(patient):
    for noise, step in ((0.2, 0.02), (0.6, 0.02), (0.02, 1.0)):
        rec = record(second_order(patient.wave, FINE_HZ, 12, 0.2), 250.0, 9, noise=noise, step=step)
        found = numbers(rec.wave, 250.0, rec.scale).reading
        got = noise_in_diastole(rec.wave, 250.0, found.onset, found.end, step)
        assert got == pytest.approx(np.hypot(noise, step / np.sqrt(12)), rel=0.2)
    none = np.array([np.nan])
    assert noise_in_diastole(rec.wave, 250.0, none, none, 1.0) == pytest.approx(1 / np.sqrt(12))


def test_spectrum_leaves_out_pieces_that_are_not_the_patient():
    fs = 125.0
    wave = np.sin(2 * np.pi * 2 * np.arange(2500) / fs)
    wave[600:610] = 500.0
    usable = np.ones(2500, dtype=bool)
    usable[600:610] = False
    quiet = spectrum_of(wave, fs, usable, 1e-3)
    # Power of a sine of amplitude one is a half.
    assert np.sum(np.diff(quiet.f) * quiet.signal[1:]) < 1.0
    with pytest.raises(InputError, match="8 s of undisturbed pressure"):
        spectrum_of(wave, fs, np.zeros(2500, dtype=bool), 1e-3)
