"""The report: one page that stands alone, says what the tables hold, and lets nothing through unescaped."""

import base64
import dataclasses
import re
from html.parser import HTMLParser
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

import hemoidx as hx
from hemoidx.facts import mask
from hemoidx.plot.style import span_style
from hemoidx.report import render, write_report
from hemoidx.report.excerpts import choose_excerpts, early_beats
from hemoidx.report.html import table, tag
from hemoidx.report.words import VERDICT_MEANING, at_time, count, how_long, in_sentence, listed, number, share
from hemoidx.simulate import Event, Scenario, simulate
from hemoidx.tables import has_fact

EVENTS = (Event("flush", 40.0, 1.5), Event("open_to_air", 70.0, 12.0), Event("gap", 100.0, 5.0))
VOID = {"meta", "img", "br", "hr"}


class Reader(HTMLParser):
    """Checks that elements nest, and collects text, pictures and addresses."""

    def __init__(self, text: str) -> None:
        super().__init__(convert_charrefs=True)
        self.open: list[str] = []
        self.images: list[dict[str, str | None]] = []
        self.seen: set[str] = set()
        self.addresses: list[str] = []
        self.words: list[str] = []
        self.feed(text)
        self.close()
        assert self.open == []

    def handle_starttag(self, name: str, attrs: list[tuple[str, str | None]]) -> None:
        self.seen.add(name)
        if name not in VOID:
            self.open.append(name)
        if name == "img":
            self.images.append(dict(attrs))
        self.addresses += [value or "" for key, value in attrs if key in ("src", "href")]

    def handle_endtag(self, name: str) -> None:
        assert self.open.pop() == name

    def handle_data(self, data: str) -> None:
        if "style" not in self.open:
            self.words.append(data)

    @property
    def text(self) -> str:
        return " ".join(" ".join(self.words).split())


@pytest.fixture(scope="module")
def result() -> hx.Analysis:
    scenario = Scenario(
        name="shown",
        seed=11,
        duration_s=150.0,
        rate=80.0,
        ectopic_share=0.06,
        note="For <the> test.",
        events=EVENTS,
    )
    return hx.analyse(simulate(scenario).recording)


@pytest.fixture(scope="module")
def page(result: hx.Analysis) -> str:
    return render(result)


def test_the_page_stands_alone(page: str) -> None:
    read = Reader(page)
    assert read.addresses
    assert all(address.startswith("data:image/png;base64,") for address in read.addresses)
    assert not {"script", "link", "iframe", "object"} & read.seen
    assert "@import" not in page
    assert "url(" not in page
    for image in read.images:
        assert base64.b64decode(str(image["src"]).partition(",")[2]).startswith(b"\x89PNG")
        assert len(str(image["alt"])) > 10


def test_light_and_dark_and_print_have_their_styles(page: str) -> None:
    assert "prefers-color-scheme: dark" in page
    assert "@media print" in page


def test_what_was_measured_is_what_the_tables_hold(result: hx.Analysis, page: str) -> None:
    text = Reader(page).text
    for index in result.catalogue.measured_in("windows"):
        known = int(result.windows[index.column].notna().sum())
        if not known:
            because = text[text.index("without any value") :]
            assert in_sentence(index.title) in because, index.title
            continue
        row = rf"{re.escape(index.title)} \S+ {re.escape(index.unit)} .*?{known} of {len(result.windows)} "
        assert re.search(row, text), index.title
    assert f"{number(float(result.record['sbp'].iloc[0]))}" in text
    assert f"{len(result.beats)} beats found" in text


def test_what_was_left_out_is_named_with_times_and_seconds(result: hx.Analysis, page: str) -> None:
    text = Reader(page).text
    assert set(result.spans["kind"]) >= {"flush", "open_to_air", "gap"}
    for kind, group in result.spans.groupby("kind"):
        seconds = how_long(float((group["end_s"] - group["start_s"]).sum()))
        assert re.search(rf"{span_style(kind).label} [^.]*? {len(group)} {re.escape(seconds)}", text), kind


