"""Rules for the mean, form factor, shock indices, supply and demand: properties, rules and reasons."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

import hemoidx as hx
from hemoidx import Context, default_catalogue
from hemoidx.facts import mask
from hemoidx.indices.mean_rules import (
    FORM_FACTORS,
    form_factor,
    mbp_form_factor,
    mbp_one_third,
    mbp_razminia,
)
from hemoidx.indices.products import (
    age_shock_index,
    modified_shock_index,
    pp_ratio,
    rate_pressure_product,
    shock_index,
)
from hemoidx.indices.rules import judge
from hemoidx.indices.supply import endocardial_viability_ratio, evr
from tests.waves import pulses, recording

PRESSURE = st.floats(20.0, 150.0)
PULSE = st.floats(5.0, 120.0)
RATE = st.floats(30.0, 220.0)


@given(PRESSURE, PULSE, RATE, st.floats(0.5, 2.0), st.floats(-30.0, 30.0))
def test_rules_for_the_mean_move_with_scale_and_offset_as_a_mean_does(
    dbp: float, pp: float, hr: float, gain: float, offset: float
) -> None:
    for rule in (
        mbp_one_third,
        lambda s, d: mbp_form_factor(s, d, ["radial"]),
        lambda s, d: mbp_razminia(s, d, hr),
    ):
        plain = rule([dbp + pp], [dbp])
        moved = rule([gain * (dbp + pp) + offset], [gain * dbp + offset])
        np.testing.assert_allclose(moved, gain * plain + offset, rtol=1e-9, atol=1e-9)
        assert dbp < plain[0] < dbp + pp


@given(PRESSURE, PULSE, st.floats(0.1, 0.9), st.floats(0.5, 2.0), st.floats(-30.0, 30.0))
def test_the_form_factor_ignores_scale_and_offset_and_gives_the_mean_back(
    dbp: float, pp: float, share: float, gain: float, offset: float
) -> None:
    mbp = dbp + share * pp
    found = form_factor([gain * mbp + offset], [gain * dbp + offset], [gain * pp])
    np.testing.assert_allclose(found, share, rtol=1e-6)


@given(PRESSURE, PULSE)
def test_rules_collapse_to_one_another_where_their_weights_agree(dbp: float, pp: float) -> None:
    # Razminia's weight is 1/3 at 25/9 beats a minute, and the aortic factor 0.45 at 100.
    np.testing.assert_allclose(mbp_razminia(dbp + pp, dbp, 25.0 / 9.0), mbp_one_third(dbp + pp, dbp))
    np.testing.assert_allclose(
        mbp_razminia([dbp + pp], [dbp], [100.0]), mbp_form_factor([dbp + pp], [dbp], ["aorta"])
    )


def test_a_form_factor_is_used_only_where_one_is_published() -> None:
    sites = ["radial", "femoral", "brachial", "aorta", "temporal", "other", "unknown", None]
    found = mbp_form_factor([120.0] * 8, [80.0] * 8, sites)
    np.testing.assert_allclose(found[:4], [94.0, 93.6, 96.0, 98.0])
    assert np.isnan(found[4:]).all()
    for factor in FORM_FACTORS.values():
        assert factor.source
        assert factor.population


@given(RATE, PRESSURE, PULSE, st.floats(0.5, 2.0))
def test_shock_indices_fall_with_pressure_and_the_product_rises(
    hr: float, dbp: float, pp: float, gain: float
) -> None:
    sbp = dbp + pp
    np.testing.assert_allclose(shock_index(hr, gain * sbp), shock_index(hr, sbp) / gain)
    np.testing.assert_allclose(modified_shock_index(hr, gain * dbp), modified_shock_index(hr, dbp) / gain)
    np.testing.assert_allclose(rate_pressure_product(hr, gain * sbp), gain * rate_pressure_product(hr, sbp))
    np.testing.assert_allclose(pp_ratio(gain * pp, gain * sbp), pp_ratio(pp, sbp))
    # Identity: index times product is the square of the rate, whatever the pressure.
    np.testing.assert_allclose(shock_index(hr, sbp) * rate_pressure_product(hr, sbp), hr**2)
    np.testing.assert_allclose(age_shock_index(shock_index(hr, sbp), 50.0), 50.0 * hr / sbp)


def test_the_viability_ratio_assumes_ten_and_falls_with_filling_pressure() -> None:
    assert evr(120.0, 80.0, 0.8) == endocardial_viability_ratio(120.0, 80.0, 0.8, 10.0)
    rising = endocardial_viability_ratio(120.0, 80.0, 0.8, np.array([5.0, 15.0, 30.0]))
    assert np.all(np.diff(rising) < 0)
    # At 300/min nothing is left of diastole by the assumed 0.2 s.
    assert evr(120.0, 80.0, 0.2) == 0.0


@pytest.mark.parametrize(
    ("name", "offset", "gain"),
    [
        ("form_factor", False, False),
        ("shock_index", True, True),
        ("modified_shock_index", True, True),
        ("rate_pressure_product", True, True),
        ("pp_ratio", True, False),
        ("sevr", True, False),
        ("mbp_one_third", True, True),
    ],
)
def test_what_zero_and_gain_do(name: str, offset: bool, gain: bool) -> None:
    catalogue = default_catalogue()
    index = catalogue[name]
    rules = catalogue.rules_in(index, "beats")
    far = judge(
        rules,
        (),
        "beats",
        np.zeros(1, dtype=np.int64),
        lambda c: np.array([7.0 if c == "static_error" else np.nan]),
        np.ones(1),
    )
    assert (far.measurement[0] == "rejected") == offset
    assert ("offset" in index.harmed_by) == offset
    assert ("gain" in index.harmed_by) == gain


@pytest.mark.parametrize(
    ("fact", "names"),
    [
        ("no_notch", "sevr"),
        ("end_unknown", "sevr evr form_factor shock_index modified_shock_index rate_pressure_product"),
        ("saturated", "sevr form_factor shock_index pp_ratio mbp_one_third"),
        ("uncalibrated", "sevr form_factor shock_index pp_ratio mbp_one_third evr"),
    ],
)
def test_what_rejects(fact: str, names: str) -> None:
    catalogue = default_catalogue()
    for name in [
        "sevr",
        "evr",
        "form_factor",
        "shock_index",
        "modified_shock_index",
        "rate_pressure_product",
        "pp_ratio",
    ]:
        rules = catalogue.rules_in(catalogue[name], "beats")
        facts = np.array([mask(fact)], dtype=np.int64)
        judged = judge(rules, (), "beats", facts, lambda c: np.array([np.nan]), np.ones(1))
        if name in names.split():
            assert judged.measurement[0] == "rejected", name
        elif fact in ("no_notch", "end_unknown"):
            assert judged.measurement[0] != "rejected", name


def analysed(**context: object) -> hx.Analysis:
    return hx.analyse(recording(pulses(125.0, 60.0), 125.0), context=Context.read(context), progress=False)


def test_context_decides_and_the_verdict_says_what_is_missing() -> None:
    bare = analysed()
    assert bare.beats["mbp_form_factor"].isna().all()
    assert bare.beats["age_shock_index"].isna().all()
    told = bare.verdicts("mbp_form_factor", table="windows")["reasons"]
    assert told.str.contains("no form factor is published for it").all()
    assert (
        bare.verdicts("age_shock_index", table="windows")["reasons"].str.contains("documented the age").all()
    )
    known = analysed(site="radial", age=70)
    row = known.windows.iloc[0]
    # Values of beats are kept to seven digits.
    assert row.mbp_form_factor == pytest.approx(row.dbp + 0.35 * row.pp, abs=2e-5)
    assert row.age_shock_index == pytest.approx(70.0 * row.shock_index, rel=1e-6)
    sevr = known.verdicts("sevr", table="windows")
    assert (sevr["measurement"] == "caution").all()
    assert sevr["reasons"].str.contains("no figure for the aorta holds elsewhere").all()
    aorta = analysed(site="aorta").verdicts("sevr", table="windows")
    assert not aorta["reasons"].str.contains("elsewhere").any()


def test_a_pump_asks_for_caution_and_takes_the_reading_away() -> None:
    assisted = analysed(mechanical_support="counterpulsation", site="aorta").verdicts("sevr", table="windows")
    assert (assisted["measurement"] == "caution").all()
    assert assisted["reasons"].str.contains("counterpulsation adds a wave of its own").all()
    assert assisted["reasons"].str.contains("a pump shapes the pulse").all()
