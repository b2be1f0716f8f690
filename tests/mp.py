"""Run scripts on the two MicroPythons of the test extra: the 64-bit Unix port and a 32-bit one.

The 32-bit one stands for a board: there an integer of 2^30 or more is a heap object, so that a scan path that holds one
fails with the heap locked. It has neither native nor viper code.

    lines = runtime64.run("print(1 + 1)", path=[PROTOCOL], heap="128k")
    lines = runtime32.run(Path("script.py"), path=[PROTOCOL, FIRMWARE])

`run` returns the lines that the script printed and raises `ScriptError` with the traceback's text when it ended badly.
Scripts see the folders of `path` (read only on the 32-bit runtime) on `sys.path`, in that order, ahead of all else, and
`args` in `sys.argv[1:]`. Input comes as text in the script itself or in a file in one of the folders.

On the 32-bit runtime a garbage collection may free what is still in use, probably since its build does not see what
only WebAssembly's own locals hold: it shows as a memory fault at a wild address. Scripts that make much garbage run
there with `collect=False` and a large heap. With the heap locked nothing is collected: proofs of no allocation stand.
"""

from __future__ import annotations

import subprocess
import sys
import tempfile
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import Protocol

ROOT = Path(__file__).resolve().parent.parent
PROTOCOL = ROOT / "protocol"
FIRMWARE = ROOT / "firmware"
VIRTUAL = FIRMWARE / "virtual"

_MICROPYTHON = Path(sys.executable).with_name("micropython")


class ScriptError(AssertionError):
    """A script ended with an error or ran too long; the message is what it wrote to stderr, then what it printed."""


class Runtime(Protocol):
    """One MicroPython."""

    name: str
    bits: int
    has_viper: bool

    def run(
        self,
        script: str | Path,
        *,
        path: Iterable[Path] = (PROTOCOL,),
        heap: str = "1m",
        args: Sequence[str] = (),
        timeout_s: float = 180,
        collect: bool = True,
    ) -> list[str]:
        """Run the script and return the lines that it printed; `collect` false: without garbage collection."""
        ...


def _source(script: str | Path, folders: Sequence[str], args: Sequence[str], collect: bool) -> str:
    # A preamble of one line keeps the line numbers of tracebacks off by one only.
    text = script.read_text(encoding="utf-8") if isinstance(script, Path) else script
    quiet = "" if collect else "import gc; gc.disable(); "
    return f"{quiet}import sys; sys.path[:0] = {list(folders)!r}; sys.argv[:] = {['script', *args]!r}\n{text}\n"


def _failed(name: str, why: str, err: str, out: str) -> ScriptError:
    return ScriptError(f"{name}: {why}\n{err}\n--- printed before:\n{out[-4000:]}")


class Unix64:
    """The Unix port, a process of its own for each script."""

    name = "unix-64"
    bits = 64
    has_viper = True

    def run(
        self,
        script: str | Path,
        *,
        path: Iterable[Path] = (PROTOCOL,),
        heap: str = "1m",
        args: Sequence[str] = (),
        timeout_s: float = 180,
        collect: bool = True,
        emit: str | None = None,
    ) -> list[str]:
        """Run the script; `emit` is bytecode, native or viper for the whole script."""
        options = ["-X", f"heapsize={heap}"] + (["-X", f"emit={emit}"] if emit else [])
        with tempfile.TemporaryDirectory() as folder:
            file = Path(folder) / "script.py"
            file.write_text(_source(script, [str(p) for p in path], args, collect), encoding="utf-8")
            command = [str(_MICROPYTHON), *options, str(file)]
            try:
                done = subprocess.run(command, capture_output=True, text=True, timeout=timeout_s, check=False)
            except subprocess.TimeoutExpired as late:
                raise _failed(self.name, f"longer than {timeout_s} s", "", str(late.stdout)) from late
        # The Unix port prints tracebacks to stdout or stderr, depending on how it was built.
        if done.returncode:
            raise _failed(self.name, f"exit code {done.returncode}", done.stderr, done.stdout)
        return done.stdout.splitlines()


class Wasm32:
    """The 32-bit build, run inside this process by wasmtime."""

    name = "wasm-32"
    bits = 32
    has_viper = False

    def run(
        self,
        script: str | Path,
        *,
        path: Iterable[Path] = (PROTOCOL,),
        heap: str = "1m",
        args: Sequence[str] = (),
        timeout_s: float = 180,
        collect: bool = True,
        writable: Path | None = None,
    ) -> list[str]:
        """Run the script; the folders of `path` are mounted read only as /path0, /path1 ...; `writable` as it is."""
        from tests.wasm import run_module  # noqa: PLC0415  # who runs no 32-bit script needs none of its packages

        mounts = {f"/path{i}": str(folder) for i, folder in enumerate(path)}
        with tempfile.TemporaryDirectory() as folder:
            (Path(folder) / "script.py").write_text(_source(script, list(mounts), args, collect), encoding="utf-8")
            out, err = Path(folder) / "out", Path(folder) / "err"
            folders = {**mounts, "/script": folder}
            argv = ["micropython", "-X", f"heapsize={heap}", "/script/script.py"]
            why = run_module(argv, folders, out, err, timeout_s, writable)
            printed, complaint = (f.read_bytes().decode("utf-8", "replace") for f in (out, err))
        if why:
            raise _failed(self.name, why, complaint, printed)
        return printed.splitlines()


RUNTIMES: tuple[Unix64 | Wasm32, ...] = (Unix64(), Wasm32())
