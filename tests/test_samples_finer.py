"""Arithmetic between samples: printed filters, a windkessel in diastole, and what lies at the borders."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from hemoidx.samples import (
    around,
    derivative_half_width,
    integral,
    nearest,
    polynomial_kernel,
    value_at,
    vertex,
)

finite = st.floats(-300, 300, allow_subnormal=False)


@pytest.mark.parametrize(
    ("half", "order", "derivative", "printed"),
    [
        # Savitzky and Golay, Anal Chem 1964;36:1627-1639, tables of convoluting integers; the smoothing
        # row is quoted everywhere, the others are from memory.
        (2, 2, 0, np.array([-3, 12, 17, 12, -3]) / 35),
        (3, 2, 0, np.array([-2, 3, 6, 7, 6, 3, -2]) / 21),
        (2, 2, 1, np.array([-2, -1, 0, 1, 2]) / 10),
        (2, 4, 1, np.array([1, -8, 0, 8, -1]) / 12),
        (2, 2, 2, np.array([2, -1, -2, -1, 2]) / 7),
    ],
)
def test_kernel_has_the_printed_weights(half, order, derivative, printed):
    np.testing.assert_allclose(polynomial_kernel(half, order, derivative), printed, atol=1e-12)


def test_central_difference_reads_ten_hertz_low():
    # Textbook identity (worked example, f = 10 Hz, fs = 125 Hz): G = sin(w h) / (w h) = 0.958418.
    fs, f = 125.0, 10.0
    angle = 2 * np.pi * f * np.arange(-1, 2) / fs
    gain = polynomial_kernel(1, 2, 1) @ np.sin(angle) * fs / (2 * np.pi * f)
    assert gain == pytest.approx(0.958418, abs=1e-6)


def passes(fs, half, share):
    """Frequency [Hz] up to which a fourth-order derivative passes this share of the true slope."""
    kernel = polynomial_kernel(half, 4, 1)
    f = np.arange(1.0, 60.0, 0.01)
    wave = np.sin(2 * np.pi * f[:, None] * np.arange(-half, half + 1) / fs)
    return f[np.argmax(wave @ kernel * fs / (2 * np.pi * f) < share)]


@pytest.mark.parametrize(
    ("fs", "points", "at_95", "at_71"),
    [(125.0, 7, 14.5, 24.3), (125.0, 9, 10.9, 18.2), (250.0, 15, 12.6, 21.2), (500.0, 31, 12.0, 20.2)],
)
def test_bandwidth_of_the_derivative(fs, points, at_95, at_71):
    # Corners computed with other code when the filter was chosen.
    half = points // 2
    assert passes(fs, half, 0.95) == pytest.approx(at_95, abs=0.06)
    assert passes(fs, half, np.sqrt(0.5)) == pytest.approx(at_71, abs=0.06)


@pytest.mark.parametrize("fs", [100.0, 125.0, 128.0, 250.0, 500.0, 1000.0])
def test_derivative_window_is_one_of_time(fs):
    # 48 to 64 ms from the first to the last sample, whatever the rate.
    assert 0.048 <= 2 * derivative_half_width(fs) / fs <= 0.064
    assert 10.5 <= passes(fs, derivative_half_width(fs), 0.95) <= 13.2


def test_derivative_window_holds_five_samples_at_least():
    assert derivative_half_width(40.0) == derivative_half_width(60.0) == 2


def test_derivative_window_is_the_one_that_dpdt_max_states():
    for fs, points in ((60.0, 5), (125.0, 9), (250.0, 15)):
        assert 2 * derivative_half_width(fs) + 1 == points
    # It states 90 to 95 % of 13 Hz.
    for fs in (100.0, 125.0, 250.0, 500.0, 1000.0):
        half = derivative_half_width(fs)
        wave = np.sin(2 * np.pi * 13.0 * np.arange(-half, half + 1) / fs)
        gain = polynomial_kernel(half, 4, 1) @ wave * fs / (2 * np.pi * 13.0)
        assert 0.895 <= gain <= 0.955


@given(st.lists(finite, min_size=3, max_size=3))
def test_vertex_of_a_parabola(coefficients):
    a, b, c = coefficients
    left, middle, right = (a * x * x + b * x + c for x in (-1.0, 0.0, 1.0))
    found = float(vertex(left, middle, right))
    assert -0.5 <= found <= 0.5
    if abs(a) > 1e-3:
        assert found == pytest.approx(np.clip(-b / (2 * a), -0.5, 0.5), abs=1e-6)


@given(st.lists(finite, min_size=2, max_size=30), st.lists(st.floats(-3, 33), min_size=1, max_size=20))
def test_value_at_is_linear_interpolation(wave, position):
    wave = np.array(wave)
    expected = np.interp(position, np.arange(wave.size), wave, left=np.nan, right=np.nan)
    np.testing.assert_allclose(value_at(wave, position), expected, atol=1e-9)


def test_value_at_the_ends():
    assert value_at(np.array([7.0]), [0.0])[0] == 7.0
    np.testing.assert_array_equal(value_at(np.array([1.0, 3.0]), [1.0, 1.001, -0.001, np.nan])[0], 3.0)
    assert np.isnan(value_at(np.array([1.0, 3.0]), [1.001, -0.001, np.nan])).all()
    assert np.isnan(value_at(np.zeros(0), [0.0])).all()


def test_a_known_sample_beside_a_gap_is_known():
    np.testing.assert_array_equal(value_at(np.array([1.0, 2.0, np.nan]), [1.0, 1.5]), [2.0, np.nan])


def test_the_last_sample_is_known_behind_a_gap():
    assert value_at(np.array([1.0, np.nan, 4.0]), [2.0])[0] == 4.0


def test_a_stretch_may_end_where_a_gap_begins():
    assert integral(np.array([1.0, 2.0, 3.0, np.nan]), [0.0], [2.0])[0] == 4.0


def test_integral_of_a_windkessel_in_diastole():
    # Worked example: R = 1.0, C = 1.5, P1 = 100 mmHg falls to 71.653131 mmHg in 0.5 s, tau = R C
    # (Westerhof N, Lankhaar JW, Westerhof BE. Med Biol Eng Comput 2009;47:131-141); so the area is
    # tau (P1 - P2).
    fs, tau = 1000.0, 1.5
    wave = 100.0 * np.exp(-np.arange(801) / fs / tau)
    assert value_at(wave, [0.5 * fs])[0] == pytest.approx(71.653131, abs=1e-4)
    area = integral(wave, [0.0], [0.5 * fs])[0] / fs
    assert area == pytest.approx(tau * (100.0 - 71.653131), abs=1e-4)


def test_nothing_leaks_from_one_stretch_into_another():
    wave = np.ones(100)
    wave[30] = np.nan
    wave[60] = 1e30
    found = integral(wave, [0.5, 20.5, 50.5, 70.5], [20.5, 50.5, 70.5, 98.5])
    assert found[0] == 20.0
    assert np.isnan(found[1])
    assert found[3] == 28.0


def test_integral_refuses_what_is_no_stretch():
    wave = np.arange(10.0)
    found = integral(wave, [-0.1, 2.0, 5.0, np.nan, 8.0], [2.0, 2.0, 4.0, 3.0, 9.1])
    assert np.isnan(found).all()
    assert integral(wave, [8.0], [9.0])[0] == 8.5


def test_around_is_nan_beyond_the_wave_and_keeps_precision():
    wave = np.arange(5, dtype=np.float32)
    found = around(wave, np.array([0, 2, 4, 90]), 1, 2)
    expected = [[np.nan, 0, 1, 2], [1, 2, 3, 4], [3, 4, np.nan, np.nan], [np.nan] * 4]
    np.testing.assert_array_equal(found, np.array(expected, dtype=np.float32))
    assert found.dtype == np.float32
    assert around(wave, np.zeros(0, dtype=np.int64), 1, 2).shape == (0, 4)


def test_around_takes_whole_numbers():
    assert np.isnan(around(np.arange(5), np.array([0]), 1, 1)[0, 0])


def test_nearest_sample():
    index, known = nearest([0.4, 7.6, np.nan, np.inf])
    np.testing.assert_array_equal(index, [0, 8, 0, 0])
    np.testing.assert_array_equal(known, [True, True, False, False])
