"""main.py itself, from its first statement on: whatever comes over the line or breaks, the board watches again soon."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from evenstring.wire.stream import StreamDecoder

from tests.firmware.rig.run import run
from tests.mp import Unix64

SCRIPT = """
import json, os
os.chdir({folder!r})
import start_rig as s
from start_rig import Line, garbage, live, machine, vtime
world, board = s.board()
def fresh():
    try:
        os.remove("boots.json")
    except OSError:
        pass
dogs = []
plain = machine.WDT
class Dog(plain):
    def __init__(self, timeout):
        plain.__init__(self, timeout)
        dogs.append(self)
"""


@pytest.fixture
def start(tmp_path: Path) -> Any:
    def go(script: str, timeout_s: float = 60) -> Any:
        text = SCRIPT.format(folder=str(tmp_path)) + script
        return json.loads(run(Unix64(), text, heap="2m", timeout_s=timeout_s)[-1])

    return go


def test_it_scans_by_itself_and_stops_doing_so_in_a_boot_loop(start: Any) -> None:
    """Four starts of eight seconds each: three monitor, the fourth is safe mode, closes nothing and says so."""
    got = start(
        "closings = []\n"
        "for _ in range(4):\n"
        "    n = world.closings; line = Line(); how = live(line, 8000); closings.append([how, world.closings - n])\n"
        "print(json.dumps([closings, world.crimes, line.sent.hex()]))"
    )
    lives, crimes, last = got
    frames = StreamDecoder().feed(bytes.fromhex(last)).frames

    assert [how for how, _ in lives] == ["end"] * 4
    assert min(n for _, n in lives[:3]) > 500
    assert lives[3][1] == 0
    assert crimes == []
    assert any(f.name == "ALARM" and f.values["alarm"] == 8 for f in frames)  # not_watching


# A byte, or 10 kB/s for 0.3 s, at instants of the start and of the first scans, from step to step of `STEP` ms.
SWEEP = """
out = []
for at in range(FIRST, LAST, STEP):
    for what in (lambda k: 3, garbage(at)):
        fresh()
        n = world.closings
        line = Line(what, at, at + 300)
        how = live(line, 5000)
        out.append([at, how, world.closings - n, world.even, world.odd])
print(json.dumps([out, world.crimes]))
"""


def _judge(got: Any, folder: Path) -> None:
    lives, crimes = got
    assert [how for _, how, *_ in lives] == ["end"] * len(lives)
    assert min(closings for _, _, closings, *_ in lives) > 300  # scans of a second and more within 5 s
    assert crimes == []
    decoder = StreamDecoder()
    for segment in sorted((folder / "rec").iterdir()):
        if segment.suffix in (".seg", ".alm"):
            decoder.feed(segment.read_bytes() + b"\0")
    assert decoder.frames_good > 0
    assert decoder.frames_damaged == 0


def _sweep(first: int, last: int, step: int) -> str:
    return SWEEP.replace("FIRST", str(first)).replace("LAST", str(last)).replace("STEP", str(step))


@pytest.mark.parametrize("first", [0, 130])
def test_no_byte_at_any_moment_of_the_start_ends_the_monitor(start: Any, tmp_path: Path, first: int) -> None:
    """0x03 interrupts an interpreter whose interrupt is on; before, any such byte in the first 0.55 s ended it."""
    _judge(start(_sweep(first, 3000, 260)), tmp_path)


@pytest.mark.soak
@pytest.mark.parametrize("first", range(0, 3000, 200))
def test_no_byte_at_every_10_ms_of_the_start(start: Any, tmp_path: Path, first: int) -> None:
    _judge(start(_sweep(first, first + 200, 10), 1200), tmp_path)


@pytest.mark.parametrize("error", ["KeyboardInterrupt", "MemoryError", "SystemExit", "ValueError"])
def test_whatever_ends_the_main_loop_restarts_the_board(start: Any, error: str) -> None:
    """It breaks in the midst of a scan, where even opening the relays fails; the next life scans within 15 s."""
    got = start(
        "def broken(*_): raise " + error + "\n"
        "class Bad(Line):\n"
        "    def waits(self):\n"
        "        if vtime.ms - s.Run.began > 3000:\n"
        "            app = s.sys.modules['evenboard.front.mux'].Mux\n"
        "            app.open_all = broken; app.close_group = broken\n"
        "        return False\n"
        "first = live(Bad(), 20000); n = world.closings; t = vtime.ms; second = live(Line(), 15000)\n"
        "print(json.dumps([first, second, world.closings - n, world.crimes]))"
    )

    assert got[0] == "reset"
    assert got[1] == "end"
    assert got[2] > 500
    assert got[3] == []


def test_a_line_full_of_garbage_holds_up_neither_scans_nor_watchdog(start: Any) -> None:
    """A supply without end: before, the loop that emptied it never came back to scanning."""
    got = start(
        "machine.WDT = Dog\n"
        "n = world.closings; live(Line(), 20000); quiet = world.closings - n; fresh()\n"
        "n = world.closings; line = Line(garbage(5), 0, 20000, 1); how = live(line, 20000)\n"
        "print(json.dumps([how, quiet, world.closings - n, line.given, dogs[-1].longest_ms]))"
    )
    how, quiet, under_fire, given, longest_ms = got

    assert how == "end"
    assert under_fire > 0.9 * quiet
    assert given > 2000
    assert longest_ms < 8000


def test_the_watchdog_runs_before_the_firmware_is_loaded(start: Any) -> None:
    got = start(
        "seen = []\n"
        "class Early(plain):\n"
        "    def __init__(self, timeout):\n"
        "        plain.__init__(self, timeout)\n"
        "        seen.append([m for m in s.sys.modules if m.startswith('evenboard.')])\n"
        "machine.WDT = Early\n"
        "live(Line(), 3000); print(json.dumps(seen))"
    )

    assert got == [[]]


def test_maintenance_gives_a_console_whose_interrupt_works_and_no_watchdog(start: Any) -> None:
    got = start(
        "machine.WDT = Dog; n = world.closings\n"
        "with open('maintenance.mark', 'w') as f: f.write('once')\n"
        "how = live(Line(), 5000); print(json.dumps([how, s.Micropython.on, len(dogs), world.closings - n]))"
    )

    assert got == ["console", 3, 0, 0]


def test_a_board_with_a_bad_description_says_that_it_does_not_watch(start: Any) -> None:
    got = start(
        "with open('board.json', 'w') as f: f.write(json.dumps({'groups': 99, 'buzzer_pin': 14, 'led_pin': 25}))\n"
        "line = Line(); how = live(line, 12000)\n"
        "print(json.dumps([how, world.closings, line.sent.hex()]))"
    )
    how, closings, sent = got
    frames = StreamDecoder().feed(bytes.fromhex(sent)).frames

    assert how == "end"
    assert closings == 0
    assert any(f.name == "ALARM" and f.values["alarm"] == 8 for f in frames)
    assert any(f.name == "HEALTH" and f.values["fault"] == 5 for f in frames)
