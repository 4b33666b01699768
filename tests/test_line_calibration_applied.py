"""Calibrations applied to recordings: new channels, their scale, their provenance."""

import copy
import json
from typing import Any

import numpy as np
import pandas as pd
import pytest
import xarray as xr
from hypothesis import given, settings
from hypothesis import strategies as st

import hemoidx as hx
from hemoidx.errors import DataUnavailableError, InputError
from hemoidx.line.applying import apply, correct_level, correct_zero, zeros_of
from hemoidx.line.calibration import OFFSET, Calibration, calibrate, zero_calibrations
from hemoidx.line.level import Level
from hemoidx.recordings import Channel, Origin, axis_of, build
from hemoidx.simulate import Event, Scenario, simulate
from hemoidx.units import mmhg_per_unit

FS = 125.0


def run(start: int, stop: int, calibrated: bool = True, **more: Any) -> dict[str, Any]:
    gain, baseline = (1.0, 0) if not calibrated else (2.0, -100)
    out = {"start": start, "stop": stop, "gain": gain, "baseline": baseline, "units_in": "mmHg"}
    out |= {"step": 1 / gain, "rail_low": (-128 - baseline) / gain, "rail_high": (127 - baseline) / gain}
    return out | {"calibrated": calibrated} | more


def made(values: Any, scale: list[dict[str, Any]] | None = None, **changes: Any) -> xr.Dataset:
    """Recording of one pressure channel ABP."""
    wave = np.asarray(values, dtype=changes.pop("dtype", np.float32))
    settings: dict[str, Any] = {"role": "arterial_pressure", "units": "mmHg", "first": 0} | changes
    first = settings["first"]
    scale = [run(first, first + wave.size)] if scale is None else scale
    ch = Channel("ABP", wave, FS, "time", settings["role"], settings["units"], "made", scale, first)
    return build([ch], Origin("made", "", FS, [{"name": "made", "start": 0, "stop": first + wave.size}]))


def test_new_channel_and_untouched_input() -> None:
    rec = made(np.linspace(60.0, 140.0, 500))
    before, attrs = rec["ABP"].values.copy(), copy.deepcopy((rec.attrs, rec["ABP"].attrs))
    out = apply(rec, "ABP", calibrate([2.0, 104.0], [0.0, 100.0]), name="ABP2")
    assert list(rec.data_vars) == ["ABP"]
    np.testing.assert_array_equal(rec["ABP"].values, before)
    assert (rec.attrs, rec["ABP"].attrs) == attrs
    np.testing.assert_array_equal(out["ABP"].values, before)
    gain = 100.0 / 102.0
    assert out["ABP2"].values == pytest.approx(gain * (before - 2.0), abs=2e-5)
    assert out["ABP2"].dtype == np.float32
    assert axis_of(out["ABP2"]) == axis_of(rec["ABP"])
    assert out["ABP2"].attrs["units"] == "mmHg"
    assert out["ABP2"].attrs["role"] == "arterial_pressure"
    assert out["ABP2"].attrs["calibrated"] is True
    note = out.attrs["provenance"]["steps"][-1]
    assert (note["step"], note["channel"], note["new_channel"]) == ("calibrate", "ABP", "ABP2")
    assert note["version"] == hx.__version__
    assert note["calibrations"][0]["gain"] == pytest.approx(gain)
    assert note["calibrations"][0]["gain_se"] is None
    json.dumps([out.attrs, out["ABP2"].attrs], allow_nan=False)


@settings(max_examples=40)
@given(st.floats(-20, 20), st.floats(0.8, 1.25))
def test_scale_describes_the_new_values(offset: float, gain: float) -> None:
    codes = np.arange(-128, 128)
    rec = made((codes + 100) / 2.0, dtype=np.float64)
    new = apply(rec, "ABP", Calibration(offset, gain, points=3))["ABP_calibrated"]
    (scale,) = new.attrs["scale"]
    assert new.values == pytest.approx((codes - scale["baseline"]) / scale["gain"], abs=1e-9)
    assert scale["step"] == pytest.approx(np.diff(new.values), abs=1e-9)
    assert (scale["rail_low"], scale["rail_high"]) == pytest.approx((new.values[0], new.values[-1]))


