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

from .typical import TypicalBeat

Float = NDArray[np.float64]

#: Pieces of evidence, in this order.
EVIDENCE = ("bend", "fullness", "crest", "sharpness", "detail")

# Logistic weights (constant, then one for the logarithm of each piece of evidence), and the scores from which
# a hint is weak or clear: passed by 7 and 2 in 100 pulses whose systolic pressure the line does not change by
# 4 mmHg that way. Fitted on 260 simulated patients whose seeds the benchmark does not use.
_OVERDAMPED = (34.98, -5.26, 9.27, 0.0, 0.0, 0.0)
_RINGING = (-66.22, 0.0, 0.0, -7.0, 4.88, -1.27)
_OVERDAMPED_FROM = (-1.28, 0.77)
_RINGING_FROM = (-2.23, -1.15)

# Points of the drawn beat; distance over which it bends [s]; how far around the peak its sharpness and behind
# it the bend are looked for [s]; share of the pulse that counts as crest; band of the detail [Hz].
_POINTS = 512
_BENT_S, _AT_PEAK_S, _BEHIND_S, _CREST, _DETAIL_HZ = 0.01, 0.012, 0.3, 0.9, (13.0, 18.0)


@dataclass(frozen=True, slots=True)
class Hint:
    """
    What the pulses alone suggest of the line.

    Attributes
    ----------
    overdamped, ringing : str
        "", "weak" or "clear": how strongly the shape suggests it. Clear means that 2 in 100, weak that 7 in
        100 simulated pulses look like that without such a line.
    evidence : dict of str to float
        What it rests on, pulse pressure being one: `bend` (sharpest upward bend within 0.3 s behind the peak,
        1/s2), `fullness` (mean above the foot), `crest` (time spent in the upper tenth, s), `sharpness`
        (downward bend at the peak, 1/s2), `detail` (mean power of harmonics at 13 to 18 Hz).
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
            (self.overdamped, "overdamped", "full and round, without a sharp bend"),
            (self.ringing, "ringing", "narrow and sharp at its peak"),
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
    wave = beat.wave(_POINTS)
    pulse = float(np.ptp(wave))
    if not pulse > 0:
        return dict.fromkeys(EVIDENCE, float("nan"))
    step = beat.period_s / _POINTS
    # From its lowest point on, so that peak and run-off are not cut apart.
    wave = (np.roll(wave, -int(np.argmin(wave))) - wave.min()) / pulse
    lag = max(1, round(_BENT_S / step))
    bent = (np.roll(wave, -lag) - 2.0 * wave + np.roll(wave, lag)) / (lag * step) ** 2
    peak = int(np.argmax(wave))
    near = max(1, round(_AT_PEAK_S / step))
    f, low, high = beat.f, *_DETAIL_HZ
    power = np.abs(beat.harmonics[(f >= low) & (f < high)]) ** 2
    # Noise sets how little detail can be seen.
    least = float(np.median(beat.noise[-8:]))
    return {
        "bend": float(bent[peak : peak + round(_BEHIND_S / step)].max()),
        "fullness": float(wave.mean()),
        "crest": float(np.sum(wave > _CREST) * step),
        "sharpness": float(-bent[max(peak - near, 0) : peak + near + 1].min()),
        "detail": max(float(power.mean()) if power.size else 0.0, least) / pulse**2,
    }


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
    On 192 simulated patients with 4 lines each, of seeds on which nothing was fitted (benchmark of the line),
    a line counted as harmful if it made systolic pressure wrong by more than 4 mmHg that way. Overdamped:
    97 % of 167 were hinted at, and 90 % of the others were not; clear hints 81 and 97 %. Ringing: 99 % of
    121, and 90 %; clear hints 93 and 96 %. Those patients are invented, and like the ones it was fitted on.
    On 40 each of other kinds it was less good: overdamped lines behind brisk peripheral pulses 71 and 100 %,
    in atrial fibrillation 97 and 72 %; ringing ones at 115 to 165 beats a minute 100 and 78 %, behind slow
    upstrokes 4 of 8 and 99 %. No figures from real lines are known to us.

    References
    ----------
    .. [1] Gardner RM. Direct blood pressure measurement - dynamic response requirements. Anesthesiology
       1981;54:227-236 (abstract): looking at the wave is not enough to judge the dynamic response.
    .. [2] Romagnoli S, Ricci Z, Quattrone D, et al. Accuracy of invasive arterial pressure monitoring in
       cardiovascular patients. Crit Care 2014;18:644: steepness as a sign of resonance (quoted from memory).
    """
    evidence = evidence_of(beat)
    score = np.array([1.0, *np.log([max(evidence[name], 1e-9) for name in EVIDENCE])])
    overdamped = _strength(float(score @ _OVERDAMPED), _OVERDAMPED_FROM)
    ringing = _strength(float(score @ _RINGING), _RINGING_FROM)
    return Hint(overdamped, ringing, evidence)


def _strength(score: float, thresholds: tuple[float, float]) -> str:
    if not np.isfinite(score) or score < thresholds[0]:
        return ""
    return "clear" if score >= thresholds[1] else "weak"
