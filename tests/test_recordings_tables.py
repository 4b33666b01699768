"""CSV and Parquet files with a time column."""

import gzip
from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from hemoidx.errors import DataUnavailableError, HemoidxError, InputError, UnitError
from hemoidx.recordings import axis_of, crop, load
from hemoidx.recordings.clock import read_clock


def table(n=500, fs=125.0, start=0.0):
    t = start + np.arange(n) / fs
    return pd.DataFrame({"time": t, "ABP [mmHg]": 80 + 20 * np.sin(2 * np.pi * t), "II [mV]": np.cos(t)})


def write(folder, text):
    (folder / "t.csv").write_text(text)
    return folder / "t"


def test_csv(tmp_path):
    frame = table()
    frame.to_csv(tmp_path / "t.csv", index=False)
    rec = load(tmp_path / "t")
    assert list(rec.data_vars) == ["ABP", "II"]
    np.testing.assert_allclose(rec.ABP.values, frame["ABP [mmHg]"], rtol=1e-12)
    assert rec.ABP.dtype == np.float64
    assert axis_of(rec.ABP).fs == 125.0
    assert rec.ABP.attrs["units"] == "mmHg"
    assert rec.ABP.attrs["scale"] == [
        {"start": 0, "stop": 500, "gain": 1.0, "baseline": 0, "units_in": "mmHg", "step": None,
         "rail_low": None, "rail_high": None, "calibrated": True}
    ]  # fmt: skip
    assert rec.attrs["segments"] == [{"name": "t", "start": 0, "stop": 500}]
    assert rec.attrs["provenance"]["notices"] == []
    assert rec.attrs["provenance"]["files"][0]["bytes"] == (tmp_path / "t.csv").stat().st_size
    assert crop(rec, 1.0, 2.0).ABP.size == 125
    only = load(tmp_path / "t.csv", channels="II")
    assert list(only.data_vars) == ["II"]


def test_compressed_csv(tmp_path):
    with gzip.open(tmp_path / "t.csv.gz", "wt") as stream:
        table().to_csv(stream, index=False)
    assert load(tmp_path / "t").ABP.size == 500
    (tmp_path / "bad.csv.gz").write_bytes((tmp_path / "t.csv.gz").read_bytes()[:200])
    with pytest.raises(InputError, match=r"bad\.csv\.gz cannot be read"):
        load(tmp_path / "bad")


@pytest.mark.parametrize(
    ("header", "unit", "factor"),
    [("ABP (kPa)", "kPa", 1 / 0.133322387415), ("ABP [cm H2O]", "cm H2O", 98.0665 / 133.322387415)],
)
def test_units_in_the_header(tmp_path, header, unit, factor):
    rec = load(write(tmp_path, f"t,{header}\n0,10\n0.01,20\n0.02,30\n"))
    np.testing.assert_allclose(rec.ABP.values, np.array([10, 20, 30]) * factor, rtol=1e-9)
    assert rec.ABP.attrs["units"] == "mmHg"
    assert rec.ABP.attrs["scale"][0]["units_in"] == unit
    assert rec.ABP.attrs["scale"][0]["gain"] == pytest.approx(1 / factor)


def test_units_by_argument(tmp_path):
    path = write(tmp_path, "t,ABP,ART (radial),II,PAP [mmHg]\n0,10,1,3,4\n0.01,20,2,3,4\n")
    with pytest.raises(UnitError, match=r"'ABP' of t\.csv .*write 'ABP \[mmHg\]'.*units=.*has no unit"):
        load(path)
    rec = load(path, units="kPa")
    assert list(rec.data_vars) == ["ABP", "ART (radial)", "II", "PAP"]  # a site is no unit
    assert rec.II.attrs["units"] == ""
    assert rec.PAP.values.tolist() == [4, 4]
    assert rec["ART (radial)"].attrs["role"] == "arterial_pressure"
    assert rec.ABP.values[0] == pytest.approx(75.006, abs=1e-3)
    rec = load(path, channels=["ABP"], units={"ABP": "mmHg"})
    assert rec.ABP.values.tolist() == [10, 20]
    with pytest.raises(DataUnavailableError, match="units= names 'XYZ'"):
        load(path, units={"XYZ": "mmHg"})


def test_only_the_pressures_asked_for_are_held_to_their_unit(tmp_path):
    path = write(tmp_path, "t,ABP [mV],II [mV]\n0,1,1\n0.01,1,2\n")
    with pytest.raises(UnitError, match=r"'ABP' .* 'mV'"):
        load(path)
    assert load(path, channels=["II"]).II.values.tolist() == [1, 2]


