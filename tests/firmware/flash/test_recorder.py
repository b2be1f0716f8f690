"""The recorder of the board: starts and stops by itself, keeps alarms, loses nothing quietly, allocates nothing."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from evenstring.io.load import load_session
from evenstring.wire.delta import decode_blocks
from evenstring.wire.stream import StreamDecoder

from tests.firmware.rig.run import FOLDERS
from tests.mp import FIRMWARE, VIRTUAL, Unix64, Wasm32

sys.path.insert(0, str(VIRTUAL / "cpython"))
sys.path.insert(0, str(FIRMWARE))  # the same files that a board runs

from evenboard.flash.delta import DeltaEncoder
from evenboard.flash.recorder import Recorder
from evenboard.flash.store import Store
from evenboard.line.link import Link
from evenstring_protocol import wire

GROUPS = 8
EVENT = [wire.ALARM_BELOW_DISCARD, wire.ALARM_CHANGE_RAISED, 3, 12000, 11990]


class Clock:
    def __init__(self) -> None:
        self.ms = 0
        self.wall = [0, 0, 0, 0]
        self.wall_set = False

    low = property(lambda self: self.ms & 0xFFFF)
    high = property(lambda self: self.ms >> 16)

    def service(self) -> None:
        pass

    def since(self, low: int, high: int) -> int:
        return self.ms - (high << 16 | low)


class Board:
    """A recorder with time and a folder; scans are the mean of two equal passes."""

    step_ms = 200

    def __init__(self, folder: Path, room: int = 400_000, segment: int = 32768) -> None:
        self.store = Store(str(folder), room, segment)
        assert self.store.open()
        self.clock = Clock()
        self.link = Link(None, self.clock)
        self.recorder = Recorder(self.store, DeltaEncoder(GROUPS, 2, 1), self.clock, self.link, (self._ident,))
        self.rng = np.random.default_rng(7)
        self.folder = folder
        self.fed: list[Any] = []

    def _ident(self) -> int:
        body = bytes([wire.IDENT, 0, 0, 0, 0, 0, 0, 1, GROUPS, 200, 0]) + bytes(21)
        self.link.body[: len(body)] = body
        return len(body)

    def scans(self, n: int, level: int = 18500, current: int = 0, noise: float = 5.0) -> None:
        for _ in range(n):
            self.clock.ms += self.step_ms
            row = np.rint(level + self.rng.normal(0, noise, GROUPS)).clip(-32000, 32000).astype(int).tolist() * 2
            self.fed.append(row[:GROUPS])
            self.recorder.add(self.clock.low, self.clock.high, row, [current], current)
            self.recorder.service()

    def files(self) -> list[Path]:
        return sorted(p for p in self.folder.iterdir())

    def recorded(self) -> Any:
        decoder = StreamDecoder()
        frames = decoder.feed(b"".join(p.read_bytes() for p in self.files())).frames
        assert decoder.frames_damaged == 0
        parts = sorted(decode_blocks(frames), key=lambda s: s.ordinals[0])
        return frames, (np.concatenate([p.rows for p in parts]) if parts else np.zeros(0))


def test_charge_starts_a_recording_and_ten_minutes_of_rest_end_it(tmp_path: Path) -> None:
    board = Board(tmp_path / "rec")
    board.scans(50)
    assert board.recorder.state == wire.RECORDER_STATE_WAITING

    board.scans(100, current=500)
    assert board.recorder.state == wire.RECORDER_STATE_RECORDING
    board.scans(3100)

    assert board.recorder.state == wire.RECORDER_STATE_WAITING
    assert not board.store.is_open
    _, rows = board.recorded()
    assert 3000 <= len(rows) <= 3101
    assert np.array_equal(rows["reading"], (np.array(board.fed[50 : 50 + len(rows)]) * 2 + 5) // 10 * 5)


def test_without_a_current_sensor_moving_voltages_start_it(tmp_path: Path) -> None:
    board = Board(tmp_path / "rec")
    board.scans(20, current=-32768)

    board.scans(1, level=18300, current=-32768)

    assert board.recorder.state == wire.RECORDER_STATE_RECORDING


def test_an_alarm_reaches_flash_at_once_with_what_came_before_it(tmp_path: Path) -> None:
    board = Board(tmp_path / "rec")
    board.recorder.set_mode(wire.RECORD_MODE_ON)
    board.scans(30)
    assert board.recorder.unflushed_ms() > 5000
    board.recorder.alarm(EVENT, 2, 2)
    board.scans(1)

    frames, rows = board.recorded()

    assert len(rows) == 31
    assert [f.values["value"] for f in frames if f.name == "ALARM"] == [12000]
    assert [p.suffix for p in board.files()] == [".alm"]
    board.scans(49)
    assert len(board.recorded()[1]) == 80  # and what came after it


def test_the_oldest_gives_way_and_alarms_stay_within_their_share(tmp_path: Path) -> None:
    board = Board(tmp_path / "rec", room=64 * 1024, segment=8192)
    board.recorder.set_mode(wire.RECORD_MODE_ON)
    for k in range(60):
        board.scans(150, noise=9000)
        if k == 2 or k > 40:
            board.recorder.alarm(EVENT, 2, 2)

    sizes = {p.name: p.stat().st_size for p in board.files()}
    kept = sum(v for k, v in sizes.items() if k.endswith(".alm"))
    assert sum(sizes.values()) <= 64 * 1024
    assert board.store.deleted > 5
    assert kept <= 0.25 * 64 * 1024 + 2 * 8192  # the open one and the one about to go
    assert any(k.endswith(".seg") for k in sizes)
    assert board.recorder.blocks_lost == 0


def test_an_alarm_outlives_many_turns_of_the_ring(tmp_path: Path) -> None:
    board = Board(tmp_path / "rec", room=64 * 1024, segment=8192)
    board.recorder.set_mode(wire.RECORD_MODE_ON)
    board.recorder.alarm(EVENT, 2, 2)
    board.scans(9000, noise=9000)

    assert board.store.deleted >= 8
    assert next(p.name for p in board.files()) == "00000001.alm"


class Full(Store):  # type: ignore[misc]  # the firmware carries no types
    full = False

    def append(self, buf: bytearray, n: int, flush: bool = True) -> bool:
        return False if self.full else bool(Store.append(self, buf, n, flush))


def test_a_full_flash_is_counted_and_recording_goes_on_when_it_can(tmp_path: Path) -> None:
    board = Board(tmp_path / "rec")
    board.store.__class__ = Full
    board.recorder.set_mode(wire.RECORD_MODE_ON)
    board.scans(100)
    board.store.full = True
    board.recorder.alarm(EVENT, 2, 2)
    board.scans(3)
    assert board.recorder.state == wire.RECORDER_STATE_FAILED

    board.scans(10)
    assert board.recorder.scans_lost >= 10
    board.store.full = False
    board.scans(200)
    board.recorder.flush()

    frames, rows = board.recorded()
    assert len(rows) + board.recorder.scans_lost == 313  # the block that waited was written after all
    assert board.recorder.blocks_lost == 0
    assert any(f.values["flags"] & wire.DELTA_GAP_BEFORE for f in frames if f.name == "DELTA2")


def test_numbers_go_on_after_a_reset(tmp_path: Path) -> None:
    first = Board(tmp_path / "rec")
    first.recorder.set_mode(wire.RECORD_MODE_ON)
    first.scans(50)
    first.recorder.flush()

    second = Board(tmp_path / "rec")
    second.recorder.set_mode(wire.RECORD_MODE_ON)
    second.scans(50)
    second.recorder.flush()

    assert [p.name for p in second.files()] == ["00000001.seg", "00000002.seg"]


def test_segments_load_as_a_session_with_clock_and_nothing_lost(tmp_path: Path) -> None:
    board = Board(tmp_path / "rec", segment=8192)
    unix_ms = 1_790_000_000_123
    board.clock.wall = [unix_ms >> 16 * k & 0xFFFF for k in range(4)]
    board.clock.wall_set = True
    board.recorder.set_mode(wire.RECORD_MODE_ON)
    board.scans(6000)
    board.recorder.flush()

    session = load_session(board.files())

    assert session.scans == 6000
    assert session.link.frames_lost == 0
    assert session.link.frames_damaged == 0
    assert session.start is not None
    assert session.meter.resolution_v == pytest.approx(1e-3)
    assert np.allclose(np.diff(session.time_s), 0.2, atol=2e-3)


LOCKED = """
import micropython
from array import array
from evenboard.flash.delta import DeltaEncoder
from evenboard.line.link import Link
from evenboard.flash.recorder import Recorder
from evenstring_protocol import wire
from recorder_rig import Clock, small
from taker import Taker
n = {groups}
clock = Clock()
sink = Taker()
recorder = Recorder(sink, DeltaEncoder(n, 2, 1, 1, 2), clock, *small(clock))
recorder.set_mode(wire.RECORD_MODE_ON)
readings = array("h", bytes(4 * n))
now = array("i", (0, 8000, 2500, 2600))
event = array("h", (1, 0, 3, 12000, 11990))
clock.high = {high}
def run(scans):
    state = 1
    for scan in range(scans):
        for i in range(2 * n):
            state = (state * 75 + 74) % 65537
            readings[i] = 18000 + (state & 255)
        if scan == 777:
            readings[3] = -32766
        now[0] = scan & 255
        clock.go(200)
        recorder.add(clock.low, clock.high, readings, now, 100, 0, 900, 0)
        if scan % 1000 == 999:
            recorder.alarm(event, 2, 2)
        recorder.service()
run(2)
micropython.heap_lock()
run({scans})
micropython.heap_unlock()
print(recorder.blocks > 5, recorder.blocks_lost, recorder.scans_lost, sink.number)
"""


@pytest.mark.parametrize("groups", [24, 40])
def test_scan_delta_crc_cobs_and_block_allocate_nothing(runtime: Unix64 | Wasm32, groups: int) -> None:
    """Uptime crosses 12.43 days (2^30 ms) on the way; 2,000 scans here, 10,000 in the soak."""
    lines = runtime.run(LOCKED.format(groups=groups, scans=2000, high=0x3FFE), path=FOLDERS, heap="128k")

    assert lines[0].split()[:3] == ["True", "0", "0"]


@pytest.mark.soak
@pytest.mark.parametrize("groups", [24, 40])
def test_ten_thousand_scans_allocate_nothing(runtime: Unix64 | Wasm32, groups: int) -> None:
    script = LOCKED.format(groups=groups, scans=10000, high=0xFFFC)
    lines = runtime.run(script, path=FOLDERS, heap="128k", timeout_s=300)

    assert lines[0].split()[:3] == ["True", "0", "0"]
