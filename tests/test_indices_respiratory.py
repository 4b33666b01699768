"""Swings over breaths: identities, what leaves a breath out, every beat of a window, changes, catalogue."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from hemoidx import Context, InputError, default_catalogue
from hemoidx.facts import mask
from hemoidx.indices import Catalogue
from hemoidx.indices.level import Level, Source
from hemoidx.indices.respiratory.breath_beats import pulse_height, regular_beats, uncovered_share
from hemoidx.indices.respiratory.breath_rules import PRELOAD
from hemoidx.indices.respiratory.challenge import change_after
from hemoidx.indices.respiratory.entries import dbp_swing, mbp_swing, ppv, spv, spv_percent
from hemoidx.indices.respiratory.paradoxus import pulsus_paradoxus
from hemoidx.indices.respiratory.phase_fit import phase_fit
from hemoidx.indices.respiratory.stroke_variation import (
    SVV_INDICES,
    dynamic_elastance,
    svv_liljestrand_zander,
    svv_systolic_area,
)
from hemoidx.indices.respiratory.swings import (
    extremes,
    ppv_floor,
    range_factor,
    relative_swing,
    swing,
    swing_capture,
)
from hemoidx.indices.respiratory.systolic_parts import (
    apnoea_reference,
    delta_down,
    delta_down_endexp,
    delta_up,
    delta_up_endexp,
    end_expiratory,
    lower_part,
    upper_part,
)
from hemoidx.indices.respiratory.variation import pulse_curve
from hemoidx.indices.rules import judge
from tests.bench.respiratory import draw, measured
from tests.waves import Float, all_levels, ramps, regular_breaths

RNG = np.random.default_rng(4)

counts = st.lists(st.integers(2, 9), min_size=1, max_size=6)


@st.composite
def breaths(draw: st.DrawFn) -> tuple[Float, np.ndarray, int]:
    """Pressures of beats, their breaths (with beats outside between them), and the number of breaths."""
    row: list[int] = []
    for k, n in enumerate(draw(counts)):
        row += [-1] * draw(st.integers(0, 2)) + [k] * n
    value = draw(st.lists(st.floats(20.0, 250.0), min_size=len(row), max_size=len(row)))
    return np.array(value), np.array(row), max(row) + 1


# --- breath by breath ----------------------------------------------------------------------------------


@given(breaths())
def test_extremes_are_those_of_a_loop_over_breaths(drawn: tuple[Float, np.ndarray, int]) -> None:
    value, row, n = drawn
    found = extremes(value, row, n)
    assert found.low.tolist() == [value[row == k].min() for k in range(n)]
    assert found.high.tolist() == [value[row == k].max() for k in range(n)]
    assert found.beats.tolist() == [np.count_nonzero(row == k) for k in range(n)]


@given(breaths(), st.floats(-40.0, 40.0))
def test_upper_and_lower_part_add_up(drawn: tuple[Float, np.ndarray, int], reference: float) -> None:
    value, row, n = drawn
    both = upper_part(value, row, n, np.full(n, reference)) + lower_part(value, row, n, np.full(n, reference))
    np.testing.assert_allclose(both, spv(value, row, n), atol=1e-9)
    up, down = delta_up_endexp(value, row, n), delta_down_endexp(value, row, n)
    np.testing.assert_allclose(up + down, spv(value, row, n), atol=1e-9)
    assert (up >= 0).all(), "the end-expiratory beat is one of the breath"
    assert (down >= 0).all()


@given(breaths(), st.floats(0.2, 5.0), st.floats(5.0, 30.0))
def test_gain_cancels_in_a_ratio_and_offset_in_a_difference(
    drawn: tuple[Float, np.ndarray, int], gain: float, offset: float
) -> None:
    value, row, n = drawn
    for relative in (ppv, spv_percent, svv_systolic_area, svv_liljestrand_zander):
        np.testing.assert_allclose(relative(gain * value, row, n), relative(value, row, n), atol=1e-9)
    for absolute in (spv, dbp_swing, mbp_swing):
        np.testing.assert_allclose(absolute(value + offset, row, n), absolute(value, row, n), atol=1e-9)
        np.testing.assert_allclose(absolute(gain * value, row, n), gain * absolute(value, row, n), atol=1e-8)
    moved = value.max() - value.min() > 1e-3
    if moved and n == 1 and (row >= 0).all():
        assert spv_percent(value + offset, row, n)[0] < spv_percent(value, row, n)[0]


def test_a_missing_beat_leaves_its_breath_out_and_no_other() -> None:
    value = np.array([50.0, 60.0, np.nan, 55.0, 50.0, 40.0])
    row = np.array([0, 0, 1, 1, 2, 2])
    found = ppv(value, row, 3)
    assert np.isnan(found).tolist() == [False, True, False]
    assert found[2] == pytest.approx(100 * 10 / 45)
    assert np.isnan(extremes([50.0], [0], 1).low).all(), "one beat has no swing"
    assert np.isnan(swing(value, row, 5)[3:]).all(), "nor has a breath without beats"


def test_the_mean_of_all_beats_is_another_convention() -> None:
    value, row = [60.0, 50.0, 50.0, 40.0, 45.0], [0] * 5
    assert relative_swing(value, row, 1, "all")[0] == pytest.approx(100 * 20 / 49)
    assert relative_swing(value, row, 1)[0] == pytest.approx(40.0)
    with pytest.raises(InputError, match="extremes or all"):
        relative_swing(value, row, 1, "some")


@pytest.mark.parametrize(
    ("values", "row", "told"),
    [
        ([1.0, 2.0], [0], "one breath for each beat"),
        ([1.0, 2.0], [1, 0], "must not fall"),
        ([1.0, 2.0], [0, 3], "lie below 2"),
    ],
)
def test_breaths_that_cannot_be_are_refused(values: list[float], row: list[int], told: str) -> None:
    with pytest.raises(InputError, match=told):
        extremes(values, row, 2)


def test_the_height_of_the_pulse_is_pulse_pressure_in_any_unit() -> None:
    # What rejects a pressure for want of a calibration does not touch it.
    source = ramps(60)
    facts = source.facts | mask("uncalibrated")
    beats, *_ = all_levels(default_catalogue(), Source(**{**vars(source), "facts": facts}))
    assert np.isnan(beats.usable("pp")).all()
    np.testing.assert_array_equal(beats.usable("pulse_height"), beats.column("pp"))
    sbp, dbp = np.array([120.0, 110.0]), np.array([80.0, 75.0])
    np.testing.assert_allclose(pulse_height(7.0 * sbp, 7.0 * dbp), 7.0 * pulse_height(sbp, dbp))


def test_early_beats_and_those_after_them_are_not_regular() -> None:
    facts = np.zeros(6, dtype=np.int64)
    facts[[1, 4]] = mask("ectopic")
    assert regular_beats(facts).tolist() == [True, False, False, True, False, False]
    assert regular_beats([]).tolist() == []


def test_time_without_sound_beats_is_told() -> None:
    onset, lasts = np.arange(12.0), np.ones(12)
    facts = np.zeros(12, dtype=np.int64)
    start, end = np.array([0.5, 4.5, 8.5]), np.array([4.5, 8.5, 11.5])
    assert uncovered_share(start, end, onset, lasts, facts).tolist() == [0.0, 0.0, 0.0]
    lasts[5] = np.nan
    np.testing.assert_allclose(uncovered_share(start, end, onset, lasts, facts), [0.0, 0.25, 0.0])
    # An early beat at the end of one breath harms the next one too: its pause reaches into it.
    facts[8] = mask("ectopic")
    np.testing.assert_allclose(uncovered_share(start, end, onset, lasts, facts), [0.0, 0.375, 0.5])


# --- reference of systolic pressure --------------------------------------------------------------------


def test_the_nearest_apnoea_is_the_reference() -> None:
    onset = np.arange(0.0, 200.0)
    sbp = np.full(200, 130.0)
    held = ((onset >= 10) & (onset < 15)) | ((onset >= 100) & (onset < 105))
    sbp[10:15], sbp[100:105] = 120.0, 110.0
    sbp[12] = np.nan
    start = np.array([3.0, 12.0, 20.0, 60.0, 80.0, 160.0, 170.0])
    found = apnoea_reference(sbp, onset, held, start, start + 4.0)
    # Before the first, within it, behind it; nearer to the second; more than a minute behind the last.
    np.testing.assert_array_equal(found, [120.0, np.nan, 120.0, 110.0, 110.0, 110.0, np.nan])
    row = np.where((onset >= 20) & (onset < 24), 0, -1)
    args = (sbp, onset, held, [20.0], [24.0], row, 1)
    assert (delta_up(*args)[0], delta_down(*args)[0]) == (10.0, -10.0)
    assert np.isnan(apnoea_reference(sbp, onset, np.zeros(200), start, start + 4.0)).all()
    few = (onset >= 10) & (onset < 12)
    assert np.isnan(apnoea_reference(sbp, onset, few, start, start + 4.0)).all(), "two beats are too few"


def test_the_end_of_expiration_is_the_last_beat() -> None:
    found = end_expiratory([1.0, 2.0, 3.0, 4.0, np.nan], [-1, 0, 0, 2, 2], 3)
    np.testing.assert_array_equal(found, [3.0, np.nan, np.nan])


def test_paradoxus_needs_both_halves_of_the_breath() -> None:
    sbp = np.array([110.0, 104.0, 112.0, 118.0, 100.0, 120.0, 111.0, 113.0])
    onset = np.arange(8.0)
    row = np.array([0, 0, 0, 0, 1, 1, 2, 2])
    found = pulsus_paradoxus(sbp, onset, row, [1.6, 9.0, np.nan], 3)
    np.testing.assert_array_equal(found, [14.0, np.nan, np.nan])
    gap = np.where(onset == 2, np.nan, sbp)
    assert np.isnan(pulsus_paradoxus(gap, onset, row, [1.6, 4.5, 6.5], 3)).tolist() == [True, False, False]
    with pytest.raises(InputError, match="one time and one breath"):
        pulsus_paradoxus(sbp, onset[:3], row, [1.6, 4.5, 6.5], 3)


# --- what beats show of a swing, and what noise adds ---------------------------------------------------


@pytest.mark.parametrize("n", range(2, 13))
def test_capture_is_what_beats_at_all_phases_show(n: int) -> None:
    shift = np.linspace(0.0, 1.0, 5001)[:, None]
    shown = np.ptp(np.sin(2 * np.pi * (np.arange(n) + shift) / n), axis=1) / 2.0
    found = swing_capture(n)
    assert found.worst == pytest.approx(shown.min(), abs=1e-5)
    assert found.best == pytest.approx(shown.max(), abs=1e-5)
    assert found.mean == pytest.approx(shown[:-1].mean(), abs=1e-5)
    assert np.isnan(swing_capture(1.5).mean)


@pytest.mark.parametrize(("n", "tippett"), [(2, 1.128), (3, 1.693), (4, 2.059), (5, 2.326), (10, 3.078)])
def test_range_of_normal_errors(n: int, tippett: float) -> None:
    # Factors of control charts (quoted from memory), and the errors themselves.
    assert range_factor(n) == pytest.approx(tippett, abs=1e-3)
    drawn = np.ptp(RNG.normal(size=(40000, n)), axis=1).mean()
    assert range_factor(n) == pytest.approx(drawn, rel=0.02)
    assert np.isnan(range_factor(1.9))


@pytest.mark.parametrize(
    ("step", "noise"), [(0.1, 0.5), (0.5, 0.0), (0.8, 0.0), (0.8, 0.4), (3.0, 0.0), (3.0, 1.0)]
)
def test_the_floor_is_what_the_formula_reads_without_variation(step: float, noise: float) -> None:
    # Levels fall anywhere between two steps; five samples about each are rounded on their own (fine steps)
    # or all alike (coarse ones), and a parabola reads them.
    n, breaths_ = 5, 3000
    shape = (2, n * breaths_, 5)
    spread = 1.0 if step / 45.0 < 0.022 else 0.0
    level = np.array([120.0, 75.0])[:, None, None] + RNG.uniform(0, 10, (2, n * breaths_, 1))
    within = spread * step * RNG.uniform(-0.5, 0.5, shape) * 4.0
    rounded = np.round((level + within) / step) * step - within
    read = rounded @ (np.array([-3.0, 12.0, 17.0, 12.0, -3.0]) / 35.0) - level[:, :, 0]
    pp = 45.0 + read[0] - read[1] + RNG.normal(0.0, 1.0, n * breaths_) * noise
    found = relative_swing(pp, np.repeat(np.arange(breaths_), n), breaths_).mean()
    assert ppv_floor(step, 45.0, n, noise) == pytest.approx(found, rel=0.08)
    assert np.isnan(ppv_floor(step, 0.0, n)), "without a pulse there is no floor"


# --- every beat of a window ----------------------------------------------------------------------------


def modulated(
    per_breath: float, swing_percent: float, scatter: float, n_windows: int = 60, harmonic: float = 0.3
) -> tuple[Float, Float, Float, np.ndarray]:
    """Pulse pressure, phase, time and window of beats at 75/min whose true swing over the breath is known."""
    time = np.arange(int(n_windows * 30.0 / 0.8)) * 0.8
    window = (time // 30.0).astype(int)
    turn = time / 0.8 / per_breath
    fine = np.linspace(0.0, 1.0, 2000)

    def wave(x: Float) -> Float:
        return np.cos(2 * np.pi * x) + harmonic * np.cos(4 * np.pi * x + 1.0)

    low, high = wave(fine).min(), wave(fine).max()
    share = (wave(turn % 1.0) - (high + low) / 2.0) / (high - low)
    drift = 0.05 * np.sin(time / 47.0)
    pp = 50.0 * (1.0 + drift) * (1.0 + swing_percent / 100.0 * share) + 50.0 * scatter * RNG.normal(
        size=time.size
    )
    return pp, turn % 1.0, time, window


def percent(fit: object) -> Float:
    return 200.0 * (fit.high - fit.low) / (fit.high + fit.low)  # type: ignore[attr-defined, no-any-return]


@pytest.mark.parametrize("per_breath", [2.4, 3.3, 4.5, 6.2, 9.1])
@pytest.mark.parametrize("true", [5.0, 12.0, 28.0])
def test_every_beat_gives_the_whole_swing_and_its_error(per_breath: float, true: float) -> None:
    pp, phase, time, window = modulated(per_breath, true, 0.01, 200)
    fit = phase_fit(pp, phase, time, window, 200)
    off = percent(fit) - true
    assert abs(np.mean(off)) < 0.4
    assert np.std(off) < 1.0
    se = 200.0 * fit.se / (fit.high + fit.low)
    assert 0.88 <= np.mean(np.abs(off) < 1.96 * se) <= 1.0
    assert fit.scatter.mean() == pytest.approx(0.5, rel=0.15)


def test_noise_is_taken_out_where_nothing_varies() -> None:
    pp, phase, time, window = modulated(5.3, 0.0, 0.02, 200)
    row = np.floor(time / 0.8 / 5.3).astype(int)
    classic = ppv(pp, row, row[-1] + 1)
    robust = percent(phase_fit(pp, phase, time, window, 200))
    assert 3.5 < np.nanmean(classic) < 5.5
    assert np.mean(robust) < 0.4 * np.nanmean(classic)


def test_whole_numbers_of_beats_leave_one_harmonic_and_two_leave_none() -> None:
    harmonics = {n: phase_fit(*modulated(n, 10.0, 0.01)[:4], 60).harmonics for n in (2.0, 3.0, 4.0, 5.0)}
    assert set(harmonics[2.0]) == {0}
    assert set(harmonics[3.0]) == {1}
    assert set(harmonics[4.0]) == {1}
    assert set(harmonics[5.0]) == {2}
    found = phase_fit(*modulated(2.0, 10.0, 0.01)[:4], 60)
    assert np.isnan(found.low).all()
    assert np.isnan(found.se).all()


def test_outliers_hardly_move_the_fit_and_other_windows_not_at_all() -> None:
    pp, phase, time, window = modulated(4.7, 15.0, 0.01)
    before = percent(phase_fit(pp, phase, time, window, 60))
    hit = np.flatnonzero(window == 7)[::9]
    pp[hit] *= 0.4
    after = percent(phase_fit(pp, phase, time, window, 60))
    others = np.arange(60) != 7
    np.testing.assert_allclose(after[others], before[others], atol=1e-9)
    assert abs(after[7] - before[7]) < 1.5
    plain = np.ptp(pp[window == 7]) / 50.0 * 100.0
    assert plain > 50.0, "the extremes themselves are far off"


def test_windows_are_independent_of_order_gain_and_empty_ones() -> None:
    pp, phase, time, window = modulated(5.5, 10.0, 0.01, 5)
    whole = phase_fit(pp, phase, time, window, 5)
    mixed = RNG.permutation(pp.size)
    again = phase_fit(40.0 * pp[mixed], phase[mixed], time[mixed], window[mixed] + 1, 7)
    np.testing.assert_allclose(percent(again)[1:6], percent(whole), atol=1e-8)
    assert np.isnan(percent(again)[[0, 6]]).all()
    phase[window == 2] = np.nan
    assert np.isnan(phase_fit(pp, phase, time, window, 5).high).tolist() == [False, False, True, False, False]
    nothing = phase_fit([], [], [], np.zeros(0, dtype=int), 3)
    assert np.isnan(nothing.low).all()
    assert nothing.harmonics.tolist() == [0, 0, 0]


def test_ectopic_beats_and_their_successors_are_left_out_of_the_fit() -> None:
    pp, phase, time, window = modulated(5.5, 10.0, 0.01, 4)
    facts = np.zeros(pp.size, dtype=np.int64)
    early = np.arange(5, pp.size - 1, 11)
    facts[early] = mask("ectopic")
    changed = pp.copy()
    changed[early] *= 0.5
    changed[early + 1] *= 1.2
    args = (phase, time, facts, window, 4)
    np.testing.assert_allclose(pulse_curve(changed, *args).variation, pulse_curve(pp, *args).variation)
    assert (pulse_curve(pp, *args).se > 0).all()


# --- ratios and changes --------------------------------------------------------------------------------


def test_elastance_of_one_variation_with_itself_is_one_and_needs_a_variation() -> None:
    np.testing.assert_array_equal(
        dynamic_elastance([8.0, 8.0, np.nan], [8.0, 0.0, 8.0]), [1.0, np.nan, np.nan]
    )


def test_change_between_two_stretches() -> None:
    time = np.arange(0.0, 120.0, 4.0)
    value = np.where(time < 60, 6.0, 10.0) + np.tile([-1.0, 0.0, 1.0], 10)
    value[5] = np.nan
    found = change_after(value, time, [[0, 60], [0, 8], [60, 0]], [[60, 120], [60, 120], [60, 120]])
    before = np.delete(value[:15], 5)
    assert found.before[0] == pytest.approx(before.mean())
    assert found.difference[0] == pytest.approx(10.0 - before.mean())
    assert found.percent[0] == pytest.approx(100.0 * (10.0 / before.mean() - 1.0))
    error = np.sqrt(before.var(ddof=1) / 14 + value[15:].var(ddof=1) / 15)
    assert found.se[0] == pytest.approx(error)
    assert np.isnan(found.difference[1:]).all(), "two breaths are too few, a reversed stretch is empty"
    assert found.after.tolist() == [10.0] * 3
    with pytest.raises(InputError, match="must not fall"):
        change_after([1.0, 2.0], [1.0, 0.0], [[0, 1]], [[1, 2]])
    with pytest.raises(InputError, match="n_events, 2"):
        change_after([1.0, 2.0], [0.0, 1.0], [0, 1], [1, 2])
    with pytest.raises(InputError, match="one time for each value"):
        change_after([1.0, 2.0], [0.0], [[0, 1]], [[1, 2]])


# --- in the catalogue ----------------------------------------------------------------------------------

LENGTH = 120
NAMES = ("ppv", "spv", "spv_percent", "dbp_swing", "mbp_swing", "delta_up_endexp", "delta_down_endexp")


def swung(facts: dict[int, str] | None = None, context: dict[str, object] | None = None) -> Source:
    """Ramps of a second each whose height swings by 20 % over five beats."""
    source = ramps(LENGTH)
    beat = np.minimum(np.arange(source.pressure.size) // 100, LENGTH - 1)
    height = 40.0 * (1.0 + 0.1 * np.sin(2 * np.pi * beat / 5.0))
    wave = 80.0 + (source.pressure - 80.0) / 40.0 * height
    bits = source.facts.copy()
    for where, name in (facts or {}).items():
        bits[where] |= mask(name)
    given = Context.read(context) if context else Context()
    return Source(**{**vars(source), "pressure": wave, "facts": bits, "context": given.over})


def levels(
    source: Source, catalogue: Catalogue | None = None, breath_facts: int = 0
) -> tuple[Level, Level, Level, Level]:
    breathing = regular_breaths(5.0, 23)
    marked = type(breathing)(
        breathing.start,
        breathing.end,
        breathing.inspiration_end,
        lambda a, b: np.full(np.shape(a), breath_facts, dtype=np.int64),
    )
    return all_levels(catalogue or default_catalogue(), source, marked)


def verdict(level: Level, name: str, context: dict[str, object] | None = None) -> tuple[list[str], list[str]]:
    from hemoidx.indices.lookup import columns_of

    catalogue = default_catalogue()
    index = catalogue[name]
    known = (Context.read(context) if context else Context()).over
    columns = columns_of(catalogue, level.column, known, level.time, level.end)
    found = judge(
        catalogue.rules_in(index, level.table),
        index.limits,
        level.table,
        level.facts,
        columns,
        level.values[index.column],
        catalogue.facts,
        missing=index.missing,
    )
    return found.measurement.tolist(), found.reasons.tolist()


def test_a_known_swing_reaches_breaths_and_windows() -> None:
    _, breaths_, windows, record = levels(swung())
    crest, trough = 1.0 + 0.1 * np.sin(2 * np.pi / 5), 1.0 - 0.1 * np.sin(2 * np.pi / 5)
    true = 200.0 * (crest - trough) / (crest + trough)
    np.testing.assert_allclose(breaths_.usable("ppv")[1:-1], true, rtol=0.03)
    np.testing.assert_allclose(windows.usable("ppv")[:3], true, rtol=0.03)
    np.testing.assert_allclose(record.usable("ppv"), true, rtol=0.03)
    # Every beat: the whole of the sine, not what five beats show of it.
    np.testing.assert_allclose(windows.usable("ppv_robust")[:3], 20.0, rtol=0.03)
    assert np.isfinite(windows.values["ppv_robust_se"][:3]).all()
    assert (windows.usable("ppv_floor")[:3] < 1.0).all()
    for name in NAMES:
        assert np.isfinite(breaths_.usable(name)[1:-1]).all(), name
        assert np.isfinite(windows.usable(name)[:3]).all(), name
    whole = breaths_.usable("delta_up_endexp") + breaths_.usable("delta_down_endexp")
    np.testing.assert_allclose(whole, breaths_.usable("spv"))
    # Without documented spontaneous breathing there is no pulsus paradoxus, without apnoea no reference.
    assert np.isnan(breaths_.usable("pulsus_paradoxus")).all()
    assert np.isnan(breaths_.usable("delta_up")).all()


def test_a_breath_with_an_early_beat_is_left_out_and_the_next_too() -> None:
    _, breaths_, windows, _ = levels(swung({24: "ectopic", 37: "low_quality"}))
    for name in NAMES:
        assert np.flatnonzero(np.isnan(breaths_.usable(name)[1:12])).tolist() == [3, 4, 6], name
        assert np.isfinite(windows.usable(name)[:3]).all(), "other breaths of the window count"
    measurement, reasons = verdict(breaths_, "ppv")
    assert measurement[4] == "rejected"
    assert "comes early" in reasons[4]
    assert "follows one that does" in reasons[5]
    assert np.isfinite(windows.usable("ppv_robust")[:3]).all()


@pytest.mark.parametrize(
    "fact",
    ["irregular_rhythm", "alternating", "mechanical_support", "low_quality", "saturated"],
)
def test_what_is_no_regular_measured_pulse_has_no_swing(fact: str) -> None:
    _, breaths_, windows, _ = levels(swung(dict.fromkeys(range(LENGTH), fact)))
    for name in (*NAMES, "ppv_robust", "ppv_floor"):
        if name == "dbp_swing" and fact == "saturated":
            # A clipped crest says nothing about the trough.
            continue
        if name not in ("ppv_robust", "ppv_floor"):
            assert np.isnan(breaths_.usable(name)).all(), name
        assert np.isnan(windows.usable(name)).all(), name


def test_uneven_intervals_have_no_variation_by_breathing() -> None:
    for scatter, kept in ((0.02, True), (0.2, False)):
        source = swung()
        lasts = 100.0 * (1.0 + scatter * np.where(np.arange(LENGTH) % 3 == 0, 1.0, -0.5))
        onset = np.concatenate([[0.0], np.cumsum(lasts)[:-1]])
        marks = {**source.landmarks, "onset": onset, "end": onset + lasts}
        windows = levels(Source(**{**vars(source), "landmarks": marks}))[2]
        for name in ("ppv", "ppv_robust", "ppv_floor"):
            assert np.isfinite(windows.usable(name)[1:3]).all() == kept, (name, scatter)
        assert ("successive intervals differ" in verdict(windows, "ppv")[1][1]) != kept


def test_without_a_calibration_relative_variation_remains() -> None:
    _, breaths_, windows, _ = levels(swung(dict.fromkeys(range(LENGTH), "uncalibrated")))
    for name in ("ppv", "ppv_robust"):
        assert np.isfinite(windows.usable(name)[:3]).all(), name
    for name in NAMES[1:]:
        assert np.isnan(breaths_.usable(name)).all(), name


def test_unclear_breathing_slow_waves_and_breathing_from_pressure() -> None:
    _, _, windows, _ = levels(swung(), breath_facts=mask("breathing_unclear"))
    assert np.isnan(windows.usable("ppv")).all()
    assert np.isnan(windows.usable("ppv_robust")).all()
    _, _, windows, _ = levels(swung(), breath_facts=mask("slow_waves"))
    assert np.isnan(windows.usable("ppv")).all()
    assert np.isfinite(windows.usable("ppv_robust")[:3]).all()
    assert verdict(windows, "ppv_robust")[0][:3] == ["caution"] * 3
    _, breaths_, windows, record = levels(swung(), breath_facts=mask("breathing_from_pressure"))
    assert verdict(windows, "ppv")[0][:3] == ["accepted"] * 3
    assert verdict(record, "ppv")[0] == ["undocumented"]
    assert np.isnan(breaths_.usable("delta_up_endexp")).all(), "the phase of the breath is not known"


def test_an_apnoea_that_was_marked_splits_the_variation() -> None:
    context = {"events": [{"kind": "apnoea", "from_s": 50.0, "to_s": 55.0}]}
    _, breaths_, windows, _ = levels(swung(context=context))
    up, down = breaths_.usable("delta_up"), breaths_.usable("delta_down")
    np.testing.assert_allclose((up + down)[1:9], breaths_.usable("spv")[1:9])
    np.testing.assert_allclose(up[1:9], down[1:9], atol=0.5)
    assert np.isnan(up[10])
    assert np.isfinite(windows.usable("delta_up")[0])


def test_paradoxus_with_documented_spontaneous_breathing() -> None:
    context = {"intervals": [{"breathing": "spontaneous"}]}
    _, breaths_, windows, _ = levels(swung(context=context))
    assert np.isfinite(breaths_.usable("pulsus_paradoxus")[1:]).all()
    _, breaths_, _, _ = levels(swung(context=context), breath_facts=mask("breathing_from_pressure"))
    assert np.isnan(breaths_.usable("pulsus_paradoxus")).all()
    assert np.isfinite(windows.usable("pulsus_paradoxus")[:3]).all()


@pytest.mark.parametrize(
    ("flow", "told"),
    [("no", ""), ("yes", "computed from pressure"), (None, "not documented that the reference flow")],
)
def test_elastance_only_with_a_flow_of_its_own(flow: str | None, told: str) -> None:
    given: dict[str, object] = {"reference_svv_percent": 15.0}
    if flow is not None:
        given["reference_flow_from_pressure"] = flow
    context = {"intervals": [given]}
    _, _, windows, _ = levels(swung(context=context))
    found = windows.usable("dynamic_elastance")[:3]
    if told:
        assert np.isnan(found).all()
        assert told in verdict(windows, "dynamic_elastance", context)[1][0]
    else:
        np.testing.assert_allclose(found, windows.usable("ppv")[:3] / 15.0)


@pytest.mark.parametrize(
    ("given", "condition"),
    [
        ({"breathing": "spontaneous"}, "spontaneous"),
        ({"breathing": "assisted"}, "assisted"),
        ({"breathing": "unknown"}, "unknown_breathing"),
        ({"tidal_volume_ml_per_kg_pbw": 6.0}, "tidal_volume"),
        ({"lung_compliance_ml_per_cmh2o": 22.0}, "lung_compliance"),
        ({"chest_open": "yes"}, "open_chest"),
        ({"intra_abdominal_pressure_mmhg": 18.0}, "abdominal_pressure"),
        ({"right_heart_failure": "yes"}, "right_heart_failure"),
    ],
)
def test_limits_never_hide_a_value_and_say_which_way_it_errs(
    given: dict[str, object], condition: str
) -> None:
    context = {"intervals": [given]}
    _, _, windows, _ = levels(swung(context=context))
    assert np.isfinite(windows.usable("ppv")[:3]).all()
    limit = PRELOAD[condition]
    reasons = verdict(windows, "ppv", context)[1][0]
    assert limit.reason in reasons
    assert {"may read low": "read low", "may read high": "read high"}.get(
        limit.direction, "low or high"
    ) in reasons
    others = {name: other for name, other in PRELOAD.items() if name != condition}
    assert not any(other.reason in reasons for other in others.values())


def test_few_beats_a_breath_ask_for_caution_and_limit_the_reading() -> None:
    source = swung()
    for length, cautious, limited in ((5.0, False, False), (3.8, True, False), (3.2, True, True)):
        breathing = regular_breaths(length, int(110 / length))
        windows = all_levels(default_catalogue(), source, breathing)[2]
        measurement, reasons = verdict(windows, "ppv")
        assert (measurement[0] == "caution") == cautious
        assert (PRELOAD["beats_per_breath"].reason in reasons[0]) == limited
    windows = all_levels(default_catalogue(), source, regular_breaths(1.9, 55))[2]
    assert np.isnan(windows.usable("ppv")).all()
    assert "another rate" in verdict(windows, "ppv")[1][0]


def test_variation_of_stroke_volume_takes_estimators_of_the_same_name() -> None:
    beats, breaths_, windows, _ = levels(swung())
    for index in SVV_INDICES:
        estimate = beats.usable("sv" + index.name.removeprefix("svv"))
        row = beats.keys["breath"]
        by_hand = [
            200.0 * np.ptp(estimate[row == k]) / (estimate[row == k].max() + estimate[row == k].min())
            for k in range(1, 22)
        ]
        np.testing.assert_allclose(breaths_.usable(index.name)[1:22], by_hand)
        assert np.min(by_hand) > 5.0
        assert np.isfinite(windows.usable(index.name)[:3]).all()
        assert any("same pressure as ppv" in limit.reason for limit in index.limits)


# --- against the simulator -----------------------------------------------------------------------------


@pytest.mark.parametrize("found", [False, True], ids=["true breaths", "breaths read off the pressure"])
def test_variation_of_simulated_patients(found: bool) -> None:
    rng = np.random.default_rng(12)
    some = [
        draw(rng, breath_rate=rate, breath_pulse=depth, duration_s=120.0)
        for rate, depth in ((12.0, 0.04), (18.0, 0.12), (15.0, 0.25))
    ]
    got = measured(some, found)
    assert got["ppv"].notna().mean() > 0.9
    assert got["true"].min() < 4.0
    assert got["true"].max() > 18.0
    assert (got["ppv"] - got["true"]).abs().max() < 1.5
    assert (got["ppv_robust"] - got["true_robust"]).abs().max() < 1.5
    # The whole swing, not what five beats show of it; the breath is no sine and loses a little.
    assert (got["ppv_robust"] - got["latent"]).abs().max() < 2.5
    deep = got[got["latent"] > 10]
    assert (deep["ppv"] < deep["latent"] - 1.0).all()


def test_fibrillation_has_no_variation_by_breathing() -> None:
    rng = np.random.default_rng(13)
    some = [draw(rng, rhythm="atrial_fibrillation", irregularity=i, duration_s=120.0) for i in (0.12, 0.25)]
    got = measured(some, found=False)
    assert got["ppv"].isna().mean() >= 0.95
    assert got["ppv_robust"].isna().mean() >= 0.95
