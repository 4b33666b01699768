"""
Which numbers in the formulas could be wrong by 1 % without a published check noticing.

Run as ``python -m tests.bench.mutation [--rooms indices line] [--only pressure.mean_rules ...] [--tests]``.
Each numeric constant of a formula is made 1 % larger, one at a time and in memory, and the checks that run
through its module are repeated until one disagrees. Printed by module: how many constants, how many were
noticed, and the line of each that was not. With ``--tests`` those that are left also go through the tests of
the room, which takes minutes.

Not changed: zeros, texts, entries of the catalogue and of rules (`Index`, `Limit`, ...: what they say is
words), positions, axes, sizes and rounding of output, default values of classes. A constant that is noticed
is one that a check depends on; one that is not noticed may be a guard that only broken input reaches.
"""

from __future__ import annotations

import argparse
import ast
import gc
import sys
import types
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager, redirect_stdout
from dataclasses import dataclass
from functools import lru_cache
from importlib import import_module
from io import StringIO
from pathlib import Path
from typing import Any

import hemoidx
from hemoidx.errors import HemoidxError
from hemoidx.validation import suite
from hemoidx.validation.references import Reference, load

PACKAGE = Path(hemoidx.__file__).parent
FACTOR = 1.01
#: Calls whose numbers are words to the reader, published ranges, sizes or positions.
WORDS = {
    "Index", "Range", "Limit", "When", "Rule", "Part", "Basis", "Finding", "Field", "Quantity",
    "reject", "caution", "limit", "InputError", "range", "reshape", "zeros", "ones", "empty", "field",
    "round", "lru_cache", "dataclass",
}  # fmt: skip
POSITIONS = {"axis", "ddof", "minlength", "decimals", "ndmin", "maxsize", "stacklevel"}


@dataclass(frozen=True)
class Constant:
    """One numeric constant: where it stands, and its number among those of its module."""

    line: int
    column: int
    value: float
    number: int
    text: str


def _name(call: ast.Call) -> str:
    return call.func.attr if isinstance(call.func, ast.Attribute) else getattr(call.func, "id", "")


def _numbers(node: ast.AST, inside: bool) -> Iterator[ast.Constant]:
    """Constants below a node that count; `inside` a function or an assignment of the module."""
    if isinstance(node, ast.Constant):
        number = isinstance(node.value, int | float) and not isinstance(node.value, bool)
        if inside and number and node.value != 0:
            yield node
        return
    if isinstance(node, ast.Call) and _name(node) in WORDS:
        return
    if isinstance(node, ast.keyword) and node.arg in POSITIONS:
        return
    if isinstance(node, ast.ClassDef):
        for child in node.body:
            if isinstance(child, ast.FunctionDef):
                yield from _numbers(child, True)
        return
    if isinstance(node, ast.Subscript):
        yield from _numbers(node.value, inside)
        return
    if isinstance(node, ast.JoinedStr | ast.Raise):
        return
    counts = inside or isinstance(node, ast.FunctionDef | ast.Assign | ast.AnnAssign)
    for child in ast.iter_child_nodes(node):
        yield from _numbers(child, counts)


def constants(source: str) -> list[Constant]:
    """
    List the constants of a module that are changed.

    Parameters
    ----------
    source : str
        Text of the module.

    Returns
    -------
    list of Constant
        In order of the text.
    """
    lines = source.splitlines()
    return [
        Constant(node.lineno, node.col_offset, float(node.value), number, lines[node.lineno - 1].strip())
        for number, node in enumerate(_numbers(ast.parse(source), False))
    ]


def changed(source: str, number: int, file: str, factor: float = FACTOR) -> types.CodeType:
    """Compile a module with one constant changed."""
    tree = ast.parse(source)
    for place, node in enumerate(_numbers(tree, False)):
        if place == number:
            node.value *= factor
            return compile(tree, file, "exec")
    raise IndexError(f"{file} has no constant {number}")