def test_reasons_for_missing_windows_are_counted(result: hx.Analysis, page: str) -> None:
    refused = result.verdicts("sbp")["measurement"] == "rejected"
    assert 0 < refused.sum() < len(refused)
    text = Reader(page).text
    assert f"{refused.sum()} of {len(refused)}" in text.partition("Why windows have no value")[2]


def test_several_reasons_of_windows_are_counted_one_by_one(result: hx.Analysis, page: str) -> None:
    told = Reader(page).text.partition("Why windows have no value")[2].partition("noted about a beat")[0]
    joined = set()
    for index in result.catalogue.measured_in("windows"):
        said = result.verdicts(index.name).query("measurement == 'rejected'")["reasons"]
        said = said.str.partition("Rejected because ")[2].str.partition(". ")[0]
        joined |= set(said[said.str.contains("; ")])
        for words, times in said.str.split("; ").explode().value_counts().items():
            row = rf"{re.escape(str(words))} [^0-9]*?.*? {times} of {len(result.windows)}"
            assert re.search(row, told), (index.name, words)
    assert joined, "no window with two reasons: the test shows nothing"
    assert not any(words in told for words in joined)


def test_each_verdict_that_is_shown_is_explained(result: hx.Analysis, page: str) -> None:
    text = Reader(page).text
    legend = text.partition("The reasons stand under Cautions.")[2].partition("quantity median")[0]
    shown = {
        str(result.verdicts(index.name, table="record")["measurement"].iloc[0])
        for index in result.catalogue.measured_in("record")
        if result.record[index.column].notna().any()
    }
    assert {"accepted", "undocumented"} <= shown
    for word, meaning in VERDICT_MEANING.items():
        # A word that is not shown needs no legend.
        assert (f"{word} : {meaning}." in legend) == (word in shown), word


def test_early_beats_of_an_irregular_rhythm_are_not_told_as_ectopic() -> None:
    scenario = Scenario(seed=21, duration_s=120.0, rate=80.0, rhythm="atrial_fibrillation", irregularity=0.2)
    shown = hx.analyse(simulate(scenario).recording)
    noted = has_fact(shown.beats, "ectopic") & has_fact(shown.beats, "irregular_rhythm")
    assert noted.sum() > 5
    text = Reader(render(shown)).text
    told = re.search(r"the rhythm is irregular, in which beats come early and late ([\d,]+)", text)
    assert told is not None
    assert int(told[1]) == noted.sum()
    plain = re.search(r"a beat comes early, as an ectopic one does (\d+)", text)
    assert plain is None or int(plain[1]) == has_fact(shown.beats, "ectopic").sum() - noted.sum()


def test_early_beats_beside_an_event_are_told_apart() -> None:
    early, event, irregular = mask("ectopic"), mask("near_event"), mask("irregular_rhythm")
    facts = np.array([early, 0, event, early, early | irregular, early | event, 0, early], dtype=np.int64)
    plain, odd, beside = early_beats(facts)
    assert np.flatnonzero(plain).tolist() == [0, 7]
    assert np.flatnonzero(odd).tolist() == [4]
    assert np.flatnonzero(beside).tolist() == [3, 5]
    assert early_beats(facts[:0])[0].size == 0


def test_undocumented_things_are_said_once(result: hx.Analysis, page: str) -> None:
    text = Reader(page).text
    assert "nobody documented the breathing" in result.undocumented
    for words in result.undocumented:
        assert len(re.findall(re.escape(words), text, flags=re.IGNORECASE)) == 1, words


def test_cautions_stand_on_top(page: str) -> None:
    text = Reader(page).text
    assert text.index("not for patient care") < text.index("What was measured")
    assert "This recording is invented." in text
    assert "responder" not in text


def test_a_real_recording_is_not_called_invented(result: hx.Analysis) -> None:
    recording = result.recording.copy()
    recording.attrs["comments"] = []
    assert "invented" not in render(dataclasses.replace(result, loaded=recording))


def test_nothing_from_outside_is_let_through_unescaped(result: hx.Analysis) -> None:
    nasty = '<script>alert("x")</script>'
    recording = result.recording.rename({"ABP": nasty})
    recording.attrs = {**recording.attrs, "record_id": nasty, "comments": [nasty, "a < b & c"]}
    context = {"rhythm": nasty, "events": [{"kind": "fluid", "from_s": 10.0, "to_s": 20.0, "note": nasty}]}
    page = render(hx.analyse(recording, channel=nasty, context=context))
    assert "<script" not in page
    assert nasty in Reader(page).text
    assert "a &lt; b &amp; c" in page


