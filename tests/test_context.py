"""Context: what the waveform cannot tell, checked on the way in."""

import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import yaml
from hypothesis import given
from hypothesis import strategies as st

from hemoidx import Context, DataUnavailableError, InputError
from hemoidx.context.intervals import BREATHING, EVENTS, SITES

FULL = {
    "height": 172,
    "weight_kg": 80.5,
    "sex": "female",
    "site": "radial",
    "intervals": [
        {
            "from_s": 0,
            "to_s": 600,
            "breathing": "controlled_no_effort",
            "tidal_volume_ml_per_kg_pbw": 8,
        },
        {"from_s": 600, "breathing": "spontaneous", "note": "tube out"},
        {"reference_flow_l_per_min": 4.9, "reference_flow_window_s": 180, "from_s": 60, "to_s": 240},
    ],
    "events": [
        {"kind": "fluid", "from_s": 300, "to_s": 420, "note": "250 mL"},
        {"kind": "leg_raise", "at_s": 500},
    ],
}


def test_values_are_found_by_time() -> None:
    context = Context.read(FULL)
    times = [0.0, 599.9, 600.0, 1e6]
    assert context.at("breathing", times).tolist() == ["controlled_no_effort"] * 2 + ["spontaneous"] * 2
    np.testing.assert_array_equal(context.at("tidal_volume_ml_per_kg_pbw", times), [8, 8, np.nan, np.nan])
    assert context.at("site", times).tolist() == ["radial"] * 4
    assert context.at("height_cm", times).tolist() == context.at("height", times).tolist() == [172.0] * 4
    assert context.at("rhythm", times).tolist() == [None] * 4
    assert [(e.kind, e.from_s, e.to_s) for e in context.events] == [
        ("fluid", 300.0, 420.0),
        ("leg_raise", 500.0, 500.0),
    ]


def test_unknown_is_no_documentation() -> None:
    assert Context.read({"breathing": "assisted"}).documents("breathing")
    assert not Context.read({"breathing": "unknown"}).documents("breathing")
    assert not Context.read(None).documents("site")


@pytest.mark.parametrize("kind", ["yaml", "json"])
def test_files_give_what_the_mapping_gives(kind: str, tmp_path: Path) -> None:
    path = tmp_path / f"context.{kind}"
    path.write_text(yaml.safe_dump(FULL) if kind == "yaml" else json.dumps(FULL), encoding="utf-8")
    assert Context.read(path) == Context.read(str(path)) == Context.read(FULL)


@pytest.mark.parametrize("kind", ["csv", "parquet", "frame"])
def test_tables_hold_one_interval_or_event_a_row(kind: str, tmp_path: Path) -> None:
    table = pd.DataFrame(
        {
            "record_id": ["a", "a", "a", "b"],
            "from_s": [0.0, 600.0, 300.0, np.nan],
            "to_s": [600.0, np.nan, 420.0, np.nan],
            "breathing": ["assisted", "spontaneous", None, "unknown"],
            "kind": [None, None, "fluid", None],
            "age_years": [61, 61, np.nan, 30],
        }
    )
    source: object = table
    if kind != "frame":
        source = tmp_path / f"context.{kind}"
        table.to_csv(source, index=False) if kind == "csv" else table.to_parquet(source)  # type: ignore[call-overload]
    context = Context.read(source, record_id="a")  # type: ignore[arg-type]
    assert context.at("breathing", [10.0, 700.0]).tolist() == ["assisted", "spontaneous"]
    assert context.once == (("age_years", 61.0),)
    assert [event.kind for event in context.events] == ["fluid"]


interval = st.fixed_dictionaries(
    {},
    optional={
        "breathing": st.sampled_from(BREATHING),
        "site": st.sampled_from(SITES),
        "central_venous_pressure_mmhg": st.floats(-20, 80),
        "rhythm": st.text("abc ", min_size=1).filter(str.strip),
    },
)


@given(
    st.lists(interval, max_size=5),
    st.lists(
        st.tuples(st.sampled_from(EVENTS), st.floats(0, 1e5), st.floats(0.1, 1e3) | st.none()), max_size=4
    ),
    st.fixed_dictionaries(
        {}, optional={"height": st.floats(20, 260), "sex": st.sampled_from(["female", "male"])}
    ),
)
def test_what_is_written_down_reads_back_the_same(rows: list, events: list, once: dict) -> None:
    given_ = {
        **once,
        "intervals": [{**row, "from_s": 100.0 * i, "to_s": 100.0 * (i + 1)} for i, row in enumerate(rows)],
        "events": [
            {"kind": kind, "at_s": at} if last is None else {"kind": kind, "from_s": at, "to_s": at + last}
            for kind, at, last in events
        ],
    }
    context = Context.read(given_)
    assert Context.read(json.loads(json.dumps(context.to_json(), allow_nan=False))) == context


