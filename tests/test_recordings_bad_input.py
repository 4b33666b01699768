"""Whatever is wrong with a file ends in one line that says what and where."""

import numpy as np
import pytest

from hemoidx.errors import DataUnavailableError, HemoidxError, InputError
from hemoidx.recordings import load

LINE = "r.dat 16 10(-20)/mmHg 12 0 0 0 0 ABP"


def record(folder, header, samples=100):
    (folder / "r.hea").write_text(header)
    np.arange(samples, dtype="<i2").tofile(folder / "r.dat")
    return folder / "r"


@pytest.mark.parametrize(
    ("header", "says"),
    [
        ("", "empty"),
        ("# only a comment\n", "empty"),
        ("garbage\n", r"r\.hea, line 1"),
        ("r one 125 100\n" + LINE, "line 1"),
        ("r 1 fast 100\n" + LINE, "'fast' is no sampling rate"),
        ("r 1 0 100\n" + LINE, "rate is 0 Hz"),
        ("r 1 -125 100\n" + LINE, "rate is -125 Hz"),
        ("r 1 nan 100\n" + LINE, "sampling rate"),
        ("r 1 1e999 100\n" + LINE, "rate is 1e999"),
        ("r 1 125 many\n" + LINE, "'many' is no number of samples"),
        ("r 1 125 -5\n" + LINE, "'-5' is no number of samples"),
        ("r 1 125 99999999999999999999\n" + LINE, "no number of samples"),
        ("r 1 125 999999999999\n" + LINE, r"would last 9\.259e\+04 days"),
        ("r 1 125 101\n" + LINE, r"r\.dat holds 100 of the 101 frames .* cut off"),
        ("r 2 125 50\n" + LINE, "2 signal lines are announced, 1 are there"),
        ("r 0 125 100\n", "holds no signals"),
        ("r/0 1 125 100\n", "0 segment lines"),
        ("r/2 1 125 100\nseg1 50\n", "2 segment lines are announced"),
        ("r/1 1 125 100\nseg1 long\n", "line 2"),
        ("r/1 1 125 100\n~ 100\n", "holds no signals"),
        ("r 1 125 100\nr.dat\n", "line 2"),
        ("r 1 125 100\nr.dat 16 ten/mmHg 12 0 0 0 0 ABP", "line 2"),
        ("r 1 125 100\nr.dat 16 1e999/mmHg 12 0 0 0 0 ABP", "line 2"),
        ("r 1 125 100\nr.dat 16 10/mmHg twelve 0 0 0 0 ABP", "line 2"),
        ("r 1 125 100\nr.dat 16x0 10/mmHg 12 0 0 0 0 ABP", "0 samples in a frame"),
        ("r 1 125 100\nr.dat 999 10/mmHg 12 0 0 0 0 ABP", "format 999 is not known"),
        ("r 1 125 100\nr.dat 516 10/mmHg 12 0 0 0 0 ABP", "not a readable FLAC"),
        ("r 2 125 50\nr.dat 16 1/mV\nr.dat 212 1/mV", "several formats"),
        ("r 1 125 0\n~ 0 10/mmHg 12 0 0 0 0 ABP", "states no length"),
        ("r 1 125 0\nr.dat 16+400 10/mmHg 12 0 0 0 0 ABP", "holds no samples"),
        ("r 1 125 100\n../r.dat 16 10/mmHg 12 0 0 0 0 ABP", r"'\.\./r\.dat', which is outside"),
        ("r 1 125 100\nsub/../../r.dat 16 10/mmHg 12 0 0 0 0 ABP", "outside the folder"),
        ("r 1 125 100\n/etc/passwd 80 10/mmHg 12 0 0 0 0 ABP", "'/etc/passwd', which is outside"),
        ("r 1 125 100\nC:r.dat 16 10/mmHg 12 0 0 0 0 ABP", "outside the folder"),
        ("r 1 125 100\n..\\r.dat 16 10/mmHg 12 0 0 0 0 ABP", "outside the folder"),
        ("r/1 1 125 100\n../r 100\n", "outside the folder"),
        ("r/1 1 125 100\nr 100\n", "consists of segments itself"),
        ("r/2 1 125 100\n~ 99999999999999\nseg 100\n", r"seg\.hea', which is not in"),
        ("r 1 125 100\n. 16 10/mmHg 12 0 0 0 0 ABP", "outside|not in"),
    ],
)
def test_spoiled_headers(tmp_path, header, says):
    path = record(tmp_path, header)
    with pytest.raises(InputError if "not in" not in says else HemoidxError, match=says) as caught:
        load(path)
    assert "\n" not in str(caught.value)


