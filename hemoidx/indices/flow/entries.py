"""Entries of the catalogue that need a documented flow."""

from __future__ import annotations

from ..index import Index, Range
from ..limits import NOTCH_AT_FLOOR
from ..rules import (
    CAUTION,
    CLIPPED,
    DYNAMIC_SHAPE,
    PRESSURE_RULES,
    STATIC_LINE,
    Limit,
    Rule,
    When,
    reject,
)
from . import formulas as flow
from . import load
from .reference import reference_flow

_NO_FLOW = "nobody documented a reference flow whose averaging time overlaps this window"
_NO_VENOUS = f"{_NO_FLOW}, or nobody documented the central venous pressure, which is never assumed"
_NO_SIZE = f"{_NO_FLOW}, or nobody documented height and weight"
_TEXTBOOK = "common practice, no source: textbook definition"
_TABLES = "Normal adult haemodynamic values, teaching tables for nursing and cardiac anaesthesia"
_RESTING = "resting adults, a teaching table; other tables differ"
_BODY = ("context.height_cm", "context.weight_kg")
_FROM_PRESSURE = When(column="context.reference_flow_from_pressure", one_of=("yes",))

_COUPLED = Limit(
    "a property of the arteries",
    "either way",
    "the flow was itself read off a pressure, so that the same pressure stands above and below the line",
    _FROM_PRESSURE,
    "Monge Garcia MI and others. Crit Care 2013;17:R113 (agreement of such flows depends on arterial load)",
)
_PERIPHERAL = Limit(
    "a property of the central arteries",
    "reads low",
    "at a peripheral site pulse pressure is amplified",
    source="Chemla D, Hebert JL, Coirault C, and others. Am J Physiol Heart Circ Physiol 1998;274:H500-H505 "
    "(made with aortic pressure)",
)
_STEADY = Limit(
    "a resistance",
    "either way",
    "it holds in a steady state, with pressures and flow of the same moment",
    source=_TEXTBOOK,
)

CO = Index(
    name="co",
    title="Cardiac output, documented reference",
    unit="L/min",
    level="window",
    family="flow",
    formula="documented reference flow, held over its averaging time; nothing is estimated",
    inputs=(
        "beats.context.reference_flow_l_per_min",
        "beats.context.reference_flow_window_s",
        "beats.onset_s",
        "window_of_beat",
        "start_s",
        "end_s",
    ),
    function=reference_flow,
    sources=("common practice, no source: what was documented",),
    rules=(Rule(CAUTION, _FROM_PRESSURE, "the documented flow was itself read off a pressure"),),
    published_range=Range(4.0, 8.0, _RESTING, _TABLES),
    missing=_NO_FLOW,
)

CI = Index(
    name="ci",
    title="Cardiac index",
    unit="L/min/m2",
    level="window",
    family="flow",
    formula="co / body surface area (Du Bois)",
    inputs=("co", *_BODY),
    function=flow.indexed,
    sources=(_TEXTBOOK,),
    shared_inputs=("co", "svi"),
    published_range=Range(2.5, 4.0, _RESTING, _TABLES),
    missing=_NO_SIZE,
)

SV = Index(
    name="sv",
    title="Stroke volume, from the documented flow",
    unit="mL",
    level="window",
    family="flow",
    formula="1000 * co / hr",
    inputs=("co", "hr"),
    function=flow.stroke_volume,
    sources=(_TEXTBOOK,),
    # What a machine pumps is no stroke of the heart.
    rules=(
        *reject("mechanical_support"),
        Rule(CAUTION, _FROM_PRESSURE, "the documented flow was itself read off a pressure"),
    ),
    limits=(
        Limit(
            "the stroke volume of one beat",
            "says nothing",
            "it is a mean over the averaging time; in an irregular rhythm beats differ widely",
            When(facts=("irregular_rhythm", "ectopic", "alternating")),
            _TEXTBOOK,
        ),
    ),
    shared_inputs=("co", "hr"),
    published_range=Range(60.0, 90.0, _RESTING, _TABLES),
    missing=_NO_FLOW,
)

SVI = Index(
    name="svi",
    title="Stroke volume index",
    unit="mL/m2",
    level="window",
    family="flow",
    formula="sv / body surface area (Du Bois)",
    inputs=("sv", *_BODY),
    function=flow.indexed,
    sources=(_TEXTBOOK,),
    shared_inputs=("sv", "ci"),
    published_range=Range(25.0, 45.0, _RESTING, _TABLES),
    missing=_NO_SIZE,
)

