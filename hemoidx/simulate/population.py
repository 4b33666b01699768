"""A cohort of any number of recordings: patients drawn from stated ranges, several recordings of some."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from hemoidx.errors import InputError
from hemoidx.simulate.model import simulate
from hemoidx.simulate.scenario import Event, Scenario
from hemoidx.simulate.write import write_recording

if TYPE_CHECKING:
    import pandas as pd

CONTEXT = "context.csv"

#: Mean and standard deviation between patients, and between recordings of one patient: invented.
BETWEEN = {"mean_pressure": (82.0, 11.0), "pulse_pressure": (54.0, 12.0), "rate": (80.0, 13.0)}
WITHIN = {"mean_pressure": 5.0, "pulse_pressure": 4.0, "rate": 5.0}
_BOUNDS = {"mean_pressure": (45.0, 130.0), "pulse_pressure": (22.0, 100.0), "rate": (45.0, 140.0)}
#: Two invented units; the second holds patients whose pressure is lower, and lines that are worse kept.
UNITS = ("unit A", "unit B")
_LOWER = 8.0
#: Share of recordings with each disturbance, by unit. Flushes are rarer than they should be: to measure a
#: line from them takes longer than all else in so short a recording.
_DISTURBED = {
    "flush": (0.25, 0.15),
    "sampling": (0.15, 0.25),
    "motion": (0.2, 0.35),
    "gap": (0.1, 0.15),
    "open_to_air": (0.3, 0.1),
}
_LASTING = {
    "flush": (1.0, 1.8),
    "sampling": (14.0, 26.0),
    "motion": (4.0, 14.0),
    "gap": (3.0, 20.0),
    "open_to_air": (6.0, 12.0),
}
_REST_S = 4.0


def population(n: int, seed: int = 0, duration_s: float = 150.0, disturbed: float = 1.0) -> list[Scenario]:
    """
    Draw the scenarios of a cohort.

    Parameters
    ----------
    n : int
        Recordings. Patients have one to three each.
    seed : int
        The same seed gives the same list, and the first recordings do not depend on how many follow.
    duration_s : float
        Length of each recording [s], at least 90.
    disturbed : float
        Factor on the shares of recordings with a disturbance, 0 to 2.

    Returns
    -------
    list of Scenario
        Named ``p0001_1`` and so on, patient and recording; `family` is the unit.

    Raises
    ------
    InputError
        If n, the length or the factor cannot be used.

    Notes
    -----
    Patients differ in mean pressure by a standard deviation of 11 mmHg, in pulse pressure by 12 mmHg and in
    heart rate by 13 per minute; recordings of one patient by 5, 4 and 5. A tenth of the patients is in atrial
    fibrillation, a tenth has premature beats. One recording in eight has an overdamped line, one in eight an
    underdamped one; one in twenty holds no pulse, one in forty hardly any valid time. All of this is
    invented, so that every step of an evaluation has something to do; no patient stands behind it.
    """
    if n < 1 or duration_s < 90:
        raise InputError(f"population: needs n >= 1 and duration_s >= 90, got {n} and {duration_s:g}")
    if not 0.0 <= disturbed <= 2.0:
        raise InputError(f"population: disturbed must be 0 to 2, got {disturbed:g}")
    out: list[Scenario] = []
    patient = 0
    while len(out) < n:
        rng = np.random.default_rng([seed, 903, patient])
        unit = int(rng.integers(2))
        level = {name: rng.normal(*BETWEEN[name]) for name in BETWEEN}
        level["mean_pressure"] -= _LOWER * unit
        of_patient = {"breathing": str(rng.choice(["controlled", "spontaneous"])), **_rhythm(rng)}
        for k in range(int(rng.choice([1, 2, 3], p=[0.6, 0.25, 0.15]))):
            drawn = {name: rng.normal(mean, WITHIN[name]) for name, mean in level.items()}
            values = {name: float(np.clip(value, *_BOUNDS[name])) for name, value in drawn.items()}
            scenario = Scenario(
                name=f"p{patient + 1:04d}_{k + 1}",
                family=UNITS[unit],
                seed=seed * 100_003 + 10 * patient + k,
                duration_s=duration_s,
                note="invented cohort",
            )
            out.append(
                scenario.replace(
                    **of_patient, **values, **_line(rng), **_events(rng, unit, duration_s, disturbed)
                )
            )
        patient += 1
    return out[:n]


def _rhythm(rng: np.random.Generator) -> dict[str, Any]:
    draw = rng.uniform()
    if draw < 0.1:
        return {"rhythm": "atrial_fibrillation", "sinus_arrhythmia": 0.0}
    return {"ectopic_share": 0.05} if draw < 0.2 else {}


def _line(rng: np.random.Generator) -> dict[str, float]:
    draw = rng.uniform()
    if draw < 0.125:
        return {"line_hz": 5.0, "line_damping": float(rng.uniform(1.2, 1.8))}
    if draw < 0.25:
        return {"line_hz": float(rng.uniform(9.0, 13.0)), "line_damping": float(rng.uniform(0.12, 0.2))}
    return {"line_hz": float(rng.uniform(18.0, 30.0)), "line_damping": float(rng.uniform(0.35, 0.7))}


def _events(rng: np.random.Generator, unit: int, duration_s: float, factor: float) -> dict[str, Any]:
    draw = rng.uniform()
    if draw < 0.05:
        return {"events": (Event("not_pulsatile", 1.0, duration_s, level=55.0),)}
    if draw < 0.075:
        return {"events": (Event("open_to_air", 20.0, duration_s, level=2.0),)}
    kinds = [kind for kind, shares in _DISTURBED.items() if rng.uniform() < factor * shares[unit]]
    rng.shuffle(kinds)
    events = []
    at = 12.0
    for kind in kinds:
        at += float(rng.uniform(0.0, 8.0))
        lasts = float(rng.uniform(*_LASTING[kind]))
        if at + lasts > duration_s - 10.0:
            break
        events.append(Event(kind, at, lasts))
        at += lasts + _REST_S
    return {"events": tuple(events)}


def context_of(scenarios: list[Scenario]) -> pd.DataFrame:
    """
    Context table of such a cohort, as `hemoidx.run_cohort` takes it.

    Parameters
    ----------
    scenarios : list of Scenario
        What `population` returned.

    Returns
    -------
    pandas.DataFrame
        One row a recording: ``record_id``, ``patient`` and ``unit``, which are groups, and the documented
        ``breathing`` and ``site``.
    """
    import pandas as pd

    breathing = {"controlled": "controlled_no_effort", "spontaneous": "spontaneous"}
    return pd.DataFrame(
        {
            "record_id": [one.name for one in scenarios],
            "patient": [one.name.partition("_")[0] for one in scenarios],
            "unit": [one.family for one in scenarios],
            "breathing": [breathing[one.breathing] for one in scenarios],
            "site": "radial",
        }
    )


def write_population(
    folder: Path | str,
    n: int,
    seed: int = 0,
    duration_s: float = 150.0,
    disturbed: float = 1.0,
    *,
    truth: bool = False,
) -> Path:
    """
    Simulate such a cohort and write it as WFDB, with its context table.

    Parameters
    ----------
    folder : path
        Where to; made if it is not there.
    n, seed, duration_s, disturbed
        As for `population`.
    truth : bool
        Whether the truth of each recording is written beside it.

    Returns
    -------
    Path
        The context table, ``context.csv`` in that folder.
    """
    scenarios = population(n, seed, duration_s, disturbed)
    for scenario in scenarios:
        write_recording(simulate(scenario), folder, truth=truth)
    target = Path(folder) / CONTEXT
    context_of(scenarios).to_csv(target, index=False)
    return target
