"""Irregularity of the pulse intervals, over windows; an irregular rhythm, not a diagnosis."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from ..blocks import Estimate, Float, Part, of_sums, rows_of, step, terms
from ..index import Index
from ..rules import REJECTED, Limit, Rule, When
from .ectopy import without_ectopy

LEAST_STEPS = 3
"""Steps from one interval to the next, or inner intervals, without which there is no number."""
LEAST_OF_WINDOW = 15
"""Beats that a window needs before its irregularity counts: our convention."""
OFF_SHARE = 0.15
"""An interval that leaves the mean of the window by this share counts as off it."""


def rmssd(duration: ArrayLike, window_of_beat: ArrayLike, n_windows: int) -> Estimate:
    """
    Root mean square of the changes from one pulse interval to the next.

    Parameters
    ----------
    duration : array_like, shape (n_beats,)
        Pulse interval, foot to foot [s]; NaN where it was not measured.
    window_of_beat : array_like of int, shape (n_beats,)
        Window of each beat, never falling; -1 in none.
    n_windows : int
        Number of windows.

    Returns
    -------
    Estimate
        RMSSD and its standard error [s], shape (n_windows,); NaN with fewer than three changes.

    Notes
    -----
    sqrt(mean((interval[i + 1] - interval[i])^2)). An error of the feet of standard deviation s adds
    sqrt(6) s in quadrature.

    Examples
    --------
    >>> row = np.tile([0.80, 0.81], 8)
    >>> rmssd(row, np.zeros(16, dtype=int), 1).value.round(3)
    array([0.01])
    """
    change = step(np.asarray(duration, dtype=np.float64), window_of_beat)
    return of_sums(
        terms(change**2), window_of_beat, n_windows, lambda n, s: np.sqrt(np.maximum(s / n, 0.0)), LEAST_STEPS
    )


def rmssd_over_mean(
    duration: ArrayLike, facts: ArrayLike, window_of_beat: ArrayLike, n_windows: int
) -> Estimate:
    """
    RMSSD over the mean interval, without the intervals before and after premature beats.

    Parameters
    ----------
    duration : array_like, shape (n_beats,)
        Pulse interval [s]; NaN where it was not measured.
    facts : array_like of int, shape (n_beats,)
        Facts of the beats; "ectopic" marks the premature ones.
    window_of_beat, n_windows
        As in `rmssd`.

    Returns
    -------
    Estimate
        Ratio and its standard error [1], shape (n_windows,); NaN with fewer than three changes.

    Notes
    -----
    Premature beats are left out where they are at most a quarter of the window: more of them are the
    rhythm. One that was not recognised still raises the value.
    """
    interval = without_ectopy(duration, facts, window_of_beat, n_windows)
    change = step(interval, window_of_beat)
    return of_sums(
        [*terms(change**2), *terms(interval)],
        window_of_beat,
        n_windows,
        lambda n, s, m, x: np.sqrt(np.maximum(s / n, 0.0)) / (x / m),
        LEAST_STEPS,
    )


def interval_cv(duration: ArrayLike, window_of_beat: ArrayLike, n_windows: int) -> Estimate:
    """
    Coefficient of variation of the pulse intervals.

    Parameters
    ----------
    duration, window_of_beat, n_windows
        As in `rmssd`.

    Returns
    -------
    Estimate
        Standard deviation (n - 1) over mean and its standard error [%], shape (n_windows,); NaN with fewer
        than three intervals.
    """
    interval = np.asarray(duration, dtype=np.float64)

    def ratio(n: Float, x: Float, xx: Float) -> Float:
        return 100.0 * np.sqrt(np.maximum(xx - x**2 / n, 0.0) / (n - 1.0)) / (x / n)

    return of_sums(terms(interval, interval**2), window_of_beat, n_windows, ratio, LEAST_STEPS)


def interval_off_share(duration: ArrayLike, window_of_beat: ArrayLike, n_windows: int) -> Estimate:
    """
    Share of the pulse intervals that lie 15 % or more off the mean of the window.

    Parameters
    ----------
    duration, window_of_beat, n_windows
        As in `rmssd`.

    Returns
    -------
    Estimate
        Share and its standard error [%], shape (n_windows,); NaN with fewer than three intervals.
    """
    interval = np.asarray(duration, dtype=np.float64)
    rows = rows_of(interval, window_of_beat, n_windows)
    known = np.isfinite(rows)
    with np.errstate(invalid="ignore", divide="ignore"):
        mean = np.where(known, rows, 0.0).sum(axis=1) / known.sum(axis=1)
        usual = np.append(mean, np.nan)[np.asarray(window_of_beat, dtype=np.intp)]
        off = np.where(np.isfinite(interval), np.abs(interval - usual) >= OFF_SHARE * usual, np.nan)
    return of_sums(terms(off), window_of_beat, n_windows, lambda n, x: 100.0 * x / n, LEAST_STEPS)


#: Too short a row of beats says nothing about its pattern.
ENOUGH = (
    Rule(
        REJECTED, When(column="beats", below=LEAST_OF_WINDOW), f"it holds fewer than {LEAST_OF_WINDOW} beats"
    ),
)
_ZHOU = (
    "Zhou X, Ding H, Wu W, Zhang Y. A real-time atrial fibrillation detection algorithm based on the "
    "instantaneous state of heart rate. PLoS One 2015;10:e0136544"
)
DASH = (
    "Dash S, Chon KH, Lu S, Raeder EA. Automatic real time detection of atrial fibrillation. Ann Biomed Eng "
    "2009;37:1701-1709. doi:10.1007/s10439-009-9740-z"
)
MISSING = "fewer than three successive intervals were measured"
USE = "atrial fibrillation"
_BY_ECTOPY = Limit(
    USE,
    "reads high",
    "premature beats make the intervals irregular too: detectors that see only intervals mistake them for it",
    When(facts=("ectopic",)),
    f"{_ZHOU} (specificity 98.4 % fell to 87.4 % among other arrhythmias)",
)
_PULSE = Limit(
    "irregularity of the electrical intervals",
    "either way",
    "the way from the valve to the cannula and the error of the foot change from beat to beat as well, and a "
    "beat too weak to reach the artery is not seen",
    source="common practice, no source: pulse deficit, error of the feet",
)
_SHORT = Limit(
    USE,
    "either way",
    "published bounds rest on 64 to 128 beats, and a window of 30 s holds a third to a half of that",
    source=DASH,
)
LIMITS = (_BY_ECTOPY, _PULSE, _SHORT)
INTERVALS = ("beats.duration", "window_of_beat", "n_windows")
SINUS = ("beats.duration", "beats.facts", "window_of_beat", "n_windows")
_NAMES = (
    "rmssd",
    "rmssd_over_mean",
    "interval_cv",
    "interval_off_share",
    "interval_entropy",
    "turning_point_ratio",
)


def others(name: str) -> tuple[str, ...]:
    """Other measures of the same intervals."""
    return tuple(other for other in _NAMES if other != name)


RMSSD = Index(
    name="rmssd",
    title="Root mean square of successive differences of the pulse interval",
    unit="s",
    level="window",
    family="rhythm",
    formula="sqrt(mean((interval[i + 1] - interval[i])^2))",
    inputs=INTERVALS,
    function=Part(rmssd),
    error_function=Part(rmssd, "se"),
    sources=("common practice, no source: definition of the root mean square of successive differences",),
    rules=ENOUGH,
    limits=LIMITS,
    column="rmssd_s",
    shared_inputs=others("rmssd"),
    missing=MISSING,
)

RMSSD_OVER_MEAN = Index(
    name="rmssd_over_mean",
    title="RMSSD over the mean pulse interval, premature beats left out",
    unit="1",
    level="window",
    family="rhythm",
    formula="rmssd / mean interval, without the intervals before and after premature beats where these are "
    "at most a quarter of the beats",
    inputs=SINUS,
    function=Part(rmssd_over_mean),
    error_function=Part(rmssd_over_mean, "se"),
    sources=(f"{DASH} (bound of 0.1 on 128 beats without ectopic ones, from memory)",),
    rules=ENOUGH,
    limits=LIMITS,
    shared_inputs=others("rmssd_over_mean"),
    missing=MISSING,
)

INTERVAL_CV = Index(
    name="interval_cv",
    title="Coefficient of variation of the pulse interval",
    unit="%",
    level="window",
    family="rhythm",
    formula="100 standard deviation (n - 1) / mean of the intervals",
    inputs=INTERVALS,
    function=Part(interval_cv),
    error_function=Part(interval_cv, "se"),
    sources=(
        "Tateno K, Glass L. Automatic detection of atrial fibrillation using the coefficient of variation "
        "and density histograms of RR and delta-RR intervals. Med Biol Eng Comput 2001;39:664-671",
    ),
    rules=ENOUGH,
    limits=(
        *LIMITS,
        Limit(
            USE,
            "reads high",
            "a slow change of rate within the window counts in full",
            source="common practice, no source",
        ),
    ),
    shared_inputs=others("interval_cv"),
    missing=MISSING,
)

INTERVAL_OFF_SHARE = Index(
    name="interval_off_share",
    title="Share of pulse intervals 15 % or more off their mean",
    unit="%",
    level="window",
    family="rhythm",
    formula="share of intervals with |interval - mean| >= 15 % of the mean of the window",
    inputs=INTERVALS,
    function=Part(interval_off_share),
    error_function=Part(interval_off_share, "se"),
    sources=("Kabutoya T and others. J Clin Hypertens 2017 (irregular where a fifth of the beats is off)",),
    rules=ENOUGH,
    limits=LIMITS,
    shared_inputs=others("interval_off_share"),
    missing=MISSING,
)

INDICES = (RMSSD, RMSSD_OVER_MEAN, INTERVAL_CV, INTERVAL_OFF_SHARE)
