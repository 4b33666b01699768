"""An analysis on disk: whole, restored as it was, never in the place of something else."""

import json
import shutil
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

import hemoidx as hx
from hemoidx.analysis import storage
from tests.waves import pulses, recording

FS = 125.0
TABLES = ("beats", "breaths", "windows", "record", "spans", "events", "flushes", "zeros")


@pytest.fixture(scope="module")
def result() -> hx.Analysis:
    wave = pulses(FS, 95.0)
    wave[int(40 * FS) : int(60 * FS)] = np.nan
    return hx.analyse(recording(wave, FS), context={"events": [{"kind": "fluid", "at_s": 3}]})


def content(folder: Path) -> dict[str, bytes]:
    return {file.name: file.read_bytes() for file in folder.iterdir()}


def test_everything_comes_back(result: hx.Analysis, tmp_path: Path) -> None:
    result.save(tmp_path / "new" / "out")
    again = hx.Analysis.open(tmp_path / "new" / "out")
    for name in TABLES:
        pd.testing.assert_frame_equal(getattr(again, name), getattr(result, name))
        assert getattr(again, name).attrs == getattr(result, name).attrs
    assert again.info == result.info
    assert again.undocumented == result.undocumented
    for table in ("beats", "breaths", "windows", "record"):
        for index in result.catalogue.in_table(table):
            pd.testing.assert_frame_equal(
                again.verdicts(index.name, table), result.verdicts(index.name, table)
            )
            pd.testing.assert_frame_equal(
                again.unchecked(index.name, table), result.unchecked(index.name, table)
            )
    assert again._repr_html_() == result._repr_html_()


def test_the_folder_holds_what_was_agreed(result: hx.Analysis, tmp_path: Path) -> None:
    result.save(tmp_path / "out")
    names = {f"{name}.parquet" for name in (*TABLES, "unchecked")}
    assert set(content(tmp_path / "out")) == {*names, "analysis.json"}
    assert [file.name for file in tmp_path.iterdir()] == ["out"]
    info = json.loads((tmp_path / "out" / "analysis.json").read_text(encoding="utf-8"))
    assert {"hemoidx", "algorithm", "schema_version", "parameters", "context", "edits"} <= set(info)
    assert {"channel", "channel_choice", "samples", "provenance", "notices", "caution"} <= set(info)
    hidden = hx.read_table(tmp_path / "out" / "unchecked.parquet")
    assert list(hidden) == ["table", "row", "name", "value"]
    row = hidden[(hidden["table"] == "windows") & (hidden["name"] == "sbp")].iloc[0]
    assert row["value"] == result.unchecked("sbp", "windows")["value"].iloc[0]


def test_the_same_analysis_writes_the_same_bytes(result: hx.Analysis, tmp_path: Path) -> None:
    result.save(tmp_path / "a")
    result.save(tmp_path / "b")
    assert content(tmp_path / "a") == content(tmp_path / "b")


def test_something_else_is_never_overwritten(result: hx.Analysis, tmp_path: Path) -> None:
    (tmp_path / "thesis.txt").write_text("years of work", encoding="utf-8")
    with pytest.raises(hx.InputError, match="holds other things already"):
        result.save(tmp_path)
    assert content(tmp_path) == {"thesis.txt": b"years of work"}
    with pytest.raises(hx.InputError, match="is a file"):
        result.save(tmp_path / "thesis.txt")


def test_an_older_analysis_is_replaced_and_what_lies_beside_it_stays(
    result: hx.Analysis, tmp_path: Path
) -> None:
    result.save(tmp_path)
    (tmp_path / "notes.txt").write_text("mine", encoding="utf-8")
    other = hx.analyse(recording(pulses(FS, 40.0, low=60.0), FS))
    other.save(tmp_path)
    pd.testing.assert_frame_equal(hx.Analysis.open(tmp_path).beats, other.beats)
    assert (tmp_path / "notes.txt").read_text(encoding="utf-8") == "mine"


