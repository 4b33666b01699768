"""
The rules for set-up sheets, from the fluid bag to the cannula.

Each describes a fault and how it shows; none says what to do. Local policy and licensed practice decide at
the bedside. A value equal to a recommended limit (tubing of 120 cm, a bore of 1.5 mm) is let pass: lines are
sold in those sizes, and the texts give no proof for the limit itself.
"""

from __future__ import annotations

from .ruling import EXAMINATION_NOTES, Basis, Condition, Effect, Rule, Severity, convention, practice
from .setup_rules_fluid import BAG_RULES, FLUID_RULES

_NOTE, _MINOR, _MAJOR = Severity.NOTE, Severity.MINOR, Severity.MAJOR
_PART_ONE = "Barlow C and contributors, Part One, chapter Pressure transduction"

_TURNED_BETWEEN = "its handle stood part of the way, which narrows or shuts the line"

_TAPS = (
    Rule(
        "taps_many",
        "taps",
        (Condition("tap_count", "above", 2),),
        (Effect.UNDERDAMPS,),
        _MINOR,
        "{tap_count} taps stand between transducer and cannula: each adds compliance and a place for bubbles",
        (
            Basis(
                "published",
                "on the bench, joining parts to a line lowered its resonance from above 100 to below 10 Hz",
                "Evaluation of dynamic performance in liquid-filled catheter systems for measuring invasive "
                "blood pressure, abstract",
            ),
            practice("as few taps as possible", _PART_ONE),
            convention("many above 2"),
        ),
    ),
    Rule(
        "tap_loose",
        "taps.tight",
        (Condition("tight", "is", (False,)),),
        (Effect.GAIN, Effect.OVERDAMPS),
        _MAJOR,
        "a connection of it was loose: flow through the leak takes pressure off along the cannula, in "
        "proportion to the pressure, and blood is lost",
        (practice("connections are tight"),),
    ),
    Rule(
        "tap_closed",
        "taps.turned",
        (Condition("turned", "is", ("closed_to_cannula", "closed_to_transducer")),),
        (Effect.NO_SIGNAL,),
        _MAJOR,
        "it was turned {turned}: no pulse reaches the transducer",
        (practice("the way from cannula to transducer is open"),),
    ),
    Rule(
        "tap_open_to_air",
        "taps.turned",
        (Condition("turned", "is", ("open_to_air",)),),
        (Effect.NO_SIGNAL,),
        _MAJOR,
        "it was open to air: the trace lies flat at the height of the opening",
        (practice("the way from cannula to transducer is open"),),
    ),
    Rule(
        "tap_between",
        "taps.turned",
        (Condition("turned", "is", ("between",)),),
        (Effect.OVERDAMPS, Effect.NO_SIGNAL),
        _MAJOR,
        _TURNED_BETWEEN,
        (practice("the way from cannula to transducer is open"),),
    ),
)

_TUBING = (
    Rule(
        "tubing_long",
        "tubing_length_cm",
        (Condition("tubing_length_cm", "above", 120),),
        (Effect.UNDERDAMPS,),
        _MINOR,
        "{tubing_length_cm:g} cm of tubing lower the natural frequency, towards those of the wave",
        (practice("shorter than 1.2 m", EXAMINATION_NOTES),),
    ),
    Rule(
        "tubing_narrow",
        "tubing_bore_mm",
        (Condition("tubing_bore_mm", "below", 1.5),),
        (Effect.OVERDAMPS,),
        _MINOR,
        "a bore of {tubing_bore_mm:g} mm lowers the natural frequency and raises the resistance steeply",
        (practice("a bore over 1.5 mm", EXAMINATION_NOTES),),
    ),
    Rule(
        "tubing_soft",
        "tubing_stiffness",
        (Condition("tubing_stiffness", "is", ("soft",)),),
        (Effect.UNDERDAMPS, Effect.OVERDAMPS),
        _MINOR,
        "a soft wall lowers the natural frequency and raises the damping: which of the two shows depends on "
        "how much",
        (practice("stiff tubing", EXAMINATION_NOTES),),
    ),
    Rule(
        "tubing_kinked",
        "tubing_kinked",
        (Condition("tubing_kinked", "is", (True,)),),
        (Effect.OVERDAMPS, Effect.NO_SIGNAL),
        _MAJOR,
        "tubing or cannula was kinked",
        (practice("a kink narrows or shuts the line"),),
    ),
)

