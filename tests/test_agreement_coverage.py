"""Confidence intervals: what their notes say is what simulation shows, and a note stands where it must."""

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest

from hemoidx.validation import agreement as ag
from tests.bench import agreement as bench


@pytest.mark.parametrize(
    ("model", "interval", "n", "low", "high"),
    [
        # Held at every size.
        ("limits, one pair each", "exact: upper limit", 8, 93, 97),
        ("limits, one pair each", "exact: bias", 85, 93, 97),
        ("intraclass, 3 raters", "two_way_agreement", 20, 92.5, 97.5),
        ("proportional bias", "slope", 12, 93, 97),
        ("difference of areas", "paired", 40, 92.5, 97),
        # Too seldom, and the notes say so.
        ("limits, one pair each", "1999: upper limit", 12, 85, 93),
        ("limits, skewed differences", "upper limit", 40, 70, 83),
        ("concordance correlation 0.5", "by z", 8, 86, 93),
        ("area 0.76", "delong", 12, 80, 93),
        # Too often.
        ("area 0.76", "logit", 8, 97, 100),
        ("repeated, truth varies, subjects differ", "pairs: upper limit", 8, 96.5, 100),
        ("repeated, truth constant, noisy test", "1999: bias", 20, 97, 100),
    ],
)
def test_coverage_is_what_the_docstrings_state(
    model: str, interval: str, n: int, low: float, high: float
) -> None:
    held, _ = bench.coverage(bench.MODELS[model], n, 600, seed=4)[interval]
    assert low <= held <= high


def test_a_bootstrap_of_few_patients_is_too_narrow() -> None:
    few, _ = bench.coverage(bench.bootstrap, 8, 200, seed=4)["mean"]
    assert few < 93


def pairs(n: int, seed: int = 2) -> tuple[np.ndarray, np.ndarray]:
    rng = np.random.default_rng(seed)
    truth = rng.normal(5.0, 1.0, n)
    return truth + rng.normal(0.0, 0.3, n), truth


def marker(n: int, apart: float = 1.0) -> tuple[np.ndarray, np.ndarray]:
    positive = np.arange(n) < n // 2
    return np.random.default_rng(3).normal(0.0, 1.0, n) + apart * positive, positive


def repeated(n: int, **options: Any) -> ag.Limits:
    who = np.repeat(np.arange(n), 3)
    return ag.repeated_limits(*pairs(who.size), who, **options)


@pytest.mark.parametrize(
    ("without", "with_note", "words"),
    [
        (
            lambda: ag.limits_of_agreement(*pairs(12)),
            lambda: ag.limits_of_agreement(*pairs(12), interval="1999"),
            "with 12 subjects the intervals of 1999 hold in 90 to 92 %",
        ),
        (
            lambda: ag.limits_of_agreement(*pairs(40), interval="1999"),
            lambda: ag.limits_of_agreement(np.random.default_rng(1).gamma(1.0, 1.0, 60), np.zeros(60)),
            "not normally distributed",
        ),
        (lambda: repeated(20), lambda: repeated(19), "with 19 subjects"),
        (
            lambda: repeated(30, truth="constant"),
            lambda: repeated(30, truth="constant", interval="1999"),
            "too wide",
        ),
        (
            lambda: ag.concordance_correlation(*pairs(20)),
            lambda: ag.concordance_correlation(*pairs(19)),
            "too narrow",
        ),
        (lambda: ag.roc(*marker(20)), lambda: ag.roc(*marker(18)), "with 9 in the smaller group"),
        (
            lambda: ag.roc(*marker(90), interval="delong"),
            lambda: ag.roc(*marker(78), interval="delong"),
            "interval='logit' holds better",
        ),
        (lambda: ag.roc(*marker(40)), lambda: ag.roc(*marker(40, 30.0)), "do not overlap"),
        (
            lambda: ag.cluster_bootstrap(np.mean, np.arange(40.0), cluster=np.arange(40), times=50),
            lambda: ag.cluster_bootstrap(np.mean, np.arange(39.0), cluster=np.arange(39), times=50),
            "with 39 patients",
        ),
    ],
)
def test_notes_stand_where_they_must(
    without: Callable[[], Any], with_note: Callable[[], Any], words: str
) -> None:
    assert without().note == ""
    assert words in with_note().note


def test_curves_without_overlap_are_compared_without_an_error() -> None:
    apart, positive = marker(40, 30.0)
    for paired in (True, False):
        found = ag.compare_roc(ag.roc(apart, positive), ag.roc(2.0 * apart, positive), paired)
        assert found.difference == 0.0
        assert np.isnan([found.statistic, found.p, *found.ci]).all()


def test_a_cut_off_beyond_all_values_has_no_warning() -> None:
    x, positive = marker(8, 0.0)
    low, high = ag.youden_interval(x, positive, times=300, seed=1)
    assert low <= high
