"""Exposure beyond a threshold: sums over pieces, gaps, hold against lines, episodes, entries, the face."""

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

import hemoidx as hx
from hemoidx.indices.exposure.beyond import episodes, exposure, lowest_for
from hemoidx.indices.exposure.entries import Exposed, exposure_index
from hemoidx.simulate import Event, Scenario, simulate

pressures = st.lists(st.floats(40, 100), min_size=2, max_size=30)
thresholds = st.floats(50, 90)
methods = st.sampled_from(["hold", "linear"])
close = {"rel": 1e-9, "abs": 1e-9}


def times(values: list[float], seed: int = 0) -> np.ndarray:
    return np.cumsum(np.random.default_rng(seed).uniform(0.3, 3.0, len(values)))


@given(pressures, pressures, thresholds, methods, st.booleans())
def test_parts_add_up(
    first: list[float], second: list[float], threshold: float, method: str, below: bool
) -> None:
    value = np.array(first + second)
    time = times(first + second)
    cut = len(first)
    # The reading at the cut ends the first part: held it lasts no longer, joined it is the end of a line.
    last = {"last_s": 0.0} if method == "hold" else {}
    parts = (
        exposure(time[: cut + 1], value[: cut + 1], threshold, below, method, longest_gap_s=5, **last),
        exposure(time[cut:], value[cut:], threshold, below, method, longest_gap_s=5, last_s=1.0),
    )
    whole = exposure(time, value, threshold, below, method, longest_gap_s=5, last_s=1.0)
    for name in ("time", "area", "covered"):
        assert sum(getattr(part, name) for part in parts) == pytest.approx(getattr(whole, name), **close)


@given(pressures, thresholds, methods, st.floats(-1e4, 1e4), st.floats(0.1, 60))
def test_shifted_and_stretched_time(
    values: list[float], threshold: float, method: str, shift: float, factor: float
) -> None:
    time = times(values)
    plain = exposure(time, values, threshold, method=method, longest_gap_s=5)
    shifted = exposure(time + shift, values, threshold, method=method, longest_gap_s=5)
    stretched = exposure(factor * time, values, threshold, method=method, longest_gap_s=5 * factor)
    for name in ("time", "area", "covered"):
        assert getattr(shifted, name) == pytest.approx(getattr(plain, name), rel=1e-6, abs=1e-6)
        assert getattr(stretched, name) == pytest.approx(factor * getattr(plain, name), rel=1e-6, abs=1e-6)
    assert stretched.average == pytest.approx(plain.average, rel=1e-6, abs=1e-9)


@given(pressures, thresholds, methods, st.floats(0.1, 10))
def test_scaled_and_mirrored_pressure(
    values: list[float], threshold: float, method: str, factor: float
) -> None:
    time, value = times(values), np.array(values)
    plain = exposure(time, value, threshold, method=method, longest_gap_s=5)
    scaled = exposure(time, factor * value, factor * threshold, method=method, longest_gap_s=5)
    mirrored = exposure(time, -value, -threshold, below=False, method=method, longest_gap_s=5)
    assert scaled.area == pytest.approx(factor * plain.area, rel=1e-6, abs=1e-6)
    assert mirrored == pytest.approx(plain, **close)


@given(pressures, thresholds)
def test_lines_lie_between(values: list[float], threshold: float) -> None:
    # The deficit is convex: over a line it is at most the mean of its ends, which is the mean of holding on
    # from the reading before and from the one behind; and at least the deficit of the mean.
    time, value = times(values), np.array(values)
    line = exposure(time, value, threshold, method="linear", longest_gap_s=5)
    onward = exposure(time, value, threshold, longest_gap_s=5, last_s=0.0)
    backward = exposure(-time[::-1], value[::-1], threshold, longest_gap_s=5, last_s=0.0)
    assert line.area <= 0.5 * (onward.area + backward.area) + 1e-9
    middle = 0.5 * (value[1:] + value[:-1])
    assert line.area >= np.sum(np.maximum(threshold - middle, 0) * np.diff(time)) - 1e-9
    if value.max() < threshold:
        assert line.area == pytest.approx(0.5 * (onward.area + backward.area), **close)


@given(pressures, thresholds, methods)
def test_below_and_above_share_the_time(values: list[float], threshold: float, method: str) -> None:
    time, value = times(values), np.array(values)
    below = exposure(time, value, threshold, method=method, longest_gap_s=5)
    above = exposure(time, value, threshold, below=False, method=method, longest_gap_s=5, inclusive=True)
    assume(not np.any(value == threshold))
    assert below.time + above.time == pytest.approx(below.covered, **close)


@given(pressures, thresholds, st.integers(2, 6))
def test_a_line_does_not_change_when_points_are_put_on_it(
    values: list[float], threshold: float, finer: int
) -> None:
    time = times(values)
    dense = np.interp(np.arange((len(values) - 1) * finer + 1) / finer, np.arange(len(values)), time)
    coarse = exposure(time, values, threshold, method="linear", longest_gap_s=5)
    fine = exposure(dense, np.interp(dense, time, values), threshold, method="linear", longest_gap_s=5)
    assert fine.area == pytest.approx(coarse.area, rel=1e-6, abs=1e-6)
    assert fine.time == pytest.approx(coarse.time, rel=1e-6, abs=1e-6)


