"""Every notebook runs from top to bottom, without a network, and is committed without outputs."""

import shutil
from pathlib import Path

import nbformat
import pytest
from nbclient import NotebookClient
from nbclient.exceptions import CellExecutionError
from traitlets.config import Config

FOLDER = Path(__file__).parents[1] / "notebooks"
NOTEBOOKS = sorted(FOLDER.glob("*.ipynb"))


def test_there_is_a_first_look() -> None:
    assert FOLDER / "first_look.ipynb" in NOTEBOOKS


@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda path: path.stem)
def test_committed_without_outputs(path: Path) -> None:
    notebook = nbformat.read(path, as_version=4)
    nbformat.validate(notebook)
    assert "widgets" not in notebook.metadata
    for cell in notebook.cells:
        if cell.cell_type == "code":
            assert cell.outputs == [], f"{path.name} holds outputs; clear them before committing"
            assert cell.execution_count is None


def executed(path: Path, folder: Path, monkeypatch: pytest.MonkeyPatch) -> list[nbformat.NotebookNode]:
    """Run a notebook in a folder of its own, as if by hand; give what it shows."""
    notebook = nbformat.read(path, as_version=4)
    # Where they are run by hand, the tables of expected results lie beside them.
    shutil.copytree(FOLDER / "expected", folder / "expected")
    # Sockets of the file system: no port is opened, and none can be taken. They lie in the working folder,
    # which must be the same for kernel and client.
    monkeypatch.chdir(folder)
    settings = Config({"KernelManager": {"transport": "ipc"}})
    client = NotebookClient(
        notebook,
        timeout=180,
        kernel_name="python3",
        config=settings,
        resources={"metadata": {"path": folder}},
    )
    client.execute()
    return [output for cell in notebook.cells if cell.cell_type == "code" for output in cell.outputs]


def text(shown: list[nbformat.NotebookNode]) -> str:
    return "".join(output.get("text", "") for output in shown)


@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda path: path.stem)
def test_runs_from_top_to_bottom(path: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    notebook = nbformat.read(path, as_version=4)
    asserts = [cell for cell in notebook.cells if cell.cell_type == "code" and "assert " in cell.source]
    assert asserts, f"{path.name} checks nothing about itself"
    shown = executed(path, tmp_path, monkeypatch)
    assert any("image/png" in output.get("data", {}) for output in shown), "no picture was shown"


def test_notebooks_of_validation_tell_what_they_rest_on() -> None:
    told = {path.stem: nbformat.read(path, as_version=4) for path in NOTEBOOKS if "validation" in path.stem}
    assert {name.removeprefix("validation_") for name in told} == {
        "published", "simulation", "open_recordings",
    }  # fmt: skip
    for name, notebook in told.items():
        code = "\n".join(cell.source for cell in notebook.cells if cell.cell_type == "code")
        words = "\n".join(cell.source for cell in notebook.cells if cell.cell_type == "markdown")
        assert "local codes and licensed practice come first" in words.lower()
        assert "## What falls short" in words
        assert f'"{name}.csv"' in code
        for needed in ("hx.__version__", "sha256", "seed"):
            assert needed in code, f"{name} does not print {needed}"


def test_absent_recordings_are_told(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("HEMOIDX_DATA", str(tmp_path))
    shown = executed(FOLDER / "validation_open_recordings.ipynb", tmp_path, monkeypatch)
    told = text(shown)
    assert "3 of 3 recordings are absent" in told
    assert "0 results as committed" in told
    assert any("image/png" in output.get("data", {}) for output in shown)


def test_a_moved_result_stops_a_notebook(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    table = tmp_path / "altered"
    shutil.copytree(FOLDER, table)
    file = table / "expected" / "validation_published.csv"
    text_of = file.read_text()
    assert "varying sd,0.99062" in text_of
    file.write_text(text_of.replace("varying sd,0.99062", "varying sd,0.98062"))
    monkeypatch.setattr("tests.test_notebooks.FOLDER", table)
    with pytest.raises(CellExecutionError, match="varying sd: moved"):
        executed(table / "validation_published.ipynb", tmp_path, monkeypatch)
