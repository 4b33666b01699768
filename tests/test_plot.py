"""Pictures: the drawn numbers are those of the tables, and nothing is said by colour alone."""

import subprocess
import sys
from types import SimpleNamespace

import matplotlib as mpl
import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp
from matplotlib.figure import Figure
from matplotlib.lines import Line2D

from hemoidx import plot
from hemoidx.errors import DataUnavailableError
from hemoidx.plot.style import LANDMARKS, SPAN_STYLES, span_style
from hemoidx.plot.timeaxis import clock, unit_for
from hemoidx.spans import KINDS

waves = hnp.arrays(
    np.float32, st.integers(1, 400), elements=st.one_of(st.just(np.nan), st.floats(-100, 300, width=32))
)


def line(ax: object, label: str) -> Line2D:
    (found,) = (one for one in ax.get_lines() if one.get_label() == label)  # type: ignore[attr-defined]
    return found


@given(values=waves, n_bins=st.integers(1, 500))
def test_envelope_keeps_every_extreme(values: np.ndarray, n_bins: int) -> None:
    starts, low, high = plot.envelope(values, n_bins)
    stops = np.append(starts[1:], values.size)
    assert starts.size == min(n_bins, values.size)
    for start, stop, lowest, highest in zip(starts, stops, low, high, strict=True):
        part = values[start:stop]
        known = part[np.isfinite(part)]
        assert known.size == 0 or (lowest == known.min() and highest == known.max())
        assert known.size > 0 or (np.isnan(lowest) and np.isnan(highest))


@given(values=waves)
def test_thinned_wave_has_the_extremes_and_no_more_points_than_asked(values: np.ndarray) -> None:
    seconds = np.arange(values.size) / 125
    at, kept = plot.thin(seconds, values, n_bins=20)
    assert at.size == kept.size <= max(40, 0)
    assert np.array_equal(np.isnan(kept).all(), np.isnan(values).all())
    if np.isfinite(values).any():
        assert np.nanmax(kept) == np.nanmax(values)
        assert np.nanmin(kept) == np.nanmin(values)


def test_an_empty_wave_has_an_empty_envelope() -> None:
    assert all(part.size == 0 for part in plot.envelope(np.empty(0), 10))


def test_trace_draws_the_samples_of_the_stretch(drawn: SimpleNamespace) -> None:
    ax = plot.trace(drawn, 10.0, 14.0)
    wave = ax.get_lines()[0]
    assert wave.get_xdata()[0] == 10.0
    assert wave.get_xdata()[-1] == 14.0
    assert np.array_equal(wave.get_ydata(), drawn.recording["ABP"].values[1000:1401])
    assert ax.get_xlim() == (10.0, 14.0)
    assert "mmHg" in ax.get_ylabel()
    assert "(s)" in ax.get_xlabel()


def test_landmarks_stand_on_the_wave_where_the_table_has_them(drawn: SimpleNamespace) -> None:
    ax = plot.trace(drawn, 10.0, 14.0)
    for label, column, height in (("foot", "onset_s", 80.0), ("systolic peak", "peak_s", 120.0)):
        marks = line(ax, label)
        at = drawn.beats[column]
        assert np.array_equal(marks.get_xdata(), at[(at >= 10) & (at <= 14)])
        assert np.allclose(marks.get_ydata(), height, atol=1e-9)


def test_landmarks_give_way_when_beats_are_many(drawn: SimpleNamespace) -> None:
    assert len(plot.trace(drawn).get_lines()) == 1
    assert len(plot.trace(drawn, landmarks=True).get_lines()) == 1 + len(LANDMARKS)


def test_landmarks_differ_in_shape_and_spans_in_hatch() -> None:
    assert len({mark.marker for mark in LANDMARKS}) == len(LANDMARKS)
    assert set(SPAN_STYLES) == set(KINDS)
    assert len({style.hatch for style in SPAN_STYLES.values()}) == len(KINDS)
    assert len({style.label for style in SPAN_STYLES.values()}) == len(KINDS)
    assert span_style("tap_turned").label == "tap turned"


def test_spans_are_shaded_where_they_are_and_named_in_words(drawn: SimpleNamespace) -> None:
    ax = plot.trace(drawn, 35.0, 72.0)
    edges = [patch.get_window_extent().transformed(ax.transData.inverted()) for patch in ax.patches]
    assert [(round(box.x0, 6), round(box.x1, 6)) for box in edges] == [(40.0, 42.0), (70.0, 72.0)]
    assert [patch.get_hatch() for patch in ax.patches] == [span_style("flush").hatch, ""]
    assert {text.get_text() for text in ax.texts} == {"flush", "gap"}
    (legend,) = (child for child in ax.get_children() if type(child).__name__ == "Legend")
    assert {"flush", "gap"} <= {text.get_text() for text in legend.get_texts()}


def test_a_thousand_short_spans_are_shaded_together(drawn: SimpleNamespace) -> None:
    starts = np.arange(0.0, 100.0, 0.1)
    drawn.spans = pd.DataFrame({"start_s": starts, "end_s": starts + 0.05, "kind": "saturated"})
    ax = plot.trace(drawn)
    assert len(ax.patches) < 100
    boxes = [patch.get_window_extent().transformed(ax.transData.inverted()) for patch in ax.patches]
    assert min(box.x0 for box in boxes) == pytest.approx(0.0, abs=1e-6)
    assert max(box.x1 for box in boxes) == pytest.approx(99.95, abs=1e-6)
    assert [text.get_text() for text in ax.texts] == ["saturated (1000 times)"]


