"""
A measured line undone: a new channel that shows the pressure at the cannula, with the noise that it costs.

For retrospective research and teaching; a corrected wave is not what anybody saw at the bedside.

On simulated patients with flushes of which nothing was told (benchmark of the line, seeds on which nothing
was set): 27 underdamped lines (10 to 20 Hz, 0.1 to 0.3) with one flush were all corrected, median systolic
and diastolic pressure to 0.2 mmHg. Of 36 overdamped ones (5 to 8 Hz, 0.9 to 1.3) in sinus rhythm 1 was
refused with one flush, 3 with two and none with three (up to a tenth on other seeds), always because the line
was not known well enough, never for the noise; the others were corrected to 0.9 mmHg. In atrial fibrillation
the pulse underneath a flush cannot be told from other beats: behind overdamped lines two to three of four
recordings are refused, with one flush or three, and 35 to 48 % of those would have come out wrong, some by
tens of mmHg; those not refused were corrected to 1.0 mmHg. The line being known exactly, dP/dt max stays up
to a tenth too low behind slow lines.
"""

from __future__ import annotations

import copy
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from ..beats.reading import BELIEVED, Reading, read
from ..errors import DataUnavailableError, InputError
from .adequacy import Adequacy, expected_error
from .dynamics import Dynamics
from .inverse import Inverse, design, filtered, near, noise_in_diastole, spectrum_of
from .states import STALE_AFTER_S
from .typical import typical_of

if TYPE_CHECKING:
    import xarray as xr

Float = NDArray[np.float64]
Bool = NDArray[np.bool_]
Wave = NDArray[np.floating]

# All ours. What a correction needs: natural frequency and rate [Hz]; what it may cost [mmHg]: noise and what
# is left out together, and how far off systolic or diastolic pressure may be by what is not known of the line
# (95 %).
LOWEST_HZ, LOWEST_RATE_HZ = 3.5, 60.0
COSTS_AT_MOST, UNSURE_AT_MOST = 2.0, 1.5
#: A measured line holds for this long [h], as a flush does (our convention).
HOLDS_H = STALE_AFTER_S / 3600.0
#: Stretches whose pressure does not come through the line; they are left as they were recorded.
_NOT_THROUGH = ("flush", "open_to_air", "sampling", "flat")
# The edges of those are known to about this [s].
_EDGE_S = 0.1


@dataclass(frozen=True, slots=True)
class Corrected:
    """
    A corrected wave and its price.

    Attributes
    ----------
    wave : ndarray, shape (n_samples,)
        Pressure in front of the line [mmHg]; NaN within a quarter of a second of what is missing, clipped or
        no pressure of the patient.
    inverse : Inverse
        The filter.
    noise_before, noise_after : float
        Standard deviation of the noise of a sample [mmHg].
    unsure : float
        How far off systolic or diastolic pressure may be by what is not known of the line (95 %) [mmHg].
    line : tuple of float
        Natural frequency [Hz] and damping ratio that were undone (`hemoidx.line.adequacy.Adequacy.line`).
    """

    wave: Float
    inverse: Inverse
    noise_before: float
    noise_after: float
    unsure: float
    line: tuple[float, float]

    @property
    def cost(self) -> float:
        """Noise and what is left out, together [mmHg]."""
        return float(np.hypot(self.noise_after, self.inverse.lost_sd))

    def as_dict(self) -> dict[str, Any]:
        """The price, for files."""
        return {
            "band_hz": self.inverse.band_hz,
            "noise_gain": self.inverse.noise_gain,
            "noise_before_mmhg": self.noise_before,
            "noise_after_mmhg": self.noise_after,
            "left_out_mmhg": self.inverse.lost_sd,
            "unsure_mmhg": self.unsure,
        }


def correct_wave(
    wave: Wave,
    fs: float,
    dynamics: Dynamics,
    *,
    scale: Sequence[Mapping[str, Any]] | None = None,
    reading: Reading | None = None,
) -> Corrected:
    """
    Undo a measured line.

    Parameters
    ----------
    wave : ndarray, shape (n_samples,)
        Arterial pressure, NaN where missing [mmHg].
    fs : float
        Sampling rate [Hz].
    dynamics : Dynamics
        The line. Known by bounds only, it can be undone where all that the bounds allow gives nearly the same
        pressures, as behind an overdamped line whose slow pole is known.
    scale : sequence of mapping, optional
        Runs of samples with one calibration, as `hx.load` attaches them: step and rails.
    reading : Reading, optional
        Beats and spans of the wave, if they were found already.

    Returns
    -------
    Corrected

    Raises
    ------
    InputError
        If the line is unknown or below 3.5 Hz; if the rate is below 60 Hz or too few beats are there; or if
        the correction would cost more than 2 mmHg of noise and loss, or leave systolic or diastolic pressure
        unsure by more than 1.5 mmHg because of what is not known of the line.

    Notes
    -----
    See `hemoidx.line.inverse.design` for the filter. Flushes, blood sampling and open or flat stretches are
    found first (`hemoidx.beats.read`) and left as they are: their pressure does not come from the cannula.

    References
    ----------
    .. [1] Falsetti HL, Mates RE, Carroll RJ, Gupta RL, Bell AC. Analysis and correction of pressure wave
       distortion in fluid-filled catheter systems. Circulation 1974;49:165-172 (correction from a measured
       second-order response; authors and year quoted from memory).
    """
    _check_line(dynamics, fs)
    found = read(wave, fs, scale) if reading is None else reading
    clipped = _marked(found, ("saturated",), wave.size) | _at_rails(wave, scale or ())
    aside = _marked(found, _NOT_THROUGH, wave.size)
    expected = expected_error(typical_of(wave, fs, found), dynamics)
    _check_sure(expected)
    noise = _noise(wave, fs, found, scale or ())
    odd = clipped | aside | _marked(found, ("motion", "cuff", "not_pulsatile"), wave.size)
    inverse = design(*expected.line, spectrum_of(wave, fs, np.isfinite(wave) & ~odd, noise))
    out = filtered(wave, inverse, clipped | near(aside, round(_EDGE_S * fs)))
    out[aside] = wave[aside]
    after = noise * inverse.noise_gain
    return _affordable(Corrected(out, inverse, noise, after, expected.unsure, expected.line))


