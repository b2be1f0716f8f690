"""Hours of recording in IDENT: assumed until there is a measure, then measured, and true in the end."""

from __future__ import annotations

import json
import sys
from collections.abc import Callable
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
from evenstring.wire.structs import parse_payload

from tests.firmware.flash.test_recorder import Board, Clock
from tests.firmware.rig.cases import CASES
from tests.firmware.rig.run import run as on_micropython
from tests.mp import FIRMWARE, VIRTUAL, Unix64

sys.path.insert(0, str(VIRTUAL / "cpython"))
sys.path.insert(0, str(FIRMWARE))  # the same files that a board runs

from evenboard.flash.record_hours import RecordHours
from evenstring_protocol import wire


@pytest.fixture
def case() -> Callable[[str], dict[str, Any]]:
    def go(script: str) -> dict[str, Any]:
        found: dict[str, Any] = json.loads(on_micropython(Unix64(), CASES + script)[-1])
        return found

    return go


def run(board: Board, room: RecordHours, seconds: int, noise: float = 5.0) -> None:
    """Scans at five a second, a look each minute, as the main loop sends IDENT."""
    for _ in range(max(seconds // 60, 1)):
        board.scans(300, noise=noise)
        room.look()


def test_before_a_measure_the_worst_case_at_the_pace_is_stated(tmp_path: Path) -> None:
    """By hand: 8 groups, time and current are 10 values of 5 bits, 18,000 scans an hour: 112,500 bytes an hour.

    400,000 bytes less half a segment of 32 kB: 3.41 h, told as 34 tenths.
    """
    board = Board(tmp_path / "rec")

    assert RecordHours(board.recorder, board.clock).hours(200) == (34, 34, wire.RECORD_BASIS_ASSUMED)
    assert RecordHours(board.recorder, board.clock).hours(1000)[0] == pytest.approx(5 * 34.1, abs=1)


def test_after_some_blocks_the_hours_are_those_that_recording_takes(tmp_path: Path) -> None:
    """A lively string (noise of 40 mV) fills 64 kB soon; how long it takes until the oldest goes is the truth."""
    board = Board(tmp_path / "rec", room=65_536, segment=8192)
    board.recorder.set_mode(wire.RECORD_MODE_ON)
    room = RecordHours(board.recorder, board.clock)
    board.step_ms = 2000
    for _ in range(100):
        board.scans(30, noise=200)
        room.look()
    hours, free, basis = room.hours(2000)
    began_ms = board.clock.ms
    while not board.store.deleted:
        board.scans(50, noise=200)
    lasted_h = (board.clock.ms - began_ms) / 3.6e6

    assert basis == wire.RECORD_BASIS_MEASURED
    assert free / 10 == pytest.approx(lasted_h, abs=hours / 80)  # an eighth: a segment is there whole or not at all
    assert hours / 10 == pytest.approx(lasted_h + 6000 / 3600, rel=0.15)


def test_the_measure_follows_what_the_vehicle_does_now() -> None:
    """100 hours at 10 kB an hour, then at 40: after 10 of these the hours told are nearer to the new pace."""
    store = SimpleNamespace(written=0, room=1_000_000, used=0, size=0, segment=32768, closed=0, taken=0)
    recorder = SimpleNamespace(store=store, state=wire.RECORDER_STATE_RECORDING)
    clock = Clock()
    room = RecordHours(recorder, clock)
    told = []
    for rate, hours in ((10_000, 100), (40_000, 10), (40_000, 40)):
        for _ in range(60 * hours):
            clock.ms += 60_000
            store.written = (store.written + rate // 60) & 0x3FFFFFFF
            room.look()
        told.append(room.hours(200)[0])

    assert told[0] == pytest.approx(10 * 983_616 / 10_000, rel=0.02)  # by hand
    assert told[1] < 0.5 * told[0]
    assert told[2] == pytest.approx(told[0] / 4, rel=0.1)


def test_waiting_time_does_not_count_as_recording(tmp_path: Path) -> None:
    board = Board(tmp_path / "rec", room=600_000)
    board.recorder.set_mode(wire.RECORD_MODE_ON)
    room = RecordHours(board.recorder, board.clock)
    run(board, room, 600, noise=500)
    before = room.hours(200)[0]
    board.recorder.set_mode(wire.RECORD_MODE_OFF)
    for _ in range(600):
        board.clock.ms += 60_000
        room.look()

    assert room.hours(200)[0] == pytest.approx(before, rel=0.03)


def test_a_full_ring_has_room_but_nothing_left(tmp_path: Path) -> None:
    board = Board(tmp_path / "rec", room=100_000, segment=8192)
    board.recorder.set_mode(wire.RECORD_MODE_ON)
    room = RecordHours(board.recorder, board.clock)
    while not board.store.deleted:
        run(board, room, 600, noise=500)
    hours, free, _ = room.hours(200)

    assert hours > 0
    assert free <= 0.15 * hours + 1


def test_ident_carries_them_and_says_unknown_without_a_recorder(case: Callable[[str], dict[str, Any]]) -> None:
    got = case(
        "rig = Rig(); n = rig.app.fill_ident(); show(ident=bytes(rig.app.link.body[7:n]).hex())",
    )
    values = parse_payload(wire.IDENT, bytes.fromhex(got["ident"]))

    assert values is not None
    assert (values["record_room"], values["record_free"], values["record_basis"]) == (65535, 65535, 0)


def test_ident_of_a_board_with_memory(case: Callable[[str], dict[str, Any]], tmp_path: Path) -> None:
    """24 groups and 4 more values at 1 s: 63,000 bytes an hour; 1,024 kB less 16 are 16.4 h."""
    folder = str(tmp_path / "rec")
    got = case(
        f"memory = {{'folder': {folder!r}, 'room_kb': 1024}}\n"
        "rig = Rig(changes={'alarms': {}, 'interval_ms': 1000, 'recorder': memory})\n"
        "n = rig.app.fill_ident(); show(ident=bytes(rig.app.link.body[7:n]).hex())",
    )
    values = parse_payload(wire.IDENT, bytes.fromhex(got["ident"]))

    assert values is not None
    assert values["record_room"] == pytest.approx(164, abs=1)
    assert (values["record_free"], values["record_basis"]) == (values["record_room"], 1)