SVR = Index(
    name="svr",
    title="Systemic vascular resistance",
    unit="dyn s/cm5",
    level="window",
    family="flow",
    formula="80 * (mbp - central venous pressure) / co; the customary 80 for 79.9934",
    inputs=("mbp", "context.central_venous_pressure_mmhg", "co"),
    function=flow.resistance_dyn,
    sources=("Indexed values, worked examples on a cardiac output teaching site",),
    harmed_by=("offset", "gain"),
    limits=(_STEADY, _COUPLED),
    shared_inputs=("mbp", "co"),
    published_range=Range(800.0, 1200.0, _RESTING, _TABLES),
    missing=_NO_VENOUS,
)

SVR_WOOD = Index(
    name="svr_wood",
    title="Systemic vascular resistance in Wood units",
    unit="mmHg min/L",
    level="window",
    family="flow",
    formula="(mbp - central venous pressure) / co",
    inputs=("mbp", "context.central_venous_pressure_mmhg", "co"),
    function=flow.resistance,
    sources=(_TEXTBOOK,),
    harmed_by=("offset", "gain"),
    limits=(_STEADY, _COUPLED),
    shared_inputs=("mbp", "co", "svr"),
    missing=_NO_VENOUS,
)

SVRI = Index(
    name="svri",
    title="Systemic vascular resistance index",
    unit="dyn s m2/cm5",
    level="window",
    family="flow",
    formula="svr * body surface area (Du Bois)",
    inputs=("svr", *_BODY),
    function=flow.resistance_index_of_body,
    sources=("Indexed values, worked examples on a cardiac output teaching site",),
    harmed_by=("offset", "gain"),
    limits=(_STEADY, _COUPLED),
    shared_inputs=("mbp", "co"),
    published_range=Range(1970.0, 2390.0, _RESTING, "Four study notes and calculators"),
    missing=f"{_NO_VENOUS}, or height and weight",
)

_POWER_SOURCE = (
    "Fincke R, Hochman JS, Lowe AM, Menon V, Slater JN, Webb JG, LeJemtel TH, Cotter G. J Am Coll Cardiol "
    "2004;44:340-348. doi:10.1016/j.jacc.2004.03.060"
)

CPO = Index(
    name="cpo",
    title="Cardiac power output",
    unit="W",
    level="window",
    family="flow",
    formula="mbp * co / 451; the customary 451 for 450.04",
    inputs=("mbp", "co"),
    function=flow.power,
    sources=(_POWER_SOURCE,),
    harmed_by=("offset", "gain"),
    limits=(
        Limit(
            "power given to the systemic circulation",
            "reads high",
            "right atrial pressure is left out, see cpo_rap",
            source="Calculation of cardiac power output with right atrial pressure. Conference abstract, "
            "n = 224",
        ),
        _COUPLED,
    ),
    shared_inputs=("mbp", "co"),
    published_range=Range(0.8, 1.2, _RESTING, "Page of a calculator; another prints 0.6 to 1.2"),
    missing=_NO_FLOW,
)

CPO_RAP = Index(
    name="cpo_rap",
    title="Cardiac power output above right atrial pressure",
    unit="W",
    level="window",
    family="flow",
    formula="(mbp - central venous pressure) * co / 451",
    inputs=("mbp", "context.central_venous_pressure_mmhg", "co"),
    function=flow.power_above_right_atrium,
    sources=("Calculation of cardiac power output with right atrial pressure. Conference abstract, n = 224",),
    harmed_by=("offset", "gain"),
    limits=(_COUPLED,),
    shared_inputs=("mbp", "co", "cpo"),
    missing=_NO_VENOUS,
)

CPI = Index(
    name="cpi",
    title="Cardiac power index",
    unit="W/m2",
    level="window",
    family="flow",
    formula="cpo / body surface area (Du Bois)",
    inputs=("cpo", *_BODY),
    function=flow.indexed,
    sources=(_POWER_SOURCE,),
    harmed_by=("offset", "gain"),
    limits=(_COUPLED,),
    shared_inputs=("mbp", "co", "cpo"),
    published_range=Range(
        0.5,
        0.8,
        "no normal range: time below a band of risk, 119 patients in intensive care",
        "doi:10.1186/cc8114 (abstract)",
    ),
    missing=_NO_SIZE,
)

