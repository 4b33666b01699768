"""Published values of rhythm, exposure and responses, one test for each; values and sources are data."""

import pytest

from hemoidx.validation.references import Reference, load

COLLECTIONS = {name: load(name) for name in ("rhythm", "exposure", "responses")}
CHECKS = [check for found in COLLECTIONS.values() for check in found.checks]
COUNTS = {"rhythm": (11, 8), "exposure": (17, 11), "responses": (8, 7)}


@pytest.mark.parametrize("check", CHECKS, ids=lambda check: check.name)
def test_value(check: Reference) -> None:
    assert check.disagreement(check.value()) == ""


@pytest.mark.parametrize("name", COLLECTIONS)
def test_every_entry_that_is_due_is_checked_or_explained(name: str) -> None:
    found = COLLECTIONS[name]
    due = set(found.ledger["due"])
    assert found.open == ()
    assert set(found.unchecked) <= due
    assert (len(due), len({check.id for check in found.checks} & due)) == COUNTS[name]


@pytest.mark.parametrize("check", CHECKS, ids=lambda check: check.name)
def test_what_is_recalled_says_so(check: Reference) -> None:
    ledger = next(found.ledger for found in COLLECTIONS.values() if check in found.checks)
    assert (check.known == "recalled") == (check.id in ledger.get("recalled", ()))


@pytest.mark.parametrize("check", [c for c in CHECKS if c.tolerance is not None], ids=lambda c: c.name)
def test_a_value_beyond_its_tolerance_is_told(check: Reference) -> None:
    beyond = check.tolerance * 1.01 + 1e-9
    wanted = check.expected
    moved = [v + beyond for v in wanted] if isinstance(wanted, list) else wanted + beyond
    assert check.disagreement(moved).startswith(f"{check.name}: ")