# --- gaps ----------------------------------------------------------------------------------------------


def test_a_gap_is_neither_exposed_nor_covered() -> None:
    time, value = [0, 1, 2, 3, 23, 24, 25], [60.0] * 7
    held = exposure(time, value, 65, longest_gap_s=5)
    assert (held.time, held.covered, held.gaps, held.gap) == (7.0, 7.0, 1, 19.0)
    assert held.average == 5.0
    joined = exposure(time, value, 65, method="linear", longest_gap_s=5)
    assert (joined.time, joined.covered, joined.gaps, joined.gap) == (5.0, 5.0, 1, 20.0)
    bridged = exposure(time, value, 65, longest_gap_s=20)
    assert (bridged.time, bridged.covered, bridged.gaps, bridged.gap) == (26.0, 26.0, 0, 0.0)


def test_a_missing_reading_is_no_reading() -> None:
    held = exposure([0, 1, 2, 3], [60, np.nan, np.nan, 70], 65, longest_gap_s=5)
    assert held.time == 3.0
    assert exposure([0, 1, 2, 3], [60, np.nan, np.nan, 70], 65, longest_gap_s=2).gaps == 1
    empty = exposure([0, 1], [np.nan, np.nan], 65, longest_gap_s=2)
    assert all(np.isnan(number) for number in (empty.time, empty.area, empty.average, empty.covered))
    assert empty.gaps == 0


def test_what_cannot_be_used_is_refused() -> None:
    with pytest.raises(hx.InputError, match="one time for each value"):
        exposure([0, 1], [60], 65, longest_gap_s=1)
    with pytest.raises(hx.InputError, match="increase"):
        exposure([1, 0], [60, 60], 65, longest_gap_s=1)
    with pytest.raises(hx.InputError, match="hold, linear"):
        exposure([0, 1], [60, 60], 65, method="spline", longest_gap_s=1)
    with pytest.raises(hx.InputError, match="above 0"):
        exposure([0, 1], [60, 60], 65, longest_gap_s=0)


# --- episodes ------------------------------------------------------------------------------------------


@given(pressures, thresholds, methods)
def test_episodes_of_any_length_hold_all_the_time(values: list[float], threshold: float, method: str) -> None:
    time = times(values)
    whole = exposure(time, values, threshold, method=method, longest_gap_s=5)
    found = episodes(time, values, threshold, method=method, longest_gap_s=5, at_least_s=0)
    assert np.sum(found.end - found.start) == pytest.approx(whole.time, **close)
    assert found.area.sum() == pytest.approx(whole.area, **close)
    assert (found.start[1:] >= found.end[:-1]).all()


def test_episodes_are_joined_only_where_declared_and_never_across_a_gap() -> None:
    time = np.arange(12.0)
    value = [60, 60, 60, 70, 60, 60, 60, 70, 70, 60, 60, 60]
    apart = episodes(time, value, 65, longest_gap_s=2, at_least_s=3)
    assert apart.start.tolist() == [0, 4, 9]
    joined = episodes(time, value, 65, longest_gap_s=2, at_least_s=3, joined_s=1)
    assert joined.start.tolist() == [0, 9]
    assert joined.end.tolist() == [7, 12]
    assert joined.area.tolist() == [30, 15]
    time[4:] += 10
    cut = episodes(time, value, 65, longest_gap_s=2, at_least_s=3, joined_s=100)
    assert cut.start.tolist() == [0, 14]


def test_lowest_for_a_time_counts_the_time_that_readings_hold() -> None:
    time, value = [0, 1, 4, 5], [70.0, 60.0, 65.0, 80.0]
    assert lowest_for(time, value, 3, longest_gap_s=5) == 60.0
    assert lowest_for(time, value, 3.5, longest_gap_s=5) == 65.0
    assert np.isnan(lowest_for(time, value, 60, longest_gap_s=5))


# --- entries and the face ------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def low() -> tuple:
    scenario = Scenario(
        seed=4, duration_s=300.0, mean_pressure=66.0, pulse_pressure=45.0, drift=6.0,
        events=(Event("open_to_air", 20.0, 10.0, zeroed=True), Event("gap", 150.0, 30.0)),
    )  # fmt: skip
    made = simulate(scenario)
    context = {"site": "radial", "transducer_height_cm": 0.0, "transducer_height_se_cm": 1.0}
    mine = exposure_index("sbp_share_above_90", of="sbp", above=90, measure="share")
    return made, hx.analyse(made.recording, context=context, catalogue=[mine])


