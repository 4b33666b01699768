"""Agreement statistics: truth from simulation, properties, other libraries, and refusals."""

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from hemoidx.errors import DataUnavailableError, InputError
from hemoidx.validation import agreement as ag
from hemoidx.validation.agreement.resampling import draws
from hemoidx.validation.datasets import dataset, dataset_names

numbers = st.lists(st.floats(20.0, 200.0), min_size=5, max_size=40)


def cohort(rng: np.random.Generator, n: int, m: int, between: float, within: float) -> tuple[Any, Any, Any]:
    """Pairs of n subjects, m each, the truth moving between them; bias 1."""
    subject = np.repeat(np.arange(n), m)
    truth = rng.normal(5.0, 1.0, subject.size)
    apart = 1.0 + rng.normal(0.0, between, n)[subject] + rng.normal(0.0, within, subject.size)
    return truth + apart, truth, subject


def coverage(make: Callable[[np.random.Generator], tuple[tuple[float, float], float]], times: int) -> float:
    rng = np.random.default_rng(11)
    held = 0
    for _ in range(times):
        (low, high), truth = make(rng)
        held += low <= truth <= high
    return held / times


@pytest.mark.parametrize("n", [5, 20, 85])
def test_exact_intervals_hold_bias_and_limit(n: int) -> None:
    def one(which: str, truth: float) -> Callable[[np.random.Generator], Any]:
        def make(rng: np.random.Generator) -> Any:
            found = ag.limits_of_agreement(rng.normal(2.0, 3.0, n), np.zeros(n))
            return getattr(found, which), truth

        return make

    for which, truth in (("bias_ci", 2.0), ("lower_ci", 2.0 - 1.96 * 3.0), ("upper_ci", 2.0 + 1.96 * 3.0)):
        assert 0.93 <= coverage(one(which, truth), 1500) <= 0.97


@pytest.mark.parametrize(
    ("n", "m", "between", "within"), [(8, 4, 0.8, 0.4), (12, 5, 0.2, 0.8), (40, 3, 0.6, 0.6)]
)
def test_intervals_of_repeated_pairs_hold_the_limit(n: int, m: int, between: float, within: float) -> None:
    sd = np.hypot(between, within)

    def make(rng: np.random.Generator) -> Any:
        found = ag.repeated_limits(*cohort(rng, n, m, between, within))
        return found.upper_ci, 1.0 + 1.96 * sd

    assert 0.93 <= coverage(make, 1200) <= 0.985


def test_a_constant_truth_is_told_from_scatter_within_subjects() -> None:
    # Readings not paired in time: differences of single readings scatter by both methods.
    rng = np.random.default_rng(3)
    n, m = 400, 4
    subject = np.repeat(np.arange(n), m)
    truth = rng.normal(5.0, 1.0, n)[subject]
    own = rng.normal(0.0, 0.5, n)[subject]
    a, b = truth + own + rng.normal(0.0, 0.3, n * m), truth + rng.normal(0.0, 0.4, n * m)
    found = ag.repeated_limits(a, b, subject, truth="constant")
    assert found.sd == pytest.approx(np.sqrt(0.5**2 + 0.3**2 + 0.4**2), rel=0.05)
    assert np.sqrt(found.parts["within_test"]) == pytest.approx(0.3, rel=0.05)
    # A side may be missing; nothing is paired.
    a[::7] = np.nan
    again = ag.repeated_limits(a, b, subject, truth="constant", centre="subjects")
    assert again.sd == pytest.approx(found.sd, rel=0.05)


@given(numbers, st.floats(-50.0, 50.0), st.floats(0.5, 3.0))
def test_limits_move_with_the_data(values: list[float], shift: float, scale: float) -> None:
    a = np.array(values)
    b = np.roll(a, 1) + 1.0
    found, moved = ag.limits_of_agreement(a, b), ag.limits_of_agreement(scale * a + shift, scale * b)
    for name in ("bias", "lower", "upper"):
        np.testing.assert_allclose(getattr(moved, name), scale * getattr(found, name) + shift, atol=1e-6)
    turned = ag.limits_of_agreement(b, a)
    np.testing.assert_allclose([turned.lower, turned.upper], [-found.upper, -found.lower], atol=1e-9)
    np.testing.assert_allclose(turned.lower_ci, [-found.upper_ci[1], -found.upper_ci[0]], atol=1e-9)


