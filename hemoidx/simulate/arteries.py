"""From aortic inflow to the pressure at the cannula: windkessel, tube, dicrotic wave."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from hemoidx.line.response import through
from hemoidx.simulate.heart import BeatTrain, aortic_inflow, dicrotic_wave
from hemoidx.simulate.scenario import Scenario

FloatArray = NDArray[np.float64]

# Pressure towards which a long diastole decays, aimed at when the time constant is left open [mmHg].
_ASYMPTOTE = 20.0
# Damping ratio of the arterial tube between aorta and cannula.
TUBE_DAMPING = 0.45


def windkessel(
    flow: FloatArray,
    fs: float,
    resistance: float,
    compliance: float,
    impedance: float = 0.0,
    start: float = 0.0,
) -> FloatArray:
    """
    Pressure of a three-element windkessel.

    Parameters
    ----------
    flow : ndarray
        Inflow [mL/s], evenly sampled.
    fs : float
        Its sampling rate [Hz].
    resistance : float
        Peripheral resistance behind the compliance [mmHg s/mL].
    compliance : float
        Total arterial compliance [mL/mmHg].
    impedance : float
        Characteristic impedance of the aorta [mmHg s/mL]; 0 leaves the two-element form.
    start : float
        Pressure in the compliance at the first sample [mmHg].

    Returns
    -------
    ndarray
        Pressure at the inlet [mmHg].

    Notes
    -----
    C dP/dt = q - P/R behind an impedance; solved exactly for flow that runs straight between samples. Without
    inflow pressure falls as exp(-t/RC), and in a steady state mean pressure is mean flow times (R + Zc).

    References
    ----------
    Westerhof N, Lankhaar JW, Westerhof BE. The arterial windkessel. Med Biol Eng Comput 2009;47:131-141.
    """
    from scipy import signal

    tau, dt = resistance * compliance, 1.0 / fs
    decay = np.exp(-dt / tau)
    share = -np.expm1(-dt / tau) * tau / dt
    b = resistance * np.array([1.0 - share, share - decay])
    a = np.array([1.0, -decay])
    state = np.array([start - b[0] * flow[0]])
    stored, _ = signal.lfilter(b, a, flow, zi=state)
    return np.asarray(stored + impedance * flow, dtype=np.float64)


def decay_time(scenario: Scenario) -> float:
    """
    Time constant of the windkessel [s].

    Where the scenario leaves it open it is chosen so that the wanted level and pulse belong together: over
    one interval T the reservoir falls by about (mean - asymptote) T / tau.
    """
    if scenario.decay_s is not None:
        return scenario.decay_s
    reach = max(scenario.mean_pressure - _ASYMPTOTE, 0.4 * scenario.mean_pressure)
    tau = reach * (60.0 / scenario.rate) * (1 + 0.6 * scenario.amplification) / scenario.pulse_pressure
    return float(np.clip(tau, 0.5, 3.0))


def site_wave(scenario: Scenario, train: BeatTrain, t: FloatArray, fs: float) -> FloatArray:
    """
    Unscaled pressure at the cannula.

    The reservoir pressure of the windkessel carries the travelling pulse: flow times impedance, shaped by an
    arterial tube of second order, followed by a dicrotic wave.
    """
    tau = decay_time(scenario)
    flow = aortic_inflow(train, t, scenario.upstroke, scenario.shoulder)
    mean_flow = float(flow.mean())
    reservoir = windkessel(flow, fs, tau, 1.0, start=mean_flow * tau)
    pulse = flow
    if scenario.dicrotic > 0:
        pulse = flow + scenario.dicrotic * dicrotic_wave(train, t, scenario.dicrotic_delay)
    # Reservoir swing is about one (a stroke into a compliance of one); this weight makes the travelling
    # pulse as high as that swing at an amplification of 1.
    ejection = float(np.median(train.ejection))
    weight = 0.5 * scenario.amplification * ejection
    return reservoir + weight * through(pulse, scenario.tube_hz, TUBE_DAMPING, fs)
