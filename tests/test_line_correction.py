"""A measured line undone: against the pressure at the cannula, an independent library, and refusals."""

import copy

import numpy as np
import pytest

import hemoidx as hx
from hemoidx.beats import read
from hemoidx.errors import DataUnavailableError, InputError
from hemoidx.line.adequacy import expected_error
from hemoidx.line.correction import COSTS_AT_MOST, HOLDS_H, UNSURE_AT_MOST, correct, correct_wave
from hemoidx.line.dynamics import Dynamics, slow_pole
from hemoidx.line.inverse import (
    Inverse,
    Spectrum,
    design,
    filtered,
    near,
)
from hemoidx.line.typical import typical_of
from hemoidx.recordings import Channel, Origin, build
from hemoidx.simulate import Event, Scenario, simulate
from tests.bench import chain
from tests.bench.chain import one_recording
from tests.bench.line import (
    FINE_HZ,
    Patient,
    differences,
    draw_patient,
    dynamics,
    numbers,
    one_line,
    record,
    second_order,
)


@pytest.fixture(scope="module")
def patient() -> Patient:
    """A patient on whose seed nothing was fitted."""
    return draw_patient(42001, duration_s=25.0)


@pytest.fixture(scope="module")
def eventful():
    """Two minutes behind a ringing line with a flush, a gap and an open transducer."""
    events = (Event("flush", 40, 1.5), Event("gap", 70, 3.0), Event("open_to_air", 90, 6.0))
    return simulate(Scenario(seed=3, line_hz=12, line_damping=0.15, step=0.5, events=events)).recording


def clean_spectrum(fs: float, noise_sd: float = 1e-4) -> Spectrum:
    """A pulse that stands far out of the noise up to 30 Hz."""
    f = np.linspace(0, fs / 2, 200)
    return Spectrum(f, 100.0 * np.exp(-f / 3.0), noise_sd, fs)


# --- truth from simulation -----------------------------------------------------------------------------


@pytest.mark.parametrize("fs", [125.0, 250.0])
@pytest.mark.parametrize(("hz", "damping"), [(10, 0.1), (20, 0.3), (5, 0.9), (5, 1.3), (8, 1.1)])
def test_corrected_pressures_are_those_at_the_cannula(patient, hz, damping, fs):
    got = one_line(patient, hz, damping, fs, seed=7)
    assert abs(got["corrected_sbp"]) < 1.5
    assert abs(got["corrected_dbp"]) < 1.5
    assert abs(got["corrected_mbp"]) < 0.2
    assert abs(got["corrected_dpdt_max"]) < 0.5 * abs(got["raw_dpdt_max"])


@pytest.mark.parametrize("error", [(-0.03, 0.03), (0.03, 0.03)])
def test_a_line_measured_slightly_wrong_still_helps(patient, error):
    ringing = one_line(patient, 10, 0.15, 125.0, 7, measured=error)
    slow = one_line(patient, 5, 1.1, 125.0, 7, measured=error)
    for got in (ringing, slow):
        assert abs(got["corrected_sbp"]) < 2.0
        assert abs(got["corrected_sbp"]) < 0.4 * abs(got["raw_sbp"])
        assert abs(got["corrected_mbp"]) < 0.2


def test_the_price_is_the_noise_that_is_there(patient):
    # Noise through the filter, measured, is what the result says.
    rec = record(second_order(patient.wave, FINE_HZ, 6, 1.1), 125.0, 3)
    done = correct_wave(rec.wave, 125.0, dynamics(6, 1.1), scale=rec.scale)
    noise = np.random.default_rng(1).normal(0.0, 1.0, 20000)
    passed = np.convolve(noise, done.inverse.kernel, mode="valid")
    assert np.std(passed) == pytest.approx(done.inverse.noise_gain, rel=0.05)
    true = np.hypot(0.3, 0.5 / np.sqrt(12))
    assert done.noise_before == pytest.approx(true, rel=0.15)
    assert done.noise_after == pytest.approx(true * done.inverse.noise_gain, rel=0.15)
    assert done.cost >= done.noise_after


def test_noise_narrows_the_band(patient):
    bands = []
    for noise in (0.05, 0.3, 1.0):
        rec = record(second_order(patient.wave, FINE_HZ, 8, 1.0), 250.0, 3, noise=noise, step=0.1)
        bands.append(correct_wave(rec.wave, 250.0, dynamics(8, 1.0), scale=rec.scale).inverse.band_hz)
    assert bands[0] > bands[1] > bands[2]