@given(numbers, st.floats(0.5, 2.0))
def test_a_factor_is_a_ratio_on_the_log_scale(values: list[float], factor: float) -> None:
    b = np.array(values)
    found = ag.limits_of_agreement(factor * b, b, scale="log")
    np.testing.assert_allclose([found.bias, found.lower, found.upper], factor, rtol=1e-6)
    percent = ag.limits_of_agreement(factor * b, b, scale="percent")
    np.testing.assert_allclose(percent.bias, 100 * (factor - 1) / (0.5 * (factor + 1)), atol=1e-6)


def test_trend_finds_a_slope_and_a_growing_spread() -> None:
    rng = np.random.default_rng(5)
    truth = rng.uniform(40.0, 140.0, 400)
    found = ag.proportional_bias(
        1.1 * truth + rng.normal(0, 0.05 * truth), 0.9 * truth + rng.normal(0, 0.05 * truth)
    )
    assert found.slope_ci[0] < 0.2 < found.slope_ci[1]
    assert found.spread_slope > 0.0
    assert found.spread_p < 0.01


def test_concordance_needs_identity_not_correlation() -> None:
    b = np.linspace(3.0, 8.0, 30)
    assert ag.concordance_correlation(b, b + 1e-12).value == pytest.approx(1.0)
    found = ag.concordance_correlation(2.0 * b + 1.0, b)
    assert found.precision == pytest.approx(1.0)
    assert found.value < 0.4
    assert found.value == pytest.approx(found.precision * found.accuracy)


@pytest.mark.parametrize("model", ["one_way", "two_way_agreement", "two_way_consistency"])
def test_intraclass_intervals_hold_the_truth(model: str) -> None:
    def make(rng: np.random.Generator) -> Any:
        n, k = 25, 3
        x = rng.normal(0, 1.0, (n, 1)) + rng.normal(0, 0.7, (n, k))
        return ag.intraclass_correlation(x, model).ci, 1.0 / (1.0 + 0.7**2)

    assert 0.93 <= coverage(make, 800) <= 0.975


def test_area_is_the_share_of_pairs_in_order() -> None:
    rng = np.random.default_rng(2)
    x = np.round(rng.normal(0, 1, 60), 1)
    group = rng.random(60) < 0.4
    ones, zeros = x[group][:, None], x[~group][None, :]
    pairs = np.mean((ones > zeros) + 0.5 * (ones == zeros))
    found = ag.roc(x, group)
    assert found.area == pytest.approx(pairs, abs=1e-12)
    assert ag.roc(x, group, positive_high=False).area == pytest.approx(1 - pairs, abs=1e-12)
    # SciPy's U statistic is the same thing by other hands.
    u = stats.mannwhitneyu(x[group], x[~group]).statistic
    assert found.area == pytest.approx(u / (group.sum() * (~group).sum()), abs=1e-12)
    # The area under the curve itself, by trapezoids.
    assert np.trapezoid(found.sensitivity[::-1], 1 - found.specificity[::-1]) == pytest.approx(
        pairs, abs=1e-12
    )


@given(st.lists(st.integers(0, 20), min_size=8, max_size=40), st.data())
@settings(max_examples=60)
def test_area_and_cut_do_not_change_under_a_rising_transform(values: list[int], data: st.DataObject) -> None:
    x = np.array(values, dtype=float)
    group = np.array(data.draw(st.lists(st.booleans(), min_size=x.size, max_size=x.size)))
    if min(group.sum(), (~group).sum()) < 2:
        return
    plain, bent = ag.roc(x, group), ag.roc(np.exp(x / 10.0), group)
    assert bent.area == plain.area
    assert bent.variance == pytest.approx(plain.variance, abs=1e-12)
    cut, bent_cut = ag.youden(plain), ag.youden(bent)
    assert (bent_cut.sensitivity, bent_cut.specificity) == (cut.sensitivity, cut.specificity)


def test_logit_interval_covers_where_the_symmetric_one_does_not() -> None:
    # Two normal groups 2 apart: area Phi(2 / sqrt 2).
    truth = float(stats.norm.cdf(2.0 / np.sqrt(2.0)))

    def one(interval: str) -> Callable[[np.random.Generator], Any]:
        def make(rng: np.random.Generator) -> Any:
            x = np.concatenate([rng.normal(2.0, 1.0, 20), rng.normal(0.0, 1.0, 20)])
            found = ag.roc(x, np.repeat([1, 0], 20), interval=interval)
            return found.ci, truth

        return make

    plain, logit = (coverage(one(kind), 1500) for kind in ("delong", "logit"))
    assert plain < 0.93
    assert 0.93 <= logit <= 0.975


