"""Commands about the recording with a full memory, and that every message is as long as the table says."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from evenstring.wire.stream import StreamDecoder
from evenstring_protocol import wire

from tests.firmware.rig.cases import CASES
from tests.firmware.rig.run import run
from tests.mp import Unix64

# The whole firmware with its recorder on a folder that already holds 40 segments of 2,000 bytes; every call of the
# file system by the store is counted.
SCRIPT = (
    CASES
    + """
import os
from evenboard.flash import store as module
folder = {folder!r}
os.mkdir(folder)
for k in range(40):
    with open("%s/%08d.%s" % (folder, k + 1, "alm" if k % 9 == 4 else "seg"), "wb") as f:
        f.write(bytes((k,)) * 2000)
rig = Rig([3700000] * {groups}, groups={groups}, keep=True,
    changes={{"alarms": {{}}, "recorder": {{"folder": folder, "room_kb": 400, "segment_kb": 4}}}})
app = rig.app = make_app(rig.data, "", rig.sink.write, rig.feed, 0, 1, folder + ".bin")
rig.front = app.front
app.begin()
calls = {{"listdir": 0, "stat": 0, "open": 0}}
class Counted:
    def __getattr__(self, name):
        if name in calls:
            calls[name] += 1
        return getattr(os, name)
def counted_open(*a):
    calls["open"] += 1
    return open(*a)
module.os = Counted()
module.open = counted_open
def ask(code, seq, payload):
    for name in calls:
        calls[name] = 0
    rig.command(code, seq, payload)
    return [app.commands.last_status, dict(calls)]
"""
)


@pytest.fixture
def memory(tmp_path: Path) -> Any:
    def go(script: str, groups: int = 4) -> Any:
        lines = run(Unix64(), SCRIPT.format(folder=str(tmp_path / "rec"), groups=groups) + script, heap="1m")
        return json.loads(lines[-1])

    return go


@pytest.mark.parametrize("number", [1, 5, 40])
def test_a_command_about_one_segment_looks_into_no_other(memory: Any, number: int) -> None:
    """40 segments are there; 5 holds an alarm. A piece, the sum of all pieces, and erasing open the one file only."""
    got = memory(
        f"n = struct.pack('<I', {number}); size = struct.pack('<I', 2000)\n"
        f"import binascii\ncrc = struct.pack('<I', binascii.crc32(bytes(({number - 1},)) * 2000))\n"
        "out = [ask(wire.READ_SEGMENT, 11, n + bytes(4) + b'\\0\\2'), ask(wire.CHECK_SEGMENT, 12, n + size),\n"
        "    ask(wire.ERASE_SEGMENT, 13, n + size + crc), ask(wire.READ_SEGMENT, 14, n + bytes(4) + b'\\0\\2')]\n"
        "print(json.dumps(out))"
    )

    assert [status for status, _ in got] == [wire.STATUS_OK] * 3 + [wire.STATUS_BAD_VALUE]
    for _, calls in got:
        assert calls["listdir"] == calls["stat"] == 0
        assert calls["open"] <= 4  # each look tries both endings


def test_a_piece_beyond_the_end_is_empty_and_a_sum_beyond_it_refused(memory: Any) -> None:
    got = memory(
        "n = struct.pack('<I', 3)\n"
        "out = [ask(wire.READ_SEGMENT, 11, n + struct.pack('<IH', 2000, 512))[0],\n"
        "    ask(wire.CHECK_SEGMENT, 12, n + struct.pack('<I', 2001))[0]]\n"
        "print(json.dumps(out))"
    )

    assert got == [wire.STATUS_OK, wire.STATUS_BAD_VALUE]


def test_every_message_is_as_long_as_its_table_says(memory: Any) -> None:
    """Messages of fixed length only; those with arrays or texts end where the decoder says they do."""
    got = memory(
        "rig.pack.values[2] = 2400000\n"
        "rig.command(wire.RECORD, 2, bytes((wire.RECORD_MODE_ON,)))\n"
        "for _ in range(30): app.scan_once()\n"
        "ask(wire.CHECK_SEGMENT, 12, struct.pack('<II', 3, 2000))\n"
        "ask(wire.READ_SEGMENT, 13, struct.pack('<IIH', 3, 0, 512)); app.send_health()\n"
        "import binascii\nprint(json.dumps(binascii.hexlify(rig.sink.kept).decode()))"
    )
    frames = StreamDecoder().feed(bytes.fromhex(got)).frames
    sizes: dict[str, set[int]] = {}
    for frame in frames:
        sizes.setdefault(frame.name, set()).add(len(frame.payload))

    for name in ("RECORDER", "ALARM", "HEALTH", "SEGMENT_SUM"):
        assert sizes[name] == {getattr(wire, f"{name}_SIZE")}, name
    assert sizes["SEGMENT_DATA"] == {wire.SEGMENT_DATA_SIZE + 2 + 512}


# A flash that is slow: 12 ms to open a file, 4 ms a piece of 512 bytes (invented, worse than seen on an RP2040), and
# full segments of 32 kB; the main loop runs as main.py runs it, and the longest times without scan or food are kept.
SLOW = """
import binascii
content = bytes(range(256)) * 128
for k in (1, 2):
    with open("%s/%08d.seg" % (folder, k), "wb") as f:
        f.write(content)
