"""Arithmetic between samples, against closed forms, printed weights and scipy."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from hemoidx.samples import around, integral, polynomial_kernel, rolling_quantile, value_at, vertex

FRACTIONS = st.floats(0.0, 1.0, allow_nan=False)


def test_printed_weights_of_savitzky_and_golay() -> None:
    """Five-point quadratic smoothing, -3 12 17 12 -3 over 35: Anal Chem 1964;36:1627 (from memory)."""
    np.testing.assert_allclose(polynomial_kernel(2, 2, 0) * 35, [-3, 12, 17, 12, -3], atol=1e-12)


@pytest.mark.parametrize("half", [2, 3, 7, 14])
@pytest.mark.parametrize("derivative", [0, 1, 2])
def test_weights_agree_with_scipy(half: int, derivative: int) -> None:
    from scipy.signal import savgol_coeffs

    order = 4 if half > 2 or derivative else 2
    theirs = savgol_coeffs(2 * half + 1, order, deriv=derivative, use="dot")
    np.testing.assert_allclose(polynomial_kernel(half, order, derivative), theirs, atol=1e-12)


@given(st.lists(st.floats(-1e3, 1e3), min_size=8, max_size=40), FRACTIONS, FRACTIONS)
def test_integral_is_that_of_the_broken_line(values: list[float], u: float, v: float) -> None:
    """Against numpy's trapezoid rule on the wave with the two ends put in."""
    wave = np.array(values)
    low, high = sorted((u * (wave.size - 1), v * (wave.size - 1)))
    got = integral(wave, [low], [high])[0]
    if high <= low:
        assert np.isnan(got)
        return
    inner = np.arange(np.ceil(low), np.floor(high) + 1)
    x = np.unique(np.concatenate([[low], inner, [high]]))
    expected = np.trapezoid(np.interp(x, np.arange(wave.size), wave), x)
    assert got == pytest.approx(expected, rel=1e-9, abs=1e-7)


def test_a_missing_sample_spoils_its_own_stretch_only() -> None:
    wave = np.arange(12.0)
    wave[5] = np.nan
    got = integral(wave, [0.0, 4.0, 8.0], [4.0, 8.0, 11.0])
    assert np.isnan(got[1])
    np.testing.assert_allclose(got[[0, 2]], [8.0, 28.5])
    assert np.isnan(integral(wave, [-1.0], [3.0])[0])
    assert np.isnan(integral(wave, [9.0], [11.5])[0])


def test_vertex_finds_the_top_of_a_parabola() -> None:
    x = np.array([-1.0, 0.0, 1.0])
    for at in (-0.4, 0.0, 0.3):
        left, middle, right = 5.0 - (x - at) ** 2
        assert vertex(left, middle, right) == pytest.approx(at)
    assert vertex(1.0, 2.0, 3.0) == 0.0


def test_gathering_beyond_the_wave_gives_nan() -> None:
    got = around(np.arange(5.0), np.array([0, 4]), 1, 1)
    np.testing.assert_array_equal(got, [[np.nan, 0, 1], [3, 4, np.nan]])
    np.testing.assert_allclose(value_at(np.arange(5.0) * 2, [1.5, -0.1, 4.0, np.nan]), [3, np.nan, 8, np.nan])


@given(
    st.lists(st.floats(-50, 50) | st.just(float("nan")), min_size=1, max_size=30),
    st.integers(1, 6),
    st.sampled_from([0.3, 0.5, 0.65]),
)
def test_rolling_quantile_is_that_of_the_known_neighbours(values: list[float], half: int, q: float) -> None:
    value = np.array(values)
    got = rolling_quantile(value, half, q)
    for k in range(value.size):
        near = value[max(0, k - half) : k + half + 1]
        near = np.sort(near[np.isfinite(near)])
        if near.size == 0:
            assert np.isnan(got[k])
        else:
            assert got[k] == near[int(np.floor(q * (near.size - 1)))]


def test_rolling_quantile_may_be_thinned() -> None:
    value = np.arange(20.0)
    np.testing.assert_array_equal(
        rolling_quantile(value, 2, 0.5, every=4)[::4], rolling_quantile(value, 2, 0.5)[::4]
    )
    assert rolling_quantile(np.zeros(0), 3, 0.5).size == 0
