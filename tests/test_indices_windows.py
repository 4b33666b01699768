"""Windows and the summary: which beats count, how they are averaged, what makes a value invalid."""

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

import hemoidx as hx
from hemoidx import InputError, default_catalogue
from hemoidx.facts import mask
from hemoidx.indices.level import Level, Source
from hemoidx.indices.levels import beat_level
from hemoidx.indices.rules import judge
from hemoidx.indices.windows import Groups, blocks_of, covered, grid, statistic
from hemoidx.simulate import Scenario, simulate
from tests.waves import all_levels, ramps


def levels(*facts: tuple[int | slice, str], **options: float) -> tuple[Level, Level, Level]:
    """Levels of ramps; `facts` are given as beats and name."""
    source = ramps(**options)  # type: ignore[arg-type]
    bits = source.facts.copy()
    for rows, name in facts:
        bits[rows] |= mask(name)
    source = Source(**{**vars(source), "facts": bits})
    catalogue = default_catalogue()
    beats, _, windows, record = all_levels(catalogue, source)
    return beats, windows, record


def one_group(n: int) -> Groups:
    """One group in which every row is a block of its own."""
    return Groups(np.zeros(n, dtype=np.intp), np.arange(n), 1)


def has(level: Level, name: str) -> list[bool]:
    return ((level.facts & mask(name)) != 0).tolist()


def test_windows_keep_to_the_clock_of_the_recording() -> None:
    found = grid(95.0, 170.0)
    assert found.number.tolist() == [3, 4, 5]
    assert found.start.tolist() == [95.0, 120.0, 150.0]
    assert found.end.tolist() == [120.0, 150.0, 170.0]
    assert found.of(np.array([94.9, 95.0, 119.999, 120.0, 185.0, 1e4])).tolist() == [0, 0, 0, 1, -1, -1]
    with pytest.raises(InputError, match="an end after the start"):
        grid(5.0, 5.0)


@given(st.floats(0, 1e5), st.floats(0.01, 1e4))
def test_windows_cover_a_recording_without_hole_or_overlap(start: float, length: float) -> None:
    found = grid(start, start + length)
    assert found.start[0] == start
    assert found.end[-1] == start + length
    np.testing.assert_array_equal(found.start[1:], found.end[:-1])
    assert ((found.end - found.start) <= 30.0).all()
    inside = np.linspace(start, start + length, 50, endpoint=False)
    row = found.of(inside)
    assert ((found.start[row] <= inside) & (inside < found.end[row])).all()


@given(
    st.lists(st.tuples(st.floats(0.0, 3.0), st.floats(0.01, 40.0)), max_size=30),
    st.lists(st.floats(0.0, 200.0), min_size=2, max_size=6, unique=True),
)
def test_covered_time_is_the_sum_of_overlaps(beats: list[tuple[float, float]], edges: list[float]) -> None:
    pause, length = (np.array([b[i] for b in beats]) for i in (0, 1))
    stop = np.cumsum(pause + length)
    onset = stop - length
    cut = np.sort(edges)
    slow = [
        sum(max(0.0, min(b, d) - max(a, c)) for c, d in zip(onset, stop, strict=True))
        for a, b in pairwise(cut)
    ]
    np.testing.assert_allclose(covered(cut[:-1], cut[1:], onset, stop), slow, atol=1e-9)


@given(st.lists(st.floats(20.0, 250.0), min_size=3, max_size=60))
def test_a_rate_is_that_of_the_mean_interval(rates: list[float]) -> None:
    values = np.array(rates)
    rate, se = statistic("rate", values, values, one_group(values.size))
    interval = 60.0 / values
    np.testing.assert_allclose(rate, 60.0 / interval.mean(), rtol=1e-12)
    # First order in the error of the interval: the derivative of 60 / x.
    expected = 60.0 / interval.mean() ** 2 * interval.std(ddof=1) / np.sqrt(values.size)
    np.testing.assert_allclose(se, expected, rtol=1e-9, atol=1e-12)


