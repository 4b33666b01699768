"""The line bench shows what the simulator and the analysis give; the mystery line grades what can be told."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from hemoidx.errors import InputError
from hemoidx.explore import LineBench, MysteryLine
from hemoidx.explore.line_bench import RANGES
from hemoidx.explore.mystery import FAULTS
from hemoidx.line import lumped
from hemoidx.line.response import step_response


def test_the_flush_on_the_bench_follows_the_textbook() -> None:
    """Return from rest: offset times one less the step response of second order, a closed form."""
    view = LineBench(bubble_ml=0.05, fs=500.0)
    found = view.seen
    after = found.flush_s >= 0
    offset = 300.0 - 85.0
    expected = 85.0 + offset * (1.0 - step_response(found.flush_s[after], found.hz, found.damping))
    np.testing.assert_allclose(found.flush[after], np.minimum(expected, 310.0), atol=1e-6)


def test_level_is_a_column_of_water_and_shifts_every_pressure_alike() -> None:
    """10 cm of water are 7.4 mmHg (980.665 Pa over 133.322 Pa a mmHg); a high transducer reads low."""
    high, level = LineBench(above_cm=10.0).numbers(), LineBench().numbers()
    for name in range(3):
        assert high[name]["recorded"] - level[name]["recorded"] == pytest.approx(-7.36, abs=0.05)
    assert high[3]["recorded"] == pytest.approx(level[3]["recorded"])


def test_the_numbers_are_those_of_the_trace() -> None:
    """What the table says is what the drawn waves show, by their extremes."""
    view = LineBench(bubble_ml=0.03, fs=500.0, zero_mmhg=3.0)
    found = view.seen
    numbers = {row["name"]: row for row in view.numbers()}
    assert numbers["systolic"]["recorded"] == pytest.approx(found.recorded.max(), abs=0.7)
    assert numbers["systolic"]["true"] == pytest.approx(found.true.max(), abs=0.7)
    assert numbers["diastolic"]["recorded"] == pytest.approx(found.recorded.min(), abs=1.5)
    assert numbers["mean"]["recorded"] - numbers["mean"]["true"] == pytest.approx(3.0)


def test_the_measured_flush_holds_the_line_that_was_made() -> None:
    view = LineBench(bubble_ml=0.02)
    words = view.measure(seed=3)
    found = view.seen
    low, high = (float(part) for part in words.split("frequency ")[1].split(" Hz")[0].split(" to "))
    # As printed, to three digits.
    assert low - 0.05 <= found.hz <= high + 0.05
    assert high - low < 0.2 * found.hz


@settings(max_examples=15, deadline=None)
@given(st.floats(0.0, 0.4), st.floats(0.0, 0.4))
def test_more_air_makes_a_slower_line(a: float, b: float) -> None:
    few, many = sorted((a, b))
    slow, fast = LineBench(bubble_ml=many).seen.hz, LineBench(bubble_ml=few).seen.hz
    assert slow <= fast + 1e-9


@pytest.mark.parametrize(("hz", "damping"), [(12.0, 0.3), (18.0, 0.2), (9.0, 0.4)])
def test_a_place_on_the_plane_is_reached(hz: float, damping: float) -> None:
    view = LineBench()
    view.heard({"kind": "click", "area": "plane", "x": hz, "y": damping, "shift": False})
    assert view.seen.hz == pytest.approx(hz, rel=0.1)
    assert view.seen.damping == pytest.approx(damping, abs=0.06)


def test_values_out_of_range_are_refused_and_code_repeats_the_bench() -> None:
    view = LineBench(bubble_ml=0.3, rate=110.0)
    for key, (low, high, *_) in RANGES.items():
        for value in (low - 1.0, high + 1.0, float("nan")):
            with pytest.raises(InputError, match=key):
                view.set(**{key: value})
    scope: dict = {}
    exec(view.code().replace("hx.explore", "view = hx.explore"), scope)
    assert scope["view"].state == view.state
    assert scope["view"].seen.hz == lumped_hz(view)


def lumped_hz(view: LineBench) -> float:
    from hemoidx.explore.line_model import physical

    return lumped(physical(view.state)).natural_frequency_hz


# --- mystery -----------------------------------------------------------------------------------------------


def exercise(key: str) -> MysteryLine:
    return next(view for k in range(400) if (view := MysteryLine(number=k)).fault.key == key)


@pytest.mark.parametrize("fault", FAULTS, ids=lambda fault: fault.key)
def test_every_fault_is_met_graded_and_explained(fault) -> None:
    view = exercise(fault.key)
    view.set(guess=fault.key)
    right, words = view.grade()
    assert right
    assert fault.words in words
    for other in FAULTS:
        view.set(guess=other.key)
        assert view.grade()[0] is (other.key == fault.key or other.key in fault.alike), other.key
    if fault.alike:
        view.set(guess=fault.alike[0])
        assert "no trace tells the two apart" in view.grade()[1]
        assert "To be sure" in view.grade()[1]


@pytest.mark.parametrize("key", ["high", "low", "zero_low", "zero_high"])
def test_level_and_zero_shift_the_mean_and_the_cuff_shows_it(key: str) -> None:
    view = exercise(key)
    bench = LineBench(**view.bench)
    mean = bench.numbers()[2]
    assert abs(mean["error"]) > 7.0
    assert abs(view.cuff() - mean["true"]) <= 4.0
    assert (mean["error"] < 0) == (key in ("high", "zero_low"))


def test_alike_faults_are_so_for_both() -> None:
    by_key = {fault.key: fault for fault in FAULTS}
    for fault in FAULTS:
        for other in fault.alike:
            assert fault.key in by_key[other].alike


def test_a_dynamic_fault_leaves_the_mean_alone() -> None:
    for key in ("air", "soft", "long", "narrow"):
        mean = LineBench(**exercise(key).bench).numbers()[2]
        assert abs(mean["error"]) < 0.5, key


def test_the_artery_is_hidden_until_the_answer_is_told() -> None:
    view = MysteryLine(number=5)
    assert {ax.get_gid() for ax in view.figure().axes} == {"trace", "flush"}
    assert len(view.figure().axes[0].lines) == 1
    view.answer()
    assert "plane" in {ax.get_gid() for ax in view.figure().axes}
    view.set(number=6)
    assert view.state["told"] is False
    assert MysteryLine(number=5).describe() == MysteryLine(number=5).describe()


def test_only_what_shifts_the_mean_is_said_to_differ_from_the_cuff() -> None:
    for number in range(60):
        view = MysteryLine(number=number)
        shifted = view.fault.key in ("high", "low", "zero_low", "zero_high")
        assert ("more than cuffs scatter" in view.grade()[1]) is shifted, number
