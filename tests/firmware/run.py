"""Runs a script with the firmware, its models and the rig on the path; also under CPython, in a process of its own."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

from tests.mp import FIRMWARE, PROTOCOL, VIRTUAL, Unix64, Wasm32

RIG = Path(__file__).with_name("rig")
FOLDERS = (VIRTUAL, FIRMWARE, PROTOCOL, RIG)


def run(runtime: Unix64 | Wasm32, script: str, *, heap: str = "256k", timeout_s: float = 60) -> list[str]:
    """Lines that the script printed on a MicroPython."""
    return runtime.run(script, path=FOLDERS, heap=heap, timeout_s=timeout_s)


def run_cpython(script: str) -> list[str]:
    """The same under CPython."""
    folders = [str(f) for f in (VIRTUAL / "cpython", *FOLDERS)]
    done = subprocess.run(
        [sys.executable, "-c", f"import sys; sys.path[:0] = {folders!r}\n{script}"],
        capture_output=True, text=True, timeout=60, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    return done.stdout.splitlines()
