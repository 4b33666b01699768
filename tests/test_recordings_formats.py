"""EDF, NetCDF, tracks of a case, simulated pulse waves: values, rates, gaps and units as written."""

import datetime
import gzip
from pathlib import Path

import edfio
import numpy as np
import pandas as pd
import pytest
import xarray as xr

import hemoidx as hx
from hemoidx.errors import DataUnavailableError, InputError, UnitError
from hemoidx.recordings import axis_of
from hemoidx.recordings.netcdf import save_recording
from hemoidx.recordings.pulse_waves import reference_table
from hemoidx.simulate import Scenario, simulate

RNG = np.random.default_rng(3)
WAVE = 80.0 + 20.0 * np.sin(np.arange(1250) / 16.0)


def edf(unit: str = "mmHg", label: str = "ABP") -> edfio.Edf:
    return edfio.Edf(
        [
            edfio.EdfSignal(WAVE, 125, label=label, physical_dimension=unit, physical_range=(0, 300)),
            edfio.EdfSignal(RNG.normal(size=2500), 250, label="ECG II", physical_dimension="mV"),
        ],
        annotations=[edfio.EdfAnnotation(0.5, None, "flush of the line")],
        starttime=datetime.time(7, 30),
    )


# --- EDF -------------------------------------------------------------------------------------------------


def test_edf_gives_what_the_library_reads(tmp_path: Path) -> None:
    edf().write(tmp_path / "a.edf")
    rec = hx.load(tmp_path / "a")
    reference = edfio.read_edf(tmp_path / "a.edf")
    np.testing.assert_allclose(rec["ABP"], reference.get_signal("ABP").data, rtol=1e-6)
    assert (rec["ABP"].dims, rec["ECG II"].dims) == (("time",), ("time_250hz",))
    assert (rec["ABP"].attrs["fs"], rec["ECG II"].attrs["fs"]) == (125.0, 250.0)
    assert rec["ABP"].attrs["role"] == "arterial_pressure"
    # 16 bits over 300 mmHg.
    (run,) = rec["ABP"].attrs["scale"]
    assert run["step"] == pytest.approx(300.0 / 65535.0)
    assert (run["rail_low"], run["rail_high"]) == (0.0, 300.0)
    assert rec.attrs["comments"] == ["0.5 s: flush of the line"]
    assert len(rec.attrs["provenance"]["files"][0]["sha256"]) == 64


def test_edf_pressures_in_another_unit_are_converted_and_without_one_not_believed(tmp_path: Path) -> None:
    edf("kPa").write(tmp_path / "kpa.edf")
    # 1 kPa is 1000 / 133.322387415 mmHg (ISO 80000-4, from memory).
    np.testing.assert_allclose(hx.load(tmp_path / "kpa")["ABP"], WAVE * 7.50061683, rtol=1e-4)
    edf("").write(tmp_path / "none.edf")
    rec = hx.load(tmp_path / "none")
    assert rec["ABP"].attrs["calibrated"] is False
    edf("uV").write(tmp_path / "uv.edf")
    assert hx.load(tmp_path / "uv", channels="ABP")["ABP"].attrs["calibrated"] is False


def discontinuous(path: Path, onsets: tuple[float, ...]) -> None:
    """Two records of a second, of which the second begins when it is said to: EDF+D, made byte by byte."""
    cut = edf()
    cut.slice_between_seconds(0, len(onsets))
    cut.write(path)
    raw = bytearray(path.read_bytes())
    raw[192:197] = b"EDF+D"
    count = int(raw[252:256])
    sizes = [2 * int(raw[256 + 216 * count + 8 * k : 264 + 216 * count + 8 * k]) for k in range(count)]
    labels = [bytes(raw[256 + 16 * k : 272 + 16 * k]).decode().strip() for k in range(count)]
    before = sum(sizes[: labels.index("EDF Annotations")])
    for k, onset in enumerate(onsets):
        start = int(raw[184:192]) + k * sum(sizes) + before
        note = f"+{onset:g}".encode() + b"\x14\x14\x00"
        size = sizes[labels.index("EDF Annotations")]
        raw[start : start + size] = note.ljust(size, b"\x00")
    path.write_bytes(raw)


