"""The time coordinate: first sample, step and rate instead of an array of seconds.

Time is counted in samples and turned into seconds only when somebody looks: value i of the
coordinate is (first + i * step) / fs, rounded once, however often the recording was cut.
"""

from __future__ import annotations

import math
from collections.abc import Hashable, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
import xarray as xr
from numpy.typing import NDArray
from xarray.core.indexing import IndexSelResult
from xarray.indexes import CoordinateTransform, CoordinateTransformIndex, Index, PandasIndex

from hemoidx.errors import InputError

_ATTRS = {"units": "s", "long_name": "time from the start of the recording"}


@dataclass(frozen=True)
class Axis:
    """
    An evenly sampled time axis.

    Parameters
    ----------
    first : int
        Number of the first sample, counted from the start of the recording.
    step : int
        Samples from one value to the next; 1 unless the data were thinned, negative if reversed.
    fs : float
        Sampling rate [Hz] to which `first` and `step` refer.
    size : int
        Number of values.
    """

    first: int
    step: int
    fs: float
    size: int

    def seconds(self, position: NDArray[Any] | int | float | None = None) -> Any:
        """
        Time of positions on the axis.

        Parameters
        ----------
        position : array_like, optional
            Positions from 0; fractions are allowed. All of them if left out.

        Returns
        -------
        ndarray or float
            Time from the start of the recording [s].
        """
        at = np.arange(self.size) if position is None else position
        return (self.first + np.multiply(at, self.step)) / self.fs

    def before(self, time: float, *, inclusive: bool = False) -> int:
        """
        Count the values in front of a time.

        Parameters
        ----------
        time : float
            Time from the start of the recording [s].
        inclusive : bool
            Whether a value equal to `time` is counted too.

        Returns
        -------
        int
            Number of values of the axis that lie before `time` in its own direction. The rounded
            seconds themselves are compared, so a time read off the axis always finds its sample.
        """
        if math.isnan(time):
            raise InputError("time is not a number; give seconds from the start of the recording")
        sign = 1 if self.step > 0 else -1
        # One division and one product may be off by an ulp or two: look at the neighbours.
        ideal = (time * self.fs - self.first) / self.step
        k = max(math.floor(min(max(ideal, 0.0), float(self.size))) - 2, 0)
        while k < self.size:
            value = sign * float(self.seconds(k))
            if value > sign * time or (value == sign * time and not inclusive):
                break
            k += 1
        return k

    def sliced(self, part: slice) -> Axis:
        """
        Axis of a slice of positions.

        Parameters
        ----------
        part : slice
            As for a sequence.

        Returns
        -------
        Axis
            With the same rate, and sample numbers that still count from the recording's start.
        """
        start, stop, step = part.indices(self.size)
        size = len(range(start, stop, step))
        # Of one sample or none the step means nothing, and may be as large as anybody cares to write.
        taken = self.step * step if size > 1 else self.step
        return Axis(self.first + start * self.step, taken, self.fs, size)


class _Transform(CoordinateTransform):
    """Positions to seconds and back, for xarray."""

    def __init__(self, axis: Axis, name: Hashable, dim: str) -> None:
        super().__init__((name,), {dim: axis.size}, dtype=np.dtype(np.float64))
        self.axis = axis

    def forward(self, dim_positions: dict[str, Any]) -> dict[Hashable, Any]:
        return {self.coord_names[0]: self.axis.seconds(dim_positions[self.dims[0]])}

    def reverse(self, coord_labels: dict[Hashable, Any]) -> dict[str, Any]:
        time = np.asarray(coord_labels[self.coord_names[0]], dtype=np.float64)
        return {self.dims[0]: (time * self.axis.fs - self.axis.first) / self.axis.step}

    def equals(self, other: CoordinateTransform, **_: Any) -> bool:
        return isinstance(other, _Transform) and self.axis == other.axis


