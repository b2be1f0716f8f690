"""Recording: raw bytes first, marks between frames, and what a lost line, a full disk or a kill leave behind."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from itertools import pairwise
from pathlib import Path

import pytest
from evenstring.errors import DeviceError, InputError
from evenstring.io.capture import CaptureOptions, Status, capture
from evenstring.io.load import load_session
from evenstring.io.recorder import RecordingWriter
from evenstring.profile import parse_profile
from evenstring.wire.encode import message
from evenstring.wire.stream import StreamDecoder

from tests.host.fake_board import FakeBoard, marks_of, started, until
from tests.host.streams import counts, recording, scans

pytestmark = pytest.mark.slow  # processes, ports or long sessions: not in the quick lane


@pytest.fixture
def board(tmp_path: Path) -> Iterator[FakeBoard]:
    fake = FakeBoard(tmp_path / "port")
    yield fake
    fake.unplug()


class Recording:
    """`capture` in a thread."""

    def __init__(self, port: Path, output: Path, **options: object) -> None:
        self.latest: Status | None = None
        self.error: BaseException | None = None
        self.writer = RecordingWriter(output)
        self._stop = threading.Event()
        self._options = CaptureOptions(**options)  # type: ignore[arg-type]  # the tests give what fits
        self._thread = threading.Thread(target=self._run, args=(str(port),), daemon=True)
        self._thread.start()

    def _run(self, port: str) -> None:
        try:
            with self.writer:
                capture(port, self.writer, self._options, self._show, self._stop.is_set)
        except Exception as error:  # noqa: BLE001  # handed to the test
            self.error = error

    def _show(self, status: Status) -> None:
        self.latest = status

    @property
    def decoder(self) -> StreamDecoder:
        return self.writer.decoder

    @property
    def alive(self) -> bool:
        return self._thread.is_alive()

    def end(self) -> None:
        self._stop.set()
        self._thread.join(8.0)
        assert not self._thread.is_alive()


def test_bytes_are_on_disk_before_they_are_decoded(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    out = tmp_path / "a.frames"
    on_disk: list[int] = []
    plain = StreamDecoder.feed

    def feed(self: StreamDecoder, data: bytes) -> object:
        on_disk.append(out.stat().st_size)
        return plain(self, data)

    monkeypatch.setattr(StreamDecoder, "feed", feed)
    with RecordingWriter(out) as writer:
        writer.take(b"not even a frame")

    assert on_disk[0] == 16


def test_a_mark_waits_for_the_end_of_a_frame(tmp_path: Path) -> None:
    stream, out = scans(2, 4), tmp_path / "a.frames"
    with RecordingWriter(out) as writer:
        writer.take(stream[:30])
        writer.mark("MARK_NOTE", text="in the middle")
        writer.take(stream[30:])
    found, decoder = marks_of(out)

    assert counts(decoder) == (3, 0, 0, 0, 0)
    assert [f.values for f in found] == [{"text": "in the middle"}]


def test_a_mark_gets_its_place_even_if_no_read_ends_with_a_frame(tmp_path: Path) -> None:
    stream, out = scans(9, 4), tmp_path / "a.frames"
    ends = [k for k, byte in enumerate(stream) if byte == 0]
    with RecordingWriter(out) as writer:
        writer.take(stream[: ends[0] + 9])
        writer.mark("MARK_NOTE", text="x")
        for first, last in pairwise(ends):
            writer.take(stream[first + 9 : last + 9])
        found, decoder = marks_of(out)

    assert [f.values for f in found] == [{"text": "x"}]
    assert (decoder.frames_damaged, decoder.frames_lost) == (0, 0)


def test_a_lost_line_ends_the_torn_frame(tmp_path: Path) -> None:
    stream, out = scans(2, 4), tmp_path / "a.frames"
    with RecordingWriter(out) as writer:
        writer.take(stream[:-9])
        writer.cut()
        writer.mark("MARK_LINK", event=1, port="p")
        writer.take(stream)
    found, decoder = marks_of(out)

    assert (decoder.frames_good, decoder.frames_damaged) == (4, 1)
    assert len(found) == 1


def test_appending_begins_with_a_delimiter(tmp_path: Path) -> None:
    out = tmp_path / "a.frames"
    out.write_bytes(scans(2, 4)[:-9])
    with RecordingWriter(out, append=True) as writer:
        writer.take(recording(3, 4, boot_count=9))
    decoder = StreamDecoder()
    decoder.feed(out.read_bytes())

    assert (decoder.frames_good, decoder.frames_damaged) == (5, 1)


def test_a_full_disk_is_one_clear_error_and_keeps_what_there_is(tmp_path: Path) -> None:
    """/dev/full refuses every byte, as a full disk does; it is put under the open file, since it is no file to name."""
    writer = RecordingWriter(tmp_path / "a.frames")
    full = os.open("/dev/full", os.O_WRONLY)
    os.dup2(full, writer._file.fileno())
    with pytest.raises(InputError, match=r"cannot write any more.*kept"):
        writer.take(b"abc\0")
    writer.close()
    os.close(full)


def test_a_recording_starts_the_board_and_marks_what_happened(tmp_path: Path, board: FakeBoard) -> None:
    profile = parse_profile("[pack]\ngroups = 4\n")
    run = Recording(board.link, tmp_path / "a.frames", profile=profile, note="invented", interval_ms=500)
    until(started(board))
    board.send(recording(20, 4))
    until(lambda: run.latest is not None and run.latest.scans == 20)
    run.end()
    until(lambda: any(f.name == "STOP" for f in board.seen))
    found, decoder = marks_of(tmp_path / "a.frames")
    session = load_session([tmp_path / "a.frames"])

    assert [f.name for f in board.seen][:3] == ["IDENTIFY", "SET_TIME", "START"]
    assert next(f for f in board.seen if f.name == "START").values["interval_ms"] == 500
    assert (decoder.frames_damaged, decoder.frames_lost) == (0, 0)
    assert {"MARK_LINK", "MARK_PACK", "MARK_NOTE", "MARK_TIME"} == {f.name for f in found}
    assert session.scans == 20
    assert session.start is not None
    assert session.pack_toml is not None


def test_a_command_without_reply_is_sent_again_as_it_was(
    tmp_path: Path, board: FakeBoard, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("evenstring.io.capture._REPLY_S", 0.1)
    board.deaf_to = {"SET_TIME"}
    run = Recording(board.link, tmp_path / "a.frames")
    until(lambda: len(board.seen) >= 3)
    board.deaf_to = set()
    until(started(board))
    run.end()
    repeated = [f for f in board.seen if f.name == "SET_TIME"]

    assert len(repeated) >= 3
    assert len({(f.seq, f.payload) for f in repeated}) == 1


def test_recording_goes_on_when_the_cable_is_back(tmp_path: Path, board: FakeBoard) -> None:
    out = tmp_path / "a.frames"
    run = Recording(board.link, out)
    stream = recording(20, 4)
    until(started(board))
    board.send(stream[:-11])
    until(lambda: run.decoder.frames_good >= 19)
    board.unplug()
    until(lambda: run.latest is not None and run.latest.state == "lost")
    again = FakeBoard(tmp_path / "port")
    until(started(again))
    again.send(recording(20, 4, boot_count=4))
    until(lambda: run.latest is not None and run.latest.scans == 39)
    run.end()
    again.unplug()
    found, decoder = marks_of(out)

    assert run.error is None
    assert [f.values["event"] for f in found if f.name == "MARK_LINK"] == [0, 1, 2, 3]
    assert decoder.frames_damaged == 1
    assert load_session([out]).scans == 39


def test_a_board_that_was_reset_is_started_again(tmp_path: Path, board: FakeBoard) -> None:
    run = Recording(board.link, tmp_path / "a.frames")
    until(started(board))
    board.send(recording(20, 4))
    until(lambda: run.latest is not None and run.latest.scans == 20)
    before = len(board.seen)
    board.send(b"MPY: soft reboot\r\n\0" + recording(0, 4, boot_count=4))
    until(lambda: any(f.name == "START" for f in board.seen[before:]))
    run.end()

    assert (run.decoder.frames_damaged, run.decoder.console_pieces) == (0, 1)


def test_a_board_that_was_reset_before_its_first_scan_is_started_again(tmp_path: Path, board: FakeBoard) -> None:
    run = Recording(board.link, tmp_path / "a.frames")
    board.send(recording(0, 4, boot_count=3))
    until(started(board))
    before = len(board.seen)
    board.send(recording(0, 4, boot_count=4))
    until(lambda: any(f.name == "START" for f in board.seen[before:]))
    run.end()


def test_a_board_that_sends_nothing_though_it_said_that_it_starts_is_asked_again(
    tmp_path: Path, board: FakeBoard, monkeypatch: pytest.MonkeyPatch
) -> None:
    """It was reset right after its reply, and the IDENT of the new start was lost."""
    monkeypatch.setattr("evenstring.io.capture._NO_SCAN_S", 0.1)
    run = Recording(board.link, tmp_path / "a.frames")
    until(lambda: sum(f.name == "START" for f in board.seen) >= 2)
    board.send(recording(20, 4))
    until(lambda: run.latest is not None and run.latest.scans == 20)
    asked = len(board.seen)
    time.sleep(0.3)
    run.end()

    assert [f.name for f in board.seen[asked:]] == ["STOP"]


def test_the_end_of_the_port_ends_a_recording_that_was_asked_to(tmp_path: Path, board: FakeBoard) -> None:
    run = Recording(board.link, tmp_path / "a.frames", until_closed=True)
    until(started(board))
    board.send(recording(5, 4))
    until(lambda: run.decoder.frames_good >= 6)
    board.unplug()
    until(lambda: not run.alive)

    assert run.error is None


def test_a_port_that_is_not_there_is_a_device_error(tmp_path: Path) -> None:
    with RecordingWriter(tmp_path / "a.frames") as writer, pytest.raises(DeviceError, match="cannot open"):
        capture(str(tmp_path / "absent"), writer, CaptureOptions())


def test_a_url_of_pyserial_is_a_port(tmp_path: Path) -> None:
    """loop:// gives our own commands back: they are recorded as frames of the host."""
    with RecordingWriter(tmp_path / "a.frames") as writer:
        capture("loop://", writer, CaptureOptions(seconds=0.3))

    assert b"loop://" in (tmp_path / "a.frames").read_bytes()
    assert marks_of(tmp_path / "a.frames")[1].frames_damaged == 0