def test_edf_with_gaps_between_its_records_keeps_them(tmp_path: Path) -> None:
    discontinuous(tmp_path / "d.edf", (0.0, 3.0))
    rec = hx.load(tmp_path / "d")
    pressure = rec["ABP"].to_numpy()
    assert pressure.size == 4 * 125
    assert np.isnan(pressure[125:375]).all()
    np.testing.assert_allclose(pressure[:125], WAVE[:125], atol=0.01)
    np.testing.assert_allclose(pressure[375:], WAVE[125:250], atol=0.01)
    assert "not continuous" in rec.attrs["provenance"]["notices"][0]
    discontinuous(tmp_path / "o.edf", (0.0, 0.4))
    with pytest.raises(InputError, match="overlap"):
        hx.load(tmp_path / "o")
    discontinuous(tmp_path / "b.edf", (0.0, 9.0, 4.0))
    with pytest.raises(InputError, match="run backwards"):
        hx.load(tmp_path / "b")


@pytest.mark.parametrize("keep", [0, 100, 700])
def test_a_cut_edf_is_refused_in_one_line(keep: int, tmp_path: Path) -> None:
    edf().write(tmp_path / "a.edf")
    (tmp_path / "a.edf").write_bytes((tmp_path / "a.edf").read_bytes()[:keep])
    with pytest.raises(InputError, match=r"a\.edf") as told:
        hx.load(tmp_path / "a.edf")
    assert "\n" not in str(told.value)


# --- NetCDF ----------------------------------------------------------------------------------------------


def test_netcdf_gives_back_the_recording_itself(tmp_path: Path) -> None:
    rec = simulate(Scenario(name="ash", duration_s=20.0, seed=9, breath_channels=("respiration",))).recording
    rec = hx.crop(rec, 3.0, 17.0)
    save_recording(rec, tmp_path / "ash.nc")
    back = hx.load(tmp_path / "ash")
    assert back.identical(rec)
    for name in rec.data_vars:
        assert axis_of(back[name]) == axis_of(rec[name])
    pd.testing.assert_frame_equal(hx.analyse(back).beats, hx.analyse(rec).beats)
    # For other readers the times stand there in seconds.
    plain = xr.open_dataset(tmp_path / "ash.nc", engine="h5netcdf")
    assert float(plain["time"][0]) == 3.0
    plain.close()


def test_netcdf_of_others_is_read_by_its_times_and_units(tmp_path: Path) -> None:
    data = xr.Dataset(
        {"ABP": ("time", WAVE / 7.50061683, {"units": "kPa"})}, {"time": np.arange(1250) / 125.0}
    )
    data.to_netcdf(tmp_path / "b.nc", engine="h5netcdf")
    rec = hx.load(tmp_path / "b.nc")
    assert axis_of(rec["ABP"]).fs == 125.0
    np.testing.assert_allclose(rec["ABP"], WAVE, rtol=1e-6)
    data["ABP"].attrs.clear()
    data.to_netcdf(tmp_path / "c.nc", engine="h5netcdf")
    with pytest.raises((InputError, UnitError), match="without a unit"):
        hx.load(tmp_path / "c.nc")
    (tmp_path / "d.nc").write_bytes(b"no such thing")
    with pytest.raises(InputError, match=r"d\.nc cannot be read as NetCDF"):
        hx.load(tmp_path / "d.nc")


# --- tracks ----------------------------------------------------------------------------------------------


def case(folder: Path) -> Path:
    """An invented case in the layout of the open interface: a wave, a second site, numbers, a cuff."""
    folder.mkdir(parents=True)
    rows = ["Time,box/ART", "4,80.0", "4.002,80.5", *(f",{value:.2f}" for value in WAVE[2:])]
    rows[10] = ",-nan(ind)"
    with gzip.open(folder / "art.csv.gz", "wt") as file:
        file.write("\n".join(rows) + "\n")
    second = pd.DataFrame({"Time": [0.0, 0.002, *[np.nan] * 2998], "box/FEM": np.r_[WAVE, WAVE, WAVE[:500]]})
    second.to_parquet(folder / "fem.parquet")
    (folder / "hr.csv").write_text("Time,box/HR\n1.2,71\n3.1,72\n9.9,75\n", encoding="ascii")
    (folder / "cuff.csv").write_text("Time,box/NIBP_SBP\n2.0,118\n300.5,121\n", encoding="ascii")
    return folder


