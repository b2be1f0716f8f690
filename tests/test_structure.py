"""The house stays small: files, functions and rooms are measured, so that what grows is seen on the day it grows.

Counted: every .py file but `__init__.py`; of a function, the lines from its first statement after the docstring to its
last. Numbers are our choice, by what the small libraries we look up to keep.
"""

from __future__ import annotations

import ast
import importlib
import inspect
import pkgutil
import statistics
from collections import Counter
from collections.abc import Iterator
from functools import cache
from pathlib import Path

import pytest

from tests import benchmarks

ROOT = Path(__file__).resolve().parents[1]
CODE = {
    "host": (ROOT / "host" / "evenstring",),
    "board": (ROOT / "firmware", ROOT / "protocol" / "evenstring_protocol"),
    "tests": (ROOT / "tests",),
}
ROOMS_MOST = 13  # modules of a folder
FILE_MEDIAN, FILE_MOST = 150, 400  # lines
BODY_MEDIAN, BODY_P90, BODY_MOST = 7, 25, 50  # lines
GENERATED = {"wire.py"}  # by protocol/generate.py


@cache
def modules(part: str) -> tuple[Path, ...]:
    found = (p for folder in CODE[part] for p in sorted(folder.rglob("*.py")))
    return tuple(p for p in found if p.name != "__init__.py" and p.name not in GENERATED)


def lines(path: Path) -> int:
    return len(path.read_text(encoding="utf-8").splitlines())


def bodies(path: Path) -> Iterator[tuple[str, int]]:
    """Name and length of each function; a function within another counts for itself and in the outer one."""
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef):
            body = node.body
            if ast.get_docstring(node, clean=False) is not None:
                body = body[1:]
            long = (body[-1].end_lineno or 0) - body[0].lineno + 1 if body else 0
            yield f"{path.relative_to(ROOT)}:{node.lineno} {node.name}", long


@pytest.mark.parametrize("part", ["host", "board"])
def test_no_folder_of_code_holds_more_than_thirteen_modules(part: str) -> None:
    counted = Counter(p.parent for p in modules(part))

    assert {str(f.relative_to(ROOT)): n for f, n in counted.items() if n > ROOMS_MOST} == {}


def test_no_folder_of_tests_of_the_host_holds_more_than_thirteen_modules() -> None:
    counted = Counter(p.parent for p in modules("tests") if p.is_relative_to(ROOT / "tests" / "host"))

    assert {str(f.relative_to(ROOT)): n for f, n in counted.items() if n > ROOMS_MOST} == {}


@pytest.mark.parametrize("part", CODE)
def test_files_are_short(part: str) -> None:
    sizes = {str(p.relative_to(ROOT)): lines(p) for p in modules(part)}

    assert {name: n for name, n in sizes.items() if n > FILE_MOST} == {}
    assert statistics.median(sizes.values()) < FILE_MEDIAN


@pytest.mark.parametrize("part", CODE)
def test_functions_are_short(part: str) -> None:
    sizes = {name: n for path in modules(part) for name, n in bodies(path)}
    ordered = sorted(sizes.values())

    assert {name: n for name, n in sizes.items() if n > BODY_MOST} == {}
    assert statistics.median(ordered) <= BODY_MEDIAN
    assert ordered[int(0.9 * len(ordered))] < BODY_P90


def test_every_benchmark_runs_without_being_told_anything() -> None:
    names = (m.name for m in pkgutil.iter_modules(benchmarks.__path__) if not m.name.startswith("_"))
    runs = {name: getattr(importlib.import_module(f"tests.benchmarks.{name}"), "run", None) for name in names}

    assert {name for name, run in runs.items() if run is not None and inspect.signature(run).parameters} == set()