@given(st.lists(st.floats(0.0, 200.0), min_size=3, max_size=60))
def test_the_error_of_a_mean_of_independent_rows_is_sd_over_root_n(numbers: list[float]) -> None:
    values = np.array(numbers)
    mean, se = statistic("mean", values, np.full(values.size, np.nan), one_group(values.size))
    weighted, weighted_se = statistic("time_mean", values, np.full(values.size, 0.7), one_group(values.size))
    np.testing.assert_allclose([mean, weighted], values.mean(), rtol=1e-12)
    np.testing.assert_allclose(
        [se, weighted_se], values.std(ddof=1) / np.sqrt(values.size), rtol=1e-9, atol=1e-12
    )


@given(
    st.lists(
        st.lists(st.tuples(st.floats(10.0, 200.0), st.floats(0.3, 2.0)), min_size=1, max_size=5),
        min_size=3,
        max_size=8,
    )
)
def test_the_error_is_the_jackknife_over_blocks_of_unequal_weight(
    blocks: list[list[tuple[float, float]]],
) -> None:
    # Busing, Meijer and van der Leeden 1999 (from memory): pseudo-values h t - (h - 1) t(-j), h = W / w(j).
    values = np.array([v for block in blocks for v, _ in block])
    weights = np.array([w for block in blocks for _, w in block])
    number = np.repeat(np.arange(len(blocks)), [len(block) for block in blocks])
    groups = Groups(np.zeros(values.size, dtype=np.intp), number, 1)
    mean, se = statistic("time_mean", values, weights, groups)
    whole = np.average(values, weights=weights)
    variance = 0.0
    for j in range(len(blocks)):
        out = number == j
        h = weights.sum() / weights[out].sum()
        pseudo = h * whole - (h - 1) * np.average(values[~out], weights=weights[~out])
        variance += (pseudo - whole) ** 2 / (h - 1) / len(blocks)
    if values.size >= 3:
        np.testing.assert_allclose(mean, whole, rtol=1e-12)
        np.testing.assert_allclose(se, np.sqrt(variance), rtol=1e-6, atol=1e-6)


def test_two_blocks_give_no_error() -> None:
    groups = Groups(np.zeros(6, dtype=np.intp), np.repeat([0, 1], 3), 1)
    value, se = statistic("mean", np.arange(6.0), np.ones(6), groups)
    assert value[0] == 2.5
    assert np.isnan(se[0])


@pytest.mark.parametrize("scatter", [0.0, 0.1, 0.25, 1.0])
def test_rounding_that_moves_all_values_alike_is_in_the_error(scatter: float) -> None:
    # Where values sit on one step, their scatter is not seen: the error may then be told too large.
    # Many windows of 40 values around levels that lie anywhere between the steps.
    rng = np.random.default_rng(3)
    step, n, size = 1.0, 4000, 40
    level = rng.uniform(0.0, 20.0, n)
    exact = level[:, None] + scatter * rng.standard_normal((n, size))
    rounded = step * np.round(exact / step)
    groups = Groups(np.repeat(np.arange(n), size), np.tile(np.arange(size), n), n)
    mean, se = statistic("mean", rounded.ravel(), np.ones(n * size), groups, step)
    told = np.sqrt(np.mean(se**2))
    real = np.sqrt(np.mean((mean - level) ** 2))
    assert 0.9 * real < told < 1.3 * real


def test_breathing_is_no_error_where_breaths_are_known() -> None:
    onset = np.arange(0.0, 30.0, 0.75)
    values = 100.0 + 5.0 * np.sin(2 * np.pi * onset / 6.0)
    breath = np.floor_divide(onset, 6.0) * 6.0
    row = np.zeros(onset.size, dtype=np.intp)
    known = statistic("mean", values, np.ones(onset.size), Groups(row, blocks_of(onset, breath), 1))
    unknown = statistic(
        "mean", values, np.ones(onset.size), Groups(row, blocks_of(onset, np.full(onset.size, np.nan)), 1)
    )
    assert known[0] == pytest.approx(100.0)
    assert known[1] < 1e-9
    assert unknown[1] > 0.2


def test_the_mean_pressure_is_weighted_by_time() -> None:
    # A pause counts for as long as it lasts: 80 mmHg for 2 s and 100 mmHg for three times 1 s.
    values, seconds = np.array([80.0, 100.0, 100.0, 100.0]), np.array([2.0, 1.0, 1.0, 1.0])
    mean, _ = statistic("time_mean", values, seconds, one_group(4))
    assert mean[0] == pytest.approx(92.0)


