"""The main loop and the line: commands, pace, stuck line, bad descriptions, clocks."""

from __future__ import annotations

import itertools
import json

import pytest
from evenstring.wire.stream import StreamDecoder

from tests.firmware.rig.cases import CASES
from tests.firmware.rig.run import run
from tests.mp import Unix64


@pytest.fixture
def case():
    """Run lines on the 64-bit MicroPython and return the object that the last `show` printed."""

    def go(script: str) -> dict:
        return json.loads(run(Unix64(), CASES + script)[-1])

    return go


def test_scans_keep_the_interval_from_start_to_start(case):
    got = case("rig = Rig(); start(rig, 1000); go(rig, 30000); show(n=rig.app.scans)")

    assert 29 <= got["n"] <= 31


def test_a_still_string_is_read_at_the_quiet_interval_and_a_moving_one_at_once_again(case):
    got = case(
        "rig = Rig(); start(rig, 500, 5000); go(rig, 10000); a = rig.app.scans\n"
        "go(rig, 50000); b = rig.app.scans\n"
        "rig.pack.values[3] += 20000; go(rig, 9000); show(calm=b - a, woke=rig.app.scans - b)"
    )

    assert 9 <= got["calm"] <= 11
    assert got["woke"] >= 9  # ten looks at the pace of a moving string, then calm again


def test_stop_opens_everything_and_start_goes_on(case):
    got = case(
        "rig = Rig(); start(rig); go(rig, 3000); rig.command(wire.STOP, 2); n = rig.app.scans; go(rig, 5000)\n"
        "stopped = rig.app.scans - n; start(rig, 1000, 0, 3); go(rig, 3000)\n"
        "show(stopped=stopped, on=rig.app.scans - n, even=rig.world.even)"
    )

    assert got["stopped"] == 0
    assert got["on"] >= 2


def test_a_repeated_clock_command_is_answered_again_and_not_done_again(case):
    got = case(
        "rig = Rig(keep=True); t = struct.pack('<HHHH', 1, 2, 3, 0)\n"
        "rig.command(wire.SET_TIME, 7, t); a = list(rig.app.clock.wall); go(rig, 1000)\n"
        "n = rig.sink.frames; rig.command(wire.SET_TIME, 7, t)\n"
        "show(a=a, b=list(rig.app.clock.wall), replies=rig.sink.frames - n)"
    )

    assert got["a"] == [1, 2, 3, 0]
    assert got["b"][0] >= 1000
    assert got["replies"] == 1


def test_setting_the_clock_back_moves_no_uptime(case):
    got = case(
        "rig = Rig(); start(rig); go(rig, 3000); a = rig.app.clock.low\n"
        "rig.command(wire.SET_TIME, 2, struct.pack('<HHHH', 5, 0, 0, 0)); n = rig.app.scans; go(rig, 3000)\n"
        "show(gone=rig.app.clock.low - a, n=rig.app.scans - n)"
    )

    assert 2900 <= got["gone"] <= 3500
    assert got["n"] >= 2


def test_damaged_unknown_and_short_commands_are_counted_and_refused(case):
    got = case(
        "rig = Rig(keep=True); app = rig.app; app.receive(b'\\x05\\x01\\x02\\x00', 4); bad = app.link.bad\n"
        "app.receive(bytes([7] * 400) + b'\\x00', 401); long = app.link.bad\n"
        "rig.command(94, 1); unknown = app.link.bad; rig.command(wire.START, 2, b'x')\n"
        "show(bad=bad, long=long, unknown=unknown, state=app.state, last=app.commands.last_status)"
    )

    assert (got["bad"], got["long"], got["unknown"]) == (1, 2, 3)
    assert got["state"] == 0
    assert got["last"] == 2  # bad_value


def test_a_stuck_line_costs_whole_frames_and_no_time(case):
    got = case(
        "rig = Rig(keep=True); start(rig, 500); go(rig, 2000); rig.sink.broken = True; n = rig.app.scans\n"
        "go(rig, 20000); during = rig.app.scans - n; rig.sink.broken = False; go(rig, 3000)\n"
        "show(during=during, dropped=rig.app.link.dropped, data=binascii.hexlify(bytes(rig.sink.kept)).decode())"
    )

    stream = StreamDecoder()
    stream.feed(bytes.fromhex(got["data"]))
    stats = stream.finish() if hasattr(stream, "finish") else stream
    assert got["during"] >= 38
    assert got["dropped"] >= 38
    assert _count(stats, "damaged") == 0
    assert _count(stats, "lost") >= got["dropped"]


def _count(stats, what):
    stats = getattr(stats, "stats", stats)
    return getattr(stats, f"frames_{what}")


