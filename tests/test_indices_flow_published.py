"""Published values around a documented flow and the windkessel, one test for each; sources as data."""

import pytest

from hemoidx.validation.references import Reference, load

COLLECTION = load("flow")


@pytest.mark.parametrize("check", COLLECTION.checks, ids=lambda check: check.name)
def test_value(check: Reference) -> None:
    assert check.disagreement(check.value()) == ""


def test_every_entry_that_is_due_is_checked_or_explained() -> None:
    assert COLLECTION.open == ()
    due = set(COLLECTION.ledger["due"])
    assert len(due) == 44
    assert len({check.id for check in COLLECTION.checks} & due) == 33
    assert set(COLLECTION.unchecked) <= due


def test_what_is_quoted_from_memory_says_so() -> None:
    for check in COLLECTION.checks:
        assert (check.known == "recalled") == (check.id in COLLECTION.ledger["recalled"]), check.name
