"""What a paper needs of a cohort: counts that add up, numbers made another way, and the user's path."""

import json
import re
from collections import Counter
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

import hemoidx as hx
from hemoidx.cli import main
from hemoidx.cohort import audit, summaries
from hemoidx.cohort.citations import bibtex, plain
from hemoidx.cohort.flow import _flow, enters, flow, sentence
from hemoidx.cohort.plan import Cost, plan
from hemoidx.cohort.tally import Tally
from hemoidx.errors import InputError
from hemoidx.simulate import write_population

NAMES = ("mbp", "sbp", "ppv", "hr")
_FORBIDDEN = ("responder", "normal range", "normal patient", "should be treated", "must be given")


@pytest.fixture(scope="module")
def cohort(tmp_path_factory: pytest.TempPathFactory) -> hx.Cohort:
    """Sixteen invented recordings, one broken file and one without its samples."""
    folder = tmp_path_factory.mktemp("cohort")
    context = write_population(folder / "recordings", 16, seed=4, duration_s=120.0)
    (folder / "recordings" / "broken.hea").write_text("garbage")
    whole = next((folder / "recordings").glob("p*.hea")).read_text()
    name = whole.split()[0]
    (folder / "recordings" / "lost.hea").write_text(whole.replace(name, "lost"))
    catalogue = hx.default_catalogue().only("pressure", "ppv", "ectopy_burden_record")
    return hx.run_cohort(
        folder / "recordings", folder / "out", context=context, workers=0, catalogue=catalogue, progress=False
    )


def test_flow_adds_up(cohort: hx.Cohort) -> None:
    found = cohort.flow(NAMES)
    assert [step.name for step in found.steps] == [
        "sought", "read", "analysed", "with a pulse", "with enough valid time",
    ]  # fmt: skip
    assert found.steps[0].stayed == 18
    for before, step in zip(found.steps, found.steps[1:], strict=False):
        assert step.entered == before.stayed
    for step in (*found.steps, *found.last.values()):
        assert step.entered == step.left + step.stayed
        assert step.left == sum(n for _, n in step.reasons)
    assert all(step.entered == found.steps[-1].stayed for step in found.last.values())
    # Two files cannot be read, and that is said of them; the rest is what the failures and tables say.
    assert found.steps[1].left == 2
    assert {reason.split(":")[0] for reason, _ in found.steps[1].reasons} == {"error"}
    assert found.steps[2].stayed == len(cohort.done)
    pulse = cohort.table("record", ["beats"])
    assert found.steps[3].stayed == int((pulse["beats"] > 0).sum())


def test_flow_is_told_in_words_table_and_picture(cohort: hx.Cohort) -> None:
    found = cohort.flow(NAMES)
    assert "sought: 18" in found.text()
    assert "read: 16" in found.text()
    table = found.table()
    last = table[(table["index"] == "sbp") & (table["reason"] == "")]
    assert last["stayed"].item() == found.last["sbp"].stayed
    whys = table[(table["index"] == "sbp") & (table["reason"] != "")]
    assert whys["recordings"].sum() == found.last["sbp"].left
    axes = found.plot()
    drawn = " ".join(text.get_text() for text in axes.texts)
    assert "18 recordings" in drawn
    assert f"sbp: with a value that stands\n{found.last['sbp'].stayed} recordings" in drawn
    from matplotlib.figure import Figure

    own = Figure().subplots()
    assert found.plot(own) is own
    assert f"Of 18 recordings sought, {found.steps[-1].stayed}" in sentence(found)


def test_groups_of_the_flow_add_up_to_all(cohort: hx.Cohort) -> None:
    from hemoidx.cohort.flow import flows

    found = cohort.tally(NAMES)
    whole = flow(cohort, found)
    parts = flows(cohort, found, "unit")
    # The two broken files belong to no unit.
    assert {part.group for part in parts} == {"unit A", "unit B", "not stated"}
    for k, step in enumerate(whole.steps):
        assert sum(part.steps[k].stayed for part in parts) == step.stayed
    for name, step in whole.last.items():
        assert sum(part.last[name].stayed for part in parts) == step.stayed