@pytest.mark.parametrize(("how", "code"), [(signal.SIGKILL, -signal.SIGKILL), (signal.SIGINT, 0), (signal.SIGTERM, 0)])
def test_what_was_taken_before_a_kill_can_be_read(
    tmp_path: Path, board: FakeBoard, how: signal.Signals, code: int
) -> None:
    out = tmp_path / "a.frames"
    command = [sys.executable, "-m", "evenstring", "record", str(board.link), "-o", str(out), "--quiet"]
    process = subprocess.Popen(command, stderr=subprocess.PIPE)
    until(started(board))
    board.send(recording(50, 4))
    # Replies and marks are on the disk too: only the scans themselves say that all of them are.
    until(lambda: load_session([out]).scans == 50)
    process.send_signal(how)
    _, errors = process.communicate(timeout=8)

    assert process.returncode == code
    assert errors == b""
    assert load_session([out]).scans == 50


def test_a_board_that_stops_measuring_is_said_with_what_to_do(board: FakeBoard, tmp_path: Path) -> None:
    going = Recording(board.link, tmp_path / "a.frames")
    until(started(board))
    health = dict.fromkeys(
        ("scans", "frames_dropped", "bad_commands", "bus_errors", "settle_fails", "longest_gap_ms", "zero_uv"), 0
    )
    board.send(message("HEALTH", 1, 100_000, state=2, fault=3, fault_where=7, heap_free=50_000, **health))

    until(lambda: going.latest is not None and going.latest.trouble != "")
    going.end()

    assert "tap 7" in going.latest.trouble
    assert "unplug the harness" in going.latest.trouble


@pytest.mark.parametrize(("uptime_ms", "restarted"), [(200, True), (3_600_000, False)])
def test_that_opening_the_port_restarted_the_board_is_said(
    board: FakeBoard, tmp_path: Path, uptime_ms: int, restarted: bool
) -> None:
    going = Recording(board.link, tmp_path / "a.frames")
    until(started(board))
    time.sleep(0.25)  # the port was open for longer than such a board has been up
    said = StreamDecoder().feed(recording(0)).frames[0].values
    board.send(message("IDENT", 1, uptime_ms, **said))

    until(lambda: going.latest is not None and going.latest.ident is not None)
    going.end()

    assert going.latest.reset_by_opening is restarted
