"""Published values of swings over breaths, one test for each; the values and their sources are data."""

import pytest

from hemoidx.validation.references import Reference, load

BREATHS = load("respiratory")


@pytest.mark.parametrize("check", BREATHS.checks, ids=lambda check: check.name)
def test_value(check: Reference) -> None:
    assert check.disagreement(check.value()) == ""


@pytest.mark.parametrize("check", BREATHS.checks, ids=lambda check: check.name)
def test_a_value_that_is_not_expected_is_told(check: Reference) -> None:
    wrong: object = "reads otherwise"
    if check.tolerance is not None:
        many = check.expected if isinstance(check.expected, list) else [check.expected]
        moved = [one + 1.01 * check.tolerance + 1e-9 for one in many]
        wrong = moved if isinstance(check.expected, list) else moved[0]
    elif isinstance(check.expected, dict):
        wrong = [check.expected["below"] + 1.0]
    assert check.disagreement(wrong).startswith(check.name)


def test_every_entry_that_is_due_is_checked_or_explained() -> None:
    assert BREATHS.open == ()
    due = set(BREATHS.ledger["due"])
    assert (len(due), len(BREATHS.ledger["recalled"])) == (35, 9)
    assert len({check.id for check in BREATHS.checks} & due) == 16
    assert set(BREATHS.unchecked) <= due


def test_what_is_recalled_says_so() -> None:
    for check in BREATHS.checks:
        assert (check.known == "recalled") == (check.id in BREATHS.ledger["recalled"]), check.name
