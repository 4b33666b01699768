"""The set-up sheet: what it refuses, that it survives being written, and what it calls undocumented."""

import json
import math
from datetime import UTC, date, datetime, timedelta, timezone
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from hemoidx.context.intervals import SITES as CONTEXT_SITES
from hemoidx.errors import DataUnavailableError, InputError
from hemoidx.line.setup import CAUTION, SITES, Setup, Tap, blank_sheet
from hemoidx.line.setup_fields import Spec, specs

SHEET = """\
inspected_at: 2026-05-31 08:30
inspected_by: a student
fluid: saline
fluid_additive: none
fluid_expires_on: 2027-02
bag_pressure_mmhg: 300
clamp_open: yes
taps:
  - {where: near_cannula, turned: through, tight: yes}
  - {where: near_transducer}
tubing_length_cm: 110
bubble_volume_ml: 0
zeroed_at: 2026-05-31 07:00
cannula_site: unknown
cannula_gauge: 20
note:
"""


def refused(given: Any) -> str:
    with pytest.raises(InputError) as caught:
        Setup.read(given)
    told = str(caught.value)
    assert "\n" not in told
    assert told.startswith("set-up sheet")
    return told


def test_a_sheet_written_by_hand(tmp_path: Path) -> None:
    file = tmp_path / "line.yaml"
    file.write_text(SHEET)
    sheet = Setup.read(file)
    assert sheet.inspected_at == datetime(2026, 5, 31, 8, 30)
    # A month alone, as printed on bags, means its last day.
    assert sheet.fluid_expires_on == date(2027, 2, 28)
    assert sheet.clamp_open is True
    assert sheet.taps == (Tap("near_cannula", "through", True), Tap("near_transducer"))
    assert (sheet.bag_pressure_mmhg, sheet.cannula_gauge, sheet.cannula_site) == (300.0, 20, None)
    assert sheet.note is None
    assert sheet.zero_age_h == 1.5
    assert sheet.days_past_expiry == -273
    assert sheet.has_bubbles is False
    assert sheet.tap_count == 2


def valid(spec: Spec) -> st.SearchStrategy[Any]:
    return {
        "number": lambda: st.floats(spec.low, spec.high),
        "count": lambda: st.integers(int(spec.low), int(spec.high)),
        "flag": st.booleans,
        "word": lambda: st.sampled_from(spec.choices),
        "text": lambda: st.text(min_size=1).filter(lambda s: s.isprintable() and s.strip()),
        "day": st.dates,
        "moment": lambda: st.datetimes(timezones=st.just(timezone(timedelta(hours=-3, minutes=-30)))),
        "list": lambda: st.none(),
    }[spec.kind]()


TAP = st.builds(Tap, **{name: st.none() | valid(spec) for name, spec in specs(Tap).items()})
FILLED = st.fixed_dictionaries({}, optional={name: valid(spec) for name, spec in specs(Setup).items()})


@st.composite
def sheets(draw: st.DrawFn) -> Setup:
    given = draw(FILLED) | {"taps": draw(st.none() | st.lists(TAP, max_size=3).map(tuple))}
    # Contradictions have a test of their own.
    if given["taps"] is not None:
        given["n_taps"] = len(given["taps"])
    if "bubble_volume_ml" in given:
        given["bubbles_seen"] = given["bubble_volume_ml"] > 0
    if given.get("bubbles_seen") is False:
        given.pop("bubbles_where", None)
    if "zeroed_at" in given:
        given["zeroed"] = True
        given["inspected_at"] = max(given.get("inspected_at", given["zeroed_at"]), given["zeroed_at"])
    if given.get("zeroed") is False:
        given.pop("moved_since_zero", None)
    if given.get("collateral_flow_looked_at") is False:
        given.pop("collateral_flow_how", None)
    return Setup(**given)


@given(sheets(), st.sampled_from(["a.yaml", "a.yml", "a.json"]))
def test_reading_gives_back_what_was_written(
    tmp_path_factory: pytest.TempPathFactory, sheet: Setup, name: str
) -> None:
    file = sheet.write(tmp_path_factory.getbasetemp() / name)
    assert Setup.read(file) == sheet
    assert Setup.read(json.loads(json.dumps(sheet.to_json()))) == sheet
    assert Setup.read(sheet) == sheet


def test_the_file_carries_the_caution(tmp_path: Path) -> None:
    assert CAUTION in Setup(fluid="saline").write(tmp_path / "a.yaml").read_text()
    assert "Local policy and licensed practice decide" in CAUTION