@pytest.mark.parametrize("fs", [50, 60, 100, 125, 128, 200, 240, 250, 300, 360, 500, 124.945])
@pytest.mark.parametrize("digits", [3, 4, 9])
def test_rate_from_rounded_times(fs, digits):
    t = np.round(np.arange(20000) / fs, digits)
    clock = read_clock(pd.Series(t), 1.0, "here")
    assert clock.size == 20000
    assert clock.fs == pytest.approx(fs, rel=2e-5)
    if digits == 9 or float(fs).is_integer():
        assert clock.fs == fs


@settings(max_examples=60, suppress_health_check=[HealthCheck.too_slow])
@given(
    st.sampled_from([60.0, 125.0, 250.0, 1000.0]),
    st.sets(st.integers(1, 398), max_size=30),
    st.integers(0, 10**6),
    st.integers(0, 2**32 - 1),
)
def test_missing_rows_become_gaps_whatever_the_jitter(fs, missing, first, seed):
    keep = np.array([k for k in range(400) if k not in missing])
    t = (first + keep + 0.1 * np.random.default_rng(seed).uniform(-1, 1, keep.size)) / fs
    clock = read_clock(pd.Series(t), 1.0, "here")
    assert clock.fs == pytest.approx(fs, rel=1e-3)
    assert clock.rows.tolist() == keep.tolist()
    assert any("missing" in n for n in clock.notices) == bool(missing)
    assert any("jitters" in n for n in clock.notices)


def test_gaps_are_nan(tmp_path):
    rec = load(
        write(
            tmp_path,
            "time,ABP [mmHg]\n" + "".join(f"{k / 100},{k}\n" for k in range(50) if k not in (20, 21, 30)),
        )
    )
    assert rec.ABP.size == 50
    assert np.flatnonzero(np.isnan(rec.ABP.values)).tolist() == [20, 21, 30]
    assert "3 rows are missing in 2 places" in rec.attrs["provenance"]["notices"][0]


def test_clock_that_starts_later(tmp_path):
    table(start=300.0).to_csv(tmp_path / "t.csv", index=False)
    rec = load(tmp_path / "t")
    assert axis_of(rec.ABP).first == 37500
    assert float(rec.time[0]) == 300.0
    assert rec.attrs["segments"] == [{"name": "t", "start": 37500, "stop": 38000}]
    assert rec.ABP.attrs["scale"][0]["start"] == 37500


@pytest.mark.parametrize(
    ("values", "start"),
    [
        (pd.date_range("2024-03-01T10:00:00", periods=50, freq="8ms").astype(str), "2024-03-01T10:00:00"),
        (1.7e9 + np.arange(50) / 125, "2023-11-14T22:13:20"),
        ([f"10:00:{k // 125:02d}.{8 * k % 1000:03d}" for k in range(50)], ""),
    ],
)
def test_timestamps(tmp_path, values, start):
    pd.DataFrame({"Timestamp": values, "ABP [mmHg]": np.arange(50.0)}).to_csv(tmp_path / "t.csv", index=False)
    rec = load(tmp_path / "t")
    assert axis_of(rec.ABP).fs == pytest.approx(125.0, rel=1e-4)
    assert rec.attrs["start_time"] == start
    assert rec.ABP.values.tolist() == list(range(50))


