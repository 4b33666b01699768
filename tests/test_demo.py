"""The demonstration, from the command to the page, and its comparison with truth."""

import re
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

import hemoidx as hx
from hemoidx import simulate
from hemoidx.cli import main
from hemoidx.demo import compare, covered_time
from hemoidx.simulate import Truth, teaching_cohort

SHOWN = ("alder_steady", "maple_sampling", "larch_underdamped")


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, str]:
    """Three recordings of the cohort, made by the command; the folder, and what the command said."""
    few = [scenario for scenario in teaching_cohort() if scenario.name in SHOWN]
    out = tmp_path_factory.mktemp("demo") / "out"
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(simulate, "teaching_cohort", lambda seed: few)
        with pytest.MonkeyPatch.context() as quiet:
            said: list[str] = []
            quiet.setattr("builtins.print", lambda *words, **_: said.append(" ".join(map(str, words))))
            assert main(["demo", "--out", str(out)]) == 0
    return out, said[-1]


def test_the_command_says_where_to_look(made: tuple[Path, str]) -> None:
    out, said = made
    assert said.startswith("3 invented recordings")
    assert str(out / "index.html") in said


def test_every_link_leads_somewhere(made: tuple[Path, str]) -> None:
    out, _ = made
    page = (out / "index.html").read_text(encoding="utf-8")
    links = re.findall(r'href="([^"]+)"', page)
    assert len(links) == 9
    assert all((out / link).is_file() for link in links)
    assert not re.search(r'src="(?!data:)', page)


def test_the_page_tells_what_each_recording_teaches_and_that_it_is_invented(made: tuple[Path, str]) -> None:
    page = (made[0] / "index.html").read_text(encoding="utf-8")
    for scenario in teaching_cohort():
        assert (scenario.note in page) == (scenario.name in SHOWN)
    assert "invented" in page
    assert "not for patient care" in page
    # Of a stretch without a pulse, on bypass say, it must not be said that it is no patient.
    assert "not the patient" not in page
    assert "marked as disturbed, clipped or without a pulse" in page
    for name in SHOWN:
        assert "This recording is invented." in (made[0] / name / "report.html").read_text(encoding="utf-8")


def test_the_analyses_can_be_opened_and_find_their_samples(made: tuple[Path, str]) -> None:
    result = hx.Analysis.open(made[0] / "maple_sampling")
    assert result.recording is not None
    assert "sampling" in set(result.spans["kind"])


def test_the_same_seed_gives_the_same_files(made: tuple[Path, str], tmp_path: Path) -> None:
    (steady,) = (scenario for scenario in teaching_cohort() if scenario.name == "alder_steady")
    simulate.write_recording(simulate.simulate(steady), tmp_path)
    written = sorted(tmp_path.iterdir())
    assert len(written) == 5
    for path in written:
        assert path.read_bytes() == (made[0] / "recordings" / path.name).read_bytes()


def test_beats_are_found_and_none_invented_in_the_steady_recording(made: tuple[Path, str]) -> None:
    record = made[0] / "recordings" / "alder_steady"
    result = hx.Analysis.open(made[0] / "alder_steady")
    beside = compare(result, simulate.read_truth(record))
    assert beside.n_found == beside.n_clear > 150
    assert beside.n_extra == 0
    assert all(np.quantile(np.abs(error), 0.95) <= 2.0 for error in beside.error.values())


def test_comparison_counts_what_was_found_missed_and_invented() -> None:
    feet = np.arange(10.0)
    pressures = {"sbp": 120.0, "dbp": 80.0, "mbp": 100.0}
    known = pd.DataFrame({"onset_s": feet, **pressures, "clear": feet != 3.0})
    truth = Truth(known, pd.DataFrame({"start_s": [2.5], "end_s": [3.5]}))
    # Beat 5 is missed, beat 3 is disturbed, that at 7.5 is nobody's, one systolic pressure was rejected.
    at = np.array([0, 1, 2, 3, 4, 6, 7, 7.5, 8, 9]) + 0.01
    found = pd.DataFrame({"onset_s": at, **pressures})
    found["sbp"] += 2.0
    found.loc[0, "sbp"] = np.nan
    spans = pd.DataFrame({"start_s": [2.4, 3.0], "end_s": [3.2, 3.6]})
    beside = compare(SimpleNamespace(beats=found, spans=spans), truth)  # type: ignore[arg-type]
    assert (beside.n_clear, beside.n_found, beside.n_extra) == (9, 8, 1)
    assert beside.error["sbp"].tolist() == [2.0] * 7
    assert beside.error["mbp"].tolist() == [0.0] * 8
    assert beside.left_out_s == pytest.approx(1.2)
    assert beside.events_s == pytest.approx(1.0)


