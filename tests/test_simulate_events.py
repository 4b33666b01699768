"""Events of a simulation: each looks as it should, and its truth says where it is."""

import numpy as np
import pytest

from hemoidx.simulate import Event, Scenario, Truth, simulate_arrays

BASE = Scenario(duration_s=90.0, seed=11, noise=0.1, step=0.1, drift=0.0, breath_level=0.0, fs=250.0)


def run(*events: Event, **changes: object) -> tuple[np.ndarray, np.ndarray, Truth]:
    p, fs, _, truth = simulate_arrays(BASE.replace(events=events, **changes))
    return np.arange(p.size) / fs, p.astype(float), truth


def core(t: np.ndarray, p: np.ndarray, truth: Truth, trim: float = 0.5) -> np.ndarray:
    span = truth.spans.iloc[0]
    return p[(t > span.start_s + trim) & (t < span.end_s - trim)]


def test_flush_goes_to_the_rail_and_no_beat_is_left_in_it() -> None:
    t, p, truth = run(Event("flush", 30.0, 3.0), rail_high=270.0)
    assert truth.spans.kind.tolist() == ["flush"]
    assert core(t, p, truth).min() > 269.8
    assert truth.spans.start_s[0] == pytest.approx(30.0, abs=0.01)
    assert truth.spans.end_s[0] == pytest.approx(33.0, abs=0.01)
    assert not ((truth.beats.steepest_s > 30.0) & (truth.beats.steepest_s < 33.0)).any()


@pytest.mark.parametrize(("hz", "damping"), [(10.0, 0.15), (14.0, 0.25), (20.0, 0.1)])
def test_release_rings_as_the_line_does(hz: float, damping: float) -> None:
    """The difference to the undisturbed recording is the line's own free response."""
    line = {
        "line_hz": hz,
        "line_damping": damping,
        "noise": 0.0,
        "step": 0.01,
        "fs": 1000.0,
        "rail_low": -200.0,
    }
    t, p, truth = run(Event("flush", 30.0, 2.0), **line)
    _, own, _ = run(**line)
    release = float(truth.spans.end_s[0])
    later = (t > release + 0.01) & (t < release + 0.6)
    ring, s = (p - own)[later], t[later] - release
    turn = np.flatnonzero(np.diff(np.sign(np.diff(ring))) != 0)[:4] + 1
    turn = turn[np.abs(ring[turn]) > 1.0]
    half = np.diff(s[turn]).mean()
    assert 0.5 / half / np.sqrt(1 - damping**2) == pytest.approx(hz, rel=0.02)
    # Half-cycle form of the logarithmic decrement.
    decrement = np.log(np.abs(ring[turn[0]] / ring[turn[1]]))
    assert decrement / np.hypot(np.pi, decrement) == pytest.approx(damping, abs=0.01)
    settled = t > truth.spans.touch_end_s[0] + 0.02
    assert np.abs(p - own)[settled].max() < 0.8


