"""WFDB records in every layout, written here and read back."""

import hashlib
import json
import tracemalloc

import numpy as np
import pytest
import wfdb

from hemoidx.errors import DataUnavailableError, UnitError
from hemoidx.recordings import axis_of, crop, load, scale_of

RNG = np.random.default_rng(7)


def codes(n, low=-900, high=900):
    return RNG.integers(low, high, n)


def checksum(values):
    return ((int(np.sum(values)) + 32768) % 65536) - 32768


def write16(folder, name, columns, lines, *, fs="125", n=None, tail="", comments=()):
    """Write a format-16 record by hand: `columns` hold the codes of each signal, frame by frame."""
    frames = len(columns[0][0]) if isinstance(columns[0], tuple) else len(columns[0])
    blocks = [c[0].reshape(frames, -1) if isinstance(c, tuple) else c.reshape(frames, 1) for c in columns]
    np.hstack(blocks).astype("<i2").tofile(folder / f"{name}.dat")
    text = [f"{name} {len(columns)} {fs} {frames if n is None else n} {tail}".rstrip()]
    for line, block in zip(lines, blocks, strict=True):
        words = line.split(None, 7)
        if len(words) > 5 and words[5] == "0":
            words[5] = str(checksum(block))
        text.append(" ".join([f"{name}.dat", *words]))
    text += [f"#{comment}" for comment in comments]
    (folder / f"{name}.hea").write_text("\n".join(text) + "\n")
    return folder / name


def many(samples, k):
    return (samples.reshape(-1, k),)


def test_round_trip_of_a_written_record(tmp_path):
    t = np.arange(1000) / 125
    pressure = 80 + 20 * np.sin(2 * np.pi * t)
    wfdb.wrsamp(
        "r1",
        fs=125,
        units=["mmHg", "mV"],
        sig_name=["ABP", "II"],
        p_signal=np.column_stack([pressure, np.sin(t)]),
        fmt=["16", "16"],
        adc_gain=[50.0, 1000.0],
        baseline=[-4000, 0],
        comments=["invented"],
        write_dir=str(tmp_path),
    )
    rec = load(tmp_path / "r1")
    assert list(rec.data_vars) == ["ABP", "II"]
    np.testing.assert_allclose(rec.ABP.values, pressure, atol=0.5 / 50 + 1e-5)
    assert rec.ABP.dtype == np.float32
    assert rec.attrs["comments"] == ["invented"]
    assert rec.attrs["provenance"]["checksums"] == {"ABP": "agrees", "II": "agrees"}
    assert rec.ABP.attrs["role"] == "arterial_pressure"
    assert rec.ABP.attrs["calibrated"] is True
    (run,) = rec.ABP.attrs["scale"]
    assert (run["start"], run["stop"], run["gain"], run["baseline"]) == (0, 1000, 50.0, -4000)
    assert run["step"] == pytest.approx(0.02)
    assert run["rail_high"] == pytest.approx((32767 + 4000) / 50)
    sums = {f["name"]: f["sha256"] for f in rec.attrs["provenance"]["files"]}
    assert sums["r1.dat"] == hashlib.sha256((tmp_path / "r1.dat").read_bytes()).hexdigest()
    json.dumps([rec.attrs, rec.ABP.attrs], allow_nan=False)


def packed(fmt, flat):
    """Bytes of formats that the package reads but does not write, as signal(5) describes them."""
    if fmt == "61":
        return flat.astype(">i2").tobytes()
    if fmt == "160":
        return (flat + 32768).astype("<u2").tobytes()
    a, b, c = np.r_[flat, np.zeros(-len(flat) % 3, dtype=np.int64)].reshape(-1, 3).T & 0x3FF
    if fmt == "311":
        return (a | b << 10 | c << 20).astype("<u4").tobytes()
    pairs = np.column_stack([a << 1 | (c & 31) << 11, b << 1 | (c >> 5) << 11])
    return pairs.astype("<u2").tobytes()


