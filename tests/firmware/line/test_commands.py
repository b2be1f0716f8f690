"""Modules that are in memory only while something needs them: those of the start, and those of commands."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from evenstring.board.compiled import written_out

from tests.firmware.rig.run import STARTING, run
from tests.mp import Unix64

SCRIPT = """
import gc, json, os, struct, sys
from rig import Rig, boards
import rig as whole
from evenboard.start import maintenance
from evenboard import unload
from evenstring_protocol import wire
os.chdir({folder!r})
rig = Rig(keep=True, changes={{"alarms": {{}}, "recorder": {{"folder": {folder!r} + "/rec", "room_kb": 200}}}})
app = rig.app
maintenance.register(app)
maintenance = None
def there(name):
    return "evenboard." + name in sys.modules
def ask(code, payload=b""):
    rig.command(code, 7 + code, payload)
    return [app.commands.last_status, app.commands.last_detail]
boards = whole.boards = whole.make_app = None
"""


@pytest.fixture
def script(tmp_path: Path):
    def go(text: str) -> dict[str, object]:
        whole = written_out(SCRIPT.format(folder=str(tmp_path)) + text)
        return json.loads(run(Unix64(), whole, as_on_a_board=True)[-1])

    return go


def test_what_builds_the_monitor_is_let_go_and_nothing_that_stays_holds_it(script):
    """A function that stayed would keep all of its file: 15,680 bytes; with any one of the five kept under 15,100."""
    got = script(
        "gc.collect(); before = gc.mem_alloc()\n"
        f"for name in {STARTING!r}:\n    unload(name)\n"
        "gc.collect(); freed = before - gc.mem_alloc()\n"
        "good = app.scan_once() and app.scan_once()\n"
        "print(json.dumps({'freed': freed, 'good': good, 'restart': ask(wire.START, struct.pack('<HH', 0, 0))}))"
    )

    assert got["freed"] > 15_350, got
    assert got["good"]
    assert got["restart"] == [0, ""]


def test_commands_about_the_recording_bring_their_module_and_the_second_health_after_takes_it_away(script):
    got = script(
        "first = there('flash.segments'); a = ask(wire.LIST_SEGMENTS, struct.pack('<HH', 0, 0))\n"
        "asked = there('flash.segments')\n"
        "app.send_health(); one = there('flash.segments'); app.send_health(); two = there('flash.segments')\n"
        "b = ask(wire.RECORD, b'\\2'); again = there('flash.segments')\n"
        "print(json.dumps({'there': [first, asked, one, two, again], 'answers': [a, b]}))"
    )

    assert got["there"] == [False, True, True, False, True]
    assert got["answers"] == [[0, ""], [0, ""]]


def test_maintenance_comes_when_it_is_told_the_boot_count_and_leaves_its_mark(script):
    got = script(
        "unload('start.maintenance'); n = app.boot_count\n"
        "wrong = ask(wire.MAINTAIN, struct.pack('<HH', n + 1, 0)); app.commands._last_seq = -1; stays = app.leaving\n"
        "right = ask(wire.MAINTAIN, struct.pack('<HH', n, 0)); app.leaving\n"
        "import main, machine\n"
        "print(json.dumps({'wrong': wrong[0], 'stays': stays, 'right': right, 'leaves': app.leaving,"
        " 'wanted': [main.console_wanted(''), main.console_wanted('')],"
        " 'open': rig.world.even == rig.world.odd == -1}))"
    )

    assert (got["wrong"], got["stays"]) == (2, False)
    assert (got["right"], got["leaves"]) == ([0, ""], True)
    assert got["wanted"] == [True, False]
    assert got["open"]


def test_a_command_of_another_module_takes_the_one_before_away(script):
    got = script(
        "unload('start.maintenance'); ask(wire.RECORD, b'\\2')\n"
        "ask(wire.MAINTAIN, struct.pack('<HH', app.boot_count + 1, 0))\n"
        "print(json.dumps([there('flash.segments'), there('start.maintenance')]))"
    )

    assert got == [False, True]


def test_a_module_that_cannot_be_loaded_is_an_answer_and_the_monitor_goes_on(script):
    got = script(
        "app.handlers[94] = 'nowhere'; said = ask(94)\nprint(json.dumps({'said': said, 'good': app.scan_once()}))"
    )

    assert got["said"][0] == 4
    assert "RESTART" in got["said"][1]
    assert got["good"]
