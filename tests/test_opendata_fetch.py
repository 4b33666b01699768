"""Fetching from a server on loopback that cuts, lies, keeps silent and sends elsewhere."""

import gzip
import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
import wfdb

import hemoidx as hx
from hemoidx.cli import main
from hemoidx.errors import DataUnavailableError, InputError
from hemoidx.opendata import transfer
from hemoidx.opendata.transfer import Manners
from tests.mirror import Mirror, serving, with_sums

QUICK = Manners(tries=3, connect_s=2.0, silence_s=0.5, wait_s=0.0)
RECORD = "037/03700181"


@pytest.fixture
def mirror(tmp_path: Path) -> Iterator[Mirror]:
    """A database of invented recordings in the layout of PhysioNet: lists, checksums, one of two segments."""
    folder = tmp_path / "server"
    wave = 80.0 + 20.0 * np.sin(np.arange(4000) / 8.0)
    for place, name in (("037", "03700181"), ("037", "03700182"), ("041", "04100001"), ("041", "04100002")):
        (folder / place).mkdir(parents=True, exist_ok=True)
        wfdb.wrsamp(
            name, fs=125, units=["mmHg"], sig_name=["ABP"], p_signal=wave[:, None], fmt=["16"],
            write_dir=str(folder / place),
        )  # fmt: skip
    (folder / "041" / "041.hea").write_text(
        "041/2 1 125 8000\n04100001 4000\n04100002 4000\n", encoding="ascii"
    )
    (folder / "RECORDS").write_text("037/\n041/041\n", encoding="ascii")
    (folder / "037" / "RECORDS").write_text("03700181\n03700182\n", encoding="ascii")
    with_sums(folder)
    with serving(folder) as found:
        yield found


def fetch(mirror: Mirror, root: Path, *records: str, **how: object) -> object:
    return hx.fetch("mimicdb", records, base_url=mirror.url, root=root, progress=False, manners=QUICK, **how)