@pytest.mark.parametrize("n", [601, 7])
@pytest.mark.parametrize("fmt", ["8", "61", "160", "310", "311"])
def test_rarer_formats_in_pieces(tmp_path, monkeypatch, fmt, n):
    digital = np.clip(np.cumsum(RNG.integers(-3, 4, (n, 2)), axis=0), -500, 500)
    digital[0] = [40, -40]
    if fmt == "8":
        steps = np.diff(digital, axis=0, prepend=digital[:1])
        raw = steps.astype("i1").tobytes()
    else:
        raw = packed(fmt, digital.ravel())
    (tmp_path / "p.dat").write_bytes(raw)
    lines = [f"p.dat {fmt} 10/mmHg 10 0 {digital[0, k]} {checksum(digital[:, k])} 0 ABP" for k in (0, 1)]
    (tmp_path / "p.hea").write_text("\n".join([f"p 2 100 {n}", *lines]))
    monkeypatch.setattr("hemoidx.recordings.wfdb_signals._PIECE", 50)
    rec = load(tmp_path / "p")
    np.testing.assert_allclose(rec.ABP.values, digital[:, 0] / 10, rtol=1e-6)
    np.testing.assert_allclose(rec.ABP_2.values, digital[:, 1] / 10, rtol=1e-6)
    assert set(rec.attrs["provenance"]["checksums"].values()) == {"agrees"}


@pytest.mark.parametrize("fmt", ["16", "24", "32", "80", "212", "508", "516", "524"])
@pytest.mark.parametrize("n", [601, 7])
def test_every_format_in_pieces(tmp_path, monkeypatch, fmt, n):
    low, high = (-120, 120) if fmt in ("80", "508") else (-500, 500)
    steps = RNG.integers(-3, 4, (n, 3))
    digital = np.clip(np.cumsum(steps, axis=0), low, high)
    wfdb.wrsamp(
        "r", fs=100, units=["mmHg", "mV", "V"], sig_name=["ABP", "II", "x"], d_signal=digital,
        fmt=[fmt] * 3, adc_gain=[10.0, 20.0, 30.0], baseline=[-5, 0, 3], write_dir=str(tmp_path),
    )  # fmt: skip
    monkeypatch.setattr("hemoidx.recordings.wfdb_signals._PIECE", 100)
    rec = load(tmp_path / "r")
    expected = (digital - [-5, 0, 3]) / [10.0, 20.0, 30.0]
    for k, name in enumerate(("ABP", "II", "x")):
        np.testing.assert_allclose(rec[name].values, expected[:, k], rtol=1e-6, atol=1e-6)
        assert rec.attrs["provenance"]["checksums"][name] == "agrees"
    one = load(tmp_path / "r", channels="II")
    np.testing.assert_array_equal(one.II.values, rec.II.values)


def test_several_samples_in_a_frame_keep_their_rate(tmp_path):
    ecg, abp = codes(4 * 500), codes(500)
    ecg[17] = -32768
    path = write16(
        tmp_path, "m", [many(ecg, 4), abp],
        [f"16x4 200/mV 12 0 0 {checksum(ecg)} 0 II", f"16 10(-50)/mmHg 12 0 0 {checksum(abp)} 0 ABP"],
        fs="62.4725", tail="10:11:12.5 3/4/2001",
    )  # fmt: skip
    rec = load(path)
    assert axis_of(rec.II).fs == 4 * 62.4725
    assert rec.II.dims == ("time_249.89hz",)
    assert rec.ABP.dims == ("time",)
    expected = np.where(ecg == -32768, np.nan, ecg / 200)
    np.testing.assert_allclose(rec.II.values, expected, rtol=1e-6)
    assert rec.attrs["provenance"]["checksums"] == {"II": "agrees", "ABP": "agrees"}
    assert rec.attrs["start_time"] == "2001-04-03T10:11:12.500000"
    # Independent reading: the package itself, with frame averaging off.
    other = wfdb.rdrecord(str(path), smooth_frames=False)
    for k, name in enumerate(("II", "ABP")):
        np.testing.assert_allclose(rec[name].values, other.e_p_signal[k], rtol=1e-6)


@pytest.mark.parametrize("skews", [(5, 5), (0, 5), (5, 2), (0, 300)])
def test_skew_and_prolog(tmp_path, monkeypatch, skews):
    a, b = codes(200), codes(400)
    lines = [f"16:{skews[0]}+4 10/mmHg 12 0 0 0 0 ABP", f"16x2:{skews[1]}+4 10/mV 12 0 0 0 0 II"]
    path = write16(tmp_path, "s", [a, many(b, 2)], lines)
    stored = (tmp_path / "s.dat").read_bytes()
    (tmp_path / "s.dat").write_bytes(b"head" + stored)
    monkeypatch.setattr("hemoidx.recordings.wfdb_signals._PIECE", 20)
    rec = load(path)
    for name, stored_codes, skew in (("ABP", a, skews[0]), ("II", b, 2 * skews[1])):
        expected = np.r_[stored_codes[skew:] / 10, np.full(min(skew, stored_codes.size), np.nan)]
        np.testing.assert_allclose(rec[name].values, expected, rtol=1e-6)
    assert set(rec.attrs["provenance"]["checksums"].values()) == {"agrees"}
    if len({*skews} - {0}) == 1 and max(skews) < 200:
        # The package stops at two skews in one file, and pads faster channels with zeros at the end.
        other = wfdb.rdrecord(str(path), smooth_frames=False)
        for k, name in enumerate(("ABP", "II")):
            inside = slice(0, 195 * (k + 1))
            np.testing.assert_allclose(rec[name].values[inside], other.e_p_signal[k][inside], rtol=1e-6)


