"""Time that the board missed is marked in the scan after it, in the live stream too: a slow flash, a long command."""

from __future__ import annotations

import json

import pytest
from evenstring.wire.stream import StreamDecoder

from tests.firmware.rig.cases import CASES
from tests.firmware.rig.run import run
from tests.firmware.warn.test_watch import PRELUDE
from tests.mp import Unix64

# Flash whose every append takes as long as told; all else is the running firmware. Blocks are closed by hand.
SLOW = """
class Slow(Store):
    ms = 0
    def append(self, buf, n, flush=True):
        vtime.sleep_ms(self.ms)
        return Store.append(self, buf, n, flush)
rig = Rig(keep=True, changes={"alarms": {}})
app, _ = fit(rig)
store = app.watch.recorder.store = Slow()
store.begin()
start(rig, INTERVAL)
rig.sink.kept[:] = b""
def scans(n):
    end = app.scans + n
    while app.scans < end:
        wait = app.poll()
        if wait: vtime.sleep_ms(min(wait, 20))
def flush(ms):
    # The next service writes a block, which takes that long.
    store.ms = ms
    app.watch.recorder._close(0)
"""


@pytest.fixture
def flags():
    """Flags of the scans in the stream, in order; and how often the recorder says that flash held it up."""

    def go(script: str, interval_ms: int = 0) -> list[int]:
        tail = "\nprint(json.dumps({'kept': bytes(rig.sink.kept).hex()}))"
        setup = SLOW.replace("INTERVAL", str(interval_ms))
        got = json.loads(run(Unix64(), CASES + PRELUDE + setup + script + tail)[-1])
        decoder = StreamDecoder()
        batch = decoder.feed(b"\0" + bytes.fromhex(got["kept"]))
        assert (decoder.frames_damaged, decoder.frames_lost) == (0, 0)
        rows = sorted((int(o), int(f)) for s in batch.scans for o, f in zip(s.ordinals, s.rows["flags"], strict=True))
        return [flag >> 2 & 1 for _, flag in rows]

    return go


@pytest.mark.parametrize("interval_ms", [0, 400, 2000])
def test_the_scan_after_a_long_flash_write_says_that_time_was_missed(flags, interval_ms):
    """400 ms is the longest erase of a flash sector (from memory of data sheets); only the next scan has the mark."""
    found = flags("scans(5); flush(400); scans(5)", interval_ms)

    assert found == [0, 0, 0, 0, 0, 0, 1, 0, 0, 0]


def test_a_quick_flash_write_marks_nothing(flags):
    assert flags("scans(3); flush(5); scans(5)") == [0] * 8


def test_each_of_several_long_writes_is_marked(flags):
    found = flags("scans(1)\nfor _ in range(3):\n    flush(60); scans(3)")

    assert found == [0] + [0, 1, 0] * 3


def test_a_command_that_takes_long_is_marked_when_a_scan_comes_late_by_it(flags):
    """Nothing was missed where the command was over before the next scan was due."""
    slow = "def slow(app, rx, size):\n    vtime.sleep_ms(300); return 0, ''\napp.handlers[80] = slow\n"
    ask = "rig.command(80, 9)\n"

    assert flags(f"{slow}scans(3)\n{ask}scans(3)", 1000)[3:] == [0, 0, 0]  # a scan takes a third of it
    assert flags(f"{slow}scans(3)\nwhile app.poll() > 100: vtime.sleep_ms(20)\n{ask}scans(3)", 1000)[3:] == [1, 0, 0]


def test_another_pace_and_a_calm_string_mark_nothing(flags):
    found = flags("scans(3); start(rig, 5000, 0, 2); scans(3); start(rig, 0, 9000, 3); scans(20)", 200)

    assert found == [0] * 26


def test_time_that_the_link_took_is_marked(flags):
    """A line that nobody reads for 300 ms in the middle of a run."""
    script = (
        "scans(3); write = rig.sink.write\n"
        "def stuck(data, n):\n    vtime.sleep_ms(40); return write(data, n)\n"
        "app.link._write = stuck; scans(2); app.link._write = write; scans(3)"
    )

    assert sum(flags(script)) <= 1  # under 50 ms a frame: the line is taken as slow, not as stuck
