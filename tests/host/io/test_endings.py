"""However a recording ends, the board is stopped and the file is closed with its marks."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
from evenstring.errors import DeviceError, InputError
from evenstring.io import port as ports
from evenstring.io.capture import CaptureOptions, capture
from evenstring.io.port import open_port, read_some
from evenstring.io.recorder import RecordingWriter
from evenstring.wire.table import load_table

from tests.host.fake_board import FakeBoard, marks_of, started, until
from tests.host.streams import recording

pytestmark = pytest.mark.slow  # processes, ports or long sessions: not in the quick lane

CLOSED = load_table().enums["link_event"]["closed"]


@pytest.fixture
def board(tmp_path: Path) -> Iterator[FakeBoard]:
    fake = FakeBoard(tmp_path / "port")
    yield fake
    fake.unplug()


@pytest.mark.parametrize("signals", [["SIGINT"], ["SIGTERM"], ["SIGHUP"], ["SIGINT", "SIGINT"], ["SIGTERM", "SIGINT"]])
def test_a_signal_stops_the_board_and_closes_the_recording(
    tmp_path: Path, board: FakeBoard, signals: list[str]
) -> None:
    out = tmp_path / "a.frames"
    command = [sys.executable, "-m", "evenstring", "record", str(board.link), "-o", str(out), "--quiet"]
    process = subprocess.Popen(command, stderr=subprocess.PIPE)
    until(started(board))
    board.send(recording(20, 4))
    until(lambda: marks_of(out)[1].frames_good > 20)
    for name in signals:
        process.send_signal(getattr(signal, name))
    _, errors = process.communicate(timeout=8)

    assert (process.returncode, errors) == (0, b"")
    assert any(frame.name == "STOP" for frame in board.seen)
    marks, decoder = marks_of(out)
    assert [m.name for m in marks[-2:]] == ["MARK_TIME", "MARK_LINK"]
    assert marks[-1].values["event"] == CLOSED
    assert decoder.frames_damaged == 0


def test_an_error_of_the_caller_stops_the_board_too(tmp_path: Path, board: FakeBoard) -> None:
    def show(_status: object) -> None:
        raise RuntimeError("a fault in what shows the numbers")

    with RecordingWriter(tmp_path / "a.frames") as writer, pytest.raises(RuntimeError, match="a fault"):
        capture(str(board.link), writer, CaptureOptions(), show)

    assert any(frame.name == "STOP" for frame in board.seen)


def test_a_full_disk_stops_the_board_and_says_so(tmp_path: Path, board: FakeBoard) -> None:
    writer = RecordingWriter(tmp_path / "a.frames")
    full = os.open("/dev/full", os.O_WRONLY)
    os.dup2(full, writer._file.fileno())

    with pytest.raises(InputError, match="what was recorded so far is kept"):
        capture(str(board.link), writer, CaptureOptions())
    os.close(full)

    assert any(frame.name == "STOP" for frame in board.seen)


def test_unplugging_while_the_port_opens_is_a_lost_port_and_no_traceback(monkeypatch: pytest.MonkeyPatch) -> None:
    """`termios.error` is no OSError; pyserial lets it through."""
    import termios  # noqa: PLC0415  # only where ports are terminals

    def torn(*_args: object, **_more: object) -> None:
        raise termios.error(5, "Input/output error")

    monkeypatch.setattr(ports.serial, "serial_for_url", torn)

    with pytest.raises(DeviceError, match="cannot open this port"):
        open_port("/dev/ttyACM0")


@pytest.mark.parametrize("url", ["loop://?logging=x", "spy://", "socket://nowhere", "hwgrep://(", "rfc2217://?ign=1"])
def test_a_url_that_pyserial_stumbles_over_is_one_clear_error(url: str) -> None:
    with pytest.raises(DeviceError, match="check the cable and the name"):
        open_port(url)


def test_what_waits_in_a_socket_is_read_at_once() -> None:
    """Pyserial's socket says 1 for any number of bytes that wait; byte by byte it is 57 kB/s."""
    import socket  # noqa: PLC0415  # for this test alone

    with socket.create_server(("127.0.0.1", 0)) as server:
        line = open_port(f"socket://127.0.0.1:{server.getsockname()[1]}")
        there, _ = server.accept()
        there.sendall(bytes(range(256)) * 64)
        found = read_some(line)
        line.close()
        there.close()

    assert len(found) == 256 * 64


def test_a_recording_that_is_being_written_is_not_added_to(tmp_path: Path) -> None:
    path = tmp_path / "a.frames"
    with RecordingWriter(path) as first:
        with pytest.raises(InputError, match="another program is recording"):
            RecordingWriter(path, append=True)
        first.take(b"abc\0")
    with RecordingWriter(path, append=True):
        pass

    assert path.read_bytes() == b"abc\0\0"


def test_a_recording_that_exists_is_refused_with_what_record_can_do(tmp_path: Path) -> None:
    path = tmp_path / "a.frames"
    path.write_bytes(b"")

    with pytest.raises(InputError, match="--append"):
        RecordingWriter(path)
