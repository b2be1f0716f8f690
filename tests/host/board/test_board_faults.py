"""Faults of the board itself on the practice board, by the real firmware: what the host is told, and what goes on."""

from __future__ import annotations

import struct
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner
from evenstring.board.faults import BOARD_FAULTS, played
from evenstring.board.virtual import VirtualBoard
from evenstring.cli import cli
from evenstring.io.assemble import health_of
from evenstring.wire.stream import Frame, StreamDecoder
from evenstring_protocol import wire

from tests.host.board.test_virtual import everything

pytestmark = pytest.mark.slow
SECONDS = 120


@pytest.fixture
def play(tmp_path: Path) -> Any:
    """Play two minutes of a pack of four groups under 5 A, with that fault from second 20 on.

    From second 40 to 50 group 2 is below empty, which brings what was recorded to flash at once. Returns the frames
    that are no scans, the scans, and the decoder with its counts.
    """
    path = tmp_path / "dip.trace"
    still, dip = (struct.pack("<5i1h", 5000, 3700000, uv, 3702000, 3703000, 2500) for uv in (3701000, 2900000))
    records = still * 40 + dip * 10 + still * (SECONDS + 1 - 50)
    path.write_bytes(b"EVTR" + bytes((1, 4, 1, 0)) + struct.pack("<II", 1000, SECONDS + 1) + records)

    def go(*names: str, after_s: float = 20.0, **more: object) -> tuple[list[Frame], Any, StreamDecoder]:
        flash = tmp_path / "flash"
        flash.mkdir()
        changes = {"recorder": {"folder": str(flash), "room_kb": 200}, **more}
        with VirtualBoard(path, 4, heap="768k", changes=changes, faults=played(names, after_s)) as board:
            data = everything(board.port)
            board.wait()
        stream = StreamDecoder()
        batch = stream.feed(data)
        return batch.frames, [row for found in batch.scans for row in found.rows], stream

    return go


def _alarms(frames: list[Frame]) -> set[int]:
    """Those that were raised; what is foretold is left out."""
    return {a["alarm"] for a in _values(frames, "ALARM") if a["alarm"] < wire.ALARM_EASE_OFF}


def _values(frames: list[Frame], name: str) -> list[dict[str, Any]]:
    return [f.values for f in frames if f.name == name]


def test_without_a_fault_everything_is_quiet(play: Any) -> None:
    frames, scans, stream = play()

    assert len(scans) in range(235, 243)
    assert _alarms(frames) == {wire.ALARM_BELOW_EMPTY}
    assert {h["fault"] for h in _values(frames, "HEALTH")} == {wire.FAULT_NONE}
    assert _values(frames, "RECORDER")[-1]["worst_stall_ms"] < 20
    assert (stream.frames_damaged, stream.frames_lost) == (0, 0)


@pytest.mark.parametrize(
    ("name", "fault"),
    [("no_converter", wire.FAULT_BUS), ("no_multiplexer", wire.FAULT_BUS), ("stuck_bus", wire.FAULT_BUS)],
)
def test_a_part_without_which_nothing_is_measured_is_a_fault_and_a_loud_one(play: Any, name: str, fault: int) -> None:
    frames, scans, _ = play(name)

    last = _values(frames, "HEALTH")[-1]
    assert len(scans) in range(36, 43)  # the first twenty seconds, two a second
    assert (last["state"], last["fault"]) == (wire.STATE_FAULT, fault)
    assert _alarms(frames) == {wire.ALARM_NOT_WATCHING}


def test_a_part_that_is_absent_at_power_up_is_told_before_anything_was_asked(play: Any) -> None:
    frames, scans, _ = play("no_converter", after_s=0)

    assert len(scans) == 0
    assert _values(frames, "HEALTH")[0]["fault"] == wire.FAULT_BUS
    assert _alarms(frames) == {wire.ALARM_NOT_WATCHING}


@pytest.mark.parametrize("name", ["no_current_sensor", "no_thermistors"])
def test_a_sensor_that_goes_costs_no_group(play: Any, name: str) -> None:
    _, scans, _ = play(name)

    assert len(scans) in range(225, 243)
    values = [scan["current" if name == "no_current_sensor" else "temp"][0] for scan in scans]
    assert values[10] != -32768
    assert values[-1] == -32768


def test_slow_flash_holds_scans_up_for_a_moment_and_that_is_said(play: Any) -> None:
    """A write to flash is one erase of 400 ms and a page of 3 ms at least."""
    frames, scans, stream = play("slow_flash")

    stalls = [r["worst_stall_ms"] for r in _values(frames, "RECORDER")]
    gaps = [scan["uptime_ms"] for scan in scans if scan["flags"] & wire.SCAN_GAP_BEFORE]
    assert 403 <= stalls[-1] < 1300  # what the board allows for in the watchdog's time
    assert any(39_000 < at < 44_000 for at in gaps)
    assert _alarms(frames) == {wire.ALARM_BELOW_EMPTY}
    assert (stream.frames_damaged, stream.frames_lost) == (0, 0)


def test_a_full_memory_loses_the_recording_and_nothing_else(play: Any) -> None:
    frames, scans, _ = play("full_memory", after_s=5)

    last = _values(frames, "RECORDER")[-1]
    assert len(scans) in range(230, 243)
    assert (last["blocks"], last["segments"]) == (0, 0)
    assert last["scans_lost"] > 20
    assert _alarms(frames) == {wire.ALARM_BELOW_EMPTY}
    assert {h["state"] for h in _values(frames, "HEALTH")[1:]} == {wire.STATE_SCANNING}
    said = health_of(_values(frames, "HEALTH")[-1])
    assert not said.words
    assert said.aside.startswith("its record memory failed: rides are not recorded; fetch")


def test_a_stalled_reader_costs_whole_frames_that_are_counted(play: Any) -> None:
    frames, scans, stream = play("stalled_reader")

    dropped = _values(frames, "HEALTH")[-1]["frames_dropped"]
    assert dropped > 10
    assert stream.frames_damaged == 0
    assert stream.frames_lost >= dropped  # and what the port took and dropped itself
    assert max(scan["uptime_ms"] for scan in scans) > 100_000


def test_a_hang_ends_in_a_restart_that_says_so(play: Any) -> None:
    frames, scans, _ = play("hang", after_s=0, autostart=True, interval_ms=500)

    assert len(scans) in range(215, 230)  # but for the eight seconds of the watchdog
    idents = _values(frames, "IDENT")
    assert {i["reset_reason"] for i in idents} == {wire.RESET_REASON_POWER_ON, wire.RESET_REASON_WATCHDOG}
    assert len({i["boot_count"] for i in idents}) == 2


def test_names_stand_in_the_help_and_a_wrong_one_is_refused() -> None:
    told = CliRunner().invoke(cli, ["virtual", "--help"]).output
    refused = CliRunner().invoke(cli, ["virtual", "--fault", "no_such_thing"])

    assert all(name in told and fault.words in " ".join(told.split()) for name, fault in BOARD_FAULTS.items())
    assert refused.exit_code == 2
    assert "slow_flash" in refused.output
