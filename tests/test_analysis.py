"""From a recording to tables and verdicts: the user's path."""

from concurrent.futures import ProcessPoolExecutor
from multiprocessing import get_context
from typing import Any

import numpy as np
import pandas as pd
import pytest
import xarray as xr

import hemoidx as hx
from hemoidx.errors import InputError
from hemoidx.facts import mask
from hemoidx.indices.rules import reject
from hemoidx.spans import KINDS
from hemoidx.tables import has_fact
from tests.waves import pulses, recording

FS = 125.0


@pytest.fixture(scope="module")
def rec() -> xr.Dataset:
    """Two minutes at 75/min, 120/80 mmHg, with a gap from 50 s to 70 s."""
    wave = pulses(FS, 120.0)
    wave[int(50 * FS) : int(70 * FS)] = np.nan
    return recording(wave, FS)


@pytest.fixture(scope="module")
def result(rec: xr.Dataset) -> hx.Analysis:
    return hx.analyse(rec)


def test_a_steady_pulse_gives_its_own_numbers(result: hx.Analysis) -> None:
    row = result.record.iloc[0]
    assert row["hr"] == pytest.approx(75.0, abs=0.05)
    assert row["sbp"] == pytest.approx(120.0, abs=0.3)
    assert row["dbp"] == pytest.approx(80.0, abs=0.3)
    assert row["mbp"] == pytest.approx(float(pulses(FS, 8.0).mean()), abs=0.05)
    assert row["pp"] == pytest.approx(40.0, abs=0.5)
    assert row["gap_s"] == pytest.approx(20.0, abs=0.1)
    assert row["duration_s"] == 120.0
    assert row["valid_s"] == pytest.approx(100.0, abs=4.0)


def test_tables_have_the_columns_that_were_agreed(result: hx.Analysis) -> None:
    common = ["record_id", "channel"]
    named = ["sbp", "dbp", "mbp", "pp", "hr", "dpdt_max", "systolic_area", "ejection_time_s"]
    marks = ["onset_s", "steepest_s", "peak_s", "notch_s", "end_s", "quality", "breath"]
    times = ["start_s", "end_s", "valid_s", "beats", "breaths", "clipped_share"]
    counts = ["duration_s", "valid_s", "beats", "breaths", "clipped_share"]
    spans = [f"{kind}_s" for kind in KINDS]
    fixed = {
        "beats": ["beat", *marks],
        "breaths": ["breath", "start_s", "end_s", "inspiration_end_s", "beats"],
        "windows": ["window", *times],
        "record": [*counts, *spans],
    }
    for table, columns in fixed.items():
        there = set(getattr(result, table))
        entries = {index.column for index in result.catalogue.in_table(table)}
        errors = {f"{i.column}_se" for i in result.catalogue.in_table(table) if i.has_se}
        assert {*common, *columns, *entries, "facts"} <= there
        assert there <= {*common, *columns, *entries, *errors, "facts"}
        assert table == "breaths" or set(named) <= there
    assert {"resp_rate", "beats_per_breath"} <= set(result.windows) & set(result.breaths)
    assert {f"{name}_se" for name in named} <= set(result.windows)
    assert list(result.spans) == [*common, "start_s", "end_s", "kind"]
    assert list(result.events) == [*common, "event", "kind", "start_s", "end_s", "note"]
    assert result.beats["facts"].dtype == result.windows["facts"].dtype == np.int64
    assert (result.beats["record_id"] == "invented").all()
    tables = (result.beats, result.breaths, result.windows, result.record, result.spans, result.events)
    for table in tables:
        assert set(table.attrs["units"]) == set(table)


def test_a_window_with_a_gap_is_rejected_and_says_why(result: hx.Analysis) -> None:
    assert result.windows["sbp"].notna().tolist() == [True, False, False, True]
    verdicts = result.verdicts("sbp", table="windows")
    assert list(verdicts) == ["record_id", "channel", "window", "measurement", "interpretation", "reasons"]
    assert verdicts["measurement"].tolist()[1:3] == ["rejected", "rejected"]
    assert "too little of the time is covered by usable beats" in verdicts["reasons"][1]
    hidden = result.unchecked("sbp", table="windows")
    assert hidden["window"].tolist() == hidden["row"].tolist() == [1, 2]
    np.testing.assert_allclose(hidden["value"], 120.0, atol=0.3)
    assert result.unchecked("hr", table="record").empty