def variable_layout(folder):
    """Layout header, a segment without gain, a null segment, two with real gains, one without ABP."""
    parts = {k: codes(n, -100, 100) for k, n in (("a", 30), ("b", 50), ("c", 20), ("d", 40))}
    write16(folder, "v_0001", [parts["a"]], ["16 1/mmHg 8 0 0 0 0 ABP"])
    write16(
        folder,
        "v_0002",
        [parts["b"], parts["b"]],
        ["16 100/mV 8 0 0 0 0 II", "16 2(-100)/mmHg 8 0 0 0 0 ABP"],
    )
    write16(folder, "v_0003", [parts["c"]], ["16 4(-80)/mmHg 8 0 0 0 0 ABP"])
    write16(folder, "v_0004", [parts["d"]], ["16 100/mV 8 0 0 0 0 II"])
    (folder / "v_layout.hea").write_text(
        "v_layout 2 125 0\n~ 0 100/mV 8 0 0 0 0 II\n~ 0 2(-100)/mmHg 8 0 0 0 0 ABP\n"
    )
    (folder / "v.hea").write_text(
        "v/6 2 125 165 8:00:00\nv_layout 0\nv_0001 30\n~ 25\nv_0002 50\nv_0003 20\nv_0004 40\n#age 60\n"
    )
    return parts


def test_variable_layout(tmp_path):
    parts = variable_layout(tmp_path)
    rec = load(tmp_path / "v")
    assert list(rec.data_vars) == ["II", "ABP"]
    gap = np.full(25, np.nan)
    expected = np.concatenate(
        [parts["a"], gap, (parts["b"] + 100) / 2, (parts["c"] + 80) / 4, np.full(40, np.nan)]
    )
    np.testing.assert_allclose(rec.ABP.values, expected, rtol=1e-6)
    ecg = np.concatenate([np.full(55, np.nan), parts["b"] / 100, np.full(20, np.nan), parts["d"] / 100])
    np.testing.assert_allclose(rec.II.values, ecg, rtol=1e-6)
    assert [(s["name"], s["start"], s["stop"]) for s in rec.attrs["segments"]] == [
        ("v_0001", 0, 30), ("~", 30, 55), ("v_0002", 55, 105), ("v_0003", 105, 125), ("v_0004", 125, 165),
    ]  # fmt: skip
    runs = [(r["start"], r["stop"], r["gain"], r["calibrated"]) for r in rec.ABP.attrs["scale"]]
    assert runs == [(0, 30, 1.0, False), (55, 105, 2.0, True), (105, 125, 4.0, True)]
    assert rec.ABP.attrs["calibrated"] is False
    assert "30%" in " ".join(rec.attrs["provenance"]["notices"])  # 30 of 100 stored samples
    assert rec.attrs["start_time"] == "08:00:00"
    assert rec.attrs["comments"] == ["age 60"]
    cut = crop(rec, 60 / 125, 110 / 125)
    assert cut.ABP.attrs["calibrated"] is True
    assert [(r["start"], r["stop"]) for r in scale_of(cut.ABP)] == [(0, 45), (45, 50)]


def test_fixed_layout_joins_equal_gains(tmp_path):
    a, b = codes(30), codes(40)
    for name, part in (("f1", a), ("f2", b)):
        write16(tmp_path, name, [part], [f"16 10(-20)/mmHg 12 0 0 {checksum(part)} 0 ABP"])
    (tmp_path / "f.hea").write_text("f/2 1 125 70\nf1 30\nf2 40\n")
    rec = load(tmp_path / "f")
    np.testing.assert_allclose(rec.ABP.values, (np.concatenate([a, b]) + 20) / 10, rtol=1e-6)
    assert [(r["start"], r["stop"]) for r in rec.ABP.attrs["scale"]] == [(0, 70)]
    assert rec.attrs["provenance"]["checksums"] == {"ABP": "agrees"}
    other = wfdb.rdrecord(str(tmp_path / "f"))
    np.testing.assert_allclose(rec.ABP.values, other.p_signal[:, 0], rtol=1e-6)