def test_a_gap_stays_a_gap_in_a_long_picture(drawn: SimpleNamespace) -> None:
    wave = plot.trace(drawn).get_lines()[0]
    at, height = wave.get_xdata(), wave.get_ydata()
    assert np.isnan(height[(at > 70.2) & (at < 74.8)]).all()
    assert np.nanmax(height) == 300.0


def test_given_axes_are_used_and_given_back(drawn: SimpleNamespace) -> None:
    for draw in (plot.trace, plot.trends, plot.beat_overlay):
        ax = Figure().subplots()
        assert draw(drawn, ax=ax) is ax
        assert ax.has_data()


def test_a_rejected_window_is_a_gap_and_a_cross(drawn: SimpleNamespace) -> None:
    ax = plot.trends(drawn)
    systolic = line(ax, "systolic")
    assert np.array_equal(systolic.get_ydata(), [120, 120, np.nan, 120], equal_nan=True)
    assert np.array_equal(line(ax, "value missing").get_xdata(), [75.0])
    assert {"systolic", "mean", "diastolic", "× value missing"} == {text.get_text() for text in ax.texts}


def test_names_of_meeting_lines_are_kept_apart(drawn: SimpleNamespace) -> None:
    drawn.windows["mbp"] = drawn.windows["dbp"] = drawn.windows["sbp"]
    places = sorted(text.xy[1] for text in plot.trends(drawn).texts)
    assert np.diff(places).min() > 0.03


def test_trends_say_so_when_there_is_nothing(drawn: SimpleNamespace) -> None:
    drawn.windows[["sbp", "mbp", "dbp"]] = np.nan
    ax = plot.trends(drawn)
    assert "no window has a value" in {text.get_text() for text in ax.texts}
    assert line(ax, "value missing").get_xdata().size == 4


def test_beats_are_aligned_at_the_foot() -> None:
    seconds = np.arange(1000) / 100
    phase = np.mod(seconds, 1.0)
    offset, beats = plot.aligned_beats(
        seconds, 80 + 10 * phase, np.array([1.255, 3.0, 5.0]), np.array([1.9, 3.6, np.nan]), lead=0.1
    )
    assert beats.shape == (2, offset.size)
    at_foot = int(np.argmin(np.abs(offset)))
    # Closed form: the wave is 80 + 10 t within each second, also between samples.
    assert beats[0, at_foot] == pytest.approx(82.55, abs=1e-9)
    assert np.allclose(beats[0, at_foot : at_foot + 60], 82.55 + 10 * offset[at_foot : at_foot + 60])
    assert np.isnan(beats[1, offset > 0.61]).all()
    assert np.isfinite(beats[1, (offset > 0) & (offset < 0.59)]).all()


def test_no_beat_no_picture_of_beats(drawn: SimpleNamespace) -> None:
    drawn.beats = drawn.beats.iloc[:0]
    assert "no whole beat" in plot.beat_overlay(drawn).texts[0].get_text()


def test_overlay_shows_the_median_beat(drawn: SimpleNamespace) -> None:
    ax = plot.beat_overlay(drawn)
    median = line(ax, "median")
    middle = (median.get_xdata() > 0.02) & (median.get_xdata() < 0.18)
    expected = 80 + 200 * median.get_xdata()[middle]
    assert np.allclose(median.get_ydata()[middle], expected, atol=0.5)
    assert f"{len(drawn.beats) - 1} beats" in ax.get_title(loc="left")


def test_overview_shows_everything_on_one_time_axis(drawn: SimpleNamespace) -> None:
    figure = plot.overview(drawn)
    wave, pressures, _beats, rate = figure.axes
    assert wave.get_xlim() == pressures.get_xlim() == rate.get_xlim()
    assert "not for patient care" in figure.get_supxlabel()
    assert plot.png(figure) == plot.png(plot.overview(drawn))


def test_overview_without_samples_shows_the_beats(drawn: SimpleNamespace) -> None:
    drawn.recording = None
    wave = plot.overview(drawn).axes[0]
    (bars,) = wave.collections
    assert len(bars.get_segments()) == len(drawn.beats)
    with pytest.raises(DataUnavailableError, match="load and analyse the recording again"):
        plot.trace(drawn)


def test_time_speaks_in_a_unit_that_fits() -> None:
    assert [unit_for(length)[1] for length in (10, 299, 301, 14000, 86400)] == ["s", "s", "min", "min", "h"]


def test_a_late_excerpt_is_labelled_by_the_clock(drawn: SimpleNamespace) -> None:
    drawn.windows[["start_s", "end_s"]] += 40000.0
    ax = plot.trends(drawn)
    ax.get_figure().canvas.draw()
    assert "(h:min:s)" in ax.get_xlabel()
    assert "11:07:00" in [label.get_text() for label in ax.get_xticklabels()]
    assert [clock(at) for at in (0.0, 65.25, 3599.9999)] == ["0:00:00", "0:01:05.25", "1:00:00"]


def test_long_recordings_are_labelled_in_hours(drawn: SimpleNamespace) -> None:
    drawn.windows[["start_s", "end_s"]] *= 720
    ax = plot.trends(drawn)
    ax.get_figure().canvas.draw()
    assert "(h)" in ax.get_xlabel()
    labels = [label.get_text() for label in ax.get_xticklabels()]
    assert "2" in labels
    assert "24" in labels


def test_nothing_global_is_touched(drawn: SimpleNamespace) -> None:
    before = dict(mpl.rcParams)
    plot.png(plot.overview(drawn))
    assert dict(mpl.rcParams) == before
    code = (
        "import sys, hemoidx.plot\nfrom hemoidx.plot.style import new_figure\nnew_figure(1, 1).subplots()\n"
    )
    code += "assert 'matplotlib.pyplot' not in sys.modules"
    subprocess.run([sys.executable, "-c", code], check=True)