def test_what_was_fetched_is_read_and_is_the_same(
    mirror: Mirror, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    found = fetch(mirror, tmp_path / "root", RECORD)
    assert found.files == [f"{RECORD}.dat", f"{RECORD}.hea"]
    assert found.folder == tmp_path / "root" / "mimicdb" / "1.0.0"
    assert found.unverified == []
    for name in found.files:
        assert (found.folder / name).read_bytes() == (mirror.root / name).read_bytes()
    monkeypatch.setenv("HEMOIDX_DATA", str(tmp_path / "root"))
    assert hx.load(f"mimicdb/{RECORD}").sizes["time"] == 4000


def test_a_record_of_segments_brings_them_along_and_lists_are_followed(
    mirror: Mirror, tmp_path: Path
) -> None:
    assert len(fetch(mirror, tmp_path / "a", "041/041").files) == 5
    everything = fetch(mirror, tmp_path / "b")
    assert len(everything.files) == 9
    some = fetch(mirror, tmp_path / "c", "037/*2")
    assert {name.split(".")[0] for name in some.files} == {"037/03700182"}
    with pytest.raises(DataUnavailableError, match="no recording of the database fits"):
        fetch(mirror, tmp_path / "d", "9*")


def test_a_second_time_nothing_is_asked_for_unless_it_changed(mirror: Mirror, tmp_path: Path) -> None:
    folder = fetch(mirror, tmp_path / "root", RECORD).folder
    mirror.log.clear()
    assert fetch(mirror, tmp_path / "root", RECORD).new == []
    assert set(mirror.asked()) == {"/SHA256SUMS.txt"}
    # Spoiled on the disk, with its size kept: it is noticed and fetched again.
    spoiled = bytearray((folder / f"{RECORD}.dat").read_bytes())
    spoiled[100] ^= 1
    (folder / f"{RECORD}.dat").write_bytes(spoiled)
    again = fetch(mirror, tmp_path / "root", RECORD)
    assert again.new == [f"{RECORD}.dat"]
    assert (folder / f"{RECORD}.dat").read_bytes() == (mirror.root / f"{RECORD}.dat").read_bytes()


@pytest.mark.parametrize(
    "faults", [["cut"], ["cut", "cut"], ["lie"], ["500"], ["503", "429:0"], ["silent"], ["spoil"]], ids=str
)
def test_what_goes_wrong_once_or_twice_is_overcome(faults: list[str], mirror: Mirror, tmp_path: Path) -> None:
    mirror.faults[f"/{RECORD}.dat"] = list(faults)
    found = fetch(mirror, tmp_path / "root", RECORD)
    assert found.failed == {}
    assert (found.folder / f"{RECORD}.dat").read_bytes() == (mirror.root / f"{RECORD}.dat").read_bytes()
    assert not list(found.folder.rglob("*.part"))


def test_a_cut_transfer_goes_on_where_it_was(
    mirror: Mirror, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    # What came of the last block before the cut is lost.
    monkeypatch.setattr(transfer, "_BLOCK", 1000)
    mirror.faults[f"/{RECORD}.dat"] = ["cut"]
    fetch(mirror, tmp_path / "root", RECORD)
    ranges = [headers.get("Range") for path, headers in mirror.log if path.endswith(".dat")]
    half = (mirror.root / f"{RECORD}.dat").stat().st_size // 2
    assert ranges == [None, f"bytes={half}-"]


def test_what_was_begun_from_another_content_is_begun_anew(mirror: Mirror, tmp_path: Path) -> None:
    target = tmp_path / "root" / "mimicdb" / "1.0.0" / f"{RECORD}.dat.part"
    target.parent.mkdir(parents=True)
    target.write_bytes(b"\0" * 1000)
    found = fetch(mirror, tmp_path / "root", RECORD)
    assert (found.folder / f"{RECORD}.dat").read_bytes() == (mirror.root / f"{RECORD}.dat").read_bytes()


def test_a_wrong_checksum_is_never_kept(mirror: Mirror, tmp_path: Path) -> None:
    mirror.faults[f"/{RECORD}.dat"] = ["spoil"] * 9
    found = fetch(mirror, tmp_path / "root", RECORD, "037/03700182")
    assert "checksum is not the published one" in found.failed[RECORD]
    assert not (found.folder / f"{RECORD}.dat").exists()
    assert "037/03700182.dat" in found.files


def test_one_that_is_not_there_stops_no_other(mirror: Mirror, tmp_path: Path) -> None:
    (mirror.root / f"{RECORD}.dat").unlink()
    found = fetch(mirror, tmp_path / "root", RECORD, "037/03700182")
    assert "no such file" in found.failed[RECORD]
    assert "037/03700182.dat" in found.files
    mirror.log.clear()
    with pytest.raises(DataUnavailableError, match="publishes no such file"):
        fetch(mirror, tmp_path / "root", "037/99999999")


def test_a_server_that_asks_to_wait_is_waited_for(mirror: Mirror, tmp_path: Path) -> None:
    waits: list[float] = []
    mirror.faults[f"/{RECORD}.hea"] = ["429:7", "503"]
    manners = Manners(tries=4, wait_s=1.0, sleep=waits.append)
    hx.fetch("mimicdb", [RECORD], base_url=mirror.url, root=tmp_path, progress=False, manners=manners)
    assert waits[0] == 7.0
    # Then our own wait: twice the first, give or take a quarter.
    assert 1.5 <= waits[1] <= 2.5


def test_a_server_that_never_answers_is_given_up_in_plain_words(mirror: Mirror, tmp_path: Path) -> None:
    mirror.faults["/SHA256SUMS.txt"] = ["silent"] * 9
    with pytest.raises(
        DataUnavailableError, match="given up after 3 tries: it did not answer in time; is this machine"
    ):
        fetch(mirror, tmp_path / "root", RECORD)
    gone = mirror.url.rsplit(":", 1)[0] + ":9/"
    with pytest.raises(DataUnavailableError, match="could not be reached"):
        hx.fetch("mimicdb", [RECORD], base_url=gone, root=tmp_path, progress=False, manners=QUICK)


@pytest.mark.parametrize(
    "name", ["../../evil", "/etc/passwd", "037/../../evil", "a//b", "037/\\evil", "037/x;y"]
)
def test_no_name_leads_out_of_the_data_root(name: str, mirror: Mirror, tmp_path: Path) -> None:
    (mirror.root / "RECORDS").write_text(f"{name}\n", encoding="ascii")
    (mirror.root / "SHA256SUMS.txt").unlink()
    for records in ((name,), ()):
        with pytest.raises((InputError, DataUnavailableError)):
            fetch(mirror, tmp_path / "root", *records)
    assert [path.name for path in tmp_path.iterdir() if path.name != "server"] in ([], ["root"])
    assert not list((tmp_path / "root").rglob("*evil*"))


def test_a_link_in_the_data_root_is_not_followed_out_of_it(mirror: Mirror, tmp_path: Path) -> None:
    outside = tmp_path / "outside"
    outside.mkdir()
    place = tmp_path / "root" / "mimicdb" / "1.0.0"
    place.mkdir(parents=True)
    (place / "037").symlink_to(outside)
    with pytest.raises(InputError, match="leads out of"):
        fetch(mirror, tmp_path / "root", RECORD)
    assert list(outside.iterdir()) == []


def test_no_more_connections_than_asked_for(mirror: Mirror, tmp_path: Path) -> None:
    mirror.slow_s = 0.05
    fetch(mirror, tmp_path / "root", workers=2)
    assert mirror.together == 2
    with pytest.raises(InputError, match="1 to 8 are polite"):
        fetch(mirror, tmp_path / "root", workers=40)


def test_credentials_go_to_their_host_only_and_are_never_said(
    mirror: Mirror, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("HEMOIDX_USER", "me")
    monkeypatch.setenv("HEMOIDX_PASSWORD", "hush-hush")
    path = f"/{RECORD}.hea"
    elsewhere = mirror.url.replace("127.0.0.1", "localhost") + path.lstrip("/")
    mirror.faults[path] = [f"to:{elsewhere}"]
    text = transfer.get_text(mirror.url.rstrip("/") + path, QUICK, login=True)
    assert "ABP" in text
    first, second = mirror.log[-2:]
    assert "Authorization" in first[1]
    assert "Authorization" not in second[1]
    mirror.faults[path] = ["403"]
    with pytest.raises(DataUnavailableError, match="sign the data use agreement") as told:
        transfer.get_text(mirror.url.rstrip("/") + path, QUICK, login=True)
    assert "hush" not in str(told.value)
    assert "hush" not in repr(told.value.__cause__)
    # An open database is asked without them.
    transfer.get_text(mirror.url.rstrip("/") + path, QUICK)
    assert "Authorization" not in mirror.log[-1][1]


def test_netrc_is_read_only_where_a_login_is_needed(
    mirror: Mirror, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    file = tmp_path / "netrc"
    file.write_text("machine 127.0.0.1 login me password hush-hush\n", encoding="ascii")
    file.chmod(0o600)
    monkeypatch.setenv("NETRC", str(file))
    for login in (False, True):
        transfer.get_text(f"{mirror.url}RECORDS", QUICK, login=login)
        assert ("Authorization" in mirror.log[-1][1]) is login


def test_without_published_checksums_it_says_so_and_holds_to_what_came_first(
    mirror: Mirror, tmp_path: Path
) -> None:
    (mirror.root / "SHA256SUMS.txt").unlink()
    found = fetch(mirror, tmp_path / "root", RECORD)
    assert sorted(found.unverified) == found.files
    (found.folder / f"{RECORD}.hea").write_text("changed", encoding="ascii")
    assert fetch(mirror, tmp_path / "root", RECORD).new == [f"{RECORD}.hea"]


def test_a_recording_is_loaded_by_its_address(
    mirror: Mirror, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("HEMOIDX_DATA", str(tmp_path / "root"))
    rec = hx.load(f"{mirror.url}041/041")
    assert rec.sizes["time"] == 8000
    mirror.log.clear()
    assert hx.load(f"{mirror.url}041/041.hea").identical(rec)
    assert not any(path.endswith(".dat") for path in mirror.asked())
    with pytest.raises(InputError, match="address of a recording"):
        hx.load(mirror.url)


# --- tracks of cases ---------------------------------------------------------------------------------------


@pytest.fixture
def interface(tmp_path: Path) -> Iterator[Mirror]:
    """An open web interface of tracks: a compressed index that begins with a mark, one CSV a track."""
    folder = tmp_path / "tracks"
    folder.mkdir()
    rows = [
        "caseid,tname,tid",
        "7,box/ART (radial),aa01",
        "7,other/HR,aa02",
        "7,box/HR,aa03",
        "8,box/ART,aa04",
    ]
    (folder / "trks").write_bytes(gzip.compress(("\ufeff" + "\n".join(rows)).encode()))
    wave = "\n".join(["Time,box/ART (radial)", "0,80", "0.002,81", *(",82" for _ in range(2000))])
    (folder / "aa01").write_bytes(gzip.compress(wave.encode()))
    for tid in ("aa02", "aa03", "aa04"):
        (folder / tid).write_text("Time,box/HR\n1,71\n3,72\n", encoding="ascii")
    (folder / "8.parquet").write_bytes(b"whole case")
    with serving(folder) as found:
        yield found


def test_a_case_of_tracks_is_fetched_and_loaded(
    interface: Mirror, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    how = {"base_url": interface.url, "root": tmp_path / "root", "progress": False, "manners": QUICK}
    found = hx.fetch("vitaldb", ["7"], **how)
    assert found.files == ["7/ART (radial).csv.gz", "7/HR.csv", "7/HR_2.csv"]
    assert sorted(found.unverified) == found.files
    monkeypatch.setenv("HEMOIDX_DATA", str(tmp_path / "root"))
    rec = hx.load("vitaldb/7")
    assert rec["ART (radial)"].attrs["site"] == "radial"
    assert rec["ART (radial)"].attrs["fs"] == 500.0
    assert hx.fetch("vitaldb", ["7"], **how).new == []
    assert hx.fetch("vitaldb", ["8/ART*"], **how).files == ["8/ART.csv"]
    with pytest.raises(DataUnavailableError, match="case 8 has no such track; it has ART"):
        hx.fetch("vitaldb", ["8/CVP"], **how)
    with pytest.raises(DataUnavailableError, match="no case 9"):
        hx.fetch("vitaldb", ["9"], **how)
    with pytest.raises(InputError, match="name the cases"):
        hx.fetch("vitaldb", **how)
    with pytest.raises(InputError, match="names no case"):
        hx.fetch("vitaldb", ["seven"], **how)


def test_without_an_index_of_tracks_the_whole_case_is_fetched(interface: Mirror, tmp_path: Path) -> None:
    (interface.root / "trks").unlink()
    how = {"base_url": interface.url, "root": tmp_path / "root", "progress": False, "manners": QUICK}
    assert hx.fetch("vitaldb", ["8"], **how).files == ["8.parquet"]


SCRIPT = """
import sys, hemoidx as hx
hx.fetch("mimicdb", base_url=sys.argv[1], root=sys.argv[2], workers=1, progress=False)
"""


def test_a_killed_fetch_goes_on(mirror: Mirror, tmp_path: Path) -> None:
    mirror.slow_s = 0.1
    root = tmp_path / "root"
    process = subprocess.Popen([sys.executable, "-c", SCRIPT, mirror.url, str(root)])
    until = time.monotonic() + 20.0
    while time.monotonic() < until and len(list(root.rglob("*.dat"))) < 1:
        time.sleep(0.02)
    process.send_signal(signal.SIGKILL)
    process.wait()
    mirror.slow_s = 0.0
    found = fetch(mirror, root)
    assert len(found.files) == 9
    assert not list(root.rglob("*.part"))
    for name in found.files:
        assert (found.folder / name).read_bytes() == (mirror.root / name).read_bytes()


def test_the_command_lists_shows_terms_and_fetches(
    mirror: Mirror, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["fetch", "--list"]) == 0
    assert "mghdb" in capsys.readouterr().out
    words = ["fetch", "mimicdb", RECORD, "--base-url", mirror.url, "--root", str(tmp_path / "root")]
    assert main(words) == 0
    told = capsys.readouterr()
    assert "licence ODC-By 1.0 as remembered" in told.err
    assert "2 files in place, 2 of them new" in told.out
    assert "Cite: Moody GB" in told.out
    assert main(["fetch", "nowhere"]) == 2
    assert main(["fetch"]) == 2
    assert main(["fetch", "pulsedb"]) == 2
    assert "cannot be fetched by this program" in capsys.readouterr().err
    assert os.environ.get("HEMOIDX_PASSWORD") is None
