"""Which rate of breathing, if any, may be claimed in each window."""

from __future__ import annotations

from collections.abc import Iterable
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from .series import Bool, Float, Int, level_passed
from .spectrum import Single, Spectrum

#: Rates that are claimed [1/min]. Below the first, waves of vessel tone look the same in the pressure.
SLOWEST, FASTEST = 7.6, 45.0
#: ... and from a channel of breathing.
SLOWEST_CHANNEL, FASTEST_CHANNEL = 4.0, 70.0
#: Of the heart rate, beats show breathing up to this part; at a half it cannot be told from alternation.
OF_HEART = 0.45
#: Heart rate less breathing rate is as good an answer where that is a rate someone may breathe at [1/min].
ALIAS_UP_TO = 33.0
#: Log likelihood that a wave must add; in a channel of breathing, whose breaths differ in length.
GAIN, GAIN_CHANNEL = 14.0, 6.0
#: Another rate is as likely with this part of the gain, ...
RIVAL, RIVAL_CHANNEL = 0.6, 0.7
#: ... and the alias of the rate with this part of it. (Diastolic and systolic pressure are read at different
#: times in the beat, so the wrong one of the two may even fit better.)
ALIAS_RIVAL = 0.4
#: A rate at half the strongest is the breath itself, the strongest its second harmonic, from this gain and
#: this part of the strongest on.
HALF_GAIN, HALF_PART = 9.0, 0.3
#: So many windows of a channel without a clear rate are bridged where breathing changes its pace.
BRIDGE = 4
#: With five beats in a breath a second harmonic of this part of the gain is as likely the breath itself.
FOLDED = 0.48
#: Waves of vessel tone are looked for in this range [1/min] (0.03 to 0.12 Hz).
SLOW = (1.8, 7.2)
#: Below this rate [1/min] breathing must be this part of the variance of the pulse pressure.
NEAR_SLOW, IN_PULSE = 9.5, 0.25
#: Two rates closer than this many resolved steps (the reciprocal of the window) are one.
_APART = 2.2
#: Share of irregular or premature beats, and least share of the time that beats cover.
IRREGULAR, PREMATURE, COVERED = 0.2, 0.25, 0.6
#: Standard deviation of the intervals, breathing taken out, beyond which the rhythm hides it.
RESTLESS = 0.06
#: Trigeminy and quadrigeminy: a line at a third or a quarter of the heart rate in which intervals swing by
#: more than this part.
LOCKED = 0.06
#: A claim is one of three windows in a row of which each claims the same as the last within this [1/min].
SAME = 1.5
#: With premature beats the likelihood must rise by this much for each whole share of them: pressure goes on
#: to settle after the pause.
GAIN_PREMATURE = 110.0


class Claims(NamedTuple):
    """
    What is claimed of each window, arrays of shape (n,) or (n, carriers).

    Attributes
    ----------
    centre_s : ndarray
        Centres of the windows [s].
    rate : ndarray
        Rate [1/min], NaN where nothing is claimed.
    slow : ndarray of bool
        Whether slow waves are stronger than breathing or stand in its place.
    breathes : ndarray of bool
        Whether something stands out that may be breathing, claimed or not.
    wave, own : ndarray
        As `Spectrum.wave` has them, of the rate that looks most like breathing.
    part : ndarray
        Part of what all carriers hold together that this wave explains, 0 to 1.
    heart_rate : ndarray
        Heart rate [1/min].
    """

    centre_s: Float
    rate: Float
    slow: Bool
    breathes: Bool
    wave: NDArray[np.complex128]
    own: Float
    part: Float
    heart_rate: Float


def joined(pieces: Iterable[Claims], bridge: bool = False) -> Claims:
    """
    Put together what was claimed of one piece of the recording after the other.

    Parameters
    ----------
    pieces : iterable of Claims
        In the order of time.
    bridge : bool
        Whether to go on from one rate to the next where breathing changes its pace.

    Returns
    -------
    Claims
        Of all windows; a rate that does not recur from window to window is left out.
    """
    whole = Claims(*(np.concatenate(column) for column in zip(*pieces, strict=True)))
    rate = _steady(whole.rate)
    return whole._replace(rate=_bridged(rate, whole.breathes) if bridge else rate)


def _claims(spectrum: Spectrum, first: Int, found: Float, slow: Bool, breathes: Bool) -> Claims:
    wave, own = spectrum.wave(first)
    gain = spectrum.gain[np.arange(first.size), first].astype(np.float64)
    part = -np.expm1(-2.0 * gain / np.maximum(spectrum.beats, 1.0))
    heart = spectrum.heart_rate.astype(np.float64)
    return Claims(spectrum.centre_s, found, slow, breathes, wave, own, part, heart)


