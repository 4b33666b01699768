"""The face of the indices for arrays, tables and labelled arrays: same numbers, units kept."""

import numpy as np
import pandas as pd
import pytest
import xarray as xr

import hemoidx as hx
from hemoidx.simulate import Scenario, simulate


def test_arrays_in_arrays_out() -> None:
    np.testing.assert_allclose(hx.compute("pp", sbp=[120.0, 110.0], dbp=[80.0, 75.0]), [40.0, 35.0])


def test_a_table_gives_a_series_with_unit_and_index() -> None:
    table = pd.DataFrame({"sbp": [120.0, 110.0], "dbp": [80.0, 75.0]}, index=[7, 9])
    found = hx.compute("pp", table)
    assert isinstance(found, pd.Series)
    assert found.index.tolist() == [7, 9]
    assert found.name == "pp"
    assert found.attrs == {"units": "mmHg", "long_name": "Pulse pressure"}
    np.testing.assert_allclose(found, [40.0, 35.0])


def test_pressures_in_another_unit_are_converted() -> None:
    # 1 kPa is 1000 / 133.322387415 mmHg (ISO 80000-4, from memory).
    table = pd.DataFrame({"sbp": [16.0], "dbp": [10.0]})
    table.attrs["units"] = {"sbp": "kPa", "dbp": "kPa"}
    np.testing.assert_allclose(hx.compute("pp", table), 6000.0 / 133.322387415)
    table.attrs["units"] = {"sbp": "mmHg", "dbp": "mV"}
    with pytest.raises(hx.UnitError, match="input dbp of pp is in 'mV', need mmHg"):
        hx.compute("pp", table)


def test_documented_values_carry_units_too() -> None:
    """Body surface area after Mosteller: root of height [cm] times weight [kg] over 3600 (from memory)."""
    table = pd.DataFrame({"height_cm": [1.80], "weight_kg": [80000.0]})
    table.attrs["units"] = {"height_cm": "m", "weight_kg": "g"}
    np.testing.assert_allclose(hx.compute("bsa_mosteller", table), 2.0)
    table.attrs["units"] = {"height_cm": "mmHg"}
    with pytest.raises(hx.UnitError, match="height_cm of bsa_mosteller is in 'mmHg', need cm"):
        hx.compute("bsa_mosteller", table)
    venous = pd.Series([1.0])
    venous.attrs["units"] = "kPa"
    common = {"mbp": [90.0], "co": [5.0]}
    found = hx.compute("svr", central_venous_pressure_mmhg=venous, **common)
    plain = hx.compute("svr", central_venous_pressure_mmhg=[1000.0 / 133.322387415], **common)
    np.testing.assert_allclose(found, plain)


def test_rows_are_never_matched_by_their_place() -> None:
    sbp = pd.Series([120.0, 110.0], index=["a", "b"])
    with pytest.raises(hx.InputError, match="dbp and sbp carry different labels"):
        hx.compute("pp", sbp=sbp, dbp=pd.Series([70.0, 80.0], index=["b", "a"]))
    found = hx.compute("pp", sbp=sbp, dbp=pd.Series([80.0, 70.0], index=["a", "b"]))
    assert found.to_dict() == {"a": 40.0, "b": 40.0}
    hours = xr.DataArray([120.0, 110.0], dims="hour", coords={"hour": [0, 1]})
    with pytest.raises(hx.InputError, match="2 of patient; 2 of hour"):
        hx.compute("pp", sbp=hours, dbp=hours.rename(hour="patient"))
    with pytest.raises(hx.InputError, match="different labels"):
        hx.compute("pp", sbp=hours, dbp=hours.assign_coords(hour=[1, 2]) - 40.0)


def test_labels_count_for_what_is_computed_on_the_way_too() -> None:
    """The rate-pressure product needs the rate, which comes from the duration."""
    sbp = pd.Series([120.0, 110.0], index=["a", "b"])
    with pytest.raises(hx.InputError, match="carry different labels"):
        hx.compute("rate_pressure_product", sbp=sbp, duration=pd.Series([0.8, 0.9], index=["b", "a"]))


def test_a_dataset_gives_an_array_with_dimensions() -> None:
    grid = xr.Dataset(
        {
            "sbp": (("patient", "hour"), [[120.0, 110.0], [16.0, 15.0]]),
            "dbp": (("patient", "hour"), [[80.0, 75.0], [60.0, 60.0]], {"units": "mmHg"}),
        },
        {"patient": ["a", "b"]},
    )
    grid["sbp"].attrs["units"] = "mmHg"
    found = hx.compute("pp", grid)
    assert isinstance(found, xr.DataArray)
    assert found.dims == ("patient", "hour")
    assert found.attrs["units"] == "mmHg"
    assert found.sel(patient="a").values.tolist() == [40.0, 35.0]


def test_what_is_missing_is_computed_or_named() -> None:
    np.testing.assert_allclose(
        hx.compute("hr", {"onset": [0.0, 80.0], "end": [80.0, 200.0], "fs": 100.0}), [75, 50]
    )
    with pytest.raises(hx.InputError, match="pp needs sbp; compute: sbp needs 'pressure'"):
        hx.compute("pp", dbp=[80.0])
    with pytest.raises(hx.InputError, match="no index is called 'ppp'"):
        hx.compute("ppp", dbp=[80.0])


def test_an_index_of_ones_own() -> None:
    def doubled(sbp: np.ndarray, site: np.ndarray) -> np.ndarray:
        return np.where(site == "radial", 2.0 * sbp, np.nan)

    mine = hx.Index("doubled", "Doubled", "mmHg", "beat", "2 sbp", ("sbp", "context.site"), doubled)
    table = pd.DataFrame({"sbp": [120.0, 110.0], "site": ["radial", "femoral"]})
    np.testing.assert_allclose(hx.compute(mine, table), [240.0, np.nan])


def test_it_gives_what_the_analysis_gives() -> None:
    rec = simulate(Scenario(name="face", duration_s=40.0, seed=4)).recording
    rec = hx.crop(rec, 5.0, 40.0)
    result = hx.analyse(rec)
    for name in ("sbp", "dbp", "mbp", "pp", "hr", "dpdt_max", "ejection_time"):
        column = result.catalogue[name].column
        bare = result.beats[["onset_s", "steepest_s", "peak_s", "notch_s", "end_s"]]
        found = hx.compute(name, bare, pressure=rec[result.channel])
        there = result.beats[column].notna()
        np.testing.assert_allclose(found[there], result.beats.loc[there, column], rtol=1e-6)
        assert found.attrs["units"] == result.beats.attrs["units"][column]
