"""What travels: the wheel holds the data manifest, the type marker and the style of the pages."""

import subprocess
import sys
import tomllib
import zipfile
from importlib.resources import files
from pathlib import Path

import pytest

import hemoidx

TOP = Path(hemoidx.__file__).parents[1]

pytestmark = pytest.mark.skipif(
    not (TOP / "pyproject.toml").is_file(),
    reason="the tests run on an installed copy without its source tree",
)


@pytest.fixture(scope="module")
def wheel(tmp_path_factory: pytest.TempPathFactory) -> zipfile.ZipFile:
    folder = tmp_path_factory.mktemp("wheel")
    command = [sys.executable, "-m", "build", "--wheel", "--no-isolation", "--outdir", str(folder), str(TOP)]
    built = subprocess.run(command, capture_output=True, text=True, check=False)
    assert built.returncode == 0, built.stderr
    (path,) = folder.glob("*.whl")
    return zipfile.ZipFile(path)


def test_wheel_holds_what_the_program_reads(wheel: zipfile.ZipFile) -> None:
    held = set(wheel.namelist())
    assert {"hemoidx/data_manifest.yaml", "hemoidx/py.typed", "hemoidx/report/page.css"} <= held
    assert "hemoidx/validation/references/measuring_chain.yaml" in held
    assert wheel.read("hemoidx/data_manifest.yaml") == (TOP / "data_manifest.yaml").read_bytes()


def test_wheel_holds_every_module_and_no_tests(wheel: zipfile.ZipFile) -> None:
    held = {name for name in wheel.namelist() if name.endswith(".py")}
    there = {str(path.relative_to(TOP)) for path in (TOP / "hemoidx").rglob("*.py")}
    assert held == there


def test_command_and_licence_are_declared(wheel: zipfile.ZipFile) -> None:
    (points,) = (name for name in wheel.namelist() if name.endswith("entry_points.txt"))
    assert "hemoidx = hemoidx.cli:main" in wheel.read(points).decode()
    assert any(name.endswith("licenses/LICENSE") for name in wheel.namelist())


def test_version_is_said_once() -> None:
    project = tomllib.loads((TOP / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    assert project["version"] == hemoidx.__version__


def test_style_of_the_pages_asks_nothing_of_a_network() -> None:
    style = files("hemoidx.report").joinpath("page.css").read_text(encoding="utf-8")
    assert "prefers-color-scheme: dark" in style
    assert "url(" not in style
    assert "@import" not in style


def test_constraints_name_no_host_and_cover_what_is_asked_for() -> None:
    constraints = (TOP / "constraints.txt").read_text(encoding="utf-8")
    assert "://" not in constraints
    pinned = {line.partition("==")[0] for line in constraints.splitlines() if "==" in line}
    project = tomllib.loads((TOP / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    wanted = project["dependencies"] + [
        one for extra in project["optional-dependencies"].values() for one in extra
    ]
    names = {one.split(">")[0].split("[")[0].lower().replace("_", "-") for one in wanted} - {"hemoidx"}
    assert names <= pinned
