"""Published values of stroke volume from pressure, one test for each; sources are in the data."""

import pytest

from hemoidx.validation.references import Reference, load

COLLECTION = load("stroke_volume")


@pytest.mark.parametrize("check", COLLECTION.checks, ids=lambda check: check.name)
def test_value(check: Reference) -> None:
    assert check.disagreement(check.value()) == ""


def test_every_entry_that_is_due_is_checked_or_explained() -> None:
    assert COLLECTION.open == ()
    due = set(COLLECTION.ledger["due"])
    assert len(due) == 22
    assert len({check.id for check in COLLECTION.checks} & due) == 13
    assert set(COLLECTION.unchecked) <= due


def test_what_is_quoted_from_memory_says_so() -> None:
    for check in COLLECTION.checks:
        assert (check.known == "recalled") == (check.id in COLLECTION.ledger["recalled"]), check.name
        # No formula of this family is printed with an example: all numbers are our arithmetic on it.
        assert check.kind == "analytic", check.name
