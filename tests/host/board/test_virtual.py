"""The virtual board's process: starts, speaks, ends with its trace, says why when it cannot."""

from __future__ import annotations

import struct
import time
from pathlib import Path

import pytest
import serial
from evenstring.board.virtual import VirtualBoard
from evenstring.errors import DeviceError
from evenstring.wire.stream import StreamDecoder
from evenstring_protocol import framing, wire

SECONDS = 20


@pytest.fixture
def trace(tmp_path: Path) -> Path:
    """Four groups at rest for twenty seconds, two temperatures."""
    path = tmp_path / "still.trace"
    record = struct.pack("<5i2h", 0, 3700000, 3701000, 3702000, 3703000, 2500, 2600)
    path.write_bytes(b"EVTR" + bytes((1, 4, 2, 0)) + struct.pack("<II", 1000, SECONDS + 1) + record * (SECONDS + 1))
    return path


def command(code: int, payload: bytes) -> bytes:
    raw = bytearray(struct.pack("<BHI", code, 1, 0) + payload)
    size = len(raw)
    raw += bytes(4)
    framing.put_crc(raw, size)
    out = bytearray(framing.encoded_size(size + 4))
    return bytes(out[: framing.encode(raw, size + 4, out)])


def everything(port: str) -> bytes:
    """Start scans and read until the line ends."""
    got = b""
    with serial.Serial(port, timeout=5) as line:
        line.write(b"\0" + command(wire.START, struct.pack("<HH", 500, 0)))
        try:
            while more := line.read(line.in_waiting or 1):
                got += more
        except serial.SerialException:
            pass
    return got


@pytest.mark.parametrize(("interpreter", "name"), [("micropython", b"MicroPython 1."), ("cpython", b"CPython 3.")])
def test_it_scans_to_the_end_of_the_trace_and_nothing_is_lost(trace: Path, interpreter: str, name: bytes) -> None:
    with VirtualBoard(trace, 4, interpreter=interpreter) as board:
        data = everything(board.port)
        board.wait()
    stream = StreamDecoder()
    batch = stream.feed(data)

    assert name in data
    assert (stream.frames_damaged, stream.frames_lost, stream.tail_bytes) == (0, 0, 0)
    assert sum(len(found.rows) for found in batch.scans) in range(2 * SECONDS - 2, 2 * SECONDS + 2)


def test_leaving_early_ends_the_process_soon(trace: Path) -> None:
    began = time.monotonic()
    with VirtualBoard(trace, 4, speed=1):
        pass

    assert time.monotonic() - began < 4


def test_a_file_that_is_no_trace_is_named(tmp_path: Path) -> None:
    bad = tmp_path / "bad.trace"
    bad.write_bytes(b"nothing of the kind")
    with VirtualBoard(bad, 4) as board, pytest.raises(DeviceError, match="not a trace"):
        board.wait()