def _tops(gain: Single) -> Single:
    """Gain at its local maxima along the rates, 0 elsewhere."""
    inner = gain[:, 1:-1]
    out = np.zeros_like(gain)
    np.copyto(out[:, 1:-1], inner, where=(inner >= gain[:, :-2]) & (inner > gain[:, 2:]))
    return out


def _strongest(tops: Single, allowed: Bool) -> tuple[Int, Float]:
    """Highest local maximum among the allowed rates, and its gain (0 if there is none)."""
    masked = np.where(allowed, tops, np.float32(0.0))
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
    spectrum: Spectrum, window_s: float, unfit: Bool, least_gain: Float, interval_floor: float
) -> Claims:
    """
    Decide for each window what the pressure says, but for whether the next one says the same.

    Parameters
    ----------
    spectrum : Spectrum
        Of some windows, from the beats.
    window_s : float
        Length of the windows [s].
    unfit : ndarray of bool, shape (n,)
        Windows in which nothing may be claimed, for instance for their rhythm.
    least_gain : ndarray, shape (n,)
        Log likelihood that the wave must add.
    interval_floor : float
        Unit in which the spectrum counts intervals, its last carrier [s].
    """
    rate, tops, heart = spectrum.rate, _tops(spectrum.gain), spectrum.heart_rate
    apart = _APART * 60.0 / window_s
    row = np.arange(heart.size)
    in_band = (rate >= SLOWEST) & (rate <= np.minimum(FASTEST, OF_HEART * heart)[:, None])
    at, best = _strongest(tops, in_band)
    half_at, half_gain = _strongest(tops, np.abs(rate - 0.5 * rate[at][:, None]) <= 0.3 * apart)
    doubled = half_gain >= np.maximum(HALF_GAIN, HALF_PART * best)
    halved = doubled & (rate[half_at] >= SLOWEST)
    first, harmonic = np.where(halved, half_at, at), np.where(halved, rate[at], 2 * rate[at])
    found = _refined(spectrum, first)
    near = np.abs(rate - found[:, None]) <= apart
    folded = np.abs(heart[:, None] - rate)
    image = np.abs(folded - found[:, None]) <= apart
    kin = near | image
    kin |= (np.abs(rate - harmonic[:, None]) <= apart) | (np.abs(folded - harmonic[:, None]) <= apart)
    _, rival = _strongest(tops, (rate >= SLOWEST) & (rate <= FASTEST) & ~kin)
    _, mirrored = _strongest(tops, image & (rate <= ALIAS_UP_TO) & ~near)
    as_likely = (rival > RIVAL * best) | ((mirrored > ALIAS_RIVAL * best) & (heart - found <= ALIAS_UP_TO))
    # Twice a slow wave is no breath, nor is what stands at half of the rate, below all that are claimed; and
    # with five beats in two breaths what seems to be half the rate may be the alias of its second harmonic.
    folds = np.abs(heart - 2.5 * rate[at]) <= 1.5 * apart
    as_likely |= doubled & (~halved | folds)
    as_likely |= _folded(spectrum, tops, found, best, apart)
    wave, own = spectrum.wave(first)
    in_beats = interval_floor * heart / 60.0
    for n in (3.0, 4.0):
        locked = np.abs(found - heart / n) < 0.5 * apart
        as_likely |= locked & (np.abs(wave[:, -1]) * in_beats > LOCKED)
    left = np.sqrt(np.maximum(spectrum.variance[:, -1] * (1.0 - own[:, -1]), 0.0)) * in_beats
    # So slow a wave must move the pulse pressure too: waves of vessel tone mostly move the level.
    level_only = (found < NEAR_SLOW) & (own[:, 0] < IN_PULSE)
    clear = (best >= least_gain) & (left <= RESTLESS) & in_band[row, first]
    clear &= ~level_only & ~as_likely & ~unfit
    slow = _slow(spectrum, tops, found, wave, apart)
    return _claims(spectrum, first, np.where(clear, found, np.nan), slow, clear)


