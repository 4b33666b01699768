"""The collection on the measuring chain, and how collections of reference values are read."""

import re
from pathlib import Path
from typing import Any

import pytest
import yaml

from hemoidx.errors import InputError
from hemoidx.validation.references import KINDS, Reference, load, resolve

CHAIN = load("measuring_chain")

# Entries on the physical model of the line; its own tests hold them.
WITH_PHYSICS = {
    **{f"tm-{k:02d}": "the line from its dimensions, compliance and bubbles" for k in range(1, 17)},
    "de-10": "what bubbles of 0.1 and 0.5 mL do to a line of 17 Hz and 0.2",
    "se-13": "a bubble lowers natural frequency and raises damping",
}


def test_every_entry_that_is_due_is_checked_or_explained() -> None:
    assert CHAIN.open == ()
    assert sum(map(len, CHAIN.ledger.values())) == 140
    due = set(CHAIN.ledger["due"])
    assert len(due) == 60
    assert len({check.id for check in CHAIN.checks} & due) == 43
    assert set(CHAIN.unchecked) <= due


def test_groups_of_the_ledger_say_how_values_are_known() -> None:
    for check in CHAIN.checks:
        if check.id in CHAIN.ledger["recalled"]:
            assert check.known == "recalled", check.name
        if check.id in CHAIN.ledger["arithmetic"]:
            assert check.kind == "analytic", check.name
        if check.id in CHAIN.ledger["due"]:
            assert check.known != "recalled", check.name
    published = {check.id for check in CHAIN.checks if check.kind == "published"}
    assert {check.id for check in CHAIN.checks} & set(CHAIN.ledger["due"]) <= published


def test_entries_of_the_physical_model_stand_with_it() -> None:
    with_physics = {one for one, why in CHAIN.unchecked.items() if "test_line_physics" in why}
    assert with_physics <= set(WITH_PHYSICS)
    assert set(WITH_PHYSICS) <= {one for ids in CHAIN.ledger.values() for one in ids}
    beside = Path(__file__).with_name("test_line_physics.py")
    named = set(re.findall(r"\b[a-z]{2}-\d\d\b", beside.read_text(encoding="utf-8")))
    assert with_physics <= named


# --- the checks can fail -------------------------------------------------------------------------------


def one(**changes: Any) -> Reference:
    fields = {
        "id": "a-1", "statement": "", "kind": "published", "known": "seen", "source": "", "expected": 0,
        "function": "hemoidx.units.to_mmhg", "unit": "mmHg",
    }  # fmt: skip
    return Reference(**fields | changes)


@pytest.mark.parametrize(
    ("expected", "agrees", "not_"),
    [
        ({"above": 1}, [1.1, [2, 3]], [1, 0.9, [2, 1], [], float("nan")]),
        ({"below": -1}, [-1.1], [-1, 0, [-2, 0], float("nan")]),
        ({"between": [0, 13]}, [0.1, [1, 12.9]], [0, 13, -1, [1, 14]]),
        ({"order": "rising"}, [[1, 2, 3]], [[1, 1], [2, 1], [1], 1, [1, float("nan")]]),
        ({"order": "falling"}, [[3, 2]], [[1, 2]]),
        ({"says": ["33 of 51", "48"]}, ["33 of 51, 0 of 48", ["33 of 51", "48"]], ["33 of 51", "", []]),
        ("met", ["met"], ["not met", None]),
        (["met", "not met"], [["met", "not met"]], [["met"], "met"]),
    ],
)
def test_comparisons(expected: Any, agrees: list[Any], not_: list[Any]) -> None:
    assert not any(one(expected=expected).disagreement(value) for value in agrees)
    assert all(one(expected=expected).disagreement(value) for value in not_)


def test_parts_and_lists() -> None:
    inputs = {"values": [1.0, 2.0], "unit": "kPa"}
    kilo = one(inputs=inputs, over="values", expected=[7.50, 15.0], tolerance=0.01)
    assert kilo.disagreement(kilo.value()) == ""
    assert one(function="hemoidx.units.PRESSURE_UNITS", take="1").value() == "kPa"
    assert one(part="b").name == "a-1/b"
    with pytest.raises(InputError, match=r"a-1: nothing called 'nowhere'"):
        one(function="hemoidx.units.PASCAL_PER_MMHG", take="nowhere").value()
    with pytest.raises(InputError, match="nothing called '7'"):
        one(function="hemoidx.units.PRESSURE_UNITS", take="7").value()


@pytest.mark.parametrize(
    "dotted", ["os.getcwd", "hemoidx", "hemoidxes.units.x", "hemoidx.units.nowhere", "hemoidx.nowhere.x", "x"]
)
def test_only_what_hemoidx_has_is_called(dotted: str) -> None:
    with pytest.raises(InputError, match=re.escape(repr(dotted))):
        resolve(dotted)


