"""Hours of recording in IDENT: assumed until there is a measure, then measured, and true in the end."""

from __future__ import annotations

import json
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from evenstring.wire.structs import parse_payload

from tests.firmware.run import run as on_micropython
from tests.firmware.test_app import CASES
from tests.firmware.test_recorder import Board
from tests.mp import FIRMWARE, VIRTUAL, Unix64

sys.path.insert(0, str(VIRTUAL / "cpython"))
sys.path.insert(0, str(FIRMWARE))  # the same files that a board runs

from evenboard.room import Room
from evenstring_protocol import wire


@pytest.fixture
def case() -> Callable[[str], dict[str, Any]]:
    def go(script: str) -> dict[str, Any]:
        found: dict[str, Any] = json.loads(on_micropython(Unix64(), CASES + script)[-1])
        return found

    return go


def run(board: Board, room: Room, seconds: int, noise: float = 5.0) -> None:
    """Scans at five a second, a look each minute, as the main loop sends IDENT."""
    for _ in range(max(seconds // 60, 1)):
        board.scans(300, noise=noise)
        room.look()


def test_before_a_measure_the_worst_case_at_the_pace_is_stated(tmp_path: Path) -> None:
    """By hand: 8 groups, time and current are 10 values of 5 bits, 18,000 scans an hour: 112,500 bytes an hour.

    400,000 bytes of room in segments of 32 kB that each leave half of 4 kB empty: 3.35 h, told as 33 tenths.
    """
    board = Board(tmp_path / "rec")

    assert Room(board.recorder, board.clock).hours(200) == (33, 33, wire.RECORD_BASIS_ASSUMED)
    assert Room(board.recorder, board.clock).hours(1000)[0] == pytest.approx(5 * 33.5, abs=1)


def test_after_some_blocks_the_hours_are_those_that_recording_takes(tmp_path: Path) -> None:
    board = Board(tmp_path / "rec", room=600_000)
    board.recorder.set_mode(wire.RECORD_MODE_ON)
    room = Room(board.recorder, board.clock)
    run(board, room, 3600)
    hours, free, basis = room.hours(200)
    began_ms = board.clock.ms
    while not board.store.deleted:
        board.scans(300)
    lasted_h = (board.clock.ms - began_ms) / 3.6e6

    assert basis == wire.RECORD_BASIS_MEASURED
    assert free / 10 == pytest.approx(lasted_h, rel=0.15)  # the last segment is whole or not at all
    assert hours / 10 == pytest.approx(lasted_h + 1, rel=0.15)


def test_the_measure_follows_a_restless_string(tmp_path: Path) -> None:
    board = Board(tmp_path / "rec", room=2_000_000)
    board.recorder.set_mode(wire.RECORD_MODE_ON)
    room = Room(board.recorder, board.clock)
    run(board, room, 7200)
    calm = room.hours(200)[0]
    for _ in range(3):
        run(board, room, 7200, noise=500)

    assert room.hours(200)[0] < 0.6 * calm


def test_waiting_time_does_not_count_as_recording(tmp_path: Path) -> None:
    board = Board(tmp_path / "rec", room=600_000)
    board.recorder.set_mode(wire.RECORD_MODE_ON)
    room = Room(board.recorder, board.clock)
    run(board, room, 3600)
    before = room.hours(200)[0]
    board.recorder.set_mode(wire.RECORD_MODE_OFF)
    for _ in range(600):
        board.clock.ms += 60_000
        room.look()

    assert room.hours(200)[0] == pytest.approx(before, rel=0.03)


def test_a_full_ring_has_room_but_nothing_left(tmp_path: Path) -> None:
    board = Board(tmp_path / "rec", room=100_000, segment=8192)
    board.recorder.set_mode(wire.RECORD_MODE_ON)
    room = Room(board.recorder, board.clock)
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
    """24 groups and 4 more values at 1 s: 63,000 bytes an hour and a sixteenth more; 1,024 kB are 15.6 h."""
    folder = str(tmp_path / "rec")
    got = case(
        f"memory = {{'folder': {folder!r}, 'room_kb': 1024}}\n"
        "rig = Rig(changes={'alarms': {}, 'interval_ms': 1000, 'recorder': memory})\n"
        "n = rig.app.fill_ident(); show(ident=bytes(rig.app.link.body[7:n]).hex())",
    )
    values = parse_payload(wire.IDENT, bytes.fromhex(got["ident"]))

    assert values is not None
    assert values["record_room"] == pytest.approx(156, abs=1)
    assert (values["record_free"], values["record_basis"]) == (values["record_room"], 1)
