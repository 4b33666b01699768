"""What a line does to single beats: against truth, in any rhythm, at a bounded cost."""

import dataclasses

import numpy as np
import pytest

from hemoidx.errors import InputError
from hemoidx.line.adequacy import assess, expected_error
from hemoidx.line.dynamics import Dynamics
from hemoidx.line.typical import QUANTITIES, numbers_of
from tests.bench.chain import RHYTHMS, beatwise, matched
from tests.bench.line import FINE_HZ, draw_patient, dynamics, numbers, record, second_order


@pytest.fixture(scope="module")
def patient():
    """A patient with a pulse of medium steepness; nothing was fitted on this seed."""
    return draw_patient(41001, duration_s=25.0)


@pytest.mark.parametrize("rhythm", ["sinus", "fibrillation", "ectopics"])
@pytest.mark.parametrize(("hz", "damping"), [(10, 0.15), (6, 1.1)])
def test_errors_of_single_beats_are_the_real_ones(rhythm, hz, damping):
    shares, held, scaled = [], [], []
    for seed in (41030, 41031):
        one = draw_patient(seed, duration_s=60.0, **RHYTHMS[rhythm])
        rec = record(second_order(one.wave, FINE_HZ, hz, damping), 125.0, seed, slow=1 / 3)
        got = numbers(rec.wave, 125.0, rec.scale)
        result = assess(rec.wave, 125.0, got.reading, dynamics(hz, damping), scale=rec.scale)
        expected = result.for_beats(*beatwise(got, 125.0))
        place, true = matched(one.beats, got, 2 * damping / (2 * np.pi * hz))
        usual = numbers_of(result.beat)["pp"]
        for name in ("sbp", "dbp"):
            real = got.values[name][place] - true[name].to_numpy()
            value, low, high = (part[place] for part in expected[name])
            shares.append(np.mean(np.abs(value - real) <= 1.5))
            held.append(np.mean((low <= real) & (real <= high)))
            by_size = getattr(result, name).value * beatwise(got, 125.0)[0][place] / usual
            scaled.append(np.mean(np.abs(by_size - real) <= 1.5))
        real = got.values["mbp"][place] - true["mbp"].to_numpy()
        _, low, high = (part[place] for part in expected["mbp"])
        assert np.mean((low <= real) & (real <= high)) > 0.85
    assert np.mean(shares) >= 0.95
    assert np.mean(held) >= 0.92
    if rhythm != "sinus":
        # Size alone does not tell what a line does to beats of other steepness.
        assert np.mean(scaled) < np.mean(shares)


@pytest.fixture(scope="module")
def assessed(patient):
    """That patient behind a ringing line, with the reading and what is expected of it."""
    rec = record(second_order(patient.wave, FINE_HZ, 10, 0.15), 125.0, 5)
    got = numbers(rec.wave, 125.0, rec.scale)
    return rec, got, assess(rec.wave, 125.0, got.reading, dynamics(10, 0.15), scale=rec.scale)


def test_expected_errors_of_beats_agree_with_those_of_the_typical_one(assessed):
    _, got, result = assessed
    usual = numbers_of(result.beat)
    one = result.for_beats(usual["pp"], usual["dpdt_max"], result.beat.period_s, result.beat.period_s)
    for name, tolerance in (("sbp", 0.4), ("dbp", 0.4), ("pp", 0.6)):
        assert one[name].value[0] == pytest.approx(getattr(result, name).value, abs=tolerance)
    assert one["dpdt_max"].value[0] == pytest.approx(result.dpdt_max.value, rel=1e-6)
    each = result.for_beats(*beatwise(got, 125.0))
    for name in QUANTITIES:
        value, low, high = each[name]
        assert value.shape == got.rise_s.shape
        sure = np.isfinite(value)
        assert np.all((low[sure] < value[sure]) & (value[sure] < high[sure]))
    np.testing.assert_allclose(each["sbp"].value - each["dbp"].value, each["pp"].value, atol=0.3)


def test_what_is_not_known_of_a_beat_counts_as_usual_but_for_its_pulse(assessed):
    _, _, result = assessed
    usual = numbers_of(result.beat)
    got = result.for_beats([usual["pp"], np.nan], [np.nan, 500.0], [np.nan, 0.8], [np.nan, 0.8])
    assert got["sbp"].value[0] == pytest.approx(result.sbp.value, abs=0.5)
    assert np.isnan(got["sbp"].value[1])
    assert np.isnan(got["mbp"].value[1])


def test_a_line_that_is_known_badly_widens_the_interval_of_each_beat(assessed):
    rec, got, sharp = assessed
    vague = assess(rec.wave, 125.0, got.reading, Dynamics(10, 0.15, 0.5, 0.03, resolved=True))
    wide = assess(
        rec.wave, 125.0, got.reading,
        Dynamics(10, 0.15, natural_frequency_hz_low=6, damping_ratio_low=0.1, damping_ratio_high=0.8),
    )  # fmt: skip
    known = beatwise(got, 125.0)
    width = [float(np.nanmean(r.for_beats(*known)["sbp"].high - r.for_beats(*known)["sbp"].low))
             for r in (sharp, vague, wide)]  # fmt: skip
    assert width[0] < 0.8 * width[1] < 0.8 * width[2]
    assert np.all(np.isnan(wide.for_beats(*known)["sbp"].value))


def test_a_bounded_sample_of_beats_is_looked_at(assessed):
    rec, got, result = assessed
    times, size, found = 14, rec.wave.size, got.reading
    marks = {
        name: (getattr(found, name) + size * np.arange(times)[:, None]).ravel()
        for name in ("onset", "steepest", "peak", "notch", "end")
    }
    many = dataclasses.replace(
        found, **marks, quality=np.tile(found.quality, times), facts=np.tile(found.facts, times)
    )
    long = assess(np.tile(rec.wave, times), 125.0, many, dynamics(10, 0.15))
    assert many.onset.size > 300
    assert long.per_beat.beats == 300
    known = beatwise(got, 125.0)
    np.testing.assert_allclose(
        long.for_beats(*known)["sbp"].value, result.for_beats(*known)["sbp"].value, atol=0.5
    )
    part = assess(np.tile(rec.wave, times), 125.0, many, dynamics(10, 0.15), stretch=(size, 2 * size))
    assert part.per_beat.beats <= found.onset.size


def test_single_beats_need_a_recording_and_enough_of_it(assessed):
    rec, got, result = assessed
    with pytest.raises(InputError, match="need `assess`"):
        expected_error(result.beat, result.dynamics).for_beats(40.0, 500.0, 0.8, 0.8)
    with pytest.raises(InputError, match="undisturbed"):
        assess(rec.wave, 125.0, got.reading, dynamics(10, 0.15), stretch=(0, 500))
