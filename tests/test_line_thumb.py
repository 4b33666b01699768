"""Published rules of thumb about natural frequency and damping, and where they disagree."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from hemoidx.line.response import frequency_response
from hemoidx.line.thumb import (
    MET,
    NOT_MET,
    OPEN,
    RULES,
    Line,
    disagreement,
    examiners_damping,
    flat_band,
    needed_frequency,
    rules_of_thumb,
)


def test_rules_agree_with_their_sources():
    # Mark JB 1998, Fig 9-6: below 7 Hz unacceptable. Its sister text says 7.5 Hz: between is left open.
    assert rules_of_thumb(6.9, 0.5, 70)["lowest"] == NOT_MET
    assert rules_of_thumb(7.2, 0.5, 70)["lowest"] == OPEN
    assert rules_of_thumb(7.6, 0.5, 70)["lowest"] == MET
    # Mark JB 1998, Fig 9-14: 17 Hz and 0.2 serves.
    assert rules_of_thumb(17, 0.2, 70)["usual"] == MET
    # Deranged Physiology: above 24 Hz for fine features.
    assert [rules_of_thumb(f, 0.3, 70)["fine_detail"] for f in (23.9, 24.0)] == [NOT_MET, MET]
    # Part One: ten times the pulse rate, 30 Hz at 180/min.
    assert needed_frequency(180, 10) == pytest.approx(30, abs=0)
    assert [rules_of_thumb(f, 0.3, 180)["ten_times"] for f in (29.9, 30.0)] == [NOT_MET, MET]
    # Falsetti HL and others, Circulation 1974: more than 40 Hz for dP/dt max within 10 %.
    assert rules_of_thumb(39, 0.3, 70)["steepness"] == NOT_MET
    # Examiners 2012: below 0.7 underdamped, above 1.0 overdamped.
    assert [examiners_damping(Line(20, z, 70)) for z in (0.69, 0.8, 1.01)] == [NOT_MET, MET, NOT_MET]


def test_harmonics_of_the_pulse():
    # Moscucci M, Grossman W, chapter 10: at 120/min 2, 4, 6, 8, 10 Hz.
    assert [needed_frequency(120, k) for k in range(1, 6)] == [2, 4, 6, 8, 10]
    # Geddes LA 1991, as quoted: 200/min is 3.33 Hz; six times 20 Hz, ten times 33.3 Hz.
    assert needed_frequency(200, 1) == pytest.approx(3.33, abs=0.005)
    assert needed_frequency(200, 6) == pytest.approx(20, abs=0.005)
    assert needed_frequency(200, 10) == pytest.approx(33.33, abs=0.005)


@pytest.mark.parametrize(
    ("tolerance", "expected"),
    [
        (0.02, [0.1415, 0.1461, 0.1550, 0.1708, 0.2012, 0.2848, 0.6728, 0.4733, 0.2567, 0.1429]),
        (0.05, [0.2206, 0.2280, 0.2425, 0.2687, 0.3221, 0.8437, 0.7456, 0.5910, 0.3896, 0.2294]),
        (0.10, [0.3049, 0.3158, 0.3372, 0.3776, 0.4728, 0.9162, 0.8353, 0.7104, 0.5286, 0.3333]),
    ],
)
def test_flat_band(tolerance, expected):
    # Arithmetic only: computed from the formula in Hallauer, Linear Time-Invariant Dynamic Systems, 10.2.
    damping = (0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.64, 0.7, 0.8, 1.0)
    got = [flat_band(Line(1.0, z, 60.0), tolerance) for z in damping]
    np.testing.assert_allclose(got, expected, atol=5e-4)


@given(z=st.floats(0.02, 2.5), tolerance=st.floats(0.005, 0.2))
def test_flat_band_is_where_the_gain_first_leaves(z, tolerance):
    end = flat_band(Line(10.0, z, 60.0), tolerance)
    inside = np.abs(frequency_response(np.linspace(0, end * 0.999, 300), 10.0, z))
    assert np.all(np.abs(inside - 1) <= tolerance + 1e-9)
    assert abs(np.abs(frequency_response(end * 1.001, 10.0, z)) - 1) > tolerance * 0.98


def test_disagreement_names_both_sides():
    said = rules_of_thumb(17, 0.2, 75)
    assert set(said) == {rule.name for rule in RULES}
    assert "disagree" in disagreement(said)
    assert "at least 7 Hz" in disagreement(said).split("Not met")[0]
    assert "24 Hz" in disagreement(said).split("Not met")[1]
    assert disagreement(dict.fromkeys(said, MET)).endswith("are met.")
    assert {r.name for r in RULES if r.remembered} == {"usual", "eight_times"}
