"""Finding recordings, and the manifest."""

import subprocess
import sys
from pathlib import Path

import pytest

from hemoidx.errors import DataUnavailableError, InputError
from hemoidx.opendata import data_root
from hemoidx.recordings import find_record


@pytest.fixture
def root(tmp_path, monkeypatch):
    monkeypatch.setenv("HEMOIDX_DATA", str(tmp_path / "data"))
    for name in (
        "db/1.0.0/037/r1.hea",
        "db/flat.hea",
        "db/x.csv",
        "twice/1.0/a.hea",
        "twice/2.0/a.hea",
        "db/9/no.hea",
    ):
        path = tmp_path / "data" / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text("")
    (tmp_path / "outside.hea").write_text("")
    return tmp_path / "data"


@pytest.mark.parametrize(
    ("source", "file"),
    [
        ("db/037/r1", "db/1.0.0/037/r1.hea"),
        ("db/1.0.0/037/r1", "db/1.0.0/037/r1.hea"),
        ("db/1.0.0/037/r1.hea", "db/1.0.0/037/r1.hea"),
        ("db/037/r1.dat", "db/1.0.0/037/r1.hea"),
        ("db/flat", "db/flat.hea"),
        ("db/x", "db/x.csv"),
        ("twice/2.0/a", "twice/2.0/a.hea"),
    ],
)
def test_records_under_the_root(root, source, file):
    assert find_record(source) == root / file


def test_paths(root, monkeypatch):
    record = root / "db" / "flat"
    assert (
        find_record(record)
        == find_record(f"{record}.hea")
        == find_record(f"{record}.dat")
        == root / "db/flat.hea"
    )
    monkeypatch.chdir(root / "db")
    assert find_record("flat") == Path("flat.hea")
    assert find_record("../db/flat") == Path("../db/flat.hea")  # a path may go where its user wants
    (root / "db" / "a.b.hea").write_text("")
    assert find_record("a.b") == Path("a.b.hea")


def test_ambiguous_names_list_what_fits(root):
    with pytest.raises(InputError, match=r"fits several recordings: .*1\.0.*2\.0"):
        find_record("twice/a")


@pytest.mark.parametrize("source", ["db/nothing", "flat", "no/such", "db/no", "/db/flat"])
def test_nothing_of_that_name(root, source):
    with pytest.raises(DataUnavailableError, match="no recording"):
        find_record(source)


@pytest.mark.parametrize("source", ["db/../../outside", "../outside", "db/1.0.0/../../../outside"])
def test_no_way_out_of_the_root(root, monkeypatch, source):
    (root / "elsewhere").mkdir()
    monkeypatch.chdir(root / "elsewhere")
    with pytest.raises(InputError, match=r"may not contain '\.\.'"):
        find_record(source)


@pytest.mark.parametrize(
    ("platform", "env", "tail"),
    [
        ("linux", {"XDG_DATA_HOME": "/x/share"}, "/x/share/hemoidx"),
        ("linux", {}, ".local/share/hemoidx"),
        ("darwin", {}, "Library/Application Support/hemoidx"),
    ],
)
def test_default_root(monkeypatch, platform, env, tail):
    for name in ("HEMOIDX_DATA", "XDG_DATA_HOME"):
        monkeypatch.delenv(name, raising=False)
    for name, value in env.items():
        monkeypatch.setenv(name, value)
    monkeypatch.setattr(sys, "platform", platform)
    assert data_root().as_posix().endswith(tail)
    assert data_root().is_absolute()


def test_light_import():
    code = (
        "import sys, hemoidx.units, hemoidx.recordings as r; r.choose_arterial, r.find_record, r.load; "
        "print(sorted({'xarray', 'pandas', 'wfdb', 'scipy', 'pyarrow', 'yaml'} & set(sys.modules)))"
    )
    out = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert out.stdout.strip() == "[]"


def test_no_module_hides_a_function():
    import hemoidx.recordings as room

    for path in Path(room.__file__).parent.glob("*.py"):
        assert path.stem not in room.__all__  # importing the module would put it in the function's place
    assert all(getattr(room, name) is not None for name in room.__all__)
    assert set(room.__all__) <= set(dir(room))
    with pytest.raises(AttributeError, match="no attribute 'nothing'"):
        _ = room.nothing
