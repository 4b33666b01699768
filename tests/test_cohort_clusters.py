"""Intervals over clusters: published values, other libraries, and what must hold for any numbers."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

import hemoidx
from hemoidx.cohort.clusters import components, mean_of, median_interval, pooled
from hemoidx.errors import InputError

RATINGS = Path(hemoidx.__file__).parent / "validation" / "data" / "ratings_1979.csv"


def clustered(seed: int, clusters: int, size: int) -> tuple[np.ndarray, np.ndarray]:
    rng = np.random.default_rng(seed)
    who = np.repeat(np.arange(clusters), size)
    return who, 80 + np.repeat(rng.normal(0, 8, clusters), size) + rng.normal(0, 3, clusters * size)


def test_intraclass_correlation_of_the_paper_of_1979() -> None:
    # Shrout PE, Fleiss JL. Psychol Bull 1979;86:420-428: between 11.24, within 6.26, ICC(1, 1) 0.17.
    ratings = pd.read_csv(RATINGS, comment="#").to_numpy(dtype=float)[:, -4:]
    assert ratings.shape == (6, 4)
    found = components(np.full(6, 4), ratings.mean(axis=1), ratings.std(axis=1, ddof=1))
    assert found.icc == pytest.approx(0.17, abs=0.005)
    assert found.within_sd**2 == pytest.approx(6.26, abs=0.005)
    assert 4 * found.between_sd**2 + found.within_sd**2 == pytest.approx(11.24, abs=0.005)
    # Interval from memory, as another package prints it for these data: -0.13 to 0.72; none lies below zero.
    assert found.low == 0.0
    assert found.high == pytest.approx(0.72, abs=0.005)


def test_balanced_clusters_agree_with_a_mixed_model() -> None:
    who, value = clustered(1, 15, 6)
    model = sm.MixedLM(value, np.ones_like(value), groups=who).fit(reml=True)
    found = components(*pooled(who, value)[1:])
    assert found.between_sd**2 == pytest.approx(float(model.cov_re[0, 0]), rel=2e-3)
    assert found.within_sd**2 == pytest.approx(model.scale, rel=2e-3)
    mean = mean_of(pooled(who, value)[2])
    assert mean.value == pytest.approx(float(model.fe_params[0]))
    assert mean.sd / np.sqrt(15) == pytest.approx(float(model.bse_fe[0]), rel=2e-3)


def test_interval_is_the_cluster_robust_one() -> None:
    who, value = clustered(2, 12, 5)
    fit = sm.OLS(value, np.ones_like(value)).fit(cov_type="cluster", cov_kwds={"groups": who}, use_t=True)
    mean = mean_of(pooled(who, value)[2])
    assert (mean.low, mean.high) == pytest.approx(tuple(fit.conf_int()[0]))
    naive = sm.OLS(value, np.ones_like(value)).fit()
    assert mean.high - mean.low > 1.8 * np.diff(naive.conf_int()[0])[0]


def test_interval_is_students() -> None:
    values = [71.0, 84.5, 90.0, 66.0, np.nan, 79.0]
    known = np.array(values)[~np.isnan(values)]
    low, high = stats.t.interval(0.95, 4, known.mean(), stats.sem(known))
    assert mean_of(values)[:3] == pytest.approx((known.mean(), low, high))
    assert mean_of(values).clusters == 5
    assert "normally distributed" in mean_of(values).note


def test_interval_covers_as_often_as_it_says() -> None:
    rng = np.random.default_rng(3)
    truth = 80.0
    inside = 0
    for _ in range(1500):
        size = rng.integers(1, 9, 20)
        values = truth + rng.normal(0, 6, 20) + rng.normal(0, 3, 20) / np.sqrt(size)
        found = mean_of(values)
        inside += found.low <= truth <= found.high
    assert 0.935 <= inside / 1500 <= 0.965


@pytest.mark.parametrize(("n", "rank"), [(6, 1), (10, 2), (15, 4), (20, 6), (30, 10), (50, 18)])
def test_ranks_of_the_median(n: int, rank: int) -> None:
    # Ranks as tables of order statistics print them (from memory); n = 5 has no 95 % interval.
    values = np.arange(1.0, n + 1)
    assert median_interval(values)[1:] == (float(rank), float(n + 1 - rank))
    assert np.isnan(median_interval(values[:5])[1])
    enclosed = stats.binom.cdf(n - rank, n, 0.5) - stats.binom.cdf(rank - 1, n, 0.5)
    assert enclosed >= 0.95


def test_kish_worth_of_equal_clusters() -> None:
    who, value = clustered(4, 20, 30)
    found = components(*pooled(who, value)[1:])
    # Design effect 1 + (m - 1) icc for clusters of one size.
    assert found.effective == pytest.approx(600 / (1 + 29 * found.icc))
    assert 18 < found.effective < 30


numbers = st.lists(
    st.tuples(st.integers(0, 4), st.floats(-50, 150).map(lambda x: round(x, 3))), min_size=8, max_size=40
)


@given(numbers, st.floats(-20, 20), st.floats(0.1, 5.0))
def test_components_do_not_depend_on_origin_and_unit(
    rows: list[tuple[int, float]], shift: float, scale: float
) -> None:
    who, value = np.array([r[0] for r in rows]), np.array([r[1] for r in rows])
    plain = components(*pooled(who, value)[1:])
    moved = components(*pooled(who, scale * value + shift)[1:])
    if np.isnan(plain.icc) or plain.within_sd < 0.1:
        return
    assert moved.icc == pytest.approx(plain.icc, abs=1e-6)
    assert moved.within_sd == pytest.approx(scale * plain.within_sd)
    assert 0.0 <= plain.low <= plain.icc + 1e-9 <= plain.high + 2e-9
    assert plain.effective <= plain.readings + 1e-9


@given(numbers)
def test_pooled_numbers_are_those_of_pandas(rows: list[tuple[int, float]]) -> None:
    frame = pd.DataFrame(rows, columns=["who", "value"])
    expected = frame.groupby("who")["value"].agg(["count", "mean", "std"])
    names, count, mean, sd = pooled(frame["who"], frame["value"])
    assert names.tolist() == expected.index.tolist()
    np.testing.assert_allclose(count, expected["count"])
    np.testing.assert_allclose(mean, expected["mean"], atol=1e-9)
    np.testing.assert_allclose(sd, expected["std"], atol=1e-6)


def test_what_has_no_value_says_so() -> None:
    assert np.isnan(mean_of([4.0]).low)
    assert mean_of([]).clusters == 0
    assert np.isnan(components([1, 1, 1], [1.0, 2.0, 3.0], [np.nan] * 3).icc)
    assert components([2, 2], [1.0, 2.0], [0.0, 0.0]).icc == 1.0
    with pytest.raises(InputError, match="one length"):
        components([1, 2], [1.0], [1.0])