@settings(max_examples=40)
@given(st.floats(-20, 20), st.floats(0.8, 1.25))
def test_applied_and_undone(offset: float, gain: float) -> None:
    rec = made(np.random.default_rng(1).uniform(50, 150, 300), dtype=np.float64)
    line = Calibration(offset, gain, points=2)
    back = Calibration(-offset / gain, 1.0 / gain, points=2)
    out = apply(apply(rec, "ABP", line, name="there"), "there", back, name="back")
    assert out["back"].values == pytest.approx(rec["ABP"].values, abs=1e-9)
    (old,), (new,) = rec["ABP"].attrs["scale"], out["back"].attrs["scale"]
    for key in ("gain", "baseline", "step", "rail_low", "rail_high"):
        assert new[key] == pytest.approx(old[key], abs=1e-8)
    assert len(out.attrs["provenance"]["steps"]) == 3


def test_scale_of_a_channel_in_another_unit() -> None:
    codes = np.arange(0, 200)
    factor = mmhg_per_unit("kPa") / 10.0
    kpa = run(0, 200, gain=10.0, baseline=20, units_in="kPa", step=factor, rail_low=None, rail_high=None)
    rec = made((codes - 20) * factor, [kpa], dtype=np.float64)
    new = apply(rec, "ABP", Calibration(-3.0, 1.1, points=2))["ABP_calibrated"]
    (scale,) = new.attrs["scale"]
    assert scale["units_in"] == "mmHg"
    assert new.values == pytest.approx((codes - scale["baseline"]) / scale["gain"], abs=1e-9)


def test_in_steps_of_time() -> None:
    rec = made(np.full(1000, 100.0), first=500)  # 4 to 12 s
    lines = [Calibration(-t, fitted=OFFSET, valid_from_s=t) for t in (6.0, 8.0, 20.0)]
    new = apply(rec, "ABP", lines)["ABP_calibrated"]
    t = new["time"].values
    assert new.values == pytest.approx(np.select([t >= 8.0, t >= 6.0], [92.0, 94.0], 100.0))
    edges = [(r["start"], r["stop"]) for r in new.attrs["scale"]]
    assert edges == [(500, 750), (750, 1000), (1000, 1500)]
    assert [r["rail_low"] for r in new.attrs["scale"]] == [-14.0, -20.0, -22.0]
    # A cut first or a calibration first: the same.
    cut = apply(hx.crop(rec, 7.0, 9.0), "ABP", lines)["ABP_calibrated"]
    np.testing.assert_array_equal(cut.values, new.sel(time=slice(7.0, 8.999)).values)
    # A reversed view has the same values backwards.
    back = apply(rec.isel(time=slice(None, None, -1)), "ABP", lines)["ABP_calibrated"]
    np.testing.assert_array_equal(back.values[::-1], new.values)


def test_linear_between_by_name() -> None:
    rec = made(np.full(1250, 100.0), dtype=np.float64)
    lines = [
        Calibration(0.0, 1.0, points=2, valid_from_s=2.0),
        Calibration(10.0, 1.2, points=2, valid_from_s=6.0),
    ]
    new = apply(rec, "ABP", lines, between="linear")["ABP_calibrated"]
    t = new["time"].values
    share = np.clip((t - 2.0) / 4.0, 0.0, 1.0)
    assert new.values == pytest.approx(10.0 * share + (1.0 + 0.2 * share) * 100.0)
    moving = new.attrs["scale"][1]
    # While the line moves, no rail may lie outside of what was written.
    assert (moving["start"], moving["stop"]) == (250, 750)
    assert moving["rail_low"] == max(-14.0, 10.0 + 1.2 * -14.0)
    assert moving["rail_high"] == min(113.5, 10.0 + 1.2 * 113.5)
    assert moving["step"] == pytest.approx(0.6)
    assert moving["gain"] is None


def test_linear_from_the_start_waits_for_the_next() -> None:
    rec = made(np.full(1250, 100.0), dtype=np.float64)
    lines = [Calibration(-v, fitted=OFFSET, valid_from_s=t) for v, t in ((9.0, None), (1.0, 4.0), (3.0, 8.0))]
    new = apply(rec, "ABP", lines, between="linear")["ABP_calibrated"]
    t = new["time"].values
    assert new.values == pytest.approx(np.where(t < 4.0, 91.0, 99.0 - np.clip(t - 4.0, 0.0, 4.0) / 2.0))
    assert [r["start"] for r in new.attrs["scale"]] == [0, 500, 1000]
    assert new.attrs["scale"][0]["rail_low"] == -23.0