def test_a_blank_sheet_names_every_field_and_documents_nothing(tmp_path: Path) -> None:
    file = tmp_path / "blank.yaml"
    file.write_text(blank_sheet())
    sheet = Setup.read(file)
    assert sheet == Setup() == Setup.read(None) == Setup.read({})
    assert sheet.to_json() == {}
    lines = blank_sheet().splitlines()
    assert all(f"{name}:" in lines for name in specs(Setup))
    assert any("5 to 1000 cm" in line for line in lines)


@pytest.mark.parametrize(
    ("given", "told"),
    [
        ({"tubing_lenght_cm": 110}, "unknown key 'tubing_lenght_cm'; did you mean 'tubing_length_cm'?"),
        ({"bag_pressure": 300}, "did you mean 'bag_pressure_mmhg'?"),
        ({3: 4}, "unknown key '3'; known are record_id"),
        ({"fluid": "salin"}, "'salin' is not known; did you mean 'saline'?"),
        ({"fluid_additive": False}, "fluid_additive: 'False' is not known; known are none, heparin, other"),
        ({"taps": [{"tight": True}, {"tigth": True}]}, "taps[2]: unknown key 'tigth'; did you mean 'tight'?"),
        (
            {"taps": [{"turned": "open_air"}]},
            "taps[1]: turned: 'open_air' is not known; did you mean 'open_to_air'?",
        ),
        ({"taps": 2}, "taps: need a list"),
        ({"taps": ["tight"]}, "taps: need a list"),
        ({"tubing_length_cm": 1.2}, "tubing_length_cm: must lie between 5 and 1000 cm, got 1.2"),
        ({"tubing_length_cm": "110 cm"}, "tubing_length_cm: need a number [cm], got '110 cm'"),
        ({"tubing_length_cm": math.nan}, "need a number [cm], got nan"),
        ({"tubing_length_cm": 10**400}, "need a number [cm]"),
        ({"tubing_length_cm": np.ones(2)}, "need a number [cm]"),
        ({"tubing_bore_mm": True}, "need a number [mm], got True"),
        ({"bag_pressure_mmhg": -1}, "must lie between 0 and 600 mmHg"),
        ({"cannula_gauge": 20.5}, "cannula_gauge: need a whole number, got 20.5"),
        ({"cannula_gauge": 2}, "must lie between 10 and 30 gauge"),
        ({"clamp_open": "y"}, "clamp_open: need yes or no, got 'y'"),
        ({"clamp_open": 1}, "clamp_open: need yes or no, got 1"),
        ({"note": "red\x1b[31m"}, "note: need one line of text"),
        ({"note": ["a"]}, "note: need one line of text"),
        ({"fluid_expires_on": "2026-02-30"}, "fluid_expires_on: need a day such as"),
        ({"fluid_expires_on": "2026-13"}, "fluid_expires_on: need a day such as"),
        ({"fluid_expires_on": datetime(2026, 1, 1)}, "fluid_expires_on: need a day such as"),
        ({"inspected_at": "2026-05-31"}, "inspected_at: need a day and a time"),
        ({"inspected_at": 510}, "inspected_at: need a day and a time"),
        ({"inspected_at": pd.NaT}, "inspected_at: need a day and a time"),
        ({"n_taps": 3, "taps": [{}]}, "n_taps is 3, but taps lists 1"),
        (
            {"bubbles_seen": False, "bubble_volume_ml": 0.1},
            "bubble_volume_ml is 0.1, but bubbles were not seen",
        ),
        ({"bubbles_seen": True, "bubble_volume_ml": 0}, "bubble_volume_ml is 0, but bubbles were seen"),
        ({"bubbles_seen": False, "bubbles_where": "tap"}, "bubbles_where is given"),
        ({"zeroed": False, "zeroed_at": "2026-05-31 08:30"}, "zeroed_at is given, but zeroed is no"),
        ({"zeroed": False, "moved_since_zero": True}, "moved_since_zero is given, but zeroed is no"),
        ({"collateral_flow_looked_at": False, "collateral_flow_how": "x"}, "collateral_flow_how is given"),
        (
            {"inspected_at": "2026-05-31 08:30", "zeroed_at": "2026-05-31 08:31"},
            "zeroed_at must not come after inspected_at",
        ),
        (
            {"inspected_at": "2026-05-31 08:30", "zeroed_at": "2026-05-31 08:00+02:00"},
            "must both have a time zone, or neither",
        ),
        (7, "need a mapping of fields or a file, got int"),
        ([{"fluid": "saline"}], "need a mapping of fields or a file, got list"),
    ],
)
def test_what_cannot_be_is_refused_by_name(given: Any, told: str) -> None:
    assert told in refused(given)


def test_all_problems_are_told_at_once() -> None:
    told = refused({"fluid": "salin", "bag_presure_mmhg": 300, "taps": [{"tight": 2}], "clamp_open": 2})
    for part in ("salin", "bag_presure_mmhg", "taps[1]", "clamp_open"):
        assert part in told


