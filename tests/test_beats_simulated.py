"""Truth from simulation, recording by recording: the worst count, not only the mean. Another seed again."""

import numpy as np
import pytest

from hemoidx.beats import read
from hemoidx.beats.twice import doubled
from hemoidx.context import Edits
from hemoidx.facts import mask
from hemoidx.simulate import Event, Scenario, random_scenarios, simulate_arrays
from hemoidx.spans import KIND, KINDS, join
from hemoidx.survey import Swings
from tests.bench.scoring import HIDING, score_recording

#: Nobody tuned on it.
SEED = 20261126


@pytest.fixture(scope="module")
def scored():
    rows = []
    for scenario in random_scenarios(72, SEED):
        wave, fs, scale, truth = simulate_arrays(scenario)
        row = score_recording(wave, fs, scale, truth)
        rows.append({**row, "scenario": scenario, "truth": truth, "fs": fs, "size": wave.size})
    return rows


def share(row):
    return row["found"] / max(row["reference"], 1), row["found"] / max(row["found"] + row["false"], 1)


def test_all_recordings_together(scored):
    reference = sum(row["reference"] for row in scored)
    assert reference > 12_000
    assert sum(row["found"] for row in scored) / reference >= 0.995
    # Of the clear beats hardly any is doubted: one that is has no pressures. But of a row of dicrotic waves
    # as tall as premature beats it may be impossible to say what it is.
    told = [row for row in scored if row["scenario"].family != "deep_dicrotic"]
    assert sum(row["doubted"] for row in told) / reference < 0.005
    assert sum(row["doubted"] for row in scored) / reference < 0.015


def test_no_more_beats_are_believed_than_there_were(scored):
    found, false = sum(row["found"] for row in scored), sum(row["false_believed"] for row in scored)
    assert found / (found + false) >= 0.999
    for row in scored:
        assert row["false_believed"] <= max(5, 0.02 * row["reference"]), row["scenario"].name


def test_the_worst_recordings_are_not_far_behind(scored):
    others = [row for row in scored if row["scenario"].family != "deep_dicrotic"]
    for row in sorted(scored, key=lambda row: sum(share(row)))[:5]:
        s = row["scenario"]
        print(f"{s.name}: Se {share(row)[0]:.3f}, +P {share(row)[1]:.3f}, {s.fs:g} Hz, {s.rate:.0f}/min")
    assert min(share(row)[0] for row in scored) >= 0.93
    assert min(share(row)[1] for row in others) >= 0.90
    assert sum(min(share(row)) < 0.99 for row in others) <= 10
    found, false = sum(row["found"] for row in others), sum(row["false"] for row in others)
    assert found / (found + false) >= 0.995


@pytest.mark.parametrize("rate", [40.0, 44.0, 48.0])
def test_tall_dicrotic_waves_of_slow_pulses(rate):
    scenario = Scenario(
        seed=1,
        rate=rate,
        dicrotic=0.5,
        dicrotic_delay=0.1,
        tube_hz=5.0,
        amplification=2.0,
        pulse_pressure=50.0,
    )
    row = score_recording(*simulate_arrays(scenario))
    assert share(row)[1] > 0.97


