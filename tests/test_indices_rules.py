"""Rules: predicates over facts and columns, verdicts in words."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from hemoidx import InputError, default_catalogue
from hemoidx.facts import BIT, mask
from hemoidx.indices.rules import Answers, Limit, Rule, When, judge, reject, rejected


def no_column(name: str) -> np.ndarray:
    raise InputError(f"no column {name!r}")


def unknown(name: str) -> np.ndarray:
    """A column of which nothing is known."""
    return np.array(np.nan)


FACTS = np.array([0, mask("saturated"), mask("weak_pulse"), mask("saturated", "weak_pulse")], dtype=np.int64)
VALUES = np.array([1.0, 2.0, 3.0, np.nan])
RULES = (*reject("saturated"), Rule("caution", When(facts=("weak_pulse",)), "the pulse is weak"))


def test_the_worst_level_counts_and_every_reason_is_said() -> None:
    judged = judge(RULES, (), "beats", FACTS, no_column, VALUES)
    assert judged.measurement.tolist() == ["accepted", "rejected", "caution", "rejected"]
    assert judged.reasons.tolist() == [
        "",
        "Rejected because the recorder clipped the wave at its rail",
        "Caution because the pulse is weak",
        "Rejected because the recorder clipped the wave at its rail. Caution because the pulse is weak",
    ]
    assert judged.interpretation.tolist() == ["unlimited"] * 4


def test_a_value_that_is_missing_without_a_rule_was_not_measured_either() -> None:
    judged = judge((), (), "windows", FACTS, no_column, VALUES)
    assert judged.measurement.tolist() == ["accepted"] * 3 + ["rejected"]
    assert judged.reasons[3] == "Rejected because fewer than three beats were usable for it"


def test_limits_never_touch_the_measurement() -> None:
    limits = (Limit("contractility", "either way", "it moves with loading", When(facts=("weak_pulse",))),)
    judged = judge((), limits, "beats", FACTS, no_column, np.ones(4))
    assert judged.measurement.tolist() == ["accepted"] * 4
    assert judged.interpretation.tolist() == ["unlimited", "unlimited", "limited", "limited"]
    assert judged.reasons[2] == "As contractility it may read low or high because it moves with loading"


def test_what_nobody_documented_is_a_level_of_its_own() -> None:
    limit = Limit(
        "central pressure", "reads low", "the site may be radial", When(facts=("site_undocumented",))
    )
    rule = Rule("undocumented", When(facts=("zero_not_seen",)))
    facts = np.array([0, mask("site_undocumented"), mask("zero_not_seen")], dtype=np.int64)
    judged = judge((rule,), (limit,), "record", facts, no_column, np.ones(3))
    assert judged.measurement.tolist() == ["accepted", "accepted", "undocumented"]
    assert judged.interpretation.tolist() == ["unlimited", "undocumented", "unlimited"]


def test_columns_decide_too_and_nan_decides_nothing() -> None:
    few = np.array([2.0, 3.6, 5.0, np.nan])
    when = When(column="beats_per_breath", below=3.6)
    holds = when.holds("windows", FACTS, lambda name: few)
    assert holds is not None
    assert holds.tolist() == [True, False, False, False]
    assert when.words("windows") == "beats_per_breath is below 3.6"
    both = When(facts=("saturated",), column="x", above=1.0, below=4.0)
    assert both.holds("windows", FACTS, lambda name: few).tolist() == [False, True, False, False]  # type: ignore[union-attr]
    assert "and x is below 4 and above 1" in both.words("windows")


def test_a_rule_may_keep_to_a_table() -> None:
    rules = reject("saturated", tables=("windows",))
    assert not rejected(rules, "beats", FACTS, no_column).any()
    assert rejected(rules, "windows", FACTS, no_column).tolist() == [False, True, False, True]


def test_a_rule_that_indices_share_is_asked_once() -> None:
    asked: list[str] = []

    def column(name: str) -> np.ndarray:
        asked.append(name)
        return np.array([0.0, 1.0, 2.0, 3.0])

    shared = Rule("rejected", When(column="x", above=1.5))
    answers = Answers()
    first = rejected((shared,), "beats", FACTS, column, answers=answers)
    again = rejected((shared, *reject("saturated")), "beats", FACTS, column, answers=answers)
    assert first.tolist() == [False, False, True, True]
    assert again.tolist() == [False, True, True, True]
    assert asked == ["x"]


def test_windows_bring_rules_of_their_own() -> None:
    facts = np.array([0, mask("too_few_beats"), mask("too_little_valid_time")], dtype=np.int64)
    assert rejected((), "windows", facts, no_column).tolist() == [False, True, True]
    assert rejected((), "record", facts, no_column).tolist() == [False, True, False]
    assert not rejected((), "beats", facts, no_column).any()


@given(
    st.lists(st.sets(st.sampled_from(sorted(BIT))), max_size=20),
    st.sampled_from(["beats", "windows", "record"]),
    st.sampled_from([0.0, 0.04, 0.06, np.nan]),
)
def test_verdicts_and_masks_agree(rows: list[set[str]], table: str, clipped: float) -> None:
    facts = np.array([mask(*row) for row in rows], dtype=np.int64)

    def columns(name: str) -> np.ndarray:
        known = {"clipped_share": clipped, "context.site": "radial"}
        return np.full(facts.size, known.get(name, np.nan), dtype=object)

    answers = Answers()
    for index in default_catalogue():
        masked = rejected(index.rules, table, facts, columns)
        shared = rejected(index.rules, table, facts, columns, answers=answers)
        np.testing.assert_array_equal(shared, masked)
        judged = judge(index.rules, index.limits, table, facts, columns, np.ones(facts.size))
        np.testing.assert_array_equal(judged.measurement == "rejected", masked)
        assert all(
            bool(r) for r, m in zip(judged.reasons, judged.measurement, strict=True) if m != "accepted"
        )


def test_many_rules_still_keep_their_rows_apart() -> None:
    rng = np.random.default_rng(0)
    columns = {f"c{i}": rng.integers(0, 2, 50).astype(float) for i in range(130)}
    rules = [Rule("caution", When(column=name, above=0.5), f"<{name}>") for name in columns]
    judged = judge(rules, (), "beats", np.zeros(50, dtype=np.int64), columns.__getitem__, np.ones(50))
    for row, words in enumerate(judged.reasons):
        assert {name for name in columns if f"<{name}>" in words} == {n for n, c in columns.items() if c[row]}


@pytest.mark.parametrize(
    ("name", "never_harmed_by"),
    [
        ("hr", ("irregular_rhythm", "ectopic", "alternating", "no_notch", "uncalibrated", "saturated")),
        (
            "sbp",
            ("irregular_rhythm", "ectopic", "alternating", "no_notch", "end_unknown", "sampling_rate_low"),
        ),
        ("ejection_time", ("irregular_rhythm", "ectopic", "alternating", "uncalibrated", "saturated")),
    ],
)
def test_what_does_not_harm_a_quantity_leaves_it_accepted(
    name: str, never_harmed_by: tuple[str, ...]
) -> None:
    index = default_catalogue()[name]
    facts = np.array([mask(fact) for fact in never_harmed_by], dtype=np.int64)
    judged = judge(index.rules, (), "beats", facts, unknown, np.ones(facts.size))
    assert judged.measurement.tolist() == ["accepted"] * facts.size


@pytest.mark.parametrize(
    ("fact", "refused", "cautioned"),
    [
        ("low_quality", "sbp dbp mbp pp hr duration dpdt_max systolic_area ejection_time", ""),
        ("uncalibrated", "sbp dbp mbp pp dpdt_max systolic_area", ""),
        ("end_unknown", "mbp hr duration", ""),
        ("gap_inside", "", "sbp dbp mbp pp hr duration dpdt_max systolic_area ejection_time"),
        ("beat_perhaps_missed", "", "hr duration"),
        ("no_notch", "systolic_area ejection_time", ""),
        ("saturated", "sbp mbp pp dpdt_max systolic_area", "dbp"),
        ("inverted", "sbp dbp mbp pp dpdt_max systolic_area ejection_time", "hr duration"),
        ("sampling_rate_low", "", "dpdt_max"),
        ("coarse_steps", "", "dpdt_max"),
        ("implausible_level", "", "sbp dbp mbp pp dpdt_max systolic_area"),
        # Static faults of the line shift pressures alike: not their differences, nor timing.
        ("zero_not_applied", "", "sbp dbp mbp"),
        ("zero_stale", "", "sbp dbp mbp"),
        ("setup_offset", "", "sbp dbp mbp"),
        # A wrong gain scales everything in mmHg.
        ("setup_gain", "", "sbp dbp mbp pp dpdt_max systolic_area"),
        ("setup_no_signal", "", "sbp dbp mbp pp dpdt_max systolic_area"),
        # Dynamic faults change extremes, slopes and shape: not the mean, nor the rate.
        ("flush_stale", "", "sbp dbp pp dpdt_max systolic_area ejection_time"),
        ("line_partly_known", "", "dpdt_max systolic_area ejection_time"),
        ("line_corrected", "", "sbp dbp pp dpdt_max systolic_area ejection_time"),
        ("perhaps_overdamped", "", "sbp dbp pp dpdt_max systolic_area ejection_time"),
        ("perhaps_ringing", "", "sbp dbp pp dpdt_max systolic_area ejection_time"),
        ("line_overdamped", "", "dpdt_max systolic_area ejection_time"),
        ("line_underdamped", "", "dpdt_max systolic_area ejection_time"),
        ("line_bends_upstroke", "dpdt_max", ""),
    ],
)
def test_what_each_fault_does(fact: str, refused: str, cautioned: str) -> None:
    facts = np.array([mask(fact)], dtype=np.int64)
    found: dict[str, set[str]] = {}
    for name in ["sbp", "dbp", "mbp", "pp", "hr", "duration", "dpdt_max", "systolic_area", "ejection_time"]:
        index = default_catalogue()[name]
        level = judge(index.rules, (), "beats", facts, unknown, np.ones(1)).measurement[0]
        found.setdefault(level, set()).add(index.name)
    assert found.get("rejected", set()) == set(refused.split())
    assert found.get("caution", set()) == set(cautioned.split())


@pytest.mark.parametrize("name", ["sbp", "dbp", "pp"])
@pytest.mark.parametrize(
    ("value", "low", "high", "level"),
    [
        (1.0, -0.5, 1.8, "accepted"),
        (2.4, 1.9, 2.8, "caution"),
        (-2.4, -2.8, -1.9, "caution"),
        (4.0, 3.0, 6.0, "caution"),
        (7.0, 4.0, 9.0, "rejected"),
        (7.0, 5.5, 9.0, "rejected"),
        (-7.0, -9.0, -5.5, "rejected"),
        # Known by bounds only: no best value.
        (np.nan, -1.0, 4.0, "accepted"),
        (np.nan, -8.0, 1.0, "caution"),
        (np.nan, -np.inf, np.inf, "caution"),
        (np.nan, np.nan, np.nan, "accepted"),
    ],
)
def test_the_expected_error_of_the_line_decides(
    name: str, value: float, low: float, high: float, level: str
) -> None:
    known = {f"{name}_line_error": value, f"{name}_line_error_low": low, f"{name}_line_error_high": high}
    index = default_catalogue()[name]
    none = np.zeros(1, dtype=np.int64)
    judged = judge(index.rules, (), "beats", none, lambda c: np.array([known.get(c, np.nan)]), np.ones(1))
    assert judged.measurement[0] == level
    assert bool(judged.reasons[0]) == (level != "accepted")


@pytest.mark.parametrize("name", ["sbp", "dbp", "mbp", "pp", "hr", "dpdt_max", "ejection_time"])
@pytest.mark.parametrize(
    ("offset", "level"), [(1.5, "accepted"), (-3.0, "caution"), (7.6, "rejected"), (-7.6, "rejected")]
)
def test_zero_and_level_harm_pressures_but_not_their_differences(
    name: str, offset: float, level: str
) -> None:
    index = default_catalogue()[name]
    none = np.zeros(1, dtype=np.int64)
    columns = {"static_error": offset}
    judged = judge(index.rules, (), "beats", none, lambda c: np.array([columns.get(c, np.nan)]), np.ones(1))
    assert judged.measurement[0] == (level if "offset" in index.harmed_by else "accepted")
    assert ("offset" in index.harmed_by) == (name in ("sbp", "dbp", "mbp"))


def test_a_rule_may_ask_for_words_and_refuses_to_bound_them() -> None:
    site = np.array(["radial", None, "femoral", "radial"], dtype=object)
    when = When(column="context.site", one_of=("radial", "ulnar"))
    holds = when.holds("windows", FACTS, lambda name: site)
    assert holds is not None
    assert holds.tolist() == [True, False, False, True]
    assert when.words("windows") == "the documented site is radial or ulnar"
    with pytest.raises(InputError, match="holds words; use one_of"):
        When(column="context.site", above=1.0).holds("windows", FACTS, lambda name: site)
    for wrong in ({"column": "x"}, {"one_of": ("a",)}, {"column": "x", "one_of": ("a",), "above": 1.0}):
        with pytest.raises(InputError, match="a rule on a column needs"):
            When(**wrong)  # type: ignore[arg-type]
