"""
Beats and spans on real recordings.

MIMIC Database, record 03700181 (Moody GB, Mark RG. Computers in Cardiology 1996;23:657-660), and an excerpt
of a line being brought into use. Both are read where `HEMOIDX_DATA` says and are never part of the project.
"""

from pathlib import Path

import numpy as np
import pytest

import hemoidx as hx
from hemoidx import beats
from hemoidx.errors import InputError
from hemoidx.recordings import scale_of
from hemoidx.validation.detection import score, typical_delay


@pytest.fixture(scope="module")
def low_pressure(real_data: Path) -> tuple[np.ndarray, np.ndarray]:
    """QRS marks [s] by another program, and our pulse feet [s]."""
    import wfdb

    path = real_data / "mimicdb" / "1.0.0" / "037" / "03700181"
    if not path.with_suffix(".sqrs").is_file():
        pytest.skip("record mimicdb/037/03700181 with its sqrs annotation is not among the real recordings")
    marks = wfdb.rdann(str(path), "sqrs")
    feet = hx.analyse(hx.load(path)).beats["onset_s"].to_numpy()
    return marks.sample / marks.fs, feet


def test_pulses_follow_the_qrs_marks(low_pressure: tuple[np.ndarray, np.ndarray]) -> None:
    marks, feet = low_pressure
    assert marks.size == 1195
    delay = typical_delay(marks, feet)
    assert 0.1 < delay < 0.4
    got = score(marks + delay, feet, scored_s=(marks[0] + delay - 0.15, marks[-1] + delay + 0.15))
    assert got.sensitivity >= 0.985
    assert got.positive_predictivity >= 0.985
    assert np.std(got.offset_s) < 0.04


def test_an_independent_scorer_says_the_same(low_pressure: tuple[np.ndarray, np.ndarray]) -> None:
    """wfdb.processing, in milliseconds; its window excludes the limit, so 151 stands for 150 ms."""
    from wfdb.processing import compare_annotations

    marks, feet = low_pressure
    delay = typical_delay(marks, feet)
    low, high = marks[0] + delay - 0.15, marks[-1] + delay + 0.15
    theirs = compare_annotations(
        np.round((marks + delay) * 1000).astype(int),
        np.round(feet[(feet >= low) & (feet <= high)] * 1000).astype(int),
        151,
    )
    assert theirs.sensitivity >= 0.985
    assert theirs.positive_predictivity >= 0.985


@pytest.fixture(scope="module")
def start_up(real_data: Path) -> hx.Analysis:
    """A line that is flushed, opened, zeroed and brought into use; times below are read off the picture."""
    path = real_data / "mimic2wdb-excerpt" / "s00001" / "3975656_0013"
    if not path.with_suffix(".hea").is_file():
        pytest.skip("record mimic2wdb-excerpt/s00001/3975656_0013 is not among the real recordings")
    return hx.analyse(hx.load(path))


@pytest.mark.parametrize(
    ("start", "stop", "kind"),
    [
        (0.1, 0.9, "flush"),
        (2.6, 4.3, "flush"),
        (7.5, 20.0, "open_to_air"),
        (20.5, 21.6, "flush"),
        (23.15, 23.45, "flush"),
        (134.3, 144.5, "open_to_air"),
    ],
)
def test_what_was_done_to_the_line_is_named(
    start_up: hx.Analysis, start: float, stop: float, kind: str
) -> None:
    spans = start_up.spans
    covers = (spans["start_s"] <= start) & (spans["end_s"] >= stop) & (spans["kind"] == kind)
    assert covers.sum() == 1
    inside = start_up.beats["steepest_s"].between(start, stop)
    assert not inside.any()


def test_all_pulses_in_use_are_found(start_up: hx.Analysis) -> None:
    """Counted apart: peaks of the band-passed trace that stand 15 mmHg out, where the line is in use."""
    from scipy.signal import butter, find_peaks, sosfiltfilt

    wave = start_up.recording["ABP"].to_numpy().astype(float)
    smooth = sosfiltfilt(butter(2, 5.0, fs=125, output="sos"), wave)
    peaks = find_peaks(smooth, prominence=15)[0] / 125
    expected = peaks[(peaks > 24.6) & (peaks < 120)]
    found = start_up.beats["peak_s"].to_numpy()
    got = score(expected, found[(found > 24.6) & (found < 120)])
    assert expected.size > 90
    assert got.false_negative == 0
    assert got.false_positive == 0
    believed = start_up.beats["quality"] >= beats.BELIEVED
    assert believed[start_up.beats["peak_s"].between(31, 119)].mean() > 0.99


def test_the_pulses_between_the_flushes_are_found(start_up: hx.Analysis) -> None:
    peaks = start_up.beats["peak_s"].to_numpy()
    for at in (1.35, 5.25, 22.7):
        assert np.abs(peaks - at).min() < 0.15


def test_pressures_in_use_are_those_of_the_picture(start_up: hx.Analysis) -> None:
    """Read off the trace between 45 and 60 s: 123 to 137 over 56 to 62 mmHg."""
    inside = start_up.beats[start_up.beats["onset_s"].between(45, 60)]
    assert inside["sbp"].between(120, 140).all()
    assert inside["dbp"].between(54, 64).all()


def test_an_uncalibrated_placeholder_is_refused(real_data: Path) -> None:
    path = real_data / "mimic2wdb-excerpt" / "s00001" / "3975656_0012"
    if not path.with_suffix(".hea").is_file():
        pytest.skip("record mimic2wdb-excerpt/s00001/3975656_0012 is not among the real recordings")
    recording = hx.load(path)
    assert not scale_of(recording["ABP"])[0]["calibrated"]
    with pytest.raises(InputError, match="no arterial pulse"):
        hx.analyse(recording)