@pytest.mark.parametrize("seed", [1, 2, 3])
@pytest.mark.parametrize("rhythm", ["bigeminy", "alternans"])
def test_premature_and_weak_beats_stay_beats(seed, rhythm):
    values = {"rhythm": "bigeminy", "coupling": 0.62} if rhythm == "bigeminy" else {"alternans": 0.3}
    scenario = Scenario(seed=seed, rate=62.0 + 12.0 * seed, pulse_pressure=50.0, dicrotic=0.1, **values)
    row = score_recording(*simulate_arrays(scenario))
    assert share(row)[0] >= 0.98
    assert share(row)[1] == 1.0
    assert row["doubted"] <= 0.04 * row["reference"]


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_tall_dicrotic_waves_of_an_irregular_rhythm_are_not_believed(seed):
    scenario = Scenario(
        seed=seed, rate=55.0, rhythm="atrial_fibrillation", irregularity=0.2, sinus_arrhythmia=0.0,
        dicrotic=0.55, dicrotic_delay=0.15, tube_hz=5.0, amplification=2.4, pulse_pressure=50.0,
    )  # fmt: skip
    row = score_recording(*simulate_arrays(scenario))
    assert share(row)[0] > 0.96
    assert row["false_believed"] <= 0.02 * row["reference"]


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_alternating_beats_that_could_be_dicrotic_waves_are_not_taken_away(seed):
    scenario = Scenario(
        seed=seed, rate=147.0 + 6.0 * seed, alternans=0.2, rate_variability=0.006, dicrotic=0.0, fs=100.0,
        tube_hz=5.2, amplification=1.6, pulse_pressure=55.0, line_hz=13.0, line_damping=0.4,
    )  # fmt: skip
    row = score_recording(*simulate_arrays(scenario))
    assert share(row)[0] > 0.99
    assert row["false"] == 0
    # At 153/min it is left open.
    assert seed == 1 or row["doubted"] <= 0.02 * row["reference"]


def test_clipped_pulses_do_not_make_pulses_of_their_dicrotic_waves():
    scenario = next(s for s in random_scenarios(96, 31337) if s.name == "events_saturated_003")
    row = score_recording(*simulate_arrays(scenario))
    assert share(row) == (1.0, 1.0)
    assert row["doubted"] == 0


def row_of_waves(delay_spread, share_spread, count=40):
    """Swings of pulses every 1.2 s, each followed after 0.42 s by a wave of half its height."""
    rng = np.random.default_rng(4)
    pulse = 1.2 * np.arange(count)
    wave = pulse + 0.42 + delay_spread * rng.standard_normal(count)
    rise = np.column_stack([np.full(count, 50.0), 25.0 + 50.0 * share_spread * rng.standard_normal(count)])
    at = 1000.0 * np.column_stack([pulse, wave]).ravel()
    low = np.column_stack([np.full(count, 70.0), np.full(count, 85.0)]).ravel()
    swings = Swings(at - 80.0, at, at + 80.0, low, low + rise.ravel(), np.full(at.size, 600.0))
    return doubled(swings, 1000.0, np.arange(at.size), np.ones(at.size, dtype=bool))


def test_a_row_that_repeats_is_one_of_dicrotic_waves():
    waves, doubtful, _ = row_of_waves(0.004, 0.004)
    assert waves[1:-2:2].all()
    assert not waves[::2].any()
    assert not doubtful.any()


def test_a_row_that_varies_is_one_of_pulses():
    waves, doubtful, _ = row_of_waves(0.02, 0.04)
    assert not waves.any()
    assert not doubtful.any()


@pytest.mark.parametrize(("seed", "name"), [(88001, "bigeminy_004"), (88001, "bigeminy_008")])
def test_premature_beats_that_are_left_out_are_noted(seed, name):
    """Every second beat comes so early that it looks like an echo of the first, but for its timing."""
    wave, fs, scale, truth = simulate_arrays(next(s for s in random_scenarios(504, seed) if s.name == name))
    r = read(wave, fs, scale)
    assert r.onset.size < 0.7 * len(truth.beats)
    noted = (r.facts & mask("beat_perhaps_missed")) != 0
    assert noted.mean() > 0.5
    # Only beats behind which there is one are noted.
    apart = np.abs(truth.beats.steepest_s.to_numpy()[:, None] * fs - r.steepest).argmin(axis=0)
    assert (np.diff(apart)[noted[:-1]] == 2).mean() > 0.95
    # A person who adds it has told.
    lost = truth.beats.steepest_s.iloc[apart[np.flatnonzero(noted)[5]] + 1]
    by_hand = read(wave, fs, scale, Edits.read([{"action": "add_beat", "at_s": lost}]).in_samples(fs))
    again = (by_hand.facts & mask("beat_perhaps_missed")) != 0
    assert again.sum() == noted.sum() - 1


