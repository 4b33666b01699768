"""Results against committed tables: what must agree, and everything that must be noticed."""

import math
from pathlib import Path

import pytest

from hemoidx.errors import InputError
from hemoidx.validation.expected import ResultsMovedError, commit, compare, differences, read

TABLE = "name,value,tolerance\nbias,1.50,0.10\nnone,,0\ncount,7,0\n"
FOUND = {"bias": 1.58, "none": math.nan, "count": 7}


@pytest.fixture
def path(tmp_path: Path) -> Path:
    path = tmp_path / "expected.csv"
    path.write_text(TABLE)
    return path


def test_the_same_within_tolerance(path: Path) -> None:
    table = compare(FOUND, path)
    assert table["verdict"].tolist() == ["same"] * 3
    assert table["difference"][0] == pytest.approx(0.08)


@pytest.mark.parametrize(
    ("changes", "told"),
    [
        ({"bias": 1.61}, "bias: moved, 1.5 expected, 1.61 found, tolerance 0.1"),
        ({"bias": 1.39}, "bias: moved"),
        ({"count": 8}, "count: moved"),
        ({"bias": math.nan}, "bias: moved, 1.5 expected, nan found"),
        ({"none": 0.0}, "none: moved, nan expected, 0 found"),
        ({"extra": 1.0}, "extra: not in the table"),
    ],
)
def test_what_moved_is_listed(path: Path, changes: dict[str, float], told: str) -> None:
    with pytest.raises(ResultsMovedError) as caught:
        compare({**FOUND, **changes}, path)
    assert told in str(caught.value)
    assert "1 of " in str(caught.value)
    assert len(caught.value.differences) == len({**FOUND, **changes})


def test_what_is_missing_is_listed_with_the_rest(path: Path) -> None:
    with pytest.raises(ResultsMovedError, match="2 of 3") as caught:
        compare({"bias": 9.0, "none": math.nan}, path)
    assert "count: missing" in str(caught.value)
    assert differences({"bias": 9.0}, path)["verdict"].tolist() == ["moved", "missing", "missing"]


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("name,value\na,1\n", "columns must be"),
        ("name,value,tolerance\na,1,0\na,2,0\n", "'a' is there twice"),
        ("name,value,tolerance\na,1,\n", "'a' needs a tolerance"),
        ("name,value,tolerance\na,1,-0.1\n", "'a' needs a tolerance"),
        ("name,value,tolerance\na,1,inf\n", "'a' needs a tolerance"),
        ("", "cannot be read"),
    ],
)
def test_tables_that_could_not_fail_are_refused(path: Path, text: str, told: str) -> None:
    path.write_text(text)
    with pytest.raises(InputError, match=told):
        read(path)


def test_a_new_table_keeps_tolerances(path: Path) -> None:
    commit({"bias": 2.0, "more": 3.0}, path, tolerance=0.5)
    assert read(path).to_dict("index") == {
        "bias": {"value": 2.0, "tolerance": 0.1},
        "more": {"value": 3.0, "tolerance": 0.5},
    }
    with pytest.raises(InputError, match="tolerance"):
        commit({}, path, tolerance=math.inf)
