"""Facts: bits, words, and how they pass upward."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from hemoidx import facts
from hemoidx.errors import InputError
from hemoidx.facts import BIT, FACTS, Fact, mask, names, pass_upward, with_user_facts

# Files already written carry these numbers: a bit never changes its meaning.
GIVEN_OUT = [
    *("irregular_rhythm", "ectopic", "alternating", "uncalibrated", "saturated", "gap_inside", "no_notch"),
    *("low_quality", "weak_pulse", "near_event", "edited_by_hand", "sampling_rate_low", "coarse_steps"),
    *("implausible_level", "end_unknown", "inverted", "too_few_beats", "too_little_valid_time"),
    *("site_undocumented", "breathing_undocumented", "zero_not_seen", "flush_not_seen", "line_unknown"),
    *("zero_not_applied", "zero_stale", "flush_stale", "line_overdamped", "line_underdamped"),
    *("line_partly_known", "line_bends_upstroke", "line_corrected", "perhaps_overdamped", "perhaps_ringing"),
    *("setup_offset", "setup_gain", "setup_no_signal", "level_undocumented", "gain_unchecked"),
    "setup_undocumented",
]


def test_bits_given_out_stay() -> None:
    assert [BIT[name] for name in GIVEN_OUT] == list(range(len(GIVEN_OUT)))
    assert all(fact.bit < facts.FIRST_USER_BIT for fact in FACTS)
    assert len({fact.bit for fact in FACTS}) == len({fact.name for fact in FACTS}) == len(FACTS)


@given(st.sets(st.sampled_from(sorted(BIT))))
def test_names_and_masks_are_inverse(chosen: set[str]) -> None:
    assert set(names(mask(*chosen))) == chosen
    assert np.int64(mask(*chosen)) == mask(*chosen)


def test_the_highest_user_bit_fits_into_int64() -> None:
    fact = Fact("mine", facts.LAST_USER_BIT, "it is mine")
    value = np.int64(mask("mine", facts=[fact]))
    assert value > 0
    assert names(int(value), [fact]) == ["mine"]
    assert names(int(value)) == ["bit_62"]


def test_an_unknown_name_is_refused_by_name() -> None:
    with pytest.raises(InputError, match="unknown fact ectopia"):
        mask("ectopic", "ectopia")


@given(
    st.lists(st.tuples(st.integers(0, 3), st.sets(st.sampled_from(sorted(BIT)), max_size=4)), max_size=30),
    st.sampled_from(["windows", "record"]),
)
def test_facts_pass_upward_by_their_rule(rows: list[tuple[int, set[str]]], table: str) -> None:
    group = np.array([row[0] for row in rows], dtype=np.intp)
    values = np.array([mask(*row[1]) for row in rows], dtype=np.int64)
    above = pass_upward(values, group, 4, table)
    for number in range(4):
        below = [row[1] for row in rows if row[0] == number]
        for fact in FACTS:
            share = sum(fact.name in row for row in below) / len(below) if below else 0.0
            rule = fact.passing(table)
            expected = {"any": share > 0, "all": share == 1, "own": False}.get(rule)  # type: ignore[call-overload]
            if expected is None:
                expected = share > float(rule)
            assert bool(above[number] >> fact.bit & 1) == expected


def test_rows_outside_every_group_are_left_out() -> None:
    above = pass_upward(np.array([mask("ectopic"), 0]), np.array([-1, 0]), 1)
    assert above.tolist() == [0]


def test_words_say_how_many_beats_it_took() -> None:
    by_name = {fact.name: fact for fact in FACTS}
    assert by_name["saturated"].words("beats") == "the recorder clipped the wave at its rail"
    assert by_name["saturated"].words("windows").endswith("(more than 20 % of the beats)")
    assert by_name["uncalibrated"].words("record").endswith("(every beat)")
    assert by_name["ectopic"].words("windows").endswith("(at least one beat)")
    assert by_name["too_few_beats"].words("windows") == "there are too few usable beats"


def test_cf_attributes_follow_the_convention() -> None:
    # CF conventions, section 3.5: as many masks as blank-separated meanings, masks of the variable's type.
    attributes = facts.cf_attributes()
    meanings = attributes["flag_meanings"].split()
    assert len(meanings) == len(attributes["flag_masks"]) == len(FACTS)
    assert attributes["flag_masks"][meanings.index("no_notch")] == mask("no_notch")
    assert np.array(attributes["flag_masks"]).dtype == np.int64


@pytest.mark.parametrize(
    ("arguments", "complaint"),
    [
        ({"name": "two words", "bit": 50, "meaning": ""}, "plain word"),
        ({"name": "far", "bit": 63, "meaning": ""}, "between 0 and 62"),
        ({"name": "odd", "bit": 50, "meaning": "", "upward": "some"}, "pass upward"),
        ({"name": "odd", "bit": 50, "meaning": "", "upward": 1.0}, "pass upward"),
        ({"name": "odd", "bit": 50, "meaning": "", "to_record": 0.0}, "pass upward"),
    ],
)
def test_impossible_facts_are_refused(arguments: dict[str, object], complaint: str) -> None:
    with pytest.raises(InputError, match=complaint):
        Fact(**arguments)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("extra", "complaint"),
    [
        (Fact("mine", 47, ""), "are for users"),
        (Fact("ectopic", 50, ""), "already taken"),
    ],
)
def test_users_may_not_take_our_bits_or_names(extra: Fact, complaint: str) -> None:
    with pytest.raises(InputError, match=complaint):
        with_user_facts([extra])


def test_one_bit_cannot_be_taken_twice() -> None:
    with pytest.raises(InputError, match="already taken"):
        with_user_facts([Fact("mine", 50, ""), Fact("yours", 50, "")])
    assert len(with_user_facts([Fact("mine", 50, ""), Fact("mine", 50, "")])) == len(FACTS) + 1
