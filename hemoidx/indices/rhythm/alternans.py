"""Alternans: strong and weak beats in turn, as a difference and as a line in the spectrum over beats."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from ..blocks import Estimate, Float, Int, Part, of_sums, terms
from ..index import Index
from ..rules import CAUTION, REJECTED, Limit, Rule, When, caution
from .ectopy import IRREGULAR, is_ectopic, without_ectopy

LEAST_IN_TURN = 6
"""Beats with both neighbours that an alternation needs: 8 in a row, of the 8 to 10 that textbooks ask for."""
SPECTRUM_BEATS = 64
"""Beats around the middle of a window over which the spectrum is taken (64 to 128 in the literature)."""
LEAST_KNOWN = 48
"""Of these, beats that must be known."""
NOISE_BAND = (0.33, 0.48)
"""Where the noise is read [cycles per beat]."""
EVEN_PERCENT = 5.0
"""Intervals that alternate by more make it bigeminy: long less short, over their mean [%]."""


def _runs(duration: Float, group: Int) -> Int:
    """Number of the unbroken row that each beat belongs to: one ends at a gap and with its window."""
    ends = ~np.isfinite(duration)
    opens = np.concatenate([[False], ends[:-1] | (np.diff(group) != 0)])[: group.size]
    return np.cumsum(opens).astype(np.intp)


def _in_turn(values: Float, duration: Float, group: Int) -> Float:
    """Half of what each beat stands out of its neighbours, in the sense of its row."""
    sign = 1.0 - 2.0 * (np.arange(values.size) % 2)
    out = np.full(values.size, np.nan)
    if values.size < 3:
        return out
    run = _runs(duration, group)
    whole = run[2:] == run[:-2]
    out[1:-1] = np.where(whole, (2.0 * values[1:-1] - values[:-2] - values[2:]) / 4.0, np.nan)
    out *= sign
    leaning = np.bincount(run, np.where(np.isfinite(out), out, 0.0))
    return np.asarray(out * np.where(leaning < 0, -1.0, 1.0)[run])


def _steady(value: ArrayLike, facts: ArrayLike) -> Float:
    """Values without premature beats and those right behind them."""
    early = is_ectopic(facts)
    behind = np.append(False, early[:-1])[: early.size]
    return np.where(early | behind, np.nan, np.asarray(value, dtype=np.float64))


def alternation(value: ArrayLike, duration: ArrayLike, window_of_beat: ArrayLike, n_windows: int) -> Estimate:
    """
    Strong less weak beats, where they come in turn.

    Parameters
    ----------
    value : array_like, shape (n_beats,)
        What alternates: pulse pressure or systolic pressure [mmHg], or the interval [s].
    duration : array_like, shape (n_beats,)
        Pulse interval [s]; NaN where it was not measured, so also before a gap: the turn is lost there.
    window_of_beat : array_like of int, shape (n_beats,)
        Window of each beat, never falling; -1 in none.
    n_windows : int
        Number of windows.

    Returns
    -------
    Estimate
        Difference and its standard error in the unit of the value, shape (n_windows,), at least 0; NaN with
        fewer than six beats that have both neighbours.

    Notes
    -----
    Twice the mean over beats of (-1)^i (2 x[i] - x[i - 1] - x[i + 1]) / 4, so that a steady change drops
    out. Being a size it cannot be less than nothing: noise of standard deviation s on n beats makes about
    s / sqrt(n) of it.

    Examples
    --------
    >>> beats = np.tile([50.0, 42.0], 8)
    >>> alternation(beats, np.ones(16), np.zeros(16, dtype=int), 1).value
    array([8.])
    """
    group = np.asarray(window_of_beat, dtype=np.intp)
    values, interval = (np.asarray(given, dtype=np.float64) for given in (value, duration))
    turn = _in_turn(values, interval, group)
    return of_sums(terms(turn), group, n_windows, lambda n, x: 2.0 * np.abs(x) / n, LEAST_IN_TURN)


def relative_alternation(
    value: ArrayLike, duration: ArrayLike, window_of_beat: ArrayLike, n_windows: int
) -> Estimate:
    """
    Strong less weak beats over their mean.

    Parameters
    ----------
    value, duration, window_of_beat, n_windows
        As in `alternation`.

    Returns
    -------
    Estimate
        Difference over mean and its standard error [%].
    """
    values, interval = (np.asarray(given, dtype=np.float64) for given in (value, duration))
    group = np.asarray(window_of_beat, dtype=np.intp)
    turn = _in_turn(values, interval, group)
    return of_sums(
        terms(turn, values), group, n_windows, lambda n, x, v: 200.0 * np.abs(x) / np.abs(v), LEAST_IN_TURN
    )


def sbp_alternation(
    sbp: ArrayLike, duration: ArrayLike, facts: ArrayLike, window_of_beat: ArrayLike, n_windows: int
) -> Estimate:
    """
    Systolic pressure of strong less that of weak beats [mmHg].

    Parameters
    ----------
    sbp, duration, facts : array_like, shape (n_beats,)
        Systolic pressure [mmHg], interval [s] and facts; premature beats and those behind them are left out.
    window_of_beat, n_windows
        As in `alternation`.

    Returns
    -------
    Estimate
        As `alternation`.
    """
    return alternation(_steady(sbp, facts), duration, window_of_beat, n_windows)


def pp_alternation(
    pp: ArrayLike, duration: ArrayLike, facts: ArrayLike, window_of_beat: ArrayLike, n_windows: int
) -> Estimate:
    """
    Pulse pressure of strong less that of weak beats, over their mean [%].

    Parameters
    ----------
    pp, duration, facts : array_like, shape (n_beats,)
        Pulse pressure [mmHg], interval [s] and facts; premature beats and those behind them are left out.
    window_of_beat, n_windows
        As in `alternation`.

    Returns
    -------
    Estimate
        As `relative_alternation`.
    """
    return relative_alternation(_steady(pp, facts), duration, window_of_beat, n_windows)


def interval_alternation(
    duration: ArrayLike, facts: ArrayLike, window_of_beat: ArrayLike, n_windows: int
) -> Estimate:
    """
    Long less short pulse intervals, where they come in turn, over their mean [%].

    Parameters
    ----------
    duration, facts : array_like, shape (n_beats,)
        Interval [s] and facts; the intervals at premature beats are left out where these are at most a
        quarter of the window, as more of them are what is looked for.
    window_of_beat, n_windows
        As in `alternation`.

    Returns
    -------
    Estimate
        As `relative_alternation`.
    """
    interval = without_ectopy(duration, facts, window_of_beat, n_windows)
    return relative_alternation(interval, duration, window_of_beat, n_windows)


class HalfCycle(NamedTuple):
    """
    Spectrum over beats at half a cycle per beat.

    Attributes
    ----------
    size, k : ndarray, shape (...)
        Size of the Fourier sum there, n a for n beats that lie a above and below their mean in turn; power
        there less the mean power of the noise band, in standard deviations of the latter.
    """

    size: Float
    k: Float


def half_cycle(rows: ArrayLike) -> HalfCycle:
    """
    Compare the spectrum at half a cycle per beat with the noise beside it.

    Parameters
    ----------
    rows : array_like, shape (..., n_beats)
        Values of consecutive beats, an even number; NaN where a beat is not known.

    Returns
    -------
    HalfCycle
        Of each row.

    Notes
    -----
    The mean and a straight line are taken out before; an unknown beat then counts as 0. The noise band is
    0.33 to 0.48 cycles per beat. Of white noise k is above 3 in 7.5 % of rows of 64 (20,000 drawn): at
    half a cycle the sum is real, and its power scatters more than that of its neighbours.

    References
    ----------
    .. [1] Rosenbaum DS and others. Electrical alternans and vulnerability to ventricular arrhythmias. N Engl
       J Med 1994;330:235-241 (the k score and k > 3: from memory).
    """
    values = np.asarray(rows, dtype=np.float64)
    n = values.shape[-1]
    known = np.isfinite(values)
    filled = np.where(known, values, 0.0)
    count = known.sum(axis=-1, keepdims=True)
    lever = np.where(known, np.arange(n, dtype=np.float64), 0.0)
    with np.errstate(invalid="ignore", divide="ignore"):
        mean = filled.sum(axis=-1, keepdims=True) / count
        middle = lever.sum(axis=-1, keepdims=True) / count
        lever = np.where(known, lever - middle, 0.0)
        rest = np.where(known, filled - mean, 0.0)
        weight = np.sum(lever**2, axis=-1, keepdims=True)
        # Alternation itself leans on the line a little: over n beats by 3 / n of its size.
        slope = np.sum(lever * _two_beat_mean(rest, known), axis=-1, keepdims=True) / weight
        spectrum = np.fft.rfft(rest - np.where(weight > 0, slope, 0.0) * lever, axis=-1)
        power = np.abs(spectrum) ** 2
        at = np.arange(power.shape[-1]) / n
        noise = power[..., (at >= NOISE_BAND[0]) & (at <= NOISE_BAND[1])]
        usual = noise.sum(axis=-1, keepdims=True) / noise.shape[-1]
        spread = np.sqrt(np.sum((noise - usual) ** 2, axis=-1) / (noise.shape[-1] - 1.0))
        k = (power[..., -1] - usual[..., 0]) / spread
    return HalfCycle(np.abs(spectrum[..., -1]), k)


def _two_beat_mean(rest: Float, known: np.ndarray) -> Float:
    """Mean of each beat and its neighbours, weighted 1, 2, 1, so that beats in turn do not tilt the line."""
    padded = np.concatenate([rest[..., 1:2], rest, rest[..., -2:-1]], axis=-1)
    return np.where(known, 0.25 * padded[..., :-2] + 0.5 * rest + 0.25 * padded[..., 2:], 0.0)


def alternans_k(
    pp: ArrayLike, duration: ArrayLike, facts: ArrayLike, window_of_beat: ArrayLike, n_windows: int
) -> Float:
    """
    How far alternation of the pulse pressure stands out of the noise beside it, over 64 beats.

    Parameters
    ----------
    pp, duration, facts, window_of_beat, n_windows
        As in `pp_alternation`.

    Returns
    -------
    ndarray, shape (n_windows,)
        k [1] of the 64 beats around the middle beat of each window, in one row without a gap; NaN where
        fewer than 48 of them are known.
    """
    values = _steady(pp, facts)
    group = np.asarray(window_of_beat, dtype=np.intp)
    run = _runs(np.asarray(duration, dtype=np.float64), np.zeros_like(group))
    inside = np.flatnonzero(group >= 0)
    count = np.bincount(group[inside], minlength=n_windows)
    if not inside.size:
        return np.full(n_windows, np.nan)
    first = np.searchsorted(group[inside], np.arange(n_windows))
    middle = inside[np.minimum(first + count // 2, inside.size - 1)]
    place = middle[:, None] + np.arange(-SPECTRUM_BEATS // 2, SPECTRUM_BEATS // 2)
    there = (place >= 0) & (place < values.size)
    place = np.clip(place, 0, values.size - 1)
    rows = np.where(there & (run[place] == run[middle][:, None]), values[place], np.nan)
    enough = (np.isfinite(rows).sum(axis=1) >= LEAST_KNOWN) & (count > 0)
    return np.where(enough, half_cycle(rows).k, np.nan)


_DEFINITION = (
    "Harrison's Principles of Internal Medicine, chapter 267 (definition, from study cards); estimator ours"
)
_SPECTRAL = (
    "Rosenbaum DS and others. Electrical alternans and vulnerability to ventricular arrhythmias. N Engl J "
    "Med 1994;330:235-241 (k score, from memory)"
)
_NOT_ALTERNANS = (
    Rule(
        REJECTED,
        When(column="interval_alternation", above=EVEN_PERCENT),
        f"the intervals alternate too, by more than {EVEN_PERCENT:g} %, as in bigeminy",
    ),
    # Breaths read off the pressure may be the alternation itself: no reason to reject.
    Rule(
        CAUTION,
        When(column="beats_per_breath", above=1.8, below=2.2),
        "a breath lasts about two beats: breathing and alternation cannot be told apart",
    ),
    Rule(
        CAUTION,
        When(facts=("breathing_unclear",)),
        "breathing at half the pulse rate would look the same, and its rate is not known",
    ),
    *caution("mechanical_support"),
)
_USE = "pulsus alternans"
_LIMITS = (
    Limit(
        _USE,
        "reads high",
        "breathing at half the pulse rate, and counter-pulsation at every other beat, look the same",
        source="follows from sampling once a beat; common practice, no source",
    ),
    Limit(
        "systolic dysfunction of the left ventricle",
        "says nothing",
        "most such ventricles do not show it at rest: 7 of 35 patients with dilated cardiomyopathy did",
        source="Kodama M and others. Mechanical alternans in patients with chronic heart failure. 2001, "
        "abstract 11420765 (authors and title from memory)",
    ),
)
_NONE = "fewer than eight beats without premature ones stood in a row"
_WINDOW = ("window_of_beat", "n_windows")

INTERVAL_ALTERNATION = Index(
    name="interval_alternation",
    title="Alternation of the pulse interval",
    unit="%",
    level="window",
    family="rhythm",
    formula="long less short intervals in turn, over their mean; single premature beats left out",
    inputs=("beats.duration", "beats.facts", *_WINDOW),
    function=Part(interval_alternation),
    error_function=Part(interval_alternation, "se"),
    sources=("common practice, no source: tells bigeminy from alternans",),
    rules=(Rule(CAUTION, When(facts=("irregular_rhythm",)), "in an irregular rhythm some of it is chance"),),
    missing="fewer than eight beats stood in a row",
)

PP_ALTERNATION = Index(
    name="pp_alternation",
    title="Alternation of the pulse pressure",
    unit="%",
    level="window",
    family="rhythm",
    formula="pulse pressure of strong less that of weak beats in turn, over their mean",
    inputs=("beats.pp", "beats.duration", "beats.facts", *_WINDOW),
    function=Part(pp_alternation),
    error_function=Part(pp_alternation, "se"),
    sources=(_DEFINITION,),
    rules=IRREGULAR + _NOT_ALTERNANS,
    limits=_LIMITS,
    shared_inputs=("sbp_alternation", "alternans_k"),
    harmed_by=("line",),
    missing=_NONE,
)

SBP_ALTERNATION = Index(
    name="sbp_alternation",
    title="Alternation of the systolic pressure",
    unit="mmHg",
    level="window",
    family="rhythm",
    formula="systolic pressure of strong less that of weak beats in turn",
    inputs=("beats.sbp", "beats.duration", "beats.facts", *_WINDOW),
    function=Part(sbp_alternation),
    error_function=Part(sbp_alternation, "se"),
    sources=(_DEFINITION,),
    rules=IRREGULAR + _NOT_ALTERNANS,
    limits=_LIMITS,
    shared_inputs=("pp_alternation", "alternans_k"),
    harmed_by=("gain", "line"),
    missing=_NONE,
)

ALTERNANS_K = Index(
    name="alternans_k",
    title="Alternation of the pulse pressure against noise (k score)",
    unit="1",
    level="window",
    family="rhythm",
    formula="(power at 0.5 cycles per beat - mean power) / standard deviation of power from 0.33 to 0.48 "
    "cycles per beat, over 64 beats around the middle of the window",
    inputs=("beats.pp", "beats.duration", "beats.facts", *_WINDOW),
    function=alternans_k,
    sources=(_SPECTRAL,),
    rules=IRREGULAR + _NOT_ALTERNANS,
    limits=_LIMITS,
    shared_inputs=("pp_alternation", "sbp_alternation"),
    missing="fewer than 48 of the 64 beats around its middle were known, or a gap lay among them",
)

INDICES = (INTERVAL_ALTERNATION, PP_ALTERNATION, SBP_ALTERNATION, ALTERNANS_K)
