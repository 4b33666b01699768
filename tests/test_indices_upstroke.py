"""Upstroke and ejection: bandwidth, properties, sex and site."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

import hemoidx as hx
from hemoidx import Context, InputError, default_catalogue
from hemoidx.facts import mask
from hemoidx.indices.rules import judge
from hemoidx.indices.upstroke.ejection import (
    REGRESSIONS,
    ejection_time_deviation,
    ejection_time_index,
    ejection_time_predicted,
    published_interval,
    systolic_fraction,
)
from hemoidx.indices.upstroke.rise import dpdt_max, time_to_peak, upstroke_slope
from hemoidx.validation.worked_pulse import passed_by_dpdt
from tests.waves import pulses, recording

RATES = (60.0, 62.5, 100.0, 125.0, 200.0, 240.0, 250.0, 360.0, 500.0, 1000.0)


@pytest.mark.parametrize("fs", RATES)
def test_the_steepest_rise_has_the_bandwidth_that_it_states(fs: float) -> None:
    # 90 to 95 % of 13 Hz, whatever the sampling rate; and less than 1 % is lost of a slow wave.
    assert 0.90 <= passed_by_dpdt(13.0, fs) <= 0.955
    assert passed_by_dpdt(2.0, fs) > 0.999


def test_the_central_difference_would_lose_four_percent_of_ten_hertz_at_125_hz() -> None:
    # Identity sin(wh) / wh, the reason for a filter of its own: 0.958 at 10 Hz and 125 Hz.
    step = 2.0 * np.pi * 10.0 / 125.0
    assert np.sin(step) / step == pytest.approx(0.958418, abs=1e-6)
    assert passed_by_dpdt(10.0, 125.0) > np.sin(step) / step


@given(st.floats(0.3, 3.0), st.floats(-50.0, 50.0))
def test_the_steepest_rise_scales_and_ignores_an_offset(gain: float, offset: float) -> None:
    wave = pulses(250.0, 2.0)
    steepest = [float(np.argmax(np.diff(wave)))]
    plain = dpdt_max(wave, steepest, 250.0)
    np.testing.assert_allclose(dpdt_max(gain * wave + offset, steepest, 250.0), gain * plain, rtol=1e-9)


@given(st.floats(5.0, 100.0), st.floats(0.02, 0.4), st.floats(0.3, 3.0))
def test_the_mean_slope_is_below_the_steepest_and_scales(pp: float, time: float, gain: float) -> None:
    np.testing.assert_allclose(upstroke_slope(gain * pp, time), gain * upstroke_slope(pp, time))
    np.testing.assert_allclose(upstroke_slope(pp, time) * time, pp)
    np.testing.assert_allclose(time_to_peak([10.0], [10.0 + 250.0 * time], 250.0), time)


def test_the_mean_slope_of_a_pulse_lies_below_its_steepest_rise() -> None:
    result = hx.analyse(recording(pulses(250.0, 35.0), 250.0), progress=False)
    beats = result.beats.iloc[2:-2]
    assert (beats.upstroke_slope < beats.dpdt_max).all()
    assert (beats.upstroke_slope > 0.3 * beats.dpdt_max).all()
    np.testing.assert_allclose(beats.time_to_peak_s, beats.peak_s - beats.onset_s, atol=1e-9)
    np.testing.assert_allclose(beats.systolic_fraction + beats.diastolic_fraction, 1.0, atol=1e-9)


@given(st.floats(35.0, 140.0), st.floats(0.15, 0.45), st.sampled_from(["male", "female"]))
def test_deviation_and_index_say_the_same(hr: float, time: float, sex: str) -> None:
    predicted = ejection_time_predicted([hr], [sex])
    index = ejection_time_index([time], [hr], [sex])
    intercept = {"male": 0.413, "female": 0.418}[sex]
    np.testing.assert_allclose(ejection_time_deviation([time], predicted), index - intercept, atol=1e-12)
    np.testing.assert_allclose(ejection_time_index(predicted, [hr], [sex]), intercept)


def test_published_lines_fit_one_another() -> None:
    # Electromechanical systole less pre-ejection period is ejection: within 2 ms of the line for it.
    rates = np.linspace(50.0, 110.0, 7)
    for sex in ("men", "women"):
        rest = published_interval(f"qs2_{sex}", rates) - published_interval(f"pep_{sex}", rates)
        assert np.abs(rest - published_interval(f"lvet_{sex}", rates)).max() <= 0.0021
    assert published_interval("lvet_men", 70.0) - published_interval("lvet_men_seated", 70.0) > 0.03
    with pytest.raises(InputError, match="no regression is called 'lvet_cats'; known are lvet_men"):
        published_interval("lvet_cats", 70.0)
    assert all(line.source and line.population for line in REGRESSIONS.values())


def test_the_share_of_ejection_is_one_of_time() -> None:
    np.testing.assert_allclose(systolic_fraction([0.3, np.nan], [0.75, 0.8]), [0.4, np.nan])


def analysed(**context: object) -> hx.Analysis:
    return hx.analyse(recording(pulses(125.0, 60.0), 125.0), context=Context.read(context), progress=False)


def test_sex_decides_and_its_absence_is_said() -> None:
    bare = analysed()
    for name in ("ejection_time_predicted", "ejection_time_deviation", "ejection_time_index"):
        assert bare.windows[f"{name}_s"].isna().all()
        assert bare.verdicts(name, table="windows")["reasons"].str.contains("documented the sex").all()
    man, woman = analysed(sex="male").windows.iloc[0], analysed(sex="female").windows.iloc[0]
    assert man.ejection_time_predicted_s == pytest.approx(0.413 - 0.0017 * 75.0, abs=1e-4)
    assert woman.ejection_time_predicted_s == pytest.approx(0.418 - 0.0016 * 75.0, abs=1e-4)
    assert man.ejection_time_deviation_s == pytest.approx(
        man.ejection_time_s - man.ejection_time_predicted_s, abs=1e-9
    )


def test_lines_made_in_the_aorta_ask_for_caution_at_the_periphery() -> None:
    radial = analysed(sex="male", site="radial")
    for name in ("ejection_time_deviation", "ejection_time_index"):
        told = radial.verdicts(name, table="windows")
        assert (told["measurement"] == "caution").all()
        assert told["reasons"].str.contains("stands for the root of the aorta").all()
        aorta = analysed(sex="male", site="aorta").verdicts(name, table="windows")
        assert not aorta["reasons"].str.contains("root of the aorta").any()
        record = analysed(sex="male").verdicts(name, table="record")
        assert record["reasons"].str.contains("nobody documented the site, and the published line").all()


@pytest.mark.parametrize(("age", "limited"), [(30.0, False), (15.0, True), (80.0, True)])
def test_the_line_was_made_in_adults_below_65(age: float, limited: bool) -> None:
    told = analysed(sex="female", age=age).verdicts("ejection_time_predicted", table="windows")["reasons"]
    assert told.str.contains("people of 19 to 65 years").all() == limited


@pytest.mark.parametrize(
    ("fact", "refused", "cautioned"),
    [
        ("line_bends_upstroke", "dpdt_max", "time_to_peak upstroke_slope"),
        ("sampling_rate_low", "", "dpdt_max time_to_peak upstroke_slope"),
        ("saturated", "dpdt_max time_to_peak upstroke_slope", ""),
        ("no_notch", "ejection_time_deviation ejection_time_index systolic_fraction", ""),
        ("end_unknown", "ejection_time_deviation ejection_time_index systolic_fraction", ""),
        ("irregular_rhythm", "", "ejection_time_deviation ejection_time_index"),
        ("setup_gain", "", "dpdt_max upstroke_slope"),
    ],
)
def test_what_each_fault_does(fact: str, refused: str, cautioned: str) -> None:
    found: dict[str, set[str]] = {}
    names = (
        "dpdt_max time_to_peak upstroke_slope ejection_time_deviation ejection_time_index systolic_fraction"
    )
    for name in names.split():
        index = default_catalogue()[name]
        facts = np.array([mask(fact)], dtype=np.int64)
        judged = judge(index.rules, (), "beats", facts, lambda c: np.array([np.nan]), np.ones(1))
        found.setdefault(judged.measurement[0], set()).add(name)
    assert found.get("rejected", set()) == set(refused.split())
    assert found.get("caution", set()) == set(cautioned.split())