def test_a_case_of_tracks_is_one_recording(tmp_path: Path) -> None:
    rec = hx.load(case(tmp_path / "7"))
    assert set(rec.data_vars) == {"ART", "FEM", "HR", "NIBP_SBP"}
    assert not any("box" in str(name) for name in rec.data_vars)
    art = rec["ART"]
    assert (art.attrs["fs"], art.attrs["units"], art.attrs["role"]) == (500.0, "mmHg", "arterial_pressure")
    assert rec["FEM"].attrs["site"] == "femoral"
    assert float(art.sel(time=4.002)) == 80.5
    # The ninth value was no number, and before 4 s nothing was recorded.
    assert np.isnan(float(art.sel(time=4.018)))
    assert np.isnan(art.sel(time=slice(0.0, 3.99))).all()
    assert rec["HR"].dropna("time_1hz").to_numpy().tolist() == [71.0, 72.0, 75.0]
    assert rec["HR"].dropna("time_1hz")["time_1hz"].to_numpy().tolist() == [1.0, 3.0, 9.0]
    cuff = rec["NIBP_SBP"]
    assert (cuff.attrs["role"], cuff.attrs["statistic"], cuff.attrs["units"]) == (
        "cuff_pressure",
        "systolic",
        "mmHg",
    )
    assert set(hx.load(tmp_path / "7", channels="ART").data_vars) == {"ART"}


def test_a_case_is_found_under_the_data_root(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("HEMOIDX_DATA", str(tmp_path))
    case(tmp_path / "vitaldb" / "1.0.0" / "7")
    assert hx.load("vitaldb/7", channels="ART").attrs["record_id"] == "7"


def test_numbers_noted_evenly_keep_their_seconds(tmp_path: Path) -> None:
    folder = case(tmp_path / "case")
    (folder / "cuff.csv").write_text("Time,box/NIBP_SBP\n29,118\n89,121\n149,120\n", encoding="ascii")
    (folder / "mean.csv").write_text("Time,box/NIBP_MBP\n44,91\n", encoding="ascii")
    rec = hx.load(folder)
    for name, seconds in (("NIBP_SBP", [29.0, 89.0, 149.0]), ("NIBP_MBP", [44.0])):
        there = rec[name].dropna("time_1hz")
        assert there["time_1hz"].to_numpy().tolist() == seconds


def test_two_numbers_in_a_second_are_told_of(tmp_path: Path) -> None:
    folder = case(tmp_path / "case")
    (folder / "hr.csv").write_text("Time,box/HR\n1.1,71\n1.9,72\n5,73\n", encoding="ascii")
    rec = hx.load(folder)
    assert rec["HR"].dropna("time_1hz").to_numpy().tolist() == [72.0, 73.0]
    assert any("HR: 1 values were followed" in line for line in rec.attrs["provenance"]["notices"])


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("Time,box/ART\n1,80\n", "fewer than two of its rows carry a time"),
        ("Time,box/ART\n0,80\n0.002,many\n", "row 3: 'many' is no number"),
        ("Time,box/ART\n1,80\n0.5,81\n,82\n", "time does not go forward"),
        ("Time,box/ART\n0,80\n0.002,81\n,82\n9,83\n", "do not follow one step"),
    ],
)
def test_a_spoiled_track_says_what_is_wrong(text: str, words: str, tmp_path: Path) -> None:
    (tmp_path / "art.csv").write_text(text, encoding="ascii")
    with pytest.raises(InputError, match=words):
        hx.load(tmp_path)