def test_ordinary_dicrotic_waves_are_not_noted_as_beats(scored):
    noted = [
        np.mean((r["reading"].facts & mask("beat_perhaps_missed")) != 0) > 0.2
        for r in scored
        if r["scenario"].family not in ("bigeminy", "deep_dicrotic")
    ]
    assert np.mean(noted) < 0.05


def test_a_row_between_the_two_is_doubted_with_its_pulses():
    waves, doubtful, _ = row_of_waves(0.0149, 0.0177)
    assert not waves.any()
    assert np.mean(doubtful) > 0.6
    np.testing.assert_array_equal(doubtful[::2], doubtful[1::2])
    wave, fs, scale, _ = simulate_arrays(
        # Noise and 62.5 samples a second hide how steady the row is.
        next(s for s in random_scenarios(72, SEED) if s.name == "deep_dicrotic_002")
    )
    r = read(wave, fs, scale)
    assert np.mean(r.quality < 0.5) > 0.9
    assert (r.facts[r.quality < 0.5] & mask("low_quality") != 0).all()
    # A person who removes a wave has told: its pulse is believed then.
    second = r.steepest[20:22][np.argmin(np.interp(r.peak[20:22], np.arange(wave.size), wave))]
    rows = [{"action": "remove_beat", "at_s": second / fs}]
    by_hand = read(wave, fs, scale, Edits.read(rows).in_samples(fs))
    told = by_hand.facts & mask("edited_by_hand") != 0
    assert told.sum() == 1
    assert (by_hand.quality[told] >= 0.5).all()


@pytest.mark.parametrize("rate", [40.0, 48.0, 57.0, 75.0, 110.0])
@pytest.mark.parametrize("dicrotic", [0.3, 0.4])
def test_middling_dicrotic_waves_are_no_beats(rate, dicrotic):
    scenario = Scenario(
        seed=1, rate=rate, dicrotic=dicrotic, dicrotic_delay=0.1, tube_hz=5.0, amplification=2.0,
        pulse_pressure=50.0,
    )  # fmt: skip
    row = score_recording(*simulate_arrays(scenario))
    assert share(row) == (1.0, 1.0)


def test_onsets_of_every_recording(scored):
    for row in scored:
        error = row["errors"]["onset_s"]
        error = 1000 * error[np.isfinite(error)]
        name = row["scenario"].name
        assert np.std(error) <= 10.0, name
        assert abs(np.median(error)) <= 6.0, name


@pytest.mark.parametrize("name", ["sbp", "dbp", "mbp"])
def test_pressures_of_every_recording(scored, name):
    inside = {}
    for row in scored:
        error = row["errors"][name]
        error = error[np.isfinite(error)]
        inside[row["scenario"].name] = (
            np.mean(np.abs(error) <= max(2.0, 2.0 * row["step"])),
            np.mean(error),
            error.size,
        )
    values = np.array(list(inside.values()))
    total = np.sum(values[:, 0] * values[:, 2]) / values[:, 2].sum()
    print(name, total, sorted(inside.items(), key=lambda item: item[1][0])[:3])
    assert total >= 0.95
    assert abs(np.sum(values[:, 1] * values[:, 2]) / values[:, 2].sum()) <= 1.0
    # Diastole in very fast rhythms is a weak place; a mean is off only where dicrotic waves were counted.
    assert (values[:, 0] < 0.9).sum() <= {"sbp": 1, "dbp": 3, "mbp": 1}[name]


def test_no_beat_at_all_in_what_hides_the_patient(scored):
    """In these kinds there is nothing to take for a pulse; one sample of edge is left."""
    for row in scored:
        at, fs = row["reading"].steepest, row["fs"]
        for span in row["truth"].spans.itertuples():
            if span.kind in ("flush", "open_to_air", "gap", "flat"):
                inside = (at > span.start_s * fs + 1) & (at < span.end_s * fs - 1)
                assert not inside.any(), (row["scenario"].name, span.kind, span.start_s)