@pytest.mark.parametrize(
    ("gain", "values", "units", "stated", "calibrated"),
    [
        ("0", lambda c: c, "counts", 0.0, False),
        ("0/mmHg", lambda c: c, "counts", 0.0, False),
        ("0(-20)/mmHg", lambda c: c + 20, "counts", 0.0, False),
        ("1/mmHg", lambda c: c, "mmHg", 1.0, False),
        ("1(0)/mmHg", lambda c: c, "mmHg", 1.0, False),
        ("1(-20)/mmHg", lambda c: c + 20, "mmHg", 1.0, True),
        ("10/kPa", lambda c: c / 10 / 0.133322387415, "mmHg", 10.0, True),
        ("10/cmH2O", lambda c: c / 10 * 98.0665 / 133.322387415, "mmHg", 10.0, True),
        ("-10/mm_Hg", lambda c: c / -10, "mmHg", -10.0, True),
    ],
)
def test_gains(tmp_path, gain, values, units, stated, calibrated):
    c = codes(50)
    rec = load(write16(tmp_path, "g", [c], [f"16 {gain} 12 0 0 0 0 ABP"]))
    np.testing.assert_allclose(rec.ABP.values, values(c), rtol=1e-5)
    (run,) = rec.ABP.attrs["scale"]
    assert (rec.ABP.attrs["units"], rec.ABP.attrs["calibrated"]) == (units, calibrated)
    assert (run["gain"], run["calibrated"]) == (stated, calibrated)
    assert run["rail_low"] < run["rail_high"]
    assert bool(rec.attrs["provenance"]["notices"]) is not calibrated


def test_a_line_that_ends_after_the_format_has_no_gain(tmp_path):
    c = codes(50)
    write16(tmp_path, "g", [c, c], ["16", "16 10/mmHg 12 0 0 0 0 ABP"])
    rec = load(tmp_path / "g")
    np.testing.assert_array_equal(rec.signal_1.values, c)
    assert rec.signal_1.attrs["units"] == "counts"
    assert rec.attrs["provenance"]["checksums"]["signal_1"] == "not stated"


def test_baseline_follows_the_converter_zero(tmp_path):
    c = codes(50)
    rec = load(write16(tmp_path, "z", [c], ["16 10/mmHg 12 100 0 0 0 ABP"]))
    np.testing.assert_allclose(rec.ABP.values, (c - 100) / 10, rtol=1e-6)


def test_only_the_pressures_asked_for_are_held_to_their_unit(tmp_path):
    c = codes(50)
    lines = [
        "16 10/mV 12 0 0 0 0 ABP",
        "16 10 12 0 0 0 0 PAP",
        "16 10/mV 12 0 0 0 0 II",
        "16 10/uV 12 0 0 0 0 P3",
    ]
    write16(tmp_path, "u", [c] * 4, lines)
    with pytest.raises(UnitError, match=r"'ABP' of u\.hea is in 'mV'"):
        load(tmp_path / "u")
    with pytest.raises(UnitError, match=r"'PAP' of .* no unit"):
        load(tmp_path / "u", channels=["PAP"])
    rec = load(tmp_path / "u", channels=["P3", "II"])
    assert list(rec.data_vars) == ["P3", "II"]
    assert [rec.P3.attrs["role"], rec.P3.attrs["units"]] == ["other", "uV"]


def test_checksums_are_compared(tmp_path):
    c = codes(50)
    right, wrong = f"16 10/mmHg 12 0 0 {checksum(c)} 0", f"16 10/mmHg 12 0 0 {checksum(c) + 1} 0"
    rec = load(write16(tmp_path, "c", [c, c, c], [f"{right} ABP", f"{wrong} ART", "16 10/mmHg 12"]))
    assert rec.attrs["provenance"]["checksums"] == {
        "ABP": "agrees",
        "ART": "differs",
        "signal_3": "not stated",
    }
    assert any("ART" in notice and "checksum" in notice for notice in rec.attrs["provenance"]["notices"])


def test_names_of_channels(tmp_path):
    c = codes(20)
    names = ["ABP", "ABP", "Radial_P, ", "time", "device/ART"]
    rec = load(
        write16(tmp_path, "n", [c + k for k in range(5)], [f"16 10/mmHg 12 0 0 0 0 {n}" for n in names])
    )
    assert list(rec.data_vars) == ["ABP", "ABP_2", "Radial_P", "time_2", "device/ART"]
    assert rec.ABP_2.values[0] == pytest.approx((c[0] + 1) / 10)
    assert list(load(tmp_path / "n", channels="art").data_vars) == ["device/ART"]
    with pytest.raises(DataUnavailableError, match="'X' is not there; there are ABP, ABP_2"):
        load(tmp_path / "n", channels=["X"])