def test_the_delay_of_the_line_is_taken_back(patient):
    rec = record(second_order(patient.wave, FINE_HZ, 6, 1.1), 250.0, 3)
    done = correct_wave(rec.wave, 250.0, dynamics(6, 1.1), scale=rec.scale)
    rise = numbers(done.wave, 250.0, None).rise_s
    late = numbers(rec.wave, 250.0, rec.scale).rise_s
    true = patient.beats["steepest_s"].to_numpy()
    nearest = np.abs(rise[:, None] - true).min(axis=0)
    assert np.median(nearest) < 0.006
    assert np.median(np.abs(late[:, None] - true).min(axis=0)) > 0.03


@pytest.mark.parametrize(("hz", "damping"), [(10, 0.1), (20, 0.3), (5, 0.9), (6.5, 1.1)])
def test_the_whole_chain_with_real_flushes(hz, damping):
    flushes = 1 if hz >= 10 else 3
    got = one_recording(draw_patient(42012), hz, damping, 250.0, 42012, flushes)
    assert got["refused"] == ""
    assert abs(got["raw_sbp"]) > (3 if hz < 20 else 0)
    for name, most in (("sbp", 1.5), ("dbp", 1.5), ("mbp", 0.2)):
        assert abs(got[f"left_{name}"]) < most
        assert abs(got[f"expected_off_{name}"]) < most
    assert got["beat_sbp"] > 90
    assert got["each_sbp"] > 95


def test_a_slow_line_known_by_its_slow_pole_can_be_undone():
    # Frequency and damping a tenth off, but together, as a flush leaves them behind such a line.
    patient = draw_patient(42012, duration_s=25.0)
    rec = record(second_order(patient.wave, FINE_HZ, 6.0, 1.3), 125.0, 3)
    bounds = {"natural_frequency_hz_low": 5.2, "natural_frequency_hz_high": 7.0, "damping_ratio_low": 1.15,
              "damping_ratio_high": 1.5, "slow_pole_s": slow_pole(6.0, 1.3)}  # fmt: skip
    done = correct_wave(rec.wave, 125.0, Dynamics(6.6, 1.42, **bounds), scale=rec.scale)
    raw, left = (
        differences(patient, numbers(wave, 125.0, None), late)["sbp"]
        for wave, late in ((rec.wave, 2 * 1.3 / (2 * np.pi * 6.0)), (done.wave, 0.0))
    )
    assert np.nanmedian(raw) < -4
    assert abs(np.nanmedian(left)) < 1.5
    assert done.unsure < 1.5
    assert slow_pole(*done.line) == pytest.approx(slow_pole(6.0, 1.3), rel=0.02)


# --- gaps, rails, events -------------------------------------------------------------------------------


def test_a_gap_is_not_smeared(patient):
    rec = record(patient.wave, 125.0, 3)
    inverse = design(9.0, 0.2, clean_spectrum(125.0))
    holed = rec.wave.copy()
    holed[1000:1010] = np.nan
    whole, out = filtered(rec.wave, inverse), filtered(holed, inverse)
    lost = np.zeros(holed.size, dtype=bool)
    lost[1000 - inverse.half : 1010 + inverse.half] = True
    assert np.all(np.isnan(out[lost]))
    np.testing.assert_allclose(out[~lost], whole[~lost], atol=1e-9)
    assert np.all(np.isnan(filtered(holed[: 2 * inverse.half], inverse)))


def test_marked_samples_reach_as_far_as_asked():
    which = np.zeros(10, dtype=bool)
    which[[0, 6]] = True
    assert near(which, 2).tolist() == [1, 1, 1, 0, 1, 1, 1, 1, 1, 0]


def test_clipped_samples_are_not_trusted(patient):
    rec = record(second_order(patient.wave, FINE_HZ, 10, 0.15), 125.0, 3)
    rail = float(np.quantile(rec.wave, 0.99))
    wave = rec.wave.copy()
    wave[:900] = np.minimum(wave[:900], rail)
    wave[900:] = np.minimum(wave[900:] - 40.0, rail - 1.0)
    done = correct_wave(wave, 125.0, dynamics(10, 0.15), scale=[rec.scale[0] | {"rail_high": rail}])
    clipped = np.flatnonzero(wave >= rail)
    assert clipped.size
    assert np.all(np.isnan(done.wave[clipped]))
    assert np.isfinite(done.wave).sum() > 0.2 * wave.size


