"""Alarms and recorder inside the running firmware, on the models: warnings need no host, no flash and no link."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.firmware.rig.run import run
from tests.mp import Unix64

PRELUDE = """
import gc
from rig import Rig
from evenboard.flash.delta import DeltaEncoder
from evenboard.flash.recorder import Recorder
from evenstring_protocol import wire

class Store:
    # Takes blocks as flash would; opening a segment is the unlocked slot.
    segment = 32768
    def __init__(self):
        self.size = self.number = self.bytes = self.used = self.room = self.segments = self.kept = self.deleted = 0
        self.is_open = self.alarm = self.full = False
    def is_full(self, n):
        return not self.is_open or self.size + n > self.segment
    def begin(self):
        self.size = 0
        self.is_open = not self.full
        self.number += 1
        return self.is_open
    def append(self, buf, n, flush=True):
        self.size += n
        self.bytes += n
        return not self.full
    def keep(self):
        return True
    def recover(self):
        self.is_open = False
    def end(self):
        self.is_open = False

def fit(rig):
    app = rig.app
    front = app.front
    store = Store()
    encoder = DeltaEncoder(front.groups, front.passes, 1, 1, front.sensors.temps, 200)
    app.watch.recorder = Recorder(store, encoder, app.clock, app.link, (app.fill_ident,))
    app.watch.recorder.set_mode(wire.RECORD_MODE_ON)
    return app, store
"""


def test_a_warning_needs_neither_link_nor_flash(runtime64: Unix64) -> None:
    """The group of 2.40 V is below discard: told by the outputs in the very scan that shows it."""
    script = f"""{PRELUDE}
volts = [3700000] * 24
rig = Rig(volts, changes={{"alarms": {{}}}})
app, store = fit(rig)
heard = []
app.watch.signals._sound = heard.append
app.scan_once()
store.full = True
rig.sink.broken = True
rig.pack.values[7] = 2400000
before = len(heard)
app.scan_once()
print(app.watch.alarms.active, app.watch.alarms.latched, True in heard[before:], app.watch.alarms.visited[0])
"""
    active, latched, loud, visited = run(runtime64, script)[-1].split()

    assert int(active) & 0b11 == 0b11
    assert int(latched) == 0b10
    assert loud == "True"
    assert int(visited) == 1 << 6


@pytest.mark.parametrize(
    ("changes", "problem"),
    [
        ({"alarms": {"empty_mv": 100}}, "alarms: limits must rise"),
        ({"alarms": 7}, "alarms is not"),
        ({"recorder": {"folder": ""}}, "recorder.folder"),
        ({"recorder": {"folder": "/rec", "segment_kb": 1}}, "recorder.segment_kb"),
    ],
)
def test_a_description_with_bad_limits_or_recorder_is_refused(
    runtime64: Unix64, changes: dict[str, object], problem: str
) -> None:
    script = f"from rig import RP2040_24, boards\nprint(boards.check(dict(RP2040_24, **{changes!r})))"

    assert run(runtime64, script)[-1].startswith(problem)


def test_boots_are_counted_and_lost_memory_is_told(runtime64: Unix64, tmp_path: Path) -> None:
    """Boot, boot again, then a folder that was emptied but for the latch and deploy's mark."""
    folder = tmp_path / "rec"
    script = (
        f"from evenboard.start.build_memory import Memory\nm = Memory({{'folder': {str(folder)!r}, 'room_kb': 100}})\n"
    )
    script += "print(m.latch.boots, m.flags)"

    assert run(runtime64, script)[-1] == "1 0"
    assert run(runtime64, script)[-1] == "2 0"
    (folder / "lost.mrk").write_text("x")
    assert run(runtime64, script)[-1] == "3 1"
    (folder / "lost.mrk").unlink()
    for slot in folder.glob("latch*.bin"):
        slot.write_bytes(b"\xff" * 1024)
    assert run(runtime64, script)[-1] == "1 2"
