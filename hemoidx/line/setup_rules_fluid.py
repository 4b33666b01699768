"""Rules for set-up sheets: the fluid, its bag, and what lets it through. See `setup_rules`."""

from __future__ import annotations

from .ruling import EXAMINATION_NOTES, Basis, Condition, Effect, Rule, Severity, convention, practice

_NOTE, _MINOR, _MAJOR = Severity.NOTE, Severity.MINOR, Severity.MAJOR
#: Glucose in a 5 % solution [mmol/L]: 50 g/L over the molar mass of 180.156 g/mol; 277 is published.
GLUCOSE_5_PERCENT = 1000 * 50 / 180.156

FLUID_RULES: tuple[Rule, ...] = (
    Rule(
        "fluid_glucose",
        "fluid",
        (Condition("fluid", "is", ("glucose",)),),
        (Effect.CONTAMINATES_SAMPLES,),
        _MAJOR,
        "the flush holds glucose: as a 5 % solution, each 1 % of flush left in a blood sample adds about "
        f"{GLUCOSE_5_PERCENT / 100:.1f} mmol/L",
        (
            Basis(
                "published",
                "5 % glucose holds 277 mmol/L; on the bench every open sampling system was contaminated up "
                "to 5 dead-space volumes",
                "Brennan KA and others, Br J Anaesth 2010;104:446-451",
            ),
            practice("flushes hold no glucose; older notices allowed it", "MHRA, Drug Safety Update"),
        ),
    ),
    Rule(
        "fluid_not_saline",
        "fluid",
        (Condition("fluid", "is", ("half_saline", "balanced", "water", "other")),),
        (Effect.CONTAMINATES_SAMPLES,),
        _MINOR,
        "the flush is not 0.9 % saline but {fluid}: what is left of it in a sample alters other results",
        (practice("0.9 % saline only", "MHRA, Drug Safety Update"),),
    ),
    Rule(
        "fluid_heparin",
        "fluid_additive",
        (Condition("fluid_additive", "is", ("heparin",)),),
        (Effect.CONTAMINATES_SAMPLES,),
        _NOTE,
        "the flush holds heparin: what is left of it in a blood sample alters tests of clotting",
        (
            practice("heparin in a sample alters tests of clotting"),
            Basis(
                "published",
                "of 471 lines in one unit, plain ones were blocked more often than heparinised ones, "
                "relative risk 2.15 (1.392 to 3.32)",
                "J Intensive Care Soc 2016, doi 10.1177/1751143716653763",
                disputed=True,
            ),
        ),
    ),
    Rule(
        "fluid_additive_other",
        "fluid_additive",
        (Condition("fluid_additive", "is", ("other",)),),
        (Effect.CONTAMINATES_SAMPLES,),
        _NOTE,
        "the flush holds an additive other than heparin",
        (practice("what is left of a flush in a sample is measured with it"),),
    ),
    Rule(
        "fluid_expired",
        "fluid_expires_on",
        (Condition("days_past_expiry", "above", 0),),
        (Effect.UNKNOWN,),
        _NOTE,
        "at the inspection the bag was {days_past_expiry} days past its last day of use",
        (practice("after that day nobody vouches for content and sterility"),),
    ),
    Rule(
        "fluid_not_clear",
        "fluid_clarity",
        (Condition("fluid_clarity", "is", ("cloudy", "discoloured", "particles")),),
        (Effect.HARMS_VESSEL, Effect.OVERDAMPS),
        _MAJOR,
        "the fluid was not clear ({fluid_clarity}): content in doubt; particles can block cannula or artery",
        (practice("the fluid is clear, colourless and free of particles"),),
    ),
)

_BAG_AT = practice("the bag is kept at 300 mmHg", f"{EXAMINATION_NOTES}; two nursing set-up sheets")

BAG_RULES: tuple[Rule, ...] = (
    Rule(
        "bag_pressure_low",
        "bag_pressure_mmhg",
        (Condition("bag_pressure_mmhg", "below", 250), Condition("bag_pressure_mmhg", "at_least", 150)),
        (Effect.OVERDAMPS,),
        _MINOR,
        "at {bag_pressure_mmhg:g} mmHg in the bag the slow flush is weak, blood may creep in and clot, and a "
        "fast flush reaches a lower plateau",
        (_BAG_AT, convention("low below 250 mmHg")),
    ),
    Rule(
        "bag_pressure_lost",
        "bag_pressure_mmhg",
        (Condition("bag_pressure_mmhg", "below", 150),),
        (Effect.OVERDAMPS, Effect.NO_SIGNAL),
        _MAJOR,
        "{bag_pressure_mmhg:g} mmHg in the bag may be near or below systolic pressure: blood then runs "
        "back into the line, and a fast flush shows no square wave",
        (_BAG_AT, convention("lost below 150 mmHg, a systolic pressure that patients reach")),
    ),
    Rule(
        "bag_pressure_high",
        "bag_pressure_mmhg",
        (Condition("bag_pressure_mmhg", "above", 350),),
        (Effect.HARMS_VESSEL,),
        _NOTE,
        "at {bag_pressure_mmhg:g} mmHg in the bag each fast flush brings more volume into the artery, faster",
        (
            Basis(
                "published",
                "through a 24 gauge radial cannula of infants a flush gave 0.0025 mL in 1 s and 0.0043 mL in "
                "2 s per mmHg of driving pressure",
                "PubMed 12472710, 2002",
            ),
            convention("high above 350 mmHg"),
        ),
    ),
    Rule(
        "drip_chamber_empty",
        "drip_chamber_filled",
        (Condition("drip_chamber_filled", "is", (False,)),),
        (Effect.OVERDAMPS, Effect.UNDERDAMPS),
        _MINOR,
        "the drip chamber was not filled: air can pass into the line with the flush",
        (practice("a filled chamber keeps the air of the bag out of the line"),),
    ),
    Rule(
        "clamp_closed",
        "clamp_open",
        (Condition("clamp_open", "is", (False,)),),
        (Effect.OVERDAMPS, Effect.NO_SIGNAL),
        _MAJOR,
        "the clamp below the bag was closed: no slow flush reaches the cannula and no fast one is possible",
        (practice("the slow flush runs at 3 mL/h", EXAMINATION_NOTES),),
    ),
)
