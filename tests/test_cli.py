"""The command line from end to end: what it writes, and how it refuses."""

import json
import os
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

import hemoidx as hx
from hemoidx.cli import main
from hemoidx.simulate import Scenario, simulate, write_recording

TABLES = ("beats", "breaths", "windows", "record", "spans", "events", "flushes", "zeros", "unchecked")
FS = 125
LENGTH_S = 40.0


@pytest.fixture(scope="module")
def wave() -> np.ndarray:
    """An ordinary pulse of 40 s at 125 Hz [mmHg]."""
    made = simulate(Scenario(name="plain", seed=3, duration_s=LENGTH_S, fs=FS))
    return made.recording["ABP"].values.astype(np.float64)


@pytest.fixture(scope="module")
def record(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write_recording(
        simulate(Scenario(name="plain", seed=3, duration_s=LENGTH_S)), tmp_path_factory.mktemp("r")
    )


def write_wfdb(
    folder: Path, values: np.ndarray, *, fs: str = "125", signal: str = "ABP", unit: str = "10(0)/mmHg"
) -> Path:
    """Write one signal as WFDB by hand: a tenth of a unit a code, -32768 for NaN."""
    code = np.where(np.isfinite(values), np.round(np.nan_to_num(values) * 10), -32768).astype("<i2")
    (folder / "bad.dat").write_bytes(code.tobytes())
    checksum = int(code.astype(int).sum()) % 65536
    header = f"bad 1 {fs} {code.size}\nbad.dat 16 {unit} 16 0 {code[0]} {checksum} 0 {signal}\n"
    (folder / "bad.hea").write_text(header)
    return folder / "bad"


def refused(capsys: pytest.CaptureFixture[str], folder: Path, *arguments: str) -> str:
    """Run a command that must refuse: exit code 2, one line on stderr, nothing written. Give the line."""
    before = sorted(folder.rglob("*"))
    code = main(list(arguments))
    captured = capsys.readouterr()
    assert code == 2
    assert captured.out == ""
    assert captured.err.startswith("hemoidx: ")
    assert captured.err.count("\n") == 1
    assert captured.err.endswith("\n")
    assert "fault of hemoidx" not in captured.err
    assert "Traceback" not in captured.err
    assert sorted(folder.rglob("*")) == before
    return captured.err


def test_analyse_writes_tables_and_report(
    record: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "deep" / "out"
    assert main(["analyse", str(record), "--out", str(out)]) == 0
    said = capsys.readouterr()
    assert str(out / "report.html") in said.out
    assert said.err == ""
    assert {path.name for path in out.iterdir()} == {
        *(f"{name}.parquet" for name in TABLES), "analysis.json", "report.html",
    }  # fmt: skip
    windows = hx.read_table(out / "windows.parquet")
    assert windows.attrs["units"]["sbp"] == "mmHg"
    assert windows["sbp"].notna().any()
    told = json.loads((out / "analysis.json").read_text())
    assert told["channel"] == "ABP"
    assert len(hx.Analysis.open(out).beats) == len(hx.read_table(out / "beats.parquet")) > 30
    assert list(tmp_path.rglob("*.part")) == []


def test_analyse_again_takes_the_place_of_the_first(record: Path, tmp_path: Path) -> None:
    out = tmp_path / "out"
    assert main(["analyse", str(record), "--out", str(out)]) == 0
    first = (out / "beats.parquet").read_bytes()
    (out / "notes.txt").write_text("mine")
    assert main(["analyse", str(record), "--out", str(out)]) == 0
    assert (out / "beats.parquet").read_bytes() == first
    assert (out / "notes.txt").read_text() == "mine"


def test_a_record_is_found_under_the_data_root(
    record: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "data").mkdir()
    (tmp_path / "data" / "plaindb").symlink_to(record.parent)
    monkeypatch.setenv("HEMOIDX_DATA", str(tmp_path / "data"))
    monkeypatch.chdir(tmp_path)
    assert main(["analyse", "plaindb/plain", "--out", "out"]) == 0
    assert (tmp_path / "out" / "report.html").is_file()


def test_context_and_edits_are_read_and_kept(record: Path, tmp_path: Path) -> None:
    (tmp_path / "context.yaml").write_text("site: radial\nevents:\n  - {kind: fluid, at_s: 10}\n")
    (tmp_path / "edits.json").write_text(
        json.dumps([{"action": "add_span", "from_s": 5, "to_s": 8, "kind": "motion"}])
    )
    arguments = ["--context", str(tmp_path / "context.yaml"), "--edits", str(tmp_path / "edits.json")]
    out = tmp_path / "out"
    assert main(["analyse", str(record), "--out", str(out), *arguments]) == 0
    assert hx.read_table(out / "events.parquet")["kind"].tolist() == ["fluid"]
    spans = hx.read_table(out / "spans.parquet")
    beats = hx.read_table(out / "beats.parquet")
    assert "motion" in set(spans["kind"])
    assert not ((beats["onset_s"] > 5.0) & (beats["onset_s"] < 8.0)).any()
    assert "Nobody documented the site" not in (out / "report.html").read_text()


def spoil_header(folder: Path, values: np.ndarray) -> Path:
    path = write_wfdb(folder, values)
    path.with_suffix(".hea").write_bytes(bytes(range(256)) * 4)
    return path


def cut_off(folder: Path, values: np.ndarray) -> Path:
    path = write_wfdb(folder, values)
    data = path.with_suffix(".dat")
    data.write_bytes(data.read_bytes()[:3001])
    return path


def no_samples(folder: Path, values: np.ndarray) -> Path:
    path = write_wfdb(folder, values)
    path.with_suffix(".dat").unlink()
    return path


def absurd_length(folder: Path, values: np.ndarray) -> Path:
    path = write_wfdb(folder, values)
    header = path.with_suffix(".hea")
    header.write_text(header.read_text().replace(f" {values.size}\n", " 99999999999999\n"))
    return path


def leaves_the_folder(folder: Path, values: np.ndarray) -> Path:
    path = write_wfdb(folder, values)
    header = path.with_suffix(".hea")
    header.write_text(header.read_text().replace("\nbad.dat", "\n../bad.dat"))
    return path


BAD: dict[str, tuple[Callable[[Path, np.ndarray], Path], str]] = {
    "missing": (lambda folder, _: folder / "nowhere", "nowhere"),
    "no samples": (no_samples, "bad.dat"),
    "cut off": (cut_off, "bad.dat"),
    "garbage header": (spoil_header, "bad"),
    "absurd length": (absurd_length, "bad"),
    "leaves the folder": (leaves_the_folder, "bad"),
    "rate zero": (lambda folder, values: write_wfdb(folder, values, fs="0"), "bad"),
    "rate negative": (lambda folder, values: write_wfdb(folder, values, fs="-125"), "bad"),
    "rate too low": (lambda folder, values: write_wfdb(folder, values[::5], fs="25"), "25 Hz"),
    "no pressure": (lambda folder, values: write_wfdb(folder, values, signal="II", unit="200/mV"), "II"),
    "not a unit of pressure": (lambda folder, values: write_wfdb(folder, values, unit="10(0)/L"), "L"),
    "all NaN": (lambda folder, values: write_wfdb(folder, np.full_like(values, np.nan)), "ABP"),
    "too short": (lambda folder, values: write_wfdb(folder, values[: 2 * FS]), "too short"),
    "no sample at all": (lambda folder, values: write_wfdb(folder, values[:1]), "bad"),
    "constant": (lambda folder, values: write_wfdb(folder, np.full_like(values, 90.0)), "ABP"),
}


@pytest.mark.parametrize("kind", BAD)
def test_bad_recordings_are_refused_in_one_line(
    kind: str, wave: np.ndarray, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    spoil, says = BAD[kind]
    path = spoil(tmp_path, wave)
    assert says in refused(capsys, tmp_path, "analyse", str(path), "--out", str(tmp_path / "out"))


def unbelievable(folder: Path) -> bool:
    """Whether no window, and no whole recording, has a pressure."""
    pressures = ["sbp", "dbp", "mbp", "pp"]
    tables = [hx.read_table(folder / f"{name}.parquet") for name in ("windows", "record")]
    return all(table[pressures].isna().all(axis=None) for table in tables)


NOT_BELIEVABLE: dict[str, Callable[[Path, np.ndarray], Path]] = {
    "pure noise": lambda folder, values: write_wfdb(
        folder, 90 + 15 * np.random.default_rng(5).standard_normal(values.size)
    ),
    "upside down": lambda folder, values: write_wfdb(folder, 180 - values),
    "gain zero": lambda folder, values: write_wfdb(folder, values, unit="0/mmHg"),
    "placeholder gain": lambda folder, values: write_wfdb(folder, values, unit="1(0)/mmHg"),
}


@pytest.mark.parametrize("kind", NOT_BELIEVABLE)
def test_what_cannot_be_believed_gives_no_pressures(
    kind: str, wave: np.ndarray, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = NOT_BELIEVABLE[kind](tmp_path, wave)
    out = tmp_path / "out"
    code = main(["analyse", str(path), "--out", str(out)])
    said = capsys.readouterr().err
    if code == 0:
        assert unbelievable(out)
    else:
        assert code == 2
        assert said.count("\n") == 1
        assert "fault of hemoidx" not in said
        assert not out.exists()


def test_a_recording_without_a_pulse_is_done_and_says_so(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    t = np.arange(60 * FS) / FS
    level = 58 + 3 * np.sin(t / 8) + 0.3 * np.random.default_rng(1).standard_normal(t.size)
    path, out = write_wfdb(tmp_path, level), tmp_path / "out"
    assert main(["analyse", str(path), "--out", str(out)]) == 0
    assert "no pulse was found" in capsys.readouterr().out
    assert hx.read_table(out / "spans.parquet")["kind"].tolist() == ["not_pulsatile"]
    assert hx.read_table(out / "beats.parquet").empty
    assert "No pulse was found" in (out / "report.html").read_text()


def test_an_unknown_channel_is_named_with_those_there(
    record: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    said = refused(
        capsys, tmp_path, "analyse", str(record), "--out", str(tmp_path / "out"), "--channel", "ART9"
    )
    assert "ART9" in said
    assert "ABP" in said


@pytest.mark.parametrize(
    ("option", "text", "says"),
    [
        ("--context", "breething: assisted\n", "breething"),
        ("--context", "breathing: [", "context.yaml"),
        ("--edits", "- {action: remove_beat}\n", "at_s"),
        ("--edits", "- {action: remove_beat, at_s: 9999}\n", "9999"),
    ],
)
def test_bad_context_and_edits_are_refused(
    option: str, text: str, says: str, record: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    given = tmp_path / "context.yaml"
    given.write_text(text)
    said = refused(
        capsys, tmp_path, "analyse", str(record), "--out", str(tmp_path / "out"), option, str(given)
    )
    assert says in said


def test_a_folder_with_other_things_is_left_alone(
    record: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "thesis.txt").write_text("ten years of work")
    assert "other things" in refused(capsys, tmp_path, "analyse", str(record), "--out", str(tmp_path))
    (tmp_path / "file").write_text("no folder")
    assert "is a file" in refused(
        capsys, tmp_path, "analyse", str(record), "--out", str(tmp_path / "file" / "out")
    )
    assert "other things" in refused(capsys, tmp_path, "demo", "--out", str(tmp_path))


def test_an_error_in_the_report_leaves_no_tables_behind(
    record: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    def fails(*_: object) -> None:
        raise RuntimeError("the pen\nbroke")

    monkeypatch.setattr("hemoidx.report.render", fails)
    assert main(["analyse", str(record), "--out", str(tmp_path / "out")]) == 2
    said = capsys.readouterr().err
    assert said.count("\n") == 1
    assert "RuntimeError (the pen broke)" in said
    assert "--debug" in said
    assert list(tmp_path.iterdir()) == []
    with pytest.raises(RuntimeError, match="pen"):
        main(["--debug", "analyse", str(record), "--out", str(tmp_path / "out")])
    with pytest.raises(RuntimeError, match="pen"):
        main(["analyse", str(record), "--out", str(tmp_path / "out"), "--debug"])


def test_stopping_by_hand_leaves_nothing(
    record: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    def stops(*_: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr("hemoidx.report.render", stops)
    assert main(["analyse", str(record), "--out", str(tmp_path / "out")]) == 130
    assert capsys.readouterr().err.startswith("hemoidx: stopped")
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(
    "arguments", [[], ["analyse"], ["analyse", "x"], ["analyze", "x"], ["indices", "a", "b"]]
)
def test_wrong_use_is_one_line(arguments: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as stopped:
        main(arguments)
    said = capsys.readouterr()
    assert stopped.value.code == 2
    assert said.out == ""
    assert said.err.startswith("hemoidx: ")
    assert said.err.count("\n") == 1
    assert "--help" in said.err


def test_indices_lists_and_describes_the_catalogue(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["indices"]) == 0
    listed = capsys.readouterr().out
    for index in hx.default_catalogue():
        assert index.title in listed
        assert main(["indices", index.name]) == 0
        told = " ".join(capsys.readouterr().out.split())
        assert index.formula in told
        assert all(source in told for source in index.sources)
        assert all(limit.reason in told for limit in index.limits)


def test_an_unknown_index_is_refused(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert "mbp" in refused(capsys, tmp_path, "indices", "mpb")


def test_help_is_there_at_once_and_says_the_caution() -> None:
    command = [sys.executable, "-m", "hemoidx.cli", "--help"]
    took = []
    for _ in range(3):
        begun = time.perf_counter()
        ran = subprocess.run(command, capture_output=True, text=True, check=True)
        took.append(time.perf_counter() - begun)
    assert "not for patient care" in " ".join(ran.stdout.split())
    assert min(took) < 0.5


def test_the_process_gives_the_exit_code_and_no_traceback(tmp_path: Path) -> None:
    command = [sys.executable, "-m", "hemoidx.cli", "analyse", "nowhere/at-all", "--out", "out"]
    ran = subprocess.run(
        command, capture_output=True, text=True, cwd=tmp_path, env={**os.environ}, check=False
    )
    assert ran.returncode == 2
    assert ran.stderr.count("\n") == 1
    assert list(tmp_path.iterdir()) == []


def test_a_reader_that_leaves_early_is_no_error() -> None:
    command = f"{sys.executable} -m hemoidx.cli indices sbp | head -n 1"
    ran = subprocess.run(["/bin/sh", "-c", command], capture_output=True, text=True, check=True)
    assert ran.stdout.startswith("sbp")
    assert ran.stderr == ""


def test_milliseconds_under_a_bare_name_are_not_taken_for_seconds_in_silence(
    wave: np.ndarray, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "bare.csv"
    rows = [f"{1000 * i / FS:.0f},{x:.3f}" for i, x in enumerate(wave)]
    path.write_text("\n".join(["time,ABP [mmHg]", *rows, ""]))
    said = refused(capsys, tmp_path, "analyse", str(path), "--out", str(tmp_path / "out"))
    assert "0.125 Hz" in said
    assert "time [ms]" in said


def test_units_are_said_on_the_command_line(
    wave: np.ndarray, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "bare.csv"
    rows = [f"{i / FS:.3f},{x / 7.50062:.5f}" for i, x in enumerate(wave)]
    path.write_text("\n".join(["time,ABP", *rows, ""]))
    said = refused(capsys, tmp_path, "analyse", str(path), "--out", str(tmp_path / "out"))
    assert "--units" in said
    for number, units in enumerate((["kPa"], ["ABP=kPa"])):
        out = tmp_path / f"out{number}"
        given = [word for unit in units for word in ("--units", unit)]
        assert main(["analyse", str(path), "--out", str(out), *given]) == 0
        pressure = hx.read_table(out / "record.parquet")["sbp"].iloc[0]
        assert pressure == pytest.approx(float(np.quantile(wave, 0.99)), abs=3.0)
    capsys.readouterr()
    for given in (["kPa", "mmHg"], ["kPa", "ABP=kPa"], ["ABP=kPa", "ABP=mmHg"]):
        words = [word for unit in given for word in ("--units", unit)]
        said = refused(capsys, tmp_path, "analyse", str(path), "--out", str(tmp_path / "no"), *words)
        assert "--units: give one unit" in said