TAC_SVPP = Index(
    name="tac_svpp",
    title="Total arterial compliance, stroke volume over pulse pressure",
    unit="mL/mmHg",
    level="window",
    family="flow",
    formula="sv / pp",
    inputs=("sv", "pp"),
    function=load.compliance_by_pulse,
    sources=(
        "Chemla D, Hebert JL, Coirault C, Zamani K, Suard I, Colin P, Lecarpentier Y. Am J Physiol Heart "
        "Circ Physiol 1998;274:H500-H505",
    ),
    harmed_by=("gain", "line"),
    limits=(
        _PERIPHERAL,
        Limit(
            "the compliance of a windkessel",
            "reads high",
            "what runs off during ejection is taken for stored",
            source="Westerhof N, Lankhaar JW, Westerhof BE. Med Biol Eng Comput 2009;47:131-141 (model; "
            "2.3 for 1.5 mL/mmHg by its closed form)",
        ),
        _COUPLED,
    ),
    shared_inputs=("pp", "sv"),
    published_range=Range(1.0, 2.0, "adults", "Encyclopaedia page on the windkessel effect"),
    missing=_NO_FLOW,
)

TAU_AREA = Index(
    name="tau_area",
    title="Time constant of diastole by the area method (decay towards zero)",
    unit="s",
    level="beat",
    family="flow",
    formula="area under the pressure from notch to next foot / fall of pressure between them",
    inputs=("pressure", "notch", "end", "fs"),
    function=load.area_decay_time,
    sources=(
        "Westerhof N, Lankhaar JW, Westerhof BE. Med Biol Eng Comput 2009;47:131-141 "
        "(method recalled from memory)",
    ),
    rules=PRESSURE_RULES
    + CLIPPED
    + reject("no_notch", "end_unknown", "mechanical_support")
    + STATIC_LINE
    + DYNAMIC_SHAPE
    + NOTCH_AT_FLOOR,
    harmed_by=("offset", "line"),
    limits=(
        Limit(
            "resistance times compliance",
            "either way",
            "at a peripheral site a dicrotic wave rides on the decay, and the decay does not end at zero",
            source="Chemla D, Lau EMT, Herve P, and others. Arch Cardiovasc Dis 2017;110:659-666 (abstract)",
        ),
    ),
    column="tau_area_s",
)

TAC_AREA = Index(
    name="tac_area",
    title="Total arterial compliance, area method",
    unit="mL/mmHg",
    level="window",
    family="flow",
    formula="tau_area * co / mbp",
    inputs=("tau_area", "mbp", "co"),
    function=load.compliance_by_time_constant,
    sources=(
        "Westerhof N, Lankhaar JW, Westerhof BE. Med Biol Eng Comput 2009;47:131-141 "
        "(method recalled from memory)",
    ),
    harmed_by=("offset", "line"),
    limits=(
        Limit(
            "a value beside one by another method",
            "says nothing",
            "methods differ by a third in the same people",
            source="A comparison of methods for assessing total arterial compliance, 2010 (abstract, 320 "
            "people: 1.24, 1.84 and 1.96 mL/mmHg by three methods)",
        ),
        _COUPLED,
    ),
    shared_inputs=("mbp", "co"),
    missing=f"{_NO_FLOW}, or diastole could not be read",
)

EA = Index(
    name="ea",
    title="Effective arterial elastance",
    unit="mmHg/mL",
    level="window",
    family="flow",
    formula="0.9 * sbp / sv",
    inputs=("sbp", "sv"),
    function=load.effective_elastance,
    sources=(
        "Kelly RP, Ting CT, Yang TM, Liu CP, Maughan WL, Chang MS, Kass DA. Circulation 1992;86:513-521. "
        "doi:10.1161/01.CIR.86.2.513",
    ),
    harmed_by=("offset", "gain", "line"),
    limits=(
        Limit(
            "effective elastance by central pressure",
            "reads high",
            "at a peripheral site systolic pressure is amplified",
            source="Kelly RP and others. Circulation 1992;86:513-521 (brachial or central systolic pressure)",
        ),
        Limit(
            "pulsatile load",
            "says nothing",
            "in 2367 adults it was resistance over heart period; pulsatile load added less than 1 %",
            source="Chirinos JA and others. Hypertension 2014;64:1022-1031",
        ),
        _COUPLED,
    ),
    shared_inputs=("sbp", "sv", "hr"),
    published_range=Range(
        1.4, 3.0, "adults, mean 2.2 with one standard deviation; recalled from memory", _TABLES
    ),
    missing=_NO_FLOW,
)

INDICES = (CO, CI, SV, SVI, SVR, SVR_WOOD, SVRI, CPO, CPO_RAP, CPI, TAC_SVPP, TAU_AREA, TAC_AREA, EA)