def test_the_lines_in_the_readme_run(
    made: tuple[Path, str],
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    readme = (Path(__file__).parents[1] / "README.md").read_text(encoding="utf-8")
    # The ten lines, and those that go on with the recording of the first ones.
    pieces = re.findall(r"```python\n(.*?)```", readme, flags=re.DOTALL)
    # What a paper needs is asked where there is a cohort large enough.
    pieces = [piece for piece in pieces if "hx.Cohort.open(" not in piece]
    assert len(pieces) == 6
    # Processes of their own would read this file again.
    lines = "\n".join(pieces).replace("workers=2", "workers=0")
    (tmp_path / "demo").symlink_to(made[0])
    (tmp_path / "recordings").mkdir()
    for name in ("alder_steady", "maple_sampling"):
        for file in (made[0] / "recordings").glob(f"{name}.*"):
            (tmp_path / "recordings" / file.name).symlink_to(file)
    rows = "record_id,ward,site\nalder_steady,north,radial\nmaple_sampling,south,femoral\n"
    (tmp_path / "context.csv").write_text(rows, encoding="utf-8")
    monkeypatch.chdir(tmp_path)
    exec(compile(lines, "README.md", "exec"), {})
    assert (tmp_path / "out" / "report.html").is_file()
    assert "sbp" in capsys.readouterr().out


@given(st.lists(st.tuples(st.integers(0, 60), st.integers(1, 30)), max_size=10))
def test_overlapping_spans_count_once(pieces: list[tuple[int, int]]) -> None:
    spans = pd.DataFrame([(a, a + b) for a, b in pieces], columns=["start_s", "end_s"], dtype=float)
    seconds = {second for a, b in pieces for second in range(a, a + b)}
    assert covered_time(spans) == pytest.approx(len(seconds))


def test_the_commands_and_files_in_the_readme_run(
    made: tuple[Path, str],
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    readme = (Path(__file__).parents[1] / "README.md").read_text(encoding="utf-8")
    monkeypatch.chdir(tmp_path)
    for kind, name in (("yaml", "context.yaml"), ("csv", "edits.csv")):
        (text,) = re.findall(rf"```{kind}\n(.*?)```", readme, flags=re.DOTALL)
        Path(name).write_text(text, encoding="utf-8")
    record = made[0] / "recordings" / "alder_steady"
    # A beat is removed by its time: that of the example is put where this recording has one.
    feet = hx.Analysis.open(made[0] / "alder_steady").beats["steepest_s"]
    assert (feet - 12.4).abs().min() < 0.7
    Path("edits.csv").write_text(
        Path("edits.csv").read_text().replace("12.4", f"{feet[(feet - 12.4).abs().idxmin()]:.2f}")
    )
    words = ["analyse", str(record), "--out", "told", "--context", "context.yaml", "--edits", "edits.csv"]
    assert main(words) == 0
    told = hx.Analysis.open("told")
    assert [edit["action"] for edit in told.info["edits"]] == ["remove_beat", "add_span"]
    assert told.events["kind"].tolist() == ["fluid"]
    assert told.info["context"]["height_cm"] == 172
    rows = re.findall(r"^\| `hemoidx (\w+)(.*?)` \|", readme, flags=re.MULTILINE)
    assert [name for name, _ in rows] == [
        *("demo", "analyse", "fetch", "cohort", "paper", "plan", "open", "indices", "validate")
    ]
    capsys.readouterr()
    for name, options in rows:
        with pytest.raises(SystemExit) as done:
            main([name, "--help"])
        assert done.value.code == 0
        said = capsys.readouterr().out
        assert all(option in said for option in re.findall(r"--\w+", options)), name
        assert set(re.findall(r"--\w+", said)) - {"--help", "--debug"} <= set(re.findall(r"--\w+", options))
    for name in re.findall(r"hemoidx indices ([a-z_]+)", readme):
        assert main(["indices", name]) == 0