class TimeIndex(CoordinateTransformIndex):
    """
    Index of an exact, memory-free time coordinate.

    Slices, and lists of positions that are evenly spaced, give a `TimeIndex` again; any other
    selection gives an ordinary index with the right seconds. Label selection:

    - ``sel(time=slice(a, b))`` keeps the samples with a <= time <= b, both ends included, as
      label slices do everywhere in xarray (`crop` is half-open instead);
    - ``sel(time=t)`` needs a sample at exactly `t`;
    - ``sel(time=t, method="nearest", tolerance=...)`` takes the nearest one.
    """

    transform: _Transform

    @property
    def axis(self) -> Axis:
        """The axis in numbers."""
        return self.transform.axis

    @property
    def _name(self) -> Hashable:
        return self.transform.coord_names[0]

    @property
    def _dim(self) -> str:
        return self.transform.dims[0]

    def create_variables(self, variables: Mapping[Any, xr.Variable] | None = None) -> Any:
        """Coordinate variable; unit and name are set here, as setting them later would fill memory."""
        made = super().create_variables(variables)
        for name, var in made.items():
            if variables is None or name not in variables:
                var.attrs.update(_ATTRS)
        return made

    def isel(self, indexers: Mapping[Any, Any]) -> Index | None:
        """Index of a selection by position."""
        by = indexers[self._dim]
        if isinstance(by, slice):
            return self._with(self.axis.sliced(by))
        if isinstance(by, xr.Variable):
            if by.dims != (self._dim,):
                return None
            by = by.values
        at = np.asarray(by)
        if at.ndim != 1:
            return None
        if at.dtype == bool:
            at = np.flatnonzero(at)
        at = np.where(at < 0, at + self.axis.size, at).astype(np.int64)
        step = int(at[1] - at[0]) if at.size > 1 else 1
        if at.size and step and bool(np.all(np.diff(at) == step)):
            ax = self.axis
            return self._with(Axis(ax.first + int(at[0]) * ax.step, ax.step * step, ax.fs, at.size))
        return PandasIndex(pd.Index(self.axis.seconds(at), name=self._name), self._dim)

    def sel(self, labels: dict[Any, Any], method: Any = None, tolerance: Any = None) -> IndexSelResult:
        """Positions of a selection by time; see the class for what is included."""
        label = labels[self._name]
        if isinstance(label, slice):
            if method is not None or tolerance is not None:
                raise InputError("a slice of time takes no method or tolerance")
            start = 0 if label.start is None else self.axis.before(float(label.start))
            stop = (
                self.axis.size if label.stop is None else self.axis.before(float(label.stop), inclusive=True)
            )
            return IndexSelResult({self._dim: slice(start, max(start, stop), label.step)})
        if method not in (None, "nearest"):
            raise InputError(f"method {method!r} is not known for time; use None or 'nearest'")
        raw = label.values if isinstance(label, xr.DataArray | xr.Variable) else label
        time = np.asarray(raw, dtype=np.float64)
        position = self._positions(time, exact=method is None, tolerance=tolerance)
        if isinstance(label, xr.DataArray):
            return IndexSelResult({self._dim: label.copy(data=position)})
        if isinstance(label, xr.Variable):
            return IndexSelResult({self._dim: xr.Variable(label.dims, position)})
        return IndexSelResult({self._dim: position if position.ndim else int(position)})

    def _positions(self, time: NDArray[np.float64], *, exact: bool, tolerance: Any) -> NDArray[np.int64]:
        if not self.axis.size:
            raise KeyError("the time axis is empty")
        ideal: NDArray[np.float64] = self.transform.reverse({self._name: time})[self._dim]
        if np.isnan(ideal).any():
            raise KeyError("time is not a number")
        position = np.clip(np.floor(ideal + 0.5), 0, self.axis.size - 1).astype(np.int64)
        off = np.abs(self.axis.seconds(position) - time)
        limit = 0.0 if exact else np.inf if tolerance is None else tolerance
        if np.any(off > limit):
            worst = float(np.ravel(time)[np.argmax(np.ravel(off > limit))])
            raise KeyError(f"no sample at {worst:g} s; use a slice or method='nearest'")
        return position

    def join(self, other: Index, how: str = "inner") -> TimeIndex:
        """Refuse to line up two different stretches: a silent resampling would be worse."""
        raise InputError(f"{self!r} and {other!r} do not match; crop both to the same stretch first")

    def rename(self, name_dict: Mapping[Any, Hashable], dims_dict: Mapping[Any, Hashable]) -> TimeIndex:
        """Index under another name."""
        name = name_dict.get(self._name, self._name)
        dim = str(dims_dict.get(self._dim, self._dim))
        return type(self)(_Transform(self.axis, name, dim))

    def to_pandas_index(self) -> pd.Index[Any]:
        """All times as a pandas index (this one does take memory)."""
        index: pd.Index[Any] = pd.Index(self.axis.seconds(), name=self._name)
        return index

    def _with(self, axis: Axis) -> TimeIndex:
        return type(self)(_Transform(axis, self._name, self._dim))

    def _repr_inline_(self, max_width: int) -> str:
        return repr(self)[:max_width]

    def __repr__(self) -> str:
        ax = self.axis
        return f"TimeIndex(first={ax.first}, step={ax.step}, fs={ax.fs:g}, size={ax.size})"


def time_coordinate(axis: Axis, dim: str = "time") -> xr.Coordinates:
    """
    Coordinate of a time axis.

    Parameters
    ----------
    axis : Axis
        First sample, step, rate and size.
    dim : str
        Name of the dimension and of the coordinate.

    Returns
    -------
    xarray.Coordinates
        To be passed as `coords` to a Dataset or DataArray.

    Raises
    ------
    InputError
        If the rate is not a positive number or the step is zero.
    """
    if not (math.isfinite(axis.fs) and axis.fs > 0) or axis.step == 0:
        raise InputError(f"time axis: rate {axis.fs:g} Hz, step {axis.step}; both must be usable numbers")
    return xr.Coordinates.from_xindex(TimeIndex(_Transform(axis, dim, dim)))


def time_dim(fs: float, samples_per_frame: int = 1) -> str:
    """
    Name of the time dimension of a channel.

    Parameters
    ----------
    fs : float
        Rate of the channel [Hz].
    samples_per_frame : int
        Samples of the channel in one frame of the recording.

    Returns
    -------
    str
        'time' for one sample in a frame, otherwise for example 'time_500hz'.
    """
    return "time" if samples_per_frame == 1 else f"time_{fs:g}hz"


def axis_of(data: xr.DataArray) -> Axis:
    """
    Time axis of a channel.

    Parameters
    ----------
    data : xarray.DataArray
        One channel of a recording, 1-D.

    Returns
    -------
    Axis
        Its first sample, step, rate and size.

    Raises
    ------
    InputError
        If the channel has no exact time axis, for example after an uneven selection.
    """
    if data.ndim != 1:
        raise InputError(f"channel {data.name!r} has {data.ndim} dimensions; a channel has one, time")
    index = data.xindexes.get(str(data.dims[0]))
    if not isinstance(index, TimeIndex):
        raise InputError(
            f"channel {data.name!r} is not evenly sampled any more; "
            "take a slice of the recording, or use crop"
        )
    return index.axis
