"""Zero: what the channel reads while the transducer is open to air, and how that changes.

Open to air the pressure is zero by definition, so whatever the channel reads there is its zero error. The
level at the start of an open stretch ("as found") tells about the pressures before it, the level at its end
("as left") about those after it; where the two differ in a step, somebody took a zero in between.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from hemoidx.errors import InputError

if TYPE_CHECKING:
    import pandas as pd

Float = NDArray[np.float64]
Int = NDArray[np.int64]
Bool = NDArray[np.bool_]

#: A sound transducer at a steady temperature, and the rounding of a display, leave this much [mmHg]: zero
#: drift of a typical bridge sensor over 15 to 35 C, from a test laboratory's note on IEC 60601-2-34 (2000).
ZERO_TOLERANCE = 0.5
# All of these are ours. A stretch is looked at in cells of this length [s].
_CELL_S = 0.2
# A cell is quiet if its range is at most this many times the usual one, or this large [mmHg].
_QUIET_BY, _QUIET_LEAST, _QUIET_MOST = 2.5, 1.0, 3.0
# A step between two levels: at least this [mmHg], in units of the recorder's step, of the noise of the cells;
# and this share of it within two cells, which a slope does not reach.
_CHANGE_LEAST, _CHANGE_STEPS, _CHANGE_NOISE, _CHANGE_SHARP = 0.5, 0.9, 6.0, 0.75
_WIDE, _NEAR = 5, 2
# A level is read from at least this much quiet time [s]; noise within a block of this length is one value.
_LEAST_S, _BLOCK_S = 0.5, 0.5
# Samples this far off the median [mmHg, robust standard deviations] are splashes.
_OFF_LEAST, _OFF_BY = 0.3, 4.0
# No zero is known better than this [mmHg].
_SE_LEAST = 0.01
# 95 % of a normal distribution.
_SURE = 1.96


@dataclass(frozen=True)
class ZeroReadings:
    """
    Levels read while the line was open to air, in order of time.

    Parameters
    ----------
    stretch : ndarray of int, shape (n,)
        Which open stretch the level belongs to; a stretch in which a zero was taken has two or more.
    start, stop : ndarray of int, shape (n,)
        Where the level holds [samples, half open]. Between two levels of a stretch, `start` of the second is
        the moment of the change.
    level, se : ndarray, shape (n,)
        Level and its standard error, rounding of the recorder included [mmHg].
    step : ndarray, shape (n,)
        Step of the recorder there [mmHg], 0 if unknown.
    zeroed : ndarray of bool, shape (n,)
        A zero was taken at `start`: the level moved in a step, and to zero.
    found, holds : ndarray of bool, shape (n,)
        First and last level of its stretch: as found, and as left. Only what holds tells of later pressures.
        A first level too short to be read is lost; the next one is not what was found.
    fs : float
        Sampling rate [Hz].
    first : int
        Sample number of position 0, for times.
    """

    stretch: Int
    start: Int
    stop: Int
    level: Float
    se: Float
    step: Float
    zeroed: Bool
    found: Bool
    holds: Bool
    fs: float
    first: int = 0

    def __len__(self) -> int:
        return int(self.level.size)

    @property
    def start_s(self) -> Float:
        """Start of each level [s]."""
        return np.asarray((self.first + self.start) / self.fs)

    @property
    def end_s(self) -> Float:
        """End of each level [s]."""
        return np.asarray((self.first + self.stop) / self.fs)

    @property
    def differs(self) -> Bool:
        """Whether each level is not zero, see `differs_from_zero`."""
        return differs_from_zero(self.level, self.se, self.step)

    @property
    def not_applied(self) -> Bool:
        """Whether the line was left with a zero that had been seen and was not applied."""
        return self.differs & self.holds

    def to_frame(self) -> pd.DataFrame:
        """Readings as a table: start_s, end_s, level, level_se, found, zeroed, holds, not_applied."""
        import pandas as pd

        columns: dict[str, Any] = {"start_s": self.start_s, "end_s": self.end_s}
        columns |= {"level": self.level, "level_se": self.se, "found": self.found}
        columns |= {"zeroed": self.zeroed, "holds": self.holds, "not_applied": self.not_applied}
        return pd.DataFrame(columns)

    def words(self) -> list[str]:
        """Say of each open stretch, in one sentence, what was found and left."""
        out = []
        for k in np.unique(self.stretch):
            rows = np.flatnonzero(self.stretch == k)
            a, b = rows[0], rows[-1]
            text = f"open to air at {self.start_s[a]:.1f} s: reads {_shown(self, a)}"
            if b > a:
                done = "zeroed" if self.zeroed[b] else "the level moved"
                text += f", {done} at {self.start_s[b]:.1f} s, then {_shown(self, b)}"
            if self.not_applied[b]:
                text += "; left without a zero"
            out.append(text)
        return out


def _shown(readings: ZeroReadings, row: int) -> str:
    return f"{round(float(readings.level[row]), 1) + 0.0:.1f} mmHg (standard error {readings.se[row]:.2f})"


def differs_from_zero(level: ArrayLike, se: ArrayLike, step: ArrayLike = 0.0) -> Bool:
    """
    Whether an open level is off zero by more than it can be by chance.

    Parameters
    ----------
    level, se : array_like
        Level and its standard error [mmHg].
    step : array_like
        Step of the recorder [mmHg], 0 if unknown.

    Returns
    -------
    ndarray of bool
        True beyond 1.96 standard errors and one step, or beyond 1.96 standard errors and `ZERO_TOLERANCE`
        where the steps are finer.

    Examples
    --------
    >>> differs_from_zero([8.4, 1.2, 0.4], 0.1, [1.2, 1.2, 0.0])
    array([ True, False, False])
    """
    allowed = np.maximum(step, ZERO_TOLERANCE) + _SURE * np.asarray(se)
    return np.asarray(np.abs(np.asarray(level)) > allowed)


def zero_readings(
    wave: NDArray[np.floating[Any]],
    fs: float,
    starts: ArrayLike,
    stops: ArrayLike,
    step: ArrayLike = 0.0,
    first: int = 0,
) -> ZeroReadings:
    """
    Read the zero error off stretches that were open to air.

    Parameters
    ----------
    wave : ndarray, shape (n_samples,)
        Pressure, NaN where missing [mmHg].
    fs : float
        Sampling rate [Hz].
    starts, stops : array_like of int, shape (n_stretches,)
        The stretches [samples, half open], in order, as the spans of the kind open_to_air.
    step : float or array_like, shape (n_stretches,)
        Step of the recorder [mmHg], 0 if unknown or fine.
    first : int
        Sample number of the first sample, so that times count from the start of the recording.

    Returns
    -------
    ZeroReadings
        One level for each stretch, more where it moved in a step; none for a stretch without half a second
        of quiet.

    Raises
    ------
    InputError
        If rate, steps or stretches are not usable.

    Notes
    -----
    Cells of 0.2 s with a large range (the opening of the tap, splashes, its closing) are left out together
    with their neighbours; the level is the mean of what remains, less what lies far off its median. Its
    standard error is that of means over half a second, with what the level moves between its first and
    last third (over the square root of 12), and the rounding that the noise does not average out. For
    Gaussian noise of standard deviation s and steps q that has the variance, summed over k,
    q^2 / (2 pi^2 k^2) exp(-4 pi^2 k^2 s^2 / q^2), which is q^2 / 12 without noise. Where no more than two
    codes occur, s cannot be told; the error is then at most |p - 1/2| q for a share p of one of them.

    References
    ----------
    .. [1] Widrow B, Kollar I. Quantization Noise. Cambridge University Press, 2008: moments of a quantised
       variable. Quoted from memory; the sum is checked by simulation.
    """
    a, b = np.asarray(starts, dtype=np.int64).ravel(), np.asarray(stops, dtype=np.int64).ravel()
    steps = (
        np.broadcast_to(np.asarray(step, dtype=np.float64), a.shape) if a.shape == b.shape else np.zeros(0)
    )
    _check(wave, fs, a, b, steps)
    rows = [
        (k, start + low, start + high, level, se, q, nth)
        for k, (start, stop, q) in enumerate(zip(a, b, steps, strict=True))
        for nth, low, high, level, se in _levels(np.asarray(wave[start:stop], dtype=np.float64), fs, float(q))
    ]
    table = np.array(rows, dtype=np.float64).reshape(-1, 7)
    stretch, start, stop = (table[:, j].astype(np.int64) for j in range(3))
    level, se, q = table[:, 3], table[:, 4], table[:, 5]
    found = table[:, 6] == 0
    holds = np.concatenate([stretch[1:] != stretch[:-1], [True]])[: stretch.size]
    zeroed = np.zeros(level.size, dtype=bool)
    follows = np.flatnonzero(stretch[1:] == stretch[:-1]) + 1
    # Taken: the level went to zero, and by more than rounding or chance can do.
    moved = differs_from_zero(
        level[follows] - level[follows - 1], np.hypot(se[follows], se[follows - 1]), q[follows]
    )
    zeroed[follows] = moved & ~differs_from_zero(level[follows], se[follows], q[follows])
    return ZeroReadings(stretch, start, stop, level, se, q, zeroed, found, holds, float(fs), int(first))


def _check(wave: NDArray[np.floating[Any]], fs: float, a: Int, b: Int, steps: Float) -> None:
    if wave.ndim != 1 or not (np.isfinite(fs) and fs > 0):
        raise InputError(f"zero: needs a wave of one dimension and a rate above 0, got {wave.ndim} and {fs}")
    if a.shape != b.shape:
        raise InputError(f"zero: {a.size} starts and {b.size} stops; each open stretch needs both")
    if not (np.isfinite(steps).all() and (steps >= 0).all()):
        raise InputError("zero: the step of the recorder must be 0 (unknown) or above")
    bad = np.flatnonzero((a < 0) | (b > wave.size) | (b <= a))
    if bad.size:
        raise InputError(
            f"zero: stretch {a[bad[0]]} to {b[bad[0]]} is empty or outside of the {wave.size} samples"
        )
    if (np.diff(a) < 0).any() or (a[1:] < b[:-1]).any():
        raise InputError("zero: the open stretches must be in order of time and must not overlap")


def _levels(x: Float, fs: float, step: float) -> list[tuple[int, int, int, float, float]]:
    """Levels in one open stretch: which, start, stop, level and standard error of each."""
    width = max(4, round(_CELL_S * fs))
    count = x.size // width
    if count < 1:
        return []
    cells = x[: count * width].reshape(count, width)
    spread = cells.max(axis=1) - cells.min(axis=1)
    known = np.isfinite(spread)
    if not known.any():
        return []
    usual = min(_QUIET_BY * float(np.quantile(spread[known], 0.3)), _QUIET_MOST)
    loud = ~(spread <= max(usual, _QUIET_LEAST, _QUIET_BY * step))
    quiet = ~loud
    quiet[1:] &= ~loud[:-1]
    quiet[:-1] &= ~loud[1:]
    at = np.flatnonzero(quiet)
    edges = [0, *(_moment(x, cells, at, k) for k in _changes(cells[at].mean(axis=1), step)), x.size]
    used = np.zeros(x.size, dtype=bool)
    used[: count * width] = np.repeat(quiet, width)
    out = []
    for nth, (low, high) in enumerate(pairwise(edges)):
        place = low + np.flatnonzero(used[low:high])
        place = place[_near_median(x[place], step)] if place.size else place
        if place.size < max(2, _LEAST_S * fs):
            continue
        start = low if low else int(place[0])
        stop = high if high < x.size else int(place[-1]) + 1
        y = x[place]
        out.append((nth, start, stop, float(y.mean()), _standard_error(y, fs, step)))
    return out


def _changes(mean: Float, step: float) -> list[int]:
    """Cells at which the level moves in a step, not along a slope."""
    n = mean.size
    if n < 2 * _NEAR:
        return []
    total = np.concatenate([[0.0], np.cumsum(mean)])
    k = np.arange(_NEAR, n - _NEAR + 1)

    def contrast(half: int) -> Float:
        low, high = np.maximum(k - half, 0), np.minimum(k + half, n)
        return np.asarray((total[high] - total[k]) / (high - k) - (total[k] - total[low]) / (k - low))

    wide, near = np.abs(contrast(_WIDE)), np.abs(contrast(_NEAR))
    noise = 1.4826 * float(np.median(np.abs(np.diff(mean)))) / np.sqrt(2.0)
    least = max(_CHANGE_LEAST, _CHANGE_STEPS * step, _CHANGE_NOISE * noise)
    strong = (wide >= least) & (near >= _CHANGE_SHARP * wide)
    found: list[int] = []
    for j in np.argsort(-near * strong, kind="stable")[: int(strong.sum())]:
        if all(abs(int(k[j]) - other) > _NEAR for other in found):
            found.append(int(k[j]))
    return sorted(found)


def _moment(x: Float, cells: Float, at: Int, k: int) -> int:
    """Sample at which the level before the `k`-th quiet cell gives way to the one after it."""
    width = cells.shape[1]
    before = float(np.median(cells[at[max(k - _WIDE, 0) : k]]))
    after = float(np.median(cells[at[k : k + _WIDE]]))
    low: int = int(at[k - 1]) * width
    part = x[low : (int(at[k]) + 1) * width]
    # The split with the least squares about both levels.
    cost = np.nan_to_num((part - before) ** 2 - (part - after) ** 2)
    return low + int(np.argmin(np.concatenate([[0.0], np.cumsum(cost)])))


def _near_median(y: Float, step: float) -> Bool:
    off = np.abs(y - np.median(y))
    robust = 1.4826 * float(np.median(off))
    return np.asarray(off <= max(_OFF_LEAST, 1.5 * step, _OFF_BY * robust))


def _standard_error(y: Float, fs: float, step: float) -> float:
    block = max(1, round(_BLOCK_S * fs))
    count = y.size // block
    alone = float(y.std(ddof=1)) / np.sqrt(y.size)
    if count >= 3:
        means = y[: count * block].reshape(count, block).mean(axis=1)
        random = max(alone, float(means.std(ddof=1)) / np.sqrt(count))
    else:
        # Too short to see how the noise hangs together: a block counts as one value.
        random = alone * np.sqrt(block)
    # A level that wanders, or moves by less than can be told from a step, is no better known than that.
    third = max(1, y.size // 3)
    wander = abs(float(y[-third:].mean() - y[:third].mean())) / np.sqrt(12.0)
    return max(math.sqrt(random**2 + wander**2 + _rounding(y, step) ** 2), _SE_LEAST)


def _rounding(y: Float, step: float) -> float:
    """Standard deviation of the rounding error of a mean, see `zero_readings` [mmHg]."""
    if step <= 0:
        return 0.0
    _, times = np.unique(np.rint((y - y.min()) / step), return_counts=True)
    if times.size <= 2:
        return step * abs(float(times.max()) / y.size - 0.5) / math.sqrt(3.0)
    noise = max(float(y.var()) / step**2 - 1.0 / 12.0, 0.0)
    k2 = np.arange(1, 51, dtype=np.float64) ** 2
    left = float(np.sum(np.exp(-4.0 * np.pi**2 * k2 * noise) / (2.0 * np.pi**2 * k2)))
    return step * math.sqrt(left)
