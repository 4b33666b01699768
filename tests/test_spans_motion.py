"""Movement, and the edges of stretches without a pulse: found whole, and nothing else with them."""

import numpy as np
import pytest

import hemoidx as hx
from hemoidx import beats
from hemoidx.beats.measure import measure
from hemoidx.recordings import scale_of
from hemoidx.simulate import Event, Scenario, random_scenarios, simulate_arrays
from hemoidx.spans import KIND, Spans, motion
from hemoidx.spans.novelty import novelty
from hemoidx.survey import survey
from tests.bench import detection
from tests.waves import pulses

FS = 125.0


def noisy(seconds=120.0, fs=FS, noise=0.3, seed=1):
    wave = pulses(fs, seconds)
    return wave + np.random.default_rng(seed).normal(0.0, noise, wave.size)


def jerks(fs, seconds, size, seed=2):
    """Invented movement: noise below 12 Hz in bursts, with soft edges."""
    from scipy.signal import butter, sosfiltfilt

    n = int(fs * seconds)
    wild = sosfiltfilt(
        butter(2, [1.0, 12.0], "band", fs=fs, output="sos"), np.random.default_rng(seed).normal(0, 1, n)
    )
    edge = np.minimum(1.0, np.minimum(np.arange(n), np.arange(n)[::-1]) / (0.2 * fs))
    return size * edge * wild / wild.std()


def marked(spans, kind, size):
    mask = np.zeros(size, dtype=bool)
    for a, b in zip(spans.of(kind).start, spans.of(kind).stop, strict=True):
        mask[a:b] = True
    return mask


def test_a_piece_is_new_where_the_trace_does_not_repeat_itself():
    wave = noisy()
    fs, start, stop = FS, int(60 * FS), int(63 * FS)
    moved = wave.copy()
    moved[start:stop] += jerks(fs, 3.0, 12.0)
    first = survey(moved, fs)
    count = first.cells.low.size
    centre = (np.arange(count) + 0.5) * first.grid.cell_s
    inside = (centre > 60.3) & (centre < 62.7)
    value = novelty(first, 0, count, (centre > 59.5) & (centre < 63.5))
    assert value is not None
    clean = value[(centre < 59.0) | (centre > 64.0)]
    assert value[inside].min() > 3.0 * clean.max()
    # It is a root mean square [mmHg]: of the order of the disturbance itself.
    assert 4.0 < np.median(value[inside]) < 15.0
    # Asked for in two parts it is the same.
    parts = [novelty(first, a, b, np.zeros(count, dtype=bool)) for a, b in ((300, 340), (340, 380))]
    whole = novelty(first, 300, 380, np.zeros(count, dtype=bool))
    np.testing.assert_allclose(np.concatenate(parts)[20:60], whole[20:60], rtol=0.3)


def test_nothing_is_new_against_too_little():
    first = survey(noisy(), FS)
    doubtful = np.ones(first.cells.low.size, dtype=bool)
    assert novelty(first, 100, 200, doubtful) is None
    doubtful[150:160] = False
    assert novelty(first, 100, 200, doubtful) is None


def test_amplitude_counts_and_level_does_not():
    wave = pulses(FS, 120.0)
    wave += np.random.default_rng(5).normal(0, 0.3, wave.size)
    for changed, new in ((0.8 * (wave - 95.0) + 95.0, True), (wave + 15.0, False)):
        mixed = wave.copy()
        mixed[7500:7750] = changed[7500:7750]
        first = survey(mixed, FS)
        count = first.cells.low.size
        centre = (np.arange(count) + 0.5) * first.grid.cell_s
        value = novelty(first, 0, count, (centre > 59.0) & (centre < 63.0))
        inside = value[(centre > 60.4) & (centre < 61.6)]
        usual = np.median(value[centre < 55.0])
        assert (inside.max() > 4.0 * usual) == new


@pytest.mark.parametrize("fs", [60.0, 250.0])
@pytest.mark.parametrize("length", [2.5, 10.0])
def test_movement_is_found_to_its_edges(fs, length):
    wave = noisy(fs=fs)
    a, n = int(50 * fs), int(length * fs)
    wave[a : a + n] += jerks(fs, length, 15.0)[:n]
    found = beats.read(wave, fs).spans
    assert set(found.kind) == {KIND["motion"]}
    mask = marked(found, "motion", wave.size)
    assert mask[a : a + n].mean() > 0.85
    assert mask[: a - int(0.7 * fs)].sum() + mask[a + n + int(0.7 * fs) :].sum() == 0


