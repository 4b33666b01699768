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
