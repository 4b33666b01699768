"""Beats as they leave the core: what every reading must keep to, awkward input, edits, junctions."""

from itertools import product

import numpy as np
import pytest

import hemoidx as hx
from hemoidx import beats
from hemoidx.context import Edits
from hemoidx.errors import InputError
from hemoidx.facts import mask, names
from hemoidx.indices.index import LANDMARK_COLUMNS
from hemoidx.indices.pressure.readings import diastolic_pressure, systolic_pressure
from hemoidx.simulate import Scenario, simulate, simulate_arrays
from hemoidx.spans import KIND
from tests.waves import pulses, recording

FS = 125.0
CLEAN = pulses(FS, 60.0)
LANDMARKS = ("onset", "steepest", "peak", "notch", "end")


def read(wave, fs=FS, scale=None, rows=None):
    return beats.read(wave, fs, scale, Edits.read(rows).in_samples(fs) if rows else None)


def run(start, stop, calibrated=True, step=None):
    return {"start": start, "stop": stop, "step": step, "calibrated": calibrated}


def same(one, two, moved=0):
    for name in LANDMARKS:
        np.testing.assert_array_equal(getattr(one, name) + moved, getattr(two, name), err_msg=name)
    np.testing.assert_array_equal(one.facts, two.facts)
    np.testing.assert_array_equal(one.quality, two.quality)
    for a, b in zip(one.spans, two.spans, strict=True):
        np.testing.assert_array_equal(a, b)


BASE = read(CLEAN)


def test_landmarks_come_in_their_order():
    for scenario in (
        Scenario(seed=31, rate=150.0),
        Scenario(seed=32, rhythm="atrial_fibrillation"),
        Scenario(seed=33, ectopic_share=0.15, fs=60.0),
        Scenario(seed=34, rhythm="bigeminy", fs=360.0),
    ):
        wave, fs, scale, _ = simulate_arrays(scenario)
        r = beats.read(wave, fs, scale)
        assert r.onset.size > 100
        assert (r.onset < r.steepest).all()
        assert (r.steepest < r.peak).all()
        seen = np.isfinite(r.notch)
        assert seen.any()
        assert (r.notch[seen] > r.peak[seen]).all()
        known = np.isfinite(r.end)
        assert (r.end[known] > np.fmax(r.peak, np.nan_to_num(r.notch))[known]).all()
        assert (np.diff(r.onset) > 0).all()
        assert (r.onset >= 0).all()
        assert (r.peak <= wave.size - 1).all()
        assert ((r.quality >= 0) & (r.quality <= 1)).all()
        np.testing.assert_array_equal((r.facts & mask("no_notch")) != 0, ~seen)
        np.testing.assert_array_equal((r.facts & mask("end_unknown")) != 0, ~known)
        np.testing.assert_array_equal((r.facts & mask("low_quality")) != 0, r.quality < beats.BELIEVED)


def test_a_beat_ends_where_the_next_begins():
    known = np.isfinite(BASE.end)
    assert known[:-1].all()
    assert not known[-1]
    np.testing.assert_array_equal(BASE.end[:-1], BASE.onset[1:])


@pytest.mark.parametrize("fs", [40.0, 60.0, 62.4725, 119.99, 125.0, 250.0, 1000.0])
def test_landmarks_hardly_depend_on_the_sampling_rate(fs):
    r = beats.read(pulses(fs, 60.0), fs)
    assert r.onset.size == 74
    np.testing.assert_allclose(np.diff(r.onset) / fs, 0.8, atol=0.004)
    for name, within in (("onset", 0.004), ("steepest", 0.004), ("peak", 0.008)):
        at = np.median(getattr(r, name) / fs % 0.8)
        expected = np.median(getattr(BASE, name) / FS % 0.8)
        assert at == pytest.approx(expected, abs=1.5 * within if fs < 60 else within), name


