"""Published values of stroke volume from pressure, one test for each; sources are in the data."""

import numpy as np
import pytest

from hemoidx.validation.agreement import limits_of_agreement, percentage_error
from hemoidx.validation.references import Reference, load

COLLECTION = load("stroke_volume")


@pytest.mark.parametrize("check", COLLECTION.checks, ids=lambda check: check.name)
def test_value(check: Reference) -> None:
    assert check.disagreement(check.value()) == ""


def test_every_entry_that_is_due_is_checked_or_explained() -> None:
    assert COLLECTION.open == ()
    due = set(COLLECTION.ledger["due"])
    assert len(due) == 22
    assert len({check.id for check in COLLECTION.checks} & due) == 12
    assert set(COLLECTION.unchecked) <= due


def test_what_is_quoted_from_memory_says_so() -> None:
    for check in COLLECTION.checks:
        assert (check.known == "recalled") == (check.id in COLLECTION.ledger["recalled"]), check.name
        # No formula of this family is printed with an example: all numbers are our arithmetic on it.
        assert check.kind == "analytic", check.name


def test_percentage_error() -> None:
    # pc-bland-altman-pe, computed from the formula: standard deviation 0.8, mean 5 L/min, 31.36 %.
    # Critchley LAH, Critchley JAJH. J Clin Monit Comput 1999;15:85-91, as told by Peyton 2010 (abstract).
    off = 0.8 * np.sqrt(0.75) * np.array([1.0, -1.0, 1.0, -1.0])
    reference = np.array([4.0, 4.5, 5.5, 6.0])
    found = limits_of_agreement(reference + off, reference)
    assert percentage_error(found, 5.0) == pytest.approx(31.36, abs=1e-6)
