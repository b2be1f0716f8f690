"""What a capture can lose: killed, unplugged, a board that restarts, a clock that jumps, a disk that is slow or locked.

A board at the other end of a socket sends a scan every few milliseconds and notes when. A few of each here, hundreds in
the soak, which prints how old the newest scan was that a kill lost.
"""

from __future__ import annotations

import errno
import os
import signal
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from evenstring.errors import InputError
from evenstring.io import capture as capturing
from evenstring.io.capture import CaptureOptions, capture
from evenstring.io.load import load_session
from evenstring.io.recorder import RecordingWriter

from tests.host.fake_board import until
from tests.host.streams import recording, scans

pytestmark = pytest.mark.slow  # processes and sockets

MOST_AGE_S = 1.0  # what PROMISES says: nothing that had arrived a second before
_RUN = """
import sys
from pathlib import Path
from evenstring.io.capture import CaptureOptions, capture
from evenstring.io.recorder import RecordingWriter
with RecordingWriter(Path(sys.argv[2])) as writer:
    capture(sys.argv[1], writer, CaptureOptions())
"""


class Sender:
    """A board that sends `frames` one by one over each connection in turn; and when it sent which."""

    def __init__(self, pause_s: float = 0.004) -> None:
        self._server = socket.create_server(("127.0.0.1", 0))
        self.url = f"socket://127.0.0.1:{self._server.getsockname()[1]}"
        self.sent_s: list[float] = []
        self._pause_s = pause_s
        self._line: socket.socket | None = None

    def accept(self) -> None:
        self._server.settimeout(20.0)
        self._line, _ = self._server.accept()
        self._line.settimeout(20.0)
        assert self._line.recv(1)  # asked who it is: from now on nothing is thrown away as left over

    def send(self, frames: list[bytes], stop: Callable[[], bool] = lambda: False) -> None:
        assert self._line is not None
        try:
            for frame in frames:
                if stop():
                    return
                self.sent_s.append(time.monotonic())
                self._line.sendall(frame)
                threading.Event().wait(self._pause_s)
        except OSError:
            self.sent_s.pop()  # the other end is gone: this one did not arrive

    def unplug(self) -> None:
        """What was sent is still delivered, as by a USB bridge that is drawn out."""
        assert self._line is not None
        self._line.shutdown(socket.SHUT_WR)
        self._line.settimeout(5.0)
        while self._line.recv(4096):  # until the other end has seen it
            pass
        self._line.close()

    def close(self) -> None:
        if self._line is not None:
            self._line.close()
        self._server.close()


def frames_of(stream: bytes) -> list[bytes]:
    return [piece + b"\0" for piece in stream.split(b"\0") if piece]


def killed_after(wait_s: float, out: Path, frames: list[bytes]) -> tuple[float, int]:
    """Age in s of the oldest scan that was sent and is not in the file (0: none), and how many are in it."""
    sender = Sender()
    ended = threading.Event()
    child = subprocess.Popen([sys.executable, "-c", _RUN, sender.url, str(out)], stderr=subprocess.DEVNULL)
    sender.accept()
    thread = threading.Thread(target=sender.send, args=(frames, ended.is_set))
    thread.start()
    until(lambda: bool(out.exists() and out.stat().st_size > 500))
    threading.Event().wait(wait_s)
    now_s = time.monotonic()
    child.send_signal(signal.SIGKILL)
    child.wait()
    ended.set()
    thread.join()
    sender.close()
    kept = load_session([out]).scans
    lost_s = [s for s in sender.sent_s[kept:] if s <= now_s]
    return (now_s - lost_s[0] if lost_s else 0.0), kept


@pytest.mark.parametrize("kills", [3, pytest.param(500, marks=pytest.mark.soak)])
def test_a_kill_loses_nothing_that_had_arrived_a_second_before(kills: int, tmp_path: Path) -> None:
    rng = np.random.default_rng(20_261_127)
    frames = frames_of(scans(4000))
    ages, kept = [], []
    for k in range(kills):
        age_s, scans_kept = killed_after(float(rng.uniform(0.0, 0.6)), tmp_path / f"{k}.frames", frames)
        ages.append(age_s)
        kept.append(scans_kept)
    print(f"{kills} kills: lost at most {np.median(ages) * 1000:.1f} ms (median), {max(ages) * 1000:.1f} ms (worst)")

    assert min(kept) > 0
    assert max(ages) < MOST_AGE_S