@pytest.mark.parametrize("kind", ["f4", "f8", ">f4"])
@pytest.mark.parametrize("fs", [60.0, 125.0, 1000.0])
def test_wherever_the_recording_begins_and_ends(fs, kind):
    whole = pulses(fs, 22.0)
    expected = beats.read(whole, fs)
    for cut in range(0, int(0.8 * fs), max(1, int(fs // 25))):
        for a, b in ((cut, whole.size), (0, whole.size - cut)):
            wave = whole[a:b].astype(kind)
            r = beats.read(wave, fs)
            # Nothing is lost a third of a second from the borders, nothing is invented there.
            clear = (expected.steepest > a + 0.3 * fs) & (expected.steepest < b - 0.3 * fs)
            distance = np.abs(expected.onset[:, None] - (r.onset + a))
            assert (distance.min(axis=1)[clear] < 0.02 * fs).all()
            assert (distance.min(axis=0) < 0.03 * fs).all()
            believed = r.quality >= beats.BELIEVED
            sbp = systolic_pressure(wave, r.peak, fs)[believed]
            dbp = diastolic_pressure(wave, r.onset, r.steepest, fs)[believed]
            np.testing.assert_allclose(sbp[np.isfinite(sbp)], 120.0, atol=1.5)
            np.testing.assert_allclose(dbp[np.isfinite(dbp)], 80.0, atol=1.5)


def test_how_the_samples_lie_in_memory_changes_nothing(tmp_path):
    wave = CLEAN.astype(np.float32)
    plain = read(wave)
    np.save(tmp_path / "wave.npy", wave)
    two = np.column_stack([wave, wave + 30.0])
    fixed = wave.copy()
    fixed.setflags(write=False)
    for other in (two[:, 0], fixed, np.load(tmp_path / "wave.npy", mmap_mode="r"), wave[::-1].copy()[::-1]):
        same(plain, read(other))
    assert fixed[0] == wave[0]


def test_the_samples_are_left_alone():
    wave = CLEAN.copy()
    wave[3000:3100] = np.nan
    kept = wave.copy()
    read(wave)
    np.testing.assert_array_equal(wave, kept)


def test_whole_numbers_are_read_like_the_same_numbers():
    wave = np.rint(CLEAN)
    one, two = read(wave), read(wave.astype(np.int16))
    assert one.onset.size == 74
    for name in LANDMARKS:
        np.testing.assert_allclose(getattr(two, name), getattr(one, name), atol=1e-9)
    np.testing.assert_array_equal(one.facts, two.facts)


def test_whole_numbers_wherever_the_recording_ends():
    for cut in range(100):
        beats.read(np.rint(CLEAN[: 2500 + cut]).astype(np.int16), FS)


@pytest.mark.parametrize("size", [0, 1, 2, 15, 16, 17, 100, 249, 250, 251, 300, 400, 625])
def test_next_to_nothing_is_read(size):
    for wave in (CLEAN[:size], np.full(size, np.nan), np.full(size, 80.0)):
        r = read(wave)
        assert all(getattr(r, name).size == r.facts.size == r.quality.size for name in LANDMARKS)
        assert (r.spans.stop <= size).all()


def test_no_samples_but_a_calibration():
    assert read(np.zeros(0), scale=[run(0, 0)]).onset.size == 0


def test_two_dimensions_are_refused():
    with pytest.raises(InputError, match="one-dimensional"):
        read(np.zeros((100, 2)))


def test_what_is_no_number_is_refused():
    with pytest.raises(InputError, match="numbers"):
        read(np.array(["80", "120"] * 400))


def test_infinite_samples_are_missing_ones():
    infinite, lost = CLEAN.copy(), CLEAN.copy()
    infinite[3000:3005], infinite[5000] = np.inf, -np.inf
    lost[3000:3005], lost[5000] = np.nan, np.nan
    same(read(infinite), read(lost))
    assert read(infinite).spans.of("gap").start.size == 2


def test_a_wave_without_a_pulse_has_no_beats_and_is_no_error():
    assert read(np.full(2500, 80.0)).onset.size == 0


def test_every_other_sample_missing_is_no_pressure():
    wave = CLEAN.copy()
    wave[::2] = np.nan
    r = read(wave)
    assert r.onset.size == 0
    assert r.spans.of("gap").start.size == wave.size // 2


@pytest.mark.parametrize(("first", "last"), [(0, 1000), (3000, 3001), (3000, 3777), (6500, 7500)])
def test_a_gap_takes_its_beats_and_no_others(first, last):
    wave = CLEAN.copy()
    wave[first:last] = np.nan
    r = read(wave)
    near = (BASE.onset > first - 0.8 * FS) & (BASE.onset < last + 0.8 * FS)
    kept = np.isin(np.round(BASE.onset, 2), np.round(r.onset, 2))
    assert kept[~near].all()
    assert not ((r.onset > first - 1) & (r.onset < last)).any()
    # None runs over it.
    assert not ((r.onset < first) & (r.end > last)).any()
    np.testing.assert_array_equal(r.spans.of("gap").start, [first])
    np.testing.assert_array_equal(r.spans.of("gap").stop, [last])


@pytest.mark.parametrize(("after_s", "missing"), [(0.25, 1), (0.25, 20), (0.5, 1), (0.5, 200)])
def test_a_beat_in_which_samples_are_missing_says_so(after_s, missing):
    wave = CLEAN.copy()
    own = int(np.searchsorted(BASE.onset, 3000))
    first = int(BASE.onset[own] + after_s * FS)
    wave[first : first + missing] = np.nan
    r = read(wave)
    holed = (r.facts & mask("gap_inside")) != 0
    np.testing.assert_allclose(r.onset[holed], BASE.onset[own], atol=1.0)
    assert np.isnan(r.end[holed]).all()
    table = hx.analyse(recording(wave, FS)).beats
    row = table.iloc[int(np.flatnonzero(holed)[0])]
    # What came before the gap was measured, what needs the whole beat was not.
    assert abs(row.sbp - table.sbp.median()) < 1.0
    assert abs(row.dbp - table.dbp.median()) < 1.0
    assert np.isnan([row.mbp, row.hr, row.duration_s]).all()


def test_a_gap_behind_a_pause_is_not_inside_the_beat_before_it():
    wave = CLEAN.copy()
    own = int(np.searchsorted(BASE.onset, 3000))
    a = int(BASE.onset[own])
    # The next pulse fails to come, and the gap begins when it was long due.
    wave[a + 80 : a + 200] = wave[a + 80]
    wave[a + 200 : a + 500] = np.nan
    assert not (read(wave).facts & mask("gap_inside")).any()


def ended_by_no_beat(wave):
    """Beats that end where no beat of the reading begins."""
    r = read(wave)
    ends = r.end[np.isfinite(r.end)]
    return ends[~np.isin(ends, r.onset)] / FS


def test_no_beat_ends_at_the_edge_of_a_flush_or_a_gap():
    for at in np.arange(30.0, 30.8, 0.02):
        first = int(at * FS)
        flushed, lost = CLEAN.copy(), CLEAN.copy()
        flushed[first : first + 190] = 280.0
        lost[first : first + 250] = np.nan
        assert ended_by_no_beat(flushed).size == 0, at
        assert ended_by_no_beat(lost).size == 0, at


def test_a_spike_does_not_shorten_the_beat_before_it():
    wave = CLEAN.copy()
    wave[3757:3759] += 60.0
    table = hx.analyse(recording(wave, FS)).beats
    duration = table["duration_s"].dropna()
    np.testing.assert_allclose(duration[duration < 1.0], 0.8, atol=0.02)


def test_two_calibrations_are_read_apart():
    codes = CLEAN.copy()
    codes[:3030] = 40.0 + 3.0 * codes[:3030]
    r = read(codes, scale=[run(0, 3030, False, 3.0), run(3030, 7500)])
    first = r.onset < 3030
    np.testing.assert_array_equal((r.facts & mask("uncalibrated")) != 0, first)
    np.testing.assert_array_equal((r.facts & mask("coarse_steps")) != 0, first)
    assert not (first & (np.fmax(r.peak, np.nan_to_num(r.end)) >= 3030)).any()
    # But for the one at the junction all are found.
    assert r.onset.size >= 73
    believed = r.quality >= beats.BELIEVED
    assert believed.sum() >= 72


@pytest.mark.parametrize(
    "scale",
    [
        [run(0, 3000, False), run(4000, 7500)],
        [run(0, 5000, False)],
        [run(1000, 7500, False)],
        [run(0, 30_000)],
        [run(0, 0), run(0, 7500, False)],
        [run(0, 3000), run(3000, 3005, False), run(3005, 7500)],
        [run(0, 2), run(2, 4, False), run(4, 6), run(6, 7500)],
    ],
)
def test_calibrations_with_holes_cover_the_whole_wave(scale):
    r = read(CLEAN, scale=scale)
    assert r.onset.size >= 72
    distance = np.abs(BASE.onset[:, None] - r.onset).min(axis=0)
    assert (distance < 2.0).all()


def test_a_flush_without_calibration_names_no_level():
    wave = CLEAN.copy()
    wave[3000:3200] = 290.0
    wave[5000:6000] = 0.0
    kinds = set(read(wave, scale=[run(0, 7500, False)]).spans.kind)
    assert not kinds & {KIND["flush"], KIND["open_to_air"], KIND["sampling"], KIND["cuff"]}
    assert {KIND["flush"], KIND["open_to_air"]} == set(read(wave).spans.kind)


@pytest.mark.parametrize("factor", [37.0, 1000.0, 1e6])
def test_without_calibration_the_unit_means_nothing(factor):
    r = read(CLEAN * factor, scale=[run(0, 7500, False)])
    np.testing.assert_allclose(r.onset, BASE.onset, atol=0.01)
    np.testing.assert_allclose(r.quality, BASE.quality, atol=1e-3)
    np.testing.assert_array_equal(r.facts & ~mask("uncalibrated"), BASE.facts)


def test_removed_and_added_beats_change_their_neighbours():
    at = float(BASE.onset[30] / FS) + 0.05
    without = read(CLEAN, rows=[{"action": "remove_beat", "at_s": at}])
    assert without.onset.size == BASE.onset.size - 1
    np.testing.assert_array_equal(np.delete(BASE.onset, 30), without.onset)
    assert without.end[29] == BASE.onset[31]
    both = [{"action": "remove_beat", "at_s": at}, {"action": "add_beat", "at_s": at}]
    again = read(CLEAN, rows=both)
    np.testing.assert_allclose(again.onset, BASE.onset, atol=0.01)
    np.testing.assert_array_equal(np.flatnonzero(again.facts & mask("edited_by_hand")), [30])


def test_an_added_beat_is_believed_though_nothing_resembles_it():
    wave = CLEAN.copy()
    # A small hump late in one diastole that no rule takes for a pulse.
    at = int(BASE.onset[40]) - 18
    wave[at - 12 : at + 13] += 5.0 * np.hanning(25)
    assert read(wave).onset.size == 74
    added = read(wave, rows=[{"action": "add_beat", "at_s": (at - 5) / FS}])
    assert added.onset.size == 75
    number = int(np.flatnonzero(added.facts & mask("edited_by_hand"))[0])
    assert added.quality[number] == 1.0
    assert added.end[number - 1] == added.onset[number]
    assert "low_quality" not in names(added.facts[number])


@pytest.mark.parametrize("at", [20.3, 20.65])
def test_a_beat_cannot_be_added_where_pressure_falls(at):
    with pytest.raises(InputError, match=rf"no beat can be added {at:.2f}.* no upstroke is there"):
        read(CLEAN, rows=[{"action": "add_beat", "at_s": at}])


@pytest.mark.parametrize("at", [24.1, 24.8, 25.5])
def test_a_beat_cannot_be_added_inside_an_event(at):
    wave = CLEAN.copy()
    wave[3000:3200] = 290.0
    rows = [{"action": "add_beat", "at_s": at}]
    with pytest.raises(InputError, match=f"{at:.3f} s .* flush; remove that first"):
        hx.analyse(recording(wave, FS), edits=rows)


@pytest.mark.parametrize(("at", "length"), [(26.7, 4470), (24.5, 200)])
def test_a_beat_that_cannot_be_added_is_refused_in_any_part(at, length):
    scale = [run(0, 3030, False), run(3030, 3030 + length), run(3030 + length, 7500, False)]
    with pytest.raises(InputError, match=f"{at:.3f} s"):
        read(CLEAN, scale=scale, rows=[{"action": "add_beat", "at_s": at}])


def test_a_beat_that_lasts_longer_by_hand_says_so():
    at = float(BASE.onset[30] / FS) + 0.05
    without = read(CLEAN, rows=[{"action": "remove_beat", "at_s": at}])
    np.testing.assert_array_equal(np.flatnonzero(without.facts & mask("edited_by_hand")), [29])


def test_spans_by_hand_hide_and_free_beats():
    rows = [{"action": "add_span", "from_s": 20.0, "to_s": 30.0, "kind": "motion"}]
    r = read(CLEAN, rows=rows)
    np.testing.assert_array_equal(np.column_stack(r.spans), [[2500, 3750, KIND["motion"]]])
    assert not ((r.onset > 2500) & (r.onset < 3750)).any()
    assert r.onset.size == 74 - 13
    last = int(np.flatnonzero(r.onset < 2500)[-1])
    assert np.isnan(r.end[last])
    wave = CLEAN.copy()
    wave[3000:3200] = 290.0
    assert read(wave).spans.of("flush").start.size == 1
    freed = [{"action": "remove_span", "from_s": 24.0, "to_s": 26.0, "kind": "flush"}]
    assert read(wave, rows=freed).spans.of("flush").start.size == 0
    kept = [{"action": "remove_span", "from_s": 24.0, "to_s": 26.0, "kind": "gap"}]
    assert read(wave, rows=kept).spans.of("flush").start.size == 1


def test_edits_in_the_second_of_two_parts():
    scale = [run(0, 3030, False), run(3030, 7500)]
    plain = read(CLEAN, scale=scale)
    at = float(BASE.onset[50] / FS) + 0.05
    rows = [
        {"action": "remove_beat", "at_s": at},
        {"action": "add_span", "from_s": 23.0, "to_s": 25.0, "kind": "flush"},
    ]
    r = read(CLEAN, scale=scale, rows=rows)
    np.testing.assert_array_equal(np.column_stack(r.spans), [[2875, 3125, KIND["flush"]]])
    assert np.abs(r.onset - BASE.onset[50]).min() > 50
    assert np.abs(plain.onset - BASE.onset[50]).min() < 1
    assert r.end[np.argmin(np.abs(r.onset - BASE.onset[49]))] == pytest.approx(BASE.onset[51], abs=0.01)


@pytest.mark.parametrize("first", [1, 1_000_003, 86_400 * 125])
def test_the_clock_of_the_recording_changes_nothing(first):
    made = simulate(Scenario(seed=41, duration_s=60.0, fs=125.0)).recording
    wave = made["ABP"].to_numpy() if "ABP" in made else made[next(iter(made.data_vars))].to_numpy()
    here = hx.analyse(recording(wave, FS, start_time="2001-01-01T00:00:00"))
    there = hx.analyse(recording(wave, FS, first=first))
    assert len(here.beats) == len(there.beats) > 60
    for name in here.beats.columns:
        if name in ("record_id", "channel"):
            continue
        a, b = here.beats[name].to_numpy(float), there.beats[name].to_numpy(float)
        if name in LANDMARK_COLUMNS:
            # The exact time of a sample is (first + i) / fs, rounded once.
            np.testing.assert_allclose(b - first / FS, a, atol=1e-9, err_msg=name)
        else:
            np.testing.assert_array_equal(a, b, err_msg=name)


def test_a_crop_reads_its_middle_as_the_whole_does():
    whole = recording(CLEAN, FS)
    part = hx.analyse(hx.crop(whole, 10.0, 50.0)).beats
    table = hx.analyse(whole).beats
    inside = (table["onset_s"] > 12) & (table["onset_s"] < 48)
    again = (part["onset_s"] > 12) & (part["onset_s"] < 48)
    assert inside.sum() == again.sum() == 45
    for name in ("onset_s", "peak_s", "sbp", "dbp", "mbp"):
        np.testing.assert_allclose(part[again][name], table[inside][name], atol=1e-9, err_msg=name)


def band_noise(low, high, seed, fs=FS, seconds=300.0):
    from scipy.signal import butter, sosfilt

    rng = np.random.default_rng(seed)
    noise = sosfilt(
        butter(2, [low, high], "band", fs=fs, output="sos"), rng.standard_normal(int(seconds * fs))
    )
    return 90.0 + 15.0 * noise / noise.std()


NO_PULSE = {
    "constant": np.full(7500, 90.0),
    "white noise": 80.0 + 10.0 * np.random.default_rng(3).standard_normal(15_000),
    "quiet noise": 80.0 + 0.5 * np.random.default_rng(3).standard_normal(15_000),
    "drift": 80.0 + 0.2 * np.cumsum(np.random.default_rng(5).standard_normal(15_000)),
    "noise to 8 Hz": band_noise(1.0, 8.0, 1),
    "noise to 12 Hz": band_noise(0.5, 12.0, 1),
    "upside down": 200.0 - CLEAN,
    "too weak": pulses(FS, 60.0, pulse=2.0),
    "a million too high": CLEAN + 1e6,
    "below zero": CLEAN - 120.0,
}


@pytest.mark.parametrize("name", NO_PULSE)
def test_what_is_no_arterial_pressure_is_refused(name):
    with pytest.raises(InputError) as caught:
        hx.analyse(recording(NO_PULSE[name], FS))
    assert "invented, channel ABP" in str(caught.value)
    assert "\n" not in str(caught.value)


def test_nothing_but_gaps_is_refused():
    with pytest.raises(InputError, match="only gaps"):
        hx.analyse(recording(np.full(7500, np.nan), FS))


def test_noise_at_the_rate_of_a_pulse_has_no_pressures():
    for (low, high), seed in product([(0.8, 2.0), (1.0, 3.0)], (1, 2, 3)):
        try:
            result = hx.analyse(recording(band_noise(low, high, seed), FS))
        except InputError:
            continue
        assert result.beats["sbp"].notna().sum() <= 2


@pytest.mark.parametrize("band", [(1.0, 1.2), (0.7, 1.2), (1.5, 2.2), (2.5, 3.2)])
def test_noise_of_less_than_an_octave_is_no_pulse(band):
    """Its swings are alike and come at even intervals, but fall as steeply as they rise."""
    for seed in (1, 2, 3):
        r = beats.read(band_noise(*band, seed), FS)
        # A beat a second or more for five minutes, if it were one.
        assert np.sum(r.quality >= beats.BELIEVED) < 60, seed


@pytest.mark.parametrize(("rate", "line"), [(60.0, (1.5, 2.0)), (130.0, (3.0, 2.0)), (200.0, (4.0, 1.0))])
def test_the_slowest_line_leaves_a_pulse_that_rises_faster_than_it_falls(line, rate):
    for rhythm in ("sinus", "atrial_fibrillation"):
        wave, fs, scale, truth = simulate_arrays(
            Scenario(
                seed=3,
                rate=rate,
                rhythm=rhythm,
                irregularity=0.12,
                pulse_pressure=16.0,
                breath_pulse=0.15,
                line_hz=line[0],
                line_damping=line[1],
            )
        )
        r = beats.read(wave, fs, scale)
        assert np.sum(r.quality >= beats.BELIEVED) > 0.9 * len(truth.beats), rhythm


@pytest.mark.parametrize("step", [0.5, 1.0, 2.0, 4.0, 8.0])
def test_coarse_steps_keep_the_timing(step):
    wave = np.round(CLEAN / step) * step
    r = read(wave, scale=[run(0, wave.size, True, step)])
    assert r.onset.size == 74
    assert (r.quality >= beats.BELIEVED).all()
    np.testing.assert_allclose(r.onset[1:-1], BASE.onset[1:-1], atol=0.012 * FS)
    np.testing.assert_array_equal((r.facts & mask("coarse_steps")) != 0, step >= 0.75)


@pytest.mark.parametrize(
    ("pulse", "found"), [(1.0, 0), (2.0, 0), (4.0, 74), (8.0, 74), (150.0, 74), (200.0, 74)]
)
def test_pulses_from_small_to_large(pulse, found):
    r = read(pulses(FS, 60.0, pulse=pulse))
    assert r.onset.size == found
    assert (r.quality >= beats.BELIEVED).all()
    # What rises by less than a third of the least pulse we claim to read is no pulse at all.
    assert (r.spans.of("not_pulsatile").start.size == 1) == (found == 0)


@pytest.mark.parametrize("rate", [25.0, 40.0, 120.0, 180.0, 220.0])
def test_pulses_from_slow_to_fast(rate):
    wave, fs, scale, truth = simulate_arrays(
        Scenario(seed=51, rate=rate, duration_s=90.0, pulse_pressure=30.0, mean_pressure=80.0)
    )
    r = beats.read(wave, fs, scale)
    inside = truth.beats["clear"].to_numpy()
    distance = np.abs(truth.beats["onset_s"].to_numpy()[inside, None] - r.onset / fs).min(axis=1)
    assert np.mean(distance < 0.02) > 0.99
    assert abs(r.onset.size - len(truth.beats)) <= 2


def test_diastolic_pressure_in_a_fast_rhythm():
    from hemoidx.simulate import random_scenarios

    scenario = next(s for s in random_scenarios(72, seed=20261125) if s.name == "tachycardia_000")
    wave, fs, scale, truth = simulate_arrays(scenario)
    r = beats.read(wave, fs, scale)
    dbp = diastolic_pressure(wave, r.onset, r.steepest, fs, r.end)
    expected = np.interp(r.onset / fs, truth.beats["onset_s"], truth.beats["dbp"])
    assert np.mean(np.abs(dbp - expected)[3:-3] <= 2.0) > 0.9


def test_progress_adds_up_to_one():
    done = []
    beats.read(np.tile(CLEAN, 60), FS, [run(0, 200_000), run(200_000, 450_000, False)], progress=done.append)
    assert sum(done) == pytest.approx(1.0)
    assert min(done) > 0
