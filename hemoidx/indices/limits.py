"""Limits that several families share: where the artery lies, and what supports the heart."""

from __future__ import annotations

from dataclasses import replace

from .rules import CAUTION, UNDOCUMENTED_LEVEL, Limit, Rule, When, reject

#: Sites at which reflection has changed the pulse; the tip of an umbilical catheter lies in the aorta.
AWAY_FROM_AORTA = (
    "radial",
    "ulnar",
    "brachial",
    "axillary",
    "femoral",
    "dorsalis_pedis",
    "posterior_tibial",
    "temporal",
    "carotid",
)
#: A notch lower than this share of the pulse is no plausible end of ejection (our convention).
FLOOR = 0.1
AT_FLOOR = (
    "lies at the floor of the wave: it may be the trough before a reflected wave, not the closing valve"
)
#: What is read up to the notch, or from it on, stands and falls with it.
NOTCH_AT_FLOOR = (Rule(CAUTION, When(column="notch_height", below=FLOOR), f"its notch {AT_FLOOR}"),)
#: The same of breaths, whose table has no notch of its own: it is asked of windows and of the recording.
NOTCHES_AT_FLOOR = tuple(
    replace(rule, when=replace(rule.when, tables=("windows", "record"))) for rule in NOTCH_AT_FLOOR
)
_SITE = "context.site"
_SUPPORT = "context.mechanical_support"


def away_from_aorta(use: str, direction: str, reason: str, source: str) -> tuple[Limit, ...]:
    """
    Limits for a reading that holds in the aorta.

    Parameters
    ----------
    use, direction, reason, source : str
        As `Limit` has them.

    Returns
    -------
    tuple of Limit
        One for every documented site away from the aorta, one where nobody documented the site.
    """
    return (
        Limit(use, direction, reason, When(column=_SITE, one_of=AWAY_FROM_AORTA), source),
        Limit(
            use,
            direction,
            f"nobody documented the site, and {reason}",
            When(facts=("site_undocumented",)),
            source,
        ),
    )


def aortic_only(reason: str) -> tuple[Rule, ...]:
    """Rules that ask for caution away from the aorta, and say where nobody documented the site."""
    return (
        Rule(CAUTION, When(column=_SITE, one_of=AWAY_FROM_AORTA), reason),
        Rule(
            UNDOCUMENTED_LEVEL,
            When(facts=("site_undocumented",), tables=("record",)),
            f"nobody documented the site, and {reason}",
        ),
    )


#: What a pump does to notch and diastole. Common practice, no source.
SUPPORTED = (
    Rule(
        CAUTION,
        When(column=_SUPPORT, one_of=("counterpulsation",)),
        "counterpulsation adds a wave of its own to diastole, and its inflation draws the notch",
    ),
    Rule(
        CAUTION,
        When(column=_SUPPORT, one_of=("continuous_flow",)),
        "a continuous pump fills the arteries in diastole too, and the aortic valve may stay shut",
    ),
)

#: A decay can be read only where nothing but the arteries' own recoil drives the blood.
NO_PUMP = reject("mechanical_support")


def supported(use: str) -> tuple[Limit, ...]:
    """Limits for a reading of the heart or the arteries alone, where a pump takes part."""
    return (
        Limit(
            use,
            "says nothing",
            "a pump shapes the pulse together with the heart",
            When(column=_SUPPORT, one_of=("counterpulsation", "continuous_flow")),
            "common practice, no source",
        ),
    )