def _noise(wave: Wave, fs: float, found: Reading, scale: Sequence[Mapping[str, Any]]) -> float:
    """Standard deviation of the noise of a sample [mmHg]."""
    step = max((float(run.get("step") or 0.0) for run in scale), default=0.0)
    good = found.quality >= BELIEVED
    return noise_in_diastole(wave, fs, found.onset[good], found.end[good], step)


def _check_line(dynamics: Dynamics, fs: float) -> None:
    if not (np.isfinite(dynamics.natural_frequency_hz) and np.isfinite(dynamics.damping_ratio)):
        raise InputError("line: cannot correct, its dynamic response is unknown; measure a flush first")
    if fs < LOWEST_RATE_HZ:
        raise InputError(f"line: cannot correct at {fs:g} Hz; at least {LOWEST_RATE_HZ:g} Hz are needed")


def _check_sure(expected: Adequacy) -> None:
    if expected.unsure > UNSURE_AT_MOST:
        raise InputError(
            "line: cannot correct, its response is not known well enough: corrected pressures would be "
            f"unsure by {expected.unsure:.1f} mmHg (at most {UNSURE_AT_MOST:g}); more flushes "
            "tell more in a regular rhythm, hardly in an irregular one"
        )
    if expected.line[0] < LOWEST_HZ:
        raise InputError(
            f"line: cannot correct, a natural frequency of {expected.line[0]:.1f} Hz leaves too little of "
            f"the wave; at least {LOWEST_HZ:g} Hz are needed"
        )


def _affordable(result: Corrected) -> Corrected:
    """The same, or a refusal where it costs too much."""
    if result.cost > COSTS_AT_MOST:
        raise InputError(
            f"line: correction would cost {result.cost:.1f} mmHg of noise and loss "
            f"(at most {COSTS_AT_MOST:g}); use the mean pressure, which the line does not change"
        )
    return result


def _marked(found: Reading, kinds: Iterable[str], size: int) -> Bool:
    spans = found.spans.of(*kinds)
    change = np.zeros(size + 1, dtype=np.int64)
    np.add.at(change, np.clip(spans.start, 0, size), 1)
    np.add.at(change, np.clip(spans.stop, 0, size), -1)
    return np.asarray(np.cumsum(change)[:size] > 0)


def _at_rails(wave: Wave, scale: Sequence[Mapping[str, Any]]) -> Bool:
    """Samples at the recorder's rails: what was cut off there nobody knows."""
    out = np.zeros(wave.size, dtype=bool)
    for run in scale:
        part = slice(int(run["start"]), int(run["stop"]))
        half = 0.5 * float(run.get("step") or 0.0)
        for name, sign in (("rail_low", -1.0), ("rail_high", 1.0)):
            rail = run.get(name)
            if rail is not None:
                out[part] |= sign * (wave[part] - float(rail)) >= -half
    return out


