"""Rules of the set-up sheet: published values, and that each fires where it should and nowhere else."""

import dataclasses
import json
from pathlib import Path
from typing import Any

import pytest

from hemoidx.line.inspection import inspect, words
from hemoidx.line.ruling import Basis, Effect, Severity
from hemoidx.line.setup import CAUTION, Setup, Tap
from hemoidx.line.setup_fields import specs
from hemoidx.line.setup_rules import RULES

THROUGH = {"where": "near_cannula", "turned": "through", "tight": True}
GOOD: dict[str, Any] = {
    "inspected_at": "2026-05-31 08:30",
    "fluid": "saline",
    "fluid_additive": "none",
    "fluid_expires_on": "2026-05-31",
    "fluid_clarity": "clear",
    "bag_pressure_mmhg": 300,
    "drip_chamber_filled": True,
    "clamp_open": True,
    "taps": [THROUGH, THROUGH],
    "tubing_length_cm": 120,
    "tubing_bore_mm": 1.5,
    "tubing_stiffness": "stiff",
    "tubing_kinked": False,
    "bubble_volume_ml": 0,
    "reference_level": "heart",
    "transducer_above_reference_cm": 0,
    "transducer_tap": "through",
    "zeroed_at": "2026-05-31 00:30",
    "moved_since_zero": False,
    "cannula_kind": "short",
    "cannula_gauge": 20,
    "cannula_site": "radial",
    "cannula_days_in_place": 1,
    "collateral_flow_looked_at": True,
}
NOT_ZEROED = {"zeroed_at": None, "zeroed": False, "moved_since_zero": None}
# Rule; the values, each just on the wrong side; and the nearest ones that are let pass.
FAULTS: list[tuple[str, dict[str, Any], dict[str, Any]]] = [
    ("fluid_glucose", {"fluid": "glucose"}, {}),
    *(("fluid_not_saline", {"fluid": x}, {}) for x in ("half_saline", "balanced", "water", "other")),
    ("fluid_heparin", {"fluid_additive": "heparin"}, {}),
    ("fluid_additive_other", {"fluid_additive": "other"}, {}),
    ("fluid_expired", {"fluid_expires_on": "2026-05-30"}, {"fluid_expires_on": "2026-05"}),
    *(("fluid_not_clear", {"fluid_clarity": x}, {}) for x in ("cloudy", "discoloured", "particles")),
    ("bag_pressure_low", {"bag_pressure_mmhg": 249.9}, {"bag_pressure_mmhg": 250}),
    ("bag_pressure_low", {"bag_pressure_mmhg": 150}, {}),
    ("bag_pressure_lost", {"bag_pressure_mmhg": 149.9}, {}),
    ("bag_pressure_lost", {"bag_pressure_mmhg": 0}, {}),
    ("bag_pressure_high", {"bag_pressure_mmhg": 350.1}, {"bag_pressure_mmhg": 350}),
    ("drip_chamber_empty", {"drip_chamber_filled": False}, {}),
    ("clamp_closed", {"clamp_open": False}, {}),
    ("taps_many", {"taps": [THROUGH] * 3}, {"taps": []}),
    ("taps_many", {"taps": None, "n_taps": 3}, {"taps": None, "n_taps": 2}),
    ("tap_loose", {"taps": [THROUGH, THROUGH | {"tight": False}]}, {}),
    ("tap_closed", {"taps": [THROUGH | {"turned": "closed_to_cannula"}]}, {}),
    ("tap_closed", {"taps": [THROUGH | {"turned": "closed_to_transducer"}]}, {}),
    ("tap_open_to_air", {"taps": [THROUGH | {"turned": "open_to_air"}]}, {}),
    ("tap_between", {"taps": [THROUGH | {"turned": "between"}]}, {}),
    ("tubing_long", {"tubing_length_cm": 120.1}, {"tubing_length_cm": 120}),
    ("tubing_narrow", {"tubing_bore_mm": 1.49}, {"tubing_bore_mm": 1.5}),
    ("tubing_soft", {"tubing_stiffness": "soft"}, {}),
    ("tubing_kinked", {"tubing_kinked": True}, {}),
    ("bubble_small", {"bubble_volume_ml": 0.01}, {"bubble_volume_ml": 0}),
    ("bubble_small", {"bubble_volume_ml": 0.1}, {}),
    ("bubble_middling", {"bubble_volume_ml": 0.11}, {}),
    ("bubble_middling", {"bubble_volume_ml": 0.49}, {}),
    ("bubble_large", {"bubble_volume_ml": 0.5}, {}),
    ("bubbles_unmeasured", {"bubble_volume_ml": None, "bubbles_seen": True}, {}),
    ("level_off", {"transducer_above_reference_cm": 2.8}, {"transducer_above_reference_cm": 2.7}),
    ("level_off", {"transducer_above_reference_cm": -2.8}, {"transducer_above_reference_cm": -2.7}),
    ("level_off", {"transducer_above_reference_cm": 6.7}, {}),
    ("level_far_off", {"transducer_above_reference_cm": 6.9}, {}),
    ("level_far_off", {"transducer_above_reference_cm": -6.9}, {}),
    ("level_not_heart", {"reference_level": "ear"}, {}),
    ("level_not_heart", {"reference_level": "other"}, {}),
    ("transducer_tap_open_to_air", {"transducer_tap": "open_to_air"}, {}),
    ("transducer_tap_closed", {"transducer_tap": "closed_to_cannula"}, {}),
    ("transducer_tap_closed", {"transducer_tap": "closed_to_transducer"}, {}),
    ("transducer_tap_between", {"transducer_tap": "between"}, {}),
    ("not_zeroed", NOT_ZEROED, {"zeroed_at": None, "zeroed": True}),
    ("moved_since_zero", {"moved_since_zero": True}, {"moved_since_zero": False}),
    ("zero_old", {"zeroed_at": "2026-05-31 00:29"}, {"zeroed_at": "2026-05-31 00:30"}),
    ("cannula_wide", {"cannula_gauge": 18}, {"cannula_gauge": 19}),
    ("cannula_wide", {"cannula_gauge": 14}, {"cannula_gauge": 14, "cannula_site": "femoral"}),
    ("cannula_narrow", {"cannula_gauge": 24}, {"cannula_gauge": 23}),
    ("cannula_long", {"cannula_kind": "long"}, {"cannula_kind": "sheath"}),
    ("line_slowly_flushed", {"cannula_days_in_place": 2}, {"cannula_days_in_place": 1.9}),
    ("line_slowly_flushed", {"cannula_days_in_place": 7}, {}),
]
OLD = {"cannula_days_in_place": 7.1}  # the one fault that two rules tell