def test_without_overlap_there_is_no_interval() -> None:
    found = ag.roc([1.0, 2.0, 3.0, 4.0], [0, 0, 1, 1])
    assert found.area == 1.0
    assert np.isnan(found.ci).all()


def test_paired_curves_are_compared_with_their_correlation() -> None:
    rng = np.random.default_rng(8)
    group = np.repeat([1, 0], 60)
    shared = rng.normal(0, 1, 120) + group
    first, second = (ag.roc(shared + rng.normal(0, s, 120), group) for s in (0.1, 1.0))
    paired, apart = ag.compare_roc(first, second), ag.compare_roc(first, second, paired=False)
    assert paired.difference == apart.difference
    assert np.diff(paired.ci)[0] < np.diff(apart.ci)[0]
    with pytest.raises(InputError, match="same subjects"):
        ag.compare_roc(first, ag.roc(shared[:90], group[:90]))


def test_grey_zone_turns_over_with_the_marker() -> None:
    rng = np.random.default_rng(4)
    group = rng.random(200) < 0.5
    x = rng.normal(0, 1, 200) + 1.2 * group
    zone, turned = ag.grey_zone(x, group), ag.grey_zone(-x, group, positive_high=False)
    assert zone.lower < zone.upper
    np.testing.assert_allclose([turned.lower, turned.upper], [-zone.upper, -zone.lower])
    assert turned.inside == zone.inside
    curve = ag.roc(x, group)
    # By definition: beyond the upper bound, and below the lower one, nine in ten are called right.
    assert np.mean(x[group] >= zone.lower) >= 0.9
    assert np.mean(x[~group] < zone.upper) >= 0.9
    by_odds = ag.grey_zone_by_likelihood(x, group, 0.5, rule_in=0.8, rule_out=0.2)
    assert by_odds.lower < by_odds.upper
    low, high = ag.youden_interval(x, group, times=200)
    assert low <= ag.youden(curve).threshold <= high


