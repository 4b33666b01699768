"""Estimators of stroke volume: scale, offset, which collapse to which, and windkessels that they follow."""

from functools import lru_cache

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

import hemoidx as hx
from hemoidx.facts import mask
from hemoidx.indices import stroke_volume as s
from hemoidx.indices import stroke_volume_area as area
from hemoidx.indices import stroke_volume_decay as decay
from hemoidx.indices import stroke_volume_window as many
from hemoidx.indices.rules import judge
from hemoidx.simulate.arteries import windkessel
from hemoidx.simulate.heart import BeatTrain, aortic_inflow
from hemoidx.simulate.windkessel import COMPLIANCE_RANGE, RESISTANCE_RANGE, Windkessel
from tests.waves import pulses, recording

Float = NDArray[np.float64]
FS = 125.0
RELATIVE = [i.name for i in hx.default_catalogue() if i.name.startswith("sv_")]
#: Made of the pulsation alone.
OF_THE_PULSE = ("sv_pulse_pressure", "sv_herd", "sv_systolic_area", "sv_kouchoukos", "sv_rms", "sv_parlikar")


def analysed(wave: Float, fs: float = FS, **context: object) -> pd.Series:
    """Medians of the windows, unmasked values included."""
    given = {"age_years": 60, **context}
    result = hx.analyse(recording(wave, fs), context=given, progress=False)
    return result.windows[[*RELATIVE, "sbp", "dbp", "mbp", "pp", "hr"]].median()


@lru_cache(maxsize=1)
def usual() -> pd.Series:
    return analysed(pulses(FS, 62.0))


# --- scale and offset -------------------------------------------------------------------------------------


@settings(max_examples=6, deadline=None)
@given(st.floats(-25.0, 40.0))
def test_an_offset_reaches_only_what_counts_from_zero(offset: float) -> None:
    before, after = usual(), analysed(pulses(FS, 62.0) + offset)
    for name in OF_THE_PULSE:
        assert after[name] == pytest.approx(before[name], rel=1e-4), name
    # Values of beats are kept to seven digits.
    rise = after["sv_mean_pressure"] - before["sv_mean_pressure"]
    assert rise == pytest.approx(0.8 * offset, rel=1e-3, abs=2e-5)
    total = before["sbp"] + before["dbp"]
    expected = before["sv_liljestrand_zander"] * total / (total + 2 * offset)
    assert after["sv_liljestrand_zander"] == pytest.approx(expected, rel=1e-6)
    if abs(offset) > 1:
        for name in ("sv_whole_systolic_area", "sv_wesseling", "sv_jansen", "sv_decay"):
            assert abs(after[name] / before[name] - 1.0) > 1e-3, name


@settings(max_examples=6, deadline=None)
@given(st.floats(0.7, 1.5))
def test_a_gain_scales_all_but_the_quotient(gain: float) -> None:
    before, after = usual(), analysed(gain * pulses(FS, 62.0))
    for name in (*OF_THE_PULSE, "sv_mean_pressure", "sv_whole_systolic_area", "sv_decay"):
        assert after[name] == pytest.approx(gain * before[name], rel=1e-4), name
    assert after["sv_liljestrand_zander"] == pytest.approx(before["sv_liljestrand_zander"], rel=1e-6)
    if abs(gain - 1.0) > 0.01:
        for name in ("sv_wesseling", "sv_jansen"):
            assert abs(after[name] / (gain * before[name]) - 1.0) > 1e-4, name


# --- which collapse to which ------------------------------------------------------------------------------


@settings(max_examples=5, deadline=None)
@given(st.floats(25.0, 60.0))
def test_of_one_shape_all_that_is_made_of_the_pulse_is_the_same(pulse: float) -> None:
    other = analysed(pulses(FS, 62.0, pulse=pulse))
    ratio = other[list(OF_THE_PULSE)] / usual()[list(OF_THE_PULSE)]
    np.testing.assert_allclose(ratio, pulse / 40.0, rtol=1e-4)