def test_masks_verdicts_and_hidden_values_tell_one_story(result: hx.Analysis) -> None:
    for table in ("beats", "breaths", "windows", "record"):
        for index in result.catalogue.in_table(table):
            verdicts = result.verdicts(index.name, table)
            shown = getattr(result, table)[index.column].notna().to_numpy()
            np.testing.assert_array_equal(shown, verdicts["measurement"] != "rejected")
            assert not shown[result.unchecked(index.name, table)["row"]].any()
            assert (verdicts["reasons"] != "")[~shown].all()


def test_values_of_a_window_are_those_of_its_beats(result: hx.Analysis) -> None:
    beats = result.beats[result.beats["onset_s"] < 30.0]
    window = result.windows.iloc[0]
    assert window["beats"] == beats["duration_s"].notna().sum()
    for column in ("sbp", "dbp", "pp", "dpdt_max", "systolic_area", "ejection_time_s"):
        beats = beats.astype({column: float})
        assert window[column] == pytest.approx(beats[column].mean(), rel=1e-12)
        # Without breaths, blocks of 5 s: the spread of their means, each with its weight.
        blocks = beats.groupby(beats["onset_s"] // 5.0)[column].agg(["mean", "count"]).to_numpy().T
        mean, count = blocks
        spread = np.sum(count / (count.sum() - count) * (mean - window[column]) ** 2) / mean.size
        assert window[f"{column}_se"] == pytest.approx(np.sqrt(spread), abs=1e-9)
    weighted = np.average(beats["mbp"].dropna().astype(float), weights=beats["duration_s"].dropna())
    assert window["mbp"] == pytest.approx(weighted, rel=1e-7)
    assert window["hr"] == pytest.approx(60.0 / beats["duration_s"].mean(), rel=1e-6)


def test_without_calibration_rate_and_timing_remain(rec: xr.Dataset) -> None:
    result = hx.analyse(recording(rec["ABP"].values, FS, calibrated=False))
    for column in ("sbp", "dbp", "mbp", "pp", "dpdt_max", "systolic_area"):
        assert result.beats[column].isna().all()
        assert result.windows[column].isna().all()
        assert result.record[column].isna().all()
    assert result.record["hr"].iloc[0] == pytest.approx(75.0, abs=0.05)
    assert result.record["ejection_time_s"].notna().all()
    assert "the channel has no calibration" in result.verdicts("sbp", "record")["reasons"][0]
    assert len(result.unchecked("sbp", "beats")) == len(result.beats)


def test_context_is_documented_once_and_events_are_listed(rec: xr.Dataset, result: hx.Analysis) -> None:
    assert "nobody documented the site of the cannula" in result.undocumented
    given = {
        "site": "radial",
        "breathing": "assisted",
        "events": [{"kind": "leg_raise", "from_s": 10}, {"kind": "apnoea", "at_s": 20, "note": "marked"}],
    }
    told = hx.analyse(rec, context=given)
    assert not {"site", "breathing"} & {word for line in told.undocumented for word in line.split()}
    assert told.events["kind"].tolist() == ["leg_raise", "apnoea"]
    assert told.events["end_s"].tolist() == [120.0, 20.0]
    assert hx.Context.read(told.info["context"]) == hx.Context.read(given)
    before, after = (r.verdicts("mbp", "record").iloc[0] for r in (result, told))
    assert (before["interpretation"], after["interpretation"]) == ("undocumented", "limited")
    undocumented = mask("site_undocumented", "breathing_undocumented", "zero_not_seen", "line_unknown")
    assert not (result.windows["facts"] & undocumented).any(), "said once, not on every row"
    # What the site decides is a rule for the mean that is made for it, and nothing else.
    by_site = ["mbp_form_factor", "mbp_form_factor_se"]
    pd.testing.assert_frame_equal(told.windows.drop(columns=by_site), result.windows.drop(columns=by_site))
    assert told.windows["mbp_form_factor"].notna().any()


def test_a_crop_keeps_the_clock_and_the_windows_of_the_recording(
    rec: xr.Dataset, result: hx.Analysis
) -> None:
    part = hx.analyse(hx.crop(rec, 75.0, 118.0))
    assert part.windows["window"].tolist() == [2, 3]
    assert part.windows["start_s"].tolist() == [75.0, 90.0]
    assert part.windows["end_s"].tolist() == [90.0, 118.0]
    inner = part.beats.iloc[3:-3]
    same = result.beats[
        (result.beats["onset_s"] > inner["onset_s"].min() - 0.01)
        & (result.beats["onset_s"] < inner["onset_s"].max() + 0.01)
    ]
    np.testing.assert_allclose(inner["onset_s"], same["onset_s"], atol=0.002)
    np.testing.assert_allclose(inner["sbp"], same["sbp"], atol=0.05)


def test_shifting_the_clock_changes_nothing_but_the_clock() -> None:
    wave = pulses(FS, 65.0)
    here, later = (hx.analyse(recording(wave, FS, first=first)) for first in (0, int(3600 * FS)))
    np.testing.assert_allclose(later.beats["onset_s"] - 3600.0, here.beats["onset_s"], atol=1e-9)
    columns = [index.column for index in here.catalogue.in_table("beats")]
    pd.testing.assert_frame_equal(here.beats[columns], later.beats[columns], check_exact=True)
    assert later.windows["window"].tolist() == [120, 121, 122]


def rise(pp: np.ndarray, dpdt: np.ndarray) -> np.ndarray:
    """Seconds the upstroke would take at its steepest."""
    return pp / dpdt


RISE = hx.Index(
    name="least_rise",
    title="Shortest possible rise",
    unit="s",
    level="beat",
    formula="pp / dpdt_max",
    inputs=("pp", "dpdt_max"),
    function=rise,
    rules=(hx.Rule("rejected", hx.When(column="least_rise", above=0.0, tables=("beats",)), "it always is"),),
    limits=(hx.Limit("age", "says nothing", "it is invented", source="common practice, no source"),),
    column="least_rise_s",
    marks=(hx.Mark(hx.Fact("quick", 50, "the rise is quick"), hx.When(column="least_rise", below=1.0)),),
)


def test_an_index_of_a_users_own_gets_everything_ours_get(rec: xr.Dataset, tmp_path: Any) -> None:
    result = hx.analyse(rec, catalogue=[RISE])
    assert result.beats["least_rise_s"].isna().all()
    assert len(result.unchecked("least_rise", "beats")) > 100
    verdict = result.verdicts("least_rise", "beats").iloc[0]
    assert verdict["measurement"] == "rejected"
    assert verdict["interpretation"] == "limited"
    assert (
        verdict["reasons"] == "Rejected because it always is. As age it says nothing because it is invented"
    )
    assert hx.has_fact(result.beats, "quick").all()
    assert hx.has_fact(result.windows, "quick").any()
    assert result.windows["least_rise_s"].isna().all(), "no beat was usable for it"
    assert result.beats.attrs["units"]["least_rise_s"] == "s"
    result.save(tmp_path / "out")
    again = hx.Analysis.open(tmp_path / "out")
    for table in ("beats", "windows"):
        pd.testing.assert_frame_equal(
            again.verdicts("least_rise", table), result.verdicts("least_rise", table)
        )
    assert hx.has_fact(again.beats, "quick").all()
    assert "least_rise" not in hx.default_catalogue(), "nothing is registered globally"


def test_a_whole_catalogue_takes_the_place_of_ours(rec: xr.Dataset) -> None:
    few = hx.Catalogue(tuple(i for i in hx.default_catalogue() if i.name in ("duration", "hr")))
    result = hx.analyse(rec, catalogue=few)
    assert "sbp" not in result.beats
    assert result.record["hr"].iloc[0] == pytest.approx(75.0, abs=0.05)
    with pytest.raises(hx.InputError, match="lacks the index 'duration'"):
        hx.analyse(rec, catalogue=hx.Catalogue((hx.default_catalogue()["sbp"],)))


def test_beats_can_be_removed_and_added_by_hand(rec: xr.Dataset, result: hx.Analysis) -> None:
    gone = float(result.beats["steepest_s"].iloc[10])
    less = hx.analyse(rec, edits=[{"action": "remove_beat", "at_s": gone}])
    assert len(less.beats) == len(result.beats) - 1
    assert (np.abs(less.beats["steepest_s"] - gone) > 0.5).all()
    # The beat that is gone cannot say so: its window and the recording do.
    assert hx.has_fact(less.windows, "edited_by_hand").tolist() == [True, False, False, False]
    assert hx.has_fact(less.record, "edited_by_hand").all()
    assert "Changed by hand: 1 edit" in less._repr_html_()
    assert not hx.has_fact(result.record, "edited_by_hand").any()
    assert "by hand" not in result._repr_html_()
    both = [{"action": "remove_beat", "at_s": gone}, {"action": "add_beat", "at_s": gone}]
    again = hx.analyse(rec, edits=both)
    assert len(again.beats) == len(result.beats)
    assert np.flatnonzero(hx.has_fact(again.beats, "edited_by_hand")).tolist() == [10]
    assert hx.has_fact(again.windows, "edited_by_hand").tolist() == [True, False, False, False]
    assert [row["action"] for row in again.info["edits"]] == ["remove_beat", "add_beat"]


def test_spans_can_be_added_and_removed_by_hand(rec: xr.Dataset, result: hx.Analysis) -> None:
    added = hx.analyse(rec, edits=[{"action": "add_span", "from_s": 10, "to_s": 14, "kind": "motion"}])
    assert added.record["motion_s"].iloc[0] == pytest.approx(4.0, abs=0.02)
    assert not added.beats["steepest_s"].between(10.0, 14.0).any()
    assert hx.has_fact(added.windows, "edited_by_hand").tolist() == [True, False, False, False]
    removed = hx.analyse(rec, edits=[{"action": "remove_span", "from_s": 0, "to_s": 120, "kind": "gap"}])
    assert not (removed.spans["kind"] == "gap").any()


@pytest.mark.parametrize(
    ("edit", "complaint"),
    [
        ({"action": "remove_beat", "at_s": 60.0}, "no beat within 0.25 s of 60 s"),
        ({"action": "remove_beat", "at_s": 130.0}, r"outside the recording \(0 to 120 s\)"),
    ],
)
def test_edits_that_miss_are_refused(rec: xr.Dataset, edit: dict, complaint: str) -> None:
    with pytest.raises(hx.InputError, match=complaint):
        hx.analyse(rec, edits=[edit])


@pytest.mark.parametrize(
    ("wave", "fs", "complaint"),
    [
        (pulses(30.0, 60.0), 30.0, "sampled at 30 Hz; at least 40 Hz is needed"),
        (pulses(FS, 4.0), FS, "too short, 4 s; at least 5 s are needed"),
        (np.full(1250, np.nan), FS, "it holds no samples, only gaps"),
        (np.full(12500, 80.0), FS, "puls"),
        (80.0 + np.random.default_rng(0).normal(0.0, 5.0, 12500), FS, "no arterial pulse"),
    ],
)
def test_what_cannot_be_analysed_is_refused_by_record_and_channel(
    wave: np.ndarray, fs: float, complaint: str
) -> None:
    with pytest.raises(hx.InputError, match=complaint) as caught:
        hx.analyse(recording(wave, fs))
    assert "invented" in str(caught.value)
    assert "channel ABP" in str(caught.value)
    assert "\n" not in str(caught.value)


def test_channels_are_chosen_and_the_choice_is_told(rec: xr.Dataset, result: hx.Analysis) -> None:
    assert "taken by its name" in result.info["channel_choice"]
    with pytest.raises(hx.DataUnavailableError, match="there are ABP"):
        hx.analyse(rec, channel="ART")
    with pytest.raises(hx.InputError, match=r"as hemoidx\.load returns it, got str"):
        hx.analyse("a path")  # type: ignore[arg-type]
    with pytest.raises(hx.InputError, match="thinned or reversed"):
        hx.analyse(rec.isel(time=slice(None, None, 2)))


def test_indices_and_tables_that_are_not_there_are_named(result: hx.Analysis) -> None:
    with pytest.raises(hx.InputError, match="did you mean 'sbp'"):
        result.verdicts("sbpp")
    with pytest.raises(hx.InputError, match="no table 'beat' holds indices; there are beats"):
        result.verdicts("sbp", table="beat")
    with pytest.raises(hx.InputError, match="index duration is not in the table windows; it is in beats"):
        result.unchecked("duration", table="windows")


def test_long_work_shows_its_progress_on_stderr(rec: xr.Dataset, capsys: pytest.CaptureFixture[str]) -> None:
    hx.analyse(rec)
    said = capsys.readouterr()
    assert said.out == said.err == ""


def test_the_notebook_shows_a_summary_and_trusts_no_text(rec: xr.Dataset) -> None:
    odd = rec.copy()
    odd.attrs["record_id"] = "<script>alert(1)</script>"
    shown = hx.analyse(odd)._repr_html_()
    assert "<script>" not in shown
    assert "&lt;script&gt;" in shown
    assert "2 of 4" in shown
    assert "too little of the time" in shown
    assert "mmHg" in shown
    assert "not for patient care" in shown
    assert repr(hx.analyse(rec)).startswith("<Analysis of invented, channel ABP: ")


def test_a_real_recording_gives_sensible_values(real_data: Any) -> None:
    result = hx.analyse(hx.load("mimicdb/037/03700181"))
    row = result.record.iloc[0]
    # 1,195 QRS marks in 585 s (the annotation beside the record): 122.5/min.
    assert row["hr"] == pytest.approx(122.5, abs=1.0)
    assert 30.0 < row["mbp"] < 36.0
    assert row["dbp"] < row["mbp"] < row["sbp"]
    assert result.windows["sbp"].notna().mean() > 0.9


def test_a_recording_whose_windows_are_all_rejected_has_no_summary() -> None:
    """Clipped in nearly every beat: what the few others say must not stand for the whole."""
    from hemoidx.simulate import Scenario, simulate

    sim = simulate(Scenario(seed=2, duration_s=120.0, breath_level=6.0, rail_high=200.0))
    whole = hx.analyse(sim.recording).record.iloc[0]
    top = float(np.round(whole["sbp"] - 8.0))
    wave = np.minimum(sim.recording["ABP"].to_numpy(), top)
    clipped = sim.recording.copy()
    attrs = sim.recording["ABP"].attrs
    clipped["ABP"] = ("time", wave, {**attrs, "scale": [{**attrs["scale"][0], "rail_high": top}]})
    result = hx.analyse(clipped)
    assert result.windows["sbp"].isna().all()
    assert np.isnan(result.record["sbp"].iloc[0])
    assert result.record["hr"].iloc[0] == pytest.approx(whole["hr"], abs=0.5)


@pytest.mark.parametrize(
    ("level", "until", "seen"), [(0.0, 40.0, True), (4.0, 40.0, True), (0.0, 200.0, False)]
)
def test_only_an_opening_with_pulses_after_it_tells_of_the_zero(
    level: float, until: float, seen: bool
) -> None:
    from hemoidx.simulate import Event, Scenario, simulate

    event = Event("open_to_air", 25.0, until - 25.0, level=level)
    result = hx.analyse(simulate(Scenario(seed=2, duration_s=90.0, events=(event,))).recording)
    assert (result.spans["kind"] == "open_to_air").any()
    assert any("zeroing" in words for words in result.undocumented) is not seen
    off = has_fact(result.beats, "zero_not_applied")
    assert off.any() == (level > 0)
    assert not off[result.beats["onset_s"] < 25.0].any()


def test_a_beat_added_beside_another_is_refused(rec: xr.Dataset, result: hx.Analysis) -> None:
    beside = float(result.beats["onset_s"].iloc[10]) + 0.08
    with pytest.raises(InputError, match="is there already"):
        hx.analyse(rec, edits=[{"action": "add_beat", "at_s": beside}])


def relation(sbp: np.ndarray, dbp: np.ndarray) -> np.ndarray:
    """Ratio of two pressures."""
    return sbp / dbp


def spread(sbp: np.ndarray, window_of_beat: np.ndarray, n_windows: int) -> np.ndarray:
    """Largest less smallest systolic pressure of each window, in a careless way."""
    return np.array([np.ptp(np.nan_to_num(sbp[window_of_beat == i])) for i in range(n_windows)])


def doubled(relation: np.ndarray) -> np.ndarray:
    """Twice an index of a user's own."""
    return 2.0 * relation


BARE: dict[str, Any] = {"title": "Invented", "unit": "1", "formula": "invented"}
DERIVED = (
    hx.Index(name="relation", level="beat", inputs=("sbp", "dbp"), function=relation, **BARE),
    hx.Index(name="doubled", level="beat", inputs=("relation",), function=doubled, **BARE),
    hx.Index(
        name="spread", level="window", inputs=("beats.sbp", "window_of_beat", "n_windows"), function=spread,
        **BARE,
    ),
)  # fmt: skip


def derived(wave: np.ndarray, **how: Any) -> pd.DataFrame:
    """Measurement and reasons of all derived values; runs in a worker process too."""
    result = hx.analyse(recording(wave, FS, **how), catalogue=DERIVED)
    found = [
        result.verdicts(index.name, table).assign(table=table, shown=getattr(result, table)[index.name])
        for index in DERIVED
        for table in ("beats", "windows", "record")
        if index.appears_in(table)
    ]
    return pd.concat(found)[["table", "shown", "measurement", "reasons"]]


def test_what_rejects_an_input_rejects_an_index_without_rules_of_its_own() -> None:
    wave = pulses(FS, 65.0)
    found = derived(wave, calibrated=False)
    assert found["shown"].isna().all()
    assert (found["measurement"] == "rejected").all()
    named = found["reasons"].str.contains("of its input sbp: the channel has no calibration", regex=False)
    assert named.all()
    fine = derived(wave)
    whole = fine[(fine["table"] == "windows") & fine["shown"].notna()]
    assert len(whole) >= 2 * len(DERIVED)
    assert (whole["measurement"] != "rejected").all()
    with ProcessPoolExecutor(1, get_context("spawn")) as pool:
        there = pool.submit(derived, wave, calibrated=False).result()
    pd.testing.assert_frame_equal(there, found)


def test_cautions_pass_on_only_to_an_index_that_declares_no_rules() -> None:
    mine = hx.Index(
        name="mine", level="beat", inputs=("sbp",), function=doubled, rules=reject("inverted"), **BARE
    )
    catalogue = hx.default_catalogue().with_((mine, DERIVED[0]))
    for table in ("beats", "windows", "record"):
        levels = [{r.level for r in catalogue.rules_in(catalogue[n], table)} for n in ("mine", "relation")]
        assert levels == [{"rejected"}, {"rejected", "caution", "undocumented"}]


def test_the_limit_of_a_radial_mean_holds_where_radial_was_documented(rec: xr.Dataset, tmp_path: Any) -> None:
    said = {}
    for site in ("radial", "femoral"):
        told = hx.analyse(rec, context={"site": site})
        told.save(tmp_path / site)
        verdicts = told.verdicts("mbp", "windows")
        pd.testing.assert_frame_equal(hx.Analysis.open(tmp_path / site).verdicts("mbp", "windows"), verdicts)
        said[site] = (verdicts["interpretation"][0], verdicts["reasons"][0])
    assert said["radial"][0] == "limited"
    assert "may read low because a radial cannula can under-read the femoral mean" in said["radial"][1]
    assert "nobody documented the site" not in said["radial"][1]
    assert "radial" not in said["femoral"][1]
    moved = {"intervals": [{"site": "femoral", "to_s": 60}, {"site": "radial", "from_s": 60}]}
    reasons = hx.analyse(rec, context=moved).verdicts("mbp", "windows")["reasons"]
    assert reasons.str.contains("radial cannula").tolist() == [False, False, True, True]


def test_nothing_is_called_unlimited_while_zero_line_or_site_are_unknown(
    rec: xr.Dataset, result: hx.Analysis
) -> None:
    told = hx.analyse(rec, context={"site": "femoral"})
    for analysis in (result, told):
        assert "the recording shows no zeroing" in analysis.undocumented
        for name in ("sbp", "dbp", "mbp", "pp"):
            for table in ("beats", "windows", "record"):
                verdicts = analysis.verdicts(name, table)
                assert (verdicts["interpretation"] == "undocumented").all(), (name, table)
            said = [analysis.verdicts(name, table)["reasons"] for table in ("windows", "record")]
            assert not said[0].str.contains("documented|zero|the dynamic response", case=False).any(), (
                "said once"
            )
            assert "Undocumented because" in said[1][0]
    assert (result.verdicts("hr", "windows")["interpretation"] == "unlimited").all()


def still(seconds: float, level: float = 58.0, drift: float = 3.0, noise: float = 0.3) -> np.ndarray:
    """A pressure without a pulse, as on bypass: a level that drifts, with a little noise."""
    t = np.arange(int(seconds * FS)) / FS
    return level + drift * np.sin(t / 8.0) + noise * np.random.default_rng(1).standard_normal(t.size)


def test_a_recording_without_a_pulse_keeps_its_spans_and_has_no_values(tmp_path: Any) -> None:
    flushed = still(120.0, 0.2, 0.0, 0.1)
    flushed[int(40 * FS) : int(44 * FS)] = 290.0
    for name, wave, kinds in (
        ("bypass", still(120.0), {"not_pulsatile"}),
        ("open", flushed, {"open_to_air", "flush"}),
    ):
        made = hx.analyse(recording(wave, FS))
        assert made.beats.empty
        assert set(made.spans["kind"]) == kinds
        assert (made.spans["end_s"] - made.spans["start_s"]).sum() > 100.0
        for table in ("windows", "record"):
            for index in made.catalogue.in_table(table):
                assert (made.verdicts(index.name, table)["measurement"] == "rejected").all()
        made.save(tmp_path / name)
        made.report(tmp_path / f"{name}.html")
        assert "No pulse was found" in (tmp_path / f"{name}.html").read_text()
        assert "0 beats" in made._repr_html_()
        pd.testing.assert_frame_equal(hx.Analysis.open(tmp_path / name).spans, made.spans)


def test_noise_without_a_pulse_is_no_pressure_however_quiet() -> None:
    for noise in (0.02, 0.3, 5.0):
        for seed in range(5):
            wave = 58.0 + noise * np.random.default_rng(seed).standard_normal(int(60 * FS))
            with pytest.raises(hx.InputError, match="no arterial pulse was found"):
                hx.analyse(recording(wave, FS))
    with pytest.raises(hx.InputError, match="it is constant at 0 mmHg"):
        hx.analyse(recording(np.zeros(7500), FS))


@pytest.mark.parametrize(("mean", "doubted"), [(25.0, True), (36.0, False), (85.0, False), (215.0, True)])
def test_a_level_that_is_rarely_a_patients_asks_for_caution(mean: float, doubted: bool) -> None:
    made = hx.analyse(recording(pulses(FS, 65.0, low=mean - 5.0, pulse=15.0), FS))
    for name in ("sbp", "dbp", "mbp", "pp"):
        verdicts = made.verdicts(name, "windows")[:2]
        assert verdicts["reasons"].str.contains("outside the plausible range").eq(doubted).all()
        assert (verdicts["measurement"] == "caution").all() or not doubted


def test_printed_verdicts_show_the_verdicts(result: hx.Analysis, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("COLUMNS", "80")
    verdicts = result.verdicts("sbp", table="windows")
    shown = repr(verdicts)
    for column in ("window", "measurement", "interpretation", "reasons"):
        assert column in shown.splitlines()[0]
    assert "..." not in shown.splitlines()[0]
    assert shown.count("rejected") == 2
    assert max(map(len, shown.splitlines())) <= 90
    page = verdicts._repr_html_()
    assert "too little of the time is covered by usable beats" in page, "whole sentences where there is room"
    assert len(repr(result.verdicts("sbp", table="beats")).splitlines()) < 70
    assert "record_id" in verdicts
    assert "record_id" in repr(result.verdicts("sbp", table="record"))


def height(pressure: np.ndarray, peak: np.ndarray) -> np.ndarray:
    """Sample nearest the peak."""
    return np.asarray(pressure[np.rint(peak).astype(int)], dtype=np.float64)


def test_an_index_of_the_wave_without_rules_follows_the_beat_it_is_read_from() -> None:
    wave = pulses(FS, 65.0)
    rough = slice(int(20 * FS), int(24 * FS))
    wave[rough] += 12.0 * np.random.default_rng(2).standard_normal(rough.stop - rough.start)
    bare = {**BARE, "level": "beat", "inputs": ("pressure", "peak"), "function": height}
    entries = [hx.Index(name="tall", **{**bare, "unit": "mmHg"}), hx.Index(name="plain", **bare)]
    made = hx.analyse(recording(wave, FS), catalogue=entries)
    doubtful = hx.has_fact(made.beats, "low_quality")
    assert doubtful.any()
    for name in ("tall", "plain"):
        np.testing.assert_array_equal(made.beats[name].isna(), doubtful)
    codes = hx.analyse(recording(pulses(FS, 65.0), FS, calibrated=False), catalogue=entries)
    assert codes.beats["tall"].isna().all()
    assert codes.beats["plain"].notna().any()