def test_two_beats_are_too_few() -> None:
    value, se = statistic("mean", np.array([1.0, 2.0, np.nan]), np.ones(3), one_group(3))
    assert np.isnan(value).all()
    assert np.isnan(se).all()


def test_one_rejected_beat_never_spoils_its_window() -> None:
    beats, windows, record = levels((4, "low_quality"), (slice(10, 14), "no_notch"), n_beats=60)
    assert np.isnan(beats.usable("sbp")[4])
    assert np.isfinite(beats.usable("sbp")).sum() == 59
    for column in ("sbp", "mbp", "hr", "dpdt_max", "ejection_time_s", "systolic_area"):
        assert np.isfinite(windows.usable(column)[:2]).all()
        assert np.isfinite(record.usable(column)).all()
    assert windows.keys["beats"][:2].tolist() == [29, 30]
    np.testing.assert_allclose(windows.keys["valid_s"][:2], [29.0, 30.0])


def test_the_windows_value_is_that_of_the_usable_beats_only() -> None:
    source = ramps(60)
    wave = source.pressure.copy()
    wave[400:500] += 60.0
    bits = source.facts.copy()
    bits[4] |= mask("low_quality")
    catalogue = default_catalogue()
    for facts, kept in ((source.facts, range(30)), (bits, [i for i in range(30) if i != 4])):
        changed = Source(**{**vars(source), "pressure": wave, "facts": facts})
        beats, _, windows, _ = all_levels(catalogue, changed)
        assert beats.column("sbp")[4] > 170.0
        assert windows.usable("sbp")[0] == pytest.approx(beats.column("sbp")[list(kept)].mean(), rel=1e-12)


def test_under_four_fifths_of_valid_time_a_window_is_rejected() -> None:
    # Of the 30 beats of 1 s in each window, 6 are lost in the first and 7 in the second.
    _, windows, _ = levels((slice(3, 9), "low_quality"), (slice(33, 40), "low_quality"), n_beats=90)
    np.testing.assert_allclose(windows.keys["valid_s"][:3], [24.0, 23.0, 30.0])
    assert has(windows, "too_little_valid_time")[:3] == [False, True, False]
    assert np.isfinite(windows.usable("hr")).tolist()[:3] == [True, False, True]
    assert np.isfinite(windows.column("hr"))[1], "what is masked is kept"


def test_a_short_last_window_counts_by_its_own_length_from_ten_seconds_on() -> None:
    # The wave lasts one beat longer than the beats: 30 + 12 s and 30 + 9 s.
    _, long_enough, _ = levels(n_beats=41)
    _, too_short, _ = levels(n_beats=38)
    assert (long_enough.keys["end_s"][-1], too_short.keys["end_s"][-1]) == (42.0, 39.0)
    assert has(long_enough, "too_little_valid_time") == [False, False]
    assert has(too_short, "too_little_valid_time") == [False, True]


def test_a_beat_belongs_to_the_window_of_its_onset() -> None:
    # Beats of 0.8 s: that from 29.6 s to 30.4 s is counted in the first window, its time in both.
    _, windows, _ = levels(n_beats=75, period=0.8)
    assert windows.keys["beats"][:2].tolist() == [38, 37]
    np.testing.assert_allclose(windows.keys["valid_s"][:2], [30.0, 30.0])


def test_an_empty_window_has_no_values_and_says_why() -> None:
    _, windows, _ = levels((slice(30, 60), "low_quality"), n_beats=90)
    assert windows.keys["beats"][1] == 0
    assert has(windows, "too_few_beats")[1]
    assert has(windows, "low_quality")[1]
    assert all(np.isnan(windows.usable(column)[1]) for column in windows.values)


def test_a_beat_without_an_end_has_pressures_but_no_mean() -> None:
    source = ramps(40)
    marks = {**source.landmarks, "end": np.where(np.arange(40) == 20, np.nan, source.landmarks["end"])}
    bits = source.facts.copy()
    bits[20] |= mask("end_unknown")
    beats = beat_level(default_catalogue(), Source(**{**vars(source), "landmarks": marks, "facts": bits}))
    assert np.isfinite(beats.usable("sbp")[20])
    assert np.isnan([beats.usable(column)[20] for column in ("mbp", "hr", "duration_s")]).all()


