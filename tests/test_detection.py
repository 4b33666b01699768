"""Beat-by-beat scoring: rules of the standard, a worked example, and an independent library."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from hemoidx.errors import InputError
from hemoidx.validation.detection import pair, score, typical_delay

TIMES = st.lists(st.integers(0, 4000), min_size=0, max_size=60, unique=True).map(
    lambda ms: np.sort(np.array(ms, dtype=float)) / 100.0
)


def test_worked_example_of_the_wfdb_package() -> None:
    """500 beats, 480 detections, 470 matched: 0.94 and 0.979167 (WFDB 4.3.1, processing/evaluate)."""
    reference = np.arange(500.0)
    test = np.concatenate([reference[:470] + 0.02, np.arange(10) + 600.5])
    got = score(reference, test)
    assert (got.true_positive, got.false_positive, got.false_negative) == (470, 10, 30)
    assert got.sensitivity == pytest.approx(0.94, abs=5e-7)
    assert got.positive_predictivity == pytest.approx(0.979167, abs=5e-7)


def test_the_window_is_inclusive() -> None:
    """ANSI/AAMI EC57 lets a pair differ by exactly 150 ms (WFDB Applications Guide, evaluating analysers)."""
    assert score([1.0], [1.15]).true_positive == 1
    assert score([1.0], [1.1511]).true_positive == 0
    assert score([100.0], [99.85]).true_positive == 1


def test_a_contested_beat_goes_to_the_closer_one() -> None:
    reference, test = pair([1.0, 1.2], [1.12])
    assert (reference.tolist(), test.tolist()) == ([1], [0])


def test_a_second_detection_is_false() -> None:
    got = score([1.0], [0.98, 1.05])
    assert (got.true_positive, got.false_positive, got.false_negative) == (1, 1, 0)
    assert got.offset_s == pytest.approx([-0.02])


def test_empty_lists_are_allowed() -> None:
    assert score([], [1.0]).false_positive == 1
    assert score([1.0], []).false_negative == 1
    assert np.isnan(score([], []).sensitivity)


def test_the_border_of_the_scored_time_makes_no_errors() -> None:
    got = score([1.0, 2.0, 3.0], [0.95, 2.0, 3.05], scored_s=(0.97, 3.02))
    assert (got.true_positive, got.false_positive, got.false_negative) == (3, 0, 0)
    assert score([1.0, 2.0], [2.0, 5.0], scored_s=(1.5, 4.0)).false_positive == 0


@pytest.mark.parametrize("bad", [[2.0, 1.0], [np.nan], [[1.0]]])
def test_times_that_cannot_be_are_refused(bad: list[float]) -> None:
    with pytest.raises(InputError, match="reference"):
        score(bad, [1.0])


def test_delay_is_the_median_to_the_next_detection() -> None:
    reference = np.arange(20.0)
    assert typical_delay(reference, reference + 0.25) == pytest.approx(0.25)
    assert np.isnan(typical_delay([5.0], [1.0]))


@given(TIMES, TIMES)
def test_pairs_are_one_to_one_close_and_leave_no_couple_apart(a: np.ndarray, b: np.ndarray) -> None:
    first, second = pair(a, b)
    assert len(set(first)) == len(first) == len(set(second))
    assert (np.abs(a[first] - b[second]) <= 0.15 + 1e-6).all()
    free_a, free_b = np.delete(a, first), np.delete(b, second)
    if free_a.size and free_b.size:
        assert np.abs(free_a[:, None] - free_b).min() > 0.15
    back = pair(b, a)
    assert len(back[0]) == len(first)


@given(st.integers(0, 10_000))
def test_counts_agree_with_an_independent_library(seed: int) -> None:
    """wfdb.processing on well-parted beats; its window excludes the limit, so it is given one sample more."""
    from wfdb.processing import compare_annotations

    rng = np.random.default_rng(seed)
    reference = np.cumsum(rng.integers(400, 1500, 40))
    test = reference + rng.integers(-140, 141, 40)
    test = np.sort(np.concatenate([test[rng.random(40) > 0.1], reference[-1] + np.arange(1, 4) * 2000]))
    theirs = compare_annotations(reference, test, 151)
    ours = score(reference / 1000.0, test / 1000.0)
    assert (ours.true_positive, ours.false_positive, ours.false_negative) == (theirs.tp, theirs.fp, theirs.fn)
