"""Dynamic response of a line: what one flush told, what several tell together, and how to say it."""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from .bedside import BedsideReading
from .response import poles

#: A parameter counts as known from this relative standard error on; for damping, or from this absolute one.
KNOWN_TO = 0.025
DAMPING_KNOWN_TO = 0.02
_NAN = float("nan")
_Z95 = 1.96
# Flushes differ too much for one number if they leave it this much less sure than one that counts as known.
_TORN = 3.0


def is_resolved(hz: float, hz_se: float, damping: float, damping_se: float) -> bool:
    """Whether both parameters are known well enough to be given as numbers."""
    return bool(hz_se <= KNOWN_TO * hz and damping_se <= max(DAMPING_KNOWN_TO, KNOWN_TO * damping))


def slow_pole(hz: float, damping: float) -> float:
    """Time constant [s] of the slowest way in which the line forgets."""
    return -1.0 / poles(hz, damping)[0].real


@dataclass(frozen=True, slots=True)
class FlushReading:
    """
    What one flush told about the line.

    Attributes
    ----------
    start, release : float
        Start of the flush and its release [samples]; the release is NaN if none was found.
    natural_frequency_hz, damping_ratio : float
        Best values [Hz, ratio]; NaN where there is nothing to measure. Where `resolved` is False they are
        only one pair among many that fit, and the bounds are the result.
    natural_frequency_hz_se, damping_ratio_se : float
        Standard errors; NaN where not resolved.
    natural_frequency_hz_low, natural_frequency_hz_high, damping_ratio_low, damping_ratio_high : float
        95 % interval; 0 or infinity where the samples set no limit.
    correlation : float
        Correlation of the errors of log frequency and log damping.
    slow_pole_s, slow_pole_s_se : float
        Time constant of the slower pole [s] and its standard error where damping may be 0.9 and more, else
        NaN: what can be known when natural frequency and damping cannot be told apart.
    method : str
        "fit from rest" (all samples, recorder's low-pass supposed), "fit of the ringing" (later samples,
        nothing supposed of valve and recorder), or "none".
    resolved : bool
        Whether both parameters are known to about 2 %.
    misfit : float
        Scatter of the samples about the fit over what noise explains (variance); far above 1 means that the
        line is not, or not only, of second order; from 8 on no bounds are claimed.
    bedside : BedsideReading or None
        The same flush read by period and amplitude ratio.
    reason : str
        Why there is no number, or empty.
    """

    start: float
    release: float = _NAN
    natural_frequency_hz: float = _NAN
    damping_ratio: float = _NAN
    natural_frequency_hz_se: float = _NAN
    damping_ratio_se: float = _NAN
    natural_frequency_hz_low: float = 0.0
    natural_frequency_hz_high: float = float("inf")
    damping_ratio_low: float = 0.0
    damping_ratio_high: float = float("inf")
    correlation: float = 0.0
    slow_pole_s: float = _NAN
    slow_pole_s_se: float = _NAN
    method: str = "none"
    resolved: bool = False
    misfit: float = _NAN
    bedside: BedsideReading | None = None
    reason: str = ""


@dataclass(frozen=True, slots=True)
class Dynamics:
    """
    Dynamic response of a line, from one or several flushes.

    Attributes
    ----------
    natural_frequency_hz, damping_ratio : float
        Best values [Hz, ratio]; NaN where no flush told anything.
    natural_frequency_hz_se, damping_ratio_se : float
        Standard errors, with the scatter between flushes; NaN where not resolved.
    natural_frequency_hz_low, natural_frequency_hz_high, damping_ratio_low, damping_ratio_high : float
        95 % interval; 0 or infinity where nothing sets a limit.
    resolved : bool
        Whether both parameters are known to about 2 %, or to what flushes that disagree leave of that.
    slow_pole_s : float
        Where damping is about 1 or more: the one time constant that can be known [s]. Else NaN.
    method : str
        How the flushes were measured.
    n_flushes : int
        How many flushes went in.
    disagree : bool
        Whether there are only bounds because flushes that were measured well differ too much.
    slow_pole_s_se : float
        Its standard error [s].
    """

    natural_frequency_hz: float
    damping_ratio: float
    natural_frequency_hz_se: float = _NAN
    damping_ratio_se: float = _NAN
    natural_frequency_hz_low: float = 0.0
    natural_frequency_hz_high: float = float("inf")
    damping_ratio_low: float = 0.0
    damping_ratio_high: float = float("inf")
    resolved: bool = False
    slow_pole_s: float = _NAN
    method: str = "none"
    n_flushes: int = 0
    slow_pole_s_se: float = _NAN
    disagree: bool = False

    def words(self) -> str:
        """What is known of the line, in a sentence or two; whether it is good enough is another question."""
        if not self.n_flushes:
            return "Dynamic response unknown: no flush could be measured."
        count = "one flush" if self.n_flushes == 1 else f"{self.n_flushes} flushes"
        if self.resolved:
            head = (
                f"Measured from {count}: natural frequency {self.natural_frequency_hz:.1f} Hz "
                f"({self.natural_frequency_hz_low:.1f} to {self.natural_frequency_hz_high:.1f}), "
                f"damping ratio {self.damping_ratio:.2f} "
                f"({self.damping_ratio_low:.2f} to {self.damping_ratio_high:.2f})."
            )
        else:
            frequency = between(self.natural_frequency_hz_low, self.natural_frequency_hz_high, ".0f", " Hz")
            damping = between(self.damping_ratio_low, self.damping_ratio_high, ".2f", "")
            why = (
                "the flushes differ by more than their errors"
                if self.disagree
                else "sampling and damping do not let the two be told apart"
            )
            known = f"natural frequency {frequency}, damping ratio {damping}"
            head = f"Only partly known from {count}: {known}; {why}."
        if np.isfinite(self.slow_pole_s):
            slow, off = 1000 * self.slow_pole_s, _Z95 * 1000 * self.slow_pole_s_se
            between_them = f" ({max(slow - off, 0):.0f} to {slow + off:.0f})" if np.isfinite(off) else ""
            return (
                f"{head} The line returns slowly, without swing, with a time constant of "
                f"{slow:.0f} ms{between_them}."
            )
        if self.damping_ratio < 0.6:
            most, least = _swing(self.damping_ratio_low), _swing(self.damping_ratio_high)
            share = f"{_swing(self.damping_ratio):.0f}" if most - least < 5 else f"{least:.0f} to {most:.0f}"
            return f"{head} After a flush it rings, each swing {share} % of the one before."
        return f"{head} After a flush it hardly rings."


