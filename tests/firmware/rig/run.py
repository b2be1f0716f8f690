"""Runs a script with the firmware, its models and the rig on the path; also under CPython, in a process of its own."""

from __future__ import annotations

import ast
import atexit
import re
import shutil
import subprocess
import sys
import tempfile
from functools import cache
from pathlib import Path

from evenstring.board.compiled import NATIVE, compile_file

from tests.mp import FIRMWARE, PROTOCOL, VIRTUAL, Unix64, Wasm32

RIG = Path(__file__).with_name("scripts")
# What main.py lets go after the start.
STARTING = ast.literal_eval(re.search(r"(?s)^STARTING = (\(.*?\n\))", (FIRMWARE / "main.py").read_text(), re.M)[1])  # type: ignore[index]
FOLDERS = (VIRTUAL, FIRMWARE, PROTOCOL, RIG)


@cache
def compiled() -> tuple[Path, ...]:
    """As `FOLDERS`, but compiled, as it goes onto a board: compiling takes more heap than running."""
    out = Path(tempfile.mkdtemp(prefix="evenstring-mpy-"))
    atexit.register(shutil.rmtree, out, ignore_errors=True)
    packages = {VIRTUAL: ".", FIRMWARE: "evenboard", PROTOCOL: "evenstring_protocol", RIG: "."}
    for folder, package in packages.items():
        top = folder / package
        for source in top.glob("*.py") if package == "." else top.rglob("*.py"):
            made = out / folder.name / source.relative_to(folder).with_suffix(".mpy")
            made.parent.mkdir(parents=True, exist_ok=True)
            if source.name != NATIVE:  # left out, the plain twin serves
                made.write_bytes(compile_file(source))
    main = out / FIRMWARE.name / "main.mpy"
    main.write_bytes(compile_file(FIRMWARE / "main.py"))
    return tuple(out / folder.name for folder in packages)


def board_heap(runtime: Unix64 | Wasm32) -> str:
    """128 kB for the firmware; on the 64-bit port, whose pointers are twice a board's, room for the models besides."""
    return "128k" if runtime.bits == 32 else "160k"


def run(
    runtime: Unix64 | Wasm32, script: str, *, heap: str = "512k", timeout_s: float = 60, as_on_a_board: bool = False
) -> list[str]:
    """Lines that the script printed on a MicroPython."""
    return runtime.run(script, path=compiled() if as_on_a_board else FOLDERS, heap=heap, timeout_s=timeout_s)


def run_cpython(script: str) -> list[str]:
    """The same under CPython."""
    folders = [str(f) for f in (VIRTUAL / "cpython", *FOLDERS)]
    done = subprocess.run(
        [sys.executable, "-c", f"import sys; sys.path[:0] = {folders!r}\n{script}"],
        capture_output=True, text=True, timeout=60, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    return done.stdout.splitlines()
