"""
Worked examples: published examples put to the functions that have to agree with them.

Where one call of one function is enough, a reference names that function itself. What is here arranges an
example first: draws a printed trace, fills in a set-up sheet, or puts a pulse in front of a line.
"""

from __future__ import annotations

from functools import lru_cache
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from hemoidx.errors import InputError

if TYPE_CHECKING:
    from hemoidx.line.typical import TypicalBeat

Float = NDArray[np.float64]

# Rate of the drawn traces and of the simulated pulse [Hz].
_FS = 1000.0


def flush_on_paper(first_mm: float, second_mm: float, cycle_mm: float, speed_mm_s: float) -> dict[str, float]:
    """
    Draw a flush as a printed figure describes it, and read it as at the bedside.

    Parameters
    ----------
    first_mm, second_mm : float
        Sizes of two successive swings.
    cycle_mm : float
        Length of a full cycle of the ringing.
    speed_mm_s : float
        Speed of the paper.

    Returns
    -------
    dict of str to float
        What `hemoidx.line.bedside.read_swings` makes of it: `ratio` of the swings, `ringing_hz`,
        `damping_ratio`, `natural_frequency_hz`.

    Raises
    ------
    InputError
        If the reader finds no swings.

    Notes
    -----
    The ringing is drawn as a cosine in an envelope that loses the ratio of the swings every half cycle; no
    relation between ratio, damping and frequency is used.
    """
    from hemoidx.line.bedside import half_cycle_ratio, read_swings, ringing_frequency

    half_cycles = 2.0 * np.arange(2.0 * _FS) / _FS * speed_mm_s / cycle_mm
    trace = 100.0 * (second_mm / first_mm) ** half_cycles * np.cos(np.pi * half_cycles)
    found = read_swings(trace, np.ones(trace.size, dtype=bool), _FS, noise=0.01)
    if found is None:
        raise InputError("flush on paper: no swings to read; sizes and lengths must be above 0")
    hz, z = found.natural_frequency_hz, found.damping_ratio
    return {
        "ratio": float(half_cycle_ratio(z)),
        "ringing_hz": float(ringing_frequency(hz, z)),
        "damping_ratio": z,
        "natural_frequency_hz": hz,
    }


def gain_and_phase(ratio: ArrayLike, damping: float) -> dict[str, Float]:
    """
    Gain and phase of a line at frequencies given as parts of its natural frequency.

    Parameters
    ----------
    ratio : array_like
        Frequency over natural frequency.
    damping : float
        Damping ratio.

    Returns
    -------
    dict of str to ndarray
        `gain`, and `phase_deg`, negative where the line is late.
    """
    from hemoidx.line.response import frequency_response

    response = frequency_response(ratio, 1.0, damping)
    return {"gain": np.abs(response), "phase_deg": np.degrees(np.angle(response))}


def flat_part(damping: float, tolerance: float) -> float:
    """Flat band of a line as a part of its natural frequency, see `hemoidx.line.thumb.flat_band`."""
    from hemoidx.line.thumb import Line, flat_band

    return flat_band(Line(1.0, damping, 60.0), tolerance)


def read_at_level(pressure: ArrayLike, above_cm: float, density: float) -> Float:
    """
    What a transducer away from its reference level reads.

    Parameters
    ----------
    pressure : array_like
        Pressures at the reference level [mmHg].
    above_cm : float
        Height of the transducer above it [cm].
    density : float
        Of the fluid in the line [kg/m3].

    Returns
    -------
    ndarray
        [mmHg].
    """
    from hemoidx.line.calibration import level_calibration
    from hemoidx.line.level import Level

    return level_calibration(Level(above_cm=above_cm, density=density)).indicated(pressure)


def shows(**documented: Any) -> list[str]:
    """How the faults of a set-up sheet show, by `hemoidx.line.inspect`: words of `Effect`, in order."""
    from hemoidx.line.inspection import inspect
    from hemoidx.line.setup import Setup

    return sorted({str(effect) for finding in inspect(Setup(**documented)) for effect in finding.effects})


def grounds(rule: str) -> str:
    """What a rule for set-up sheets says it rests on: the published part of it, with the sources."""
    from hemoidx.line.setup_rules import RULES

    (one,) = (each for each in RULES if each.name == rule)
    return " ".join(basis.words() for basis in one.basis if basis.ground == "published")


@lru_cache(maxsize=1)
def _pulse() -> TypicalBeat:
    from hemoidx.line.typical import typical_beat
    from hemoidx.simulate import Scenario, simulate_arrays

    scenario = Scenario(seed=1, duration_s=12.0, fs=_FS, noise=0.0, step=0.01, line_hz=80.0, line_damping=0.7)
    wave, _, _, truth = simulate_arrays(scenario)
    marks = (truth.beats[name].to_numpy() * _FS for name in ("onset_s", "steepest_s", "end_s"))
    return typical_beat(wave.astype(np.float64), _FS, *marks)


def line_errors(natural_frequency_hz: ArrayLike, damping_ratio: ArrayLike) -> dict[str, Float]:
    """
    What lines do to a simulated radial pulse.

    Parameters
    ----------
    natural_frequency_hz, damping_ratio : array_like
        The lines [Hz, ratio].

    Returns
    -------
    dict of str to ndarray
        Errors by `hemoidx.line.adequacy.errors_of_lines`: `sbp`, `dbp`, `mbp`, `pp` [mmHg], `dpdt_max`
        [mmHg/s], and `sbp_size`, that of systolic pressure without its sign [mmHg].
    """
    from hemoidx.line.adequacy import errors_of_lines

    errors = errors_of_lines(_pulse(), natural_frequency_hz, damping_ratio)
    return errors | {"sbp_size": np.abs(errors["sbp"])}