pressure = st.floats(20.0, 200.0)


@given(pressure, st.floats(5.0, 120.0), st.floats(0.3, 1.5))
def test_fixed_constant_is_pulse_pressure_again(dbp: float, pp: float, duration: float) -> None:
    rate = 60.0 / duration
    stroke = 1000.0 * s.fixed_pulse_pressure_flow(pp, rate) / rate
    assert stroke == pytest.approx(2.0 * s.pulse_pressure_stroke(pp))
    middle = dbp + 0.5 * pp
    assert s.liljestrand_zander(pp, dbp + pp, dbp) == pytest.approx(0.5 * pp / middle)
    assert s.rms_by_integral(pp, duration) == pytest.approx(pp * np.sqrt(duration))


@given(st.floats(1.0, 40.0), st.floats(0.2, 0.4))
def test_without_run_off_the_corrected_area_is_the_area(under: float, systole: float) -> None:
    assert area.kouchoukos(under, systole, 1e9) == pytest.approx(under)
    assert area.kouchoukos(under, systole, 2.0 * systole) == pytest.approx(2.0 * under)
    assert np.isnan(area.kouchoukos(under, systole, systole))


def test_the_two_forms_of_corrected_impedance_share_their_slope_at_34_years() -> None:
    mbp = np.array([60.0, 90.0])
    without, with_age = (
        np.diff(f)
        for f in (area.corrected_impedance(1.0, 70.0, mbp), area.corrected_impedance_age(1, 70, mbp, 34))
    )
    assert without[0] == pytest.approx(-0.48 * 30.0)
    assert with_age[0] == pytest.approx(-0.476 * 30.0)
    # Their constants differ, so that they do not answer alike to heart rate.
    rate = np.array([60.0, 120.0])
    one, two = area.corrected_impedance(1.0, rate, 93.0), area.corrected_impedance_age(1.0, rate, 93.0, 34.0)
    assert two[1] / two[0] > one[1] / one[0] + 0.1
    assert np.isnan(area.corrected_impedance_age(1.0, 70.0, 93.0, np.nan))
    assert np.isnan(area.corrected_impedance(1.0, 40.0, 500.0))


@given(st.floats(40.0, 140.0), st.floats(0.4, 1.4), st.floats(0.3, 4.0))
def test_storage_without_a_rise_is_the_decay_method(mbp: float, duration: float, tau: float) -> None:
    steady = decay.storage_and_runoff(0.0, duration, mbp, tau)
    assert steady == pytest.approx(decay.decay_flow(mbp, tau))
    assert decay.decay_stroke(mbp, duration, tau) == pytest.approx(steady * duration)
    # A second of rise by 1 mmHg stores one unit of compliance.
    assert decay.storage_and_runoff(duration, duration, mbp, tau) - steady == pytest.approx(1.0)


def test_the_printed_decay_has_one_heart_rate_too_many() -> None:
    duration = np.array([1.0, 0.5])
    printed = decay.decay_printed(90.0, 120.0, 80.0, duration)
    # The same pressures at twice the rate: time constant half, flow double; the print has it fourfold.
    tau = duration / np.log(120.0 / 80.0)
    right = decay.decay_flow(90.0, tau)
    assert right[1] / right[0] == pytest.approx(2.0)
    assert printed[1] / printed[0] == pytest.approx(4.0)


@given(st.floats(*RESISTANCE_RANGE), st.floats(*COMPLIANCE_RANGE), st.floats(30.0, 110.0))
def test_decay_is_exact_on_a_windkessel(resistance: float, compliance: float, stroke: float) -> None:
    beat = Windkessel(resistance, compliance, 0.0, 0.8, 0.3, stroke)
    found = compliance * decay.decay_stroke(beat.mean, beat.duration, beat.tau)
    assert found == pytest.approx(stroke, rel=1e-9)
    assert decay.decay_flow(beat.mean, beat.tau, compliance) * 0.06 == pytest.approx(beat.cardiac_output)