def test_marked_events_and_definitions_are_shown(result: hx.Analysis) -> None:
    context = {"events": [{"kind": "leg_raise", "from_s": 65.0, "to_s": 95.0, "note": "slowly"}]}
    text = Reader(render(hx.analyse(result.recording, context=context))).text
    assert "leg raise slowly 1:05 1:35" in text
    for index in result.catalogue.in_table("record"):
        assert " ".join(index.formula.split()) in text


def test_the_same_analysis_gives_the_same_page(result: hx.Analysis, page: str) -> None:
    assert render(result) == page


def test_a_page_without_samples_says_so(result: hx.Analysis, tmp_path: Path) -> None:
    result.save(tmp_path / "kept")
    opened = hx.Analysis.open(tmp_path / "kept")
    assert opened.recording is None
    text = Reader(render(opened)).text
    assert "samples were not at hand" in text
    assert "Systolic pressure" in text


def test_a_recording_without_any_event_or_rejection_is_told_as_such() -> None:
    quiet = hx.analyse(simulate(Scenario(seed=2, duration_s=60.0, noise=0.1)).recording)
    assert quiet.spans.empty
    text = Reader(render(quiet)).text
    assert "No stretch of the recording was left out as a whole." in text


def test_the_file_is_written_whole_into_a_new_folder(result: hx.Analysis, page: str, tmp_path: Path) -> None:
    path = write_report(result, tmp_path / "new" / "r.html")
    assert path.read_text(encoding="utf-8") == page
    assert [one.name for one in path.parent.iterdir()] == ["r.html"]


def test_excerpts_show_a_clean_stretch_and_every_kind(result: hx.Analysis) -> None:
    chosen = choose_excerpts(result, 0.0, 150.0)
    clean, *events = chosen
    assert clean.shows == ("clean",)
    spans = result.spans
    assert not ((spans["start_s"] < clean.stop) & (spans["end_s"] > clean.start)).any()
    assert {name for event in events for name in event.shows} >= set(spans["kind"])
    assert [event.start for event in events] == sorted(event.start for event in events)
    assert all(0 <= one.start < one.stop <= 150.0 for one in chosen)


@given(
    spans=st.lists(
        st.tuples(st.floats(0, 140), st.floats(0.1, 60), st.sampled_from(["flush", "gap", "motion"])),
        max_size=12,
    ),
    begin=st.floats(0, 50),
)
def test_excerpts_stay_inside_and_cover_each_kind(
    result: hx.Analysis, spans: list[tuple[float, float, str]], begin: float
) -> None:
    finish = 150.0
    rows = [(max(a, begin), min(a + b, finish), kind) for a, b, kind in spans if a + b > begin]
    table_of = pd.DataFrame(rows, columns=["start_s", "end_s", "kind"])
    beats = result.beats[result.beats["onset_s"] >= begin]
    chosen = choose_excerpts(dataclasses.replace(result, beats=beats, spans=table_of), begin, finish)
    assert all(begin <= one.start < one.stop <= finish for one in chosen)
    assert {kind for _, _, kind in rows} <= {name for one in chosen for name in one.shows}
    for one in chosen:
        if one.shows == ("clean",):
            assert not any(a < one.stop and b > one.start for a, b, _ in rows)


@given(st.text(), st.text())
def test_any_text_comes_out_as_it_went_in(words: str, value: str) -> None:
    made = tag("p", words, title=value)
    collected = []

    class Check(HTMLParser):
        def handle_starttag(self, name: str, attrs: list[tuple[str, str | None]]) -> None:
            collected.append((name, attrs))

    Check().feed(made)
    assert [name for name, _ in collected] == ["p"]
    assert made.count("<") == 2


def test_a_table_refuses_rows_that_do_not_fit() -> None:
    with pytest.raises(ValueError, match="zip"):
        table(("a", "b"), [["1", "2", "3"]])


