"""The house points one way, and importing it stays cheap."""

import ast
import json
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

import hemoidx

PACKAGE = Path(hemoidx.__file__).parent

# Rooms on one line may not import each other; a room may import any room of an earlier line.
ORDER = (
    ("errors",),
    ("units", "facts", "samples", "output"),
    ("opendata",),
    ("recordings",),
    ("swings",),
    ("survey",),
    ("spans",),
    ("beats",),
    ("breaths",),
    ("line",),
    ("indices",),
    ("context", "tables"),
    ("analysis",),
    ("plot",),
    ("report",),
    ("cohort",),
    ("simulate",),
    ("validation",),
    ("explore",),
    ("demo",),
    ("cli",),
)
LEVEL = {room: level for level, rooms in enumerate(ORDER) for room in rooms}
# The convenience methods Analysis.plot and Analysis.report, inside their functions only.
UPWARD = {("analysis", "plot"), ("analysis", "report")}
FACE = ("__init__", "__main__")


def room_of(dotted: str) -> str:
    return dotted.split(".")[1] if "." in dotted else ""


def imports_of(path: Path) -> Iterator[tuple[str, bool]]:
    """Give each hemoidx module that a file imports, and whether only inside a function."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    inside = {
        id(child)
        for node in ast.walk(tree)
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef)
        for child in ast.walk(node)
    }
    package = ["hemoidx", *path.relative_to(PACKAGE).parts[:-1]]
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            names = [alias.name for alias in node.names]
        elif isinstance(node, ast.ImportFrom):
            above = package[: len(package) - node.level + 1] if node.level else []
            base = ".".join([*above, *([node.module] if node.module else [])])
            names = [f"{base}.{alias.name}" for alias in node.names] if base == "hemoidx" else [base]
        else:
            continue
        for name in names:
            if name.split(".")[0] == "hemoidx":
                yield name, id(node) in inside


def modules() -> list[Path]:
    return sorted(PACKAGE.rglob("*.py"))


def own_room(path: Path) -> str:
    first = path.relative_to(PACKAGE).parts[0]
    return first.removesuffix(".py")


def test_every_room_has_its_place_in_the_order() -> None:
    assert {own_room(path) for path in modules()} - set(FACE) <= set(LEVEL)


# The public face may import any room, so it is not asked.
ROOMS = [path for path in modules() if own_room(path) not in FACE]


@pytest.mark.parametrize("path", ROOMS, ids=lambda path: str(path.relative_to(PACKAGE)))
def test_imports_point_one_way(path: Path) -> None:
    room = own_room(path)
    for name, lazily in imports_of(path):
        target = room_of(name)
        if target in ("", "__version__", room) or (lazily and (room, target) in UPWARD):
            continue
        assert LEVEL[target] < LEVEL[room], f"{path.name} imports {name}: {target} stands above {room}"


def test_the_parser_sees_through_every_form_of_import(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(sys.modules[__name__], "PACKAGE", tmp_path)
    (tmp_path / "plot").mkdir()
    source = tmp_path / "plot" / "x.py"
    source.write_text(
        "import hemoidx.report\n"
        "from hemoidx import demo\n"
        "from . import trends\n"
        "from .. import cohort\n"
        "from ..indices.catalogue import Index\n"
        "import numpy\n"
        "def f():\n    from hemoidx.explore import page\n"
    )
    assert set(imports_of(source)) == {
        ("hemoidx.report", False),
        ("hemoidx.demo", False),
        ("hemoidx.plot", False),
        ("hemoidx.cohort", False),
        ("hemoidx.indices.catalogue", False),
        ("hemoidx.explore", True),
    }


def loaded_after(code: str) -> set[str]:
    """Top-level names of the third-party modules that a fresh interpreter holds after `code`."""
    program = (
        f"import json, sys\n{code}\n"
        "loaded = {name.partition('.')[0] for name in sys.modules}\n"
        "print(json.dumps(sorted(loaded - sys.stdlib_module_names)))"
    )
    ran = subprocess.run([sys.executable, "-I", "-c", program], capture_output=True, text=True, check=True)
    return set(json.loads(ran.stdout.splitlines()[-1]))


def test_import_loads_numpy_and_nothing_else() -> None:
    before = loaded_after("")
    assert loaded_after("import hemoidx") - before <= {"hemoidx", "numpy"}


@pytest.mark.parametrize("arguments", [["--help"], ["--version"], ["analyse", "--help"]])
def test_command_help_loads_no_heavy_package(arguments: list[str]) -> None:
    code = (
        "from hemoidx.cli import main\n"
        f"try:\n    code = main({arguments!r})\n"
        "except SystemExit as stop:\n    code = stop.code\n"
        "assert not code, code"
    )
    assert loaded_after(code) - loaded_after("") <= {"hemoidx", "numpy"}


def test_every_public_name_resolves() -> None:
    assert len(hemoidx.__all__) >= 5
    for name in hemoidx.__all__:
        assert getattr(hemoidx, name) is not None
