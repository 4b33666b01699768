"""Which rate of breathing, if any, may be claimed in each window."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from .series import Bool, Float, Int
from .spectrum import Spectrum

#: Rates that are claimed [1/min]. Below the first, waves of vessel tone look the same in the pressure.
SLOWEST, FASTEST = 7.6, 45.0
#: Of the heart rate, beats show breathing up to this part; at a half it cannot be told from alternation.
OF_HEART = 0.45
#: Heart rate less breathing rate is as good an answer where that is a rate someone may breathe at [1/min].
ALIAS_UP_TO = 33.0
#: Log likelihood that a wave must add.
GAIN = 14.0
#: Another rate is as likely with this part of the gain, ...
RIVAL = 0.6
#: ... and the alias of the rate unless it is behind by this much.
ALIAS_BEHIND = 12.0
#: A rate at half the strongest is the breath itself, the strongest its second harmonic, from this gain and
#: this part of the strongest on.
HALF_GAIN, HALF_PART = 9.0, 0.3
#: Waves of vessel tone are looked for in this range [1/min] (0.03 to 0.12 Hz).
SLOW = (1.8, 7.2)
#: Two rates closer than this many resolved steps (the reciprocal of the window) are one.
_APART = 2.2
#: Share of irregular or premature beats, and least share of the time that beats cover.
IRREGULAR, PREMATURE, COVERED = 0.2, 0.25, 0.6
#: Trigeminy and quadrigeminy: a line at a third or a quarter of the heart rate in which intervals swing by
#: more than this part.
LOCKED = 0.06
#: A claim needs a neighbour in time that claims the same within this [1/min].
SAME = 1.5


@dataclass(frozen=True)
class Claims:
    """
    What is claimed of each window.

    `rate` [1/min], NaN where nothing is claimed; `bin` the row of the spectrum for it; `slow` whether slow
    waves are stronger than breathing or stand in its place.
    """

    centre_s: Float
    rate: Float
    bin: Int
    slow: Bool


def _strongest(gain: NDArray[np.float32], allowed: Bool) -> tuple[Int, Float]:
    """Highest local maximum among the allowed rates, and its gain (0 if there is none)."""
    peak = np.zeros(gain.shape, dtype=bool)
    peak[:, 1:-1] = (gain[:, 1:-1] >= gain[:, :-2]) & (gain[:, 1:-1] > gain[:, 2:])
    masked = np.where(peak & allowed, gain, 0.0)
    at = masked.argmax(axis=1)
    return at, masked[np.arange(at.size), at].astype(np.float64)


def _refined(spectrum: Spectrum, at: Int) -> Float:
    """Rate at the top of the parabola through three gains."""
    row, step = np.arange(at.size), spectrum.rate[1] - spectrum.rate[0]
    inner = np.clip(at, 1, spectrum.rate.size - 2)
    left, middle, right = (spectrum.gain[row, inner + k].astype(np.float64) for k in (-1, 0, 1))
    bend = left - 2 * middle + right
    with np.errstate(invalid="ignore", divide="ignore"):
        shift = np.where(bend < 0, 0.5 * (left - right) / bend, 0.0)
    return np.asarray(spectrum.rate[inner] + step * np.clip(shift, -0.5, 0.5))


def claims(
    spectrum: Spectrum,
    window_s: float,
    unfit: Bool,
    interval_part: Float | None,
    fastest: Float,
    alias: bool,
) -> Claims:
    """
    Decide for each window.

    Parameters
    ----------
    spectrum : Spectrum
        Of all windows.
    window_s : float
        Length of the windows [s].
    unfit : ndarray of bool, shape (n,)
        Windows in which nothing may be claimed, for instance for their rhythm.
    interval_part : ndarray, shape (n, f), optional
        Amplitude of the wave in the intervals, as a part of the interval.
    fastest : ndarray, shape (n,)
        Fastest rate to claim [1/min].
    alias : bool
        Whether the series was sampled at the heart rate, so that rates have aliases.
    """
    rate, gain = spectrum.rate, spectrum.gain
    apart = _APART * 60.0 / window_s
    row = np.arange(gain.shape[0])
    in_band = (rate >= SLOWEST) & (rate <= fastest[:, None])
    at, best = _strongest(gain, in_band)
    half_at, half_gain = _strongest(gain, np.abs(rate - 0.5 * rate[at][:, None]) <= 0.3 * apart)
    doubled = half_gain >= np.maximum(HALF_GAIN, HALF_PART * best)
    halved = doubled & (rate[half_at] >= SLOWEST)
    first, harmonic = np.where(halved, half_at, at), np.where(halved, rate[at], 2 * rate[at])
    found = _refined(spectrum, first)
    near = np.abs(rate - found[:, None]) <= apart
    heart = spectrum.heart_rate[:, None]
    kin = near | (np.abs(rate - harmonic[:, None]) <= apart)
    if alias:
        folded = np.abs(heart - rate)
        image = np.abs(folded - found[:, None]) <= apart
        kin |= image | (np.abs(folded - harmonic[:, None]) <= apart)
        _, mirrored = _strongest(gain, image & (rate <= ALIAS_UP_TO) & ~near)
        as_likely = mirrored > best - ALIAS_BEHIND
        as_likely &= spectrum.heart_rate - found <= ALIAS_UP_TO
    else:
        as_likely = np.zeros(row.size, dtype=bool)
    _, rival = _strongest(gain, (rate >= SLOWEST) & (rate <= FASTEST) & ~kin)
    _, slow_gain = _strongest(gain, (rate >= SLOW[0]) & (rate <= SLOW[1]))
    as_likely |= rival > RIVAL * best
    # Twice a slow wave is no breath, nor what stands at half of the rate but below all rates that are claimed.
    as_likely |= doubled & ~halved
    if interval_part is not None:
        for n in (3.0, 4.0):
            as_likely |= (np.abs(found - spectrum.heart_rate / n) < 0.5 * apart) & (
                interval_part[row, first] > LOCKED
            )
    clear = (best >= GAIN) & ~as_likely & ~unfit & in_band[row, first]
    claimed = np.where(clear, found, np.nan)
    return Claims(spectrum.centre_s, _steady(claimed), first, slow_gain > best)


def _steady(rate: Float) -> Float:
    """Leave out claims that no neighbour in time shares."""
    with np.errstate(invalid="ignore"):
        same = np.abs(np.diff(rate)) <= SAME
    shared = np.concatenate((same, [False])) | np.concatenate(([False], same))
    return np.where(shared, rate, np.nan)