def test_one_point_does_not_calibrate_a_gain() -> None:
    rec = made(np.full(200, 80.0), [run(0, 200, calibrated=False)])
    assert not rec["ABP"].attrs["calibrated"]
    one = apply(rec, "ABP", calibrate(80.0, 0.0))["ABP_calibrated"]
    two = apply(rec, "ABP", calibrate([80.0, 200.0], [0.0, 100.0], any_gain=True))["ABP_calibrated"]
    assert (one.attrs["calibrated"], two.attrs["calibrated"]) == (False, True)
    assert two.attrs["scale"][0]["calibrated"] is True


def test_counts_become_pressure() -> None:
    rec = made(np.full(200, 180.0), [run(0, 200, calibrated=False, gain=0.0, units_in="")], units="counts")
    line = calibrate([60.0, 300.0], [0.0, 200.0], any_gain=True)
    new = apply(rec, "ABP", line)["ABP_calibrated"]
    assert new.values == pytest.approx(100.0)
    assert (new.attrs["units"], new.attrs["calibrated"]) == ("mmHg", True)
    scale = new.attrs["scale"][0]
    assert (180.0 - scale["baseline"]) / scale["gain"] == pytest.approx(100.0)
    with pytest.raises(InputError, match="two points or more"):
        apply(rec, "ABP", calibrate(60.0, 0.0))
    late = calibrate([60.0, 300.0], [0.0, 200.0], any_gain=True, valid_from_s=1.0)
    with pytest.raises(InputError, match="holds from 1 s only"):
        apply(rec, "ABP", late)


def test_stretches_of_different_kind_need_their_own_line() -> None:
    rec = made(np.full(400, 80.0), [run(0, 200), run(200, 400, calibrated=False)])
    line = calibrate([0.0, 100.0], [0.0, 104.0])
    with pytest.raises(InputError, match="one line cannot fit both"):
        apply(rec, "ABP", line)
    own = calibrate([80.0, 200.0], [0.0, 100.0], valid_from_s=200 / FS)
    new = apply(rec, "ABP", [line, own])["ABP_calibrated"]
    assert new.attrs["calibrated"]
    assert new.values[[0, 399]] == pytest.approx([83.2, 0.0], abs=1e-4)


def test_a_channel_without_scale_and_gaps() -> None:
    values = np.full(300, 90.0)
    values[100:150] = np.nan
    rec = made(values, [], dtype=np.float64)
    rec["ABP"].attrs["calibrated"] = True
    new = correct_zero(rec, "ABP", 4.0)["ABP_zeroed"]
    assert new.attrs["calibrated"]
    assert new.attrs["scale"][0]["step"] is None
    np.testing.assert_array_equal(np.isnan(new.values), np.isnan(values))
    assert np.nanmax(np.abs(new.values - 86.0)) < 1e-12


@pytest.mark.parametrize(
    ("options", "error", "words"),
    [
        ({"channel": "ART"}, DataUnavailableError, "there are: ABP"),
        ({"name": "ABP"}, InputError, "already"),
        ({"name": "time"}, InputError, "cannot be the name"),
        ({"name": ""}, InputError, "cannot be the name"),
        ({"between": "cubic"}, InputError, "step, linear"),
        ({"calibration": []}, InputError, "give a Calibration"),
        ({"calibration": [1.0]}, InputError, "give a Calibration"),
        ({"calibration": [Calibration(0.0), Calibration(1.0)]}, InputError, "order of time"),
        (
            {"calibration": [Calibration(0.0, valid_from_s=3.0), Calibration(1.0, valid_from_s=2.0)]},
            InputError,
            "order of time",
        ),
    ],
)
def test_refusals(options: dict[str, Any], error: type[Exception], words: str) -> None:
    asked = {"channel": "ABP", "calibration": Calibration(0.0, points=2), **options}
    with pytest.raises(error, match=words) as caught:
        apply(made(np.full(500, 90.0)), asked.pop("channel"), asked.pop("calibration"), **asked)
    assert "\n" not in str(caught.value)


def test_other_channels_are_no_pressure() -> None:
    with pytest.raises(InputError, match="no pressure"):
        apply(made(np.zeros(100), role="ecg", units="mV"), "ABP", Calibration(1.0, points=2))