@pytest.mark.parametrize(
    ("count", "seed", "name"),
    [
        # Bouts at 64/min, one of two seconds: a rule for several beats in a row sees too few of them.
        (240, 9, "events_motion_000"),
        # A bout of fifteen seconds that is hardly rougher than the noise and dies down before its end.
        (504, 606061, "events_mixed_008"),
        # At 167/min the pulses themselves are as rough as the movement that takes half of them away.
        (504, 770813, "events_motion_010"),
        # At 167/min and 60 Hz a beat has 22 samples, and of the beats of a bout some look right.
        (504, 2026, "events_motion_001"),
        # Two seconds and a half at 162/min, six beats, no rougher than the others.
        (504, 7070707, "events_motion_001"),
    ],
)
def test_faint_movement_is_found_to_four_fifths(count, seed, name):
    scenario = next(s for s in random_scenarios(count, seed) if s.name == name)
    wave, fs, scale, truth = simulate_arrays(scenario)
    mask = marked(beats.read(wave, fs, scale).spans, "motion", wave.size)
    moved = truth.spans[truth.spans.kind == "motion"]
    assert len(moved) > 0
    for a, b in zip(moved.start_s, moved.end_s, strict=True):
        assert mask[int(a * fs) : int(b * fs)].mean() > 0.8, (a, b)


def test_a_lull_in_movement_belongs_to_it():
    wave = noisy()
    for at in (50.0, 55.6):
        wave[int(at * FS) : int(at * FS) + 375] += jerks(FS, 3.0, 15.0, seed=int(at))
    found = beats.read(wave, FS).spans.of("motion")
    assert found.start.size == 1
    wave = noisy()
    for at in (50.0, 62.0):
        wave[int(at * FS) : int(at * FS) + 375] += jerks(FS, 3.0, 15.0, seed=int(at))
    assert beats.read(wave, FS).spans.of("motion").start.size == 2


def test_premature_beats_do_not_move():
    for seed in range(4):
        scenario = Scenario(
            seed=seed, fs=125.0, rate=95.0, pulse_pressure=25.0, ectopic_share=0.08, coupling=0.6
        )
        wave, fs, scale, _ = simulate_arrays(scenario)
        assert beats.read(wave, fs, scale).spans.start.size == 0, seed


@pytest.mark.parametrize("seconds", [5.0, 8.0])
@pytest.mark.parametrize("size", [14.0, 25.0])
def test_a_run_of_beats_of_another_kind_does_not_move(seconds, size):
    """New for as long as it lasts, but its beats are like each other, as in a salvo of ectopic beats."""
    wave = noisy()
    turn = 2.0 * np.pi * np.arange(int(seconds * FS)) / FS / 0.4
    wave[7500 : 7500 + turn.size] = 95.0 - size * np.cos(turn) - 0.3 * size * np.sin(2.0 * turn)
    found = beats.read(wave, FS)
    assert found.spans.start.size == 0
    assert np.sum((found.steepest > 7500) & (found.steepest < 7500 + turn.size)) >= seconds / 0.4 - 2


def test_what_is_only_strange_moves_where_there_is_nothing_to_compare_with():
    none = Spans(*(np.zeros(0, dtype=np.int64) for _ in range(3)))
    for seconds, moves in ((8.0, True), (60.0, False)):
        first = survey(noisy(seconds), FS)
        strange = np.zeros(first.cells.low.size)
        strange[20:50] = 1.0
        found = motion(first, none, 0.0, strange)
        assert bool(found.start.size) == moves
        if moves:
            np.testing.assert_array_equal([*found.start, *found.stop], np.array([20, 50]) * first.grid.cell)


def test_a_tap_turned_between_two_beats_is_the_start_of_the_plateau():
    """The rise to the plateau looks like an upstroke, but pressure does not come back from it."""
    wave = noisy()
    turned = int(60.37 * FS)
    wave[turned : turned + 2500] = 118.0 + 30.0 * np.arange(2500) / 2500
    found = beats.read(wave, FS)
    ((start, stop),) = np.column_stack([found.spans.of("sampling").start, found.spans.of("sampling").stop])
    assert abs(start - turned) < 0.13 * FS
    assert abs(stop - turned - 2500) < 0.5 * FS
    assert not ((found.steepest > turned - 2) & (found.steepest < turned + 2500)).any()


def test_a_ramp_into_a_flush_is_covered_from_the_turning_of_the_tap():
    """Less than two seconds from there to a level that only a flush has: too short for an overdue pulse."""
    wave = noisy()
    turned = int(60.37 * FS)
    wave[turned : turned + 500] = np.linspace(110.0, 260.0, 500)
    found = beats.read(wave, FS).spans
    assert set(found.kind) <= {KIND["sampling"], KIND["flush"]}
    # But for the tenth of a second by which a stretch ends before what follows.
    assert found.inside(np.arange(turned + 15.0, turned + 500.0, 5.0)).mean() > 0.96
    assert not found.inside(np.array([turned - 20.0, turned + 560.0])).any()


