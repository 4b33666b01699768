"""Real recordings against a second witness, the electrocardiogram beside the pressure."""

import numpy as np
import pytest

import hemoidx as hx
from hemoidx import beats
from hemoidx.recordings import scale_of
from hemoidx.spans import KINDS
from hemoidx.validation.detection import score, typical_delay


def loaded(real_data, name, monkeypatch):
    monkeypatch.setenv("HEMOIDX_DATA", str(real_data))
    try:
        return hx.load(name)
    except hx.DataUnavailableError as error:
        pytest.skip(f"record {name} is not among the real recordings: {error}")


def r_waves(ecg, fs):
    """Steepest moments of the electrocardiogram, a plain rule for a clean trace."""
    from scipy.signal import butter, find_peaks, sosfiltfilt

    steep = np.abs(sosfiltfilt(butter(2, [5.0, 20.0], "band", fs=fs, output="sos"), ecg))
    peaks, _ = find_peaks(steep, distance=int(0.48 * fs), height=0.3 * np.quantile(steep, 0.995))
    return peaks / fs


def test_a_pulse_for_each_r_wave_while_the_line_is_in_use(real_data, monkeypatch):
    rec = loaded(real_data, "mimic2wdb-excerpt/s00001/3975656_0013", monkeypatch)
    pressure = rec["ABP"]
    fs = float(pressure.attrs["fs"])
    found = beats.read(pressure.to_numpy(), fs, scale_of(pressure))
    waves = r_waves(rec["II"].to_numpy().astype(float), fs)
    waves = waves[(waves > 23.8) & (waves < 120.0)]
    assert waves.size > 90
    feet = found.onset / fs
    delay = typical_delay(waves, feet)
    result = score(waves + delay, feet, scored_s=(24.0, 119.5))
    assert result.false_negative == 0
    assert result.false_positive == 0
    # From the R wave to a foot there is a steady delay: that of one heart, not of chance.
    assert np.std(result.offset_s) < 0.02


def test_no_beat_in_any_stretch_that_is_not_the_patient(real_data, monkeypatch):
    """Times by eye; the pulses between the two first flushes are pulses."""
    rec = loaded(real_data, "mimic2wdb-excerpt/s00001/3975656_0013", monkeypatch)
    fs = float(rec["ABP"].attrs["fs"])
    found = beats.read(rec["ABP"].to_numpy(), fs, scale_of(rec["ABP"]))
    at = found.steepest / fs
    for start, stop in ((0.0, 1.0), (2.45, 4.4), (7.2, 20.2), (20.4, 21.7), (23.1, 23.5), (134.1, 145.0)):
        assert not ((at > start) & (at < stop)).any(), (start, stop)
    spans = found.spans
    for kind in ("saturated", "flush", "open_to_air"):
        assert not spans.of(kind).inside(found.steepest).any()
    named = {KINDS[k] for k in spans.kind}
    assert {"flush", "open_to_air"} <= named


def test_hardly_anything_is_marked_in_a_record_without_events(real_data, monkeypatch):
    rec = loaded(real_data, "mimicdb/037/03700181", monkeypatch)
    pressure = rec["ABP"]
    fs = float(pressure.attrs["fs"])
    found = beats.read(pressure.to_numpy(), fs, scale_of(pressure))
    # One bout of uneven, partly missing pulses at 485 s may be called motion or not.
    assert np.sum(found.spans.stop - found.spans.start) < 0.01 * pressure.size
    assert {KINDS[k] for k in found.spans.kind} <= {"motion"}
    assert np.mean(found.quality >= beats.BELIEVED) > 0.97
    # 123/min for ten minutes, at least half of that counted by another program.
    assert 1200 <= found.onset.size <= 1240
    # Cut into blocks or at another clock it stays the same, bit for bit.
    again = beats.read(pressure.to_numpy(), fs, scale_of(pressure), at_once=7)
    np.testing.assert_array_equal(found.onset, again.onset)


def test_pressure_beats_agree_with_qrs_marks_to_the_sample_rate(real_data, monkeypatch):
    """The marks have a rate of their own, 250 Hz; both ends of the annotation are left out of the score."""
    import wfdb
    from wfdb.processing import compare_annotations

    rec = loaded(real_data, "mimicdb/037/03700181", monkeypatch)
    folder = next(real_data.glob("mimicdb/*/037"))
    marks = wfdb.rdann(str(folder / "03700181"), "sqrs")
    assert marks.fs == 250
    reference = marks.sample / marks.fs
    assert reference[0] == pytest.approx(14.8, abs=0.05)
    pressure = rec["ABP"]
    feet = beats.read(pressure.to_numpy(), 125.0, scale_of(pressure)).onset / 125.0
    delay = typical_delay(reference, feet)
    inside = feet[(feet >= reference[0] + delay - 0.15) & (feet <= reference[-1] + delay + 0.15)]
    ours = score(reference + delay, inside)
    # Integer samples of 4 ms and a window that leaves its own end out: 37 of them are 148 ms.
    theirs = compare_annotations(
        np.round((reference + delay) * 250).astype(int), np.round(inside * 250).astype(int), 38
    )
    for sensitivity, predictivity in (
        (ours.sensitivity, ours.positive_predictivity),
        (theirs.sensitivity, theirs.positive_predictivity),
    ):
        assert sensitivity >= 0.985
        assert predictivity >= 0.985
    assert abs(ours.true_positive - theirs.tp) <= 2
    # A detector that answers every R wave with two feet, or that is 200 ms late, must fail here.
    doubled = np.sort(np.concatenate([inside, inside + 0.2]))
    assert score(reference + delay, doubled).positive_predictivity < 0.6
    assert score(reference + delay, inside + 0.2).sensitivity < 0.6