def test_open_to_air_is_near_zero_and_near_silent() -> None:
    t, p, truth = run(Event("open_to_air", 30.0, 12.0), noise=0.8)
    inside = core(t, p, truth)
    assert np.abs(inside).max() < 8.0
    assert inside[: inside.size // 5].std() < 0.3
    edge = (t > 29.9) & (t < 30.1)
    assert np.diff(p[edge]).min() < -10  # sharp: it falls within a few samples


def test_disconnection_lasts_to_the_end() -> None:
    t, p, truth = run(Event("open_to_air", 60.0, 600.0, level=2.0))
    assert truth.spans.end_s[0] == 90.0
    assert np.abs(p[t > 61.0]).max() < 8.0
    assert truth.beats.onset_s.max() < 60.0
    assert not truth.beats.clear.iloc[-1]
    assert np.isnan(truth.beats.end_s.iloc[-1])


def test_flat_holds_one_value() -> None:
    t, p, truth = run(Event("flat", 30.0, 6.0, level=77.0))
    assert np.ptp(core(t, p, truth, 0.2)) == 0
    assert core(t, p, truth).mean() == pytest.approx(77.0, abs=0.06)


def test_gap_is_missing_exactly() -> None:
    t, p, truth = run(Event("gap", 30.0, 4.0))
    assert np.array_equal(np.isnan(p), (t >= 30.0) & (t < 34.0))
    assert truth.spans.kind.tolist() == ["gap"]


def test_systoles_are_cut_off_at_the_rail() -> None:
    t, p, truth = run(Event("saturated", 20.0, 40.0), mean_pressure=110.0, rail_high=170.0)
    assert set(truth.spans.kind) == {"saturated"}
    assert len(truth.spans) > 25
    for span in truth.spans.itertuples():
        assert p[(t > span.start_s + 0.01) & (t < span.end_s - 0.01)] == pytest.approx(170.0, abs=0.2)
    hit = truth.beats[(truth.beats.peak_s > 30.0) & (truth.beats.peak_s < 50.0)]
    assert (hit.sbp > 170.0).all()  # truth is what the recorder should have seen
    assert not hit.clear.any()


def test_sampling_has_no_pulse_and_creeps_up() -> None:
    t, p, truth = run(Event("sampling", 20.0, 30.0, level=190.0), Event("flush", 50.0, 2.0))
    assert truth.spans.kind.tolist() == ["sampling", "flush"]
    inside = core(t, p, truth, 1.0)
    assert inside[-1] - inside[0] > 15.0
    slow = np.convolve(inside, np.ones(250) / 250, mode="valid")
    assert (inside[125 : 125 + slow.size] - slow).std() < 4.0


def test_motion_is_broad_and_keeps_the_beats_as_unclear() -> None:
    t, p, truth = run(Event("motion", 30.0, 10.0, level=50.0))
    _, own, _ = run()
    added = (p - own)[(t > 30.0) & (t < 40.0)]
    assert 30.0 < np.ptp(added) < 130.0
    power = np.abs(np.fft.rfft(added)) ** 2
    f = np.fft.rfftfreq(added.size, 1 / 250.0)
    assert power[(f > 3) & (f < 25)].sum() > 0.1 * power.sum()
    assert power[(f > 0) & (f < 3)].sum() > 0.1 * power.sum()
    inside = truth.beats[(truth.beats.onset_s > 30.0) & (truth.beats.onset_s < 40.0)]
    assert len(inside) > 9
    assert not inside.clear.any()


@pytest.mark.parametrize(
    ("event", "level"),
    [(Event("cuff", 20.0, 45.0, level=30.0), 30.0), (Event("not_pulsatile", 20.0, 40.0, level=55.0), 55.0)],
)
def test_pulse_fades_and_comes_back(event: Event, level: float) -> None:
    t, p, truth = run(event)
    span = truth.spans.iloc[0]
    middle = p[(t > 36.0) & (t < 40.0)]
    assert np.ptp(middle) < 6.0
    assert middle.mean() == pytest.approx(level, abs=4.0)
    assert span.touch_start_s < span.start_s < span.end_s < span.touch_end_s
    before = np.ptp(p[t < 19.0])
    assert np.ptp(p[t > span.touch_end_s + 1]) == pytest.approx(before, rel=0.1)
    fading = truth.beats[(truth.beats.onset_s > span.touch_start_s) & (truth.beats.onset_s < span.start_s)]
    assert len(fading) > 0
    assert not fading.clear.any()


def test_clear_beats_do_not_know_of_the_event() -> None:
    events = (Event("flush", 20.0, 2.0), Event("open_to_air", 40.0, 8.0), Event("cuff", 55.0, 25.0))
    _, _, disturbed = run(*events, line_hz=9.0, line_damping=0.12)
    _, _, alone = run(line_hz=9.0, line_damping=0.12)
    clear = disturbed.beats[disturbed.beats.clear]
    assert 0.4 * len(alone.beats) < len(clear) < len(alone.beats)
    same = alone.beats.iloc[np.searchsorted(alone.beats.onset_s, clear.onset_s - 0.01)]
    for name, limit in (("onset_s", 0.002), ("sbp", 0.6), ("dbp", 0.6), ("mbp", 0.3)):
        assert clear[name].to_numpy() == pytest.approx(same[name].to_numpy(), abs=limit)


def test_the_change_that_an_event_makes():
    """Disturbed less undisturbed at the recorder's input; what the rail cuts off where that is the event."""
    _, _, quiet = run()
    _, _, held = run(Event("flat", 30.0, 10.0, 60.0))
    inside = quiet.beats[(quiet.beats.onset_s > 30.0) & (quiet.beats.end_s < 40.0)]
    assert held.spans.change[0] == pytest.approx(inside.sbp.max() - 60.0, abs=0.01)
    assert run(Event("gap", 30.0, 5.0))[2].spans.change.tolist() == [np.inf]
    rail = float(np.floor(quiet.beats.sbp.median()))
    _, _, clipped = run(rail_high=rail)
    assert len(clipped.spans) > 10
    for span in clipped.spans[1:-1].itertuples():
        (sbp,) = quiet.beats.sbp[(quiet.beats.onset_s < span.start_s) & (quiet.beats.end_s > span.end_s)]
        assert span.change == pytest.approx(sbp - rail, abs=0.01)
