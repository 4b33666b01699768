"""Whole or not at all."""

from pathlib import Path

import pytest

from hemoidx.errors import InputError
from hemoidx.output import refuse_foreign, whole_file, whole_folder


def test_a_new_folder_appears_only_when_all_went_well(tmp_path: Path) -> None:
    target = tmp_path / "a" / "b"
    with whole_folder(target) as part:
        (part / "x").write_text("1")
        assert not target.exists()
        assert part.parent == tmp_path
    assert [path.name for path in target.iterdir()] == ["x"]
    assert [path.name for path in tmp_path.iterdir()] == ["a"]


def test_nothing_is_left_after_an_error(tmp_path: Path) -> None:
    target = tmp_path / "there"
    target.mkdir()
    (target / "x").write_text("old")
    with pytest.raises(FileNotFoundError), whole_folder(target) as part:
        (part / "x").write_text((part / "x").name) and (part / "not there").read_text()
    assert {path.name: path.read_text() for path in target.iterdir()} == {"x": "old"}
    with pytest.raises(FileNotFoundError), whole_folder(tmp_path / "new" / "er") as part:
        (part / "not there").read_text()
    assert [path.name for path in tmp_path.iterdir()] == ["there"]


def test_files_of_the_same_name_are_replaced_and_others_stay(tmp_path: Path) -> None:
    (tmp_path / "deep").mkdir()
    (tmp_path / "deep" / "kept").write_text("kept")
    (tmp_path / "deep" / "x").write_text("old")
    with whole_folder(tmp_path) as part:
        (part / "deep").mkdir()
        (part / "deep" / "x").write_text("new")
    found = {path.name: path.read_text() for path in (tmp_path / "deep").iterdir()}
    assert found == {"kept": "kept", "x": "new"}


def test_a_file_is_no_folder(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    for target in (tmp_path / "file", tmp_path / "file" / "below" / "it"):
        with pytest.raises(InputError, match="is a file"), whole_folder(target):
            pass
    assert [path.name for path in tmp_path.iterdir()] == ["file"]


def test_foreign_folders_are_refused_and_ours_are_not(tmp_path: Path) -> None:
    refuse_foreign(tmp_path / "not there", "ours")
    refuse_foreign(tmp_path, "ours")
    (tmp_path / "theirs").write_text("")
    with pytest.raises(InputError, match="other things"):
        refuse_foreign(tmp_path, "ours")
    (tmp_path / "ours").write_text("")
    refuse_foreign(tmp_path, "ours")


def test_errors_name_the_place_that_was_asked_for(tmp_path: Path) -> None:
    """Not the temporary one that nobody else has heard of."""
    target = tmp_path / "none" / "table.parquet"
    with pytest.raises(FileNotFoundError) as caught, whole_file(target) as part:
        part.write_text("x")
    assert caught.value.filename == str(target)
    with pytest.raises(FileNotFoundError) as caught, whole_folder(tmp_path / "out") as part:
        (part / "deep" / "file").write_text("x")
    assert caught.value.filename == str(tmp_path / "out" / "deep" / "file")
    with (
        pytest.raises(OSError, match=r"no room for .*out/a") as other,
        whole_folder(tmp_path / "out") as part,
    ):
        raise OSError(f"no room for {part / 'a'}")
    assert ".part" not in str(other.value)
    with pytest.raises(FileNotFoundError, match="elsewhere"), whole_file(tmp_path / "f") as part:
        (tmp_path / "elsewhere").read_text()
    (tmp_path / "folder").mkdir()
    with pytest.raises(IsADirectoryError) as caught_too, whole_file(tmp_path / "folder") as part:
        part.write_text("x")
    assert str(caught_too.value).count("folder") == 1
    assert ".part" not in str(caught_too.value)
    assert [path.name for path in tmp_path.iterdir()] == ["folder"]