def test_no_beat_in_a_span_of_our_own(scored):
    hiding = [KIND[kind] for kind in HIDING]
    for row in scored:
        reading = row["reading"]
        spans = reading.spans.take(np.isin(reading.spans.kind, hiding))
        assert not spans.inside(reading.steepest).any()
        assert not spans.inside(reading.onset).any()
        # Nor does one run into a span.
        union = join(spans.start, spans.stop)
        for start, _ in union:
            assert not ((reading.onset < start) & (reading.end > start)).any(), row["scenario"].name
        assert (reading.spans.start >= 0).all()
        assert (reading.spans.stop <= row["size"]).all()


@pytest.mark.parametrize("kind", KINDS)
def test_events_are_covered(scored, kind):
    rows = np.array([e[1:] for row in scored for e in row["events"] if e[0] == kind])
    assert len(rows) >= 3
    assert np.sum(rows[:, 0] * rows[:, 2]) / rows[:, 2].sum() >= 0.80
    if kind in ("flush", "open_to_air", "gap", "saturated", "flat"):
        # These have a level of their own, and so the right name.
        assert np.sum(rows[:, 1] * rows[:, 2]) / rows[:, 2].sum() >= 0.90


def test_clean_time_is_left_alone(scored):
    marked = sum(row["clean_marked_s"] for row in scored)
    assert marked / sum(row["clean_s"] for row in scored) < 0.02
    quiet = [row for row in scored if not row["scenario"].events]
    assert len(quiet) > 30
    assert sum(row["clean_marked_s"] for row in quiet) / sum(row["clean_s"] for row in quiet) < 0.005


def test_inside_events_hardly_a_beat_is_believed(scored):
    inside = sum(row["inside_event_believed"] for row in scored)
    assert inside <= 0.002 * sum(row["reference"] for row in scored)


def facts_of(scenario):
    wave, fs, scale, truth = simulate_arrays(scenario)
    return read(wave, fs, scale), truth, fs


@pytest.mark.parametrize("size", [0.08, 0.25])
def test_alternans_is_not_read_as_ectopy_or_irregular(size):
    reading, _, _ = facts_of(Scenario(seed=61, duration_s=150.0, rate=95.0, alternans=size))
    assert np.mean(reading.facts & mask("alternating") != 0) > 0.9
    assert np.mean(reading.facts & mask("ectopic") != 0) < 0.02
    assert not (reading.facts & mask("irregular_rhythm")).any()


def test_ectopic_beats_are_those_that_were_ectopic():
    hits = total = false = 0
    for seed in range(3):
        reading, truth, fs = facts_of(Scenario(seed=70 + seed, duration_s=200.0, ectopic_share=0.06))
        table = truth.beats[truth.beats["clear"]]
        onset = table["onset_s"].to_numpy()
        place = np.argmin(np.abs(reading.onset[:, None] / fs - onset), axis=0)
        near = np.abs(reading.onset[place] / fs - onset) < 0.05
        said = (reading.facts[place] & mask("ectopic")) != 0
        really = (table["kind"] == "ectopic").to_numpy()
        hits += int((said & really & near).sum())
        total += int(really.sum())
        false += int((said & ~really & near).sum())
    assert total > 20
    assert hits / total > 0.9
    assert false <= 2


def test_atrial_fibrillation_is_irregular_and_has_no_alternans():
    shares = []
    for seed in range(4):
        scenario = Scenario(seed=80 + seed, duration_s=150.0, rate=90.0, rhythm="atrial_fibrillation")
        reading, _, _ = facts_of(scenario)
        shares.append(np.mean(reading.facts & mask("irregular_rhythm") != 0))
        assert np.mean(reading.facts & mask("alternating") != 0) < 0.05
    assert np.mean(shares) > 0.8
    assert min(shares) > 0.5


def test_a_recording_may_begin_and_end_in_a_flush():
    events = (Event("flush", 0.0, 2.0), Event("flush", 57.5, 5.0))
    wave, fs, scale, _ = simulate_arrays(Scenario(seed=90, duration_s=60.0, events=events))
    reading = read(wave, fs, scale)
    flush = reading.spans.of("flush")
    assert flush.start[0] == 0
    assert flush.stop[-1] == wave.size
    assert (reading.onset > 1.9 * fs).all()
    assert (reading.peak < 57.6 * fs).all()
    assert reading.onset.size > 60