def test_missing_files(tmp_path):
    (tmp_path / "r.hea").write_text("r 1 125 100\n" + LINE)
    with pytest.raises(DataUnavailableError, match=r"r\.dat', which is not in"):
        load(tmp_path / "r")
    with pytest.raises(DataUnavailableError, match=r"no recording .*nothing"):
        load(tmp_path / "nothing")


def test_a_file_that_was_cut_off(tmp_path):
    path = record(tmp_path, "r 1 125 100\n" + LINE)
    whole = (tmp_path / "r.dat").read_bytes()
    (tmp_path / "r.dat").write_bytes(whole[:-1])
    with pytest.raises(InputError, match="99 of the 100 frames"):
        load(path)


def test_a_signal_file_that_calls_itself_a_header(tmp_path):
    (tmp_path / "r.hea").write_bytes(bytes(range(256)) * 10)
    with pytest.raises(InputError, match="not a text file"):
        load(tmp_path / "r")


def test_absurd_null_segments_ask_for_no_memory(tmp_path):
    record(tmp_path, "r 1 125 100\n" + LINE)
    (tmp_path / "v.hea").write_text("v/2 1 125 0\nr 100\n~ 99999999999999\n")
    with pytest.raises(InputError, match=r"v\.hea would last .* days"):
        load(tmp_path / "v")


@pytest.mark.parametrize(
    ("second", "says"),
    [
        ("s 1 250 100\nr.dat 16 10/mmHg 12 0 0 0 0 ABP", "125 Hz, its segment s 250 Hz"),
        ("s 1 125 90\nr.dat 16 10/mmHg 12 0 0 0 0 ABP", "segment s 100 frames, its own header 90"),
        ("s 1 125 50\nr.dat 16x2 10/mmHg 12 0 0 0 0 ABP", "changes its sampling rate"),
    ],
)
def test_segments_that_contradict_each_other(tmp_path, second, says):
    record(tmp_path, "r 1 125 100\n" + LINE)
    (tmp_path / "s.hea").write_text(second)
    length = 50 if "x2" in second else 100
    (tmp_path / "v.hea").write_text(f"v/2 1 125 0\nr 100\ns {length}\n")
    with pytest.raises(InputError, match=says):
        load(tmp_path / "v")


def test_wrong_use(tmp_path):
    path = record(tmp_path, "r 1 125 100\n" + LINE)
    with pytest.raises(InputError, match="units= is for CSV"):
        load(path, units="mmHg")
    for nothing in ([], [3]):
        with pytest.raises(InputError, match="channels must be"):
            load(path, channels=nothing)
    with pytest.raises(InputError, match="is a folder"):
        load(tmp_path)
    (tmp_path / "x.txt").write_text("a")
    with pytest.raises(InputError, match=r"x\.txt: not a kind of file"):
        load(tmp_path / "x.txt")
    for name in ("", None, 3, "a\0b"):
        with pytest.raises(InputError):
            load(name)
    odd = tmp_path / "a::b"
    odd.mkdir()
    with pytest.raises(InputError, match="rename the folder"):
        load(record(odd, "r 1 125 100\n" + LINE))


def test_nothing_is_written_beside_the_data(tmp_path):
    load(record(tmp_path, "r 1 125 100\n" + LINE))
    assert sorted(p.name for p in tmp_path.iterdir()) == ["r.dat", "r.hea"]
