"""The recording view: pan and zoom, why a value is not there, corrections by hand."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import wfdb
from hypothesis import given, settings
from hypothesis import strategies as st

import hemoidx as hx
from hemoidx.context import Edits
from hemoidx.context.readers import compare_readers
from hemoidx.errors import DataUnavailableError, InputError
from hemoidx.explore import RecordingView
from hemoidx.explore.levels import Levels
from hemoidx.simulate import Event, Scenario, simulate, write_recording


@pytest.fixture(scope="module")
def result(tmp_path_factory: pytest.TempPathFactory) -> hx.Analysis:
    made = simulate(Scenario(name="ash", duration_s=100.0, seed=4, events=(Event("flush", 60.0, 1.4),)))
    path = write_recording(made, tmp_path_factory.mktemp("recordings"))
    return hx.analyse(hx.load(path))


# --- what is drawn ---------------------------------------------------------------------------------------


@settings(max_examples=30, deadline=None)
@given(st.integers(0, 2**31), st.integers(0, 1_500_000), st.integers(0, 1_500_000))
def test_no_peak_is_lost_at_any_distance(seed: int, a: int, b: int) -> None:
    rng = np.random.default_rng(seed)
    wave = rng.normal(size=1_500_000).astype(np.float32)
    wave[rng.integers(0, wave.size, 3)] = 50.0
    wave[100_000:120_000] = np.nan
    first, last = min(a, b), max(a, b)
    position, value = Levels(wave).between(first, last)
    if last > first and np.isfinite(wave[first:last]).any():
        # Blocks at the ends may reach a little beyond what was asked for, never less far.
        assert np.nanmax(value) >= np.nanmax(wave[first:last])
        assert np.nanmin(value) <= np.nanmin(wave[first:last])
        assert position.size <= 2 * 1100 + 2
        assert np.all(np.diff(position) >= 0)


def test_the_stretch_stays_inside_the_recording(result: hx.Analysis) -> None:
    view = RecordingView(result)
    view.set(from_s=-50.0, to_s=-20.0)
    assert (view.state["from_s"], view.state["to_s"]) == (0.0, 30.0)
    view.set(from_s=90.0, to_s=130.0)
    assert (view.state["from_s"], view.state["to_s"]) == (60.0, 100.0)
    view.set(from_s=50.0, to_s=50.0)
    assert view.state["to_s"] - view.state["from_s"] == 0.5


def test_keys_wheel_and_hand_pan_and_zoom(result: hx.Analysis) -> None:
    view = RecordingView(result, from_s=20.0, to_s=40.0)
    view.heard({"kind": "key", "key": "ArrowRight", "shift": False})
    assert view.state["from_s"] == 25.0
    view.heard({"kind": "wheel", "area": "wave", "x": 35.0, "y": 0.0, "steps": -1})
    assert view.state["from_s"] == pytest.approx(35.0 - 10.0 / 1.25)
    assert view.state["to_s"] == pytest.approx(35.0 + 10.0 / 1.25)
    view.set(from_s=20.0, to_s=40.0)
    drag = {"kind": "drag", "area": "wave", "x0": 30.0, "y0": 0.0, "y1": 0.0, "shift": False}
    # Each message tells the whole way of the hand, in the units of the picture where it began.
    for x1, done in ((28.0, False), (25.0, False), (24.0, True)):
        view.heard({**drag, "x1": x1, "done": done})
        assert view.state["from_s"] == pytest.approx(20.0 + 30.0 - x1)
    view.heard({"kind": "click", "area": "whole", "x": 70.0, "y": 0.0, "shift": False})
    assert (view.state["from_s"], view.state["to_s"]) == (60.0, 80.0)
    view.heard({"kind": "key", "key": "End", "shift": False})
    assert view.state["to_s"] == 100.0


# --- why ---------------------------------------------------------------------------------------------------


def test_a_click_says_what_the_verdicts_say(result: hx.Analysis) -> None:
    view = RecordingView(result, from_s=0.0, to_s=100.0, index="sbp")
    view.widget  # noqa: B018
    verdicts = result.verdicts("sbp", table="beats")
    # One beat beside the flush, one far from it.
    for time in (59.8, 20.0):
        row = int(np.searchsorted(result.beats["onset_s"], time, side="right")) - 1
        view.heard({"kind": "click", "area": "wave", "x": time, "y": 100.0, "shift": False})
        told = view._notice.value
        assert str(verdicts["measurement"].iloc[row]) in told
        if verdicts["reasons"].iloc[row]:
            assert verdicts["reasons"].iloc[row].split(" ")[-1] in told
    assert verdicts["measurement"].nunique() > 1
    assert "flush from" in view.explain(60.5)
    view.set(from_s=0.0, to_s=100.0)
    assert view.state["picked"] == {"at_s": 20.0, "table": "beats"}


def test_a_masked_window_says_why_and_shows_no_number() -> None:
    made = simulate(
        Scenario(name="gone", duration_s=150.0, seed=8, events=(Event("open_to_air", 40.0, 30.0),))
    )
    result = hx.analyse(made.recording)
    view = RecordingView(result, from_s=0.0, to_s=150.0, index="mbp")
    gone = np.flatnonzero(result.windows["mbp"].isna().to_numpy())[0]
    told = view.explain(float(result.windows["start_s"].iloc[gone]) + 5.0)
    assert "no value, rejected" in told
    assert "because" in told


# --- corrections by hand -----------------------------------------------------------------------------------


def test_edits_are_made_followed_saved_and_repeated_by_code(result: hx.Analysis, tmp_path: Path) -> None:
    view = RecordingView(result, from_s=0.0, to_s=30.0)
    view.widget  # noqa: B018
    onset = float(result.beats["onset_s"].iloc[10])
    click = {"kind": "click", "area": "wave", "y": 90.0, "shift": False}
    view.set(mode="remove a beat")
    view.heard({**click, "x": onset + 0.2})
    view.set(mode="add a span", kind="motion")
    drag = {"kind": "drag", "area": "wave", "x0": 22.0, "x1": 20.0, "y0": 0, "y1": 0, "shift": False}
    view.heard({**drag, "done": False})
    assert len(view.state["edits"]) == 1
    view.heard({**drag, "done": True})
    assert view.state["edits"][1] == {"action": "add_span", "from_s": 20.0, "to_s": 22.0, "kind": "motion"}
    before = len(result.beats)
    view.rerun()
    assert len(view.result.beats) < before
    assert not np.isclose(view.result.beats["onset_s"], onset, atol=0.05).any()
    assert (view.result.spans["kind"] == "motion").any()
    assert len(result.beats) == before
    scope: dict = {}
    exec(view.code(), scope)
    assert scope["view"].state == view.state
    pd.testing.assert_frame_equal(scope["view"].result.beats, view.result.beats)
    for name in ("e.csv", "e.yaml", "e.json"):
        assert Edits.read(view.save_edits(tmp_path / name)).to_json() == view.state["edits"]
    with pytest.raises(InputError, match="saved as"):
        view.save_edits(tmp_path / "e.txt")
    view.undo()
    assert [edit["action"] for edit in view.state["edits"]] == ["remove_beat"]


def test_a_beat_that_is_there_already_is_not_added_twice(result: hx.Analysis) -> None:
    view = RecordingView(result, from_s=0.0, to_s=30.0, mode="add a beat")
    view.widget  # noqa: B018
    onset = float(result.beats["onset_s"].iloc[12])
    view.heard({"kind": "click", "area": "wave", "x": onset + 0.05, "y": 90.0, "shift": False})
    view._do(view.rerun)
    assert "is there already" in view._notice.value
    assert view.result is result


def test_an_edit_that_cannot_be_followed_is_said_and_changes_nothing(result: hx.Analysis) -> None:
    view = RecordingView(result, from_s=0.0, to_s=30.0, mode="remove a span")
    view.widget  # noqa: B018
    view._hear({"kind": "click", "area": "wave", "x": 10.0, "y": 90.0, "shift": False})
    assert "no span at 10.00 s" in view._notice.value
    assert view.state["edits"] == []
    view.set(edits=[{"action": "add_beat", "at_s": 5000.0}])
    view._do(view.rerun)
    assert "outside the recording" in view._notice.value
    assert view.result is result


def test_annotations_wait_for_edits_that_were_not_followed(result: hx.Analysis, tmp_path: Path) -> None:
    view = RecordingView(result, edits=[{"action": "add_span", "from_s": 5.0, "to_s": 6.0, "kind": "motion"}])
    with pytest.raises(InputError, match="analyse again first"):
        view.save_annotations(tmp_path)
    view.rerun()
    assert view.save_annotations(tmp_path).is_file()
    # Edits that were taken back stay so when the view is made again.
    view.set(edits=[])
    assert RecordingView(view.result, **view.state).state["edits"] == []


def test_annotations_are_read_back_by_wfdb(result: hx.Analysis, tmp_path: Path) -> None:
    view = RecordingView(result)
    path = view.save_annotations(tmp_path / "notes")
    found = wfdb.rdann(str(path.with_suffix("")), path.suffix.lstrip("."))
    beats = np.array([s for s, code in zip(found.sample, found.symbol, strict=True) if code == "N"])
    np.testing.assert_allclose(beats / 125.0, result.beats["onset_s"], atol=0.5 / 125.0)
    assert found.fs == 125.0
    notes = [note.rstrip("\0") for note in found.aux_note if note]
    assert notes == ["(flush", "flush)"]


# --- two readers -------------------------------------------------------------------------------------------


def test_two_readers_are_compared_beat_by_beat_and_second_by_second() -> None:
    first = Edits.read(
        [
            {"action": "remove_beat", "at_s": 1.0},
            {"action": "remove_beat", "at_s": 5.0},
            {"action": "add_span", "from_s": 10.0, "to_s": 20.0, "kind": "motion"},
        ]
    )
    second = Edits.read(
        [
            {"action": "remove_beat", "at_s": 1.1},
            {"action": "remove_beat", "at_s": 1.12},
            {"action": "add_span", "from_s": 15.0, "to_s": 25.0, "kind": "motion"},
            {"action": "add_span", "from_s": 30.0, "to_s": 31.0, "kind": "flush"},
        ]
    )
    found = compare_readers(first, second).set_index("edits")
    # One pair only: a time of the first cannot be paired with two of the second.
    assert found.loc["remove beat", ["both", "first_only", "second_only"]].tolist() == [1, 1, 1]
    assert found.loc["add span motion", ["both", "first_only", "second_only"]].tolist() == [5, 5, 5]
    assert found.loc["add span motion", "agreement"] == pytest.approx(1 / 3)
    assert found.loc["add span flush", "agreement"] == 0.0


@settings(max_examples=40, deadline=None)
@given(st.lists(st.floats(0, 100), max_size=8), st.lists(st.floats(0, 100), max_size=8))
def test_readers_agree_with_themselves_and_the_order_of_two_does_not_matter(a: list, b: list) -> None:
    one, two = (Edits.read([{"action": "add_beat", "at_s": t} for t in times]) for times in (a, b))
    there, back = compare_readers(one, two), compare_readers(two, one)
    assert there["both"].tolist() == back["both"].tolist()
    assert there["first_only"].tolist() == back["second_only"].tolist()
    itself = compare_readers(one, one)
    assert (itself["agreement"] == 1.0).all()


def test_an_analysis_without_its_samples_says_so(result: hx.Analysis, tmp_path: Path) -> None:
    result.save(tmp_path / "out")
    assert RecordingView(hx.Analysis.open(tmp_path / "out")).result.beats.equals(result.beats)
    moved = hx.Analysis.open(tmp_path / "out")
    moved.info["samples"]["source"] = str(tmp_path / "gone.hea")
    with pytest.raises(DataUnavailableError, match="samples of this analysis are not at hand"):
        RecordingView(moved)


def test_a_smaller_catalogue_shows_what_it_has(result: hx.Analysis) -> None:
    small = hx.analyse(result.recording, catalogue=hx.default_catalogue().only("hr"))
    assert RecordingView(small).state["index"] in ("duration", "hr")
    RecordingView(small).figure()


@pytest.mark.parametrize(
    ("state", "words"),
    [
        ({"index": "nothing"}, "'nothing' has no values"),
        ({"mode": "dance"}, "none of look"),
        ({"kind": "sneeze"}, "none of flush"),
        ({"edits": [{"action": "add_beat"}]}, "add_beat needs at_s"),
        ({"to_s": float("nan")}, "a time in seconds is needed"),
    ],
)
def test_what_the_recording_does_not_have_is_named(state: dict, words: str, result: hx.Analysis) -> None:
    with pytest.raises(InputError, match=words):
        RecordingView(result, **state)