def correct(
    recording: xr.Dataset,
    channel: str,
    dynamics: Dynamics,
    *,
    name: str | None = None,
    flush_s: float | None = None,
    disturbed_s: Iterable[float] = (),
) -> xr.Dataset:
    """
    Undo the line of a channel into a new one.

    Parameters
    ----------
    recording : xarray.Dataset
        A recording; it is not changed.
    channel : str
        Name of an arterial pressure [mmHg].
    dynamics : Dynamics
        The line, as `correct_wave` needs it.
    name : str, optional
        Name of the new channel; `channel` and '_corrected' if left out.
    flush_s : float, optional
        When the line was measured [s from the start of the recording]. Left out, the measurement is taken to
        hold for the whole channel.
    disturbed_s : iterable of float
        When the line was disturbed (opened, flushed free, refilled, exchanged) [s].

    Returns
    -------
    xarray.Dataset
        The recording with one channel more, ready for an analysis of its own. It has the attribute
        `line_corrected` (True); what was done and what it cost stands in its `line_correction` and in the
        steps of the provenance.

    Raises
    ------
    DataUnavailableError
        If the channel is not there.
    InputError
        As `correct_wave`; also if the channel is no arterial pressure in mmHg on an exact axis, if the name
        is taken, or if the measurement is stale: more than 8 h from a part of the channel (our convention),
        or with a disturbance in between.
    """
    from hemoidx.recordings import axis_of, scale_of

    data = _arterial(recording, channel)
    new = f"{channel}_corrected" if name is None else name
    _check_name(recording, new)
    axis = axis_of(data)
    if axis.step != 1:
        raise InputError(f"channel {channel!r} was thinned or reversed; correct it as it was recorded")
    _check_fresh(
        channel, float(axis.seconds(0)), float(axis.seconds(max(axis.size - 1, 0))), flush_s, disturbed_s
    )
    done = correct_wave(data.values.astype(np.float64), axis.fs, dynamics, scale=scale_of(data))
    return _with_channel(recording, data, new, done, _note(dynamics, flush_s, done))


def _with_channel(
    recording: xr.Dataset, data: xr.DataArray, new: str, done: Corrected, note: dict[str, Any]
) -> xr.Dataset:
    """The recording with the corrected channel, and with the step in its provenance."""
    from hemoidx import __version__

    attrs = _attributes(data, new, note)
    out = recording.assign({new: (data.dims, done.wave.astype(data.dtype), attrs)})
    out.attrs = copy.deepcopy(recording.attrs)
    step = {"step": "correct_line", "version": __version__, "channel": str(data.name), "new_channel": new}
    out.attrs.setdefault("provenance", {}).setdefault("steps", []).append(step | copy.deepcopy(note))
    return out


def _note(dynamics: Dynamics, flush_s: float | None, done: Corrected) -> dict[str, Any]:
    """What was undone, and at what price."""
    return {
        "natural_frequency_hz": done.line[0],
        "damping_ratio": done.line[1],
        "flushes": dynamics.n_flushes,
        "method": dynamics.method,
        "flush_s": flush_s,
    } | done.as_dict()


def _attributes(data: xr.DataArray, new: str, note: dict[str, Any]) -> dict[str, Any]:
    from hemoidx.recordings import long_name

    # Values are no longer those of a converter; its steps were as coarse as they were.
    lost: dict[str, Any] = {"gain": None, "baseline": None, "units_in": "mmHg"}
    lost |= {"rail_low": None, "rail_high": None}
    line = f"{note['natural_frequency_hz']:.1f} Hz, damping {note['damping_ratio']:.2f}"
    return copy.deepcopy(data.attrs) | {
        "source": f"{data.name}, line of {line} undone",
        "long_name": long_name(new, str(data.attrs.get("role", "other"))),
        "scale": [{**run, **lost} for run in data.attrs.get("scale") or []],
        "line_corrected": True,
        "line_correction": note,
    }


def _arterial(recording: xr.Dataset, channel: str) -> xr.DataArray:
    if channel not in recording.data_vars:
        there = ", ".join(map(str, recording.data_vars)) or "none"
        raise DataUnavailableError(f"channel {channel!r} is not there; there are: {there}")
    data = recording[channel]
    if data.attrs.get("units") != "mmHg":
        raise InputError(
            f"channel {channel!r} is in {data.attrs.get('units')!r}; a line is corrected in mmHg"
        )
    if str(data.attrs.get("role", "other")) not in ("arterial_pressure", "other"):
        raise InputError(f"channel {channel!r} is no arterial pressure (role {data.attrs['role']})")
    if "line_correction" in data.attrs:
        raise InputError(f"channel {channel!r} has its line undone already; correct the recorded one")
    return data


def _check_name(recording: xr.Dataset, new: str) -> None:
    from hemoidx.recordings import unique_names

    if not isinstance(new, str) or not new.strip() or unique_names([new]) != [new]:
        raise InputError(f"{new!r} cannot be the name of a channel")
    if new in recording.variables or new in recording.dims:
        raise InputError(f"the recording has a channel {new!r} already; choose another name")


def _check_fresh(
    channel: str, first_s: float, last_s: float, flush_s: float | None, disturbed_s: Iterable[float]
) -> None:
    """Refuse a measurement that is too old for a part of the channel, or from before a disturbance."""
    between = [t for t in disturbed_s if first_s < t < last_s]
    if flush_s is not None:
        age = max(flush_s - first_s, last_s - flush_s) / 3600.0
        if age > HOLDS_H:
            raise InputError(
                f"channel {channel!r}: the flush at {flush_s:g} s is up to {age:.1f} h away (it holds for "
                f"{HOLDS_H:g} h); crop the recording, or use a nearer flush"
            )
        low, high = min(first_s, flush_s), max(last_s, flush_s)
        between = [t for t in disturbed_s if low < t < high]
    if between:
        raise InputError(
            f"channel {channel!r}: the line was disturbed at {between[0]:g} s, what was measured does not "
            "hold on both sides; crop the recording there"
        )