def test_a_flush_stays_as_recorded_and_no_echo_of_it_remains(eventful):
    done = correct(eventful, "ABP", dynamics(12, 0.15))
    raw, new = eventful["ABP"].values, done["ABP_corrected"].values
    inside = slice(int(40.3 * 125), int(41.2 * 125))
    np.testing.assert_array_equal(new[inside], raw[inside])
    after = new[int(41.7 * 125) : 44 * 125]
    assert np.nanmax(after) < 180
    # Half a second after the release the recorded wave still rings; the corrected one is known again.
    assert np.isfinite(new[int(42.1 * 125)])


# --- recordings ----------------------------------------------------------------------------------------


def test_a_corrected_channel_is_analysed_like_any_other(eventful):
    before = copy.deepcopy(eventful.attrs), eventful["ABP"].values.copy(), list(eventful.data_vars)
    done = correct(eventful, "ABP", dynamics(12, 0.15), name="at cannula", flush_s=40.0)
    assert (eventful.attrs, list(eventful.data_vars)) == (before[0], before[2])
    np.testing.assert_array_equal(eventful["ABP"].values, before[1])
    first, second = hx.analyse(done, "ABP", progress=False), hx.analyse(done, "at cannula", progress=False)
    kinds = set(second.spans["kind"])
    assert {"flush", "open_to_air", "gap"} <= kinds
    raw, corrected = first.beats[["sbp", "mbp"]].median(), second.beats[["sbp", "mbp"]].median()
    assert raw["sbp"] - corrected["sbp"] > 2
    assert corrected["mbp"] == pytest.approx(raw["mbp"], abs=0.1)
    assert len(second.beats) > 0.93 * len(first.beats)


@pytest.mark.parametrize(("hz", "damping"), [(10, 0.12), (6, 1.1)])
def test_from_a_recording_with_a_flush_to_a_second_analysis(tmp_path, hz, damping):
    patient, flushes = draw_patient(42015), [(t, t + 1.5, 295.0) for t in (5.0, 11.0, 17.0)]
    rec = record(chain.second_order(patient.wave, FINE_HZ, hz, damping, flushes), 125.0, 8, rail=300.0)
    made = Channel("ABP", rec.wave, rec.fs, "time", "arterial_pressure", "mmHg", "simulated", rec.scale)
    segments = [{"name": "one", "start": 0, "stop": rec.wave.size}]
    recording = build([made], Origin("one", "simulated", rec.fs, segments, []))
    line = chain.measured(rec, read(rec.wave, rec.fs, rec.scale))
    done = correct(recording, "ABP", line, flush_s=18.5)
    raw, new = (hx.analyse(done, channel, progress=False) for channel in ("ABP", "ABP_corrected"))
    assert "flush" in set(new.spans["kind"])
    true = chain.undisturbed(patient, flushes)
    late = 2 * damping / (2 * np.pi * hz)

    def off(result, name, delay):
        rise = result.beats["steepest_s"].to_numpy()
        values = result.beats[name].copy()
        hidden = result.unchecked(name, table="beats")
        values.iloc[hidden["row"]] = hidden["value"]
        place = np.abs(rise[:, None] - true["steepest_s"].to_numpy() - delay).argmin(axis=0)
        return float(np.nanmedian(values.to_numpy()[place] - true[name].to_numpy()))

    # What the line spoils is hidden in the recorded channel, and shown in the corrected one.
    assert abs(off(raw, "sbp", late)) > 4
    assert raw.windows["sbp"].isna().all()
    assert new.windows["sbp"].notna().any()
    assert abs(off(new, "sbp", 0.0)) < 1.5
    assert abs(off(new, "dbp", 0.0)) < 1.5
    assert abs(off(new, "mbp", 0.0)) < 0.2
    new.save(tmp_path / "out")
    assert hx.Analysis.open(tmp_path / "out").channel == "ABP_corrected"


def test_what_was_done_is_written_down(eventful):
    import json

    done = correct(eventful, "ABP", dynamics(12, 0.15), flush_s=40.0)
    attrs = done["ABP_corrected"].attrs
    step = done.attrs["provenance"]["steps"][-1]
    assert (step["step"], step["channel"], step["new_channel"]) == ("correct_line", "ABP", "ABP_corrected")
    for note in (step, attrs["line_correction"]):
        assert note["natural_frequency_hz"] == 12
        assert note["flush_s"] == 40.0
        assert note["noise_after_mmhg"] == pytest.approx(note["noise_before_mmhg"] * note["noise_gain"])
    assert attrs["line_corrected"] is True
    assert "line_corrected" not in eventful["ABP"].attrs
    json.dumps(attrs)
    json.dumps(done.attrs)
    assert "12.0 Hz" in attrs["source"]
    assert attrs["scale"][0]["rail_high"] is None
    assert attrs["scale"][0]["step"] == 0.5
    with pytest.raises(InputError, match="undone already"):
        correct(done, "ABP_corrected", dynamics(12, 0.15))