@pytest.mark.parametrize(
    ("given_", "complaint"),
    [
        ({"breathng": "assisted"}, "unknown key 'breathng'; did you mean 'breathing'"),
        ({"breathing": "asisted"}, "'asisted' is not known; did you mean 'assisted'"),
        ({"tidal_volume": 8}, "did you mean 'tidal_volume_ml_per_kg_pbw'"),
        ({"tidal_volume_ml_per_kg_pbw": 480}, "must lie between 0.5 and 30 mL/kg, got 480"),
        ({"tidal_volume_ml_per_kg_pbw": "eight"}, "need a number, got 'eight'"),
        ({"weight": True}, "need a number, got True"),
        ({"height": 1.72}, "must lie between 20 and 260 cm, got 1.72"),
        ({"height": 172, "height_cm": 172}, "height_cm is given twice"),
        ({"rhythm": 7}, "need a text, got 7"),
        ({"from_s": 3}, "from_s belongs to an entry"),
        ({"intervals": {"site": "radial"}}, "intervals must be a list of mappings"),
        (
            {"intervals": [{"from_s": 9, "to_s": 3, "site": "radial"}]},
            "interval 1: to_s must come after from_s",
        ),
        ({"intervals": [{"from_s": -1, "site": "radial"}]}, "from_s must not be negative, got -1"),
        ({"intervals": [{"from_s": "soon", "site": "radial"}]}, "from_s: need a number, got 'soon'"),
        ({"intervals": [{"sex": "male"}]}, "interval 1: sex holds once, outside of intervals"),
        (
            {"site": "radial", "intervals": [{"from_s": 60, "site": "femoral"}]},
            "site is both radial and femoral from 60 s on",
        ),
        ({"reference_flow_l_per_min": 5}, "must be given together"),
        (
            {"events": [{"kind": "fluids", "at_s": 3}]},
            "event 1: kind: 'fluids' is not known; did you mean 'fluid'",
        ),
        ({"events": [{"at_s": 3}]}, "event 1: kind: need a text"),
        ({"events": [{"kind": "fluid"}]}, "an event needs at_s, or from_s"),
        ({"events": [{"kind": "fluid", "at_s": 3, "to_s": 9}]}, "not both"),
        ({"events": [{"kind": "fluid", "at_s": -3}]}, "at_s must not be negative"),
        ({"events": [{"kind": "fluid", "att_s": 3}]}, "did you mean 'at_s'"),
        ([1, 2], "need a mapping or a list of mappings, got list"),
        ([{"sex": "male"}, {"sex": "female"}], "row 2: sex is female, but male in a row above"),
    ],
)
def test_what_cannot_be_meant_is_refused_by_name(given_: object, complaint: str) -> None:
    with pytest.raises(InputError, match=complaint) as caught:
        Context.read(given_)  # type: ignore[arg-type]
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize(
    ("name", "content", "complaint"),
    [
        ("c.yaml", "site: [radial", "c.yaml, line 1: not YAML"),
        ("c.json", '{"site": ', "c.json, line 1: not JSON"),
        ("c.csv", "from_s,to_s,site\n0,9\n", "line 2: it has not as many fields as the heading"),
        ("c.csv", "from_s,site\n0,radial,9\n", "line 2: it has not as many fields as the heading"),
        ("c.txt", "site radial", "need a .yaml, .json, .csv or .parquet file"),
        ("c.parquet", "PAR1", "not a Parquet file, or cut off"),
        ("c.yaml", b"\xff\xfe\x00s", "not a text file in UTF-8"),
        ("c.yaml", "just words", "need a mapping or a list of mappings, got str"),
    ],
)
def test_broken_files_are_refused_in_one_line(
    name: str, content: str | bytes, complaint: str, tmp_path: Path
) -> None:
    path = tmp_path / name
    path.write_bytes(content if isinstance(content, bytes) else content.encode())
    with pytest.raises(InputError, match=complaint) as caught:
        Context.read(path)
    assert "\n" not in str(caught.value)


def test_an_empty_file_is_no_context(tmp_path: Path) -> None:
    (tmp_path / "c.yaml").write_text("# nothing yet\n", encoding="utf-8")
    assert Context.read(tmp_path / "c.yaml") == Context()


def test_a_missing_file_is_named(tmp_path: Path) -> None:
    with pytest.raises(DataUnavailableError, match=r"there is no file .*none\.yaml"):
        Context.read(tmp_path / "none.yaml")


def test_unknown_keys_cannot_be_asked_for() -> None:
    with pytest.raises(InputError, match="did you mean 'site'"):
        Context().at("sites", [1.0])


@pytest.mark.parametrize("written", ["yes", "true", "'yes'"])
def test_yes_and_no_as_people_write_them_in_yaml(written: str, tmp_path: Path) -> None:
    """A bare yes is a truth value in YAML 1.1, which the YAML library reads."""
    path = tmp_path / "context.yaml"
    path.write_text(f"intervals:\n  - {{chest_open: {written}, right_heart_failure: no}}\n", encoding="utf-8")
    context = Context.read(path)
    assert context.at("chest_open", [0.0]).tolist() == ["yes"]
    assert context.at("right_heart_failure", [0.0]).tolist() == ["no"]
    assert Context.read(context.to_json()) == context


def test_yes_and_no_in_a_table_are_words_or_truth_values(tmp_path: Path) -> None:
    import pandas as pd

    rows = pd.DataFrame({"from_s": [0.0], "chest_open": [True], "right_heart_failure": [False]})
    assert Context.read(rows).at("chest_open", [1.0]).tolist() == ["yes"]
    rows.to_parquet(tmp_path / "rows.parquet")
    assert Context.read(tmp_path / "rows.parquet").at("right_heart_failure", [1.0]).tolist() == ["no"]
    with pytest.raises(InputError, match="breathing"):
        Context.read({"breathing": True})
