"""
Hints about the line where no flush was seen: 'perhaps overdamped', 'perhaps ringing', never a number for it.

The shape of a pulse tells of patient and line together. A stiff artery or a forceful heart looks like a
ringing line, a narrowed valve or a failing heart like an overdamped one; only a flush tells them apart. So a
hint lowers confidence, and that is all.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from .typical import TypicalBeat, numbers_of

Float = NDArray[np.float64]

#: Four pieces of evidence, in this order.
EVIDENCE = ("steepness", "brightness", "relaxation", "bump")

# Logistic weights (constant, then one for the logarithm of each piece of evidence), and the scores from which
# a hint is weak or clear: passed by 10 and 3 in 100 pulses whose systolic pressure the line does not change
# by 4 mmHg that way. Fitted on 300 simulated patients whose seeds the benchmark does not use.
_OVERDAMPED = (23.95, -5.66, 0.0, -5.43, 0.0)
_RINGING = (5.94, 0.0, 2.59, 0.0, 2.74)
_OVERDAMPED_FROM = (-1.43, 0.53)
_RINGING_FROM = (-1.26, -0.46)

# Points of the drawn beat; where behind the peak the fall may ease [s, at most this share of the period].
_POINTS = 512
_RELAX_FROM_S, _RELAX_TO_S, _RELAX_TO = 0.04, 0.45, 0.6
_SLOPE_S = 0.004


@dataclass(frozen=True, slots=True)
class Hint:
    """
    What the pulses alone suggest of the line.

    Attributes
    ----------
    overdamped, ringing : str
        "", "weak" or "clear": how strongly the shape suggests it. Clear means that 3 in 100, weak that 10 in
        100 simulated pulses look like that without such a line.
    evidence : dict of str to float
        What it rests on: `steepness` (dP/dt max over pulse pressure, 1/s), `brightness` (power at 5 to 9 Hz
        over that below 5 Hz), `relaxation` (how much the fall behind the peak eases, pulse pressures a
        second), `bump` (rise of the spectrum between 8 and 25 Hz above what lies before it, as a ratio).
    """

    overdamped: str
    ringing: str
    evidence: dict[str, float]

    @property
    def facts(self) -> tuple[str, ...]:
        """Names of the facts that hold: perhaps_overdamped, perhaps_ringing."""
        pairs = (("perhaps_overdamped", self.overdamped), ("perhaps_ringing", self.ringing))
        return tuple(name for name, strength in pairs if strength)

    def words(self) -> str:
        """The hint in a sentence."""
        for strength, what, likeness in (
            (self.overdamped, "overdamped", "slow to rise, without fine detail"),
            (self.ringing, "ringing", "steep, with swings or much fine detail"),
        ):
            if strength:
                how = "A weak hint: the line is perhaps" if strength == "weak" else "The line is perhaps"
                return (
                    f"{how} {what} (the pulse is {likeness}). The patient may look like this as well; "
                    "only a flush can tell."
                )
        return "The pulse gives no hint of a faulty line, which does not show that the line is sound."


def evidence_of(beat: TypicalBeat) -> dict[str, float]:
    """
    Measure the pieces of evidence on a typical beat.

    Parameters
    ----------
    beat : TypicalBeat
        As `hemoidx.line.typical.typical_beat` makes it.

    Returns
    -------
    dict of str to float
        See `Hint`; NaN where a beat has no pulse.
    """
    numbers = numbers_of(beat)
    pulse = numbers["pp"]
    if not pulse > 0:
        return dict.fromkeys(EVIDENCE, float("nan"))
    f, power = beat.f, np.abs(beat.harmonics) ** 2
    slow = power[(f > 0) & (f < 5.0)].sum()
    bright = power[(f >= 5.0) & (f < 9.0)].sum()
    return {
        "steepness": numbers["dpdt_max"] / pulse,
        "brightness": float(bright / max(slow, 1e-9)),
        "relaxation": _relaxation(beat.wave(_POINTS), beat.period_s) / pulse,
        "bump": _bump(f[1:], power[1:], float(np.median(beat.noise[-8:]))),
    }


def _relaxation(wave: Float, period: float) -> float:
    """Greatest rise of slope behind the peak, within the first part of the run-off [mmHg/s]."""
    step = period / wave.size
    reach = max(1, round(_SLOPE_S / step))
    slope = (np.roll(wave, -reach) - np.roll(wave, reach)) / (2 * reach * step)
    last = min(_RELAX_TO_S, _RELAX_TO * period)
    after = np.arange(int(_RELAX_FROM_S / step), int(last / step))
    part = slope[(int(np.argmax(wave)) + after) % wave.size]
    return float(np.max(part - np.minimum.accumulate(part)))


def _bump(f: Float, power: Float, noise: float) -> float:
    """How far the smoothed spectrum between 8 and 25 Hz rises above its least value before."""
    smooth = np.convolve(np.pad(power, 1, mode="edge"), [0.25, 0.5, 0.25], mode="valid") + max(noise, 1e-9)
    grid = np.arange(1.0, min(25.0, float(f[-1])) + 0.25, 0.5)
    level = np.interp(grid, f, np.log(smooth))
    above = level - np.minimum.accumulate(level)
    return float(np.exp(np.max(above[grid >= 8.0], initial=0.0)))


def hint(beat: TypicalBeat) -> Hint:
    """
    Look for signs of a faulty line in a typical beat.

    Parameters
    ----------
    beat : TypicalBeat
        As `hemoidx.line.typical.typical_of` makes it; it looks at no more than 96 beats of a recording,
        however long.

    Returns
    -------
    Hint

    Notes
    -----
    On 96 simulated patients with 4 lines each, of seeds on which nothing was fitted (benchmark of the line),
    a line counted as harmful if it made systolic pressure wrong by more than 4 mmHg that way. Overdamped:
    94 % of 107 were hinted at, and 92 % of the others were not; clear hints 79 and 97 %. Ringing: 87 % of 61,
    and 89 %; clear hints 69 and 96 %. Those patients are invented: with stiffer arteries or sicker valves
    than they have, expect worse. No figures from real lines are known to us.

    References
    ----------
    .. [1] Gardner RM. Direct blood pressure measurement - dynamic response requirements. Anesthesiology
       1981;54:227-236 (abstract): looking at the wave is not enough to judge the dynamic response.
    .. [2] Romagnoli S, Ricci Z, Quattrone D, et al. Accuracy of invasive arterial pressure monitoring in
       cardiovascular patients. Crit Care 2014;18:644: steepness as a sign of resonance (quoted from memory).
    """
    evidence = evidence_of(beat)
    score = np.array([1.0, *np.log([max(evidence[name], 1e-6) for name in EVIDENCE])])
    overdamped = _strength(float(score @ _OVERDAMPED), _OVERDAMPED_FROM)
    ringing = _strength(float(score @ _RINGING), _RINGING_FROM)
    return Hint(overdamped, ringing, evidence)


def _strength(score: float, thresholds: tuple[float, float]) -> str:
    if not np.isfinite(score) or score < thresholds[0]:
        return ""
    return "clear" if score >= thresholds[1] else "weak"
