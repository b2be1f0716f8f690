"""Fetch: what the firmware's own recorder made on the virtual board arrives whole, and stays there until verified."""

from __future__ import annotations

import struct
import time
import zlib
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from click.testing import CliRunner
from evenstring.board.fetch import Segment, fetch_segment, list_segments
from evenstring.board.talk import Refused, Talk
from evenstring.board.virtual import VirtualBoard
from evenstring.cli import cli
from evenstring.errors import DeviceError, InputError
from evenstring.io.capture import open_port
from evenstring.io.load import load_session
from evenstring.wire.encode import Counter, message
from evenstring.wire.stream import StreamDecoder

GROUPS = 6


def write_trace(path: Path, seconds: int) -> None:
    """A charge at 5 A that moves 0.2 V; the format is firmware/virtual/TRACE.md."""
    rows = bytearray(b"EVTR" + bytes([1, GROUPS, 1, 0]) + struct.pack("<II", 1000, seconds))
    for t in range(seconds):
        volts = [3_600_000 + 3000 * g + 200_000 * t // seconds for g in range(GROUPS)]
        rows += struct.pack(f"<i{GROUPS}ih", 5000, *volts, 2500)
    path.write_bytes(bytes(rows))


@contextmanager
def board_with_recording(tmp_path: Path, scans: int = 160) -> Iterator[tuple[Talk, str, Any]]:
    """The virtual board after some minutes of charge, now idle, with segments in its flash (a folder here)."""
    trace = tmp_path / "charge.trace"
    write_trace(trace, 20_000)
    flash = {"recorder": {"folder": str(tmp_path / "flash"), "room_kb": 256, "segment_kb": 8}}
    with VirtualBoard(trace, GROUPS, heap="768k", changes=flash) as board:
        line = open_port(board.port)
        try:
            talk = Talk(line, board.port)
            for _ in range(2):  # a recording that stops and one after it: two segments
                talk.ask("RECORD", "RECORDER", mode=2)
                talk.ask("START", "REPLY", interval_ms=200, quiet_interval_ms=200)
                talk.ask("IDENTIFY", "IDENT")
                enough = talk.latest["IDENT"].uptime_ms + scans * 200
                end = time.monotonic() + 20
                while talk.latest["IDENT"].uptime_ms < enough and time.monotonic() < end:
                    talk.ask("IDENTIFY", "IDENT")
                talk.ask("STOP", "REPLY")
                talk.ask("RECORD", "RECORDER", mode=0)
            yield talk, board.port, line
        finally:
            line.close()


def test_what_the_board_recorded_arrives_whole_and_loads(tmp_path: Path) -> None:
    out = tmp_path / "rides"
    with board_with_recording(tmp_path) as (_, port, line):
        line.close()
        first = CliRunner().invoke(cli, ["fetch", port, "-o", str(out), "--quiet"])
        again = CliRunner().invoke(cli, ["fetch", port, "-o", str(out), "--quiet", "--erase"])
        listing = CliRunner().invoke(cli, ["fetch", port, "--list"])

    assert first.exit_code == 0, first.output
    assert "0 bytes new" in again.output
    files = sorted(out.iterdir())
    assert f"{len(files)} erased" in again.output
    assert "\n0 segments" in listing.output
    session = load_session(files)
    assert session.link.frames_damaged == session.link.frames_lost == 0
    assert session.groups == GROUPS
    assert session.scans > 300
    assert len(files) >= 2
    assert session.has_current
    assert [c.source for c in session.corrections] == ["none"]  # told by the board at the head of each segment
    # The trace: group 6 lies 15 mV above group 1; one step of the log is 1 mV.
    assert np.nanmedian(session.volts_v[:, 5] - session.volts_v[:, 0]) == pytest.approx(0.015, abs=0.0015)


class Fake:
    """A board of one segment that can damage, forget and refuse; answers in the real frames."""

    def __init__(self, content: bytes) -> None:
        self.content = content
        self.asked: list[str] = []
        self.flip = 0  # damage the first frames that it sends
        self.wrong_sum = False
        self.erased = False
        self._out = bytearray()
        self._in = StreamDecoder()
        self._seq = Counter()

    in_waiting = property(lambda self: len(self._out))

    def read(self, _: int = 1) -> bytes:
        data, self._out = bytes(self._out), bytearray()
        return data

    def write(self, data: bytes) -> None:
        for frame in self._in.feed(data).frames:
            self.asked.append(frame.name)
            status = self._answer(frame.name, frame.values)
            self._say("REPLY", to_code=frame.code, to_seq=frame.seq, status=status, detail="")

    def _say(self, name: str, **values: Any) -> None:
        frame = bytearray(message(name, self._seq.next(), 0, **values))
        if self.flip:
            self.flip -= 1
            frame[3] ^= 0x10 if frame[3] != 0x10 else 0x20
        self._out += frame

    def _answer(self, name: str, v: dict[str, Any]) -> int:
        if name == "READ_SEGMENT":
            end = min(v["offset"] + v["size"], len(self.content))
            for at in range(v["offset"], end, 512):
                self._say("SEGMENT_DATA", number=v["number"], offset=at, data=self.content[at : min(at + 512, end)])
        elif name == "CHECK_SEGMENT":
            crc = zlib.crc32(self.content[: v["size"]]) ^ self.wrong_sum
            self._say("SEGMENT_SUM", number=v["number"], size=v["size"], crc=crc)
        elif name == "ERASE_SEGMENT":
            if (v["size"], v["crc"]) != (len(self.content), zlib.crc32(self.content)):
                return 2
            self.erased = True
        return 0


CONTENT = bytes(np.random.default_rng(5).integers(0, 256, 3000, dtype=np.uint8))


def fetched(fake: Fake, path: Path, size: int = len(CONTENT), **options: Any) -> Any:
    talk = Talk(fake, "fake", answer_s=0.05)
    return fetch_segment(talk, Segment(7, size, False, False), path, **options)


def test_it_goes_on_where_an_interrupted_run_stopped(tmp_path: Path) -> None:
    (tmp_path / "a.frames.part").write_bytes(CONTENT[:2000])
    fake = Fake(CONTENT)

    done = fetched(fake, tmp_path / "a.frames")

    assert done.new_bytes == 1000
    assert fake.asked == ["IDENTIFY", "CHECK_SEGMENT", "READ_SEGMENT", "CHECK_SEGMENT"]
    assert (tmp_path / "a.frames").read_bytes() == CONTENT
    assert not (tmp_path / "a.frames.part").exists()


def test_a_damaged_remainder_is_fetched_anew(tmp_path: Path) -> None:
    (tmp_path / "a.frames.part").write_bytes(b"\0" + CONTENT[1:2000])

    assert fetched(Fake(CONTENT), tmp_path / "a.frames").new_bytes == 3000
    assert (tmp_path / "a.frames").read_bytes() == CONTENT


def test_damage_on_the_line_is_asked_for_again(tmp_path: Path) -> None:
    fake = Fake(CONTENT)
    fake.flip = 3

    fetched(fake, tmp_path / "a.frames")

    assert (tmp_path / "a.frames").read_bytes() == CONTENT


def test_nothing_is_erased_that_does_not_verify(tmp_path: Path) -> None:
    fake = Fake(CONTENT)
    fake.wrong_sum = True

    with pytest.raises(DeviceError, match="flash may be failing"):
        fetched(fake, tmp_path / "a.frames", erase=True)

    assert not fake.erased
    assert not (tmp_path / "a.frames").exists()


def test_a_segment_that_grew_is_left_on_the_board(tmp_path: Path) -> None:
    fake = Fake(CONTENT)

    done = fetched(fake, tmp_path / "a.frames", size=2500, erase=True)

    assert not done.erased
    assert not fake.erased
    assert (tmp_path / "a.frames").read_bytes() == CONTENT[:2500]


def test_another_recording_under_the_name_is_not_overwritten(tmp_path: Path) -> None:
    (tmp_path / "a.frames").write_bytes(b"mine")

    with pytest.raises(InputError, match="holds something else"):
        fetched(Fake(CONTENT), tmp_path / "a.frames")

    assert (tmp_path / "a.frames").read_bytes() == b"mine"


def test_erased_only_when_asked(tmp_path: Path) -> None:
    fake = Fake(CONTENT)
    fetched(fake, tmp_path / "a.frames")
    assert not fake.erased

    assert fetched(fake, tmp_path / "a.frames", erase=True).erased


def test_a_silent_port_is_one_clear_line() -> None:
    class Silent(Fake):
        def write(self, _: bytes) -> None:
            pass

    with pytest.raises(DeviceError, match="no answer to IDENTIFY"):
        list_segments(Talk(Silent(b""), "fake", answer_s=0.01))


def test_a_refusal_says_why() -> None:
    class No(Fake):
        def _answer(self, *_: Any) -> int:
            return 3

    with pytest.raises(Refused, match="not now"):
        list_segments(Talk(No(b""), "fake", answer_s=0.05))


def test_without_a_folder_it_is_wrong_usage() -> None:
    assert CliRunner().invoke(cli, ["fetch", "nowhere"]).exit_code == 2


class _Confused:
    """A board that answers without end, or what it was not asked."""

    def __init__(self, answers: list[dict[str, Any]]) -> None:
        self.answers = answers
        self.asked = 0

    def ask(self, _command: str, _answer: str, **_values: Any) -> dict[str, Any]:
        self.asked += 1
        assert self.asked < 200, "asks without end"
        return self.answers[min(self.asked, len(self.answers)) - 1]

    def ask_all(self, command: str, answer: str, **values: Any) -> list[dict[str, Any]]:
        return [self.ask(command, answer, **values)]


def _listing(number: int, size: int = 512, more: int = 1) -> dict[str, Any]:
    return {"number": (number,), "size": (size,), "flags": (0,), "more": more}


@pytest.mark.parametrize("answer", [_listing(0), _listing(3, 4_000_000_000)], ids=["the same again", "4 GB"])
def test_a_list_of_segments_that_cannot_be_ends_the_fetch(answer: dict[str, Any]) -> None:
    talk = _Confused([answer])

    with pytest.raises(DeviceError, match="which cannot be"):
        list_segments(talk)  # type: ignore[arg-type]  # what is asked of a Talk is there


def test_the_last_number_that_a_segment_can_have_ends_the_list() -> None:
    talk = _Confused([_listing((1 << 32) - 1)])

    assert [s.number for s in list_segments(talk)] == [(1 << 32) - 1]  # type: ignore[arg-type]  # as above


def test_a_board_that_answers_for_other_places_ends_the_fetch(tmp_path: Path) -> None:
    talk = _Confused([{"number": 7, "offset": 99_999, "data": b"x"}])

    with pytest.raises(DeviceError, match="answers for other places"):
        fetch_segment(talk, Segment(7, 512, False, False), tmp_path / "a.frames")  # type: ignore[arg-type]  # as above


def test_nothing_that_interrupts_an_interpreter_is_sent_before_the_board_has_spoken() -> None:
    """0x03 is Ctrl-C on the console of a board that is still starting."""

    class Late(Fake):
        sent = b""

        def write(self, data: bytes) -> None:
            self.sent += data
            if len(self.sent) > 40:
                super().write(data)

    for _ in range(50):
        fake = Late(CONTENT)
        Talk(fake, "fake", answer_s=0.002).ask("SET_TIME", "REPLY", unix_ms=3)
        assert b"\x03" not in fake.sent[:40]
        assert fake.asked[-1] == "SET_TIME"