def test_entries_against_truth(low: tuple) -> None:
    made, result = low
    record = result.record.iloc[0]
    beats = made.truth.beats
    beats = beats[beats["onset_s"].apply(lambda at: bool(np.any(np.abs(result.beats["onset_s"] - at) < 0.1)))]
    truth = exposure(beats["onset_s"], beats["mbp"], 65, longest_gap_s=10)
    assert record["mbp_time_below_65_s"] == pytest.approx(truth.time, rel=0.05)
    assert record["mbp_twa_below_65"] == pytest.approx(truth.average, rel=0.05)
    assert record["mbp_area_below_65"] == pytest.approx(truth.area, rel=0.05)
    assert record["mbp_time_below_55_s"] <= record["mbp_time_below_65_s"] <= record["mbp_time_below_75_s"]
    assert 50 < record["sbp_share_above_90"] <= 100


def test_zero_uncertainty_moves_exposure_both_ways(low: tuple) -> None:
    made, _ = low
    # The last second of the open tap is in it, so that its zero holds for every beat.
    context = {"site": "radial", "transducer_height_cm": 0.0, "transducer_height_se_cm": 1.0}
    result = hx.analyse(hx.crop(made.recording, 22.0, 240.0), context=context)
    record = result.record.iloc[0]
    lower, plain, higher = (record[f"mbp_twa_below_65{end}"] for end in ("_if_lower", "", "_if_higher"))
    assert lower > plain + 0.2
    assert plain > higher + 0.2
    found = result.exposure("mbp", below=65)
    average = found.set_index("measure").loc["average"]
    assert average["value"] == pytest.approx(plain)
    # The gain was not checked, so that only the zero is in it.
    assert average["if_lower"] == pytest.approx(lower)
    assert average["if_higher"] == pytest.approx(higher)
    assert result.exposure("hr", above=80)["if_lower"].isna().all()


def test_a_zero_known_for_a_part_says_nothing_of_the_whole(low: tuple) -> None:
    _, result = low
    errors = result.beats["static_error_se"]
    assert errors.isna().any()
    assert errors.notna().any()
    assert result.record[["mbp_twa_below_65_if_lower", "mbp_twa_below_65_if_higher"]].isna().all(axis=None)
    assert result.exposure("mbp", below=65)[["if_lower", "if_higher"]].isna().all(axis=None)


def test_the_face_says_what_was_covered(low: tuple) -> None:
    _, result = low
    found = result.exposure("mbp", below=65, method="linear")
    assert found["gaps"].tolist() == [2] * 4
    span = result.beats["onset_s"].iloc[-1] - result.beats["onset_s"].iloc[0]
    assert found["covered_s"][0] + found["gap_s"][0] == pytest.approx(span, abs=2.0)
    assert found.attrs["method"] == "linear"
    assert found.attrs["measurement"] == "undocumented"
    share = found.set_index("measure").loc["share", "value"]
    assert share == pytest.approx(100 * found["value"][0] / found["covered_s"][0])
    assert found["unit"].tolist() == ["s", "mmHg s", "mmHg", "%"]
    listed = result.episodes("mbp", below=65, at_least_s=10)
    assert (listed["duration_s"] >= 10).all()
    assert listed["average"].to_numpy() == pytest.approx(listed["area"] / listed["duration_s"])
    assert listed["duration_s"].sum() <= result.exposure("mbp", below=65)["value"][0]


def test_the_face_refuses_what_is_no_question(low: tuple) -> None:
    _, result = low
    with pytest.raises(hx.InputError, match="either below or above"):
        result.exposure("mbp")
    with pytest.raises(hx.InputError, match="either below or above"):
        result.exposure("mbp", below=65, above=100)
    with pytest.raises(hx.InputError, match="read from beats"):
        result.exposure("rmssd", below=1)
    with pytest.raises(hx.InputError, match=r"see Analysis\.exposure"):
        result.plus_minus("mbp_twa_below_65", "record")


def test_little_covered_time_asks_for_caution() -> None:
    made = simulate(Scenario(seed=4, duration_s=120.0, events=(Event("gap", 30.0, 60.0),)))
    result = hx.analyse(made.recording)
    assert result.record["pressure_coverage"].iloc[0] < 60
    verdict = result.verdicts("mbp_twa_below_65", "record").iloc[0]
    assert verdict["measurement"] == "caution"
    assert "what lay between is not known" in verdict["reasons"]
    assert np.isnan(result.record["mbp_twa_below_65_if_lower"].iloc[0])


def test_what_an_entry_needs() -> None:
    entry = exposure_index("mine", of="pp", below=35, measure="time")
    assert (entry.column, entry.unit, entry.inputs) == ("mine_s", "s", ("beats.onset_s", "beats.pp"))
    for given_, words in (
        ({"of": "hr", "below": 40}, "of must be one of"),
        ({}, "either below or above"),
        ({"below": 60, "measure": "depth"}, "measure must be one of"),
        ({"of": "pp", "below": 35, "zero_errors": 1.0}, "zero and level do not change pp"),
    ):
        with pytest.raises(hx.InputError, match=words):
            exposure_index("mine", **given_)
    one = Exposed("mbp", 65.0, True, "area", "hold", 5.0)
    assert one([0.0, 1.0], [60.0, 60.0]).tolist() == [10.0]
