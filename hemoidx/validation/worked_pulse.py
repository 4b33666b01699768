"""Worked examples of the pulse: beats in closed form, put to the indices that have to read them."""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from hemoidx.indices import default_catalogue
from hemoidx.indices.area import (
    beat_area,
    diastolic_area,
    systolic_area,
    systolic_area_above_zero,
    systolic_area_corrected,
)
from hemoidx.indices.pressure.mean_rules import form_factor
from hemoidx.indices.pressure.readings import diastolic_pressure, mean_pressure, systolic_pressure
from hemoidx.indices.pressure.supply import sevr
from hemoidx.indices.runoff.diastole import diastolic_fraction, downslope, notch_height, notch_pressure
from hemoidx.indices.runoff.joint import joint_decay
from hemoidx.indices.runoff.thirds import (
    BEFORE_FOOT_S,
    runoff_early,
    runoff_late,
    runoff_middle,
    runoff_time,
    tau,
)
from hemoidx.indices.upstroke.rise import dpdt_max

Float = NDArray[np.float64]

# Rate of the waves in closed form [Hz].
_FS = 1000.0


def windkessel_wave(
    resistance: float, compliance: float, duration_s: float, ejection_s: float, volume: float, time: Float
) -> Float:
    """
    Periodic pressure of a two-element windkessel fed by half sines, in closed form.

    Parameters
    ----------
    resistance : float
        Peripheral resistance [mmHg s/mL].
    compliance : float
        Arterial compliance [mL/mmHg].
    duration_s, ejection_s : float
        Duration of a beat and of its ejection [s].
    volume : float
        Stroke volume [mL].
    time : ndarray
        Times after the onset of a flow [s].

    Returns
    -------
    ndarray
        Pressure [mmHg].

    Notes
    -----
    C dP/dt + P/R = Q0 sin(pi t / Ts) during ejection, 0 behind it, with Q0 = pi SV / (2 Ts), solved for a
    pressure that returns to where it began.

    References
    ----------
    .. [1] Westerhof N, Lankhaar JW, Westerhof BE. Med Biol Eng Comput 2009;47:131-141.
    """
    tau_s = resistance * compliance
    turn = np.pi / ejection_s
    a = np.pi * volume / (2.0 * ejection_s) * resistance / (1.0 + (turn * tau_s) ** 2)
    b = -turn * tau_s * a
    rest = np.exp(-(duration_s - ejection_s) / tau_s)
    k = -b * (1.0 + rest) / (1.0 - np.exp(-duration_s / tau_s))
    t = np.mod(time, duration_s)
    ejecting = a * np.sin(turn * t) + b * np.cos(turn * t) + k * np.exp(-t / tau_s)
    last = -b + k * np.exp(-ejection_s / tau_s)
    falling = last * np.exp(-(t - ejection_s) / tau_s)
    return np.asarray(np.where(t < ejection_s, ejecting, falling), dtype=np.float64)


def windkessel_beat(
    resistance: float, compliance: float, duration_s: float, ejection_s: float, volume: float
) -> dict[str, float]:
    """
    What the indices read from a beat of a windkessel, landmarks at the onset and the end of flow.

    Parameters
    ----------
    resistance, compliance, duration_s, ejection_s, volume
        As for `windkessel_wave`.

    Returns
    -------
    dict of str to float
        Indices by name; `notch_pressure` is the pressure at the end of ejection, `slope_times_tau` the
        logarithmic mean pressure that the downslope should be a tau-th of, over that downslope.
    """
    time = np.arange(round(4.0 * duration_s * _FS)) / _FS
    wave = windkessel_wave(resistance, compliance, duration_s, ejection_s, volume, time)
    first = np.array([duration_s * _FS])
    notch, end = first + ejection_s * _FS, first + duration_s * _FS
    one = slice(int(first[0]), int(end[0]))
    peak = first + float(np.argmax(wave[one]))
    steepest = first + float(np.argmax(np.diff(wave[one])))
    at_onset = windkessel_wave(
        resistance, compliance, duration_s, ejection_s, volume, np.array([0.0, ejection_s])
    )
    dbp = diastolic_pressure(wave, first, steepest, _FS, end)
    sbp = systolic_pressure(wave, peak, _FS)
    mbp = mean_pressure(wave, first, end)
    above_zero = systolic_area_above_zero(wave, first, notch, _FS)
    whole = beat_area(mbp, [duration_s])
    area = systolic_area(wave, first, notch, at_onset[:1], _FS)
    time_s = runoff_time(notch, end, _FS)
    early, late = runoff_early(wave, notch, end, _FS), runoff_late(wave, notch, end, _FS)
    slope = downslope(wave, at_onset[1:], notch, end, _FS)
    before = at_onset[:1] * np.exp(BEFORE_FOOT_S / (resistance * compliance))
    log_mean = (at_onset[1:] - before) / np.log(at_onset[1:] / before)
    found = {
        "sbp": sbp,
        "dbp": dbp,
        "mbp": mbp,
        "form_factor": form_factor(mbp, dbp, sbp - dbp),
        "dpdt_max": dpdt_max(wave, steepest, _FS),
        "systolic_area": area,
        "systolic_area_corrected": systolic_area_corrected(area, [ejection_s], [duration_s]),
        "systolic_area_above_zero": above_zero,
        "diastolic_area": diastolic_area(whole, above_zero),
        "beat_area": whole,
        "sevr": sevr(diastolic_area(whole, above_zero), above_zero),
        "tau": tau(early, late, time_s),
        "downslope": slope,
        "tau_from_downslope": log_mean / slope,
        "notch_pressure": notch_pressure(wave, notch, _FS),
        "notch_height": notch_height(at_onset[1:], dbp, sbp - dbp),
        "diastolic_fraction": diastolic_fraction(first, notch, end),
    }
    return {name: float(np.asarray(value)[0]) for name, value in found.items()}


