"""Published values of pressure, upstroke, ejection, run-off and areas, one test for each; values are data."""

import pytest

from hemoidx.validation.references import Reference, References, load

COLLECTIONS = {name: load(name) for name in ("pressure", "upstroke", "runoff")}
CHECKS = [check for collection in COLLECTIONS.values() for check in collection.checks]


@pytest.mark.parametrize("check", CHECKS, ids=lambda check: check.name)
def test_value(check: Reference) -> None:
    assert check.disagreement(check.value()) == ""


@pytest.mark.parametrize(
    ("name", "due", "recalled", "unchecked"),
    [("pressure", 24, 3, 1), ("upstroke", 17, 6, 8), ("runoff", 12, 4, 6)],
)
def test_every_entry_that_is_due_is_checked_or_explained(
    name: str, due: int, recalled: int, unchecked: int
) -> None:
    collection = COLLECTIONS[name]
    assert collection.open == ()
    assert len(collection.ledger["due"]) == due
    assert len(collection.ledger["recalled"]) == recalled
    assert len(collection.unchecked) == unchecked


@pytest.mark.parametrize("collection", COLLECTIONS.values(), ids=list(COLLECTIONS))
def test_groups_of_the_ledger_say_how_values_are_known(collection: References) -> None:
    settled = {check.id for check in collection.checks} | set(collection.unchecked)
    assert set(collection.ledger["recalled"]) <= settled
    for check in collection.checks:
        recalled = check.id in collection.ledger["recalled"]
        assert (check.known == "recalled") == recalled, check.name
        assert (check.kind == "published") >= (check.known == "seen"), check.name


@pytest.mark.parametrize(
    "check", [c for c in CHECKS if c.tolerance is not None], ids=lambda check: check.name
)
def test_a_value_beyond_its_tolerance_is_told(check: Reference) -> None:
    assert check.tolerance is not None
    beyond = 1.01 * check.tolerance + 1e-9
    moved = (
        [v + beyond for v in check.expected] if isinstance(check.expected, list) else check.expected + beyond
    )
    assert check.disagreement(moved).startswith(f"{check.name}: ")
