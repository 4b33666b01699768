"""Stretches that are not the patient: the table itself, and each kind where it was put."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from hemoidx import beats
from hemoidx.simulate import Event, Scenario, simulate_arrays
from hemoidx.spans import KIND, KINDS, NONE, Spans, by_level, gather, join, usual_levels
from hemoidx.survey import Rail, runs, survey
from tests.waves import pulses

FS = 125.0

stretches = st.lists(
    st.tuples(st.integers(0, 200), st.integers(1, 40), st.integers(0, len(KINDS) - 1)), max_size=25
)


def table(rows):
    rows = np.array(rows, dtype=np.int64).reshape(-1, 3)
    return Spans(rows[:, 0], rows[:, 0] + rows[:, 1], rows[:, 2])


def painted(spans, kind=None, size=260):
    mask = np.zeros(size, dtype=bool)
    for start, stop, k in zip(*spans, strict=True):
        if kind is None or k == kind:
            mask[start:stop] = True
    return mask


def seconds(spans, kind, fs=FS):
    chosen = spans.of(kind)
    return np.column_stack([chosen.start, chosen.stop]) / fs


def level_spans(wave, fs=FS, step=0.0, calibrated=True, rails=()):
    return by_level(survey(wave, fs, step, rails), wave, step, calibrated)


def test_kinds_are_those_of_the_tables():
    assert KINDS == (
        "flush", "open_to_air", "flat", "saturated", "sampling", "motion", "cuff", "gap", "not_pulsatile"
    )  # fmt: skip


@given(stretches)
def test_join_is_the_union(rows):
    spans = table(rows)
    union = join(spans.start, spans.stop)
    np.testing.assert_array_equal(
        painted(Spans(*union.T.astype(int), np.zeros(len(union), int))), painted(spans)
    )
    assert (union[1:, 0] > union[:-1, 1]).all()


@given(stretches, stretches)
def test_gather_loses_and_adds_nothing(one, two):
    both = gather(table(one), table(two))
    for kind in range(len(KINDS)):
        expected = painted(table(one), kind) | painted(table(two), kind)
        np.testing.assert_array_equal(painted(both, kind), expected)
        same = both.take(both.kind == kind)
        assert (same.start[1:] > same.stop[:-1]).all()
    assert (np.diff(both.start) >= 0).all()
    again = gather(both)
    for a, b in zip(both, again, strict=True):
        np.testing.assert_array_equal(a, b)
        assert b.dtype == np.int64


@given(stretches, st.lists(st.integers(-10, 250), min_size=1, max_size=20), st.integers(0, 9))
def test_inside_is_half_open(rows, position, margin):
    spans = table(rows)
    # The borders themselves above all.
    position = np.concatenate([position, spans.start - margin, spans.stop + margin]).astype(float)
    expected = np.zeros(position.size, dtype=bool)
    for start, stop, _ in zip(*spans, strict=True):
        expected |= (position >= start - margin) & (position < stop + margin)
    np.testing.assert_array_equal(spans.inside(position, margin), expected)


def test_inside_of_nothing_and_of_no_number():
    assert not NONE.inside(np.arange(5.0)).any()
    np.testing.assert_array_equal(table([(3, 4, 0)]).inside(np.array([np.nan, 5.0])), [False, True])


def test_only_some_kinds():
    spans = table([(0, 5, KIND["flush"]), (3, 9, KIND["gap"]), (20, 5, KIND["flush"])])
    np.testing.assert_array_equal(spans.of("flush").start, [0, 20])
    np.testing.assert_array_equal(spans.of("gap", "motion").start, [3])
    assert spans.of().start.size == 0


def test_clean_pulses_hold_no_span():
    for fs in (60.0, 125.0, 1000.0):
        assert beats.read(pulses(fs, 60.0), fs).spans.start.size == 0


@pytest.mark.parametrize("fs", [60.0, 125.0, 500.0, 1000.0])
def test_a_flush_an_open_line_and_a_dead_one_where_they_were_put(fs):
    wave = pulses(fs, 120.0)
    for kind, start, stop, level in (
        ("flush", 20.0, 21.5, 285.0),
        ("open_to_air", 50.0, 60.0, 2.0),
        ("flat", 85.0, 95.0, 47.0),
    ):
        changed = wave.copy()
        changed[int(start * fs) : int(stop * fs)] = level
        spans = level_spans(changed, fs)
        ((a, b),) = seconds(spans, kind, fs)
        # To a cell of about an eighth of a second.
        assert a == pytest.approx(start, abs=0.15), kind
        assert b == pytest.approx(stop, abs=0.15), kind
        assert set(spans.kind) == {KIND[kind]}


def test_open_to_air_takes_its_zero_error_with_it():
    for level, kind in ((11.0, "open_to_air"), (-11.0, "open_to_air"), (20.0, "flat"), (-20.0, "flat")):
        wave = pulses(FS, 60.0)
        wave[3000:4000] = level
        # The lowest value of all may also be a rail.
        assert set(level_spans(wave).kind) - {KIND["saturated"]} == {KIND[kind]}, level


def test_a_flush_must_stand_out_of_high_pressure():
    high = pulses(FS, 120.0, low=110.0, pulse=100.0)
    assert level_spans(high).start.size == 0
    high[5000:5200] = 225.0
    assert level_spans(high).of("flush").start.size == 0
    high[5000:5200] = 240.0
    assert level_spans(high).of("flush").start.size == 1


def test_a_high_level_that_lasts_is_no_flush():
    wave = pulses(FS, 120.0)
    wave[5000:7500] = 200.0 + np.random.default_rng(1).standard_normal(2500)
    assert level_spans(wave).of("flush").start.size == 0
    wave[6500:6700] = 290.0
    ((a, b),) = seconds(level_spans(wave), "flush")
    # It takes in three cells at most of the plateau on both sides.
    assert (a, b) == (pytest.approx(52.0, abs=0.45), pytest.approx(53.6, abs=0.45))


def test_a_flush_that_sags_above_a_plateau_is_one_flush():
    wave = pulses(FS, 120.0)
    wave[5000:7500] = 200.0
    wave[6500:6800] = np.linspace(252.0, 226.0, 300)
    ((a, b),) = seconds(level_spans(wave), "flush")
    assert (a, b) == (pytest.approx(52.0, abs=0.45), pytest.approx(54.4, abs=0.45))


def test_a_constant_that_drifts_or_breathes_is_not_flat():
    wave = pulses(FS, 60.0)
    wave[3000:4500] = np.linspace(90.0, 100.0, 1500)
    assert level_spans(wave).of("flat").start.size == 0
    wave[3000:4500] = 95.0 + 3.0 * np.sin(np.arange(1500) / FS * 2 * np.pi * 0.3)
    assert level_spans(wave).of("flat").start.size == 0


def test_without_calibration_no_level_means_anything():
    wave = pulses(FS, 120.0)
    wave[2500:2700] = 285.0
    wave[6000:7250] = 2.0
    wave[9000:9500] = np.nan
    found = level_spans(wave, calibrated=False)
    assert set(found.kind) <= {KIND["gap"], KIND["saturated"], KIND["flat"]}
    assert {KIND["gap"], KIND["flat"]} <= set(found.kind)
    assert {KIND["flush"], KIND["open_to_air"], KIND["gap"]} == set(level_spans(wave).kind)


@pytest.mark.parametrize("factor", [1e-5, 1e-3, 1.0, 1e4])
def test_numbers_without_calibration_are_flat_by_their_own_measure(factor):
    wave = pulses(FS, 60.0)
    wave[3000:3750] = 93.0
    scale = [{"start": 0, "stop": wave.size, "step": None, "calibrated": False}]
    found = beats.read(wave * factor, FS, scale)
    assert found.onset.size == beats.read(wave, FS).onset.size > 65
    ((a, b),) = seconds(found.spans, "flat")
    assert (a, b) == (pytest.approx(24.0, abs=0.15), pytest.approx(30.0, abs=0.15))


def test_gaps_have_right_sample_numbers():
    wave = pulses(FS, 60.0)
    wave[[0, 1, 4000]] = np.nan
    wave[2000:2777] = np.nan
    wave[-5:] = np.nan
    gaps = beats.read(wave, FS).spans.of("gap")
    np.testing.assert_array_equal(gaps.start, [0, 2000, 4000, wave.size - 5])
    np.testing.assert_array_equal(gaps.stop, [2, 2777, 4001, wave.size])


@pytest.mark.parametrize("fs", [60.0, 125.0, 250.0, 1000.0])
def test_clipped_crests_at_known_rails(fs):
    wave = np.clip(np.round(pulses(fs, 60.0) * 4) / 4, None, 112.0).astype(np.float32)
    scale = [
        {"start": 0, "stop": wave.size, "step": 0.25, "calibrated": True, "rail_low": -30, "rail_high": 112}
    ]
    found = beats.read(wave, fs, scale)
    at_rail = wave == 112.0
    assert painted(found.spans, KIND["saturated"], wave.size)[at_rail].mean() > 0.98
    # Pressure met the rail behind the last sample inside it.
    before = np.append(at_rail[1:], False)
    # Noise may take one more sample at either end off the rail.
    beside = np.convolve(at_rail, np.ones(5), mode="same") > 0
    assert painted(found.spans, None, wave.size)[before].mean() > 0.98
    assert not painted(found.spans, None, wave.size)[~beside].any()
    assert ((found.facts >> 4) & 1).all()


def test_noise_does_not_break_a_clipped_crest():
    fs = 500.0
    clean = pulses(fs, 60.0)
    wave = np.clip(clean + np.random.default_rng(3).normal(0, 1.0, clean.size), None, 116.0)
    scale = [
        {"start": 0, "stop": wave.size, "step": 0.25, "calibrated": True, "rail_low": -30, "rail_high": 116.0}
    ]
    spans = beats.read(wave, fs, scale).spans
    crests = Spans(*runs(clean >= 117.0).T, np.zeros(75, int))
    assert painted(spans, KIND["saturated"], wave.size)[painted(crests, None, wave.size)].mean() > 0.99
    # One stretch to a crest, but for a stray touch.
    assert 75 <= spans.of("saturated").start.size < 85


def test_a_flush_at_the_rail_is_a_flush():
    wave = pulses(FS, 60.0)
    wave[3000:3200] = 300.0
    found = level_spans(wave, step=0.25, rails=[Rail(0, wave.size, -30.0, 300.0)])
    assert set(found.kind) == {KIND["flush"]}


@pytest.mark.parametrize("fs", [60.0, 125.0, 250.0, 500.0, 1000.0])
def test_clipped_crests_without_known_rails_at_any_rate(fs):
    wave = pulses(fs, 60.0)
    assert beats.read(wave, fs).spans.start.size == 0
    assert beats.read(np.clip(wave, None, 112.0), fs).spans.of("saturated").start.size == 75
    # Whole numbers stay at their highest for several samples too, and are no rail for that.
    assert beats.read(np.round(wave), fs).spans.start.size == 0


def test_usual_levels_are_those_of_the_pulse():
    wave = pulses(FS, 300.0)
    wave[12000:12200] = 290.0
    found = survey(wave, FS)
    levels = usual_levels(found.cells, found.grid.cell_s)
    np.testing.assert_allclose(levels.systolic, 120.0, atol=2.0)
    np.testing.assert_allclose(levels.diastolic, 80.0, atol=2.0)


EVENTS = {
    "flush": (Event("flush", 40.0, 1.5), Event("flush", 80.0, 4.0)),
    "open_to_air": (Event("open_to_air", 40.0, 15.0),),
    "flat": (Event("flat", 40.0, 10.0),),
    "saturated": (Event("saturated", 40.0, 30.0, 40.0),),
    "sampling": (Event("sampling", 40.0, 30.0),),
    "motion": (Event("motion", 40.0, 8.0, 40.0),),
    "cuff": (Event("cuff", 40.0, 35.0),),
    "gap": (Event("gap", 40.0, 0.6), Event("gap", 80.0, 12.0)),
    "not_pulsatile": (Event("not_pulsatile", 40.0, 30.0),),
}


@pytest.mark.parametrize("fs", [75.0, 250.0])
@pytest.mark.parametrize("kind", KINDS)
def test_each_event_is_found_and_named(kind, fs):
    high = 140.0 if kind == "saturated" else 300.0
    scenario = Scenario(seed=77, fs=fs, events=EVENTS[kind], rail_high=high)
    wave, _, scale, truth = simulate_arrays(scenario)
    found = beats.read(wave, fs, scale)
    event = truth.spans[truth.spans["kind"] == kind]
    assert len(event) > 0
    marked = painted(found.spans.of(kind), None, wave.size)
    wide = np.zeros(wave.size, dtype=bool)
    core = np.zeros(wave.size, dtype=bool)
    for row in truth.spans.itertuples():
        wide[max(0, int(row.touch_start_s * fs)) : int(row.touch_end_s * fs) + 1] = True
        if row.kind == kind:
            core[int(row.start_s * fs) : int(row.end_s * fs)] = True
    assert marked[core].mean() > 0.8
    assert painted(found.spans, None, wave.size)[~wide].mean() < 0.02
    # No beat has its upstroke in what was marked, save in a clipped pulse.
    hiding = found.spans.take(found.spans.kind != KIND["saturated"])
    assert not hiding.inside(found.steepest).any()
    assert np.isfinite(found.onset).sum() > 60


@pytest.mark.parametrize("seed", [41, 43])
@pytest.mark.parametrize(
    ("mean", "event"),
    [
        # A pump holds the level from the start, be it far below or above the patient's own.
        (105.0, Event("not_pulsatile", 40.0, 30.0, 40.0)),
        (45.0, Event("not_pulsatile", 40.0, 30.0, 78.0)),
        (80.0, Event("not_pulsatile", 40.0, 30.0, 60.0)),
        # Below a closed cuff the level drains.
        (105.0, Event("cuff", 40.0, 30.0)),
        (45.0, Event("cuff", 40.0, 30.0)),
        # A tap is turned at once, both ways.
        (105.0, Event("sampling", 40.0, 30.0, 160.0)),
        (45.0, Event("sampling", 40.0, 30.0, 90.0)),
    ],
)
def test_what_takes_the_pulse_away_is_told_by_what_the_level_does(mean, event, seed):
    scenario = Scenario(seed=seed, mean_pressure=mean, pulse_pressure=30.0, events=(event,))
    wave, fs, scale, truth = simulate_arrays(scenario)
    found = beats.read(wave, fs, scale).spans
    row = truth.spans.iloc[0]
    named = painted(found.of(event.kind), None, wave.size)[int(row.start_s * fs) : int(row.end_s * fs)]
    assert named.mean() > 0.9
