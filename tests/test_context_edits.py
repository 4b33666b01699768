"""Edits: beats and spans changed by hand, from any kind of table."""

import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import yaml

from hemoidx import Edits, InputError
from hemoidx.spans import KINDS

ROWS = [
    {"action": "add_beat", "at_s": 12.5},
    {"action": "remove_beat", "at_s": 20.25, "note": "artefact"},
    {"action": "add_span", "from_s": 30, "to_s": 31.5, "kind": "motion"},
    {"action": "remove_span", "from_s": 40, "to_s": 41},
    {"action": "remove_span", "from_s": 50, "to_s": 51, "kind": "flush"},
]


def test_edits_in_samples_count_from_the_first_sample_of_the_channel() -> None:
    found = Edits.read(ROWS).in_samples(fs=100.0, first=1000)
    assert found.add_beats.tolist() == [250.0]
    assert found.remove_beats.tolist() == [1025.0]
    assert found.add_spans.tolist() == [(2000, 2150, KINDS.index("motion"))]
    assert found.remove_spans.tolist() == [(3000, 3100, -1), (4000, 4100, KINDS.index("flush"))]
    nothing = Edits().in_samples(100.0)
    assert [len(part) for part in nothing] == [0, 0, 0, 0]
    assert nothing.add_spans.dtype.names == ("start", "stop", "kind")


def test_a_span_keeps_every_sample_it_touches() -> None:
    row = {"action": "add_span", "from_s": 1.005, "to_s": 1.011, "kind": "motion"}
    assert Edits.read([row]).in_samples(100.0).add_spans.tolist() == [(100, 102, KINDS.index("motion"))]


@pytest.mark.parametrize("kind", ["yaml", "json", "csv", "parquet", "frame", "mapping"])
def test_every_kind_of_source_gives_the_same(kind: str, tmp_path: Path) -> None:
    path = tmp_path / f"edits.{kind}"
    table = pd.DataFrame(ROWS)
    source: object = path
    if kind == "yaml":
        path.write_text(yaml.safe_dump({"edits": ROWS}), encoding="utf-8")
    elif kind == "json":
        path.write_text(json.dumps(ROWS), encoding="utf-8")
    elif kind == "csv":
        table.to_csv(path, index=False)
    elif kind == "parquet":
        table.to_parquet(path)
    else:
        source = table if kind == "frame" else {"edits": ROWS}
    assert Edits.read(source) == Edits.read(ROWS)  # type: ignore[arg-type]


def test_what_is_written_down_reads_back_the_same() -> None:
    edits = Edits.read(ROWS)
    assert Edits.read(json.loads(json.dumps(edits.to_json(), allow_nan=False))) == edits
    assert not Edits()
    assert edits


def test_of_a_table_for_many_only_the_rows_of_the_recording_are_taken() -> None:
    rows = [{**ROWS[0], "record_id": "a"}, {**ROWS[1], "record_id": "b"}]
    assert [row.action for row in Edits.read(rows, "b").rows] == ["remove_beat"]


@pytest.mark.parametrize(
    ("row", "complaint"),
    [
        ({"action": "add_beats", "at_s": 3}, "unknown action 'add_beats'; did you mean 'add_beat'"),
        ({"at_s": 3}, "action: need a text"),
        ({"action": "add_beat"}, "add_beat needs at_s"),
        ({"action": "add_beat", "at_s": -3}, "at_s must not be negative"),
        ({"action": "add_beat", "at_s": "x"}, "at_s: need a number, got 'x'"),
        ({"action": "add_beat", "at_s": 3, "to_s": 4}, "add_beat takes at_s, not to_s"),
        ({"action": "add_beat", "at_s": 3, "kind": "flush"}, "add_beat takes at_s, not kind"),
        ({"action": "add_beat", "at": 3}, "unknown key 'at'"),
        ({"action": "add_span", "from_s": 3, "to_s": 4}, "add_span needs a kind"),
        ({"action": "add_span", "from_s": 3, "kind": "flush"}, "needs from_s and to_s"),
        ({"action": "add_span", "from_s": 4, "to_s": 3, "kind": "flush"}, "to_s must come after from_s"),
        ({"action": "add_span", "from_s": 3, "to_s": 4, "kind": "flsh"}, "did you mean 'flush'"),
        ({"action": "add_span", "at_s": 3, "from_s": 3, "to_s": 4, "kind": "flush"}, "not at_s"),
    ],
)
def test_what_cannot_be_meant_is_refused_by_name(row: dict, complaint: str) -> None:
    with pytest.raises(InputError, match=complaint) as caught:
        Edits.read([row])
    assert str(caught.value).startswith("edits, row 1: ")


@pytest.mark.parametrize("source", [{"beats": []}, {"edits": {"edits": []}}, "nowhere"])
def test_sources_that_hold_no_rows_are_refused(source: object) -> None:
    with pytest.raises((InputError, LookupError)):
        Edits.read(source)  # type: ignore[arg-type]


def test_edits_outside_the_recording_are_refused() -> None:
    with pytest.raises(
        InputError, match=r"row 2: remove_beat at 20.25 s lies outside the recording \(0 to 20 s\)"
    ):
        Edits.read(ROWS).refuse_outside(0.0, 20.0)
    Edits.read(ROWS).refuse_outside(0.0, 60.0)
    np.testing.assert_array_equal(Edits.read(ROWS).add_beats_s, [12.5])