_BUBBLE = (
    Basis(
        "published",
        "in a line of 17 Hz and damping 0.2, a bubble of 0.1 mL raised the displayed pressure, one of 0.5 mL "
        "gave false hypotension",
        "Mark JB, Atlas of Cardiovascular Monitoring, 1998, Fig 9-14",
    ),
)

_BUBBLES = (
    Rule(
        "bubble_small",
        "bubble_volume_ml",
        (Condition("bubble_volume_ml", "above", 0), Condition("bubble_volume_ml", "at_most", 0.1)),
        (Effect.UNDERDAMPS,),
        _MINOR,
        "{bubble_volume_ml:g} mL of air lower the natural frequency",
        _BUBBLE,
    ),
    Rule(
        "bubble_middling",
        "bubble_volume_ml",
        (Condition("bubble_volume_ml", "above", 0.1), Condition("bubble_volume_ml", "below", 0.5)),
        (Effect.UNDERDAMPS, Effect.OVERDAMPS),
        _MAJOR,
        "{bubble_volume_ml:g} mL of air lower the natural frequency and damp: which of the two shows depends "
        "on the line",
        _BUBBLE,
    ),
    Rule(
        "bubble_large",
        "bubble_volume_ml",
        (Condition("bubble_volume_ml", "at_least", 0.5),),
        (Effect.OVERDAMPS, Effect.HARMS_VESSEL),
        _MAJOR,
        "{bubble_volume_ml:g} mL of air damp the wave; a brisk flush can carry air up the artery",
        (
            *_BUBBLE,
            Basis(
                "published",
                "10 mL by hand through a radial cannula in under 9 s reversed axillary flow in 33 of 51, "
                "in 9 s or more in none of 48",
                "Murphy GS and others, Anesthesiology 2006;105:492",
            ),
        ),
    ),
    Rule(
        "bubbles_unmeasured",
        "bubbles_seen",
        (Condition("bubbles_seen", "is", (True,)), Condition("bubble_volume_ml", "undocumented")),
        (Effect.UNDERDAMPS, Effect.OVERDAMPS),
        _MINOR,
        "air was seen and its volume not noted: a little makes the wave ring, more damps it",
        _BUBBLE,
    ),
)

_COLUMN = Basis("published", "a column of water of 10 cm is 7.4 mmHg", "open clinical notes on levelling")
_OFF_LEVEL = (
    "the opening to air stood {transducer_above_reference_cm:+g} cm from the reference level, so that the "
    "channel reads {level_offset_mmhg:+.1f} mmHg"
)

_TRANSDUCER = (
    Rule(
        "level_off",
        "transducer_above_reference_cm",
        (Condition("level_offset_mmhg", "beyond", 2), Condition("level_offset_mmhg", "within", 5)),
        (Effect.OFFSET,),
        _MINOR,
        _OFF_LEVEL,
        (_COLUMN, convention("told from 2 mmHg on")),
    ),
    Rule(
        "level_far_off",
        "transducer_above_reference_cm",
        (Condition("level_offset_mmhg", "beyond", 5),),
        (Effect.OFFSET,),
        _MAJOR,
        _OFF_LEVEL,
        (_COLUMN, convention("major above 5 mmHg")),
    ),
    Rule(
        "level_not_heart",
        "reference_level",
        (Condition("reference_level", "is", ("ear", "other")),),
        (Effect.OFFSET,),
        _NOTE,
        "the reference level was {reference_level}, not the heart: pressures hold for that height",
        (
            practice(
                "phlebostatic axis (fourth intercostal space, mid-axillary line); for the brain the external "
                "auditory meatus",
                EXAMINATION_NOTES,
            ),
        ),
    ),
    Rule(
        "transducer_tap_open_to_air",
        "transducer_tap",
        (Condition("transducer_tap", "is", ("open_to_air",)),),
        (Effect.NO_SIGNAL,),
        _MAJOR,
        "the transducer's tap was open to air, as for zeroing",
        (practice("the way from cannula to transducer is open"),),
    ),
    Rule(
        "transducer_tap_closed",
        "transducer_tap",
        (Condition("transducer_tap", "is", ("closed_to_cannula", "closed_to_transducer")),),
        (Effect.NO_SIGNAL,),
        _MAJOR,
        "the transducer's tap was turned {transducer_tap}: no pulse reaches the transducer",
        (practice("the way from cannula to transducer is open"),),
    ),
    Rule(
        "transducer_tap_between",
        "transducer_tap",
        (Condition("transducer_tap", "is", ("between",)),),
        (Effect.OVERDAMPS, Effect.NO_SIGNAL),
        _MAJOR,
        f"the transducer's tap: {_TURNED_BETWEEN}",
        (practice("the way from cannula to transducer is open"),),
    ),
    Rule(
        "not_zeroed",
        "zeroed",
        (Condition("zeroed", "is", (False,)),),
        (Effect.OFFSET,),
        _MAJOR,
        "no zero was taken: the offset of the transducer stands in every pressure",
        (practice("a reading other than zero with the transducer open to air is drift", _PART_ONE),),
    ),
    Rule(
        "zero_old",
        "zeroed_at",
        (Condition("zero_age_h", "above", 8),),
        (Effect.OFFSET,),
        _MINOR,
        "the last zero was {zero_age_h:.1f} h old at the inspection",
        (
            Basis(
                "published",
                "over 3 h the zero of disposable transducers drifted by -2 to +2 mmHg, that of reusable ones "
                "with domes by -11 to +5 mmHg",
                "Gordon VL and others, Med Instrum 1987;21:87-91",
            ),
            convention("a zero holds for 8 h, or until the line is disturbed"),
        ),
    ),
)