class Capture:
    """`capture` in a thread."""

    def __init__(self, url: str, out: Path) -> None:
        self.error: BaseException | None = None
        self._stop = threading.Event()
        self.writer = RecordingWriter(out)
        self._thread = threading.Thread(target=self._run, args=(url,), daemon=True)
        self._thread.start()

    def _run(self, url: str) -> None:
        try:
            with self.writer:
                capture(url, self.writer, CaptureOptions(), stop=self._stop.is_set)
        except Exception as error:  # noqa: BLE001  # handed to the test
            self.error = error

    def end(self) -> None:
        self._stop.set()
        self._thread.join(20.0)
        assert not self._thread.is_alive()


@pytest.mark.parametrize("times", [3, pytest.param(200, marks=pytest.mark.soak)])
def test_replugs_and_clock_steps_lose_nothing(times: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Every scan of every connection, however the clock of the computer jumps in between."""
    rng = np.random.default_rng(5)
    monkeypatch.setattr(capturing, "_RETRY_S", (0.01,))
    step_ns = [0]
    plain = time.time_ns
    monkeypatch.setattr(capturing.time, "time_ns", lambda: plain() + step_ns[0])
    out, sender = tmp_path / "a.frames", Sender(0.0)
    running = Capture(sender.url, out)
    stream = frames_of(scans(20 * times))
    for k in range(times):
        sender.accept()
        step_ns[0] += int(rng.integers(-7200, 7200)) * 1_000_000_000
        sender.send(stream[20 * k : 20 * (k + 1)])
        sender.unplug()
    sender.accept()
    running.end()
    sender.close()
    session = load_session([out])
    print(f"{times} replugs: {session.scans} of {20 * times} scans kept")

    assert running.error is None
    assert session.scans == 20 * times
    assert session.link.frames_damaged == 0
    assert (np.diff(session.time_s) > 0).all()
    assert sum(mark.text.startswith("lost") for mark in session.marks) == times


@pytest.mark.parametrize("times", [3, pytest.param(50, marks=pytest.mark.soak)])
def test_reboots_lose_nothing_and_are_runs_of_their_own(times: int, tmp_path: Path) -> None:
    out, sender = tmp_path / "a.frames", Sender(0.0)
    running = Capture(sender.url, out)
    sender.accept()
    for k in range(times):
        sender.send(frames_of(recording(20, boot_count=3 + k)))
    until(lambda: running.writer.decoder.frames_good >= 21 * times)
    running.end()
    sender.close()
    session = load_session([out])
    print(f"{times} boots: {session.scans} of {20 * times} scans kept")

    assert session.scans == 20 * times
    assert sum(gap.why.startswith("board restarted") for gap in session.gaps) == times - 1
    assert (np.diff(session.time_s) > 0).all()


def test_a_slow_disk_loses_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Each time that the disk is asked to keep what it has, it takes a third of a second."""
    plain = os.fsync
    slept = []

    def slow(handle: int) -> None:
        slept.append(threading.Event().wait(0.3))
        plain(handle)

    monkeypatch.setattr(os, "fsync", slow)
    out, sender = tmp_path / "a.frames", Sender(0.001)
    running = Capture(sender.url, out)
    sender.accept()
    sender.send(frames_of(scans(1500)))
    until(lambda: running.writer.decoder.frames_good >= 1500)
    running.end()
    sender.close()

    assert len(slept) >= 2
    assert load_session([out]).scans == 1500


def test_a_disk_that_can_only_be_read_is_one_clear_error(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(*_: object, **__: object) -> int:
        raise OSError(errno.EROFS, os.strerror(errno.EROFS))

    monkeypatch.setattr(os, "open", refuse)

    with pytest.raises(InputError, match="Read-only"):
        RecordingWriter(tmp_path / "a.frames")
