"""Respiratory cycles of a recording: from a channel of breathing, else from the beats themselves."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ..errors import InputError
from ..facts import mask
from ..samples import running_total
from .channel import BreathSignal, Read, breaths_of_channel
from .claim import (
    COVERED,
    FASTEST,
    GAIN,
    GAIN_PREMATURE,
    IRREGULAR,
    PREMATURE,
    Claims,
    claims,
    joined,
)
from .phase import Turns, turns
from .series import BeatSeries, Bool, Float, Int, carriers, share_around
from .spectrum import Spectrum, periodogram

#: Length and distance of the windows of the beats [s].
WINDOW_S, HOP_S = 48.0, 12.0
_RATE = np.arange(1.8, FASTEST + 2.0, 0.7)
#: Averaging kernel of the phase [breaths].
_KERNEL = (4.0, 10.0)
#: Breathing is unclear in a stretch of which breaths cover less than this part.
_COVERED_BY_BREATHS = 0.5
#: A channel is not believed when it shows less than this part of the breathing that the pressure shows.
_BESIDE_PRESSURE = 0.3


@dataclass(frozen=True)
class Breaths:
    """
    Respiratory cycles.

    Attributes
    ----------
    start_s, end_s : ndarray, shape (n_breaths,)
        Seconds from the start of the recording; in the order of time, each end at or before the next start.
        From a channel: where air begins to flow in. From the pressure: where its leading carrier, mostly
        pulse pressure, passes its mean upward; that is not the start of inspiration.
    inspiration_end_s : ndarray, shape (n_breaths,)
        End of inspiration [s], NaN where unknown: known only from a channel. From CO2 it is late by the time
        in which the dead space is washed out.
    rate : ndarray, shape (n_breaths,)
        60 / length [1/min].
    from_pressure : ndarray of bool, shape (n_breaths,)
        Breaths that were read off the pressure.
    source : str
        Where most of them come from: "respiration", "co2", "pressure" or "none".
    grid_s : ndarray, shape (n_windows,)
        Centres of the windows of the beats [s].
    slow_waves : ndarray of bool, shape (n_windows,)
        Waves of 0.03 to 0.12 Hz carry more power of pulse and pressure than breathing there.
    """

    start_s: Float
    end_s: Float
    inspiration_end_s: Float
    rate: Float
    from_pressure: Bool
    source: str
    grid_s: Float
    slow_waves: Bool

    def breath_of(self, onset_s: ArrayLike) -> tuple[NDArray[np.intp], Float]:
        """
        Find the breath in which each time lies.

        Parameters
        ----------
        onset_s : array_like, shape (n,)
            Times [s].

        Returns
        -------
        row : ndarray of int, shape (n,)
            Row of the breath, -1 outside all breaths.
        phase : ndarray, shape (n,)
            Place in the breath, 0 to below 1; NaN outside.
        """
        time = np.asarray(onset_s, dtype=np.float64)
        if not self.start_s.size:
            return np.full(time.shape, -1, dtype=np.intp), np.full(time.shape, np.nan)
        row = np.maximum(np.searchsorted(self.start_s, time, side="right") - 1, 0)
        inside = (time >= self.start_s[row]) & (time < self.end_s[row])
        phase = (time - self.start_s[row]) / (self.end_s[row] - self.start_s[row])
        return np.where(inside, row, -1), np.where(inside, phase, np.nan)

    def covered(self, start_s: ArrayLike, end_s: ArrayLike, of: Bool | None = None) -> Float:
        """Part of each stretch that breaths cover, 0 to 1; only those breaths that are marked by `of`."""
        start, end = np.asarray(start_s, dtype=np.float64), np.asarray(end_s, dtype=np.float64)
        keep = slice(None) if of is None else of
        first, last = self.start_s[keep], self.end_s[keep]
        if not first.size:
            return np.zeros(start.shape)
        edge = np.stack((first, last), axis=1).ravel()
        total = np.concatenate(([0.0], np.cumsum(last - first)))
        count = np.stack((total[:-1], total[1:]), axis=1).ravel()
        inside = np.interp(end, edge, count) - np.interp(start, edge, count)
        return np.asarray(inside / np.maximum(end - start, 1e-9))

    def facts_between(self, start_s: ArrayLike, end_s: ArrayLike) -> Int:
        """
        Facts about breathing in stretches of the recording.

        Parameters
        ----------
        start_s, end_s : array_like, shape (n,)
            Start and end of the stretches [s].

        Returns
        -------
        ndarray of int64, shape (n,)
            `breathing_unclear` where breaths cover less than half, `breathing_from_pressure` where most of
            what they cover was read off the pressure, `slow_waves` where that holds in most windows (in the
            nearest one, if the stretch holds none).
        """
        start, end = np.asarray(start_s, dtype=np.float64), np.asarray(end_s, dtype=np.float64)
        part = self.covered(start, end)
        by_pressure = self.covered(start, end, self.from_pressure)
        facts = np.where(part < _COVERED_BY_BREATHS, mask("breathing_unclear"), 0).astype(np.int64)
        facts |= np.where(by_pressure > 0.5 * part, mask("breathing_from_pressure"), 0)
        if self.grid_s.size:
            total = np.concatenate(([0], np.cumsum(self.slow_waves)))
            i0, i1 = np.searchsorted(self.grid_s, start), np.searchsorted(self.grid_s, end)
            step = self.grid_s[1] - self.grid_s[0] if self.grid_s.size > 1 else 1.0
            middle = np.round((0.5 * (start + end) - self.grid_s[0]) / step)
            nearest = np.clip(np.nan_to_num(middle), 0, self.grid_s.size - 1).astype(np.int64)
            most = 2 * (total[i1] - total[i0]) > (i1 - i0)
            slow = np.where(i1 > i0, most, self.slow_waves[nearest])
            facts |= np.where(slow, mask("slow_waves"), 0)
        return facts


def read(beats: BeatSeries, duration_s: float, signals: Sequence[BreathSignal] = ()) -> Breaths:
    """
    Find the respiratory cycles of a recording.

    Parameters
    ----------
    beats : BeatSeries
        Table of the beats, see `beat_series`.
    duration_s : float
        Length of the recording [s].
    signals : sequence of BreathSignal
        Channels of breathing, if there are any. The one that shows most breathing is read; where it has no
        samples, or none shows as much as the pressure, the beats are.

    Returns
    -------
    Breaths
        Only what stands out: no breath is given where breathing is unclear, held, or cannot be told from
        slow waves. From the pressure rates of 7.6 to 45/min and below 0.45 of the heart rate are claimed,
        from a channel 4 to 70/min.

    Raises
    ------
    InputError
        If the length is not a positive number.

    Notes
    -----
    From the beats: pulse, diastolic and mean pressure and interval are fitted jointly by a wave of each rate
    in windows of 48 s at the true times of the beats (see `periodogram`); a rate is claimed that adds enough
    likelihood, has no rival, no alias (heart rate less breathing rate) as likely, and recurs in the next
    window. The phase of that wave is then followed along the recording (see `turns`). In an irregular rhythm
    nothing is claimed.

    What beats cannot tell: breathing faster than half the heart rate shows as heart rate less breathing rate.
    Up to 33/min that is looked for, so that at heart rates below about 63/min quicker breathing goes unclear;
    someone who breathes at 44/min with a heart rate of 70 is read as breathing at 26. Waves of vessel tone
    quicker than 0.13 Hz that move the pulse pressure are read as slow breathing. Where breathing stops, the
    last breath before and the first one after may be off by part of a breath.

    Examples
    --------
    >>> import numpy as np
    >>> t = np.arange(0.0, 120.0, 0.8)
    >>> wave = np.sin(2 * np.pi * t / 4.0)
    >>> found = read(beat_series(t, np.full(t.size, 0.8), 120 + 3 * wave, 80 + wave, 95 + wave), 120.0)
    >>> found.source, bool(np.allclose(found.rate, 15.0, atol=0.5))
    ('pressure', True)
    """
    if not (np.isfinite(duration_s) and duration_s > 0):
        raise InputError(f"breaths: the length of the recording must be positive, got {duration_s}")
    at, slow, own, heart = _of_beats(beats, duration_s)
    best: tuple[float, BreathSignal, Read] | None = None
    for signal in signals:
        found = breaths_of_channel(signal, duration_s, heart)
        seconds = float(np.sum(found.end - found.start))
        if best is None or seconds > best[0]:
            best = (seconds, signal, found)
    by_beats = float(np.sum(own.end - own.start))
    if best is None or best[0] < max(_BESIDE_PRESSURE * by_beats, 1e-9):
        unknown = np.full(own.start.size, np.nan)
        source = "pressure" if own.start.size else "none"
        pressure = np.ones(own.start.size, dtype=bool)
        rate = 60.0 / (own.end - own.start)
        return Breaths(own.start, own.end, unknown, rate, pressure, source, at, slow)
    return _merged(best[1].role, best[2], own, at, slow)


def _of_beats(beats: BeatSeries, duration_s: float) -> tuple[Float, Bool, Turns, tuple[Float, Float]]:
    """Windows and their slow waves, breaths read off the beats, heart rate of the windows."""
    of = carriers(beats)
    if not of.time_s.size:
        none = np.zeros(0)
        return none, np.zeros(0, dtype=bool), Turns(none, none), (np.zeros(1), np.full(1, np.nan))
    irregular, ectopic = running_total(beats.irregular), running_total(beats.ectopic)

    def looked(spectrum: Spectrum) -> Claims:
        centre = spectrum.centre_s
        reach = 0.25 * WINDOW_S
        unfit = share_around(beats.onset_s, irregular, centre, reach) > IRREGULAR
        premature = share_around(beats.onset_s, ectopic, centre, 2.0 * reach)
        unfit |= premature > PREMATURE
        unfit |= spectrum.covered < COVERED
        least = GAIN + GAIN_PREMATURE * premature
        return claims(spectrum, WINDOW_S, unfit, least, float(of.floor[3]))

    claimed = joined(map(looked, periodogram(of, duration_s, WINDOW_S, HOP_S, _RATE)))
    found = turns(of, claimed, duration_s, _KERNEL)
    return claimed.centre_s, claimed.slow, found, (claimed.centre_s, claimed.heart_rate)


def _merged(role: str, channel: Read, own: Turns, at: Float, slow: Bool) -> Breaths:
    """Breaths of the channel, and those of the pressure where the channel holds no samples."""
    lost = np.concatenate(([0], np.cumsum(~channel.known)))
    edge = np.searchsorted(channel.time, np.stack((own.start, own.end)))
    inside = (own.start >= channel.time[0]) & (own.end <= channel.time[-1])
    missing = lost[edge[1]] - lost[edge[0]] > 0.5 * np.maximum(edge[1] - edge[0], 1)
    fill = missing | ~inside
    # None that meets a breath of the channel.
    before = np.searchsorted(channel.start, own.end)
    fill &= before == np.searchsorted(channel.end, own.start, side="right")
    start = np.concatenate((channel.start, own.start[fill]))
    order = np.argsort(start, kind="stable")
    start, end = start[order], np.concatenate((channel.end, own.end[fill]))[order]
    unknown = np.full(int(fill.sum()), np.nan)
    from_pressure = np.arange(order.size)[order] >= channel.start.size
    turn = np.concatenate((channel.inspiration_end, unknown))[order]
    source = "pressure" if 2 * from_pressure.sum() > from_pressure.size else role
    return Breaths(start, end, turn, 60.0 / (end - start), from_pressure, source, at, slow)
