"""The pairing rule against a plain one, and where the independent library has to be used with care."""

import numpy as np
import pytest
from hypothesis import HealthCheck, assume, given, settings
from hypothesis import strategies as st

from hemoidx.errors import InputError
from hemoidx.validation.detection import WINDOW_S, pair, score, typical_delay

# Whole milliseconds, so that exact windows happen.
MOMENTS = st.lists(st.integers(0, 6000), max_size=25, unique=True).map(sorted)


def closest_first(reference, test, window):
    """Pairs taken one by one, the closest of all that are left first; no two equally close."""
    options = sorted(
        (abs(a - b), i, j)
        for i, a in enumerate(reference)
        for j, b in enumerate(test)
        if abs(a - b) <= window
    )
    pairs, used_r, used_t = [], set(), set()
    for _, i, j in options:
        if i not in used_r and j not in used_t:
            pairs.append((i, j))
            used_r.add(i)
            used_t.add(j)
    return sorted(pairs)


def no_ties(reference, test):
    """Of two equal differences that contend for a beat either may be taken: not asked here."""
    apart = [abs(a - b) for a in reference for b in test if abs(a - b) <= 150]
    return len(set(apart)) == len(apart)


@settings(max_examples=200, suppress_health_check=[HealthCheck.filter_too_much])
@given(MOMENTS, MOMENTS)
def test_the_closest_pair_first(reference, test):
    assume(no_ties(reference, test))
    found = pair(np.array(reference) / 1000, np.array(test) / 1000)
    assert list(zip(*found, strict=True)) == closest_first(reference, test, 150)


@settings(suppress_health_check=[HealthCheck.filter_too_much])
@given(MOMENTS, MOMENTS)
def test_one_to_one_in_order_and_the_same_from_both_sides(reference, test):
    assume(no_ties(reference, test))
    a, b = np.array(reference) / 1000, np.array(test) / 1000
    first, second = pair(a, b)
    assert (np.diff(first) > 0).all()
    assert np.unique(second).size == second.size
    other_second, other_first = pair(b, a)
    assert sorted(zip(first, second, strict=True)) == sorted(zip(other_first, other_second, strict=True))
    found, back = score(a, b), score(b, a)
    assert found.true_positive + found.false_negative == a.size
    assert found.true_positive + found.false_positive == b.size
    assert (found.false_positive, found.false_negative) == (back.false_negative, back.false_positive)
    np.testing.assert_allclose(np.sort(found.offset_s), np.sort(-back.offset_s))


@given(st.integers(0, 10**8), st.integers(-40, 40))
def test_the_window_is_inclusive_at_any_time_of_day(start_ms, extra):
    """The reference implementation compares with <= (WFDB Applications Guide)."""
    found = score([start_ms / 1000], [(start_ms + 150 + extra) / 1000])
    assert found.true_positive == (extra <= 0)


def test_the_library_excludes_its_window():
    """A difference equal to `window_width` is not matched, whatever its documentation says."""
    from wfdb.processing import compare_annotations

    fs = 120.0
    reference = np.array([1000, 2000, 3000])
    test = reference + 18  # 150 ms
    assert compare_annotations(reference, test, 18).tp == 0
    width = int(np.floor(WINDOW_S * fs)) + 1
    assert compare_annotations(reference, test, width).tp == 3
    assert score(reference / fs, test / fs).true_positive == 3
    assert compare_annotations(reference, test + 1, width).tp == 0
    assert score(reference / fs, (test + 1) / fs).true_positive == 0


def test_a_doubled_detection_is_one_right_and_one_wrong_in_both():
    from wfdb.processing import compare_annotations

    other = compare_annotations(np.array([1000, 2000]), np.array([990, 1005, 2000]), 19)
    ours = score([1.0, 2.0], [0.99, 1.005, 2.0])
    assert (other.tp, other.fp, other.fn) == (2, 1, 0)
    assert (ours.true_positive, ours.false_positive, ours.false_negative) == (2, 1, 0)
    np.testing.assert_allclose(ours.offset_s, [0.005, 0.0])


def test_nothing_to_compare_is_no_crash_as_it_is_in_the_library():
    from wfdb.processing import compare_annotations

    nothing = np.zeros(0, dtype=int)
    for reference, test in ((nothing, np.array([5])), (np.array([5]), nothing)):
        with pytest.raises((ZeroDivisionError, IndexError)):
            compare_annotations(reference, test, 19)
    alone, missed = score([], [5.0]), score([5.0], [])
    assert np.isnan(alone.sensitivity)
    assert alone.positive_predictivity == 0.0
    assert missed.sensitivity == 0.0
    assert np.isnan(missed.positive_predictivity)
    assert alone.offset_s.size == missed.offset_s.size == 0


def test_a_border_makes_no_errors_of_its_own():
    reference = np.arange(10.0)
    test = reference + 0.1
    for a in np.arange(2.0, 3.0, 0.05):
        found = score(reference, test, scored_s=(a, a + 4.0))
        assert found.false_positive == found.false_negative == 0
        assert found.true_positive in (4, 5)
    late = score(reference, test[::2], scored_s=(1.5, 8.5))
    assert (late.true_positive, late.false_negative) == (4, 3)


@pytest.mark.parametrize("bad", [[1.0, np.inf], [[1.0, 2.0]], [3.0, 1.0]])
def test_bad_times_are_refused_by_name(bad):
    for call in (pair, score, typical_delay):
        with pytest.raises(InputError, match="test"):
            call([1.0], bad)


def test_the_delay_leaves_out_what_belongs_to_another_beat():
    reference = np.arange(0.0, 40.0, 2.0)
    test = np.sort(np.concatenate([reference[:12] + 0.21, reference[12:] + 1.3]))
    assert typical_delay(reference, test) == pytest.approx(0.21)
    assert typical_delay(reference, test, longest_s=2.0) == pytest.approx(0.21)
    assert typical_delay(reference, test[12:], longest_s=2.0) == pytest.approx(1.3)
    assert np.isnan(typical_delay(reference, []))