def test_more_windows_asked_for_never_keeps_more(cohort: hx.Cohort) -> None:
    kept = [[cohort.flow(NAMES, least).last[name].stayed for name in NAMES] for least in (1, 2, 3, 4, 9)]
    assert all((np.diff(column) <= 0).all() for column in zip(*kept, strict=True))
    assert kept[-1] == [0, 0, 0, 0]


@pytest.mark.parametrize("name", ["sbp", "ppv"])
def test_audit_counts_what_the_verdicts_say(cohort: hx.Cohort, name: str) -> None:
    said = Counter(cohort.verdicts(name)["measurement"])
    row = cohort.audit(NAMES).set_index(["index", "group"]).loc[name, "all"]
    assert {level: row[level] for level in ("accepted", "caution", "rejected")} == {
        level: said[level] for level in ("accepted", "caution", "rejected")
    }
    assert row["rows"] == sum(said.values())
    shares = [row[f"{level}_percent"] for level in ("accepted", "caution", "rejected")]
    assert sum(shares) == pytest.approx(100.0)
    by_unit = cohort.audit(NAMES, "unit").set_index(["index", "group"]).loc[name]
    assert by_unit.drop("all")["rejected"].sum() == row["rejected"] == by_unit.loc["all", "rejected"]
    assert audit.plot_audit(cohort.audit(NAMES, "unit")).get_xlabel().startswith("share of windows")


def test_reasons_are_those_of_the_verdicts(cohort: hx.Cohort) -> None:
    ranked = cohort.reasons("sbp")
    of_level = ranked[(ranked["level"] == "rejected") & (ranked["group"] == "all")]
    assert of_level["rows"].is_monotonic_decreasing
    verdict = cohort.verdicts("sbp")
    refused = verdict[verdict["measurement"] == "rejected"]["reasons"]
    for _, row in of_level.iterrows():
        assert int(refused.str.contains(row["reason"], regex=False).sum()) == row["rows"]
        alone = refused.str.fullmatch(re.escape(f"Rejected because {row['reason']}") + r"(\. .*)?")
        assert int(alone.sum()) == row["alone"]
    silent = ranked[ranked["level"] == "undocumented"]
    assert "there is no set-up sheet" in set(silent["reason"])
    assert (silent["rows"] <= cohort.audit("sbp")["rows"].iloc[0]).all()


def test_a_tally_is_not_made_twice(cohort: hx.Cohort) -> None:
    whole, part = cohort.tally(NAMES), cohort.tally(["sbp", "mbp"])
    assert part.names == ("sbp", "mbp")
    assert part.recordings is whole.recordings
    afresh = hx.Cohort.open(cohort.folder).tally(["sbp", "mbp"])
    for table in ("values", "reasons", "of_recording"):
        left, right = (
            getattr(one, table).sort_values(["record_id", "index"], kind="stable").reset_index(drop=True)
            for one in (part, afresh)
        )
        pd.testing.assert_frame_equal(left, right)
    with pytest.raises(InputError, match="holds no index 'hr'"):
        part.of("hr")
    with pytest.raises(InputError, match="at least one index"):
        cohort.tally([])


def test_missing_counts_empty_windows(cohort: hx.Cohort) -> None:
    windows = cohort.table("windows", ["ppv"])
    row = cohort.missing(NAMES).set_index("index").loc["ppv"]
    assert row["rows_without_percent"] == pytest.approx(100 * windows["ppv"].isna().mean())
    assert row["with_value"] + row["without"] == row["recordings"] == len(cohort.done)
    assert row["with_value"] == cohort.flow(NAMES).last["ppv"].stayed


