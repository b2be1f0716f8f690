"""What the board says of itself reaches session and live view: faults with what to do, warnings, marks of the rider."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from evenstring.board_words import alarm_words, aside_words, health_words
from evenstring.io.load import load_session
from evenstring.live.app import WatchApp
from evenstring.live.source import ReplaySource
from evenstring.live.state import LiveState
from evenstring.report.sections.quality import notes
from evenstring.session import Session
from evenstring.wire.encode import message
from evenstring.wire.table import load_table

READING = {"groups": 2, "passes": 1, "currents": 0, "packs": 0, "temps": 0, "step_us": 100, "turn_us": 0, "flags": 0}
HEALTH = {
    "scans": 3, "frames_dropped": 0, "bad_commands": 0, "bus_errors": 0, "settle_fails": 0, "longest_gap_ms": 0,
    "heap_free": 50_000, "zero_uv": 0,
}  # fmt: skip


def recording(path: Path) -> Session:
    """Six scans a second apart; a warning, a mark, and a relay that is stuck after the fourth."""
    frames = bytearray()
    seq = 0

    def say(name: str, uptime_ms: int, **values: Any) -> None:
        nonlocal seq
        frames.extend(message(name, seq, uptime_ms, **values))
        seq += 1

    say("HEALTH", 100, state=1, fault=0, fault_where=255, **HEALTH)
    for k in range(6):
        say("SCAN", 1000 + 1000 * k, reading=(18500, 18400), current=(), pack=(), temp=(), **READING)
        if k == 1:
            say("ALARM", 2100, alarm=11, change=0, place=2, value=15200, extreme=15200, active=1 << 11, latched=0)
        if k == 2:
            say("PRESS", 3100, what=0, count=1)
        if k == 3:
            for _ in range(3):  # sent again and again: told once
                say("HEALTH", 4100, state=2, fault=3, fault_where=7, **HEALTH)
    path.write_bytes(bytes(frames))
    return load_session([path])


def test_a_fault_is_in_the_session_once_with_place_and_what_to_do(tmp_path: Path) -> None:
    session = recording(tmp_path / "a.frames")

    assert [(h.time_s, h.state, h.fault, h.where) for h in session.health] == [
        (0.0, "scanning", "none", None),
        (3.0, "fault", "stuck_relay", 7),
    ]
    assert session.health[0].words == ""
    assert "tap 7" in session.health[1].words
    assert "unplug the harness" in session.health[1].words


def test_what_was_foretold_and_the_riders_mark_are_in_the_session(tmp_path: Path) -> None:
    session = recording(tmp_path / "a.frames")

    assert [(s.time_s, s.kind, s.place, s.began) for s in session.said] == [(1.0, "ease_off", 2, True)]
    assert session.said[0].value_v == pytest.approx(3.04)
    assert [(round(m.time_s, 3), m.text) for m in session.marks if m.kind == "button"] == [(2.0, "mark 1 of the rider")]


def test_the_live_view_puts_a_board_that_does_not_measure_before_all_else(tmp_path: Path) -> None:
    source = ReplaySource(recording(tmp_path / "a.frames"), "a")
    state = LiveState()

    source.seek(2.5, state)
    before = state.matter
    source.seek(5.0, state)

    assert "ease off" in before.what
    assert state.matter.alarm
    assert "unplug the harness" in state.matter.what
    assert "unplug the harness" in WatchApp(state, source)._foot()
    source.seek(0.5, state)
    assert not state.matter.alarm


def test_every_fault_and_every_alarm_of_the_protocol_has_words() -> None:
    enums = load_table().enums

    for fault in enums["fault"]:
        assert "does not measure" in health_words("fault", fault), fault
        assert "take a newer version" not in health_words("fault", fault), fault
    assert {k for k in enums["alarm"] if alarm_words(k, 3) == alarm_words(k + "_", 3).rstrip()} == {
        "below_empty",
        "hot",
    }
    assert "take a newer version" in health_words("fault", "unknown")


def test_a_failed_memory_is_told_once_while_the_board_measures_on(tmp_path: Path) -> None:
    frames = bytearray()
    for k in range(6):
        frames += message(
            "SCAN", 2 * k, 1000 + 1000 * k, reading=(18500, 18400), current=(), pack=(), temp=(), **READING
        )
        frames += message("HEALTH", 2 * k + 1, 1100 + 1000 * k, state=1, fault=7 * (k & 1), fault_where=255, **HEALTH)
    path = tmp_path / "b.frames"
    path.write_bytes(bytes(frames))
    session = load_session([path])

    assert [h.words for h in session.health] == [""] * 6
    assert [what for _, what in notes(session)] == [aside_words("scanning", "memory")]
    assert "rides are not recorded" in aside_words("scanning", "memory")
    assert aside_words("fault", "memory") == aside_words("scanning", "bus") == ""