def _swing(damping: float) -> float:
    """Size of a swing after a flush, in per cent of the one before."""
    if damping >= 1.0:
        return 0.0
    return 100 * float(np.exp(-np.pi * damping / np.sqrt(1 - damping**2)))


def between(low: float, high: float, form: str, unit: str) -> str:
    """An interval in words: at least, at most, between, or not known."""
    if low > 0 and np.isfinite(high):
        return f"between {low:{form}} and {high:{form}}{unit}"
    if low > 0:
        return f"at least {low:{form}}{unit}"
    if np.isfinite(high):
        return f"at most {high:{form}}{unit}"
    return "not known"


def pool(readings: Sequence[FlushReading]) -> Dynamics:
    """
    Put several flushes of one undisturbed line together.

    Parameters
    ----------
    readings : sequence of FlushReading
        Those that could not be measured, or that bound nothing, are left out.

    Returns
    -------
    Dynamics
        If any flush resolved both parameters: weighted means of those that did, or bounds that hold all of
        them where they scatter too far beyond their errors. If none did: weighted means all the same where
        each has bounds on both sides, which together may resolve what none did; else the intersection of the
        intervals, or their hull where they contradict each other.

    Notes
    -----
    Means are taken of logarithms, with weights ``1 / (se^2 + between)``; the variance between flushes is the
    moment estimate of DerSimonian and Laird [1]_. With few flushes the interval uses Student's t, with
    degrees of freedom for the part that comes from their scatter [2]_.

    References
    ----------
    .. [1] DerSimonian R, Laird N. Meta-analysis in clinical trials. Control Clin Trials 1986;7:177-188.
    .. [2] Satterthwaite FE. An approximate distribution of estimates of variance components. Biometrics Bull
       1946;2:110-114 (quoted from memory).
    """
    measured = [r for r in readings if np.isfinite(r.natural_frequency_hz) and _bounded(r)]
    if not measured:
        return Dynamics(_NAN, _NAN)
    sure = [r for r in measured if r.resolved]
    methods = ", ".join(sorted({r.method for r in (sure or measured)}))
    if not sure:
        return _together(measured, methods)
    hz, hz_se, hz_low, hz_high = _mean(
        [r.natural_frequency_hz for r in sure], [r.natural_frequency_hz_se for r in sure]
    )
    z, z_se, z_low, z_high = _mean([r.damping_ratio for r in sure], [r.damping_ratio_se for r in sure])
    spread = hz * np.log(hz_high / hz_low) / (2 * _Z95), z * np.log(z_high / z_low) / (2 * _Z95)
    if len(sure) > 1 and not is_resolved(hz, float(spread[0]) / _TORN, z, float(spread[1]) / _TORN):
        # Their scatter is far beyond their errors: what each of them allows is all that can be said.
        return dataclasses.replace(_hull(sure, methods), disagree=True)
    return Dynamics(
        natural_frequency_hz=hz,
        damping_ratio=z,
        natural_frequency_hz_se=hz_se,
        damping_ratio_se=z_se,
        natural_frequency_hz_low=hz_low,
        natural_frequency_hz_high=hz_high,
        damping_ratio_low=z_low,
        damping_ratio_high=z_high,
        resolved=True,
        slow_pole_s=slow_pole(hz, z) if z >= 0.95 else _NAN,
        method=methods,
        n_flushes=len(sure),
        slow_pole_s_se=_pole(sure)[1] if z >= 0.95 else _NAN,
    )


