"""Lines of second order against a general-purpose control library, and their sampled form against scipy."""

import control
import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import signal

from hemoidx.line.bedside import half_cycle_ratio, ringing_frequency
from hemoidx.line.response import (
    bandwidth,
    free_response,
    frequency_response,
    peak_time,
    poles,
    resonance,
    rise_time,
    second_order,
    settling_time,
    step_response,
    through,
)
from hemoidx.line.thumb import Line, flat_band

# From the slowest line that the fit is asked for to the fastest, from ringing to overdamped.
GRID = [(hz, z) for hz in (5.0, 14.7, 40.0) for z in (0.05, 0.24, 0.64, 1.0, 1.2, 2.0)]
RINGING = [(hz, z) for hz, z in GRID if z < 1]
HALF_POWER_DB = 10 * np.log10(0.5)

each = pytest.mark.parametrize(("hz", "damping"), GRID)
ringing = pytest.mark.parametrize(("hz", "damping"), RINGING)


def analogue(hz: float, damping: float) -> control.TransferFunction:
    w = 2 * np.pi * hz
    return control.tf([w * w], [1.0, 2 * damping * w, w * w])


def times(hz: float, damping: float, points: int = 4001) -> NDArray[np.float64]:
    """Times until even the slower of two poles has come to rest."""
    return np.linspace(0.0, 8.0 / -poles(hz, damping)[0].real, points)


def extremes(ring: NDArray[np.float64]) -> NDArray[np.int64]:
    return np.flatnonzero(np.diff(np.sign(np.diff(ring)))) + 1


@each
def test_frequency_response(hz: float, damping: float) -> None:
    f = np.linspace(0.0, 4 * hz, 400)
    wanted = control.frequency_response(analogue(hz, damping), 2 * np.pi * f).complex
    np.testing.assert_allclose(frequency_response(f, hz, damping), wanted, rtol=1e-12, atol=1e-12)


@each
def test_step_response(hz: float, damping: float) -> None:
    t = times(hz, damping)
    wanted = control.step_response(analogue(hz, damping), t).outputs
    np.testing.assert_allclose(step_response(t, hz, damping), wanted, atol=1e-9)


@each
def test_free_response(hz: float, damping: float) -> None:
    w = 2 * np.pi * hz
    system = control.ss([[0.0, 1.0], [-w * w, -2 * damping * w]], [[0.0], [0.0]], [[1.0, 0.0]], [[0.0]])
    t = times(hz, damping)
    wanted = control.initial_response(system, t, initial_state=[180.0, -700.0]).outputs
    np.testing.assert_allclose(free_response(t, hz, damping, 180.0, -700.0), wanted, atol=1e-6)


@each
def test_poles_natural_frequency_and_damping(hz: float, damping: float) -> None:
    w, z, found = control.damp(analogue(hz, damping), doprint=False)
    ours = np.array(poles(hz, damping))
    # A double pole is only found to the root of the rounding error, by them and, on purpose, by us.
    rel = 0.006 if damping == 1 else 1e-9
    order = np.lexsort((-found.imag, -found.real))
    np.testing.assert_allclose(ours, found[order], rtol=rel)
    np.testing.assert_allclose(np.sqrt(np.prod(w)), 2 * np.pi * hz, rtol=1e-9)
    if damping < 1:
        np.testing.assert_allclose(z, damping, rtol=1e-9)
        assert float(ringing_frequency(hz, damping)) == pytest.approx(abs(found[0].imag) / (2 * np.pi))
    # From our poles alone: product and sum say which line it is.
    assert np.sqrt(np.prod(ours)).real / (2 * np.pi) == pytest.approx(hz)
    assert -np.sum(ours).real / 2 / np.sqrt(np.prod(ours)).real == pytest.approx(damping, rel=2e-5)


@each
def test_figures_of_the_step(hz: float, damping: float) -> None:
    t = times(hz, damping, 8001)
    step = control.step_response(analogue(hz, damping), t).outputs
    told = control.step_info(step, T=t, yfinal=1.0, SettlingTimeThreshold=0.02)
    grid = t[1]
    assert rise_time(hz, damping) == pytest.approx(told["RiseTime"], abs=2 * grid)
    assert float(half_cycle_ratio(damping)) == pytest.approx(told["Overshoot"] / 100, abs=5e-4)
    if damping < 1:
        assert peak_time(hz, damping) == pytest.approx(told["PeakTime"], abs=grid)
    else:
        assert peak_time(hz, damping) == np.inf
    # Ours is told to a five-hundredth of its upper bound, ten time constants of the slower pole.
    slack = 10.0 / -poles(hz, damping)[0].real / 500
    assert settling_time(hz, damping, 1.0, 0.0, 0.02) == pytest.approx(told["SettlingTime"], abs=slack + grid)