class Slow:
    def __init__(self, f):
        self.f = f
    def readinto(self, b):
        vtime.sleep_ms(4)
        return self.f.readinto(b)
    def __getattr__(self, name):
        return getattr(self.f, name)
    def __enter__(self):
        return self
    def __exit__(self, *_):
        self.f.close()
def slow_open(path, how="r"):
    f = open(path, how)
    if "r" not in how:
        return f
    vtime.sleep_ms(12)
    return Slow(f)
module.open = slow_open
worst = {"scan": 0, "food": 0}
last = {"scan": 0, "food": 0}
def met(what):
    if last[what]:
        worst[what] = max(worst[what], vtime.ms - last[what])
    last[what] = vtime.ms
app._feed = lambda: met("food")
plain_scan = app.front.scan
def scan():
    met("scan")
    return plain_scan()
app.front.scan = scan
def answered(code, payload, seq):
    rig.sink.kept[:] = b""
    begun = vtime.ms
    rig.command(code, seq, payload)
    while app.commands.job and vtime.ms < begun + 60000:
        wait = app.step()
        vtime.sleep_ms(min(wait, 20))
    return [app.commands.last_status, vtime.ms - begun]
start(rig, 0)
for _ in range(20):
    app.step()
"""


def test_a_full_memory_holds_up_neither_scans_nor_watchdog_nor_warning(memory: Any) -> None:
    """Sum, reading and erasing of whole segments among forty, and a group that falls below discard meanwhile."""
    got = memory(
        SLOW + "crc = binascii.crc32(content); n = struct.pack('<I', 2); size = struct.pack('<I', len(content))\n"
        "out = [answered(wire.CHECK_SEGMENT, n + size, 21)]\n"
        "out.append(answered(wire.READ_SEGMENT, n + bytes(4) + struct.pack('<H', 32768), 22))\n"
        "data = binascii.hexlify(bytes(rig.sink.kept)).decode()\n"
        "rig.pack.values[3] = 2400000\n"
        "out.append(answered(wire.ERASE_SEGMENT, n + size + struct.pack('<I', crc), 23))\n"
        "gone = answered(wire.READ_SEGMENT, n + bytes(4) + struct.pack('<H', 512), 24)[0]\n"
        "print(json.dumps([out, worst, data, gone, app.watch.alarms.active]))"
    )
    answers, worst, data, gone, active = got
    pieces = [f.values for f in StreamDecoder().feed(bytes.fromhex(data)).frames if f.name == "SEGMENT_DATA"]

    assert [status for status, _ in answers] == [wire.STATUS_OK] * 3
    assert worst["scan"] < 500
    assert worst["food"] < 2000
    assert b"".join(bytes(p["data"]) for p in pieces) == bytes(range(256)) * 128
    assert [p["offset"] for p in pieces] == list(range(0, 32768, 512))
    assert gone == wire.STATUS_BAD_VALUE
    assert active & 0b11 == 0b11


@pytest.mark.parametrize(
    ("groups", "pace_ms", "least_kb_s"), [(24, 0, 17), (36, 0, 12), (36, 1000, 70)], ids=["24", "36", "36, paced"]
)
def test_a_segment_is_read_at_its_stated_pace(memory: Any, groups: int, pace_ms: int, least_kb_s: int) -> None:
    """While it scans without a pause, and with pauses; on the slow flash above, the interpreter's own time left out."""
    (status, took_ms), sent = memory(
        SLOW.replace("start(rig, 0)", f"start(rig, {pace_ms})") + "n = struct.pack('<I', 2) + bytes(4)\n"
        "read = answered(wire.READ_SEGMENT, n + struct.pack('<H', 32768), 22)\n"
        "print(json.dumps([read, len(rig.sink.kept)]))",
        groups,
    )

    assert status == wire.STATUS_OK
    assert 32768 / took_ms >= least_kb_s
    assert sent < 1.12 * 32768  # with the scans in between


def test_who_asks_for_a_sum_again_gets_the_one_that_runs(memory: Any) -> None:
    got = memory(
        SLOW + "n = struct.pack('<II', 1, len(content)); rig.command(wire.CHECK_SEGMENT, 31, n); app.step()\n"
        "first = app.commands.job; rig.command(wire.CHECK_SEGMENT, 32, n); same = app.commands.job is first\n"
        "ends = answered(wire.IDENTIFY, b'', 33)\n"
        "print(json.dumps([same, ends, binascii.hexlify(bytes(rig.sink.kept)).decode()]))"
    )
    frames = StreamDecoder().feed(b"\0" + bytes.fromhex(got[2])).frames

    assert got[0]
    assert [f.values["to_seq"] for f in frames if f.name == "REPLY"] == [33, 32]
    assert len([f for f in frames if f.name == "SEGMENT_SUM"]) == 1