def _hull(readings: Sequence[FlushReading], methods: str) -> Dynamics:
    """Bounds that hold every interval."""
    return dataclasses.replace(
        _intersection(readings, methods),
        natural_frequency_hz_low=min(r.natural_frequency_hz_low for r in readings),
        natural_frequency_hz_high=max(r.natural_frequency_hz_high for r in readings),
        damping_ratio_low=min(r.damping_ratio_low for r in readings),
        damping_ratio_high=max(r.damping_ratio_high for r in readings),
    )


def _bounded(reading: FlushReading) -> bool:
    """Whether a reading sets any limit at all."""
    ends = (
        reading.natural_frequency_hz_low, reading.damping_ratio_low,
        1 / reading.natural_frequency_hz_high, 1 / reading.damping_ratio_high,
    )  # fmt: skip
    return reading.resolved or max(ends) > 0


def _mean(values: Sequence[float], errors: Sequence[float]) -> tuple[float, float, float, float]:
    """Weighted mean of positive values, its standard error, and the ends of its 95 % interval."""
    x = np.log(np.asarray(values))
    v = (np.asarray(errors) / np.asarray(values)) ** 2
    v = np.maximum(v, 1e-12)
    n = x.size
    w = 1 / v
    scatter = 0.0
    if n > 1:
        q = float(np.sum(w * (x - np.sum(w * x) / w.sum()) ** 2))
        scatter = max(0.0, (q - (n - 1)) / float(w.sum() - np.sum(w * w) / w.sum()))
    w = 1 / (v + scatter)
    middle = float(np.sum(w * x) / w.sum())
    se = float(1 / np.sqrt(w.sum()))
    reach = _Z95
    if scatter > 0:
        from scipy.stats import t

        # The errors of each flush are as good as known, the scatter rests on few: Satterthwaite's degrees of
        # freedom of their sum.
        share = scatter / float(np.mean(v) + scatter)
        reach = float(t.ppf(0.975, (n - 1) / share**2))
    value = float(np.exp(middle))
    return value, value * se, value * float(np.exp(-reach * se)), value * float(np.exp(reach * se))


def _pole(readings: Sequence[FlushReading]) -> tuple[float, float]:
    """Weighted mean of the slow pole [s] and its standard error; NaN unless every flush knows of one."""
    pairs = [(r.slow_pole_s, r.slow_pole_s_se) for r in readings]
    if not all(np.isfinite(tau) and tau_se > 0 for tau, tau_se in pairs):
        return _NAN, _NAN
    tau, tau_se, _, _ = _mean([pair[0] for pair in pairs], [pair[1] for pair in pairs])
    return tau, tau_se


def _together(readings: Sequence[FlushReading], methods: str) -> Dynamics:
    """
    Flushes of which none told both parameters: weighted means where each has bounds, as if these were errors.

    Where one of them is open, the bounds that all allow.
    """
    common = _intersection(readings, methods)
    ends = [
        [(getattr(r, f"{name}_low"), getattr(r, f"{name}_high")) for r in readings]
        for name in ("natural_frequency_hz", "damping_ratio")
    ]
    if len(readings) < 2 or not all(0 < low < high < np.inf for pairs in ends for low, high in pairs):
        return common
    means = []
    for name, pairs in zip(("natural_frequency_hz", "damping_ratio"), ends, strict=True):
        best = [getattr(r, name) for r in readings]
        means.append(
            _mean(
                best,
                [x * np.log(high / low) / (2 * _Z95) for x, (low, high) in zip(best, pairs, strict=True)],
            )
        )
    (hz, hz_se, hz_low, hz_high), (z, z_se, z_low, z_high) = means
    resolved = is_resolved(hz, hz_se, z, z_se)
    return dataclasses.replace(
        common,
        natural_frequency_hz=hz,
        damping_ratio=z,
        natural_frequency_hz_se=hz_se if resolved else _NAN,
        damping_ratio_se=z_se if resolved else _NAN,
        natural_frequency_hz_low=hz_low,
        natural_frequency_hz_high=hz_high,
        damping_ratio_low=z_low,
        damping_ratio_high=z_high,
        resolved=resolved,
    )


def _intersection(readings: Sequence[FlushReading], methods: str) -> Dynamics:
    """Bounds that all flushes allow."""

    def common(low: list[float], high: list[float]) -> tuple[float, float]:
        a, b = max(low), min(high)
        return (a, b) if a < b else (min(low), max(high))

    hz = common(
        [r.natural_frequency_hz_low for r in readings], [r.natural_frequency_hz_high for r in readings]
    )
    z = common([r.damping_ratio_low for r in readings], [r.damping_ratio_high for r in readings])
    tau, tau_se = _pole(readings)
    return Dynamics(
        natural_frequency_hz=float(np.exp(np.mean([np.log(r.natural_frequency_hz) for r in readings]))),
        damping_ratio=float(np.exp(np.mean([np.log(r.damping_ratio) for r in readings]))),
        natural_frequency_hz_low=hz[0],
        natural_frequency_hz_high=hz[1],
        damping_ratio_low=z[0],
        damping_ratio_high=z[1],
        slow_pole_s=tau,
        method=methods,
        n_flushes=len(readings),
        slow_pole_s_se=tau_se,
    )