def _functions(of: Any, prefix: str = "") -> Iterator[tuple[str, types.FunctionType]]:
    """Functions and methods that a module or class defines itself, by name."""
    for name, item in list(vars(of).items()):
        thing = getattr(item, "__wrapped__", item)
        thing = getattr(thing, "__func__", thing)
        thing = thing.fget if isinstance(thing, property) else thing
        if isinstance(thing, types.FunctionType):
            yield prefix + name, thing
        elif isinstance(item, type) and not prefix:
            yield from _functions(item, f"{name}.")


def _own(module: types.ModuleType) -> dict[str, types.FunctionType]:
    return {name: f for name, f in _functions(module) if f.__module__ == module.__name__}


_Cached: Any = type(lru_cache(lambda: None))


def _caches() -> list[Any]:
    """Every cached function of the package that is loaded."""
    cached = [x for x in gc.get_objects() if isinstance(x, _Cached)]
    return [x for x in cached if str(getattr(x, "__module__", "")).startswith("hemoidx")]


@contextmanager
def put_in_place(
    module: types.ModuleType, code: types.CodeType, caches: Sequence[Any] = ()
) -> Iterator[None]:
    """
    Let a module run by other code for a while, wherever its functions were imported to.

    Functions keep their identity and get new code. Values of the module are replaced here and in every module
    of the package that took them over.
    """
    fresh = types.ModuleType(module.__name__)
    fresh.__dict__.update(__package__=module.__package__, __file__=module.__file__, __path__=[])
    exec(code, fresh.__dict__)
    old, new = _own(module), _own(fresh)
    kept = [(f, f.__code__, f.__defaults__, f.__kwdefaults__) for f in old.values()]
    values: list[tuple[types.ModuleType, str, Any]] = []
    try:
        for name, f in old.items():
            if name in new and f.__code__.co_freevars == new[name].__code__.co_freevars:
                f.__code__, f.__defaults__ = new[name].__code__, new[name].__defaults__
                f.__kwdefaults__ = new[name].__kwdefaults__
        for name, value in _plain(fresh).items():
            before = module.__dict__.get(name)
            for other in list(sys.modules.values()):
                if (
                    getattr(other, "__name__", "").startswith("hemoidx")
                    and other.__dict__.get(name) is before
                ):
                    values.append((other, name, before))
                    other.__dict__[name] = value
        for cached in caches:
            cached.cache_clear()
        yield
    finally:
        for f, code_, defaults, kwdefaults in kept:
            f.__code__, f.__defaults__, f.__kwdefaults__ = code_, defaults, kwdefaults
        for other, name, before in values:
            other.__dict__[name] = before
        for cached in caches:
            cached.cache_clear()


def _plain(module: types.ModuleType) -> dict[str, Any]:
    """Numbers of a module, and containers and arrays of numbers."""
    import numpy as np

    kinds = (int, float, tuple, dict, list, np.ndarray)
    return {
        name: value
        for name, value in vars(module).items()
        if isinstance(value, kinds) and not name.startswith("__") and name != "INDICES"
    }


def notices(check: Reference) -> bool:
    """Whether a check now disagrees, or cannot be computed."""
    try:
        gap = check.disagreement(check.value())
    except (HemoidxError, ArithmeticError, LookupError, ValueError, TypeError, AttributeError, Warning):
        return True
    return bool(gap) != bool(check.contradicts)


def touched(collections: Sequence[str] | None = None) -> tuple[list[Reference], list[set[str]]]:
    """All checks (of some collections), and the files whose code each of them runs."""
    names = suite.collections() if collections is None else collections
    checks = [check for name in names for check in load(name).checks]
    seen: list[set[str]] = []
    for check in checks:
        # Once for what is loaded on the way.
        check.value()
    caches = _caches()
    for check in checks:
        for cached in caches:
            cached.cache_clear()
        files: set[str] = set()

        def note(frame: types.FrameType, event: str, _: Any, files: set[str] = files) -> None:
            if event == "call":
                files.add(frame.f_code.co_filename)

        sys.setprofile(note)
        try:
            check.value()
        finally:
            sys.setprofile(None)
        seen.append(files)
    return checks, seen