@lru_cache(maxsize=4)
def both_decays(
    tau_s: float, asymptote: float, above: float, diastole_s: float, noise: float = 0.0, fs: float = 125.0
) -> dict[str, float]:
    """
    One simulated decay, read by both conventions.

    Parameters
    ----------
    tau_s, asymptote : float
        True time constant [s] and asymptote [mmHg].
    above : float
        Height above the asymptote at the notch [mmHg].
    diastole_s : float
        Mean length of diastole [s]; it breathes by 5 %.
    noise : float
        Standard deviation of the noise of a sample [mmHg].
    fs : float
        Sampling rate [Hz].

    Returns
    -------
    dict of str to float
        `zero` (median of `tau` over the beats), `free` and `asymptote` of a window of 34 beats, and their
        standard errors `free_se`, `asymptote_se`.
    """
    beats = 34
    number = np.arange(beats)
    length = np.round(diastole_s * (1.0 + 0.05 * np.sin(number)) * fs)
    systole = round(0.3 * fs)
    notch = np.cumsum(length + systole) - length
    end = notch + length
    sample = np.arange(int(end[-1]) + systole, dtype=np.float64)
    which = np.clip(np.searchsorted(notch, sample, side="right") - 1, 0, beats - 1)
    wave = asymptote + above * np.exp(-(sample - notch[which]) / fs / tau_s)
    wave += np.random.default_rng(0).normal(0.0, noise, wave.size)
    early, middle, late = (part(wave, notch, end, fs) for part in (runoff_early, runoff_middle, runoff_late))
    time_s = runoff_time(notch, end, fs)
    onset_s = 30.0 * (notch - notch[0]) / (end[-1] - notch[0])
    fit = joint_decay(early, middle, late, time_s, onset_s, np.zeros(beats, dtype=np.intp), 1)
    zero = float(np.median(tau(early, late, time_s)))
    free, level, free_se, level_se = (float(value[0]) for value in fit)
    return {"zero": zero, "free": free, "asymptote": level, "free_se": free_se, "asymptote_se": level_se}


def sine_dpdt(mean: float, amplitude: float, hz: float, fs: float) -> float:
    """
    Steepest rise that `dpdt_max` reads from a sine.

    Parameters
    ----------
    mean, amplitude : float
        [mmHg].
    hz : float
        Frequency of the sine [Hz].
    fs : float
        Sampling rate [Hz].

    Returns
    -------
    float
        [mmHg/s].
    """
    middle = round(fs)
    time = (np.arange(2 * middle + 1) - middle) / fs
    wave = mean + amplitude * np.sin(2.0 * np.pi * hz * time)
    return float(dpdt_max(wave, [float(middle)], fs)[0])


def passed_by_dpdt(hz: float, fs: float) -> float:
    """Share of a component's derivative that `dpdt_max` passes; arguments as for `sine_dpdt`."""
    return sine_dpdt(0.0, 1.0, hz, fs) / (2.0 * np.pi * hz)


def limits_of(name: str) -> str:
    """What the catalogue says limits the reading of an index: uses, directions, reasons and sources."""
    return "; ".join(
        f"{limit.use}: {limit.direction} because {limit.reason} ({limit.source})"
        for limit in default_catalogue()[name].limits
    )


def mean_of_ramp(dbp: float, pp: float) -> float:
    """Mean pressure of a beat that climbs in a straight line from `dbp` by `pp` and falls at once [mmHg]."""
    return float(mean_pressure(dbp + pp * np.arange(101) / 100.0, [0.0], [100.0])[0])
