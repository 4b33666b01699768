"""Find the release of a flush and the stretch of wave that it can be measured on."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Float = NDArray[np.float64]
Int = NDArray[np.int64]
Bool = NDArray[np.bool_]

#: Ringing is followed for this long [s]; less than the shortest and there is nothing to measure.
FOLLOWED_S = 1.2
SHORTEST_S = 0.15
#: Plateau that is looked at before the release [s].
PLATEAU_S = 0.08
#: A flush that ends lets the pressure fall at least so far [mmHg].
LEAST_FALL = 30.0


@dataclass(frozen=True, slots=True)
class Stretch:
    """
    Samples around one release.

    Attributes
    ----------
    first : int
        Sample number of the first of them.
    release : int
        Sample number of the last one that still belongs to the plateau.
    value : ndarray, shape (n,)
        Pressure [mmHg].
    usable : ndarray of bool, shape (n,)
        False where the sample is missing or lies at a rail.
    drop : float
        Fall from plateau to the lowest point after it [mmHg].
    clipped : bool
        Whether the plateau lies at the rail, so that its level is unknown.
    """

    first: int
    release: int
    value: Float
    usable: Bool
    drop: float
    clipped: bool

    def time(self, fs: float) -> Float:
        """Times from the last sample of the plateau [s]."""
        return np.asarray((np.arange(self.value.size) + self.first - self.release) / fs)


def at_rails(wave: NDArray[np.floating], rails: tuple[float | None, float | None], step: float) -> Bool:
    """
    Samples that lie at a rail and so tell only that the pressure was beyond it.

    Where no rails are known, the highest value counts as one if it is held for three samples on end.
    """
    low, high = rails
    margin = max(0.25 * step, 1e-3)
    out = np.zeros(wave.size, dtype=bool)
    if low is not None:
        out |= wave <= low + margin
    if high is not None:
        out |= wave >= high - margin
    elif wave.size > 2 and np.isfinite(wave).any():
        top = wave >= np.nanmax(wave) - 1e-6
        held = top[:-2] & top[1:-1] & top[2:]
        for k in range(3):
            out[k : out.size - 2 + k] |= held
    return out


def find_stretch(
    wave: NDArray[np.floating],
    fs: float,
    flush: tuple[int, int],
    until: int,
    rails: tuple[float | None, float | None],
    step: float,
) -> Stretch | str:
    """
    Find the release of a flush and the samples to measure it on.

    Parameters
    ----------
    wave : ndarray, shape (n_samples,)
        Pressure, NaN where missing [mmHg].
    fs : float
        Sampling rate [Hz].
    flush : tuple of int
        Start and stop of the flush [samples]; the stop may be off by half a second.
    until : int
        First sample that belongs to something else, such as the next flush.
    rails : tuple
        Lowest and highest value that can be recorded [mmHg], None where unknown.
    step : float
        Quantisation step [mmHg], 0 if fine.

    Returns
    -------
    Stretch or str
        The samples, or in words why there is nothing to measure.

    Notes
    -----
    The release is the last sample before the steepest fall that still lies within a thirtieth of the fall of
    the plateau. It is only where the search of the fit begins.
    """
    start, stop = flush
    half = round(0.5 * fs)
    a, b = max(start, stop - 2 * half, 0), min(stop + half, until, wave.size)
    part = np.asarray(wave[a:b], dtype=np.float64)
    lag = max(1, round(0.016 * fs))
    if part.size <= lag + 2:
        return "the recording ends before the release"
    fall = part[:-lag] - part[lag:]
    if not np.isfinite(fall).any():
        return "samples are missing around the release"
    steepest = a + int(np.nanargmax(fall))
    end = min(steepest + round(FOLLOWED_S * fs), until, wave.size)
    piece = np.asarray(wave[steepest:end], dtype=np.float64)
    before = np.asarray(wave[max(a, steepest - round(0.1 * fs)) : steepest + 1], dtype=np.float64)
    known = piece[: round(0.4 * fs)]
    lowest = float(np.nanmin(known)) if np.isfinite(known).any() else np.nan
    top = float(np.nanmax(before)) if np.isfinite(before).any() else np.nan
    if not top - lowest >= LEAST_FALL:
        return "no release: the pressure does not fall from the level of the flush"
    high = before >= top - max((top - lowest) / 30.0, 2.5 * step)
    release = steepest - before.size + 1 + int(np.flatnonzero(high)[-1])
    missing = np.flatnonzero(~np.isfinite(wave[release:end]))
    if missing.size:
        end = release + int(missing[0])
    if end - release < max(SHORTEST_S * fs, 8):
        return "the recording is cut off right after the release"
    first = max(release - max(round(PLATEAU_S * fs), 4), start, 0)
    value = np.asarray(wave[first:end], dtype=np.float64)
    railed = at_rails(np.asarray(wave[start:end], dtype=np.float64), rails, step)[first - start :]
    usable = np.isfinite(value) & ~railed
    if np.sum(usable[release - first :]) < 8:
        return "nearly all samples after the release lie beyond the rails of the recorder"
    return Stretch(first, release, value, usable, top - lowest, bool(railed[release - first]))