@pytest.mark.parametrize(
    ("name", "content", "told"),
    [
        ("a.yaml", "fluid: saline\n  clamp: [", "line 2: not YAML"),
        ("a.yaml", "fluid: saline\nfluid: glucose\n", "'fluid' is given twice"),
        ("a.yaml", "taps:\n  - {tight: yes, tight: no}\n", "'tight' is given twice"),
        ("a.json", '{"fluid": "saline", "fluid": "glucose"}', "'fluid' is given twice"),
        ("a.json", '{"fluid":\n', "line 2: not JSON"),
        ("a.yaml", "- fluid: saline\n", "need a mapping of fields, got list"),
        ("a.yaml", "zeroed_at: 2026-02-30 08:00\n", "zeroed_at: need a day and a time"),
        ("a.yaml", "[" * 3000, "nested too deeply"),
        ("a.csv", "fluid\nsaline\n", "need a .yaml or .json file, got .csv"),
    ],
)
def test_broken_files_are_refused(tmp_path: Path, name: str, content: str, told: str) -> None:
    file = tmp_path / name
    file.write_text(content)
    found = refused(file)
    assert told in found
    assert name in found


def test_files_that_are_not_there_or_not_text(tmp_path: Path) -> None:
    with pytest.raises(DataUnavailableError, match="there is no file"):
        Setup.read(tmp_path / "none.yaml")
    (tmp_path / "a.yaml").write_bytes(b"\xff\xfe\x00")
    assert "not a text file" in refused(tmp_path / "a.yaml")
    (tmp_path / "b.yaml").write_text("")
    assert Setup.read(tmp_path / "b.yaml") == Setup()
    with pytest.raises(InputError, match=r"need a \.yaml or \.json file to write"):
        Setup().write(tmp_path / "a.txt")
    (tmp_path / "folder.yaml").mkdir()
    with pytest.raises(InputError, match="cannot be written"):
        Setup(fluid="saline").write(tmp_path / "folder.yaml")
    assert sorted(path.name for path in tmp_path.iterdir()) == ["a.yaml", "b.yaml", "folder.yaml"]


def test_values_from_data_frames_are_taken() -> None:
    at = pd.Timestamp("2026-05-31 08:30:00.5", tz=UTC)
    sheet = Setup.read({"inspected_at": at, "cannula_gauge": np.int64(20), "tubing_bore_mm": np.float32(1.5)})
    assert type(sheet.inspected_at) is datetime
    assert sheet.inspected_at == datetime(2026, 5, 31, 8, 30, 0, 500000, UTC)
    assert sheet.to_json()["cannula_gauge"] == 20
    assert Setup.read(json.loads(json.dumps(sheet.to_json()))) == sheet


def test_sites_are_those_of_the_context() -> None:
    assert {*SITES, "unknown"} == set(CONTEXT_SITES)


def test_what_nobody_documented_is_listed_once() -> None:
    nothing = Setup().undocumented()
    assert nothing[:2] == ("inspected_at", "fluid")
    assert len(set(nothing)) == len(nothing)
    # Free text is not missed.
    assert not {"record_id", "inspected_by", "bubbles_where", "collateral_flow_how", "note"} & set(nothing)
    assert "collateral_flow_looked_at" in nothing


@pytest.mark.parametrize(
    ("given", "missing", "answered"),
    [
        ({"n_taps": 0}, set(), {"n_taps", "taps"}),
        ({"n_taps": 2}, {"taps"}, {"n_taps"}),
        (
            {"taps": [{"tight": True}]},
            {"taps[1].where", "taps[1].turned"},
            {"n_taps", "taps", "taps[1].tight"},
        ),
        ({"bubble_volume_ml": 0.2}, set(), {"bubbles_seen", "bubble_volume_ml"}),
        ({"bubbles_seen": True}, {"bubble_volume_ml"}, {"bubbles_seen"}),
        ({"bubbles_seen": False}, set(), {"bubbles_seen", "bubble_volume_ml"}),
        ({"zeroed_at": "2026-05-31 08:30"}, set(), {"zeroed", "zeroed_at"}),
        ({"zeroed": True}, {"zeroed_at"}, {"zeroed"}),
        ({"zeroed": False}, set(), {"zeroed", "zeroed_at", "moved_since_zero"}),
        ({"zeroed": True, "moved_since_zero": True}, {"zeroed_at"}, {"zeroed", "moved_since_zero"}),
    ],
)
def test_one_answer_may_settle_another(given: dict[str, Any], missing: set[str], answered: set[str]) -> None:
    found = set(Setup.read(given).undocumented())
    assert missing <= found
    assert not answered & found
    assert found - missing == set(Setup().undocumented()) - answered - missing
