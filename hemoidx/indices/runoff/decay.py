"""Time constant and asymptote of the diastolic decay, fitted jointly over the beats of a window."""

from __future__ import annotations

from ..blocks import Part
from ..index import Index, Range
from ..limits import NO_PUMP, away_from_aorta, supported
from ..rules import DYNAMIC_SHAPE, PRESSURE_RULES, STATIC_LINE, Limit, reject
from .joint import joint_decay
from .thirds import LOWER_RAIL

_FREE = (
    "Effect of aging on the pressure asymptote and time constant of exponential diastolic aortic pressure "
    "decay in humans. Artery Res 2018, abstract P11. doi:10.1016/j.artres.2018.10.064"
)


_INPUTS = (
    "beats.runoff_early",
    "beats.runoff_middle",
    "beats.runoff_late",
    "beats.runoff_time",
    "beats.onset_s",
    "window_of_beat",
    "n_windows",
)
_MISSING = (
    "fewer than ten beats had a decay of 0.25 s to be read, it tells no time constant between 0.05 and 5 "
    "s, or twice the standard error exceeds 30 % of that"
)
_SIMULATED = "our simulation of 36 recordings for each value (tests/test_indices_runoff.py repeats some)"
_ENDS = (
    Limit(
        "critical closing pressure",
        "either way",
        "the asymptote lies below the pressures it is carried on from, and reflected waves bend the decay",
        source="common practice, no source",
    ),
)

TAU_FREE = Index(
    name="tau_free",
    title="Time constant of the diastolic decay, asymptote fitted",
    unit="s",
    level="window",
    family="runoff",
    formula="P = asymptote + A exp(-t / tau): least squares over the thirds of the decays of the window, "
    "amplitude of each beat its own",
    inputs=_INPUTS,
    function=Part(joint_decay, "tau"),
    error_function=Part(joint_decay, "tau_se"),
    sources=(_FREE,),
    rules=PRESSURE_RULES + LOWER_RAIL + reject("no_notch") + DYNAMIC_SHAPE + NO_PUMP,
    harmed_by=("line",),
    limits=(
        Limit(
            "resistance times compliance",
            "either way",
            "waves travel where the model has one chamber: on simulated broad, central pulses it read 0.8 "
            "to 1.4 times the true value of 0.6 to 1.5 s",
            source=_SIMULATED,
        ),
        *away_from_aorta(
            "resistance times compliance",
            "may read high",
            "on simulated radial pulses it read 0.95 to 2.1 times the true value of 0.6 to 1.5 s",
            _SIMULATED,
        ),
        *supported("resistance times compliance"),
    ),
    column="tau_free_s",
    missing=_MISSING,
    shared_inputs=("asymptote",),
    published_range=Range(
        0.331,
        0.541,
        "aorta, 71 normal adults, high-fidelity catheter, mean and one standard deviation",
        _FREE,
    ),
)

ASYMPTOTE = Index(
    name="asymptote",
    title="Asymptote of the diastolic decay",
    unit="mmHg",
    level="window",
    family="runoff",
    formula="P = asymptote + A exp(-t / tau), fitted together with tau_free",
    inputs=_INPUTS,
    function=Part(joint_decay, "asymptote"),
    error_function=Part(joint_decay, "asymptote_se"),
    sources=(_FREE,),
    rules=PRESSURE_RULES + LOWER_RAIL + reject("no_notch") + STATIC_LINE + DYNAMIC_SHAPE + NO_PUMP,
    harmed_by=("offset", "gain", "line"),
    limits=(*_ENDS, *supported("critical closing pressure")),
    missing=_MISSING,
    shared_inputs=("tau_free",),
    published_range=Range(
        50.4, 66.6, "aorta, 71 normal adults, high-fidelity catheter, mean and one standard deviation", _FREE
    ),
)

INDICES = (TAU_FREE, ASYMPTOTE)
