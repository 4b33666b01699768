"""
Entries of the catalogue for what is proportional to the stroke volume of a beat: `sv_<author or method>`.

Each has the unit of its own formula. None is a volume; what a reference makes of them stands in
`calibrated_entries`.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from ..index import Index
from ..limits import NOTCH_AT_FLOOR
from ..rules import (
    CLIPPED,
    DYNAMIC_SHAPE,
    GAIN,
    PRESSURE_RULES,
    STATIC_LINE,
    Limit,
    caution,
    dynamic_error,
    reject,
)
from . import area, decay
from . import pulse as s

TITLE = "proportional to stroke volume"
COMPARED = (
    "Monge Garcia MI, Gracia Romero M, Gil Cano A, Rhodes A, Grounds RM, Cecconi M. Impact of arterial "
    "load on "
    "the agreement between pulse pressure analysis and esophageal Doppler. Crit Care 2013;17:R113. "
    "doi:10.1186/cc12785"
)
_TRIAL = (
    "Sun JX, Reisner AT, Saeed M, Heldt T, Mark RG. The cardiac output from blood pressure algorithms trial. "
    "Crit Care Med 2009;37:72-80. doi:10.1097/CCM.0b013e3181930174 (abstract)"
)

#: Nothing about the heart's stroke is in a pressure that a machine makes; premature beats load the arteries
#: in another way than regular ones.
_HEART = reject("mechanical_support") + caution("irregular_rhythm", "ectopic", "alternating")
PULSE = PRESSURE_RULES + CLIPPED + GAIN + _HEART
LEVEL = PRESSURE_RULES + CLIPPED + STATIC_LINE + _HEART

_TONE = Limit(
    "change of stroke volume",
    "either way",
    "it follows the tone of the arteries as well as the stroke: in 53 patients agreement with Doppler flow "
    "of "
    "eight such estimators depended on arterial load, most of all with vasopressors",
    source=COMPARED,
)
VOLUME = Limit(
    "a volume",
    "says nothing",
    "it is proportional to flow at best, by one constant for each patient that no pressure tells",
    source="Verdouw PD, Beaune J, Roelandt J, Hugenholtz PG. Basic Res Cardiol 1975;70:377-389",
)
OTHERS = Limit(
    "cardiac output",
    "either way",
    "in 120 patients in intensive care seven of eight estimators, each scaled for the patient, were no "
    "better "
    "than mean pressure (limits of agreement -2.20 to 1.82 L/min); for the direction of change all were",
    source=_TRIAL,
)
_CENTRAL = Limit(
    "the method as published",
    "either way",
    "it was made with aortic pressure, and a peripheral wave is another",
    source="common practice, no source: pulse amplification",
)
LIMITS = (VOLUME, _TONE)


def _beat(
    name: str,
    words: str,
    unit: str,
    formula: str,
    inputs: tuple[str, ...],
    function: Callable[..., Any],
    **rest: Any,
) -> Index:
    """Entry of one estimator at beat level."""
    return Index(
        name=f"sv_{name}",
        title=f"{words} ({TITLE})",
        unit=unit,
        level="beat",
        family="stroke_volume",
        formula=formula,
        inputs=inputs,
        function=function,
        **rest,
    )


MEAN_PRESSURE = _beat(
    "mean_pressure",
    "Constant resistance: mean pressure times duration",
    "mmHg s",
    "mbp * duration",
    ("mbp", "duration"),
    s.mean_pressure_stroke,
    sources=(_TRIAL,),
    rules=LEVEL,
    harmed_by=("offset", "gain"),
    limits=(
        *LIMITS,
        Limit(
            "change of stroke volume",
            "either way",
            "it is the null model: any change of resistance is read as one of flow (limits of agreement "
            "-2.20 to "
            "1.82 L/min in 120 patients)",
            source=_TRIAL,
        ),
    ),
    shared_inputs=("mbp", "duration"),
)

PULSE_PRESSURE = _beat(
    "pulse_pressure",
    "Constant compliance: pulse pressure",
    "mmHg",
    "pp",
    ("pp",),
    s.pulse_pressure_stroke,
    sources=(
        "Erlanger J, Hooker DR. Johns Hopkins Hosp Rep 1904;12:145-378 (not seen; quoted by Koenig J, Hill "
        "LK, "
        "Williams DP, Thayer JF. Biomed Sci Instrum 2015;51:85-90)",
    ),
    rules=PULSE + DYNAMIC_SHAPE + dynamic_error("pp"),
    harmed_by=("gain", "line"),
    limits=(
        *LIMITS,
        OTHERS,
        Limit(
            "change of stroke volume",
            "either way",
            "stiffer arteries and peripheral amplification raise it at the same stroke",
            source=COMPARED,
        ),
    ),
    shared_inputs=("pp",),
)

LILJESTRAND_ZANDER = _beat(
    "liljestrand_zander",
    "Pulse pressure over the sum of systolic and diastolic pressure",
    "1",
    "pp / (sbp + dbp)",
    ("pp", "sbp", "dbp"),
    s.liljestrand_zander,
    sources=(
        "Liljestrand G, Zander E. Z Gesamte Exp Med 1928;59:105-122 (formula as told by Koenig J and others. "
        "Biomed Sci Instrum 2015;51:85-90)",
    ),
    rules=LEVEL + DYNAMIC_SHAPE + dynamic_error("pp"),
    harmed_by=("offset", "line"),
    limits=(
        *LIMITS,
        Limit(
            "cardiac output",
            "either way",
            "limits of agreement -1.76 to 1.41 L/min in 120 patients, each scaled with his own references",
            source=_TRIAL,
        ),
        Limit(
            "cardiac output",
            "either way",
            "root mean square error 14 to 15 % on the best waves of 121 records, scaled looking back",
            source="Chen T, Clifford GD, Mark RG. The effect of signal quality on six cardiac output "
            "estimators. "
            "Comput Cardiol 2009;36:197-200 (abstract)",
        ),
        Limit(
            "cardiac output",
            "either way",
            "r = 0.42 with a modelled flow in 67 young adults",
            source="Koenig J, Hill LK, Williams DP, Thayer JF. Biomed Sci Instrum 2015;51:85-90 (abstract)",
        ),
    ),
    shared_inputs=("pp", "sbp", "dbp"),
)

HERD = _beat(
    "herd",
    "Mean minus diastolic pressure",
    "mmHg",
    "mbp - dbp",
    ("mbp", "dbp"),
    s.herd,
    sources=(f"Herd JA, Leclair NR, Simon W. J Appl Physiol 1966;21:1864-1868 (as printed in {COMPARED})",),
    rules=PULSE + DYNAMIC_SHAPE,
    harmed_by=("gain", "line"),
    limits=(*LIMITS, OTHERS, _CENTRAL),
    shared_inputs=("mbp", "dbp"),
)

SYSTOLIC_AREA = _beat(
    "systolic_area",
    "Systolic area above diastolic pressure",
    "mmHg s",
    "systolic_area",
    ("systolic_area",),
    area.systolic_area_stroke,
    sources=(
        "Verdouw PD, Beaune J, Roelandt J, Hugenholtz PG. Basic Res Cardiol 1975;70:377-389",
        "Kouchoukos NT, Sheppard LC, McDonald DA. Circ Res 1970;26:611-623 (the area above diastolic "
        "pressure)",
    ),
    rules=PULSE + NOTCH_AT_FLOOR + DYNAMIC_SHAPE,
    harmed_by=("gain", "line"),
    limits=(
        *LIMITS,
        OTHERS,
        _CENTRAL,
        Limit(
            "a flow by an impedance from tables",
            "either way",
            "area over Doppler stroke volume was 0.062 mmHg s/mL in young men and 0.104 in women: 15 % "
            "error of "
            "the stroke at rest",
            source="Antonutto G, Girardis M, Tuniz D, Petri E, Capelli C. Eur J Appl Physiol 1994;69:183-188 "
            "(abstract, finger pressure)",
        ),
    ),
    shared_inputs=("systolic_area",),
)

WHOLE_AREA = _beat(
    "whole_systolic_area",
    "Systolic area above zero",
    "mmHg s",
    "systolic_area + dbp * ejection_time",
    ("systolic_area", "dbp", "ejection_time"),
    area.whole_systolic_area,
    sources=(
        "Verdouw PD, Beaune J, Roelandt J, Hugenholtz PG. Basic Res Cardiol 1975;70:377-389 "
        f"(as printed in {COMPARED})",
    ),
    rules=LEVEL + NOTCH_AT_FLOOR + DYNAMIC_SHAPE,
    harmed_by=("offset", "gain", "line"),
    limits=(*LIMITS, _CENTRAL),
    shared_inputs=("systolic_area", "dbp", "ejection_time"),
)

KOUCHOUKOS = _beat(
    "kouchoukos",
    "Systolic area with a correction for run-off",
    "mmHg s",
    "systolic_area * (1 + Ts/Td), Ts = ejection_time, Td = duration - Ts",
    ("systolic_area", "ejection_time", "duration"),
    area.kouchoukos,
    sources=(
        "Kouchoukos NT, Sheppard LC, McDonald DA. Estimation of stroke volume in the dog by a pulse contour "
        "method. Circ Res 1970;26:611-623. doi:10.1161/01.RES.26.5.611 (abstract)",
    ),
    rules=PULSE + NOTCH_AT_FLOOR + DYNAMIC_SHAPE,
    harmed_by=("gain", "line"),
    limits=(
        *LIMITS,
        OTHERS,
        _CENTRAL,
        Limit(
            "change of stroke volume",
            "either way",
            "in 12 dogs with one calibration each r was 0.93, but not with sympathomimetic drugs",
            source="Kouchoukos NT, Sheppard LC, McDonald DA. Circ Res 1970;26:611-623 (abstract)",
        ),
    ),
    shared_inputs=("systolic_area", "ejection_time", "duration"),
)

WESSELING = _beat(
    "wesseling",
    "Systolic area above zero, with impedance corrected for rate and pressure",
    "mmHg s",
    "(systolic_area + dbp * ejection_time) * (163 + hr - 0.48 * mbp)",
    ("sv_whole_systolic_area", "hr", "mbp"),
    area.corrected_impedance,
    sources=(
        "Wesseling KH, de Wit B, Weber JAP, Smith NT. Adv Cardiovasc Phys 1983;5(II):16-52 "
        f"(not seen; as printed in {COMPARED})",
    ),
    rules=LEVEL + NOTCH_AT_FLOOR + DYNAMIC_SHAPE,
    harmed_by=("offset", "gain", "line"),
    limits=(*LIMITS, OTHERS, _CENTRAL),
    shared_inputs=("systolic_area", "dbp", "ejection_time", "hr", "mbp"),
)

JANSEN = _beat(
    "jansen",
    "Systolic area above diastolic pressure, with impedance corrected for rate, pressure and age",
    "mmHg s",
    "systolic_area * (66 + hr - age * (0.014 * mbp - 0.8)); recalled from memory, as is the baseline",
    ("systolic_area", "hr", "mbp", "context.age_years"),
    area.corrected_impedance_age,
    sources=(
        "Jansen JRC, Wesseling KH, Settels JJ, Schreuder JJ. Continuous cardiac output monitoring by pulse "
        "contour during cardiac surgery. Eur Heart J 1990;11(suppl I):26-32 (recalled from memory, not seen)",
    ),
    rules=LEVEL + NOTCH_AT_FLOOR + DYNAMIC_SHAPE,
    harmed_by=("offset", "gain", "line"),
    limits=(
        *LIMITS,
        _CENTRAL,
        Limit(
            "the method as published",
            "either way",
            "its constants are recalled from memory and were not confirmed",
            source="recalled from memory, no print seen",
        ),
    ),
    shared_inputs=("systolic_area", "hr", "mbp"),
    missing="nobody documented the age, or it could not be read from the samples",
)

RMS = _beat(
    "rms",
    "Root mean square of the pulsation",
    "mmHg",
    "sqrt(mean of (pressure - mbp)^2 over the beat)",
    ("pressure", "onset", "end"),
    s.root_mean_square,
    sources=(f"{COMPARED}, table 1 (a mean in the place of the integral printed there)",),
    rules=PULSE + reject("end_unknown") + DYNAMIC_SHAPE,
    harmed_by=("gain", "line"),
    limits=(*LIMITS, OTHERS),
    shared_inputs=("pp",),
)

DECAY = _beat(
    "decay",
    "Windkessel with the time constant of diastole",
    "mmHg",
    "mbp * duration / tau",
    ("mbp", "duration", "tau"),
    decay.decay_stroke,
    sources=(
        "Bourgeois MJ, Gilbert BK, von Bernuth G, Wood EH. Continuous determination of beat-to-beat stroke "
        "volume "
        "from aortic pressure pulses in the dog. Circ Res 1976;39:15-24 (not seen)",
    ),
    rules=LEVEL + DYNAMIC_SHAPE,
    harmed_by=("offset", "line"),
    limits=(
        *LIMITS,
        OTHERS,
        _CENTRAL,
        Limit(
            "change of stroke volume",
            "either way",
            "the decay is taken to end at zero; at best 31 % error in 15 patients with changing tone",
            source="Charlton P, Smith J, Camporota L, Beale R, Alastruey J. Optimising the windkessel "
            "model for "
            "cardiac output monitoring during changes in vascular tone. 2014 (abstract)",
        ),
    ),
    shared_inputs=("mbp", "duration", "tau"),
)

INDICES = (
    MEAN_PRESSURE,
    PULSE_PRESSURE,
    LILJESTRAND_ZANDER,
    HERD,
    SYSTOLIC_AREA,
    WHOLE_AREA,
    KOUCHOUKOS,
    WESSELING,
    JANSEN,
    RMS,
    DECAY,
)