@each
@pytest.mark.parametrize("decibel", [HALF_POWER_DB, -6.0])
def test_bandwidth(hz: float, damping: float, decibel: float) -> None:
    wanted = control.bandwidth(analogue(hz, damping), decibel) / (2 * np.pi)
    assert bandwidth(hz, damping, 10 ** (decibel / 20)) == pytest.approx(wanted, rel=1e-6)


def test_bandwidth_is_that_of_half_the_power() -> None:
    wanted = control.bandwidth(analogue(14.7, 0.24), HALF_POWER_DB) / (2 * np.pi)
    assert bandwidth(14.7, 0.24) == pytest.approx(wanted, rel=1e-6)


@each
def test_resonance(hz: float, damping: float) -> None:
    f = np.linspace(0.0, 2 * hz, 20001)
    gain = np.abs(control.frequency_response(analogue(hz, damping), 2 * np.pi * f).complex)
    found = resonance(hz, damping)
    assert found.gain == pytest.approx(gain.max(), rel=1e-6)
    assert found.frequency_hz == pytest.approx(f[np.argmax(gain)], abs=2 * f[1])


@pytest.mark.parametrize("damping", [0.2, 0.6, 0.64, 0.7, 1.0])
def test_flat_band(damping: float) -> None:
    f = np.linspace(0.0, 20.0, 20001)
    gain = np.abs(control.frequency_response(analogue(20.0, damping), 2 * np.pi * f).complex)
    leaves = f[np.flatnonzero(np.abs(gain - 1.0) > 0.05)[0]]
    assert flat_band(Line(20.0, damping, 70.0)) == pytest.approx(leaves, abs=0.002)


@ringing
def test_swings_of_the_ringing(hz: float, damping: float) -> None:
    t = np.linspace(0.0, 2.2 / float(ringing_frequency(hz, damping)), 20001)
    ring = control.step_response(analogue(hz, damping), t).outputs - 1.0
    turn = extremes(ring)
    assert abs(ring[turn[1]] / ring[turn[0]]) == pytest.approx(float(half_cycle_ratio(damping)), rel=2e-3)
    assert 0.5 / (t[turn[1]] - t[turn[0]]) == pytest.approx(float(ringing_frequency(hz, damping)), rel=1e-3)


# --- the sampled line ----------------------------------------------------------------------------------


@each
@pytest.mark.parametrize("fs", [125.0, 1000.0])
def test_sampled_by_the_bilinear_rule(hz: float, damping: float, fs: float) -> None:
    w = 2 * np.pi * hz
    system = analogue(hz, damping)
    theirs = control.sample_system(system, 1 / fs, method="bilinear", prewarp_frequency=w)
    b, a = second_order(hz, damping, fs)
    # A common factor tells nothing: both are brought to a leading 1.
    num, den = theirs.num[0][0], theirs.den[0][0]
    np.testing.assert_allclose(b / a[0], num / den[0], rtol=1e-9, atol=1e-12)
    np.testing.assert_allclose(a / a[0], den / den[0], rtol=1e-9, atol=1e-12)
    # Without the warp scipy's rule gives the line whose natural frequency it moves to ours.
    moved = fs / np.pi * np.tan(np.pi * hz / fs)
    v = 2 * np.pi * moved
    other, under = signal.bilinear([v * v], [1.0, 2 * damping * v, v * v], fs)
    np.testing.assert_allclose(b / a[0], other, rtol=1e-9)
    np.testing.assert_allclose(a / a[0], under, rtol=1e-9, atol=1e-12)


@each
def test_a_smooth_wave_behind_the_line(hz: float, damping: float) -> None:
    # Well sampled, the digital line and the integrated one do the same to a pulse.
    fs = 1000.0
    t = np.arange(0.0, 4.0, 1 / fs)
    parts = ((1.2, 20.0, 0.0), (2.4, 9.0, 1.0), (6.0, 1.0, 0.0))
    pulse = 90 + sum(size * np.sin(2 * np.pi * f * t + late) for f, size, late in parts)
    wanted = control.forced_response(analogue(hz, damping), t, pulse - pulse[0]).outputs + pulse[0]
    assert np.max(np.abs(wanted - pulse)) > 0.5
    np.testing.assert_allclose(through(pulse, hz, damping, fs), wanted, rtol=0, atol=0.05)
