"""The exact time axis, and crop."""

import copy
import pickle
from fractions import Fraction

import numpy as np
import pytest
import xarray as xr
from hypothesis import given
from hypothesis import strategies as st

from hemoidx.errors import InputError
from hemoidx.recordings import Axis, axis_of, crop, scale_of, time_coordinate, time_dim

RATES = st.sampled_from([125.0, 62.4725, 124.945, 249.89, 250.0, 333.0, 360.0, 0.976563, 1 / 60, 1000.0])


@st.composite
def axes(draw):
    size = draw(st.integers(1, 40))
    first = draw(st.integers(-1000, 10**9))
    step = draw(st.integers(1, 3) | st.integers(-3, -1))
    return Axis(first, step, draw(RATES), size)


def channel(axis):
    coords = time_coordinate(axis)
    return xr.DataArray(np.arange(axis.size), dims="time", coords=coords, name="ABP")


@given(axes())
def test_values_are_rounded_once(axis):
    exact = [float(Fraction(axis.first + i * axis.step) / Fraction(axis.fs)) for i in range(axis.size)]
    assert channel(axis).time.values.tolist() == exact


@given(axes(), st.slices(40))
def test_slices_keep_the_axis_exact(axis, part):
    data = channel(axis)
    cut = data.isel(time=part)
    np.testing.assert_array_equal(cut.time.values, data.time.values[part])
    assert axis_of(cut).size == cut.size
    np.testing.assert_array_equal(axis_of(cut).seconds(), cut.time.values)


@given(axes(), st.data())
def test_slices_of_slices(axis, data):
    once = data.draw(st.slices(axis.size))
    cut = channel(axis).isel(time=once)
    twice = data.draw(st.slices(cut.size))
    expected = channel(axis).time.values[once][twice]
    np.testing.assert_array_equal(cut.isel(time=twice).time.values, expected)


@pytest.mark.parametrize("step", [2**63, -(2**63), 10**30])
@pytest.mark.parametrize("start", [None, 0, 3])
def test_a_step_beyond_all_samples_takes_one_or_none(step, start):
    axis = Axis(0, 1, 125.0, 5)
    cut = channel(axis).isel(time=slice(start, None, step))
    assert cut.time.values.tolist() == channel(axis).time.values[slice(start, None, step)].tolist()
    assert cut.isel(time=slice(0, 0)).time.size == 0


@given(axes(), st.data())
def test_any_selection_has_the_right_seconds(axis, data):
    full = channel(axis)
    picked = np.array(data.draw(st.lists(st.integers(-axis.size, axis.size - 1), max_size=10)), dtype=int)
    flags = np.array(data.draw(st.lists(st.booleans(), min_size=axis.size, max_size=axis.size)))
    for by in (picked, flags):
        cut = full.isel(time=by)
        np.testing.assert_array_equal(cut.time.values, full.time.values[by])
        np.testing.assert_array_equal(cut.values, full.values[by])
    one = data.draw(st.integers(-axis.size, axis.size - 1))
    assert float(full.isel(time=one).time) == full.time.values[one]
    points = full.isel(time=xr.DataArray(picked, dims="beat"))
    np.testing.assert_array_equal(points.time.values, full.time.values[picked])


@given(axes(), st.data())
def test_label_slices_include_both_ends(axis, data):
    full = channel(axis)
    times = full.time.values
    near = st.sampled_from(times.tolist()) | st.floats(times.min() - 1, times.max() + 1)
    ends = [data.draw(near), data.draw(near)]
    low, high = sorted(ends)
    ordered = slice(low, high) if axis.step > 0 else slice(high, low)
    cut = full.sel(time=ordered)
    np.testing.assert_array_equal(cut.time.values, times[(times >= low) & (times <= high)])
    np.testing.assert_array_equal(full.sel(time=slice(None)).time.values, times)


@given(axes(), st.data())
def test_single_times(axis, data):
    full = channel(axis)
    times = full.time.values
    k = data.draw(st.integers(0, axis.size - 1))
    assert int(full.sel(time=times[k])) == k
    t = data.draw(st.floats(times.min() - 1, times.max() + 1))
    found = full.sel(time=t, method="nearest")
    assert abs(float(found.time) - t) == pytest.approx(np.abs(times - t).min(), abs=1e-9)
    several = full.sel(time=times[[k, k]])
    assert several.values.tolist() == [k, k]


def test_a_time_between_samples_needs_nearest():
    data = channel(Axis(0, 1, 125.0, 100))
    with pytest.raises(KeyError, match=r"0\.01 s"):
        data.sel(time=0.01)
    assert int(data.sel(time=0.009, method="nearest")) == 1
    with pytest.raises(KeyError, match="no sample"):
        data.sel(time=0.011, method="nearest", tolerance=0.001)
    with pytest.raises(KeyError, match="not a number"):
        data.sel(time=np.nan)
    with pytest.raises(InputError, match="method"):
        data.sel(time=0.0, method="ffill")
    beats = data.sel(time=xr.DataArray([0.0, 0.08], dims="beat"))
    assert beats.dims == ("beat",)
    assert beats.values.tolist() == [0, 10]