def test_cases_of_tracks_are_a_cohort_and_are_kept(tmp_path: Path) -> None:
    """A case is one recording, not one for each of its tracks; plain tables beside it stay their own."""
    made = simulate(Scenario(name="ash", duration_s=30.0, fs=500.0, seed=3)).recording["ABP"].to_numpy()
    for case_id in ("7", "8"):
        folder = tmp_path / "in" / case_id
        folder.mkdir(parents=True)
        times = np.r_[0.0, 0.002, np.full(made.size - 2, np.nan)]
        pd.DataFrame({"Time": times, "box/ART": made}).to_parquet(folder / "ART.parquet")
        (folder / "HR.csv").write_text("Time,box/HR\n1,71\n4,72\n", encoding="ascii")
    plain = pd.DataFrame({"time": np.arange(made.size) / 500.0, "ABP [mmHg]": made})
    plain.to_csv(tmp_path / "in" / "plain.csv", index=False)
    cohort = hx.run_cohort(tmp_path / "in", tmp_path / "out", workers=0)
    assert cohort.done == ["7", "8", "plain"]
    files = {path: path.stat().st_mtime_ns for path in (tmp_path / "out" / "tables").rglob("*.parquet")}
    hx.run_cohort(tmp_path / "in", tmp_path / "out", workers=0)
    assert files == {
        path: path.stat().st_mtime_ns for path in (tmp_path / "out" / "tables").rglob("*.parquet")
    }
    with pytest.raises(InputError, match="is a folder"):
        hx.load(tmp_path / "in")


# --- simulated pulse waves -------------------------------------------------------------------------------


def waves(folder: Path) -> Path:
    """Two invented subjects, whose beats last 400 and 380 samples, in the published layout."""
    place = folder / "PWs" / "csv"
    place.mkdir(parents=True)
    for site, signal in (("Radial", "P"), ("AorticRoot", "P"), ("AorticRoot", "U")):
        rows = [f"Subject Number, {', '.join(f'pt{k + 1}' for k in range(400))}"]
        for subject, size in ((1, 400), (2, 380)):
            beat = 80.0 + 20.0 * np.exp(-(((np.arange(size) - 60) / 40.0) ** 2)) * subject
            rows.append(f"{subject}, {', '.join([*(f'{v:.4f}' for v in beat), *['NaN'] * (400 - size)])}")
        (place / f"PWs_{site}_{signal}.csv").write_text("\n".join(rows), encoding="ascii")
    (folder / "pwdb_haemod_params.csv").write_text(
        "Subject Number, age [years], SV [ml], svr [10^6 Pa s / m3]\n1, 25, 66.5, 140\n2, 35, 60, 150\n",
        encoding="ascii",
    )
    return folder


def test_a_virtual_subject_is_a_train_of_its_beat_with_its_truth(tmp_path: Path) -> None:
    rec = hx.load(waves(tmp_path / "pwdb") / "2")
    assert rec["Radial_P"].size == 60 * 380
    assert (rec["Radial_P"].attrs["site"], rec["AorticRoot_P"].attrs["site"]) == ("radial", "aorta")
    assert rec["AorticRoot_U"].attrs["role"] == "flow"
    assert rec.attrs["reference"]["SV"] == {"value": 60.0, "unit": "ml"}
    table = reference_table(tmp_path / "pwdb")
    assert table.loc[1, "SV"] == 66.5
    assert table.attrs["units"]["svr"] == "10^6 Pa s / m3"
    result = hx.analyse(hx.load(tmp_path / "pwdb" / "1"), channel="Radial_P")
    # 400 samples at 500 Hz: 75 beats a minute, each as high as the next.
    assert result.record["hr"].iloc[0] == pytest.approx(75.0, abs=0.1)
    assert result.record["sbp"].iloc[0] == pytest.approx(100.0, abs=0.1)
    with pytest.raises(DataUnavailableError, match="no subject 3"):
        hx.load(tmp_path / "pwdb" / "3")


def test_subjects_are_a_cohort(tmp_path: Path) -> None:
    folder = waves(tmp_path / "pwdb")
    cohort = hx.run_cohort(
        [str(folder / "1"), str(folder / "2")], tmp_path / "out", workers=0, channel="Radial_P"
    )
    assert cohort.done == [str(folder / "1"), str(folder / "2")] or len(cohort.done) == 2
    assert cohort.failures.empty
