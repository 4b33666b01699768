"""
Entries of the catalogue for stroke volume in windows: estimators that need many beats, and calibrated flow.

Absolute columns are few: one cardiac output for each estimator (`co_<method>`), by the first reference, and
no stroke volume, which is that over heart rate. Left out are second forms of one area, which a calibration
brings close to the first.
"""

from __future__ import annotations

from collections.abc import Callable

from ..blocks import Part
from ..index import Index
from ..rules import DYNAMIC_SHAPE, Limit
from . import calibrated as c
from . import entries as beat
from . import many_beats as many
from .entries import COMPARED, LEVEL, LIMITS, PULSE, TITLE, VOLUME

PARLIKAR = Index(
    name="sv_parlikar",
    title=f"Beat-averaged windkessel ({TITLE})",
    unit="mmHg",
    level="window",
    family="stroke_volume",
    formula="mean of (rise to the next foot + mbp * duration / tau), tau by least squares over the window",
    inputs=("beats.onset_s", "beats.end_s", "beats.dbp", "beats.mbp", "window_of_beat", "n_windows"),
    function=many.beat_averaged_windkessel,
    sources=(
        "Parlikar TA, Heldt T, Ranade GV, Verghese GC. Model-based estimation of cardiac output and total "
        "peripheral resistance. Comput Cardiol 2007;34:379-382 (abstract; equation and fit recalled from "
        "memory)",
    ),
    rules=PULSE + DYNAMIC_SHAPE,
    harmed_by=("gain", "line"),
    limits=(
        *LIMITS,
        Limit(
            "an estimate beside that of Herd",
            "says nothing",
            "in a window as long as that of its fit it comes close to twice mbp - dbp",
            source="arithmetic on the formula",
        ),
        Limit(
            "cardiac output",
            "either way",
            "normalised error 11 to 13 % in pigs against ultrasonic flow",
            source="Parlikar TA and others. Comput Cardiol 2007;34:379-382 (abstract)",
        ),
    ),
    shared_inputs=("mbp", "dbp"),
    missing="fewer than ten pairs of successive beats were usable, or no time constant fits",
)

LONG_INTERVAL = Index(
    name="sv_long_interval",
    title=f"Mean pressure over the time constant of six minutes ({TITLE})",
    unit="mmHg",
    level="window",
    family="stroke_volume",
    formula="mean of mbp * duration over six minutes / tau; rise from foot to foot = a * pp - mbp * "
    "duration / tau",
    inputs=(
        "beats.onset_s",
        "beats.end_s",
        "beats.dbp",
        "beats.mbp",
        "beats.pp",
        "window_of_beat",
        "n_windows",
    ),
    function=many.long_interval,
    sources=(
        "Mukkamala R, Reisner AT, Hojman HM, Mark RG, Cohen RJ. Continuous cardiac output monitoring by "
        "peripheral "
        "blood pressure waveform analysis. IEEE Trans Biomed Eng 2006;53:459-467 (principle; the "
        "identification "
        "here is our own and simpler)",
    ),
    rules=LEVEL + DYNAMIC_SHAPE,
    harmed_by=("offset", "line"),
    limits=(
        *LIMITS,
        Limit(
            "change of stroke volume",
            "either way",
            "noise in the diastolic pressures makes the time constant read long, and any change within three "
            "minutes on either side is smeared",
            source="arithmetic on the formula: errors in both variables",
        ),
        Limit(
            "the method as published",
            "either way",
            "the 14.6 % error in six pigs belongs to another identification",
            source="Mukkamala R and others. IEEE Trans Biomed Eng 2006;53:459-467 (abstract)",
        ),
    ),
    shared_inputs=("mbp", "dbp", "pp"),
    missing="six minutes around it are not in the recording, or vary too little to tell a time constant",
)

_NO_REFERENCE = (
    "nobody documented a reference cardiac output up to this window that overlaps a usable one and was not "
    "read off a pressure, or the estimator has no value"
)
_CALIBRATION = Limit(
    "cardiac output",
    "either way",
    "the factor of the first reference is taken to hold; it changes with the tone of the arteries",
    source=COMPARED,
)
_REFERENCE = Limit(
    "agreement with the reference",
    "says nothing",
    "at the first reference it agrees by construction",
    source="arithmetic on the formula",
)


def _cardiac_output(index: Index) -> Index:
    """Entry of the cardiac output that an estimator gives after calibration."""
    method = index.name.removeprefix("sv_")
    in_words = index.title.split(" (")[0]
    in_words = in_words[:1].lower() + in_words[1:]
    if index.level == "beat":
        inputs: tuple[str, ...] = (
            f"beats.{index.name}",
            "beats.duration",
            "window_of_beat",
            "start_s",
            "end_s",
        )
        function: Callable[..., c.Calibrated] = c.flow_of_beats
    else:
        inputs = (index.name, "hr")
        function = c.flow_of_windows
    return Index(
        name=f"co_{method}",
        title=f"Cardiac output by {in_words}, calibrated at the first reference",
        unit="L/min",
        level="window",
        family="stroke_volume",
        formula=f"k * {index.name} * hr; k = reference / ({index.name} * hr) at the first reference, "
        "averaged over "
        "the windows that share half of the shorter of window and averaging time with it",
        inputs=(*inputs, "co", "context.reference_flow_from_pressure"),
        function=Part(function),
        error_function=Part(function, "se"),
        sources=(*index.sources, f"{COMPARED} (scaling with the first value)"),
        rules=index.rules,
        harmed_by=index.harmed_by,
        limits=(_CALIBRATION, _REFERENCE, *(x for x in index.limits if x is not VOLUME)),
        shared_inputs=(index.name, "co"),
        missing=_NO_REFERENCE,
    )


#: Forms so close to another one that a calibrated column of their own would add none.
_SECOND_FORMS = (beat.WHOLE_AREA, beat.JANSEN)
MANY_BEATS = (PARLIKAR, LONG_INTERVAL)
INDICES = (
    *MANY_BEATS,
    *(_cardiac_output(index) for index in (*beat.INDICES, *MANY_BEATS) if index not in _SECOND_FORMS),
)