_MOVED = Rule(
    "moved_since_zero",
    "moved_since_zero",
    (Condition("moved_since_zero", "is", (True,)),),
    (Effect.OFFSET,),
    _MINOR,
    "transducer or bed was moved after the last zero: between the two moments the height of the transducer, "
    "and with it an offset of every pressure, is not known",
    (_COLUMN, practice("the transducer is levelled anew when it or the patient was moved")),
)

_GAUGES = practice("radial 20 or 22 gauge, short and stiff", EXAMINATION_NOTES)

_CANNULA = (
    Rule(
        "cannula_wide",
        "cannula_gauge",
        (Condition("cannula_gauge", "at_most", 18), Condition("cannula_site", "is", ("radial",))),
        (Effect.UNDERDAMPS,),
        _NOTE,
        "{cannula_gauge} gauge in a radial artery: wide cannulas were underdamped more often",
        (
            Basis(
                "published",
                "odds ratio of underdamping 0.35 for 20 against 18 gauge",
                "Romagnoli S and others, Crit Care 2014;18:644",
            ),
            _GAUGES,
        ),
    ),
    Rule(
        "cannula_narrow",
        "cannula_gauge",
        (Condition("cannula_gauge", "at_least", 24),),
        (Effect.OVERDAMPS,),
        _NOTE,
        "{cannula_gauge} gauge is narrow, as infants need it: its resistance adds to the damping",
        (_GAUGES, practice("24 gauge is usual in infants")),
    ),
    Rule(
        "cannula_long",
        "cannula_kind",
        (Condition("cannula_kind", "is", ("long",)),),
        (Effect.UNDERDAMPS,),
        _NOTE,
        "a long cannula adds to the length of the line",
        (_GAUGES,),
    ),
    Rule(
        "line_slowly_flushed",
        "cannula_days_in_place",
        (Condition("cannula_days_in_place", "at_least", 2),),
        (Effect.UNDERDAMPS, Effect.OVERDAMPS),
        _NOTE,
        "{cannula_days_in_place:g} days in place: a line of that age, if only slowly flushed, may have lost "
        "natural frequency",
        (
            Basis(
                "published",
                "on the bench, 48 h of slow flushing at 37 C took a line from 17.89 to 7.35 Hz, its damping "
                "from 0.234 to 0.356; bubbles were blamed",
                "Promonet C and others, Anesthesiology 2000;92:208-218",
            ),
            convention("the line is taken to be as old as the cannula"),
        ),
    ),
    Rule(
        "cannula_old",
        "cannula_days_in_place",
        (Condition("cannula_days_in_place", "above", 7),),
        (Effect.HARMS_VESSEL, Effect.OVERDAMPS),
        _NOTE,
        "the cannula had been in place for {cannula_days_in_place:g} days",
        (
            practice("clot and infection grow more likely with the days in place"),
            Basis(
                "published",
                "in 1699 radial cannulations duration and size had no bearing on occlusion",
                "Slogoff S and others, Anesthesiology 1983;59:42-47",
                disputed=True,
            ),
            convention("told after 7 days"),
        ),
    ),
)

#: All rules, in the order of the sheet.
RULES: tuple[Rule, ...] = (
    *FLUID_RULES,
    *BAG_RULES,
    *_TAPS,
    *_TUBING,
    *_BUBBLES,
    *_TRANSDUCER,
    _MOVED,
    *_CANNULA,
)