def found(changes: dict[str, Any]) -> list[str]:
    return [finding.rule for finding in inspect(Setup.read(GOOD | changes))]


def test_a_good_sheet_is_complete_and_gives_nothing() -> None:
    assert found({}) == []
    assert Setup.read(GOOD).undocumented() == ()
    assert inspect(Setup()) == []


@pytest.mark.parametrize(("rule", "bad", "passes"), FAULTS, ids=lambda x: x if isinstance(x, str) else "")
def test_each_rule_fires_alone_and_stops_at_its_limit(
    rule: str, bad: dict[str, Any], passes: dict[str, Any]
) -> None:
    assert found(bad) == [rule]
    assert found(passes) == []


def test_every_rule_can_fire() -> None:
    assert found(OLD) == ["line_slowly_flushed", "cannula_old"]
    assert {rule.name for rule in RULES} == {rule for rule, _, _ in FAULTS} | {"cannula_old"}


def test_every_effect_and_severity_is_used_and_told() -> None:
    assert {effect for rule in RULES for effect in rule.effects} == set(Effect)
    assert {rule.severity for rule in RULES} == set(Severity)
    assert len({effect.words for effect in Effect}) == len(Effect)


def test_rules_name_fields_that_are_there() -> None:
    assert len({rule.name for rule in RULES}) == len(RULES)
    for rule in RULES:
        part, field = (Tap, rule.field.removeprefix("taps.")) if rule.each_tap else (Setup, rule.field)
        assert field in specs(part)
        assert rule.basis
        assert rule.effects
        for condition in rule.when:
            assert hasattr(part(), condition.name)
            allowed = specs(part)[condition.name].choices if condition.name in specs(part) else ()
            if allowed:
                assert set(condition.limit) <= set(allowed), f"{rule.name} waits for a word nobody can write"


# Directions, with the source of each.
@pytest.mark.parametrize(
    ("changes", "effects"),
    [
        # 0.1 mL raises the displayed pressure, 0.5 mL gives false hypotension, in a line of 17 Hz and 0.2:
        # Mark JB, Atlas of Cardiovascular Monitoring, 1998, Fig 9-14.
        ({"bubble_volume_ml": 0.1}, {Effect.UNDERDAMPS}),
        ({"bubble_volume_ml": 0.5}, {Effect.OVERDAMPS, Effect.HARMS_VESSEL}),
        # Every open sampling system contaminated: Brennan KA and others, Br J Anaesth 2010;104:446-451.
        ({"fluid": "glucose"}, {Effect.CONTAMINATES_SAMPLES}),
        # Common practice, no source.
        ({"tubing_kinked": True}, {Effect.OVERDAMPS, Effect.NO_SIGNAL}),
        ({"transducer_tap": "open_to_air"}, {Effect.NO_SIGNAL}),
    ],
)
def test_how_a_fault_shows(changes: dict[str, Any], effects: set[Effect]) -> None:
    (finding,) = inspect(Setup.read(GOOD | changes))
    assert set(finding.effects) == effects


