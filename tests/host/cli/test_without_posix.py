"""What must work on systems without POSIX's modules is run with those modules out of reach."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from tests.host.streams import recording

pytestmark = pytest.mark.slow  # processes, ports or long sessions: not in the quick lane

# pyserial and subprocess choose by the system they run on, and get its own there; all others find the modules missing.
_BLOCKED = """
import subprocess, sys, types
import serial
for name in ("fcntl", "termios", "pty", "tty", "resource", "pwd", "grp"):
    sys.modules[name] = None
lock = types.ModuleType("msvcrt")
lock.LK_NBLCK, lock.locking = 2, lambda *_: None
sys.modules["msvcrt"] = lock
from evenstring.cli import main
"""


@pytest.mark.parametrize(
    "arguments",
    [
        ["--help"],
        ["report", "a.frames", "-o", "out"],
        ["export", "a.frames", "--to", "csv", "-o", "a.csv"],
        ["record", "loop://", "-o", "b.frames", "--seconds", "0.2"],
        ["watch", "--help"],
        ["demo", "--help"],
        ["fetch", "--help"],
        ["deploy", "--help"],
    ],
    ids=lambda a: a[0],
)
def test_a_command_needs_no_module_of_posix(tmp_path: Path, arguments: list[str]) -> None:
    (tmp_path / "a.frames").write_bytes(recording(50, 4))
    code = f"{_BLOCKED}main({arguments!r})"
    done = subprocess.run([sys.executable, "-c", code], cwd=tmp_path, capture_output=True, text=True, check=False)

    assert (done.returncode, "Traceback" in done.stderr) == (0, False), done.stderr