def test_a_rise_that_goes_on_into_a_flush_is_the_turning_of_the_tap():
    """At 132/min: a tap turned just after a beat, and a ramp that a second later stands where flushes do."""
    scenario = next(s for s in random_scenarios(504, 5550123) if s.name == "events_sampling_016")
    wave, fs, scale, truth = simulate_arrays(scenario)
    found = beats.read(wave, fs, scale).spans
    third = truth.spans[truth.spans.kind == "sampling"].iloc[2]
    assert found.inside(np.arange(third.start_s + 0.1, third.end_s, 0.05) * fs).mean() > 0.97
    # Nor does an ordinary flush begin before it does.
    wave = noisy()
    wave[7500:7700] = 290.0
    (start,) = beats.read(wave, FS).spans.start
    assert abs(start - 7500) < 0.15 * FS


@pytest.mark.parametrize("late", [0.2, 0.4, 0.6])
def test_what_is_high_and_jumps_up_to_a_flush_was_a_sample(late):
    wave = noisy()
    a, b = int((60.0 + late) * FS), int((68.0 + late) * FS)
    wave[a:b] = np.linspace(185.0, 215.0, b - a)
    wave[b : b + 250] = 290.0
    found = beats.read(wave, FS).spans
    assert found.kind.tolist() == [KIND["sampling"], KIND["flush"]]
    # The span of a flush takes in what comes close before it.
    assert abs(found.start[0] - a) < 0.5 * FS
    assert abs(found.start[1] - b) < 0.5 * FS


def test_the_last_pulse_that_fades_is_no_beat_before_a_dead_line():
    """Steps of 1.1 mmHg hide the ripple of the pump; a weak pulse shows that the line is not dead."""
    scenario = next(s for s in random_scenarios(504, 12345) if s.name == "events_not_pulsatile_014")
    wave, fs, scale, truth = simulate_arrays(scenario)
    found = beats.read(wave, fs, scale)
    assert set(found.spans.kind) == {KIND["not_pulsatile"]}
    for row in truth.spans.itertuples():
        assert not ((found.steepest > row.start_s * fs) & (found.steepest < row.end_s * fs)).any()


def test_a_jolt_does_not_end_a_plateau():
    scenario = Scenario(
        seed=4, fs=125.0, rate=80.0, events=(Event("sampling", 40.0, 12.0), Event("flush", 52.0, 2.0))
    )
    wave, fs, scale, _ = simulate_arrays(scenario)
    at = np.arange(wave.size) / fs
    wave = (wave + np.where((at > 48.0) & (at < 52.0), 25.0 * np.clip((at - 48.0) / 0.2, 0, 1), 0)).astype(
        np.float32
    )
    found = beats.read(wave, fs, scale)
    assert found.spans.of("sampling", "flush").inside(np.arange(40.3, 53.8, 0.1) * fs).all()


def test_a_level_that_pulses_fade_into_is_no_dead_line():
    wave = pulses(FS, 120.0)
    at = np.arange(wave.size) / FS
    left = np.interp(at, [40.0, 44.0, 70.0, 74.0], [1.0, 0.0, 0.0, 1.0])
    faded = beats.read(90.0 + left * (wave - 90.0), FS)
    assert KIND["flat"] not in faded.spans.kind
    span = faded.spans.take(faded.spans.stop - faded.spans.start > 10 * FS)
    assert span.start.size == 1
    # To where three quarters of the pulse are left or farther.
    assert 39.0 < span.start[0] / FS < 41.9
    assert 72.1 < span.stop[0] / FS < 75.0
    # One weak pulse on each side is enough, if the level does not cut it off.
    quick = np.interp(at, [40.0, 41.5, 70.0, 71.5], [1.0, 0.0, 0.0, 1.0])
    assert KIND["flat"] not in beats.read(90.0 + quick * (wave - 90.0), FS).spans.kind
    # A level that begins and ends anywhere in a beat cuts pulses off and is dead.
    for late in np.arange(0.0, 0.8, 0.1):
        for level in (75.0, 90.0, 112.0):
            abrupt = wave.copy()
            abrupt[int((40.0 + late) * FS) : int((70.1 + 0.7 * late) * FS)] = level
            assert set(beats.read(abrupt, FS).spans.kind) == {KIND["flat"]}, (late, level)


