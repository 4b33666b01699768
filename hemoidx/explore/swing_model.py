"""How a breath makes a pulse pressure swing: a teaching model of our own, and what the analysis says."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    from ..analysis import Analysis

Float = NDArray[np.float64]

BREATHING = {
    "controlled": "controlled, no effort",
    "assisted": "assisted",
    "spontaneous": "spontaneous",
}
RHYTHMS = {"sinus": "regular", "ectopic": "early beats", "atrial_fibrillation": "atrial fibrillation"}
LENGTH_S = 62.0
#: Our invention: share of filling that a tidal volume of 8 mL/kg moves, and how steep the curve is.
_MOVED_AT_8 = 0.16
_STEEP = 3.2
_USUAL_TIDAL = 8.0
_OPEN_CHEST, _EFFORT = 0.3, 0.8


def curve(filling: Float | float) -> Any:
    """
    Stroke volume by filling, both as shares of their greatest.

    Parameters
    ----------
    filling : array_like
        0 to 1.

    Returns
    -------
    ndarray or float
        (1 - exp(-k f)) / (1 - exp(-k)), k = 3.2: it rises and flattens as Frank and Starling saw; the formula
        is our invention.
    """
    return (1.0 - np.exp(-_STEEP * np.asarray(filling, dtype=np.float64))) / (1.0 - math.exp(-_STEEP))


@dataclass(frozen=True)
class Swing:
    """
    What breathing does at one place of the curve.

    Attributes
    ----------
    low, high : float
        Filling at the ends of the swing, 0 to 1.
    share : float
        Half the swing of stroke volume over its mean.
    """

    low: float
    high: float
    share: float


def swing(state: Mapping[str, Any]) -> Swing:
    """
    Find how far a breath moves filling, and stroke volume with it.

    Parameters
    ----------
    state : mapping
        ``filling, tidal, breathing, chest_open, effort``.

    Returns
    -------
    Swing
        A breath moves filling in proportion to the tidal volume where a machine blows it in, by the effort
        where the patient draws it, and by less in an open chest.
    """
    moved = _MOVED_AT_8 * float(state["tidal"]) / _USUAL_TIDAL
    if state["breathing"] == "spontaneous":
        moved = _MOVED_AT_8 * _EFFORT * float(state["effort"])
    elif state["breathing"] == "assisted":
        moved = 0.5 * (moved + _MOVED_AT_8 * _EFFORT * float(state["effort"]))
    if state["chest_open"]:
        moved *= _OPEN_CHEST
    middle = float(state["filling"])
    low, high = max(middle - 0.5 * moved, 0.02), min(middle + 0.5 * moved, 1.0)
    ends = float(curve(low)), float(curve(high))
    return Swing(low, high, (ends[1] - ends[0]) / (ends[1] + ends[0]))


@lru_cache(maxsize=64)
def _analysed(
    breathing: str, rhythm: str, rate: float, breath_rate: float, share: float, stroke: float,
    tidal: float, chest_open: bool,
) -> Analysis:  # fmt: skip
    from ..analysis import analyse
    from ..indices import default_catalogue
    from ..simulate import Scenario, simulate

    made = simulate(
        Scenario(
            name="bench", duration_s=LENGTH_S, rate=rate, breath_rate=breath_rate,
            breathing="controlled" if breathing == "controlled" else "spontaneous",
            breath_pulse=min(share, 0.55), breath_level=2.0,
            pulse_pressure=25.0 + 45.0 * stroke, mean_pressure=62.0 + 25.0 * stroke, drift=0.0,
            rhythm="atrial_fibrillation" if rhythm == "atrial_fibrillation" else "sinus",
            ectopic_share=0.12 if rhythm == "ectopic" else 0.0, line_hz=40.0, line_damping=0.5, noise=0.2,
            step=0.1, seed=12,
        )
    )  # fmt: skip
    words = {"controlled": "controlled_no_effort"}.get(breathing, breathing)
    context = {"breathing": words, "chest_open": "yes" if chest_open else "no", "site": "radial"}
    if breathing == "controlled":
        context["tidal_volume_ml_per_kg_pbw"] = tidal  # type: ignore[assignment]
    catalogue = default_catalogue().only("ppv", "spv", "pp", "sbp", "mbp", "hr")
    return analyse(made.recording, context=context, catalogue=catalogue, progress=False)


def analysed(state: Mapping[str, Any]) -> Analysis:
    """Simulate a minute of what the state describes, and analyse it with what a context file would say."""
    found = swing(state)
    return _analysed(
        state["breathing"],
        state["rhythm"],
        float(state["rate"]),
        float(state["breath_rate"]),
        round(2.0 * found.share, 4),
        round(float(curve(0.5 * (found.low + found.high))), 4),
        float(state["tidal"]),
        bool(state["chest_open"]),
    )