# --- the file is read strictly -------------------------------------------------------------------------


@pytest.fixture
def content() -> dict[str, Any]:
    """A small collection."""
    checks = [
        {
            "id": name, "statement": "It is so.", "kind": "published", "known": "seen", "source": "atlas",
            "function": "hemoidx.units.to_mmhg", "inputs": {"values": 1.0, "unit": "mmHg"}, "expected": 1.0,
            "unit": "mmHg", "tolerance": 0.1, "why": "half of the last digit",
        }
        for name in ("ff-01", "ff-02")
    ]  # fmt: skip
    return {
        "title": "Two",
        "sources": {"atlas": "An atlas"},
        "checks": checks,
        "unchecked": {"ff-11": "nothing to compute"},
        "ledger": {"due": ["ff-01", "ff-02", "ff-11"], "recalled": []},
    }


def written(raw: Any, folder: Path) -> Path:
    path = folder / "changed.yaml"
    path.write_text(yaml.safe_dump(raw), encoding="utf-8")
    return path


def test_what_is_written_is_read(content: dict[str, Any], tmp_path: Path) -> None:
    found = load(written(content, tmp_path))
    assert [check.name for check in found.checks] == ["ff-01", "ff-02"]
    assert found.checks[0].source == "An atlas"
    assert found.open == ()


def first(**changes: Any) -> Any:
    """Change the first check of the file; None takes a field out."""

    def change(raw: dict[str, Any]) -> None:
        merged = raw["checks"][0] | changes
        raw["checks"][0] = {name: value for name, value in merged.items() if value is not None}

    return change


@pytest.mark.parametrize(
    ("change", "told"),
    [
        (first(unit=None), "check ff-01: unit missing"),
        (first(unit=None, units="Hz"), "check ff-01: unit missing; units unknown"),
        (first(kind="rumour"), f"kind 'rumour' is none of {', '.join(KINDS)}"),
        (first(known="guessed"), "known 'guessed' is none of seen, computed, recalled"),
        (first(source="nowhere"), "source 'nowhere' is none of atlas"),
        (first(known="computed"), "computed here is not published"),
        (first(tolerance=None), "a tolerance belongs to expected numbers"),
        (first(expected="much"), "a tolerance belongs to expected numbers"),
        (first(expected=True), "a tolerance belongs to expected numbers"),
        (first(tolerance=-1), "a number of 0 or more"),
        (first(tolerance="little"), "a number of 0 or more"),
        (first(why=None), "says why"),
        (first(expected={"near": 3}, tolerance=None), "compares by one of above, below"),
        (first(expected={"order": "up"}, tolerance=None), "rising or falling, not 'up'"),
        (first(over="values"), "over 'values' needs an input of that name that is a list"),
        (first(over="length"), "over 'length' needs"),
        (first(id="zz-99"), "zz-99 not in the ledger"),
        (first(id="ff-11"), "ff-11 both checked and unchecked"),
        (first(id="ff-02"), "ff-02 more than once in checks"),
        (lambda raw: raw["ledger"]["recalled"].append("ff-01"), "ff-01 more than once in ledger"),
        (lambda raw: raw["ledger"].pop("due"), "the ledger needs a group 'due'"),
        (lambda raw: raw.pop("unchecked"), "unchecked missing"),
        (lambda raw: raw.update(checks={}), "checks must be a list"),
        (lambda raw: raw.update(ledger=["due"]), "ledger must be a mapping"),
        (lambda raw: raw["checks"].append("ff-01"), "names and values expected, found 'ff-01'"),
    ],
)  # fmt: skip
def test_what_does_not_fit_is_refused_by_name(
    content: dict[str, Any], tmp_path: Path, change: Any, told: str
) -> None:
    change(content)
    with pytest.raises(InputError, match=r"^changed\.yaml") as caught:
        load(written(content, tmp_path))
    assert told in str(caught.value)
    assert "\n" not in str(caught.value)


def test_files_that_cannot_be_read(tmp_path: Path) -> None:
    with pytest.raises(InputError, match=r"nowhere\.yaml: cannot be read"):
        load("nowhere")
    broken = tmp_path / "broken.yaml"
    broken.write_text("title: [\n", encoding="utf-8")
    with pytest.raises(InputError, match="is not YAML"):
        load(broken)
    broken.write_bytes(b"title: \xff")
    with pytest.raises(InputError, match="cannot be read"):
        load(broken)
    broken.write_text("", encoding="utf-8")
    with pytest.raises(InputError, match="names and values expected"):
        load(broken)


def test_an_entry_nobody_looked_at_is_open(content: dict[str, Any], tmp_path: Path) -> None:
    del content["unchecked"]["ff-11"]
    assert load(written(content, tmp_path)).open == ("ff-11",)
