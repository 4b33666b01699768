"""Many beats laid over each other at their feet: one look at shape, notch and ringing."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from hemoidx.plot.style import INK, TRACE, axes_or_new, label_axes, legend
from hemoidx.plot.wave import samples

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from hemoidx.analysis import Analysis

FloatArray = NDArray[np.floating]

_LEAD_S = 0.08
_MOST_BEATS = 400
_MOST_THIN_LINES = 60


def aligned_beats(
    seconds: FloatArray, pressure: FloatArray, onset: FloatArray, end: FloatArray, lead: float = _LEAD_S
) -> tuple[FloatArray, FloatArray]:
    """
    Cut beats out of a wave and align them at their feet.

    Parameters
    ----------
    seconds, pressure : ndarray, shape (n_samples,)
        Time [s] and pressure [mmHg].
    onset, end : ndarray, shape (n_beats,)
        Foot of each beat and of the next [s]; beats without an end are left out.
    lead : float
        How much is shown before the foot [s].

    Returns
    -------
    offset : ndarray, shape (n_points,)
        Time from the foot [s].
    beats : ndarray, shape (n_beats_with_end, n_points)
        Pressure [mmHg], interpolated between samples; NaN after the end of the beat and outside the wave.
    """
    whole = np.isfinite(onset) & np.isfinite(end)
    onset, end = onset[whole], end[whole]
    if not onset.size or seconds.size < 2:
        return np.empty(0), np.empty((0, 0))
    step = float(seconds[1] - seconds[0])
    # The longest pause would stretch the picture for everybody; 95 % of the beats are shown whole.
    offset = np.arange(-lead, float(np.quantile(end - onset, 0.95)) + step, step)
    at = onset[:, None] + offset
    values = np.interp(at.ravel(), seconds, pressure, left=np.nan, right=np.nan).reshape(at.shape)
    values[at > end[:, None]] = np.nan
    return offset, values


def beat_overlay(
    result: Analysis, start: float | None = None, stop: float | None = None, *, ax: Axes | None = None
) -> Axes:
    """
    Lay beats over each other, aligned at the foot, with their median.

    Parameters
    ----------
    result : Analysis
        What `hemoidx.analyse` returned.
    start, stop : float, optional
        Stretch the beats are taken from [s]; the whole recording if left out.
    ax : Axes, optional
        Where to draw; a new figure if left out.

    Returns
    -------
    Axes
        The axes drawn on: single beats thin, the median of them heavy, the middle 80 % shaded.

    Raises
    ------
    DataUnavailableError
        If the samples of the recording are not at hand.

    Notes
    -----
    At most 400 beats, evenly spread over the stretch. Beats of quality below 0.5 are not shown.
    """
    beats = result.beats
    keep = beats["end_s"].notna() & (beats["quality"] >= 0.5)
    if start is not None:
        keep &= beats["onset_s"] >= start
    if stop is not None:
        keep &= beats["end_s"] <= stop
    chosen = beats[keep]
    chosen = chosen.iloc[
        np.unique(np.linspace(0, len(chosen) - 1, min(len(chosen), _MOST_BEATS)).astype(int))
    ]
    seconds, pressure = samples(result, start, stop)
    offset, values = aligned_beats(
        seconds, pressure, chosen["onset_s"].to_numpy(dtype=float), chosen["end_s"].to_numpy(dtype=float)
    )
    ax = axes_or_new(ax, width=4.6, height=3.6)
    if len(values):
        _draw(ax, offset, values)
    else:
        ax.text(0.5, 0.5, "no whole beat to show", transform=ax.transAxes, ha="center", fontsize=9, color=INK)
    label_axes(ax, x="time from the foot (s)", y="mmHg", title=f"{len(values)} beats, aligned at the foot")
    return ax


def _draw(ax: Axes, offset: FloatArray, values: FloatArray) -> None:
    from matplotlib.collections import LineCollection

    every = max(1, -(-len(values) // _MOST_THIN_LINES))
    lines = [np.column_stack([offset, beat])[np.isfinite(beat)] for beat in values[::every]]
    ax.add_collection(LineCollection(lines, colors=TRACE, linewidths=0.5, alpha=0.25, zorder=2))
    # Late columns hold few beats; a median of a handful would wander.
    enough = np.isfinite(values).sum(axis=0) >= max(1, 0.3 * len(values))
    shown = values[:, enough]
    low, middle, high = np.nanquantile(shown, [0.1, 0.5, 0.9], axis=0)
    ax.fill_between(
        offset[enough], low, high, color=TRACE, alpha=0.15, linewidth=0, label="middle 80 %", zorder=1
    )
    ax.plot(offset[enough], middle, color=INK, linewidth=2, label="median", zorder=3)
    # One disturbed beat must not press all others flat.
    bottom, top = np.nanquantile(shown, [0.002, 0.998])
    room = 0.08 * max(float(top - bottom), 1.0)
    ax.set_xlim(float(offset[0]), float(offset[-1]))
    ax.set_ylim(float(bottom) - room, float(top) + 2 * room)
    legend(ax, loc="upper right")
