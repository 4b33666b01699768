"""What measured the channel, as `analyse` asks for it: from attributes and context to the chain, and back."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from ..beats import Reading
from ..beats.reading import BELIEVED
from ..context import Context
from ..errors import InputError
from ..line.adequacy import Adequacy, expected_error
from ..line.chain import Chain, examine
from ..line.chain_facts import Documented
from ..line.telling import dynamics_from
from ..line.typical import typical_beat
from ..recordings import axis_of

if TYPE_CHECKING:
    import xarray as xr

    from ..recordings import Axis
    from .result import Analysis

Wave = NDArray[np.floating[Any]]


def chain_of(
    rec: xr.Dataset, channel: str, axis: Axis, reading: Reading, scale: list[dict[str, Any]], context: Context
) -> Chain:
    """
    Examine the measuring chain of a channel.

    Parameters
    ----------
    rec : xarray.Dataset
        The recording.
    channel : str
        Its channel.
    axis : Axis
        Time axis of the channel.
    reading : Reading
        Beats and spans of the channel.
    scale : list of dict
        Calibrations, counted from the first sample of the channel.
    context : Context
        What was documented.

    Returns
    -------
    Chain
        What measured it.
    """
    data = rec[channel]
    at = axis.seconds(reading.onset)
    done = _steps_to(rec, channel)
    # A channel that was levelled by computation stands at the reference level.
    levelled = "correct_level" in done
    height = np.zeros(reading.onset.size) if levelled else np.asarray(context.at("transducer_height_cm", at))
    documented = Documented(
        setup=context.setup,
        height_cm=height.astype(np.float64),
        height_se_cm=np.asarray(context.at("transducer_height_se_cm", at), dtype=np.float64),
        gain_se=_gain_se(data.attrs.get("calibration") or ()),
    )
    corrected = "line_correction" in data.attrs
    return examine(np.asarray(data.values), axis.fs, reading, scale, axis.first, documented, corrected)


def _gain_se(lines: Any) -> float:
    """Relative standard error of the gain, the largest of all lines; NaN if one did not look at it."""
    known = [
        float(line["gain_se"]) / float(line["gain"]) if line.get("gain_se") is not None else float("nan")
        for line in lines
        if isinstance(line, Mapping)
    ]
    return max(known) if known and np.isfinite(known).all() else float("nan")


def _steps_to(rec: xr.Dataset, channel: str) -> set[str]:
    """Names of the steps by which a channel was made out of the one that was recorded."""
    done, name = set(), channel
    for step in reversed((rec.attrs.get("provenance") or {}).get("steps") or []):
        if isinstance(step, Mapping) and step.get("new_channel") == name:
            done.add(str(step.get("step")))
            name = str(step.get("channel"))
    return done


def adequacy_of(result: Analysis) -> Adequacy | None:
    """
    What the line that was measured last does to the pulses behind it.

    Parameters
    ----------
    result : Analysis
        A fresh or an opened analysis.

    Returns
    -------
    Adequacy or None
        None where no flush told anything, the samples are not at hand, or too few beats follow the flush.
    """
    states = result.info["line"]["states"]
    if not states or result.recording is None or result.info["line"]["corrected"]:
        return None
    state = states[-1]
    axis = axis_of(result.recording[result.channel])
    beats = result.beats
    here = (beats["quality"] >= BELIEVED) & beats["onset_s"].between(state["from_s"], state["fresh_until_s"])
    marks = [
        beats.loc[here, f"{name}_s"].to_numpy() * axis.fs - axis.first
        for name in ("onset", "steepest", "end")
    ]
    try:
        typical = typical_beat(np.asarray(result.recording[result.channel].values), axis.fs, *marks)
        return expected_error(typical, dynamics_from(state))
    except InputError:
        return None
