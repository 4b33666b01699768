"""Rhythm over windows: irregularity, premature beats, the pressure behind them, alternans."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra import numpy as arrays

import hemoidx as hx
from hemoidx.facts import mask
from hemoidx.indices.blocks import of_sums, rows_of
from hemoidx.indices.rhythm.alternans import (
    alternans_k,
    alternation,
    half_cycle,
    interval_alternation,
    pp_alternation,
    relative_alternation,
)
from hemoidx.indices.rhythm.ectopy import ectopy_burden, ectopy_burden_record
from hemoidx.indices.rhythm.intervals import interval_cv, interval_off_share, rmssd, rmssd_over_mean
from hemoidx.indices.rhythm.pattern import expected_turning_points, interval_entropy, turning_point_ratio
from hemoidx.indices.rhythm.postectopic import behind_ectopy, mbp_turbulence_slope, postectopic_changes
from hemoidx.simulate import Scenario, simulate

ECTOPIC = mask("ectopic")
steady = arrays.arrays(np.float64, st.integers(12, 60), elements=st.floats(0.3, 2.0))


def one(size: int) -> np.ndarray:
    return np.zeros(size, dtype=np.intp)


def none(size: int) -> np.ndarray:
    return np.zeros(size, dtype=np.int64)


# --- sums over groups ----------------------------------------------------------------------------------


@given(st.lists(st.floats(-50, 50), min_size=1, max_size=60), st.integers(1, 4))
def test_a_mean_by_sums_and_its_error_by_leaving_blocks_out(values: list[float], groups: int) -> None:
    x = np.array(values)
    group = np.sort(np.arange(x.size) % groups)
    found = of_sums([np.ones(x.size), x], group, groups, lambda n, s: s / n, 1, block_beats=2)
    for k in range(groups):
        here = x[group == k]
        if not here.size:
            assert np.isnan(found.value[k])
            continue
        assert found.value[k] == pytest.approx(here.mean(), abs=1e-9)
        blocks = [np.delete(here, slice(i, i + 2)) for i in range(0, here.size, 2)]
        if len(blocks) < 3:
            assert np.isnan(found.se[k])
            continue
        means = np.array([block.mean() for block in blocks])
        by_hand = np.sqrt((len(blocks) - 1) / len(blocks) * np.sum((means - means.mean()) ** 2))
        assert found.se[k] == pytest.approx(by_hand, abs=1e-9)


def test_rows_hold_the_beats_of_their_group_in_order() -> None:
    rows = rows_of([1.0, 2.0, 3.0, 4.0, 5.0], [0, 0, -1, 2, 2], 4)
    np.testing.assert_array_equal(rows, [[1, 2], [np.nan] * 2, [4, 5], [np.nan] * 2])


def test_errors_hold_the_value_as_often_as_they_say() -> None:
    rng = np.random.default_rng(5)
    windows, beats = 400, 40
    interval = 0.8 + 0.03 * rng.standard_normal(windows * beats)
    group = np.repeat(np.arange(windows), beats)
    truth = {rmssd: 0.03 * np.sqrt(2.0), interval_cv: 100 * 0.03 / 0.8, turning_point_ratio: 2 / 3}
    for function, expected in truth.items():
        found = function(interval, group, windows)
        held = np.abs(found.value - expected) < 2.36 * found.se  # t of seven degrees of freedom
        assert 0.88 < held.mean() < 0.99, function.__name__


# --- irregularity --------------------------------------------------------------------------------------


@given(steady, st.floats(0.2, 5.0))
def test_scale_of_the_intervals(interval: np.ndarray, factor: float) -> None:
    group, facts = one(interval.size), none(interval.size)
    small, large = rmssd(interval, group, 1), rmssd(factor * interval, group, 1)
    assert large.value[0] == pytest.approx(factor * small.value[0], rel=1e-9, abs=1e-12)
    first, second = (interval_cv(x, group, 1).value[0] for x in (interval, factor * interval))
    assert second == pytest.approx(first, rel=1e-4, abs=1e-4)
    ratio = [rmssd_over_mean(x, facts, group, 1).value[0] for x in (interval, factor * interval)]
    assert ratio[0] == pytest.approx(ratio[1], rel=1e-9, abs=1e-12)
    assert ratio[0] == pytest.approx(small.value[0] / interval.mean(), rel=1e-9, abs=1e-12)


@given(steady)
def test_order_counts_for_steps_but_not_for_spread(interval: np.ndarray) -> None:
    group = one(interval.size)
    assert interval_cv(np.sort(interval), group, 1).value == pytest.approx(
        interval_cv(interval, group, 1).value, rel=1e-6, abs=1e-5
    )
    # Sorted values turn nowhere.
    turns = turning_point_ratio(np.sort(interval), group, 1).value[0]
    assert np.isnan(turns) or turns == 0


def test_intervals_off_their_mean_are_counted() -> None:
    interval = np.array([0.8] * 16 + [0.6, 0.69, 0.93, 1.0])  # mean 0.801: 0.681 to 0.921 are near it
    assert interval_off_share(interval, one(20), 1).value[0] == pytest.approx(15.0)


def test_a_step_across_a_gap_or_a_window_is_none() -> None:
    interval = np.array([0.8, 0.8, np.nan, 1.6, 1.6, 1.6, 2.4, 2.4, 2.4, 2.4])
    group = np.array([0, 0, 0, 0, 0, 0, 1, 1, 1, 1])
    found = rmssd(interval, group, 3).value
    assert found[:2].tolist() == [0.0, 0.0]
    assert np.isnan(found[2])


def test_premature_beats_are_left_out_unless_they_are_the_rhythm() -> None:
    few = np.full(30, 0.8)
    few[[9, 10, 19, 20]] = [0.5, 1.1, 0.5, 1.1]
    facts = none(30)
    facts[[10, 20]] = ECTOPIC
    assert rmssd_over_mean(few, facts, one(30), 1).value[0] == pytest.approx(0.0, abs=1e-12)
    assert rmssd(few, one(30), 1).value[0] > 0.1
    often = np.tile([0.5, 1.1], 15)
    facts[1::2] = ECTOPIC
    assert rmssd_over_mean(often, facts, one(30), 1).value[0] == pytest.approx(0.75)


def test_turning_points_of_chance() -> None:
    rng = np.random.default_rng(3)
    interval = rng.uniform(0.5, 1.0, 128 * 200)
    found = turning_point_ratio(interval, np.repeat(np.arange(200), 128), 200).value * 126
    expected = expected_turning_points(128)
    assert found.mean() == pytest.approx(expected.expected, abs=1.0)
    assert found.std() == pytest.approx(expected.sd, rel=0.15)
    # A value like the one before it is dropped first: here every other one.
    twice = np.repeat(interval[:128], 2)
    assert turning_point_ratio(twice, one(256), 1).value * 126 == pytest.approx(found[0])


def test_entropy_sees_the_shape_and_not_the_size() -> None:
    rng = np.random.default_rng(3)
    flat = rng.uniform(-1, 1, 128)
    found = [interval_entropy(0.8 + size * flat, none(128), one(128), 1)[0] for size in (0.001, 0.2)]
    assert found[0] == pytest.approx(found[1])
    assert found[0] > 0.9
    two = np.tile([0.8, 0.9], 64)
    assert interval_entropy(two, none(128), one(128), 1)[0] == pytest.approx(0.25)  # log 2 / log 16
    assert np.isnan(interval_entropy(flat[:31] + 2, none(31), one(31), 1)[0])


# --- premature beats -----------------------------------------------------------------------------------


def row_of_beats(n: int = 40, at: int = 20) -> tuple[np.ndarray, np.ndarray]:
    interval = np.full(n, 0.8)
    interval[at - 1 : at + 1] = [0.5, 1.1]
    early = np.zeros(n, dtype=bool)
    early[at] = True
    return interval, early


def test_burden_counts_beats_that_were_measured() -> None:
    interval = np.full(20, 0.8)
    facts = none(20)
    facts[[3, 8, 12]] = ECTOPIC
    interval[12:16] = np.nan
    assert ectopy_burden(facts, interval, one(20), 1).value[0] == pytest.approx(100 * 2 / 16)
    assert ectopy_burden_record(facts, interval).value[0] == pytest.approx(100 * 2 / 16)


def test_what_makes_a_premature_beat_qualify() -> None:
    interval, early = row_of_beats()
    assert behind_ectopy(interval, early).first.tolist() == [21]
    assert behind_ectopy(interval, early).before.tolist() == [list(range(10, 20))]
    for spoil in (9, 15, 19):  # right before the ten, among them, at their end
        also = early.copy()
        also[spoil] = True
        assert 21 not in behind_ectopy(interval, also).first
    no_pause = interval.copy()
    no_pause[20] = 0.8
    assert not behind_ectopy(no_pause, early).first.size
    gap = interval.copy()
    gap[14] = np.nan
    assert not behind_ectopy(gap, early).first.size
    assert not behind_ectopy(interval[:21], early[:21]).first.size
    assert not behind_ectopy(interval[12:], early[12:]).first.size


@given(st.floats(60, 200), st.floats(-30, 60))
def test_change_behind_a_premature_beat(usual: float, percent: float) -> None:
    interval, early = row_of_beats()
    value = np.full(40, usual)
    value[20] = 0.5 * usual
    value[21] = usual * (1 + percent / 100)
    found = postectopic_changes(value, interval, early)
    assert np.flatnonzero(np.isfinite(found)).tolist() == [21]
    assert found[21] == pytest.approx(percent, abs=1e-9)


def test_turbulence_is_the_steepest_recovery_of_the_average() -> None:
    interval, early = row_of_beats(60)
    facts = np.where(early, ECTOPIC, 0)
    mbp = np.full(60, 90.0)
    mbp[21:36] = 90 - np.clip(8 - 1.5 * np.arange(15), 0, None)
    assert mbp_turbulence_slope(mbp, interval, facts)[0] == pytest.approx(1.5)
    mbp[30] = np.nan
    assert np.isnan(mbp_turbulence_slope(mbp, interval, facts)[0])


# --- alternans -----------------------------------------------------------------------------------------


@given(st.floats(0.5, 20), st.floats(30, 80), st.floats(-0.3, 0.3), st.integers(10, 60))
def test_alternation_of_beats_in_turn(difference: float, mean: float, drift: float, n: int) -> None:
    turn = 0.5 * difference * (1 - 2 * (np.arange(n) % 2))
    value = mean + turn + drift * np.arange(n)
    found = alternation(value, np.full(n, 0.8), one(n), 1).value[0]
    assert found == pytest.approx(difference, rel=1e-9)
    relative = relative_alternation(value, np.full(n, 0.8), one(n), 1).value[0]
    assert relative == pytest.approx(100 * difference / value[1:-1].mean(), rel=1e-9)


def test_the_turn_is_taken_up_again_behind_a_gap() -> None:
    value = np.array([50.0, 42.0] * 5 + [50.0] + [50.0, 42.0] * 5)
    interval = np.full(21, 0.8)
    interval[10] = np.nan
    assert alternation(value, interval, one(21), 1).value[0] == pytest.approx(8.0)
    assert alternation(value, np.full(21, 0.8), one(21), 1).value[0] < 8.0


@given(arrays.arrays(np.float64, 64, elements=st.floats(-5, 5)), st.floats(0, 50), st.floats(0.1, 10))
def test_spectrum_of_scaled_and_shifted_beats(noise: np.ndarray, shift: float, factor: float) -> None:
    value = np.tile([1.0, -1.0], 32) + noise
    first, second = half_cycle(value), half_cycle(shift + factor * value)
    assert second.size == pytest.approx(factor * first.size, rel=1e-6, abs=1e-6)
    np.testing.assert_array_equal(half_cycle(np.stack([value, value[::-1]])).k.shape, (2,))


def test_spectrum_tells_alternation_from_noise() -> None:
    rng = np.random.default_rng(2)
    noise = rng.standard_normal((4000, 64))
    assert 0.06 < np.mean(half_cycle(noise).k > 3) < 0.09
    turn = np.tile([0.75, -0.75], 32)
    assert np.mean(half_cycle(noise + turn).k > 3) > 0.99
    lost = np.where(rng.uniform(size=noise.shape) < 0.1, np.nan, noise + turn)
    assert np.mean(half_cycle(lost).k > 3) > 0.95


def test_k_needs_its_beats_in_one_row() -> None:
    rng = np.random.default_rng(2)
    pp = 50 + np.tile([4.0, -4.0], 100) + 0.3 * rng.standard_normal(200)
    interval, group, facts = np.full(200, 0.8), np.repeat(np.arange(5), 40), none(200)
    found = alternans_k(pp, interval, facts, group, 6)
    assert (found[1:4] > 100).all()
    assert np.isnan(found[5])
    # The first window has 52 of its 64 beats, with a gap behind it 20 + 20 + ...
    interval[45] = np.nan
    broken = alternans_k(pp, interval, facts, group, 6)
    assert np.isnan(broken[0])
    assert np.isnan(broken[1])
    assert broken[3] == found[3]


# --- simulated recordings ------------------------------------------------------------------------------

BASE = Scenario(seed=11, duration_s=240.0)
KINDS = {
    "even": {},
    "fibrillation": {"rhythm": "atrial_fibrillation"},
    "bigeminy": {"rhythm": "bigeminy"},
    "ectopic": {"ectopic_share": 0.06},
    "alternans": {"alternans": 0.04},
}


@pytest.fixture(scope="module")
def simulated() -> dict[str, tuple]:
    made = {name: simulate(BASE.replace(**changes)) for name, changes in KINDS.items()}
    return {name: (one, hx.analyse(one.recording)) for name, one in made.items()}


def test_irregularity_with_and_without_ectopy(simulated: dict[str, tuple]) -> None:
    found = {name: result.windows for name, (_, result) in simulated.items()}
    assert (found["fibrillation"]["rmssd_over_mean"] > 0.1).all()
    for name in ("even", "ectopic", "alternans"):
        assert (found[name]["rmssd_over_mean"] < 0.06).all(), name
    # What sees only intervals mistakes premature beats for it: that is what the limit says.
    assert found["ectopic"]["rmssd_s"].max() / found["even"]["rmssd_s"].max() > 4
    verdict = simulated["ectopic"][1].verdicts("rmssd")
    assert verdict["reasons"].str.contains("premature beats make the intervals irregular").any()
    assert (found["fibrillation"]["interval_off_share"] > 20).all()
    assert (found["even"]["interval_off_share"] == 0).all()


def test_burden_against_truth(simulated: dict[str, tuple]) -> None:
    for name in ("even", "ectopic", "bigeminy"):
        made, result = simulated[name]
        truth = 100 * (made.truth.beats["kind"] == "ectopic").mean()
        assert result.record["ectopy_burden_record"].iloc[0] == pytest.approx(truth, abs=1.5)
    _, fibrillating = simulated["fibrillation"]
    assert np.isnan(fibrillating.record["ectopy_burden_record"].iloc[0])
    assert fibrillating.windows["ectopy_burden"].isna().all()


def test_beats_behind_premature_ones_against_truth(simulated: dict[str, tuple]) -> None:
    made, result = simulated["ectopic"]
    beats = made.truth.beats
    early = (beats["kind"] == "ectopic").to_numpy()
    interval = beats["duration_s"].to_numpy()
    record = result.record.iloc[0]
    assert record["postectopic_beats"] >= 3
    for column in ("sbp", "pp"):
        truth = postectopic_changes(beats[column].to_numpy(), interval, early)
        assert record[f"postectopic_{column}_change"] == pytest.approx(np.nanmean(truth), abs=1.5)
    slope = mbp_turbulence_slope(beats["mbp"].to_numpy(), interval, np.where(early, ECTOPIC, 0))
    np.testing.assert_allclose(record["mbp_turbulence_slope"], slope[0], atol=0.3)
    assert simulated["even"][1].record["postectopic_beats"].iloc[0] == 0
    reason = simulated["even"][1].verdicts("postectopic_sbp_change", "record")["reasons"].iloc[0]
    assert "no premature beat had ten sinus beats before it" in reason


def test_alternans_against_truth_and_bigeminy_is_none(simulated: dict[str, tuple]) -> None:
    made, result = simulated["alternans"]
    beats = made.truth.beats
    strong, weak = (beats.loc[beats["kind"] == kind, "pp"].mean() for kind in ("strong", "weak"))
    windows = result.windows
    np.testing.assert_allclose(windows["pp_alternation"], 200 * (strong - weak) / (strong + weak), atol=1.0)
    assert (windows["alternans_k"] > 3).all()
    assert (windows["interval_alternation"] < 2).all()
    even = simulated["even"][1].windows
    assert (even["pp_alternation"] < 1.5).all()
    bigeminy = simulated["bigeminy"][1]
    for column in ("pp_alternation", "sbp_alternation", "alternans_k"):
        assert bigeminy.windows[column].isna().all()
        assert bigeminy.verdicts(column)["reasons"].str.contains("intervals alternate").all()
    assert (bigeminy.windows["interval_alternation"] > 50).all()


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"breath_channels": ("respiration",)}, "a breath lasts about two beats"),
        ({}, "its rate is not known"),
    ],
)
def test_breathing_at_half_the_rate_is_no_sure_alternans(changes: dict, words: str) -> None:
    half = Scenario(
        seed=4, duration_s=240.0, rate=60.0, breathing="controlled", breath_rate=30.0, breath_pulse=0.12,
        sinus_arrhythmia=0.0, rate_variability=0.002, **changes,
    )  # fmt: skip
    result = hx.analyse(simulate(half).recording)
    assert (result.windows["pp_alternation"] > 5).all()
    verdicts = result.verdicts("pp_alternation")
    assert (verdicts["measurement"] == "caution").all()
    assert verdicts["reasons"].str.contains(words).all()


@pytest.mark.parametrize("size", [0, 1, 2])
def test_no_beats_no_value(size: int) -> None:
    interval, facts, group = np.full(size, 0.8), none(size), one(size)
    for found in (
        rmssd(interval, group, 2),
        rmssd_over_mean(interval, facts, group, 2),
        interval_cv(interval, group, 2),
        turning_point_ratio(interval, group, 2),
        interval_alternation(interval, facts, group, 2),
        pp_alternation(interval, interval, facts, group, 2),
        ectopy_burden(facts, interval, group, 2),
    ):
        assert np.isnan(found.value).all()
        assert found.value.shape == (2,)
    assert np.isnan(alternans_k(interval, interval, facts, group, 2)).all()
    assert np.isnan(interval_entropy(interval, facts, group, 2)).all()
    assert np.isnan(mbp_turbulence_slope(interval, interval, facts)).all()
