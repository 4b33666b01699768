"""Published values, one test for each, named by collection and id; values and their sources are data."""

import pytest

from hemoidx.validation.references import Reference, load
from hemoidx.validation.suite import collections

COLLECTIONS = {name: load(name) for name in collections()}
CHECKS = [
    pytest.param(check, id=f"{name}-{check.name}") for name, of in COLLECTIONS.items() for check in of.checks
]
#: Entries that were read in print or follow from it, and must be checked or explained; those among them that
#: are checked here. A smaller number means that a check was lost.
DUE = {
    "agreement": (51, 47),
    "exposure": (17, 11),
    "flow": (44, 33),
    "measuring_chain": (60, 43),
    "pressure": (24, 23),
    "respiratory": (35, 16),
    "responses": (8, 7),
    "rhythm": (11, 8),
    "runoff": (12, 8),
    "stroke_volume": (22, 13),
    "upstroke": (17, 12),
}


@pytest.mark.parametrize("check", CHECKS)
def test_value(check: Reference) -> None:
    gap = check.disagreement(check.value())
    assert bool(gap) == bool(check.contradicts), gap or f"agrees now: {check.contradicts}"


@pytest.mark.parametrize("check", [one for one in CHECKS if one.values[0].tolerance is not None])
def test_a_value_beyond_its_tolerance_is_told(check: Reference) -> None:
    assert check.tolerance is not None
    beyond = 1.01 * check.tolerance + 1e-9
    wanted = check.expected if isinstance(check.expected, list) else [check.expected]
    for k in range(len(wanted)):
        moved = [value + beyond * (i == k) for i, value in enumerate(wanted)]
        told = check.disagreement(moved if isinstance(check.expected, list) else moved[0])
        assert told.startswith(f"{check.name}: ")
    assert check.disagreement([float("nan")] * len(wanted))


@pytest.mark.parametrize("name", COLLECTIONS)
def test_every_entry_that_is_due_is_checked_or_explained(name: str) -> None:
    of = COLLECTIONS[name]
    assert of.open == ()
    due = set(of.ledger["due"])
    assert (len(due), len({check.id for check in of.checks} & due)) == DUE[name]


@pytest.mark.parametrize("name", COLLECTIONS)
def test_what_is_quoted_from_memory_says_so(name: str) -> None:
    of = COLLECTIONS[name]
    for check in of.checks:
        if check.id in of.ledger["due"]:
            assert check.known != "recalled", check.name
        if check.id in of.ledger.get("recalled", ()):
            assert check.known == "recalled", check.name
