"""Every notebook runs from top to bottom, without a network, and is committed without outputs."""

import shutil
from pathlib import Path

import nbformat
import pytest
from nbclient import NotebookClient
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


@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda path: path.stem)
def test_runs_from_top_to_bottom(path: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    notebook = nbformat.read(path, as_version=4)
    asserts = [cell for cell in notebook.cells if cell.cell_type == "code" and "assert " in cell.source]
    assert asserts, f"{path.name} checks nothing about itself"
    # Where they are run by hand, the tables of expected results lie beside them.
    shutil.copytree(FOLDER / "expected", tmp_path / "expected")
    # Sockets of the file system: no port is opened, and none can be taken. They lie in the working folder,
    # which must be the same for kernel and client.
    monkeypatch.chdir(tmp_path)
    settings = Config({"KernelManager": {"transport": "ipc"}})
    client = NotebookClient(
        notebook,
        timeout=180,
        kernel_name="python3",
        config=settings,
        resources={"metadata": {"path": tmp_path}},
    )
    client.execute()
    shown = [output for cell in notebook.cells if cell.cell_type == "code" for output in cell.outputs]
    assert any("image/png" in output.get("data", {}) for output in shown), "no picture was shown"
