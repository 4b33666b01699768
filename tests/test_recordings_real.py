"""Real recordings: what an independent reading of the same files found.

The statistics of each record were worked out from the files with other code; the tolerance is half
a unit of the last digit printed.
"""

import numpy as np
import pytest
import wfdb

from hemoidx.recordings import axis_of, choose_arterial, crop, load

HALF = 0.005001


@pytest.fixture(autouse=True)
def _root(real_data, monkeypatch):
    monkeypatch.setenv("HEMOIDX_DATA", str(real_data))


def checksums(rec):
    return set(rec.attrs["provenance"]["checksums"].values())


def test_multi_rate_record():
    rec = load("mimicdb/037/03700181")  # lies in a version folder
    assert {name: (rec[name].size, rec[name].attrs["fs"]) for name in rec.data_vars} == {
        "MCL1": (300000, 500.0),
        "ABP": (75000, 125.0),
        "RESP": (75000, 125.0),
    }
    p = rec.ABP.values.astype(float)
    assert p.min() == pytest.approx(17.06, abs=HALF)
    assert p.max() == pytest.approx(64.17, abs=HALF)
    assert p.mean() == pytest.approx(33.44, abs=HALF)
    assert checksums(rec) == {"agrees"}
    assert rec.attrs["start_time"] == "1994-08-15T17:27:45"
    files = {f["name"]: f["sha256"] for f in rec.attrs["provenance"]["files"]}
    assert files["03700181.dat"] == "73053369fb56768e37d2165532d48f343d5fa9cbc6b550cba1c70ce3fd4fca41"
    (run,) = rec.ABP.attrs["scale"]
    assert run["rail_low"] == pytest.approx(-34.5, abs=0.05)
    assert run["rail_high"] == pytest.approx(284.4, abs=0.05)
    assert choose_arterial(rec) == "ABP"


def test_skewed_channel_as_the_package_reads_it(real_data):
    rec = load("mimicdb/1.0.0/037/03700181")
    other = wfdb.rdrecord(str(real_data / "mimicdb/1.0.0/037/03700181"), smooth_frames=False)
    for k, name in enumerate(("MCL1", "ABP", "RESP")):
        np.testing.assert_allclose(rec[name].values, other.e_p_signal[k], rtol=1e-6)
    assert np.isnan(rec.RESP.values).sum() == 4


def test_two_segments_are_joined(real_data):
    rec = load("mimicdb-excerpt/041s/041s")
    assert [s["name"] for s in rec.attrs["segments"]] == ["041s01", "041s02"]
    assert (rec.ABP.size, rec.III.size) == (2000, 8000)
    for name, low, high, mean in (("ABP", 40.95, 88.35, 56.06), ("PAP", 5.15, 32.69, 20.59)):
        p = rec[name].values.astype(float)
        found = [p.min(), p.max(), p.mean()]
        assert found == pytest.approx([low, high, mean], abs=HALF)
        assert len(rec[name].attrs["scale"]) == 1
    assert checksums(rec) == {"agrees"}
    halves = [
        wfdb.rdrecord(str(real_data / f"mimicdb-excerpt/041s/041s0{k}"), smooth_frames=False) for k in (1, 2)
    ]
    joined = np.concatenate([half.e_p_signal[3] for half in halves])
    np.testing.assert_allclose(rec.ABP.values, joined, rtol=1e-6)
    cut = crop(rec, 7.9, 8.1)
    assert [s["name"] for s in cut.attrs["segments"]] == ["041s01", "041s02"]
    assert axis_of(cut.III).first == 3950


def test_placeholder_gain_is_no_calibration():
    rec = load("mimic2wdb-excerpt/s00001/3975656_0012")
    p = rec.ABP.values.astype(float)
    assert (p.size, p.min(), p.max()) == (4425, -72, 119)
    assert p.mean() == pytest.approx(-16.55, abs=HALF)
    assert rec.ABP.attrs["calibrated"] is False
    assert rec.II.attrs["calibrated"] is True
    assert any("no real gain" in n for n in rec.attrs["provenance"]["notices"])
    assert checksums(rec) == {"agrees"}


def test_eight_bit_record_and_its_rails():
    rec = load("mimic2wdb-excerpt/s00001/3975656_0013", channels=["ABP"])
    p = rec.ABP.values.astype(float)
    assert p.size == 18075
    assert [p.min(), p.max()] == pytest.approx([-30.0, 270.0], abs=0.05)
    assert p.mean() == pytest.approx(78.36, abs=HALF)
    (run,) = rec.ABP.attrs["scale"]
    assert run["calibrated"] is True
    assert run["step"] == pytest.approx(1.2, abs=1e-6)
    # The collection stops at codes -125 and 125: what looks like a flush sits exactly there.
    assert run["rail_high"] == pytest.approx(p.max(), abs=1e-4)
    assert checksums(rec) == {"agrees"}
    assert rec.attrs["start_time"] == "08:35:48.212000"