# --- many beats -------------------------------------------------------------------------------------------


def impulses(n: int, tau: float, gain: float = 1.0, seed: int = 0) -> tuple[Float, ...]:
    """Beats of a windkessel filled at once: onset, end, dbp, mbp, pulse (times a gain), window of each."""
    rng = np.random.default_rng(seed)
    duration = 0.8 * (1 + 0.03 * rng.standard_normal(n))
    step = 45.0 * (1 + 0.08 * np.sin(np.arange(n) / 0.8))
    onset = np.cumsum(duration) - duration
    low, mean = np.empty(n), np.empty(n)
    level = 45.0 / np.expm1(0.8 / tau)
    for k in range(n):
        low[k] = level
        kept = np.exp(-duration[k] / tau)
        mean[k] = (level + step[k]) * tau * (1 - kept) / duration[k]
        level = (level + step[k]) * kept
    return onset, onset + duration, low, mean, gain * step, (onset // 30).astype(np.intp)


@pytest.mark.parametrize("tau", [0.8, 1.5, 2.5])
@pytest.mark.parametrize("gain", [1.0, 1.6])
def test_long_interval_finds_the_time_constant_whatever_the_pulse_looks_like(tau: float, gain: float) -> None:
    onset, end, low, mean, pulse, window = impulses(1200, tau, gain)
    n = int(window[-1]) + 1
    pairs = many.successive(onset, end, low, mean, pulse, window)
    rate, error, _ = many.long_interval_rate(pairs, n)
    inner = slice(6, n - 6)
    np.testing.assert_allclose(1.0 / rate[inner], tau, rtol=1e-4)
    assert (error[inner] < 1e-3 * rate[inner]).all()
    stroke = many.long_interval(onset, end, low, mean, pulse, window, n)
    np.testing.assert_allclose(stroke[inner], 45.0, rtol=0.01)
    # Six minutes have to lie in the recording.
    assert np.isnan(stroke[:6]).all()
    assert np.isnan(stroke[-5:]).all()


def test_long_interval_has_no_value_without_variation() -> None:
    n = 1200
    onset = 0.8 * np.arange(n)
    rng = np.random.default_rng(1)
    low = 80.0 + 0.3 * rng.standard_normal(n)
    same = np.full(n, 95.0) + 0.1 * rng.standard_normal(n)
    pulse = np.full(n, 40.0) + 0.3 * rng.standard_normal(n)
    window = (onset // 30).astype(np.intp)
    assert np.isnan(
        many.long_interval(onset, onset + 0.8, low, same, pulse, window, int(window[-1]) + 1)
    ).all()


@given(st.floats(60.0, 100.0), st.floats(4.0, 30.0))
def test_beats_alike_make_the_averaged_windkessel_twice_herd(low: float, above: float) -> None:
    onset = 0.8 * np.arange(40)
    flat = np.ones(40)
    found = many.beat_averaged_windkessel(
        onset, onset + 0.8, low * flat, (low + above) * flat, np.zeros(40, int), 1
    )
    assert found[0] == pytest.approx(2.0 * s.herd(low + above, low))


def test_pairs_need_beats_that_follow_each_other() -> None:
    onset, end, low, mean, pulse, window = impulses(60, 1.5)
    low[10] = np.nan
    end[20] -= 0.1
    pairs = many.successive(onset, end, low, mean, pulse, window)
    # Beat 10 is missing from two pairs, the gap behind beat 20 from one, the last beat has no successor.
    assert pairs.rise.size == 59 - 3
    few = many.beat_averaged_windkessel(onset[:9], end[:9], low[:9], mean[:9], window[:9], 1)
    assert np.isnan(few).all()
    assert many.successive(*(np.empty(0),) * 6).rise.size == 0


# --- a windkessel: a test of the implementation, not evidence ---------------------------------------------

FOLLOW = (
    "sv_pulse_pressure",
    "sv_herd",
    "sv_systolic_area",
    "sv_kouchoukos",
    "sv_rms",
    "sv_decay",
    "sv_parlikar",
    "sv_long_interval",
)


@lru_cache(maxsize=8)
def reservoir(stroke: float, resistance: float, impedance: float) -> pd.Series:
    """Estimators on a windkessel of 1.5 mL/mmHg at 72/min, with breathing and a little variation of rate."""
    fs, seconds, settled = 250.0, 400.0, 20.0
    rng = np.random.default_rng(1)
    interval = 60.0 / 72.0 * (1 + 0.03 * rng.standard_normal(540))
    start = np.cumsum(interval) - interval
    inside = start < seconds + settled - 1.0
    start, interval = start[inside], interval[inside]
    volume = stroke * (1 + 0.05 * np.sin(2 * np.pi * start / 4.1))
    train = BeatTrain(start, interval, 0.3 * np.sqrt(interval), volume, np.zeros(start.size, dtype=np.int64))
    flow = aortic_inflow(train, np.arange(round((seconds + settled) * fs)) / fs)
    wave = windkessel(flow, fs, resistance, 1.5, impedance, start=1.2 * resistance * stroke)
    return analysed(wave[round(settled * fs) :], fs)


@pytest.mark.parametrize("impedance", [0.0, 0.05], ids=["two elements", "three elements"])
@pytest.mark.parametrize("resistance", [1.0, 1.35, 1.0 / 0.55], ids=["tone kept", "tone up", "mean kept"])
def test_a_fall_by_45_per_cent_is_followed(resistance: float, impedance: float) -> None:
    ratio = reservoir(41.25, resistance, impedance) / reservoir(75.0, 1.0, impedance)
    for name in FOLLOW:
        assert ratio[name] == pytest.approx(0.55, rel=0.08), name
    # What ought not to follow does not: a quotient where all pressures fall alike, mean pressure where it is
    # kept.
    follows = abs(ratio["sv_liljestrand_zander"] / 0.55 - 1.0) < 0.08
    assert follows == (resistance > 1.5)
    assert (abs(ratio["sv_mean_pressure"] / 0.55 - 1.0) < 0.08) == (resistance == 1.0)


# --- the catalogue ----------------------------------------------------------------------------------------


def test_entries_claim_no_volume_and_name_their_sources() -> None:
    catalogue = hx.default_catalogue()
    assert len(RELATIVE) == 13
    for name in RELATIVE:
        index = catalogue[name]
        assert "proportional to stroke volume" in index.title
        assert "mL" not in index.unit
        assert index.sources
        assert all(limit.source for limit in index.limits)
        uses = {limit.use for limit in index.limits}
        assert {"a volume", "change of stroke volume"} <= uses
    recalled = [n for n in RELATIVE if "recalled" in " ".join(catalogue[n].sources)]
    assert recalled == ["sv_jansen", "sv_parlikar"]


@pytest.mark.parametrize("fact", ["irregular_rhythm", "ectopic", "alternating"])
def test_uneven_beats_ask_for_caution(fact: str) -> None:
    facts = np.array([0, mask(fact)], dtype=np.int64)
    for name in RELATIVE:
        index = hx.default_catalogue()[name]
        table = index.table
        judged = judge(index.rules, (), table, facts, lambda _: np.full(2, np.nan), np.ones(2))
        assert judged.measurement.tolist() == ["accepted", "caution"], name


def test_under_mechanical_support_there_is_no_estimate() -> None:
    wave = pulses(FS, 62.0)
    result = hx.analyse(
        recording(wave, FS), context={"mechanical_support": "counterpulsation"}, progress=False
    )
    for name in RELATIVE:
        if name != "sv_jansen":
            assert result.windows[name].isna().all(), name
    assert result.windows["mbp"].notna().any()
    told = result.verdicts("sv_herd", table="windows")
    assert told["measurement"].eq("rejected").all()
    assert told["reasons"].str.contains("supported by a machine").all()