def _folded(spectrum: Spectrum, tops: Single, found: Float, best: Float, apart: float) -> Bool:
    """
    Whether what seems to be the second harmonic is as likely the breath, and the breath its alias.

    With 2.5 beats in a breath its second harmonic is seen at half its rate. Both readings fit where five
    times the rate is the heart rate; a little off that, the place of the faster line tells.
    """
    heart = spectrum.heart_rate
    at, gain = _strongest(tops, np.abs(spectrum.rate - 2.0 * found[:, None]) <= apart)
    double = _refined(spectrum, at)
    off = np.abs(heart - 5.0 * found)
    as_breath = np.abs(double - 0.5 * (heart - found)) < np.abs(double - 2.0 * found)
    return np.asarray((gain >= FOLDED * best) & ((off <= 1.5) | (as_breath & (off <= 1.5 * apart))))


def _slow(spectrum: Spectrum, tops: Single, found: Float, wave: NDArray[np.complex128], apart: float) -> Bool:
    """Slow waves of pulse and pressure that carry more power than what looks most like breathing."""
    slow = (spectrum.rate >= SLOW[0]) & (spectrum.rate <= SLOW[1])
    at, seen = _strongest(tops, slow & (np.abs(spectrum.rate - found[:, None]) > apart))
    slow_wave, _ = spectrum.wave(at)

    def power(of: NDArray[np.complex128], rate: Float) -> Float:
        size = np.abs(of[:, :3]) / level_passed(rate / 60.0)[:, None]
        return np.asarray(np.sum(size**2, axis=1))

    return np.asarray((seen >= GAIN) & (power(slow_wave, spectrum.rate[at]) > power(wave, found)))


def channel_claims(spectrum: Spectrum, window_s: float, heart_rate: Float) -> Claims:
    """
    Decide for each window what a channel of breathing says, but for whether the next one says the same.

    Parameters
    ----------
    spectrum : Spectrum
        Of some windows, from the channel.
    window_s : float
        Length of the windows [s].
    heart_rate : ndarray, shape (n,)
        Heart rate [1/min], NaN where unknown: the heart moves the chest too.
    """
    rate, tops = spectrum.rate, _tops(spectrum.gain)
    apart = _APART * 60.0 / window_s
    row = np.arange(tops.shape[0])
    allowed = (rate >= SLOWEST_CHANNEL) & (rate <= FASTEST_CHANNEL)
    with np.errstate(invalid="ignore"):
        allowed = allowed & ~(np.abs(rate - heart_rate[:, None]) < 0.6 * apart)
    at, best = _strongest(tops, allowed)
    half_at, half_gain = _strongest(tops, np.abs(rate - 0.5 * rate[at][:, None]) <= 0.3 * apart)
    halved = (half_gain >= np.maximum(GAIN_CHANNEL, HALF_PART * best)) & (rate[half_at] >= SLOWEST_CHANNEL)
    first = np.where(halved, half_at, at)
    found = _refined(spectrum, first)
    multiple = np.round(rate / np.maximum(found, 1e-9)[:, None])
    kin = np.abs(rate - np.maximum(multiple, 1.0) * found[:, None]) <= apart
    _, rival = _strongest(tops, allowed & ~kin)
    breathes = (best >= 0.5 * GAIN_CHANNEL) & allowed[row, first]
    clear = breathes & (best >= GAIN_CHANNEL) & (rival <= RIVAL_CHANNEL * best)
    none = np.zeros(row.size, dtype=bool)
    return _claims(spectrum, first, np.where(clear, found, np.nan), none, breathes)


def _steady(rate: Float) -> Float:
    """Leave out claims that are not part of three in a row."""
    if rate.size < 3:
        return np.full(rate.shape, np.nan)
    with np.errstate(invalid="ignore"):
        same = np.abs(np.diff(rate)) <= SAME
    three = same[1:] & same[:-1]
    shared = np.zeros(rate.size, dtype=bool)
    for k in range(3):
        shared[k : k + three.size] |= three
    return np.where(shared, rate, np.nan)


def _bridged(rate: Float, breathes: Bool) -> Float:
    """Where breathing changes its pace two rates are as likely: go from the one to the other."""
    known = np.flatnonzero(np.isfinite(rate))
    if known.size < 2:
        return rate
    row = np.arange(rate.size)
    after = np.searchsorted(known, row)
    between = (after > 0) & (after < known.size)
    gap = known[np.clip(after, 0, known.size - 1)] - known[np.clip(after - 1, 0, None)] - 1
    silent = np.concatenate(([0], np.cumsum(~breathes)))
    quiet = silent[known[np.clip(after, 0, known.size - 1)]] - silent[known[np.clip(after - 1, 0, None)]]
    fill = between & ~np.isfinite(rate) & (gap <= BRIDGE) & (quiet == 0)
    return np.where(fill, np.interp(row, known, rate[known]), rate)
