"""Published values of agreement statistics, one test for each; the values and their sources are data."""

import pytest

from hemoidx.errors import DataUnavailableError
from hemoidx.validation.datasets import dataset, dataset_names
from hemoidx.validation.references import Reference, load

AGREEMENT = load("agreement")


@pytest.mark.parametrize("check", AGREEMENT.checks, ids=lambda check: check.name)
def test_value(check: Reference) -> None:
    assert check.disagreement(check.value()) == ""


def test_every_entry_that_is_due_is_checked_or_explained() -> None:
    assert AGREEMENT.open == ()
    assert len(AGREEMENT.ledger["due"]) >= 40


def test_data_sets_come_with_their_source() -> None:
    sizes = {name: dataset(name).shape for name in dataset_names()}
    assert sizes == {
        "peak_flow_1986": (17, 5),
        "cardiac_output_1999": (60, 4),
        "systolic_1999": (85, 10),
        "ratings_1979": (6, 4),
        "haemorrhage_2010": (113, 3),
    }
    for name in dataset_names():
        assert dataset(name).attrs["title"]
        assert dataset(name).attrs["source"]
    with pytest.raises(DataUnavailableError, match="no data set 'nothing'; there are"):
        dataset("nothing")