# --- refusals ------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("line", "words"),
    [
        (Dynamics(float("nan"), float("nan")), "unknown; measure a flush first"),
        (Dynamics(12, 0.15, natural_frequency_hz_low=8.0), "not known well enough"),
        (Dynamics(3.2, 0.5, 0.02, 0.005, resolved=True), "at least 3.5 Hz"),
        (Dynamics(5.0, 0.3, 1.5, 0.30, resolved=True), "not known well enough"),
        (Dynamics(12, 0.15, resolved=True), "not known well enough"),
    ],
)
def test_lines_that_cannot_be_undone(patient, line, words):
    rec = record(second_order(patient.wave, FINE_HZ, 8, 0.3), 125.0, 3)
    with pytest.raises(InputError, match=words) as caught:
        correct_wave(rec.wave, 125.0, line, scale=rec.scale)
    assert "\n" not in str(caught.value)


def test_the_more_is_left_open_the_sooner_it_is_refused():
    steep = draw_patient(42012, duration_s=25.0)
    rec = record(second_order(steep.wave, FINE_HZ, 6, 1.1), 125.0, 3)
    found = numbers(rec.wave, 125.0, rec.scale).reading
    unsure = []
    for share in (0.005, 0.02, 0.08):
        line = Dynamics(6, 1.1, 6 * share, 1.1 * share, resolved=True)
        unsure.append(expected_error(typical_of(rec.wave, 125.0, found), line).unsure)
        if unsure[-1] <= UNSURE_AT_MOST:
            assert correct_wave(rec.wave, 125.0, line, scale=rec.scale, reading=found).unsure == unsure[-1]
            continue
        with pytest.raises(InputError, match=f"unsure by {unsure[-1]:.1f} mmHg"):
            correct_wave(rec.wave, 125.0, line, scale=rec.scale, reading=found)
    assert unsure[0] < unsure[1] < UNSURE_AT_MOST < unsure[2]


def test_a_price_too_high_is_refused():
    steep = draw_patient(2026006, duration_s=25.0)
    rec = record(second_order(steep.wave, FINE_HZ, 5, 1.3), 125.0, 3, noise=4.0, step=1.0)
    with pytest.raises(InputError, match=f"at most {COSTS_AT_MOST:g}"):
        correct_wave(rec.wave, 125.0, Dynamics(5, 1.3, 0.005, 0.001, resolved=True), scale=rec.scale)


def test_a_rate_too_low_is_refused(patient):
    with pytest.raises(InputError, match="at least 60 Hz"):
        correct_wave(patient.wave[::20], 50.0, dynamics(12, 0.2))


@pytest.mark.parametrize(
    ("how", "words"),
    [
        ({"flush_s": 40.0 + 3600 * (HOLDS_H + 1)}, "holds for 8 h"),
        ({"flush_s": -3600 * HOLDS_H}, "holds for 8 h"),
        ({"flush_s": 40.0, "disturbed_s": [90.0]}, "disturbed at 90 s"),
        ({"flush_s": 500.0, "disturbed_s": [300.0]}, "disturbed at 300 s"),
        ({"disturbed_s": [60.0]}, "disturbed at 60 s"),
        ({"name": "ABP"}, "already"),
        ({"name": " "}, "cannot be the name"),
    ],
)
def test_stale_lines_and_bad_names_are_refused(eventful, how, words):
    with pytest.raises(InputError, match=words):
        correct(eventful, "ABP", dynamics(12, 0.15), **how)


def test_a_disturbance_elsewhere_does_no_harm(eventful):
    done = correct(eventful, "ABP", dynamics(12, 0.15), flush_s=40.0, disturbed_s=[500.0])
    assert "ABP_corrected" in done


def test_channels_that_are_no_pressure_are_refused(eventful):
    with pytest.raises(DataUnavailableError, match="there are: ABP"):
        correct(eventful, "ART", dynamics(12, 0.15))
    for attrs, words in (({"units": "mV"}, "in mmHg"), ({"role": "ecg"}, "no arterial pressure")):
        other = eventful.copy()
        other["ABP"] = other["ABP"].assign_attrs(attrs)
        with pytest.raises(InputError, match=words):
            correct(other, "ABP", dynamics(12, 0.15))
    with pytest.raises(InputError, match="thinned"):
        correct(eventful.isel(time=slice(None, None, 2)), "ABP", dynamics(12, 0.15))


def test_an_inverse_knows_its_half():
    assert Inverse(np.zeros(61), 125.0, 20.0, 1.0, 0.0).half == 30
