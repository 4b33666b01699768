"""Many recordings: all of them, each on its own, whatever one does, and whenever the run is stopped."""

import ctypes
import json
import os
import shutil
import signal
import subprocess
import sys
import threading
import time
from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow.dataset as ds
import pyarrow.parquet as pq
import pytest

import hemoidx as hx
from hemoidx.cohort import engine, layout
from hemoidx.errors import DataUnavailableError, InputError
from hemoidx.simulate import Scenario, simulate, write_recording
from hemoidx.tables import TABLES
from tests.bench.cluster import Cluster

NAMES = ("ash", "beech", "elm", "oak")
LOUD = "oak"


@pytest.fixture(scope="module")
def recordings(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Invented recordings in two folders; one of them, by its high pressure, can be told by an index."""
    folder = tmp_path_factory.mktemp("recordings")
    for k, name in enumerate(NAMES):
        scenario = Scenario(
            name=name, duration_s=40.0, seed=610 + k, mean_pressure=150.0 if name == LOUD else 85.0
        )
        write_recording(simulate(scenario), folder / f"ward{k % 2}")
    return folder


@pytest.fixture(scope="module")
def cohort(recordings: Path, tmp_path_factory: pytest.TempPathFactory) -> hx.Cohort:
    out = tmp_path_factory.mktemp("cohort") / "out"
    return hx.run_cohort(recordings, out, workers=0)


def tables_of(folder: Path) -> dict[str, bytes]:
    """All tables as they lie on the disk."""
    return {
        path.relative_to(folder).as_posix(): path.read_bytes()
        for path in sorted((folder / "tables").rglob("*.parquet"))
    }


# --- what is there ---------------------------------------------------------------------------------------


def test_a_cohort_holds_what_each_analysis_gives(cohort: hx.Cohort, recordings: Path) -> None:
    assert cohort.done == ["ward0/ash", "ward0/elm", "ward1/beech", "ward1/oak"]
    rec = hx.load(recordings / "ward0" / "elm")
    rec.attrs["record_id"] = "ward0/elm"
    alone = hx.analyse(rec)
    together = cohort.analysis("ward0/elm")
    for table in ("beats", "breaths", "windows", "record", "spans", "flushes", "zeros", "events"):
        pd.testing.assert_frame_equal(getattr(together, table), getattr(alone, table), check_dtype=False)
    assert together.verdicts("ppv").equals(alone.verdicts("ppv"))
    assert cohort.members["n_beats"].sum() == len(cohort.table("beats", ["sbp"]))
    assert cohort.members["hours"].tolist() == pytest.approx([40 / 3600] * 4)


def test_any_reader_of_parquet_takes_the_tables(cohort: hx.Cohort) -> None:
    duckdb = pytest.importorskip("duckdb")
    polars = pytest.importorskip("polars")
    folder = cohort.folder / "tables" / "windows"
    mean = cohort.table("windows", ["mbp"])["mbp"].mean()
    assert pd.read_parquet(folder)["mbp"].mean() == pytest.approx(mean)
    assert polars.scan_parquet(str(folder / "*.parquet")).select("mbp").collect()[
        "mbp"
    ].drop_nans().mean() == (pytest.approx(mean))
    frames = pytest.importorskip("dask.dataframe")
    assert frames.read_parquet(str(folder))["mbp"].mean().compute() == pytest.approx(mean)
    (by_sql,) = duckdb.sql(f"select avg(mbp) from '{folder}/*.parquet' where not isnan(mbp)").fetchall()[0]
    assert by_sql == pytest.approx(mean)


def test_every_file_of_a_table_has_the_same_columns_and_types(cohort: hx.Cohort) -> None:
    for table in TABLES:
        files = sorted((cohort.folder / "tables" / table).glob("*.parquet"))
        assert len(files) == len(NAMES)
        schemas = [pq.read_schema(file) for file in files]
        assert all(schema.equals(schemas[0]) for schema in schemas), table
        assert not any(str(field.type) == "null" for field in schemas[0]), table
        assert ds.dataset(files).count_rows() == len(cohort.table(table))


def test_rows_are_asked_for_by_condition_and_keep_their_units(cohort: hx.Cohort) -> None:
    high = cohort.table("windows", ["mbp"], where=[("mbp", ">", 120.0)])
    assert set(high["record_id"]) == {"ward1/oak"}
    assert high.attrs["units"]["mbp"] == "mmHg"
    with pytest.raises(InputError, match="no column 'mpb'"):
        cohort.table("windows", ["mpb"])
    with pytest.raises(InputError, match="no table 'minutes'"):
        cohort.table("minutes")


def test_a_clinical_table_joins_without_doubling(cohort: hx.Cohort) -> None:
    clinical = pd.DataFrame({"record_id": ["ward0/ash", "ward1/oak"], "lactate": [1.0, 4.0]})
    joined = cohort.join(clinical)
    assert len(joined) == len(NAMES)
    assert joined["lactate"].notna().sum() == 2
    with pytest.raises(InputError, match="stands twice"):
        cohort.join(pd.concat([clinical, clinical]))


# --- context and groups ----------------------------------------------------------------------------------


def test_context_and_groups_come_from_one_table(recordings: Path, tmp_path: Path) -> None:
    table = pd.DataFrame(
        {
            "record_id": ["ash", "ash", "oak", "beech"],
            "from_s": [0.0, 20.0, np.nan, np.nan],
            "to_s": [20.0, np.nan, np.nan, np.nan],
            "breathing": ["assisted", "spontaneous", "controlled_no_effort", None],
            "age": [71, 71, 40, 55],
            "patient": ["007", "007", "12", "13"],
            "dose": [0.5, 0.5, 1, 2],
        }
    )
    table.to_csv(tmp_path / "context.csv", index=False)
    cohort = hx.run_cohort(recordings, tmp_path / "out", workers=0, context=tmp_path / "context.csv")
    by_name = cohort.members.set_index("record_id")
    assert by_name.loc["ward0/ash", "patient"] == "007"
    assert by_name.loc["ward1/beech", "age_years"] == 55
    assert by_name.loc["ward1/beech", "dose"] == 2.0
    assert pd.isna(by_name.loc["ward0/elm", "patient"])
    said = cohort.analysis("ward0/ash").info["context"]
    assert [i["breathing"] for i in said["intervals"]] == ["assisted", "spontaneous"]


@pytest.mark.parametrize(
    ("row", "words"),
    [
        ({"record_id": "ash", "breathin": "assisted"}, "'breathin' looks like a slip of 'breathing'"),
        ({"record_id": "yew", "ward": "x"}, "no recording 'yew'"),
        ({"record_id": "ash", "site": "elbow"}, "ash.*'elbow' is not known"),
    ],
)
def test_context_that_belongs_to_nothing_is_refused_before_work_begins(
    row: dict, words: str, recordings: Path, tmp_path: Path
) -> None:
    with pytest.raises(InputError, match=words):
        hx.run_cohort(recordings, tmp_path / "out", workers=0, context=pd.DataFrame([row]))
    assert not (tmp_path / "out").exists()


def test_a_group_does_not_change_within_a_recording(recordings: Path, tmp_path: Path) -> None:
    rows = pd.DataFrame({"record_id": ["ash", "ash"], "ward": ["x", "y"]})
    with pytest.raises(InputError, match="ward is y on one row and x on another"):
        hx.run_cohort(recordings, tmp_path / "out", workers=0, context=rows)


# --- sources ---------------------------------------------------------------------------------------------


def test_a_list_names_recordings_and_a_table_renames_them(recordings: Path, tmp_path: Path) -> None:
    (recordings / "some.txt").write_text("# two of them\nward0/ash\n\nward1/oak.hea\n", encoding="utf-8")
    listed = hx.run_cohort(recordings / "some.txt", tmp_path / "a", workers=0)
    (recordings / "some.txt").unlink()
    assert listed.done == ["ward0/ash", "ward1/oak"]
    table = pd.DataFrame({"source": [str(recordings / "ward0" / "ash")], "record_id": ["case 7/night"]})
    named = hx.run_cohort(table, tmp_path / "b", workers=0)
    assert named.done == ["case 7/night"]
    assert set(named.table("beats")["record_id"]) == {"case 7/night"}
    assert [path.name for path in (named.folder / "info").glob("*.json")] == ["case 7%2Fnight.json"]


def test_segments_lists_and_tables_of_truth_are_no_recordings(recordings: Path, tmp_path: Path) -> None:
    shutil.copytree(recordings / "ward0", tmp_path / "in")
    samples = 40 * 125
    (tmp_path / "in" / "both.hea").write_text(f"both/2 1 125 {2 * samples}\nash {samples}\nelm {samples}\n")
    pd.DataFrame({"source": ["ash"]}).to_csv(tmp_path / "in" / "list.csv", index=False)
    assert list((tmp_path / "in").glob("*.truth_beats.parquet"))
    found = hx.run_cohort(tmp_path / "in", tmp_path / "out", workers=0)
    assert found.members["record_id"].tolist() == ["both"]


def test_nothing_and_twice_the_same_name_are_refused(recordings: Path, tmp_path: Path) -> None:
    (tmp_path / "empty").mkdir()
    with pytest.raises(InputError, match="no recording found in the folder empty"):
        hx.run_cohort(tmp_path / "empty", tmp_path / "out")
    twice = pd.DataFrame(
        {"source": [str(recordings / "ward0/ash"), str(recordings / "ward1/oak")], "record_id": ["a", "a"]}
    )
    with pytest.raises(InputError, match="two recordings are called 'a'"):
        hx.run_cohort(twice, tmp_path / "out")
    with pytest.raises(DataUnavailableError, match="no folder, no list"):
        hx.run_cohort("nowhere", tmp_path / "out")


@pytest.mark.parametrize("name", ["../up", ".hidden", "_private", "a/b c", "ä%2F", "x" * 150])
def test_names_of_files_are_safe_and_come_back(name: str) -> None:
    made = layout.file_name(name)
    assert "/" not in made
    assert not made.startswith((".", "_"))
    assert layout.record_of(Path("tables") / f"{made}.parquet") == name


# --- going on --------------------------------------------------------------------------------------------


def test_what_is_there_and_good_is_kept(recordings: Path, tmp_path: Path) -> None:
    source = tmp_path / "in"
    shutil.copytree(recordings, source)
    out = tmp_path / "out"
    hx.run_cohort(source, out, workers=0)
    ages = {path: path.stat().st_mtime_ns for path in (out / "tables").rglob("*.parquet")}
    # One is touched, one is changed, one is gone, one half-written.
    os.utime(source / "ward0" / "ash.dat")
    changed = bytearray((source / "ward0" / "elm.dat").read_bytes())
    changed[2000:2400] = changed[4000:4400]
    (source / "ward0" / "elm.dat").write_bytes(changed)
    (source / "ward1" / "oak.hea").unlink()
    layout.table_path(out, "beats", "ward1/beech").unlink()
    (out / "tables" / "beats" / ".left.1.part").write_bytes(b"half")
    again = hx.run_cohort(source, out, workers=0)
    assert again.done == ["ward0/ash", "ward0/elm", "ward1/beech"]
    new = {path for path in (out / "tables").rglob("*.parquet") if ages.get(path) != path.stat().st_mtime_ns}
    assert {layout.record_of(path) for path in new} == {"ward0/elm", "ward1/beech"}
    assert not list((out / "tables").rglob("*oak*"))
    assert not list((out / "tables").rglob("*.part"))


def test_other_settings_make_other_results(recordings: Path, tmp_path: Path) -> None:
    out = tmp_path / "out"
    first = hx.run_cohort(recordings, out, workers=0)
    second = hx.run_cohort(
        recordings, out, workers=0, context=pd.DataFrame({"record_id": ["ash"], "site": ["radial"]})
    )
    same = first.members["key"] == second.members["key"]
    assert same.tolist() == [False, True, True, True]


def test_two_runs_do_not_write_into_one_folder(recordings: Path, tmp_path: Path) -> None:
    out = tmp_path / "out"
    out.mkdir()
    with layout.Lock(out), pytest.raises(InputError, match="another run is writing"):
        hx.run_cohort(recordings, out, workers=0)
    with layout.Lock(out):
        pass


def test_a_run_that_was_not_finished_says_so(cohort: hx.Cohort, tmp_path: Path) -> None:
    copy = tmp_path / "copy"
    shutil.copytree(cohort.folder, copy)
    info = json.loads((copy / "cohort.json").read_text())
    info["cohort"]["finished"] = None
    (copy / "cohort.json").write_text(json.dumps(info))
    with pytest.raises(DataUnavailableError, match="not finished; the same command goes on"):
        hx.Cohort.open(copy)


# --- whatever one of them does ---------------------------------------------------------------------------


def is_loud(sbp: np.ndarray) -> bool:
    return bool(np.nanmedian(sbp) > 140.0)


def raises(sbp: np.ndarray) -> np.ndarray:
    if is_loud(sbp):
        raise ValueError("not like that")
    return sbp


def hangs(sbp: np.ndarray) -> np.ndarray:
    # In compiled code that never lets go of the interpreter: a PyDLL call keeps its lock.
    if is_loud(sbp):
        ctypes.PyDLL(None).sleep(60)
    return sbp


def eats(sbp: np.ndarray) -> np.ndarray:
    if is_loud(sbp):
        return np.ones(400_000_000)[: sbp.size]
    return sbp


def dies(sbp: np.ndarray) -> np.ndarray:
    if is_loud(sbp):
        os.kill(os.getpid(), signal.SIGKILL)
    return sbp


@pytest.mark.parametrize(
    ("function", "settings", "kind", "words"),
    [
        (raises, {"workers": 0}, "error", "ValueError: not like that"),
        (hangs, {"workers": 2, "limit_s": 4.0}, "hang", "not done after 4 s"),
        (eats, {"workers": 2, "memory_limit": 900 * 1024**2}, "memory", "more memory"),
        (dies, {"workers": 2}, "killed", "its process died"),
    ],
    ids=["error", "hang", "memory", "killed"],
)
def test_one_recording_stops_no_other(
    function: object, settings: dict, kind: str, words: str, recordings: Path, tmp_path: Path
) -> None:
    mine = hx.Index("mine", "Mine", "mmHg", "beat", "of my own", ("sbp",), function)
    cohort = hx.run_cohort(recordings, tmp_path / "out", catalogue=[mine], **settings)
    assert cohort.done == ["ward0/ash", "ward0/elm", "ward1/beech"]
    (failure,) = cohort.failures.to_dict("records")
    assert (failure["record_id"], failure["kind"]) == ("ward1/oak", kind)
    assert words in failure["reason"]
    assert cohort.table("beats", ["mine"])["mine"].notna().any()
    assert not list((cohort.folder / "tables").rglob("*oak*"))
    with pytest.raises(DataUnavailableError, match="has no results"):
        cohort.analysis("ward1/oak")


SCRIPT = """
import sys, hemoidx as hx
if __name__ == "__main__":
    hx.run_cohort(sys.argv[1], sys.argv[2], workers=int(sys.argv[3]), progress=False)
"""


def test_a_scheduler_that_is_there_already_is_used(
    recordings: Path, cohort: hx.Cohort, tmp_path: Path
) -> None:
    with Cluster(tmp_path, 2) as address:
        found = hx.run_cohort(recordings, tmp_path / "out", scheduler=address)
    assert tables_of(found.folder) == tables_of(cohort.folder)


def test_a_scheduler_that_is_not_there_or_goes_away_is_named_and_nothing_is_lost(
    recordings: Path, cohort: hx.Cohort, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(engine, "_PATIENCE_S", 2)
    with pytest.raises(InputError, match="no dask scheduler answers at tcp"):
        hx.run_cohort(recordings, tmp_path / "b", scheduler="tcp://127.0.0.1:9")
    out = tmp_path / "out"
    mine = Cluster(tmp_path, 1)
    with mine as address:

        def leave() -> None:
            while not list(out.glob("info/*.json")):
                time.sleep(0.02)
            mine.kill()

        leaving = threading.Thread(target=leave, daemon=True)
        leaving.start()
        try:
            # It may have been quick enough to finish before.
            hx.run_cohort(recordings, out, scheduler=address)
        except DataUnavailableError as error:
            assert "the same command goes on" in str(error)  # noqa: PT017
        leaving.join(20.0)
    again = hx.run_cohort(recordings, out, workers=0)
    assert again.failures.empty
    assert tables_of(again.folder) == tables_of(cohort.folder)


@pytest.mark.parametrize("what", ["the whole", "a worker"])
def test_a_killed_run_goes_on_and_gives_the_same(
    what: str, recordings: Path, cohort: hx.Cohort, tmp_path: Path
) -> None:
    script, out = tmp_path / "run.py", tmp_path / "out"
    script.write_text(SCRIPT, encoding="utf-8")
    started = subprocess.Popen([sys.executable, script, recordings, out, "1"], start_new_session=True)
    try:
        for _ in range(600):
            if list(out.glob("tables/beats/*.parquet")):
                break
            time.sleep(0.02)
        if what == "the whole":
            os.killpg(started.pid, signal.SIGKILL)
            started.wait()
            assert started.returncode == -signal.SIGKILL
            assert len(list(out.glob("info/*.json"))) < len(NAMES)
        else:
            for worker in workers_of(started.pid):
                os.kill(worker, signal.SIGKILL)
        if what == "a worker":
            assert started.wait(60) == 0
    finally:
        if started.poll() is None:
            os.killpg(started.pid, signal.SIGKILL)
    again = hx.run_cohort(recordings, out, workers=0)
    assert tables_of(again.folder) == tables_of(cohort.folder)
    assert again.members.drop(columns="seconds").equals(cohort.members.drop(columns="seconds"))


def workers_of(parent: int) -> list[int]:
    """Processes below a process that a worker of dask runs in."""
    found = []
    for folder in Path("/proc").iterdir():
        if folder.name.isdigit():
            try:
                ppid = int((folder / "stat").read_text().rsplit(")", 1)[1].split()[1])
                words = (folder / "cmdline").read_bytes()
            except OSError:
                continue
            if ppid == parent and b"spawn_main" in words:
                found.append(int(folder.name))
    return found


# --- by command ------------------------------------------------------------------------------------------


def test_the_command_runs_and_says_what_failed(
    recordings: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    from hemoidx.cli import main

    source = tmp_path / "in"
    shutil.copytree(recordings / "ward0", source)
    assert main(["cohort", str(source), "--out", str(tmp_path / "out"), "--workers", "0"]) == 0
    assert "2 of 2 recordings analysed" in capsys.readouterr().out
    (source / "broken.hea").write_text("broken 1 125\nbroken.dat 16 100/mmHg 16 0 0 0 0 ABP\n")
    assert main(["cohort", str(source), "--out", str(tmp_path / "out"), "--workers", "0"]) == 1
    told = capsys.readouterr().out
    assert "2 of 3 recordings analysed" in told
    assert "broken: error: " in told
    assert main(["cohort", "nowhere", "--out", str(tmp_path / "b")]) == 2


@pytest.mark.parametrize(
    ("settings", "words"),
    [
        ({"workers": -1}, "-1 workers"),
        ({"workers": 0, "limit_s": 5.0}, "it needs workers"),
        ({"workers": 1, "scheduler": "tcp://127.0.0.1:1"}, "not both"),
        ({"workers": 1, "memory_limit": 1000}, "at least 256 MiB"),
    ],
)
def test_settings_that_make_no_sense_are_refused(
    settings: dict, words: str, recordings: Path, tmp_path: Path
) -> None:
    with pytest.raises(InputError, match=words):
        hx.run_cohort(recordings, tmp_path / "out", **settings)