def test_an_upstroke_at_the_edge_of_an_event_is_no_beat():
    """A gap 80 ms behind a crest takes the beat with it, one 300 ms behind the crest does not."""
    wave = noisy()
    whole = beats.read(wave, FS)
    peak = whole.peak[70]
    for after, left in ((0.08, 0), (0.3, 1)):
        cut = wave.copy()
        first = int(np.ceil(peak + after * FS))
        cut[first : first + 400] = np.nan
        found = beats.read(cut, FS)
        assert np.sum(np.abs(found.peak - peak) < 3) == left
    # As with a gap that ends as closely before a foot.
    foot = whole.onset[70]
    for before, left in ((0.08, 0), (0.3, 1)):
        cut = wave.copy()
        last = int(foot - before * FS)
        cut[last - 400 : last] = np.nan
        assert np.sum(np.abs(beats.read(cut, FS).onset - foot) < 6) == left


def test_no_beat_is_measured_across_an_event():
    wave = noisy()
    first = survey(wave, FS)
    whole = beats.read(wave, FS)
    rough, interval = whole.steepest[20:40], np.full(20, 0.8)
    nothing = Spans(*(np.zeros(0, dtype=np.int64) for _ in range(3)))
    free = measure(wave, first.grid, rough, interval, nothing)
    assert np.isfinite(free.end[:-1]).all()
    # A moment in the runoff of the sixth beat.
    at = int(free.onset[6] - 0.15 * FS)
    event = Spans(np.array([at]), np.array([at + 4]), np.array([KIND["gap"]]))
    cut = measure(wave, first.grid, rough, interval, event)
    np.testing.assert_array_equal(np.flatnonzero(np.isnan(cut.end)), [5, 19])


@pytest.mark.parametrize(
    ("name", "channel", "moved"),
    [
        # By eye: one shaken stretch while the line is brought into use; none in the others.
        ("mimic2wdb-excerpt/s00001/3975656_0013", "ABP", (120.5, 123.3)),
        ("mimicdb-excerpt/041s/041s", "PAP", None),
        ("mimicdb-excerpt/041s/041s", "ABP", None),
    ],
)
def test_movement_in_real_recordings(real_data, monkeypatch, name, channel, moved):
    monkeypatch.setenv("HEMOIDX_DATA", str(real_data))
    try:
        pressure = hx.load(name)[channel]
    except hx.DataUnavailableError as error:
        pytest.skip(f"record {name} is not among the real recordings: {error}")
    fs = float(pressure.attrs["fs"])
    found = beats.read(pressure.to_numpy(), fs, scale_of(pressure)).spans.of("motion")
    if moved is None:
        assert found.start.size == 0
        return
    ((start, stop),) = np.column_stack([found.start, found.stop]) / fs
    assert moved[0] - 0.4 < start < moved[0]
    assert moved[1] < stop < moved[1] + 0.5


def test_the_benchmark_says_which_events_it_leaves_out(capsys):
    """Two crests clipped by less than the tolerance of 2 mmHg or two steps, of which one is not covered."""
    events = [
        ("saturated", c, c, 0.1, change) for c, change in ((1.0, 9.0), (0.0, 2.4), (1.0, 2.0), (1.0, 2.6))
    ]
    detection.print_events([{"events": events, "step": 1.25}, {"events": events[:1], "step": 0.1}])
    line = capsys.readouterr().out.splitlines()[-1]
    assert line.split()[:7] == ["saturated", "5", "80.00", "%", "left", "out", "2:"]
    assert "100.00 %" in line


def test_every_third_beat_in_doubt_puts_the_row_in_doubt() -> None:
    from hemoidx.spans import mottled

    onset = 100.0 * np.arange(60)
    last = onset + 100.0
    quality = np.ones(60)
    quality[[20, 23, 25, 28, 30, 33, 36]] = 0.2
    quality[[18, 38]] = 0.9
    found = mottled(quality, onset, last, 100.0)
    assert (found.start.tolist(), found.stop.tolist()) == ([1800], [3900])
    assert found.kind.tolist() == [KIND["motion"]]
    # Doubt here and there is chance, and so are a few beats.
    sparse = np.ones(60)
    sparse[::8] = 0.2
    few = np.ones(60)
    few[[30, 32, 34, 36]] = 0.2
    # Where everything is doubted nothing is unlike its neighbours.
    poor = np.where(np.arange(60) % 2, 0.2, 1.0)
    for other in (sparse, few, quality[:8], poor):
        assert mottled(other, onset[: other.size], last[: other.size], 100.0).start.size == 0
