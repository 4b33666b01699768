"""The pressure wave itself, with the landmarks that were found and the stretches that were left out."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from hemoidx.errors import DataUnavailableError
from hemoidx.plot.decimate import thin
from hemoidx.plot.spans import draw_spans
from hemoidx.plot.style import LANDMARKS, PAPER, TRACE, axes_or_new, label_axes, legend
from hemoidx.plot.timeaxis import time_axis

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from hemoidx.analysis import Analysis

FloatArray = NDArray[np.floating]

# More beats than this in one picture and the marks hide the wave.
_MOST_MARKED_BEATS = 45


def samples(
    result: Analysis, start: float | None = None, stop: float | None = None
) -> tuple[FloatArray, FloatArray]:
    """
    Give times and pressures of a stretch of the analysed channel.

    Parameters
    ----------
    result : Analysis
        What `hemoidx.analyse` returned.
    start, stop : float, optional
        Ends of the stretch [s] from the start of the recording; the whole recording if left out.

    Returns
    -------
    seconds, pressure : ndarray, shape (n_samples,)
        Time [s] and pressure [mmHg], NaN in gaps.

    Raises
    ------
    DataUnavailableError
        If the analysis was opened from a folder and its recording is no longer where it was.
    """
    from hemoidx.recordings import axis_of

    if result.recording is None:
        raise DataUnavailableError(
            "the samples of this analysis are not at hand; load and analyse the recording again to see them"
        )
    channel = result.recording[result.channel]
    axis = axis_of(channel)
    first = 0 if start is None else axis.before(start)
    last = axis.size if stop is None else axis.before(stop, inclusive=True)
    positions = np.arange(first, max(last, first))
    return axis.seconds(positions), np.asarray(channel[first : max(last, first)].values)


def trace(
    result: Analysis,
    start: float | None = None,
    stop: float | None = None,
    *,
    ax: Axes | None = None,
    landmarks: bool | None = None,
    label_time: bool = True,
) -> Axes:
    """
    Draw a stretch of the pressure with its landmarks and spans.

    Parameters
    ----------
    result : Analysis
        What `hemoidx.analyse` returned.
    start, stop : float, optional
        Ends of the stretch [s] from the start of the recording; the whole recording if left out.
    ax : Axes, optional
        Where to draw; a new figure if left out.
    landmarks : bool, optional
        Mark foot, steepest rise, peak and notch of each beat. If left out they are marked while
        there is room for them.
    label_time : bool
        Write what the time axis shows beneath it.

    Returns
    -------
    Axes
        The axes drawn on; `ax.figure` is the figure. Pressure in mmHg, time in seconds.

    Raises
    ------
    DataUnavailableError
        If the samples of the recording are not at hand.

    Notes
    -----
    Long stretches are drawn as the envelope of minima and maxima, so that no peak is lost.
    """
    seconds, pressure = samples(result, start, stop)
    left = start if start is not None else float(seconds[0]) if seconds.size else 0.0
    right = stop if stop is not None else float(seconds[-1]) if seconds.size else 1.0
    ax = axes_or_new(ax)
    draw_spans(ax, result.spans, left, right)
    ax.plot(*thin(seconds, pressure), color=TRACE, linewidth=0.9, solid_joinstyle="round", zorder=2)
    onset = result.beats["onset_s"]
    n_shown = int(((onset >= left) & (onset <= right)).sum())
    if landmarks or (landmarks is None and n_shown <= _MOST_MARKED_BEATS):
        _mark(ax, result, seconds, pressure, left, right)
    time_axis(ax, left, right, label=label_time)
    label_axes(ax, y=f"{result.channel} (mmHg)")
    legend(ax, loc="upper left", bbox_to_anchor=(1.0, 1.0))
    return ax


def _mark(
    ax: Axes, result: Analysis, seconds: FloatArray, pressure: FloatArray, left: float, right: float
) -> None:
    """Put one shape at each landmark inside the stretch, at the height of the wave there."""
    for mark in LANDMARKS:
        at = result.beats[mark.column].to_numpy(dtype=float)
        at = at[(at >= left) & (at <= right)]
        if at.size and seconds.size:
            height = np.interp(at, seconds, pressure)
            ax.plot(
                at, height, linestyle="none", marker=mark.marker, markersize=5.5, markeredgewidth=1.3,
                color=mark.colour, markerfacecolor=mark.colour if mark.filled else PAPER,
                label=mark.label, zorder=3,
            )  # fmt: skip