def test_a_failure_leaves_nothing_half_written(
    result: hx.Analysis, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    write = storage.write_table

    def fails_at_spans(table: pd.DataFrame, path: Path) -> None:
        if path.name == "spans.parquet":
            raise OSError(28, "No space left on device")
        write(table, path)

    monkeypatch.setattr(storage, "write_table", fails_at_spans)
    with pytest.raises(OSError, match="No space left"):
        result.save(tmp_path / "out")
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(
    ("name", "text", "complaint"),
    [
        ("analysis.json", None, "no analysis there"),
        ("analysis.json", "{", "not the description of an analysis, or cut off"),
        ("analysis.json", '{"schema_version": 3}', "not the description of an analysis"),
        ("beats.parquet", "PAR1", "not a Parquet file, or cut off"),
        ("windows.parquet", None, "there is no file"),
    ],
)
def test_broken_folders_are_refused_in_one_line(
    result: hx.Analysis, tmp_path: Path, name: str, text: str | None, complaint: str
) -> None:
    result.save(tmp_path)
    (tmp_path / name).unlink()
    if text is not None:
        (tmp_path / name).write_text(text, encoding="utf-8")
    with pytest.raises(hx.HemoidxError, match=complaint) as caught:
        hx.Analysis.open(tmp_path)
    assert "\n" not in str(caught.value)


def test_a_later_schema_is_refused(result: hx.Analysis, tmp_path: Path) -> None:
    result.save(tmp_path)
    path = tmp_path / "analysis.json"
    path.write_text(json.dumps({**result.info, "schema_version": 99}), encoding="utf-8")
    with pytest.raises(hx.InputError, match="written with schema 99"):
        hx.Analysis.open(tmp_path)


@pytest.fixture
def from_file(tmp_path: Path) -> tuple[Path, hx.Analysis]:
    """An analysis of a stretch of a CSV file, saved."""
    wave = pulses(100.0, 60.0)
    path = tmp_path / "wave.csv"
    pd.DataFrame({"time": np.arange(wave.size) / 100.0, "ABP [mmHg]": wave}).to_csv(path, index=False)
    result = hx.analyse(hx.crop(hx.load(path), 10.0, 50.0))
    result.save(tmp_path / "out")
    return path, result


def test_the_samples_are_found_again(from_file: tuple[Path, hx.Analysis], tmp_path: Path) -> None:
    _, result = from_file
    again = hx.Analysis.open(tmp_path / "out").recording
    assert again is not None
    assert result.recording is not None
    np.testing.assert_array_equal(again["ABP"].values, result.recording["ABP"].values)
    np.testing.assert_array_equal(again["time"].values, result.recording["time"].values)


def test_changed_samples_are_not_taken_for_the_ones_analysed(
    from_file: tuple[Path, hx.Analysis], tmp_path: Path
) -> None:
    path, _ = from_file
    path.write_text(path.read_text(encoding="utf-8").replace("80.", "81."), encoding="utf-8")
    with pytest.warns(UserWarning, match="their checksums differ"):
        assert hx.Analysis.open(tmp_path / "out").recording is None


def test_lost_samples_leave_the_tables(from_file: tuple[Path, hx.Analysis], tmp_path: Path) -> None:
    path, result = from_file
    path.unlink()
    again = hx.Analysis.open(tmp_path / "out")
    assert again.recording is None
    pd.testing.assert_frame_equal(again.beats, result.beats)
    shutil.rmtree(tmp_path / "out")


def test_plot_and_report_are_reached_from_the_result(result: hx.Analysis, tmp_path: Path) -> None:
    figure = result.plot()
    assert figure.axes
    result.report(tmp_path / "report.html")
    page = (tmp_path / "report.html").read_text(encoding="utf-8")
    assert "invented" in page
    assert "not for patient care" in page


@pytest.mark.parametrize("text", ['{"accuracy": 0.93}', "[]", "not json", '"hemoidx"'])
def test_an_analysis_json_of_somebody_else_is_left_alone(
    result: hx.Analysis, tmp_path: Path, text: str
) -> None:
    (tmp_path / "analysis.json").write_text(text, encoding="utf-8")
    with pytest.raises(hx.InputError, match="holds other things already"):
        result.save(tmp_path)
    assert content(tmp_path) == {"analysis.json": text.encode()}
