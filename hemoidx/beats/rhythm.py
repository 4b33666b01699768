"""What the pulse intervals and pulse pressures say of the rhythm: irregular, ectopic, alternating."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from ..samples import rolling_quantile, running_total, span_sums

Float = NDArray[np.float64]
Bool = NDArray[np.bool_]

#: Beats on each side in the judgement of one beat.
HALF = 15
#: An interval is early or late when it leaves its neighbours' median by this share.
OFF = 0.15
#: Of beats that alternate, so many more lie on their own side than on the other (nine in ten).
IN_TURN = 0.8


def rolling_mean(value: Float, half: int) -> Float:
    """Mean of the known values around each value; NaN where less than a third of them is known."""
    if not value.size:
        return np.zeros(0)
    known = np.isfinite(value)
    counted = span_sums(running_total(known), half)
    width = span_sums(np.arange(value.size + 1), half)
    with np.errstate(invalid="ignore", divide="ignore"):
        mean = span_sums(running_total(np.where(known, value, 0.0)), half) / counted
    return np.where(counted >= width / 3.0, mean, np.nan)


def early(interval: Float) -> Bool:
    """
    Premature beats: a short interval followed by a long one, or a short one out of an even row.

    Parameters
    ----------
    interval : ndarray, shape (n_beats,)
        From each foot to the next [s], NaN where unknown.

    Returns
    -------
    ndarray of bool, shape (n_beats,)
        True for the beat that came early.
    """
    before = np.concatenate([[np.nan], interval[:-1]])
    # The mean of two intervals is not changed by a premature beat between them and its pause: in bigeminy the
    # median interval would be the short one or the long one.
    middle = rolling_quantile(0.5 * (before + interval), 5, 0.5)
    with np.errstate(invalid="ignore"):
        short = before < (1.0 - OFF) * middle
        pause = interval > (1.0 + 0.5 * OFF) * middle
        return np.asarray(short & (pause | (before < 0.75 * middle)))


def restless(value: Float) -> Float:
    """
    Mean change from each value to the next, or to the next but one if that is less, in parts of the value.

    Parameters
    ----------
    value : ndarray, shape (n_beats,)
        Intervals or pulse pressures; NaN where unknown.

    Returns
    -------
    ndarray, shape (n_beats,)
        Over 31 beats. Small for a steady rhythm, for bigeminy and alternans, which repeat themselves every
        other beat, and for breathing; NaN where too little is known.
    """
    with np.errstate(invalid="ignore", divide="ignore"):
        size = np.log(np.where(value > 0, value, np.nan))

    def change(lag: int) -> Float:
        step = np.full(size.size, np.nan)
        step[lag:] = np.minimum(np.abs(size[lag:] - size[:-lag]), 1.0) if size.size > lag else np.nan
        return rolling_mean(step, HALF)

    return np.fmin(change(1), change(2))


def irregular(interval: Float, ectopic: Bool) -> Bool:
    """
    Rhythm without a pattern around each beat.

    Parameters
    ----------
    interval : ndarray, shape (n_beats,)
        From each foot to the next [s], NaN where unknown.
    ectopic : ndarray of bool, shape (n_beats,)
        Premature beats; their intervals are left out where they are few.

    Returns
    -------
    ndarray of bool, shape (n_beats,)
        True where, over 31 beats, at least a fifth of the intervals lie more than 15 % from the mean
        and successive intervals differ by more than 10 % (root mean square over mean), but not where the
        next but one differs by less than half of that, as in bigeminy.

    Notes
    -----
    The 15 % rule in a fifth of beats: Kabutoya et al., J Clin Hypertens 2017 (pulse rule of cuff
    monitors). The 10 % bound of normalised RMSSD: Dash et al. 2009, from memory. Ectopic beats, when at
    most a quarter of the beats, are left out first: interval-only detectors mistake ectopy for
    irregularity. Calls the rhythm irregular, not by a diagnosis.
    """
    drop = ectopic.copy()
    drop[:-1] |= ectopic[1:]
    few = rolling_mean(ectopic.astype(np.float64), HALF) <= 0.25
    kept = np.where(drop & few, np.nan, interval)
    mean = rolling_mean(kept, HALF)
    with np.errstate(invalid="ignore", divide="ignore"):
        away = np.where(np.isfinite(kept), np.abs(kept - mean) > OFF * mean, np.nan)
        step = np.diff(kept, append=np.nan)
        spread = np.sqrt(rolling_mean(step**2, HALF)) / mean
        # Two beats on, bigeminy repeats itself and a rhythm without a pattern does not.
        second = np.append(kept[2:] - kept[:-2], [np.nan, np.nan])[: kept.size]
        again = np.sqrt(rolling_mean(second**2, HALF)) / mean
        patternless = (spread > 0.10) & ~(again < 0.5 * spread)
        return np.asarray((rolling_mean(away.astype(np.float64), HALF) >= 0.20) & patternless)


def alternating(pressure: Float, interval: Float) -> Bool:
    """
    Strong and weak beats in turn at an even rate.

    Parameters
    ----------
    pressure : ndarray, shape (n_beats,)
        Pulse pressure [mmHg].
    interval : ndarray, shape (n_beats,)
        From each foot to the next [s].

    Returns
    -------
    ndarray of bool, shape (n_beats,)
        True where, over 31 beats, the part of the pulse pressure that alternates is at least 4 % of it,
        is three times its own standard error, nine beats in ten are the stronger or the weaker in their
        turn, and the intervals do not alternate by more than 5 %.

    Notes
    -----
    Regular alternation at constant cycle length is the textbook definition of pulsus alternans; the
    estimator and its bounds are our own. Even intervals are asked for so that bigeminy is not called
    alternans.
    """
    sign = 1.0 - 2.0 * (np.arange(pressure.size) % 2)

    def part(value: Float) -> tuple[Float, Float, Float, Float]:
        around = np.convolve(np.pad(value, 1, mode="edge"), [0.25, 0.5, 0.25], mode="valid")
        wobble = np.asarray(sign * (value - around), dtype=np.float64)
        mean = rolling_mean(wobble, HALF)
        spread = np.sqrt(np.maximum(rolling_mean(wobble**2, HALF) - mean**2, 0.0))
        one_way = np.abs(rolling_mean(np.sign(wobble), HALF))
        return np.abs(mean), spread / np.sqrt(2 * HALF + 1), rolling_mean(value, HALF), one_way

    if pressure.size < 3:
        return np.zeros(pressure.size, dtype=bool)
    size, error, usual, one_way = part(pressure)
    beat, _, mean_interval, _ = part(interval)
    with np.errstate(invalid="ignore"):
        # Half of the strong-to-weak difference is left after taking the local mean out.
        even = beat < 0.025 * mean_interval
        return np.asarray((size > 0.02 * usual) & (size > 3.0 * error) & (one_way > IN_TURN) & even)
