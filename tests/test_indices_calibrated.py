"""Calibration against a documented flow: pairs of windows and references, factors, errors, validity."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray

import hemoidx as hx
from hemoidx import InputError
from hemoidx.indices.flow.reference import reference_flow, reference_of_beat
from hemoidx.indices.stroke_volume import calibrated as c
from tests.waves import pulses, recording

Float = NDArray[np.float64]
ONSET = np.arange(0.5, 300.0, 1.0)
START = np.arange(0.0, 300.0, 30.0)
NOTHING = np.full(10, None, dtype=object)


def documented(*intervals: tuple[float, float, float, float]) -> tuple[Float, Float]:
    """Flow and averaging time at each beat, from (from_s, to_s, flow, averaged_s)."""
    flow, averaged = np.full(ONSET.size, np.nan), np.full(ONSET.size, np.nan)
    for from_s, to_s, value, length in intervals:
        inside = (from_s <= ONSET) & (to_s > ONSET)
        flow[inside], averaged[inside] = value, length
    return flow, averaged


def held(*intervals: tuple[float, float, float, float]) -> Float:
    return reference_flow(*documented(*intervals), ONSET, (ONSET // 30).astype(int), START, START + 30.0)


# --- references -------------------------------------------------------------------------------------------


def test_a_reference_lasts_for_its_averaging_time_and_no_longer_than_documented() -> None:
    found = reference_of_beat(*documented((40, 400, 5.0, 60), (0, 10, 4.0, 60)), ONSET)
    assert ONSET[found == 0].tolist() == ONSET[:10].tolist()
    assert ONSET[found == 1].tolist() == ONSET[40:100].tolist()
    assert (found[100:] == -1).all()
    # One takes over from the other without a gap.
    found = reference_of_beat(*documented((0, 50, 4.0, 600), (50, 400, 5.0, 600)), ONSET)
    assert np.flatnonzero(np.diff(found)).tolist() == [49]
    assert (reference_of_beat(*documented(), ONSET) == -1).all()
    assert reference_of_beat([], [], []).size == 0


def test_a_flow_is_held_where_half_of_the_shorter_is_common() -> None:
    nan = np.nan
    # 40 to 100 s: 20 of 30 s, all, 10 of 30 s.
    np.testing.assert_array_equal(held((40, 400, 5.0, 60))[:5], [nan, 5.0, 5.0, nan, nan])
    # Ten seconds within one window stand for it; on the border of two, for both.
    np.testing.assert_array_equal(held((65, 75, 5.0, 10))[:5], [nan, nan, 5.0, nan, nan])
    np.testing.assert_array_equal(held((85, 95, 5.0, 10))[1:5], [nan, 5.0, 5.0, nan])
    # Two in one window are weighted by their time.
    both = held((0, 10, 4.0, 10), (10, 30, 7.0, 20))
    assert both[0] == pytest.approx((10 * 4.0 + 20 * 7.0) / 30)
    assert np.isnan(held()).all()
    # No beat after a gap stands for the gap.
    lonely = reference_flow([5.0, 5.0], [60.0, 60.0], [0.0, 29.0], [0, 0], [0.0], [30.0])
    assert np.isnan(lonely).all()
    one = reference_flow([5.0], [60.0], [0.0], [0], [0.0], [30.0])
    assert np.isnan(one).all()
    assert np.isnan(reference_flow([], [], [], [], [0.0], [30.0])).all()


# --- factors ----------------------------------------------------------------------------------------------


def test_conventions_part_company_when_the_factor_drifts() -> None:
    x, y = np.array([np.nan, 10.0, 10.0, 10.0]), np.array([9.0, 4.0, 5.0, 6.0])
    assert c.factor_of_first(x, y) == pytest.approx(0.4)
    assert c.factor_by_least_squares(x, y) == pytest.approx(0.5)
    assert c.factor_by_means(x, y) == pytest.approx(0.5)
    assert set(c.CONVENTIONS) == {"first", "least_squares", "means"}
    for factor in c.CONVENTIONS.values():
        assert np.isnan(factor([], []))
        assert np.isnan(factor([0.0], [5.0]))


@given(
    st.lists(st.floats(0.5, 50.0), min_size=10, max_size=10),
    st.floats(0.01, 100.0),
    st.sampled_from(sorted(c.CONVENTIONS)),
)
def test_the_unit_of_the_estimate_does_not_matter(
    estimate: list[float], unit: float, convention: str
) -> None:
    reference = held((35, 95, 5.0, 60), (125, 185, 4.0, 60), (200, 230, 3.0, 30), (240, 270, 6.0, 30))
    flow, error = c.calibrated(estimate, reference, NOTHING, convention)
    again, error_again = c.calibrated(unit * np.array(estimate), reference, NOTHING, convention)
    np.testing.assert_allclose(again, flow, rtol=1e-9)
    np.testing.assert_allclose(error_again, error, rtol=1e-6)


def test_values_begin_with_the_first_pair_and_agree_with_it() -> None:
    estimate = np.array([8.0, 9.0, 11.0, 20.0, 5.0, 10.0, 10.0, 10.0, 10.0, np.nan])
    flow, error = c.calibrated(estimate, held((35, 95, 5.0, 60)), NOTHING)
    assert np.isnan(flow[0])
    assert np.mean(flow[1:3]) == pytest.approx(5.0)
    np.testing.assert_allclose(flow[1:9], 0.5 * estimate[1:9])
    assert np.isnan(flow[9])
    assert np.isnan(error).all()
    nothing, _ = c.calibrated(estimate, np.full(10, np.nan), NOTHING)
    assert np.isnan(nothing).all()
    with pytest.raises(InputError, match="none of first, least_squares, means"):
        c.calibrated(estimate, held(), NOTHING, "last")


def test_the_error_is_what_later_references_show() -> None:
    estimate = np.full(10, 10.0)
    intervals = [(30.0 * k, 30.0 * k + 30.0, flow, 30.0) for k, flow in enumerate([5.0, 4.0, 5.0, 6.25])]
    flow, error = c.calibrated(estimate, held(*intervals), NOTHING)
    np.testing.assert_allclose(flow, 5.0)
    # 5 for 4 is 25 % too much, for 6.25 20 % too little.
    np.testing.assert_allclose(error, 5.0 * np.sqrt((0.25**2 + 0.2**2) / 3))
    assert np.isnan(c.calibrated(estimate, held(*intervals[:3]), NOTHING)[1]).all()
    _, of_all = c.calibrated(estimate, held(*intervals), NOTHING, "means")
    ratio = 5.0625 / np.array([5.0, 4.0, 5.0, 6.25]) - 1.0
    np.testing.assert_allclose(of_all, 5.0625 * np.sqrt(np.sum(ratio**2) / 3))


def test_a_reference_over_a_window_without_estimate_stays_one_reference() -> None:
    estimate = np.array([10.0, np.nan, 30.0, 10.0, 10.0, 10.0, 10.0, 10.0, 10.0, 10.0])
    pairs = c.paired(estimate, held((0, 90, 5.0, 90)), NOTHING)
    assert pairs.row.tolist() == [0]
    assert pairs.estimate.tolist() == [20.0]
    two = c.paired(np.full(10, 10.0), held((0, 30, 5.0, 30), (60, 90, 5.0, 30)), NOTHING)
    assert two.row.tolist() == [0, 2]


def test_references_read_off_a_pressure_are_left_out() -> None:
    circular = NOTHING.copy()
    circular[:3] = "yes"
    circular[3:] = "no"
    reference = held((0, 30, 9.0, 30), (120, 150, 5.0, 30))
    flow, _ = c.calibrated(np.full(10, 10.0), reference, circular)
    assert np.isnan(flow[:4]).all()
    np.testing.assert_allclose(flow[4:], 5.0)


def test_window_flow_is_strokes_over_time() -> None:
    stroke = np.array([10.0, 20.0, np.nan, 10.0, 10.0])
    duration = np.array([1.0, 2.0, 1.0, 1.0, np.nan])
    row = np.array([0, 0, 0, 1, 1])
    found = c.window_flow(stroke, duration, row, [0.0, 5.0], [5.0, 10.0])
    # The second window has usable beats for one second of five only.
    np.testing.assert_allclose(found, [60.0 * 30.0 / 3.0, np.nan])


# --- the user's path --------------------------------------------------------------------------------------

METHODS = [i.name for i in hx.default_catalogue() if i.name.startswith("co_")]


def falling() -> hx.Analysis:
    """Three minutes; from the second on the pulse is half as high."""
    wave = pulses(125.0, 180.0)
    half = np.arange(wave.size) / 125.0 >= 60.0
    wave[half] = 80.0 + 0.5 * (wave[half] - 80.0)
    reference = {"reference_flow_l_per_min": 6.0, "reference_flow_window_s": 30.0}
    context = {"intervals": [{"from_s": 1.0, "to_s": 31.0, **reference}]}
    return hx.analyse(recording(wave, 125.0), context=context, progress=False)


def test_calibrated_columns_follow_their_estimator() -> None:
    result = falling()
    windows = result.windows
    assert windows["co"].notna().tolist() == [True, False, False, False, False, False]
    assert len(METHODS) == 11
    for name in METHODS:
        if name == "co_long_interval":
            continue
        assert windows[name].iloc[0] == pytest.approx(6.0), name
        estimate = windows["sv_" + name.removeprefix("co_")] * windows["hr"]
        np.testing.assert_allclose(windows[name], 6.0 * estimate / estimate[0], rtol=1e-3, err_msg=name)
        assert windows[f"{name}_se"].isna().all()
    assert windows["co_pulse_pressure"].iloc[4] == pytest.approx(3.0, rel=0.01)
    assert windows["co_mean_pressure"].iloc[4] > 5.0


def test_without_a_reference_there_is_a_reason() -> None:
    result = hx.analyse(recording(pulses(125.0, 62.0), 125.0), progress=False)
    for name in METHODS:
        assert result.windows[name].isna().all()
        told = result.verdicts(name, table="windows").iloc[:2]
        assert told["reasons"].str.contains("nobody documented a reference cardiac output").all()


def test_a_reference_off_a_pressure_calibrates_nothing() -> None:
    context = {
        "reference_flow_l_per_min": 6.0,
        "reference_flow_window_s": 60.0,
        "reference_flow_from_pressure": "yes",
    }
    result = hx.analyse(recording(pulses(125.0, 62.0), 125.0), context=context, progress=False)
    assert result.windows["co"].notna().any()
    assert result.windows["co_herd"].isna().all()
    told = result.verdicts("co", table="windows")
    assert told["measurement"].iloc[0] == "caution"
    assert "read off a pressure" in told["reasons"].iloc[0]
