"""Documented flow: what follows from it, what is missing without it, identities, arterial load, body size."""

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

import hemoidx as hx
from hemoidx.indices.flow import body, load
from hemoidx.indices.flow import formulas as flow
from hemoidx.simulate.windkessel import COMPLIANCE_RANGE, RESISTANCE_RANGE, Windkessel
from tests.waves import pulses, recording

FLOW = {"reference_flow_l_per_min": 5.0, "reference_flow_window_s": 600.0}
BODY = {"height_cm": 170.0, "weight_kg": 70.0, "sex": "female", "age_years": 40.0}
VENOUS = {"central_venous_pressure_mmhg": 6.0}
OF_FLOW = (
    "ci",
    "sv",
    "svi",
    "svr",
    "svr_wood",
    "svri",
    "cpo",
    "cpo_rap",
    "cpi",
    "tac_svpp",
    "tac_area",
    "ea",
)


def analysed(**context: object) -> hx.Analysis:
    return hx.analyse(recording(pulses(125.0, 62.0), 125.0), context=context, progress=False)


def row(**context: object) -> pd.Series:
    return analysed(**context).windows.iloc[0]


# --- the user's path --------------------------------------------------------------------------------------


def test_everything_follows_from_the_documented_flow() -> None:
    w = row(**FLOW, **BODY, **VENOUS)
    assert w["co"] == 5.0
    assert w["ci"] == pytest.approx(5.0 / 1.809708, rel=1e-5)
    assert w["sv"] == pytest.approx(5000.0 / w["hr"])
    assert w["svi"] == pytest.approx(1000.0 * w["ci"] / w["hr"])
    assert w["svr"] == pytest.approx(80.0 * (w["mbp"] - 6.0) / 5.0)
    assert w["svr"] == pytest.approx(80.0 * w["svr_wood"])
    assert w["svri"] == pytest.approx(80.0 * (w["mbp"] - 6.0) / w["ci"])
    assert w["cpo"] == pytest.approx(w["mbp"] * 5.0 / 451.0)
    assert w["cpo"] - w["cpo_rap"] == pytest.approx(6.0 * 5.0 / 451.0)
    assert w["cpi"] == pytest.approx(w["mbp"] * w["ci"] / 451.0)
    assert w["tac_svpp"] == pytest.approx(w["sv"] / w["pp"])
    assert w["tac_area"] == pytest.approx(w["tau_area_s"] * 5000.0 / 60.0 / w["mbp"])
    assert w["ea"] == pytest.approx(0.9 * w["sbp"] / w["sv"])


def test_nothing_is_assumed() -> None:
    w = row(**BODY, **VENOUS)
    assert w[["co", *OF_FLOW]].isna().all()
    w = row(**FLOW, **BODY)
    missing = {name for name in OF_FLOW if np.isnan(w[name])}
    assert missing == {"svr", "svr_wood", "svri", "cpo_rap"}
    w = row(**FLOW, **VENOUS)
    assert {name for name in OF_FLOW if np.isnan(w[name])} == {"ci", "svi", "svri", "cpi"}


def test_what_is_missing_is_said() -> None:
    told = analysed(**FLOW).verdicts("svr", table="windows")["reasons"].iloc[0]
    assert "nobody documented the central venous pressure, which is never assumed" in told
    told = analysed(**FLOW).verdicts("ci", table="windows")["reasons"].iloc[0]
    assert "nobody documented height and weight" in told
    told = analysed().verdicts("co", table="windows")["reasons"].iloc[0]
    assert "nobody documented a reference flow" in told


def test_ratios_of_coupled_inputs_say_so() -> None:
    circular = analysed(**FLOW, **VENOUS, reference_flow_from_pressure="yes")
    apart = analysed(**FLOW, **VENOUS, reference_flow_from_pressure="no")
    for name in ("svr", "tac_svpp", "ea", "cpo"):
        assert hx.default_catalogue()[name].shared_inputs
        words = "same pressure stands above and below the line"
        assert circular.verdicts(name, table="windows")["reasons"].str.contains(words).iloc[0], name
        assert not apart.verdicts(name, table="windows")["reasons"].str.contains(words).any(), name


def test_no_stroke_of_the_heart_under_a_pump() -> None:
    result = analysed(**FLOW, **VENOUS, mechanical_support="continuous_flow")
    assert result.windows[["sv", "tac_svpp", "ea"]].isna().all(axis=None)
    assert result.windows["svr"].notna().any()


# --- identities -------------------------------------------------------------------------------------------

positive = st.floats(1.0, 200.0)


@given(positive, st.floats(0.0, 20.0), st.floats(0.5, 15.0), st.floats(0.3, 2.5))
def test_an_index_multiplies_resistance_and_divides_flow(
    mbp: float, cvp: float, co: float, bsa: float
) -> None:
    svr = flow.resistance_dyn(mbp, cvp, co)
    assert flow.resistance_index(svr, bsa) == pytest.approx(flow.resistance_dyn(mbp, cvp, co / bsa), abs=1e-9)
    assert flow.power_above_right_atrium(mbp, 0.0, co) == flow.power(mbp, co)
    # 80 for 79.9934 and 451 for 450.04: less than 0.01 and 0.3 % apart.
    assert pytest.approx(1.0, rel=1e-4) == flow.DYN_PER_WOOD / flow.DYN_PER_WOOD_EXACT
    assert pytest.approx(1.0, rel=3e-3) == flow.POWER_DIVISOR / flow.POWER_DIVISOR_EXACT