@pytest.mark.parametrize(
    "how", [copy.copy, copy.deepcopy, lambda d: pickle.loads(pickle.dumps(d)), xr.Dataset.copy]
)
def test_copies_keep_the_axis_and_take_no_memory(how):
    axis = Axis(7, 1, 125.0, 10**12)  # eight terabytes of seconds, were they written out
    data = xr.Dataset(coords=time_coordinate(axis))
    again = how(data)
    assert axis_of(again.isel(time=slice(3, 5)).time) == Axis(10, 1, 125.0, 2)
    assert again.time.attrs["units"] == "s"
    assert float(again.time[-1]) == (7 + 10**12 - 1) / 125


def test_datasets_with_equal_axes_go_together_and_others_do_not():
    a, b = channel(Axis(0, 1, 125.0, 9)), channel(Axis(0, 1, 125.0, 9))
    assert axis_of(a + b) == Axis(0, 1, 125.0, 9)
    with pytest.raises(InputError, match="do not match"):
        _ = a + channel(Axis(1, 1, 125.0, 9))
    assert axis_of(a.rename(time="t")).size == 9
    np.testing.assert_array_equal(a.to_series().index, a.time.values)
    assert "TimeIndex(first=0, step=1, fs=125, size=9)" in repr(a)


def test_axis_of_refuses_what_is_not_evenly_sampled():
    data = channel(Axis(0, 1, 125.0, 9))
    with pytest.raises(InputError, match="evenly"):
        axis_of(data.isel(time=[0, 1, 5]))
    with pytest.raises(InputError, match="dimensions"):
        axis_of(data.isel(time=0))
    with pytest.raises(InputError, match="rate"):
        time_coordinate(Axis(0, 1, 0.0, 3))
    assert axis_of(data.isel(time=[1, 3, 5])) == Axis(1, 2, 125.0, 3)


def test_dimension_names():
    assert [time_dim(125.0), time_dim(500.0, 4), time_dim(249.89, 4)] == [
        "time",
        "time_500hz",
        "time_249.89hz",
    ]


def two_rates(seconds=8):
    runs = [
        {"start": 0, "stop": 500, "gain": 1.0, "calibrated": False},
        {"start": 500, "stop": 125 * seconds, "gain": 2.0, "calibrated": True},
    ]
    rec = xr.Dataset(coords=time_coordinate(Axis(0, 1, 125.0, 125 * seconds)))
    rec = rec.assign_coords(time_coordinate(Axis(0, 1, 500.0, 500 * seconds), "time_500hz"))
    rec["ABP"] = ("time", np.arange(125.0 * seconds), {"calibrated": False, "scale": runs})
    rec["II"] = ("time_500hz", np.arange(500.0 * seconds), {})
    segments = [{"name": "a", "start": 0, "stop": 500}, {"name": "b", "start": 500, "stop": 125 * seconds}]
    rec.attrs = {"fs": 125.0, "segments": segments, "provenance": {"steps": []}}
    return rec


def test_crop_cuts_everything_together():
    rec = two_rates()
    before = copy.deepcopy((rec.attrs, rec.ABP.attrs))
    cut = crop(rec, 4.0, 6.002)
    assert axis_of(cut.ABP) == Axis(500, 1, 125.0, 251)  # 6.000 s is in, half-open at 6.002
    assert axis_of(cut.II) == Axis(2000, 1, 500.0, 1001)  # 6.002 s itself is out
    assert cut.ABP.values[0] == 500
    assert cut.ABP.attrs["scale"] == [{"start": 500, "stop": 751, "gain": 2.0, "calibrated": True}]
    assert cut.ABP.attrs["calibrated"] is True
    assert cut.attrs["segments"] == [{"name": "b", "start": 500, "stop": 751}]
    assert cut.attrs["provenance"]["steps"] == [{"step": "crop", "start_s": 4.0, "stop_s": 6.002}]
    assert (rec.attrs, rec.ABP.attrs) == before
    again = crop(cut, 5.0, None)
    assert axis_of(again.ABP).first == 625


@given(st.floats(0, 8), st.floats(0, 8), st.floats(0, 8))
def test_pieces_cut_at_one_time_fit_together(a, b, c):
    rec, (low, middle, high) = two_rates(), sorted([a, b, c])
    for name, fs in (("ABP", 125), ("II", 500)):
        times = np.arange(rec[name].size) / fs
        for start, stop in ((low, middle), (middle, high)):
            inside = np.flatnonzero((times >= start) & (times < stop))
            try:
                got = crop(rec, start, stop)[name].values
            except InputError:
                got = np.zeros(0)
            assert got.tolist() == inside.tolist()


def test_crop_refuses_emptiness_and_uneven_axes():
    rec = two_rates()
    with pytest.raises(InputError, match="runs from 0 to 8 s"):
        crop(rec, 8.0, 9.0)
    with pytest.raises(InputError, match="nothing between 5 and 4"):
        crop(rec, 5.0, 4.0)
    with pytest.raises(InputError, match="not exact"):
        crop(rec.isel(time=[0, 1, 5]), 0.0, 1.0)
    with pytest.raises(InputError, match="not a number"):
        crop(rec, np.nan, 1.0)


@given(st.slices(1000))
def test_scale_of_follows_any_slice(part):
    data = two_rates().ABP
    cut = data.isel(time=part)
    gain = np.zeros(cut.size)
    for run in scale_of(cut):
        gain[run["start"] : run["stop"]] = run["gain"]
    np.testing.assert_array_equal(gain, np.where(cut.values < 500, 1.0, 2.0))