@pytest.mark.parametrize(
    ("header", "scale"), [("time [ms],ABP [mmHg]", 1000), ("ABP [mmHg],t", 1), ("whatever,ABP [mmHg]", 1)]
)
def test_time_columns(tmp_path, header, scale):
    rows = [(k * scale / 100, 80 + k) for k in range(20)]
    if header.endswith("t"):
        rows = [row[::-1] for row in rows]
    rec = load(write(tmp_path, header + "\n" + "".join(f"{a},{b}\n" for a, b in rows)))
    assert axis_of(rec.ABP).fs == 100.0
    assert rec.ABP.values[3] == 83


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("", "cannot be read as CSV"),
        ("t|ABP [mmHg]\n0|1\n", "a time column and at least one channel"),
        ("0,80\n0.01,81\n0.02,82\n", "no header line"),
        ("t,ABP [mmHg]\n0,1\n", "at least two"),
        ("t,ABP [mmHg]\n", "at least two"),
        ("t,ABP [mmHg]\n0,1\n0.01,2\n0.005,3\n0.02,3\n", "forward at row 3"),
        ("t,ABP [mmHg]\n0,1\n0,2\n0.01,3\n", "forward at row 2"),
        ("t,ABP [mmHg]\n0,1\n,2\n0.02,3\n", "no time in row 2"),
        ("t,ABP [mmHg]\n0,1\n1,2\n3,3\n10,3\n30,1\n90,3\n", "not evenly spaced"),
        ("t,ABP [mmHg]\nsoon,1\nlater,2\n", "neither seconds nor timestamps"),
        ("t [mmHg],ABP [mmHg]\n0,1\n1,2\n", "time column 't' is in 'mmHg'"),
        ("t,ABP [mmHg]\n0,1\n0.01,broken\n0.02,3\n", "row 2, column 'ABP': 'broken' is no number"),
        ("t,ABP [mmHg]\n" + "".join(f"{k},1\n" for k in range(20)) + "99999999,3\n", "would last"),
        ("t,note\n0,a\n0.01,b\n", "no column of numbers"),
        ("t,ABP [mmHg]\n0,1,9\n0.01,2,9\n", "as many fields"),
        ("t,ABP [mmHg]\n0,1\n0.01,2,9,9\n", "cannot be read as CSV"),
        ("t,ABP [mmHg]\n0,1\ninf,2\n", "infinite"),
        ("t,ABP [mmHg]\n1e90,1\n2e90,2\n", "is no date"),
    ],
)
def test_spoiled_csv(tmp_path, text, says):
    with pytest.raises(HemoidxError, match=says) as caught:
        load(write(tmp_path, text))
    assert "\n" not in str(caught.value)


def test_words_beside_the_numbers(tmp_path):
    path = write(tmp_path, "t,ABP [mmHg],note,ABP [mmHg]\n0,1,a,5\n0.01,-nan(ind),b,6\n0.02,inf,c,7\n")
    rec = load(path)
    assert list(rec.data_vars) == ["ABP", "ABP_2"]
    assert np.isnan(rec.ABP.values).tolist() == [False, True, True]
    assert rec.ABP_2.values.tolist() == [5, 6, 7]
    assert "note" in rec.attrs["provenance"]["notices"][0]
    with pytest.raises(InputError, match="'note': 'a' is no number"):
        load(path, channels="note")
    with pytest.raises(DataUnavailableError, match="there are ABP, note, ABP_2"):
        load(path, channels="ART")


def parquet(folder, frame, **units):
    data = pa.Table.from_pandas(frame)
    fields = [f.with_metadata({"units": units[f.name]}) if f.name in units else f for f in data.schema]
    pq.write_table(data.cast(pa.schema(fields, metadata=data.schema.metadata)), folder / "t.parquet")
    return folder / "t"


def test_parquet_units_of_columns(tmp_path):
    frame = table().rename(columns={"ABP [mmHg]": "ABP", "II [mV]": "II"})
    rec = load(parquet(tmp_path, frame, ABP="kPa", II="mV"))
    np.testing.assert_allclose(rec.ABP.values, frame["ABP"] / 0.133322387415, rtol=1e-12)
    assert rec.II.attrs["units"] == "mV"
    with pytest.raises(UnitError, match="has no unit"):
        load(parquet(tmp_path, frame))


def test_parquet_units_in_attrs_and_time_in_the_index(tmp_path):
    frame = table().rename(columns={"ABP [mmHg]": "ABP"})
    frame.index = pd.DatetimeIndex(
        pd.Timestamp("2024-01-01") + pd.to_timedelta(frame.pop("time"), unit="s")
    ).rename(None)
    frame.attrs = {"units": {"ABP": "mmHg"}}
    frame.to_parquet(tmp_path / "t.parquet")
    rec = load(tmp_path / "t", channels=["ABP"])
    np.testing.assert_array_equal(rec.ABP.values, frame["ABP"])
    assert rec.attrs["start_time"] == "2024-01-01T00:00:00"
    assert axis_of(rec.ABP).fs == 125.0


def test_parquet_with_missing_values_and_brackets(tmp_path):
    frame = table(10).astype({"ABP [mmHg]": "float32"})
    frame["n"] = pd.array([1, None] * 5, dtype="Int64")
    frame.to_parquet(tmp_path / "t.parquet")
    rec = load(tmp_path / "t.parquet")
    assert rec.ABP.dtype == np.float64
    assert np.isnan(rec.n.values).sum() == 5