@pytest.mark.parametrize(
    ("above_cm", "expected", "tolerance"),
    [
        # 10 cm of water is 7.4 mmHg; 20 cm above the heart reads about 15 mmHg too low: open clinical notes
        # on levelling (board-review questionnaire), read on the page.
        (-10, 7.4, 0.05),
        (20, -15.0, 0.5),
    ],
)
def test_height_as_pressure(above_cm: float, expected: float, tolerance: float) -> None:
    sheet = Setup(transducer_above_reference_cm=above_cm)
    assert sheet.level_offset_mmhg == pytest.approx(expected, abs=tolerance)
    (finding,) = inspect(sheet)
    assert finding.effects == (Effect.OFFSET,)
    assert finding.severity is Severity.MAJOR
    assert f"{above_cm:+g} cm" in finding.meaning
    assert f"reads {sheet.level_offset_mmhg:+.1f} mmHg" in finding.meaning


def test_glucose_of_the_flush() -> None:
    # 1 % of 277 mmol/L: Brennan KA, Eapen G, Turnbull D, Br J Anaesth 2010;104:446-451, abstract.
    (finding,) = inspect(Setup(fluid="glucose"))
    assert "2.8 mmol/L" in finding.meaning


def test_the_ground_of_a_rule_is_told() -> None:
    grounds = {rule.name: [basis.words() for basis in rule.basis] for rule in RULES}
    assert grounds["clamp_closed"][0].startswith("common practice, no numeric proof:")
    assert grounds["drip_chamber_empty"][0].startswith("common practice, no source:")
    assert grounds["cannula_wide"][0].startswith("published:")
    assert grounds["fluid_heparin"][1].endswith("other sources disagree")
    assert grounds["zero_old"][1].startswith("convention of hemoidx: a zero holds for 8 h")
    with pytest.raises(ValueError, match="published needs a source"):
        Basis("published", "it is so")


def test_a_limit_of_our_own_is_called_a_convention() -> None:
    # Of the numbers that rules compare with, these stand in the text they name; all others are ours.
    printed = {"tubing_long", "tubing_narrow", "bubble_small", "bubble_middling", "bubble_large"}
    standing = printed | {"fluid_expired", "cannula_wide", "cannula_narrow"}
    for rule in RULES:
        numeric = any(condition.operator not in ("is", "undocumented") for condition in rule.when)
        if numeric and rule.name not in standing:
            assert any(basis.ground == "convention" for basis in rule.basis), rule.name


def test_the_serious_come_first_and_taps_by_number(tmp_path: Path) -> None:
    bad = GOOD | {
        "cannula_kind": "long",
        "tubing_length_cm": 200,
        "taps": [THROUGH, THROUGH | {"tight": False}],
        "fluid": "balanced",
    }
    findings = inspect(Setup.read(Setup.read(bad).write(tmp_path / "line.yaml")))
    assert [finding.severity.value for finding in findings] == ["major", "minor", "minor", "note"]
    assert [finding.field for finding in findings] == [
        *("taps[2].tight", "fluid", "tubing_length_cm", "cannula_kind"),
    ]
    assert json.loads(json.dumps(findings[2].to_json()))["effects"] == ["underdamps"]


def test_words_name_what_was_wrong_and_leave_the_bedside_alone() -> None:
    sheet = Setup.read({"tubing_length_cm": 200, "fluid": "half_saline"})
    told = words(inspect(sheet), sheet.undocumented()).splitlines()
    assert told[0].startswith("minor: fluid: the flush is not 0.9 % saline but half saline")
    assert "200 cm of tubing" in told[1]
    assert "shorter than 1.2 m" in told[1]
    assert told[2].startswith("Not documented: inspected_at, ")
    assert told[3:] == [CAUTION]
    assert words([]).splitlines() == ["Nothing wrong was documented.", CAUTION]


def test_nothing_says_what_to_do() -> None:
    every = " ".join(f"{rule.meaning} {' '.join(basis.words() for basis in rule.basis)}" for rule in RULES)
    for advice in ("should", "must", "replace", "remove", "check ", "please", "flush the", "consider"):
        assert advice not in every.lower()


def test_collateral_flow_is_recorded_and_never_graded() -> None:
    # Tests of it agree poorly with Doppler (Jarvis 2000; Di Santo 2018): no rule looks at it.
    assert not any("collateral" in c.name for rule in RULES for c in rule.when)
    for value in (True, False):
        assert found({"collateral_flow_looked_at": value}) == []


def test_rules_can_be_passed_in() -> None:
    only = [dataclasses.replace(RULES[0], name="mine")]
    assert [finding.rule for finding in inspect(Setup(fluid="glucose", zeroed=False), only)] == ["mine"]