@pytest.mark.parametrize(
    "text",
    [
        "", "{", "[]", '{"groups": 41}', '{"groups": 24, "front_end": "relay_scan"}', '{"groups": true}',
        '{"groups": 24, "front_end": "other"}',
    ],
)  # fmt: skip
def test_a_bad_description_drives_nothing_and_says_what_is_wrong(case, text):
    got = case(
        f"import os\nf = open('/tmp/evenstring-bad.json', 'w'); f.write({text!r}); f.close()\n"
        "data, problem = boards.load('/tmp/evenstring-bad.json'); os.remove('/tmp/evenstring-bad.json')\n"
        "app = make_app(data, problem, lambda b, n: n, lambda: None); app.begin()\n"
        "none = app.front is None; start = list(app.start(0, 0))\n"
        "show(problem=problem, state=app.state, fault=app._fault, front=none, start=start)"
    )

    assert got["problem"]
    assert (got["state"], got["fault"], got["front"]) == (2, 5, True)
    assert got["start"] == [3, got["problem"]]


def test_every_shipped_description_is_accepted(case):
    got = case(
        "out = {}\nfor name in ('virtual', 'rp2040', 'esp32'):\n"
        "    import sys\n"
        "    folder = [p for p in sys.path if p.endswith('firmware')][0]\n"
        "    out[name] = boards.load(folder + '/boards/' + name + '.json')[1]\n"
        "show(**out)"
    )

    assert got == {"virtual": "", "rp2040": "", "esp32": ""}


def test_the_watchdog_is_fed_within_its_time_at_the_longest_interval(case):
    got = case(
        "rig = Rig(); start(rig, 60000); last = [vtime.ms, 0]\n"
        "def feed():\n    last[1] = max(last[1], vtime.ms - last[0]); last[0] = vtime.ms\n"
        "rig.app._feed = feed; go(rig, 130000); show(worst=last[1], n=rig.app.scans)"
    )

    assert got["worst"] < 8000
    assert got["n"] >= 2


def test_an_error_of_the_firmware_itself_opens_everything_and_is_tried_again(case):
    got = case(
        "rig = Rig(); start(rig); go(rig, 2000); whole = rig.front._settle_check\n"
        "def broken(): raise ValueError\n"
        "rig.front._settle_check = broken; vtime.sleep_ms(1000)\n"
        "for _ in range(3): rig.app.step()\n"
        "down = [rig.app.state, rig.app._fault, rig.world.even, rig.world.odd]\n"
        "rig.front._settle_check = whole; n = rig.app.scans; vtime.sleep_ms(6000)\n"
        "for _ in range(3): rig.app.step(); vtime.sleep_ms(1000)\n"
        "show(down=down, up=rig.app.state, on=rig.app.scans - n)"
    )

    assert got["down"] == [2, 8, -1, -1]
    assert got["up"] == 1
    assert got["on"] >= 1


FOOD = """
rig = Rig(groups=4)
log = []
opened = [0]
plain_open = rig.front.open_all
def open_all():
    opened[0] += 1
    return plain_open()
rig.front.open_all = open_all
def feed():
    log.append((vtime.ms, opened[0], rig.app.scans))
rig.app._feed = feed
"""


def test_between_scans_the_watchdog_is_fed_for_opening_everything_and_not_for_time(case):
    """A scan every 20 s: pieces of 3 s, each with everything commanded open since the last one."""
    got = case(FOOD + "start(rig, 20000); begin = vtime.ms; go(rig, 60000); show(log=log, begin=begin)")

    log = got["log"]
    gaps = [b[0] - a[0] for a, b in itertools.pairwise(log)]
    assert max(gaps) < 3200
    assert len(log) <= 60_000 / 3000 + 5
    assert all(b[1] > a[1] for a, b in itertools.pairwise(log))


def test_a_loop_that_runs_without_doing_anything_is_not_fed(case):
    got = case(
        FOOD + "start(rig, 20000); go(rig, 3500); n = len(log)\n"
        "for _ in range(500):\n    rig.app.poll()\n"
        "show(more=len(log) - n)"
    )

    assert got["more"] == 0


@pytest.mark.parametrize("state", ["start(rig, 1000)", "pass"], ids=["scanning", "idle"])
def test_an_error_of_its_own_in_every_step_is_not_fed(case, state):
    got = case(
        FOOD + f"{state}; go(rig, 4000); n = len(log)\n"
        "def broken():\n    raise ValueError('invented')\n"
        "rig.front.scan = rig.front.open_all = broken\n"
        "end = vtime.ms + 9000\n"
        "while vtime.ms < end:\n"
        "    try:\n        vtime.sleep_ms(rig.app.step())\n"
        "    except ValueError:\n        vtime.sleep_ms(100)\n"
        "show(more=len(log) - n)"
    )

    assert got["more"] == 0


def test_a_bus_that_dies_between_two_scans_is_a_fault_and_is_handled(case):
    got = case(
        FOOD + "start(rig, 20000); go(rig, 2000); rig.board.silent.add(32); n = len(log); go(rig, 4000)\n"
        "show(bus=rig.front.bus_errors, more=len(log) - n, gap=rig.app._gap)"
    )

    assert got["bus"] >= 1
    assert got["more"] >= 1
    assert got["gap"]