def test_rails_are_where_the_signal_stops(tmp_path):
    at_125 = np.r_[np.full(10, 125), np.full(10, -125), np.arange(-60, 60)]
    rec = load(
        write16(
            tmp_path,
            "q",
            [at_125, at_125 // 2],
            ["16 1(-100)/mmHg 8 0 0 0 0 ABP", "16 1(-100)/mmHg 8 0 0 0 0 ART"],
        )
    )
    (run,) = rec.ABP.attrs["scale"]
    assert (run["rail_low"], run["rail_high"]) == (
        -25.0,
        225.0,
    )  # reached, three codes inside the nominal end
    (run,) = rec.ART.attrs["scale"]
    assert (run["rail_low"], run["rail_high"]) == (-28.0, 227.0)  # never near: the nominal 8 bits


@pytest.mark.parametrize(
    ("tail", "start", "notice"),
    [
        ("", "", None),
        ("8:05:06", "08:05:06", None),
        ("05:06", "00:05:06", None),
        ("8:05:06 24/12/1994", "1994-12-24T08:05:06", None),
        ("8:05:06 2704", "08:05:06", "'2704'"),
        ("8:05:06 199", "08:05:06", "'199'"),
        ("8:05:06 2014-05-08", "2014-05-08T08:05:06", None),
        ("8:05:06 31/02/1994", "08:05:06", "'31/02/1994'"),
        ("8:05:06 1/2/20000000000000", "08:05:06", "'1/2/20000000000000'"),
        ("25:00:00 24/12/2704", "2704-12-24", "'25:00:00'"),
    ],
)
def test_dates_are_read_leniently(tmp_path, tail, start, notice):
    rec = load(write16(tmp_path, "d", [codes(9)], ["16 10/mmHg 12 0 0 0 0 ABP"], tail=tail))
    assert rec.attrs["start_time"] == start
    notices = rec.attrs["provenance"]["notices"]
    assert [n for n in notices if notice and notice in n] == notices
    assert bool(notices) is (notice is not None)


@pytest.mark.parametrize("fmt", ["16", "212", "516"])
def test_a_length_that_is_not_stated_comes_from_the_file(tmp_path, fmt):
    digital = codes(300).reshape(-1, 2)
    wfdb.wrsamp("l", fs=100, units=["mmHg", "mV"], sig_name=["ABP", "II"], d_signal=digital, fmt=[fmt] * 2,
                adc_gain=[10.0, 10.0], baseline=[0, 0], write_dir=str(tmp_path))  # fmt: skip
    header = (tmp_path / "l.hea").read_text().splitlines()
    (tmp_path / "l.hea").write_text("\n".join(["l 2 100 0", *header[1:]]))
    rec = load(tmp_path / "l")
    np.testing.assert_allclose(rec.ABP.values, digital[:, 0] / 10, rtol=1e-6)
    assert "150 frames by the size" in rec.attrs["provenance"]["notices"][0]


def test_a_rate_that_is_not_stated_is_the_default_and_said(tmp_path):
    write16(tmp_path, "r", [codes(9)], ["16 10/mmHg 12 0 0 0 0 ABP"])
    (tmp_path / "r.hea").write_text("r 1\nr.dat 16 10/mmHg 12 0 0 0 0 ABP\n")
    rec = load(tmp_path / "r")
    assert rec.attrs["fs"] == 250.0
    assert any("250 Hz" in notice for notice in rec.attrs["provenance"]["notices"])


def test_more_samples_than_stated_are_left_and_said(tmp_path):
    rec = load(write16(tmp_path, "m", [codes(30)], ["16 10/mmHg 12 0 0 0 0 ABP"], n=20))
    assert rec.ABP.size == 20
    assert "10 frames more" in rec.attrs["provenance"]["notices"][0]


def test_memory_is_a_small_multiple_of_the_result(tmp_path):
    n = 4_000_000
    path = write16(
        tmp_path,
        "big",
        [np.arange(n) % 1000, np.arange(n) % 7],
        ["16 10/mmHg 12 0 0 0 0 ABP", "16 10/mV 12 0 0 0 0 II"],
    )
    load(path, channels=["II"])  # what is imported on first use is not counted
    tracemalloc.start()
    rec = load(path, channels=["ABP"])
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert rec.ABP.values.nbytes == 4 * n
    assert peak < 2.5 * 4 * n