def test_a_bootstrap_draws_patients_whole() -> None:
    cluster = np.array([3, 3, 3, 7, 7, 9])
    for rows in draws(cluster, 20, seed=1):
        found = np.unique(cluster[rows], return_counts=True)
        names, counts = (side.tolist() for side in found)
        size = {3: 3, 7: 2, 9: 1}
        assert all(count % size[name] == 0 for name, count in zip(names, counts, strict=True))
        assert sum(c // size[n] for n, c in zip(names, counts, strict=True)) == 3


def test_a_clustered_interval_is_wider_than_one_that_ignores_patients() -> None:
    rng = np.random.default_rng(6)
    patient = np.repeat(np.arange(25), 20)
    x = rng.normal(0, 1, 25)[patient] + rng.normal(0, 0.2, 500)
    whole = ag.cluster_bootstrap(np.mean, x, cluster=patient, times=400)
    rows = ag.cluster_bootstrap(np.mean, x, cluster=np.arange(500), times=400)
    assert whole.se > 3 * rows.se
    assert whole.se == pytest.approx(1 / np.sqrt(25), rel=0.4)
    assert ag.cluster_bootstrap(np.mean, x, cluster=patient, times=50, seed=3) == ag.cluster_bootstrap(
        np.mean, x, cluster=patient, times=50, seed=3
    )


def test_results_patient_by_patient_say_why_one_is_missing() -> None:
    patient = np.repeat(["a", "b", "c"], [10, 10, 2])
    b = np.tile(np.arange(11.0), 2)
    table = ag.per_patient(ag.limits_of_agreement, b + 1.0, b, cluster=patient)
    assert table["patient"].tolist() == ["a", "b", "c"]
    np.testing.assert_allclose(table["bias"][:2], 1.0)
    assert "need at least 3 pairs, got 2" in table["reason"][2]


def test_changes_in_four_quadrants() -> None:
    reference = np.array([2.0, 2.0, -2.0, -2.0, 0.1, 0.0])
    test = np.array([1.0, -1.0, -3.0, 2.0, 0.1, 5.0])
    found = ag.four_quadrant(test, reference, zone=0.5)
    assert (found.n, found.excluded) == (5, 1)
    assert found.rate == pytest.approx(40.0), "a change of zero on one side agrees with nothing"
    assert found.ci[0] < 40.0 < found.ci[1]
    assert ag.four_quadrant(test, reference, zone=0.5, shape="mean").excluded == 3
    assert np.isnan(ag.four_quadrant(test, reference, zone=100.0).rate)


@given(st.lists(st.tuples(st.floats(-9, 9), st.floats(-9, 9)), min_size=4, max_size=30))
def test_polar_angles_do_not_tell_rises_from_falls(changes: list[tuple[float, float]]) -> None:
    a, b = np.array(changes).T
    found, turned = ag.polar(a, b, zone=0.5), ag.polar(-a, -b, zone=0.5)
    assert found.n == turned.n
    inside = np.abs(a + b)[0.5 * (np.abs(a) + np.abs(b)) > 0.5] > 1e-9
    np.testing.assert_allclose(found.angle[inside], turned.angle[inside], atol=1e-6)
    assert (np.abs(found.angle) <= 90.0 + 1e-9).all()


def test_polar_reads_a_known_slope() -> None:
    b = np.array([1.0, -2.0, 3.0, -4.0, 0.1])
    found = ag.polar(2.0 * b, b, zone=0.5)
    np.testing.assert_allclose(found.angle, np.degrees(np.arctan2(1.0, 3.0)))
    assert (found.n, found.excluded) == (4, 1)
    apart = ([3.0, 3.0, 3.0], [-1.0, -1.0, -1.0], 0.0)
    wide, narrow = (ag.polar(*apart, r).distance[0] for r in ("mean_of_sizes", "size_of_mean"))
    assert (wide, narrow) == (2.0, 1.0)


@pytest.mark.parametrize(
    ("call", "complaint"),
    [
        (lambda: ag.limits_of_agreement([1, 2], [1, 2]), "need at least 3 pairs, got 2"),
        (lambda: ag.limits_of_agreement([1, 2, 3], [1, 2]), "two rows of equal length"),
        (lambda: ag.limits_of_agreement([1, 2, 3], [1, 2, 4], scale="root"), "scale must be one of"),
        (lambda: ag.limits_of_agreement([1, 2, 3], [1, 2, 4], interval="wide"), "interval must be one of"),
        (lambda: ag.limits_of_agreement([0, 2, 3], [1, 2, 4], scale="log"), "positive values"),
        (lambda: ag.repeated_limits([1, 2, 3], [1, 2, 3], [1, 2, 3]), "no subject has two readings"),
        (lambda: ag.repeated_limits([1, 2, 3], [1, 2, 3], [1, 1, 2]), "at least three subjects, got 2"),
        (lambda: ag.repeated_limits([1] * 6, [1] * 6, [1, 1, 2, 2, 3, 3], truth="moving"), "truth must be"),
        (lambda: ag.percentage_error_of_test(20.0, 30.0), "cannot be less precise"),
        (lambda: ag.least_significant_change(-1.0), "need a spread from 0 on"),
        (lambda: ag.intraclass_correlation([[1, np.nan], [2, 3]]), "without gaps"),
        (lambda: ag.roc([1, 2, 3], [1, 0, 0]), "each group needs at least two"),
        (lambda: ag.cluster_bootstrap(np.mean, [1, 2, 3], cluster=[1, 2, 3]), "at least five patients"),
        (lambda: ag.four_quadrant([1, 2, 3], [1, 2, 3], -1.0), "zone must not be negative"),
        (lambda: ag.cuff_criteria([1, 2], [1, 2], [1, 2]), "at least three subjects"),
    ],
)
def test_what_cannot_be_is_refused_in_words(call: Callable[[], Any], complaint: str) -> None:
    with pytest.raises(InputError, match=complaint):
        call()


def test_pictures_show_what_was_found() -> None:
    rng = np.random.default_rng(1)
    a, b, subject = cohort(rng, 10, 4, 0.5, 0.5)
    found = ag.repeated_limits(a, b, subject)
    ax = found.plot()
    assert len(ax.collections[0].get_offsets()) == 40
    assert f"bias {found.bias:.3g}" in [text.get_text() for text in ax.texts]
    changes = ag.four_quadrant(np.diff(a), np.diff(b), 0.5)
    assert f"{changes.rate:.0f} % of {changes.n}" in changes.plot().get_title()
    assert "mean angle" in ag.polar(np.diff(a), np.diff(b), 0.5).plot().get_title()
    curve = ag.roc(a, b > 5.0)
    np.testing.assert_array_equal(curve.plot().lines[0].get_ydata(), curve.sensitivity)


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
