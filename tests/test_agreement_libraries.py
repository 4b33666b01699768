"""Agreement statistics against other people's code: scikit-learn and SciPy."""

import numpy as np
import pytest
from scipy import stats
from scipy.optimize import brentq
from sklearn.linear_model import LinearRegression
from sklearn.metrics import auc, confusion_matrix, roc_auc_score, roc_curve

from hemoidx.validation import agreement as ag
from hemoidx.validation.datasets import dataset

# Ties, unequal groups, and a marker that falls where the group is positive.
CASES = [
    (seed, n, ties, high)
    for seed, n in ((1, 12), (2, 57), (3, 240))
    for ties in (0, 5)
    for high in (True, False)
]


def groups(seed: int, n: int, ties: int, high: bool) -> tuple[np.ndarray, np.ndarray]:
    rng = np.random.default_rng(seed)
    positive = np.arange(n) < max(n // 3, 2)
    marker = rng.normal(0.0, 1.0, n) + (0.9 if high else -0.9) * positive
    return (np.round(marker * ties) if ties else marker), positive


@pytest.mark.parametrize(("seed", "n", "ties", "high"), CASES)
def test_area_and_curve_are_those_of_scikit_learn(seed: int, n: int, ties: int, high: bool) -> None:
    marker, positive = groups(seed, n, ties, high)
    ours = ag.roc(marker, positive, positive_high=high)
    turned = marker if high else -marker
    assert ours.area == pytest.approx(roc_auc_score(positive, turned), abs=1e-12)
    false, true, _ = roc_curve(positive, turned, drop_intermediate=False)
    mine = sorted(zip(1.0 - ours.specificity, ours.sensitivity, strict=True))
    theirs = sorted(zip(false, true, strict=True))
    np.testing.assert_allclose(mine, theirs, atol=1e-12)
    assert auc(1.0 - ours.specificity[::-1], ours.sensitivity[::-1]) == pytest.approx(ours.area)


@pytest.mark.parametrize("marker", ["wfns", "s100b"])
def test_published_areas_and_cut_offs(marker: str) -> None:
    table = dataset("haemorrhage_2010")
    values, poor = table[marker].to_numpy(float), table["poor"].to_numpy(int)
    ours = ag.roc(values, poor)
    assert ours.area == pytest.approx(roc_auc_score(poor, values), abs=1e-12)
    cut = ag.youden(ours)
    (tn, fp), (fn, tp) = confusion_matrix(poor, values > cut.threshold)
    assert (cut.sensitivity, cut.specificity) == (
        pytest.approx(tp / (tp + fn)),
        pytest.approx(tn / (tn + fp)),
    )
    false, true, _ = roc_curve(poor, values, drop_intermediate=False)
    assert cut.sensitivity + cut.specificity - 1.0 == pytest.approx(np.max(true - false))


def test_delong_variance_is_that_of_a_jackknife_in_large_groups() -> None:
    marker, positive = groups(5, 400, 0, True)
    left_out = [roc_auc_score(np.delete(positive, k), np.delete(marker, k)) for k in range(positive.size)]
    # Delete one, for each group by itself: the groups are sampled apart.
    of = [
        np.var([left_out[k] for k in np.flatnonzero(group)]) * (group.sum() - 1)
        for group in (positive, ~positive)
    ]
    assert ag.roc(marker, positive).variance == pytest.approx(sum(of), rel=0.02)


def test_trend_is_the_line_of_scikit_learn() -> None:
    table = dataset("systolic_1999")
    test, reference = table["j1"].to_numpy(float), table["s1"].to_numpy(float)
    mean, apart = 0.5 * (test + reference), test - reference
    line = LinearRegression().fit(mean[:, None], apart)
    found = ag.proportional_bias(test, reference)
    assert found.slope == pytest.approx(line.coef_[0])
    assert found.intercept == pytest.approx(line.intercept_)
    left = apart - line.predict(mean[:, None])
    assert found.residual_sd == pytest.approx(np.sqrt(np.sum(left**2) / (apart.size - 2)))


def test_bias_interval_is_that_of_a_t_test() -> None:
    table = dataset("peak_flow_1986")
    a, b = table["wright_1"].to_numpy(float), table["mini_1"].to_numpy(float)
    theirs = stats.ttest_rel(a, b).confidence_interval(0.95)
    assert ag.limits_of_agreement(a, b).bias_ci == pytest.approx((theirs.low, theirs.high))


def test_exact_limit_intervals_solve_the_tail_of_a_noncentral_t() -> None:
    a = np.array([3.1, 4.0, 2.2, 5.9, 4.4, 3.3, 2.0, 6.1])
    found = ag.limits_of_agreement(a, np.zeros(a.size))
    n, mean, sd = a.size, a.mean(), a.std(ddof=1)
    for end, tail in zip(found.upper_ci, (0.025, 0.975), strict=True):
        t = brentq(lambda x, tail=tail: stats.nct.cdf(x, n - 1, 1.96 * np.sqrt(n)) - tail, 0.0, 100.0)
        assert end == pytest.approx(mean + t * sd / np.sqrt(n))


def test_one_way_intraclass_correlation_from_an_analysis_of_variance() -> None:
    ratings = dataset("ratings_1979").to_numpy(float)
    f, p = stats.f_oneway(*ratings)
    k = ratings.shape[1]
    found = ag.intraclass_correlation(ratings, "one_way")
    assert found.f == pytest.approx(f)
    assert found.p == pytest.approx(p)
    assert found.value == pytest.approx((f - 1.0) / (f + k - 1.0))


def test_repeated_limits_take_the_mean_squares_of_an_analysis_of_variance() -> None:
    table = dataset("cardiac_output_1999")
    apart = (table["rv"] - table["ic"]).groupby(table["subject"])
    f, _ = stats.f_oneway(*(one.to_numpy() for _, one in apart))
    parts = ag.repeated_limits(table["rv"], table["ic"], table["subject"]).parts
    assert parts["subject_mean_square"] / parts["residual_mean_square"] == pytest.approx(f)


def test_wilson_is_that_of_scipy() -> None:
    for count, n in ((0, 7), (3, 7), (7, 7), (81, 100), (399, 400)):
        theirs = stats.binomtest(count, n).proportion_ci(0.95, method="wilson")
        assert ag.wilson(count, n) == pytest.approx((theirs.low, theirs.high), abs=1e-12)


def test_the_bootstrap_of_single_rows_is_that_of_scipy() -> None:
    values = np.random.default_rng(3).gamma(3.0, 2.0, 80)
    ours = ag.cluster_bootstrap(np.mean, values, cluster=np.arange(values.size), times=4000, seed=1)
    theirs = stats.bootstrap(
        (values,), np.mean, n_resamples=4000, method="percentile", rng=np.random.default_rng(2)
    )
    assert ours.se == pytest.approx(theirs.standard_error, rel=0.05)
    assert ours.ci == pytest.approx(
        (theirs.confidence_interval.low, theirs.confidence_interval.high), rel=0.02
    )


def test_rank_correlation_of_the_spread_is_that_of_pandas() -> None:
    table = dataset("systolic_1999")
    found = ag.proportional_bias(table["j1"], table["s1"])
    spread, mean = (table["j1"] - table["s1"]).abs(), 0.5 * (table["j1"] + table["s1"])
    assert found.rank_correlation == pytest.approx(spread.corr(mean, method="spearman"))
