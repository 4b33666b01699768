"""The validation suite as users run it: the command, its files, and that it can fail."""

import json
from pathlib import Path

import pandas as pd
import pytest

from hemoidx.cli import main
from hemoidx.validation import suite
from hemoidx.validation.references import Reference, References, load
from tests.test_report import Reader


def one(**changes: object) -> References:
    fields = {
        "id": "a-1", "statement": "One kilopascal.", "kind": "published", "known": "seen", "source": "S",
        "expected": 7.5, "function": "hemoidx.units.mmhg_per_unit", "unit": "mmHg", "inputs": {"unit": "kPa"},
        "tolerance": 0.01, "why": "rounded",
    }  # fmt: skip
    return References("Units", (Reference(**{**fields, **changes}),), {}, {"due": ("a-1",)})  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("changes", "verdict", "gap"),
    [
        ({}, suite.AGREES, ""),
        ({"expected": 7.6}, suite.DISAGREES, "7.6 within 0.01 mmHg expected"),
        ({"function": "hemoidx.units.nowhere"}, suite.DISAGREES, "there is no 'hemoidx.units.nowhere'"),
        ({"inputs": {"unit": "mV"}}, suite.DISAGREES, "UnitError"),
        ({"expected": 9.0, "contradicts": "a misprint"}, suite.CONTRADICTS, "a misprint"),
        ({"contradicts": "a misprint"}, suite.DISAGREES, "agrees now, yet is documented"),
    ],
)
def test_verdicts(
    monkeypatch: pytest.MonkeyPatch, changes: dict[str, object], verdict: str, gap: str
) -> None:
    monkeypatch.setattr(suite, "load", lambda name: one(**changes))
    table = suite.run(["units"])
    assert table["verdict"].tolist() == [verdict]
    assert gap in table["gap"][0]
    assert len(suite.failed(table)) == (verdict == suite.DISAGREES)


def test_every_check_of_every_collection_is_in_it() -> None:
    table = suite.run()
    assert table["id"].size == sum(len(load(name).checks) for name in suite.collections())
    assert suite.failed(table)[["id", "gap"]].values.tolist() == []
    told = table[table["external"]]
    assert not set(told["known"]) & {"recalled"}
    assert len(told) > 400


def test_the_command_writes_what_it_prints(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    out = tmp_path / "validation"
    assert main(["validate", "--out", str(out)]) == 0
    printed = capsys.readouterr().out
    table = pd.read_parquet(out / "validation.parquet")
    told = json.loads((out / "validation.json").read_text())
    page = Reader((out / "validation.html").read_text()).text
    assert [row["id"] for row in told["checks"]] == table["id"].tolist()
    assert f"{len(table)} checks" in printed
    for line in suite.counts(table):
        assert line in printed
        assert line in page
    assert "local codes and licensed practice come first" in page
    for name in ("BA07-1", "ppv-def", "ff-01"):
        assert name in printed
        assert name in page


def test_a_failing_check_is_the_exit_code(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(suite, "collections", lambda: ["units"])
    monkeypatch.setattr(suite, "load", lambda name: one(expected=8.0))
    assert main(["validate"]) == 1
    assert "8 within 0.01 mmHg expected" in capsys.readouterr().out.replace("8.0", "8")