def test_numbers_and_times_as_one_would_write_them() -> None:
    assert number(1234.56, 1) == "1,234.6"
    assert number(-3.0, 0) == "−3"
    assert number(float("nan")) == "–"
    assert [how_long(s) for s in (1.44, 44.4, 95, 3725)] == ["1.4 s", "44 s", "1 min 35 s", "1 h 2 min"]
    assert [at_time(s) for s in (5.9, 65.0, 3725.0)] == ["0:05", "1:05", "1:02:05"]
    assert [share(a, 100) for a in (0, 0.5, 50, 99.9, 100)] == ["0 %", "< 1 %", "50 %", "> 99 %", "100 %"]
    assert share(1, 0) == "–"
    assert count(1, "beat") == "1 beat"
    assert count(1200, "beat") == "1,200 beats"
    assert listed([]) == ""
    assert listed(["a", "b", "c"]) == "a, b and c"


@given(st.floats(0, 1e6))
def test_shares_never_round_something_to_nothing(part: float) -> None:
    said = share(part, 1e6)
    assert (said == "0 %") == (part == 0)
    assert (said == "100 %") == (part == 1e6)


def test_windows_shown_are_those_of_the_table(result: hx.Analysis, page: str) -> None:
    text = Reader(page).text
    first = result.windows.iloc[0]
    cells = [
        at_time(first["start_s"]),
        at_time(first["end_s"]),
        str(int(first["beats"])),
        number(first["sbp"]),
    ]
    assert np.isfinite(first["sbp"])
    assert " ".join(cells) in text


def test_pictures_and_words_name_stretches_as_the_tables_do() -> None:
    from hemoidx.plot.style import SPAN_STYLES
    from hemoidx.report.words import SPAN_MEANING
    from hemoidx.spans import KINDS

    assert {kind: style.label for kind, style in SPAN_STYLES.items()} == {
        kind: kind.replace("_", " ") for kind in KINDS
    }
    assert set(SPAN_MEANING) == set(KINDS)
    # A heart-lung machine's pressure is the patient's, only without a pulse.
    assert not any("not the patient" in words for words in SPAN_MEANING.values())


def test_changes_by_hand_are_told_before_the_values_they_changed(result: hx.Analysis, page: str) -> None:
    assert result.recording is not None
    gone = [float(result.beats["steepest_s"].iloc[i]) for i in (4, 9)]
    edits = [
        *({"action": "remove_beat", "at_s": at, "note": "<i>mine</i>"} for at in gone),
        {"action": "add_span", "from_s": 20.0, "to_s": 23.0, "kind": "not_pulsatile"},
    ]
    text = Reader(render(hx.analyse(result.recording, edits=edits))).text
    assert "A person removed 2 beats and added 1 stretch." in text
    assert f"beat removed <i>mine</i> {gone[0]:.2f}" in text
    assert "stretch added not pulsatile 20.00 23.00" in text
    assert text.index("Changed by hand") < text.index("What was left out")
    assert "by hand" not in Reader(page).text


def test_what_must_be_known_first_stands_at_the_top(result: hx.Analysis, page: str) -> None:
    text = Reader(page).text
    first = text[: text.index("What was measured")]
    assert "not for patient care" in first
    assert "That does not make it right" in first
    assert result.undocumented
    assert f"bearing on the values: {len(result.undocumented)} items" in first


def test_cautions_are_told_beside_the_values_and_with_their_reason() -> None:
    scenario = Scenario(name="rail", seed=4, duration_s=120.0, mean_pressure=105.0, pulse_pressure=70.0)
    made = simulate(scenario)
    top = float(made.truth.beats["sbp"].nlargest(6).iloc[-1]) - 1.5
    clipped = hx.analyse(simulate(scenario.replace(rail_high=top)).recording)
    share = clipped.windows["clipped_share"].to_numpy()
    doubted = int(((share > 0) & (share <= 0.05)).sum())
    assert doubted
    text = Reader(render(clipped)).text
    assert "Systolic pressure" in text
    row = text[text.index("Systolic pressure") : text.index("Diastolic pressure")]
    assert row.rstrip().endswith("caution"), "the verdict on the median"
    told = text[text.index("Why values of windows ask for caution") :]
    assert "without them the value reads low" in told
    assert f"{doubted} of 4" in told