def test_spoiled_parquet(tmp_path):
    (tmp_path / "t.parquet").write_bytes(b"PAR1 nothing")
    with pytest.raises(InputError, match=r"t\.parquet cannot be read as Parquet") as caught:
        load(tmp_path / "t")
    assert "\n" not in str(caught.value)
    pq.write_table(
        pa.table([[0.0, 1.0], [1.0, 2.0], [1.0, 2.0]], names=["t", "ABP", "ABP"]), tmp_path / "t.parquet"
    )
    with pytest.raises(InputError, match="several columns of one name"):
        load(tmp_path / "t")


@pytest.mark.parametrize(
    ("label", "seconds"),
    [("time_ms", 1e-3), ("Time_MS", 1e-3), ("time ms", 1e-3), ("t_us", 1e-6), ("time_s", 1.0),
     ("timestamp_seconds", 1.0), ("time_min", 60.0)],
)  # fmt: skip
def test_the_ending_of_the_time_column_is_its_unit(tmp_path: Path, label: str, seconds: float) -> None:
    rows = "".join(f"{i},{i / 125 / seconds:.9g}\n" for i in range(500))
    path = tmp_path / "t.csv"
    path.write_text(f"CVP [mmHg],{label}\n{rows}")
    rec = load(path)
    assert list(rec) == ["CVP"], "found wherever it stands"
    assert rec["CVP"].attrs["fs"] == pytest.approx(125.0, rel=1e-6)


def test_an_ending_that_is_no_unit_of_time_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "t.csv"
    path.write_text("time_ticks,ABP [mmHg]\n0,80\n8,81\n16,82\n")
    with pytest.raises(InputError, match=r"'time_ticks' ends in a word that is no unit.*'time \[ms\]'"):
        load(path)
    path.write_text("time_utc,ABP [mmHg]\n2020-01-01T00:00:00,80\n2020-01-01T00:00:01,81\n")
    assert load(path)["ABP"].attrs["fs"] == 1.0


@pytest.mark.parametrize("separator", [";", "\t"])
@pytest.mark.parametrize("decimal", [".", ","])
@pytest.mark.parametrize("suffix", [".csv", ".csv.gz"])
def test_semicolons_tabs_and_decimal_commas_are_understood(
    tmp_path: Path, separator: str, decimal: str, suffix: str
) -> None:
    # The first row holds no fraction: the decimal sign must not be guessed from it alone.
    rows = [(0, 80), *((i / 125, 80.5 + i / 8) for i in range(1, 300))]
    lines = [separator.join(str(x).replace(".", decimal) for x in row) for row in rows]
    text = "\n".join([f"time{separator}ABP [mmHg]", *lines, ""])
    path = tmp_path / f"t{suffix}"
    path.write_bytes(gzip.compress(text.encode()) if suffix.endswith("gz") else text.encode())
    rec = load(path)
    np.testing.assert_allclose(rec["ABP"].values, [b for _, b in rows])
    assert rec["ABP"].attrs["fs"] == 125.0
    assert ("decimal commas were read" in rec.attrs["provenance"]["notices"]) == (decimal == ",")


def test_a_semicolon_in_a_name_separates_nothing(tmp_path: Path) -> None:
    path = tmp_path / "t.csv"
    path.write_text("time,ABP [mmHg],note;more\n0,80,1\n0.008,81,2\n0.016,82,3\n")
    assert list(load(path)) == ["ABP", "note;more"]


@pytest.mark.parametrize("label", ["abp_kpa", "ABP_kPa", "abp kPa"])
def test_the_ending_of_a_pressure_column_is_its_unit(tmp_path: Path, label: str) -> None:
    path = tmp_path / "t.csv"
    path.write_text(f"time,{label}\n0,10\n0.008,11\n0.016,12\n")
    (name,) = load(path)
    assert name.upper() == "ABP"
    # 1 kPa = 1000 / 133.322387415 mmHg, ISO 80000-4 as quoted in hemoidx.units.
    np.testing.assert_allclose(load(path)[name].values, np.array([10, 11, 12]) * 1000 / 133.322387415)


def test_a_pressure_under_any_name_is_read_in_mmhg(tmp_path: Path) -> None:
    path = tmp_path / "t.csv"
    path.write_text("time,blue [cmH2O],CO2 [kPa]\n0,100,5\n0.008,110,5\n0.016,120,5\n")
    rec = load(path)
    assert (rec["blue"].attrs["units"], rec["blue"].attrs["role"]) == ("mmHg", "other")
    # 1 cmH2O = 98.0665 / 133.322387415 mmHg, ISO 80000-4 as quoted in hemoidx.units.
    np.testing.assert_allclose(rec["blue"].values, np.array([100, 110, 120]) * 98.0665 / 133.322387415)
    assert rec["CO2"].attrs["units"] == "kPa"