def test_without_flow_there_is_no_quotient() -> None:
    for value in (
        flow.resistance([90.0], [5.0], [0.0]),
        flow.stroke_volume([5.0], [0.0]),
        flow.per_area([5.0], [0.0]),
        load.compliance_by_pulse([70.0], [-1.0]),
        load.effective_elastance([120.0], [0.0]),
    ):
        assert np.isnan(value).all()


# --- arterial load on a windkessel ------------------------------------------------------------------------

box = (
    st.floats(*RESISTANCE_RANGE),
    st.floats(*COMPLIANCE_RANGE),
    st.floats(0.5, 1.2),
    st.floats(40.0, 110.0),
)


@given(*box)
def test_the_area_method_gives_the_compliance_of_a_windkessel(
    resistance: float, compliance: float, duration: float, stroke: float
) -> None:
    beat = Windkessel(resistance, compliance, 0.0, duration, 0.3, stroke)
    found = load.compliance_by_area(
        beat.figures["diastolic_area"], resistance, beat.end_systolic_pressure, beat.onset_pressure
    )
    assert found == pytest.approx(compliance, rel=1e-9)
    again = load.compliance_by_time_constant(beat.tau, beat.mean, beat.cardiac_output)
    assert again == pytest.approx(compliance, rel=1e-9)


def test_area_time_constant_of_samples() -> None:
    fs, beat = 500.0, Windkessel(1.0, 1.5, 0.0)
    wave = beat.pressure(np.arange(2000) / fs)
    notch = np.array([0.3, 1.1, np.nan]) * fs
    found = load.area_decay_time(wave, notch, np.array([0.8, 1.6, 2.4]) * fs, fs)
    np.testing.assert_allclose(found, [1.5, 1.5, np.nan], rtol=1e-4)
    rising = np.linspace(80.0, 120.0, 200)
    assert np.isnan(load.area_decay_time(rising, [10.0], [150.0], fs)).all()


@given(*box)
def test_stroke_over_pulse_over_reads_a_windkessel(
    resistance: float, compliance: float, duration: float, stroke: float
) -> None:
    beat = Windkessel(resistance, compliance, 0.0, duration, 0.3, stroke)
    assert load.compliance_by_pulse(stroke, beat.figures["pp"]) > compliance


@given(*box)
def test_elastance_of_a_windkessel_lies_near_mean_pressure_over_stroke(
    resistance: float, compliance: float, duration: float, stroke: float
) -> None:
    beat = Windkessel(resistance, compliance, 0.0, duration, 0.3, stroke)
    closed = load.elastance_of_windkessel(resistance, beat.tau, 0.3, duration - 0.3)
    mean = load.mean_elastance(beat.mean, stroke)
    assert mean == pytest.approx(resistance / duration)
    assert closed > mean
    # With a long time constant nothing is left between them.
    assert load.elastance_of_windkessel(resistance, 1e6, 0.3, duration - 0.3) == pytest.approx(mean, rel=1e-4)


# --- body -------------------------------------------------------------------------------------------------


@given(st.floats(140.0, 200.0), st.floats(45.0, 120.0))
def test_surfaces_of_adults_agree_and_grow(height: float, weight: float) -> None:
    values = [f(height, weight) for f in (body.bsa_dubois, body.bsa_mosteller, body.bsa_haycock)]
    assert max(values) / min(values) < 1.2
    metres = 0.20247 * weight**0.425 * (height / 100.0) ** 0.725
    assert body.bsa_dubois(height, weight) == pytest.approx(metres, abs=3e-4)
    for function in (body.bsa_dubois, body.bsa_mosteller, body.bsa_haycock):
        assert function(height + 1, weight) > function(height, weight)
        assert function(height, weight + 1) > function(height, weight)


def test_predicted_weight_needs_height_and_sex() -> None:
    found = body.predicted_body_weight([170.0, 170.0, 170.0, np.nan], ["male", "female", None, "male"])
    np.testing.assert_allclose(found, [66.016, 61.516, np.nan, np.nan])


def test_body_stands_in_the_record() -> None:
    record = analysed(**BODY).record.iloc[0]
    assert record["bsa_mosteller"] == pytest.approx(np.sqrt(170 * 70 / 3600))
    assert record["predicted_weight"] == pytest.approx(61.516)
    child = analysed(height_cm=110.0, weight_kg=18.0, sex="male", age_years=5.0)
    told = child.verdicts("bsa_dubois", table="record").iloc[0]
    assert told["measurement"] == "caution"
    assert "made on adults" in told["reasons"]
    assert child.verdicts("bsa_haycock", table="record")["measurement"].iloc[0] != "caution"
    assert "below five feet" in child.verdicts("predicted_weight", table="record")["reasons"].iloc[0]
    nobody = analysed().verdicts("bsa_dubois", table="record").iloc[0]
    assert "nobody documented height and weight" in nobody["reasons"]
