"""From stored codes to mmHg: which gain held where, and whether it can be believed."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from hemoidx.recordings.channels import holds_pressure
from hemoidx.units import mmhg_per_unit

if TYPE_CHECKING:
    import xarray as xr

COUNTS = "counts"
# A limiter in front of the converter makes the real rail a few codes narrower than the nominal
# one (8-bit collections stop at 125, not 127). Ours: within 1.5 % of the range, reached 3 times.
_RAIL_MARGIN = 0.015
_RAIL_SAMPLES = 3


@dataclass(frozen=True)
class Gain:
    """
    How one stretch of a channel turns from codes into values: (code - baseline) * factor.

    Parameters
    ----------
    stated : float
        Gain of the header [codes per unit]; 0 if it is not stated.
    baseline : int
        Code of zero.
    unit_in : str
        Unit of the header, '' if not stated.
    unit : str
        Unit of the values: mmHg for pressures, 'counts' without a gain.
    factor : float
        [unit per code].
    calibrated : bool
        False without a gain, and for a pressure with the placeholder of 1 per unit at baseline 0.
    """

    stated: float
    baseline: int
    unit_in: str
    unit: str
    factor: float
    calibrated: bool


def gain_of(stated: float | None, baseline: int, unit: str | None, role: str, where: str) -> Gain:
    """
    Read gain and unit of a header line.

    Parameters
    ----------
    stated : float or None
        Gain [codes per unit]; None if missing or zero.
    baseline : int
        Code of zero.
    unit : str or None
        Unit; None if missing.
    role : str
        Role of the channel: only pressures are held to their unit.
    where : str
        Channel and file, for the error text.

    Returns
    -------
    Gain
        Never with an invented gain: without one the values are codes above the baseline.

    Raises
    ------
    UnitError
        If a pressure has a unit that is not one of pressure, or a gain without a unit.
    """
    pressure = holds_pressure(role, unit)
    to_mmhg = mmhg_per_unit(unit, where) if pressure and (stated or unit) else 1.0
    if not stated:
        return Gain(0.0, baseline, unit or "", COUNTS, 1.0, False)
    placeholder = pressure and stated == 1.0 and baseline == 0
    # header(5): no unit means millivolt. That holds for an ECG; elsewhere it was not thought of.
    shown = "mmHg" if pressure else unit or ("mV" if role == "ecg" else "")
    return Gain(stated, baseline, unit or "", shown, to_mmhg / stated, not placeholder)


@dataclass
class Run:
    """
    A stretch of samples with one gain.

    Parameters
    ----------
    start, stop : int
        Sample numbers of the channel, half open.
    gain : Gain
        Its gain.
    limits : tuple of int
        Codes that the converter can give.
    lowest, highest : tuple of int, optional
        Outermost code met, and how often.
    """

    start: int
    stop: int
    gain: Gain
    limits: tuple[int, int]
    lowest: tuple[int, int] | None = None
    highest: tuple[int, int] | None = None

    def meet(self, lowest: tuple[int, int] | None, highest: tuple[int, int] | None) -> None:
        """Take note of the outermost codes of some more samples, with how often they came."""
        for name, sign, new in (("lowest", -1, lowest), ("highest", 1, highest)):
            old: tuple[int, int] | None = getattr(self, name)
            if old is None or (new is not None and sign * new[0] > sign * old[0]):
                setattr(self, name, new)
            elif new is not None and new[0] == old[0]:
                setattr(self, name, (old[0], old[1] + new[1]))

    def as_dict(self) -> dict[str, Any]:
        """Entry of the channel's `scale` attribute."""
        ends = sorted((code - self.gain.baseline) * self.gain.factor for code in self._rails())
        return {
            "start": self.start,
            "stop": self.stop,
            "gain": self.gain.stated,
            "baseline": self.gain.baseline,
            "units_in": self.gain.unit_in,
            "step": abs(self.gain.factor),
            "rail_low": ends[0],
            "rail_high": ends[1],
            "calibrated": self.gain.calibrated,
        }

    def _rails(self) -> tuple[int, int]:
        low, high = self.limits
        margin = _RAIL_MARGIN * (high - low + 1)
        if self.lowest and self.lowest[1] >= _RAIL_SAMPLES and abs(self.lowest[0] - low) <= margin:
            low = self.lowest[0]
        if self.highest and self.highest[1] >= _RAIL_SAMPLES and abs(self.highest[0] - high) <= margin:
            high = self.highest[0]
        return low, high


def joined(runs: list[Run]) -> list[Run]:
    """
    Join neighbouring runs of one gain.

    Parameters
    ----------
    runs : list of Run
        In order.

    Returns
    -------
    list of Run
        New runs; a gap between two keeps them apart.
    """
    out: list[Run] = []
    for run in runs:
        last = out[-1] if out else None
        if last and (last.stop, last.gain, last.limits) == (run.start, run.gain, run.limits):
            last.meet(run.lowest, run.highest)
            last.stop = run.stop
        else:
            out.append(Run(run.start, run.stop, run.gain, run.limits, run.lowest, run.highest))
    return out


def scale_of(data: xr.DataArray) -> list[dict[str, Any]]:
    """
    Scale runs of a channel as it stands, however it was cut.

    Parameters
    ----------
    data : xarray.DataArray
        One channel of a recording.

    Returns
    -------
    list of dict
        As the attribute `scale`, but `start` and `stop` are positions in `data` (from 0) instead
        of sample numbers of the recording; runs outside of it are left out.

    Raises
    ------
    InputError
        If the channel has no exact time axis.
    """
    from hemoidx.recordings.time_axis import axis_of

    axis = axis_of(data)
    out = []
    for run in data.attrs.get("scale", []):
        # First positions at or behind each end; a reversed axis meets them the other way round.
        ends = [run["start"], run["stop"]] if axis.step > 0 else [run["stop"] - 1, run["start"] - 1]
        start, stop = (min(max(-((axis.first - end) // axis.step), 0), axis.size) for end in ends)
        if stop > start:
            out.append({**run, "start": start, "stop": stop})
    return out