def test_the_summary_is_of_medians_over_usable_windows() -> None:
    _, windows, record = levels((slice(0, 20), "uncalibrated"), (30, "low_quality"), n_beats=90)
    assert record.keys["beats"].tolist() == [89]
    assert record.usable("sbp")[0] == np.nanmedian(windows.usable("sbp"))
    assert record.keys["duration_s"].tolist() == [91.0]
    np.testing.assert_allclose(record.keys["valid_s"], 89.0)
    _, _, none = levels((slice(None), "uncalibrated"), n_beats=90)
    assert np.isnan(none.usable("sbp")).all()
    assert np.isfinite(none.usable("hr")).all()


CLIPPED_COLUMNS = ("sbp", "mbp", "pp", "dpdt_max", "systolic_area")


@pytest.mark.parametrize(("n_clipped", "level"), [(0, "accepted"), (1, "caution"), (2, "rejected")])
def test_one_clipped_beat_asks_for_caution_and_more_than_five_percent_reject(
    n_clipped: int, level: str
) -> None:
    # One of 30 beats is 3.3 %, two are 6.7 %. What is clipped is the highest, so that no mean of the others
    # is fair, however many there are.
    _, windows, record = levels((slice(3, 3 + n_clipped), "saturated"), n_beats=90)
    assert windows.keys["clipped_share"][:2].tolist() == [n_clipped / 30, 0.0]
    for column in (*CLIPPED_COLUMNS, "dbp", "hr", "ejection_time_s"):
        index = default_catalogue()[column]
        judged = judge(
            index.rules, (), "windows", windows.facts, windows.column, windows.column(index.column)
        )
        bears = column in CLIPPED_COLUMNS
        whole = judge(index.rules, (), "record", record.facts, record.column, record.column(index.column))
        expected = level if bears else "caution" if column == "dbp" and n_clipped else "accepted"
        assert judged.measurement[:2].tolist() == [expected, "accepted"], column
        assert np.isnan(windows.usable(index.column)[0]) == (expected == "rejected")
        if bears and n_clipped:
            assert "without them the value" in judged.reasons[0]
            assert "low" in judged.reasons[0]
        assert whole.measurement[0] == ("caution" if n_clipped and (bears or column == "dbp") else "accepted")


def test_a_rail_that_cuts_systoles_off_never_gives_an_accepted_low_window() -> None:
    # Truth from simulation: accepted without caution, a window's systolic pressure is that of the patient.
    scenario = Scenario(seed=4, duration_s=120.0, mean_pressure=105.0, pulse_pressure=70.0, breath_level=6.0)
    top = float(np.quantile(simulate(scenario).truth.beats["sbp"], 0.9))
    made = simulate(scenario.replace(rail_high=top))
    result = hx.analyse(made.recording)
    truth = made.truth.beats
    true = truth.groupby((truth["onset_s"] // 30).astype(int))["sbp"].mean().to_numpy()
    error = result.windows["sbp"].to_numpy() - true
    clipped = result.windows["clipped_share"].to_numpy()
    assert 0.02 < clipped.max() < 0.2, "fewer than the fifth that would reject a window by itself"
    verdicts = result.verdicts("sbp")["measurement"].to_numpy()
    assert (np.abs(error[verdicts == "accepted"]) < 0.5).all()
    assert (error[verdicts == "caution"] > -1.0).all()
    assert (verdicts[clipped > 0.05] == "rejected").all()
    assert (clipped > 0.05).any()


@pytest.mark.parametrize(("n_clipped", "refused"), [(17, False), (19, True)])
def test_a_recording_clipped_in_its_highest_fifth_has_no_summary(n_clipped: int, refused: bool) -> None:
    # 17 of 90 beats are 19 %, 19 are 21 %: either way they lie in the last window, which is rejected.
    _, windows, record = levels((slice(60, 60 + n_clipped), "saturated"), n_beats=90)
    for column in CLIPPED_COLUMNS:
        assert np.isnan(windows.usable(column)[2])
        assert np.isnan(record.usable(column)[0]) == refused
        assert np.isfinite(record.column(column)[0])
    assert np.isfinite(record.usable("dbp")[0])