def unnoticed(
    dotted: str, checks: Sequence[Reference], seen: Sequence[set[str]], progress: Callable[[str], None] = str
) -> tuple[list[Constant], list[Constant]]:
    """
    Change each constant of a module in turn.

    Parameters
    ----------
    dotted : str
        Module, such as 'hemoidx.indices.flow.body'.
    checks, seen : sequence
        As `touched` returns them.
    progress : callable
        Takes a text for each constant.

    Returns
    -------
    every, left : list of Constant
        All constants, and those that no check noticed.
    """
    module = import_module(dotted)
    file = str(module.__file__)
    source = Path(file).read_text(encoding="utf-8")
    # A constant of a module may be read without a call into it.
    mine = [
        c
        for c, files in zip(checks, seen, strict=True)
        if file in files or c.function.startswith(dotted + ".")
    ]
    every = constants(source)
    caches = _caches()
    left = []
    for constant in every:
        try:
            with put_in_place(module, changed(source, constant.number, file), caches):
                found = any(notices(check) for check in mine)
        except (TypeError, ValueError, ArithmeticError, Warning):
            # The module does not even load with it.
            found = True
        if not found:
            left.append(constant)
        progress(f"{dotted}:{constant.line} {constant.value:g} {'noticed' if found else 'NOT noticed'}")
    return every, left


def by_tests(dotted: str, left: Sequence[Constant]) -> list[Constant]:
    """Constants that the tests of the module's room do not notice either."""
    import pytest

    module = import_module(dotted)
    file = str(module.__file__)
    source = Path(file).read_text(encoding="utf-8")
    room, name = dotted.split(".")[1:3]
    tests = sorted(str(path) for path in Path(__file__).parents[1].glob(f"test_{room}_{name}*.py"))
    run = ["-x", "-q", "-p", "no:cacheprovider", *tests]
    with redirect_stdout(StringIO()):
        usable = tests and pytest.main(run) == 0
    if not usable:
        # Without tests, or with tests that fail anyway, nothing can be said.
        return list(left)
    still, caches = [], _caches()
    for constant in left:
        code = changed(source, constant.number, file)
        with put_in_place(module, code, caches), redirect_stdout(StringIO()):
            failed = pytest.main(run) != 0
        if not failed:
            still.append(constant)
    return still


def modules(rooms: Sequence[str], only: Sequence[str] = ()) -> list[str]:
    """Modules of rooms that hold constants."""
    found = []
    for room in rooms:
        for path in sorted((PACKAGE / room).rglob("*.py")):
            dotted = ".".join(("hemoidx", *path.relative_to(PACKAGE).with_suffix("").parts))
            wanted = not only or any(dotted.endswith(one) for one in only)
            if wanted and path.stem != "__init__" and constants(path.read_text(encoding="utf-8")):
                found.append(dotted)
    return found


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    parser.add_argument("--rooms", nargs="+", default=["indices", "line"])
    parser.add_argument("--only", nargs="*", default=[])
    parser.add_argument("--tests", action="store_true")
    given = parser.parse_args()
    checks, seen = touched()
    total = missed = 0
    for dotted in modules(given.rooms, given.only):
        every, left = unnoticed(dotted, checks, seen)
        if given.tests:
            left = by_tests(dotted, left)
        total, missed = total + len(every), missed + len(left)
        print(
            f"{dotted.removeprefix('hemoidx.')}: {len(every) - len(left)} of {len(every)} noticed", flush=True
        )
        for constant in left:
            print(f"  {constant.line:4d}: {constant.value:g}   {constant.text}", flush=True)
    print(f"\n{total - missed} of {total} constants noticed")


if __name__ == "__main__":
    main()
