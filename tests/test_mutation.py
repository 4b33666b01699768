"""A number in a formula that is off by 1 % is noticed by a published check; and what is not, is named."""

import sys
from pathlib import Path

import numpy as np
import pytest

from hemoidx.indices.flow import body, formulas
from hemoidx.validation.references import Reference
from tests.bench import mutation

#: Constants that no published check notices, and why they need none.
EXCEPTIONS = {
    ("hemoidx.indices.flow.body", "ADULT_YEARS = 18.0"): "a border of use, not a part of a formula",
}
WHOLE = {
    "hemoidx.indices.pressure.mean_rules": 13,
    "hemoidx.indices.flow.body": 12,
    "hemoidx.indices.flow.formulas": 8,
    "hemoidx.indices.flow.load": 6,
    "hemoidx.indices.stroke_volume.area": 6,
    "hemoidx.indices.stroke_volume.decay": 3,
}


@pytest.fixture(scope="module")
def touched() -> tuple[list[Reference], list[set[str]]]:
    # Only the collections that reach these modules.
    return mutation.touched(("flow", "pressure", "stroke_volume"))


@pytest.mark.parametrize("dotted", WHOLE)
def test_every_constant_is_noticed(dotted: str, touched: tuple[list[Reference], list[set[str]]]) -> None:
    every, left = mutation.unnoticed(dotted, *touched)
    assert len(every) >= WHOLE[dotted]
    told = [(dotted, constant.text) for constant in left]
    assert [one for one in told if one not in EXCEPTIONS] == []


@pytest.mark.parametrize("dotted", sorted({dotted for dotted, _ in EXCEPTIONS}))
def test_exceptions_are_still_there(dotted: str) -> None:
    source = Path(str(sys.modules[dotted].__file__)).read_text()
    there = {constant.text for constant in mutation.constants(source)}
    assert {text for name, text in EXCEPTIONS if name == dotted} <= there


def test_without_checks_nothing_is_noticed() -> None:
    every, left = mutation.unnoticed("hemoidx.indices.flow.body", [], [])
    assert left == every


SOURCE = '''
"""Text with 5.0 in it."""
from x import Index
FACTOR = 2.5
TABLE = {"a": 4.0}
ENTRY = Index(range=(1.0, 2.0))
def f(x, offset=3.0):
    """Says 7."""
    if x is None:
        raise ValueError(f"{8:g}")
    return 0 * x[9] + 6.0 * x.mean(axis=-1) ** 2 + offset
class C:
    value: float = 11.0
    def g(self):
        return 12.0
'''


def test_what_is_changed_and_what_is_not() -> None:
    assert [c.value for c in mutation.constants(SOURCE)] == [2.5, 4.0, 3.0, 6.0, 2.0, 12.0]
    assert [c.line for c in mutation.constants(SOURCE)][:2] == [4, 5]


def test_a_change_reaches_everybody_and_is_taken_back() -> None:
    before = formulas.power(90.2, 5.0)
    source = Path(str(formulas.__file__)).read_text()
    (one,) = (c for c in mutation.constants(source) if c.text.startswith("POWER_DIVISOR ="))
    with mutation.put_in_place(formulas, mutation.changed(source, one.number, str(formulas.__file__))):
        assert formulas.power(90.2, 5.0) == pytest.approx(before / 1.01)
    assert formulas.power(90.2, 5.0) == before
    # A function taken over by another module stays the same object, and runs the other code.
    source = Path(str(body.__file__)).read_text()
    (one,) = (c for c in mutation.constants(source) if c.value == 3600.0)
    from hemoidx.indices.flow.body import bsa_mosteller

    with mutation.put_in_place(body, mutation.changed(source, one.number, str(body.__file__))):
        assert bsa_mosteller(160.0, 90.0) == pytest.approx(2.0 / np.sqrt(1.01))
    assert bsa_mosteller(160.0, 90.0) == pytest.approx(2.0)