def test_level_of_the_transducer() -> None:
    rec = made(np.full(100, 85.0), dtype=np.float64)
    new = correct_level(rec, "ABP", Level(above_cm=-10.0, above_cm_se=1.0))
    # 10 cm too low reads 7.4 mmHg too high (open clinical notes, arterial line positioning).
    assert new["ABP_levelled"].values == pytest.approx(85.0 - 7.4, abs=0.05)
    note = new.attrs["provenance"]["steps"][-1]
    assert note["step"] == "correct_level"
    assert note["calibrations"][0]["offset_se"] == pytest.approx(0.74, abs=0.01)


def test_zero_from_analysis_to_corrected_pressure() -> None:
    # A line left 4 mmHg off: analysed, read, corrected, analysed again.
    events = (Event("open_to_air", 30.0, 3.0, level=4.0),)
    sim = simulate(Scenario(duration_s=60.0, seed=3, events=events, step=0.25))
    first = hx.analyse(sim.recording)
    zero = zeros_of(sim.recording, "ABP", first.spans)
    assert zero.level == pytest.approx([4.0], abs=0.15)
    assert zero.not_applied.tolist() == [True]
    out = correct_zero(sim.recording, "ABP", zero, backwards=True)
    again = hx.analyse(out, "ABP_zeroed")
    a, b = (r.beats.dropna(subset=["sbp", "dbp", "mbp"]) for r in (first, again))
    a, b = a.set_index(a["onset_s"].round(3)), b.set_index(b["onset_s"].round(3))
    both = a.index.intersection(b.index)
    assert len(both) > 50
    for name, shift in (("sbp", -4.0), ("dbp", -4.0), ("mbp", -4.0), ("pp", 0.0)):
        moved = b.loc[both, name] - a.loc[both, name]
        assert moved.to_numpy() == pytest.approx(shift, abs=0.15), name
    assert zeros_of(out, "ABP_zeroed", again.spans).not_applied.tolist() == [False]
    only_after = correct_zero(sim.recording, "ABP", zero)
    change = (only_after["ABP_zeroed"] - only_after["ABP"]).values
    assert np.all(change[: int(29 * FS)] == 0)
    assert change[int(31.5 * FS) :] == pytest.approx(-zero.level[0], abs=1e-4)


def test_zero_that_drifts_linear_between_stretches() -> None:
    n = 125 * 60
    drift = np.interp(np.arange(n) / FS, [10.0, 50.0], [1.0, 3.0])
    wave = 90.0 + 20.0 * np.sin(2 * np.pi * np.arange(n) / FS) + drift
    for a in (5, 50):
        wave[a * 125 : (a + 5) * 125] = drift[a * 125 : (a + 5) * 125]
    rec = made(wave, dtype=np.float64)
    spans = pd.DataFrame({"start_s": [50.0, 5.0, 30.0], "end_s": [55.0, 10.0, 31.0]})
    spans["kind"] = ["open_to_air", "open_to_air", "flush"]
    zero = zeros_of(rec, "ABP", spans)
    assert zero.level == pytest.approx([1.0, 3.0], abs=1e-6)
    new = correct_zero(rec, "ABP", zero, between="linear", backwards=True)["ABP_zeroed"].values
    assert new - (wave - drift) == pytest.approx(np.zeros(n), abs=0.02)
    held = correct_zero(rec, "ABP", zero)["ABP_zeroed"].values
    assert held[49 * 125] - (wave - drift)[49 * 125] == pytest.approx(1.95, abs=0.02)


def test_zeros_need_readings_in_mmhg_in_order() -> None:
    none = pd.DataFrame({"start_s": [], "end_s": [], "kind": []})
    rec = made(np.full(500, 90.0))
    with pytest.raises(InputError, match="no open stretch"):
        correct_zero(rec, "ABP", zeros_of(rec, "ABP", none))
    with pytest.raises(InputError, match="in mmHg"):
        zeros_of(made(np.full(500, 90.0), units="counts"), "ABP", none)
    with pytest.raises(InputError, match="thinned"):
        zeros_of(rec.isel(time=slice(None, None, 2)), "ABP", none)
    with pytest.raises(InputError, match="must be numbers"):
        correct_zero(rec, "ABP", float("nan"))
    spans = pd.DataFrame({"start_s": [0.0], "end_s": [4.0], "kind": ["open_to_air"]})
    wave = np.concatenate([np.full(60, 5.0), np.zeros(440)])
    short = zeros_of(made(wave), "ABP", spans)
    with pytest.raises(InputError, match="too short"):
        zero_calibrations(short, backwards=True)
