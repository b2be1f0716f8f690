"""Hours of recording that a board has room for: told by record, fetch, the live view and the report."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import pytest
from click.testing import CliRunner, Result
from evenstring.board.fetch import _MEMORY
from evenstring.board.virtual import VirtualBoard
from evenstring.cli import cli
from evenstring.io.assemble import ident_of
from evenstring.io.capture import Status
from evenstring.live.source import PortSource
from evenstring.profile import PackProfile
from evenstring.report.page import render
from evenstring.session import Correction, Ident
from evenstring.wire.encode import Counter, identity
from evenstring.wire.stream import StreamDecoder
from evenstring.wire.table import load_table

from tests.host.board.test_fetch import GROUPS, write_trace
from tests.host.looks import a_day, a_material

pytestmark = pytest.mark.slow  # processes, ports or long sessions: not in the quick lane


def told(**more: int) -> Ident:
    (frame,) = StreamDecoder().feed(identity(Counter(), 4, "relay_scan", **more)).frames
    return ident_of(frame.values)


def test_tenths_of_an_hour_become_words_and_silence_becomes_none() -> None:
    assert told(record_room=92, record_free=41, record_basis=2).memory_words == (
        "room for 9.2 h of recording, 4.1 h before the oldest is overwritten (as measured)"
    )
    assert "before any measure" in told(record_room=92, record_free=41, record_basis=1).memory_words
    assert told(record_room=65535, record_free=65535, record_basis=0).memory_words == ""
    assert told().memory_words == ""  # a board of before the fields were appended


def test_what_it_takes_from_the_pack_in_words() -> None:
    draw = {"record_room": 92, "record_free": 41, "record_basis": 2}

    said = told(**draw, draw_awake=2003, draw_asleep=626, draw_parked=26).draw_words
    assert said == "2003 mAh in 30 days awake, 626 asleep between scans, 26 parked (computed, not measured)"
    assert told(**draw, draw_awake=0, draw_asleep=0, draw_parked=0).draw_words.startswith("nothing: it has a supply of")
    assert told(**draw, draw_awake=65535, draw_asleep=65535, draw_parked=65535).draw_words == ""
    assert told(**draw).draw_words == ""


def run(*arguments: object) -> Result:
    return CliRunner().invoke(cli, [str(a) for a in arguments])


def test_record_and_fetch_say_what_the_boards_memory_holds(tmp_path: Path) -> None:
    """By hand: 6 groups, time, current, pack and temperature are 10 values of 5 bits; at 1 s 22,500 bytes an hour.

    256 kB less half a segment of 8 are 11.4 h.
    """
    trace = tmp_path / "charge.trace"
    write_trace(trace, 20_000)
    flash = {"recorder": {"folder": str(tmp_path / "flash"), "room_kb": 256, "segment_kb": 8}}
    out = tmp_path / "a.frames"
    with VirtualBoard(trace, GROUPS, heap="768k", changes=flash) as board:
        done = run("record", board.port, "-o", out, "--seconds", "1", "--interval-ms", "1000")
        listing = run("fetch", board.port, "--list")
    report = json.loads(run("report", out, "--json").output)

    assert "the board's own memory: room for 11.4 h of recording" in done.output
    assert "the board's own memory: room for 11.4 h of recording" in listing.output
    assert report["instrument"]["record_room_h"] == pytest.approx(11.4, abs=0.1)
    assert report["instrument"]["record_basis"] == "assumed"


def test_a_lost_memory_and_a_lost_boot_count_are_told(tmp_path: Path) -> None:
    """The same flash under new boards, whose folder of the boot count is new: the latch counts on; then it is gone."""
    trace = tmp_path / "charge.trace"
    write_trace(trace, 20_000)
    flash = tmp_path / "flash"
    said = []
    for spoil in (None, None, flash):
        if spoil:
            for file in flash.glob("latch*.bin"):
                file.write_bytes(b"\xff" * 1024)
            (flash / "lost.mrk").write_text("as deploy leaves it")
        changes = {"recorder": {"folder": str(flash), "room_kb": 256}}
        with VirtualBoard(trace, GROUPS, heap="768k", changes=changes) as board:
            said.append(run("fetch", board.port, "--list").output)

    assert "boot count" not in said[0]
    assert "lost the main copy of its boot count" in said[1]
    assert "once found empty" in said[2]
    assert "forgot its past alarms" in said[2]


def test_every_bit_of_the_memorys_state_has_words() -> None:
    assert set(_MEMORY) == set(load_table().flags["memory"])


def test_a_board_without_memory_is_not_spoken_of(tmp_path: Path) -> None:
    trace = tmp_path / "charge.trace"
    write_trace(trace, 20_000)
    with VirtualBoard(trace, GROUPS) as board:
        done = run("record", board.port, "-o", tmp_path / "a.frames", "--seconds", "1")

    assert done.exit_code == 0
    assert "own memory" not in done.output


def test_the_live_view_says_how_long_the_board_can_go_on_alone() -> None:
    source = PortSource("none", None, PackProfile(groups=4))
    ident = told(record_room=92, record_free=41, record_basis=2)
    source._show(Status("receiving", 4, 9, 2.0, 1.0, 0, 0, 100, 5.0, 5000, ident=ident))

    assert source.recording == "not recording, 4.1 h free on the board"


def test_the_page_says_memory_and_calibration() -> None:
    day = a_day(400)
    ident = replace(day.ident, record_room_h=9.2, record_free_h=4.1, record_basis="measured")
    correction = Correction(0.0, "command", True, None, (0,) * 24, (0,) * 24)
    page = render(a_material(replace(day, ident=ident, corrections=(correction,))))

    assert "4.1 h before the oldest is overwritten" in page
    assert "written to the board; its main copy was lost" in page
