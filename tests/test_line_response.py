"""The simulated line against published step responses, scipy and closed forms."""

import numpy as np
import pytest
from scipy import signal

from hemoidx.line.response import free_response, second_order, settling_time, through

LINES = [(25.0, 0.5), (8.0, 0.1), (14.7, 0.24), (4.0, 1.0), (3.0, 2.0)]


def analogue(hz: float, damping: float) -> signal.TransferFunction:
    w = 2 * np.pi * hz
    return signal.TransferFunction([w * w], [1.0, 2 * damping * w, w * w])


@pytest.mark.parametrize(("hz", "damping"), LINES)
def test_gain_at_the_natural_frequency(hz: float, damping: float) -> None:
    # 1 / (2 z) at the natural frequency: Hallauer, Linear, Time-Invariant, Dynamic Systems, section 10.2.
    b, a = second_order(hz, damping, 1000.0)
    _, h = signal.freqz(b, a, worN=[hz], fs=1000.0)
    assert abs(h[0]) == pytest.approx(1 / (2 * damping), rel=1e-9)
    assert np.degrees(np.angle(h[0])) == pytest.approx(-90.0, abs=1e-6)


@pytest.mark.parametrize(("hz", "damping"), LINES)
def test_frequency_response_agrees_with_the_analogue_line(hz: float, damping: float) -> None:
    f = np.linspace(0.1, 40.0, 200)
    b, a = second_order(hz, damping, 1000.0)
    _, digital = signal.freqz(b, a, worN=f, fs=1000.0)
    _, wanted = signal.freqresp(analogue(hz, damping), 2 * np.pi * f)
    assert np.abs(digital - wanted).max() < 0.02 * np.abs(wanted).max()
    assert np.sum(b) / np.sum(a) == pytest.approx(1.0, abs=1e-12)


@pytest.mark.parametrize(("hz", "damping"), LINES)
def test_step_response_agrees_with_scipy(hz: float, damping: float) -> None:
    t = np.arange(2000) / 1000.0
    _, wanted = signal.step(analogue(hz, damping), T=t)
    got = through(np.concatenate(([0.0], np.ones(t.size))), hz, damping, 1000.0)[1:]
    # A sampled step lies half a sample early in a bilinear filter.
    later = np.interp(t, t + 0.0005, got, left=0.0)
    assert np.abs(later - wanted).max() < 0.03 * hz / 25.0 + 0.004


@pytest.mark.parametrize(("hz", "damping"), LINES)
def test_free_response_agrees_with_scipy(hz: float, damping: float) -> None:
    t = np.arange(1500) / 1000.0
    w = 2 * np.pi * hz
    system = signal.StateSpace(
        [[0.0, 1.0], [-w * w, -2 * damping * w]], [[0.0], [0.0]], [[1.0, 0.0]], [[0.0]]
    )
    _, wanted, _ = signal.lsim(system, np.zeros(t.size), t, X0=[180.0, -700.0])
    assert free_response(t, hz, damping, 180.0, -700.0) == pytest.approx(wanted, abs=1e-6)


@pytest.mark.parametrize("damping", [0.1085, 0.2155, 0.4559])
def test_half_cycle_ratio_of_the_ringing(damping: float) -> None:
    # Half-cycle form; 0.71 gives 0.11 on Mark's graph (Atlas of Cardiovascular Monitoring, 1998, Fig 9-10).
    t = np.arange(20000) / 20000.0
    ring = free_response(t, 10.0, damping, 200.0, 0.0)
    turn = np.flatnonzero(np.diff(np.sign(np.diff(ring)))) + 1
    ratio = abs(ring[turn[1]] / ring[turn[0]])
    assert abs(np.log(ratio)) / np.hypot(np.pi, np.log(ratio)) == pytest.approx(damping, abs=2e-4)
    if damping < 0.11:
        assert ratio == pytest.approx(0.71, abs=0.005)


@pytest.mark.parametrize(("hz", "damping"), LINES)
def test_settling_time_bounds_the_ringing(hz: float, damping: float) -> None:
    rest = settling_time(hz, damping, 200.0, -500.0, 0.5)
    t = np.linspace(0, 3 * rest, 6000)
    ring = np.abs(free_response(t, hz, damping, 200.0, -500.0))
    # Found on a grid, so a last crest may just escape it.
    assert ring[t >= rest].max() < 0.6
    assert ring[t >= 0.7 * rest].max() > 0.5
    assert settling_time(hz, damping, 0.1, 0.0, 0.5) == 0.0
