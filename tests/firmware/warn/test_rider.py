"""What a rider meets: start by power, a sound that says it works, patterns that can be told apart, one button."""

from __future__ import annotations

import json
from itertools import groupby, pairwise
from pathlib import Path
from typing import Any

import pytest
from evenstring.io.load import load_session
from evenstring.wire.stream import StreamDecoder

from tests.firmware.rig.cases import CASES
from tests.firmware.rig.run import run
from tests.mp import Unix64

# The pins' own trace, every 10 ms of virtual time: the buzzer's duty and the lamp's level.
SCRIPT = (
    CASES
    + """
import machine
trace = []
pins = {}
plain_pwm = machine.PWM
class Pwm(plain_pwm):
    def __init__(self, pin, freq=0, duty_u16=0):
        plain_pwm.__init__(self, pin, freq, duty_u16)
        pins["buzzer"] = self
machine.PWM = Pwm
class Button:
    down = False
    def value(self):
        return 0 if self.down else 1
def play(rig, ms):
    # As main.py does, but never more than 10 ms at once, so that no edge is missed.
    end = vtime.ms + ms
    while vtime.ms < end:
        wait = rig.app.step()
        trace.append((vtime.ms, 1 if pins["buzzer"].duty else 0, rig.board._levels.get(25, 0)))
        vtime.sleep_ms(min(wait or 1, 10))
def press(rig):
    rig.app.watch.button.down = True
    play(rig, 60)
    rig.app.watch.button.down = False
    play(rig, 60)
def made(more=None):
    changes = {"alarms": {}, "ahead": False, "buzzer_pin": 14, "led_pin": 25, "autostart": True, "interval_ms": 5000}
    changes.update(more or {})
    rig = Rig([3700000] * 4, groups=4, keep=True, changes=changes)
    rig.app.watch.button = Button()
    return rig
"""
)


@pytest.fixture
def board() -> Any:
    def go(script: str) -> Any:
        return json.loads(run(Unix64(), SCRIPT + script, heap="4m")[-1])

    return go


def lengths(trace: list[list[int]], column: int) -> list[tuple[int, int]]:
    """(level, ms) of each stretch of a pin's trace, the first and the last left out."""
    out = []
    for level, rows in groupby(trace, key=lambda row: row[column]):
        out.append((level, next(r[0] for r in rows)))
    return [(level, b - at) for (level, at), (_, b) in pairwise(out)][1:]


def test_power_alone_starts_it_and_a_sound_and_a_light_say_that_both_work(board: Any) -> None:
    """No host: two short and a long in the first second, then the blink of a board that watches."""
    got = board("rig = made(); play(rig, 12000); show(trace=trace, scans=rig.app.scans)")
    sound = [ms for level, ms in lengths(got["trace"], 1) if level]
    light = [ms for level, ms in lengths([r for r in got["trace"] if r[0] > 3000], 2) if level]

    assert got["scans"] >= 2
    assert len(sound) in (2, 3)  # the first may have begun with the trace
    assert 250 < max(sound) < 700
    assert light
    assert all(ms < 120 for ms in light)


@pytest.mark.parametrize(
    ("raise_it", "on_ms", "off_ms"),
    [
        ("alarms.active |= 1 << 11", [60, 60, 60], [120, 120, 2580]),
        ("alarms.active |= 1 << 12", [60, 60, 60, 60], [90, 90, 90, 690]),
        ("alarms.active |= 1 << 8", [700, 700], [150, 1450]),
        ("alarms.active |= 1 << 3", [80], [60]),
    ],
    ids=["ease off", "ease off now", "not watching", "reversed"],
)
def test_a_pattern_can_be_read_off_the_pin(board: Any, raise_it: str, on_ms: list[int], off_ms: list[int]) -> None:
    """Between two scans, where the main loop turns every 10 ms; an edge may come one turn late."""
    script = "rig = made({'interval_ms': 60000}); play(rig, 3000); trace.clear() if hasattr(trace, 'clear') else None\n"
    script += f"alarms = rig.app.watch.alarms; {raise_it}; play(rig, 9000); show(trace=trace)"
    stretches = lengths(board(script)["trace"], 1)
    on = [ms for level, ms in stretches if level]
    off = [ms for level, ms in stretches if not level]

    assert len(on) >= len(on_ms)
    for found, wanted in ((on, on_ms), (off, off_ms)):
        assert all(min(abs(ms - w) for w in wanted) <= 25 for ms in found if ms < 2600), found
        assert {min(wanted, key=lambda w: abs(w - ms)) for ms in found} == set(wanted)


def test_the_button_silences_what_sounds_and_marks_the_moment_when_nothing_does(board: Any) -> None:
    got = board(
        "rig = made({'interval_ms': 300}); play(rig, 2000); press(rig); play(rig, 500); press(rig)\n"
        "rig.pack.values[2] = 2400000; play(rig, 3000); loud = rig.app.watch.alarms.sounding()\n"
        "press(rig); quiet = rig.app.watch.alarms.sounding(); rig.pack.values[2] = 3700000; play(rig, 2000)\n"
        "show(loud=loud, quiet=quiet, kept=bytes(rig.sink.kept).hex())"
    )
    frames = StreamDecoder().feed(bytes.fromhex(got["kept"])).frames
    presses = [(f.values["what"], f.values["count"]) for f in frames if f.name == "PRESS"]

    assert presses == [(0, 1), (0, 2), (1, 2)]
    assert got["loud"] >= 0
    assert got["quiet"] == -1


def test_marks_stand_in_the_recording_of_the_stream_and_of_the_flash(tmp_path: Path) -> None:
    script = SCRIPT + (
        f"rig = made({{'interval_ms': 300, 'recorder': {{'folder': {str(tmp_path / 'rec')!r}, 'room_kb': 200}}}})\n"
        "rig.command(wire.RECORD, 3, b'\\2'); play(rig, 4000); press(rig); play(rig, 4000); rig.command(wire.STOP, 4)\n"
        "rig.app.watch.recorder.stop(); rig.app.watch.recorder.service()\n"
        "f = open(" + repr(str(tmp_path / "stream.frames")) + ", 'wb'); f.write(rig.sink.kept); f.close(); show(x=1)"
    )
    run(Unix64(), script, heap="4m")
    segment = next((tmp_path / "rec").glob("0*.*"))
    flash = tmp_path / "flash.frames"
    flash.write_bytes(segment.read_bytes())

    for file in (tmp_path / "stream.frames", flash):
        marks = [m for m in load_session([file]).marks if m.kind == "button"]
        assert [m.text for m in marks] == ["mark 1 of the rider"], file


def test_a_warning_comes_within_two_scans_of_the_reading(board: Any) -> None:
    """From the pack to the pin, in virtual time: the time of a scan that sees it twice, and one that was under way."""
    got = board(
        "rig = made({'interval_ms': 0}); play(rig, 3000); at = vtime.ms; rig.pack.values[3] = -200000\n"
        "play(rig, 3000); show(trace=trace, at=at, scan=rig.front.scan_ms())"
    )
    first = next(t for t, sound, _ in got["trace"] if t > got["at"] and sound)

    assert first - got["at"] < 2 * got["scan"] + 50