def test_what_masking_hid_is_put_back(cohort: hx.Cohort) -> None:
    found = cohort.tally(NAMES).of("sbp").set_index("record_id")
    hidden = 0
    for record in cohort.done:
        result = cohort.analysis(record)
        beats = result.beats[["onset_s", "sbp"]].copy()
        back = result.unchecked("sbp", "beats")
        beats.loc[back["row"], "sbp"] = back["value"].to_numpy()
        hidden += len(back) + int(result.unchecked("sbp", "windows")["value"].size)
        sizes = beats["sbp"].groupby((beats["onset_s"] // 30).astype(int)).agg(["mean", "count"])
        expected = sizes.loc[sizes["count"] >= 3, "mean"].mean()
        assert found.loc[record, "mean_unmasked"] == pytest.approx(expected, rel=1e-6, nan_ok=True)
    assert hidden > 20
    assert (found["n_unmasked"] >= found["n"]).all()
    assert (found["n_unmasked"] > found["n"]).any()


def test_unmasked_is_masked_where_nothing_was_hidden(cohort: hx.Cohort) -> None:
    seen = 0
    for name in ("sbp", "mbp", "hr"):
        for result in (cohort.analysis(record) for record in cohort.done):
            none = all(result.unchecked(name, table).empty for table in ("beats", "windows"))
            if none and result.unchecked("duration", "beats").empty:
                from hemoidx.cohort.tally import unmasked

                again = unmasked(result, result.catalogue[name], "windows")
                np.testing.assert_allclose(again, result.windows[name], rtol=1e-6)
                seen += 1
    assert seen >= 6


def made_by_hand() -> Tally:
    """Four patients with known numbers; the fourth one's value was rejected, p1 has two recordings."""
    records = ["a", "b", "c", "d", "e"]
    recordings = pd.DataFrame(
        {
            "record_id": records, "beats": 100, "windows": 10, "usable_windows": 10,
            "patient": ["p1", "p1", "p2", "p3", "p4"], "unit": ["A", "A", "A", "B", "B"],
        }
    )  # fmt: skip
    values = pd.DataFrame(
        {
            "record_id": records, "index": "mbp", "table": "windows", "rows": 10, "accepted": 8, "caution": 0,
            "rejected": [2, 2, 2, 2, 10], "undocumented": 0,
            "of_recording": ["accepted"] * 4 + ["rejected"], "n": [8, 8, 8, 8, 0],
            "mean": [70.0, 74.0, 80.0, 90.0, np.nan], "sd": [1.0, 1.0, 1.0, 1.0, np.nan], "median": np.nan,
            "n_unmasked": 10, "mean_unmasked": [73.0, 75.0, 81.0, 90.0, 120.0], "sd_unmasked": 1.0,
        }
    )  # fmt: skip
    empty = pd.DataFrame(columns=["record_id", "index", "level", "reason", "rows", "alone"])
    return Tally(("mbp",), recordings, values, empty, empty)


def test_failures_of_one_kind_are_counted_together() -> None:
    found = made_by_hand()
    gone = pd.DataFrame(
        {
            "record_id": ["x1", "x2", "x3", "x4"], "kind": ["error", "error", "hang", "error"],
            "stage": ["analysing", "analysing", "", "loading"],
            "reason": ["x1, channel ABP: no pulse (2)", "x2, channel ABP: no pulse (1)", "", "bad"],
        }
    )  # fmt: skip
    members = pd.concat([found.recordings.assign(status="done"), gone[["record_id"]].assign(status="failed")])
    steps = _flow(members, gone, found, 1, "all").steps
    assert [step.stayed for step in steps] == [9, 8, 5, 5, 5]
    assert steps[2].reasons == (
        ("error: the recording, channel ABP: no pulse", 2), ("took too long", 1),
    )  # fmt: skip
    # Recordings that nobody gave a patient are patients of their own.
    assert steps[0].patients == 8
    early = _flow(members, gone.drop(columns="stage"), found, 1, "all").steps
    assert [step.stayed for step in early] == [9, 9, 5, 5, 5]


def test_sensitivity_of_known_numbers() -> None:
    row = audit.sensitivity(made_by_hand()).iloc[0]
    assert row["masked"] == pytest.approx((72 + 80 + 90) / 3)
    assert row["unmasked"] == pytest.approx((74 + 81 + 90 + 120) / 4)
    # Within p1 +2, p2 +1, p3 0; what is left of 10.58 comes from p4, who is in the unmasked one only.
    assert row["difference"] == pytest.approx(1.0)
    assert row["sd_of_difference"] == pytest.approx(1.0)
    half = 4.302653 / np.sqrt(3)  # Student's 97.5 % quantile with 2 degrees of freedom
    assert (row["difference_low"], row["difference_high"]) == pytest.approx((1 - half, 1 + half))
    assert row["of_selection"] == pytest.approx(row["unmasked"] - row["masked"] - 1.0)
    assert row["changed_most"] == 2.0
    assert (row["masked_patients"], row["unmasked_patients"], row["rows_hidden"]) == (3, 4, 18)
    text = [
        t.get_text() for t in audit.plot_sensitivity(audit.sensitivity(made_by_hand()), {"mbp": "mmHg"}).texts
    ]
    assert any("+1.00" in words and "mmHg" in words for words in text)


def test_summary_counts_patients() -> None:
    found = made_by_hand()
    row = summaries.summary(found, {"mbp": "mmHg"}).iloc[0]
    assert (row["patients"], row["recordings"], row["rows"]) == (3, 4, 32)
    assert row["mean"] == pytest.approx(80.6667, abs=1e-4)
    # More windows of the same patients must not narrow anything.
    more = Tally(
        found.names, found.recordings, found.values.assign(n=found.values["n"] * 1000), *[found.reasons] * 2
    )
    again = summaries.summary(more, {"mbp": "mmHg"}).iloc[0]
    assert (again["low"], again["high"]) == (row["low"], row["high"])
    assert again["effective_rows"] < 5
    by = summaries.summary(found, {"mbp": "mmHg"}, "unit").set_index("group")
    assert by.loc["A", "patients"] == 2
    assert np.isnan(by.loc["B", "low"])
    # Without a column of patients every recording is one.
    alone = Tally(found.names, found.recordings.drop(columns="patient"), found.values, *[found.reasons] * 2)
    assert summaries.summary(alone, {"mbp": "mmHg"}).iloc[0]["patients"] == 4


def test_summary_is_that_of_the_tables(cohort: hx.Cohort) -> None:
    windows = cohort.table("windows", ["mbp"]).merge(cohort.members[["record_id", "patient"]], on="record_id")
    rows = cohort.tally(NAMES).of("mbp")
    kept = rows.loc[enters(rows), "record_id"]
    of_record = windows[windows["record_id"].isin(kept)].groupby(["patient", "record_id"])["mbp"].mean()
    expected = of_record.groupby("patient").mean()
    row = cohort.summary(NAMES).set_index("index").loc["mbp"]
    assert row["mean"] == pytest.approx(expected.mean())
    assert row["sd"] == pytest.approx(expected.std())
    assert row["patients"] == len(expected)
    assert row["low"] < row["mean"] < row["high"]


def test_an_index_of_recordings_counts_recordings(cohort: hx.Cohort) -> None:
    row = cohort.audit("ectopy_burden_record").iloc[0]
    assert row["rows"] == len(cohort.done)
    with pytest.raises(InputError, match="no index is called"):
        cohort.tally("nonsense")
    with pytest.raises(InputError, match="no column 'ward'"):
        cohort.audit("mbp", "ward")


def test_exposure_leaves_gaps_open(cohort: hx.Cohort) -> None:
    table = cohort.exposure("mbp", below=75.0)
    assert table.attrs["threshold"] == 75.0
    one = cohort.analysis(cohort.done[0]).exposure("mbp", below=75.0).set_index("measure")
    assert table["time_s"].iloc[0] == pytest.approx(one.loc["time", "value"])
    np.testing.assert_allclose(table["covered_s"] + table["uncovered_s"], table["duration_s"])
    assert (table["time_s"].fillna(0) <= table["covered_s"] + 1e-9).all()
    opposite = cohort.exposure("mbp", above=75.0, inclusive=True)
    np.testing.assert_allclose(
        (table["time_s"] + opposite["time_s"]).dropna(), table["covered_s"][table["covered_s"] > 0]
    )
    whole = summaries.exposure_summary(table, "unit").set_index("group")
    assert whole.loc["all", "covered_hours"] == pytest.approx(table["covered_s"].sum() / 3600)
    with_time = table[table["covered_s"] > 0]
    share = with_time.groupby("patient")[["time_s", "covered_s"]].sum()
    expected = 100 * share["time_s"] / share["covered_s"]
    assert whole.loc["all", "median"] == pytest.approx(expected.median())
    assert whole.loc["all", "patients"] == len(expected)
    with pytest.raises(InputError, match="either below or above"):
        cohort.exposure("mbp")


def test_methods_state_what_was_done(cohort: hx.Cohort) -> None:
    text = cohort.methods(NAMES, "unit")
    settings = cohort.info["cohort"]["settings"]
    assert f"hemoidx {hx.__version__} (algorithm {settings['algorithm']}" in text
    assert "window_s = 30" in text
    for name in NAMES:
        assert cohort.catalogue[name].formula in text
        assert all(source in text for source in cohort.catalogue[name].sources)
        row = cohort.audit(NAMES).set_index(["index", "group"]).loc[name, "all"]
        assert f"**{name}**: {int(row['rejected'])} of {int(row['rows'])} windows rejected" in text
    assert sentence(cohort.flow(NAMES)) in text
    assert "Groups are those of `unit`; none was tested against another." in text
    assert "not for patient care" in text
    assert not [word for word in _FORBIDDEN if word in text.lower()]


def test_citations_are_ready_to_paste(cohort: hx.Cohort) -> None:
    table = cohort.citations(NAMES)
    assert table["key"][table["key"] != ""].is_unique
    michard = table[table["used_for"] == "ppv"].iloc[0]
    assert michard["doi"] == "10.1164/ajrccm.162.1.9903035"
    assert michard["year"] == "2000"
    assert set(table["kind"]) == {"software", "index", "statistics", "no source"}
    entries = bibtex(table)
    assert entries.count("@misc{") == int((table["key"] != "").sum())
    assert entries.count("{") == entries.count("}")
    assert "doi = {10.1164/ajrccm.162.1.9903035}" in entries
    lines = plain(table)
    assert "Without a published source:\n- sbp: common practice, no source" in lines
    assert f"hemoidx, version {hx.__version__}" in lines


def test_a_database_is_cited(cohort: hx.Cohort) -> None:
    moved = cohort.members.assign(source="/data/mimicdb/037/" + cohort.members["record_id"])
    table = hx.Cohort(cohort.folder, cohort.info, moved, cohort.failures).citations("mbp")
    row = table[table["kind"] == "database"]
    assert len(row) == 1
    assert "Moody GB, Mark RG" in row["citation"].item()


def test_one_command_writes_the_paper(
    cohort: hx.Cohort, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "paper"
    asked = ["paper", str(cohort.folder), "--out", str(out), "--by", "unit", "--below", "65"]
    assert main([*asked, "--index", "mbp", "--index", "sbp"]) == 0
    shown = capsys.readouterr().out
    assert "sought: 18" in shown
    assert "paper.html" in shown
    page = (out / "paper.html").read_text()
    assert "Local codes and licensed practice come first" in page
    assert not re.search(r"(src|href)=\"(?!data:)", page)
    assert page.count("data:image/png") == 5
    assert not [word for word in _FORBIDDEN if word in page.lower()]
    for table in ("flow", "missing", "audit", "reasons", "sensitivity", "summary", "citations", "exposure"):
        wide, text = pd.read_parquet(out / f"{table}.parquet"), pd.read_csv(out / f"{table}.csv")
        assert list(wide.columns) == list(text.columns)
        assert len(wide) == len(text) > 0
    pd.testing.assert_frame_equal(
        pd.read_parquet(out / "summary.parquet"), cohort.summary(("mbp", "sbp"), "unit"), check_dtype=False
    )
    for picture in ("flow", "audit", "sensitivity", "summary_mbp", "summary_sbp"):
        assert (out / f"{picture}.png").read_bytes()[:4] == b"\x89PNG"
        assert "<svg" in (out / f"{picture}.svg").read_text()
    assert json.loads((out / "paper.json").read_text())["options"]["by"] == "unit"
    first = {path.name: path.read_bytes() for path in out.iterdir()}
    cohort.write_paper(out, ["mbp", "sbp"], by="unit", below=65.0, exposure_of="mbp")
    again = {path.name: path.read_bytes() for path in out.iterdir()}
    assert {name for name in first if first[name] != again[name]} <= {"paper.json"}


def test_the_lines_on_cohorts_in_the_readme_run(
    cohort: hx.Cohort, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    readme = (Path(__file__).parents[1] / "README.md").read_text(encoding="utf-8")
    pieces = re.findall(r"```python\n(.*?)```", readme, flags=re.DOTALL)
    (lines,) = [piece for piece in pieces if "hx.Cohort.open(" in piece]
    (tmp_path / "results").symlink_to(cohort.folder)
    monkeypatch.chdir(tmp_path)
    exec(compile(lines, "README.md", "exec"), {"hx": hx})
    assert "sought: 18" in capsys.readouterr().out
    assert (tmp_path / "paper" / "paper.html").is_file()


@pytest.mark.parametrize(
    ("extra", "words"),
    [
        (["--index", "mpb"], "did you mean"),
        (["--by", "ward"], "no column 'ward'"),
        (["--least-windows", "0"], "at least one window"),
        (["--below", "65", "--exposure-of", "ppv"], "exposure is read from beats"),
    ],
)
def test_wrong_use_is_one_plain_line(
    cohort: hx.Cohort, tmp_path: Path, capsys: pytest.CaptureFixture[str], extra: list[str], words: str
) -> None:
    given = [] if "--index" in extra else ["--index", "hr"]
    assert main(["paper", str(cohort.folder), "--out", str(tmp_path / "p"), *given, *extra]) == 2
    said = capsys.readouterr().err
    assert words in said
    assert said.count("\n") == 1
    assert not (tmp_path / "p").exists()


def test_a_folder_of_others_is_left_alone(cohort: hx.Cohort, tmp_path: Path) -> None:
    (tmp_path / "thesis.txt").write_text("mine")
    with pytest.raises(InputError, match="holds other things"):
        cohort.write_paper(tmp_path, ["mbp"])


def test_cost_is_what_lies_on_the_disk(cohort: hx.Cohort) -> None:
    cost = cohort.cost()
    folder = Path(cohort.members["source"].iloc[-1]).parent
    read = sum(
        p.stat().st_size for n in cohort.done for p in folder.glob(f"{n}.*") if p.suffix in (".hea", ".dat")
    )
    assert cost.read == read
    written = [p for part in ("tables", "info") for p in (cohort.folder / part).rglob("*") if p.is_file()]
    assert cost.written == sum(p.stat().st_size for p in written)
    assert cost.hours == pytest.approx(len(cohort.done) * 120 / 3600)
    assert cost.seconds == pytest.approx(cohort.members["seconds"].sum())


def test_plan_is_plain_arithmetic(cohort: hx.Cohort, capsys: pytest.CaptureFixture[str]) -> None:
    made = plan(Cost(100, 200.0, 3600.0, 2e9, 4e9), hours=1e5, workers=50, efficiency=0.8)
    # 18 s/h, 10 MB/h and 20 MB/h.
    assert made.core_hours == pytest.approx(500.0)
    assert made.wall_hours == pytest.approx(12.5)
    assert (made.read, made.written) == pytest.approx((1e12, 2e12))
    assert made.read_per_s == pytest.approx(1e12 / 45000)
    assert "1.00 TB read" in made.text()
    assert "dask scheduler" in made.commands()
    for wrong in ({"hours": 0.0, "workers": 1}, {"hours": 1.0, "workers": 0}):
        with pytest.raises(InputError, match="plan: needs"):
            plan(made.cost, **wrong)
    assert main(["plan", str(cohort.folder), "--terabytes", "1", "--workers", "100"]) == 0
    said = capsys.readouterr().out
    assert "1.00 TB read" in said
    assert "The recordings measured last 2.0 min each" in said
