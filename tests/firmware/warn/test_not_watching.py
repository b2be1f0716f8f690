"""A board that stops measuring says so loudly within 10 s: each way of losing it, through the main loop."""

from __future__ import annotations

import json
from typing import Any

import pytest
from evenstring.wire.stream import StreamDecoder

from tests.firmware.rig.cases import CASES
from tests.firmware.rig.run import run
from tests.mp import Unix64

# `lose()` is called after 5 s of scans; then the main loop runs on for 17 s as main.py runs it. What sounds is noted.
SCRIPT = (
    CASES
    + """
heard = []
shown = []
def step_for(rig, ms):
    end = vtime.ms + ms
    while vtime.ms < end:
        wait = rig.app.step()
        if wait:
            vtime.sleep_ms(min(wait, 20))
def listen(rig):
    rig.app.watch.signals._sound = lambda on: heard.append((vtime.ms, on))
    rig.app.watch.signals._light = lambda on: shown.append((vtime.ms, on))
def loud_ms(since):
    # From loss to the first sound, and how much of the 6 s after the raise was loud.
    on = [t for t, yes in heard if yes and t > since]
    if not on:
        return [None, 0]
    total = 0
    for (a, yes), (b, _) in zip(heard, heard[1:]):
        if yes and on[0] <= a < on[0] + 6000:
            total += b - a
    return [on[0] - since, total]
BANK = {"front_end": "divider_bank", "mux": None, "adc": None, "bank": {"part": "ads8688", "spi": 0, "sck": 18,
    "mosi": 19, "miso": 16, "enable_pin": 7, "select_pins": [8], "settle_us": 500, "mismatch_ppm": 20,
    "claim_uv": 3333, "full_mv": [5000, 10000, 15000, 20000, 25000, 30000, 35000]}}
rig = Rig(groups=GROUPS, keep=True, changes=dict({"alarms": {}}, **(CHANGES)))
listen(rig)
start(rig, PACE); step_for(rig, 5000)
front = rig.front
at = vtime.ms
def broken(*_):
    raise ValueError
LOSE
step_for(rig, 17000)
alarms = rig.app.watch.alarms
show(active=alarms.active, loud=loud_ms(at), state=rig.app.state, fault=rig.app._fault, fed=rig.fed,
    kept=bytes(rig.sink.kept).hex(), crimes=rig.world.crimes)
"""
)

WAYS = {
    "the converter does not answer": "rig.board.silent.add(72)",
    "the multiplexer does not answer": "rig.board.silent.add(32)",
    "a part holds the bus low and no clock frees it": "rig.board.hung_low = True",
    "a relay conducts": "rig.break_it([{'kind': 'stuck_relay', 'tap': 7}])",
    "the converter never finishes": "front.adc.read = lambda: None",
    "the converter is far off": "rig.break_it([{'kind': 'converter_offset', 'uv': 90000}])",
    "the harness is unplugged": "rig.break_it([{'kind': 'lead_open', 'tap': t} for t in range(9)])",
    "the firmware meets an error in every scan": "front._whole_scan = broken",
    "the firmware meets an error in the self-test too": "front._whole_scan = front._test = broken",
    "memory runs out in every scan": "def broken(*_): raise MemoryError\nfront.scan = broken",
    "every other scan fails, then all": (
        "plain = front._whole_scan; k = [0]\n"
        "def some():\n"
        "    k[0] += 1\n"
        "    if k[0] % 2 or k[0] > 3: raise OSError(5)\n"
        "    plain()\n"
        "front._whole_scan = some"
    ),
}  # fmt: skip


def _alarm_after(kept: str) -> list[tuple[int, int]]:
    frames = StreamDecoder().feed(bytes.fromhex(kept)).frames
    return [(f.values["alarm"], f.values["change"]) for f in frames if f.name == "ALARM"]


@pytest.fixture
def lost() -> Any:
    def go(lose: str, pace: int = 0, groups: int = 8, changes: str = "{}") -> dict[str, Any]:
        script = SCRIPT.replace("LOSE", lose).replace("PACE", str(pace)).replace("GROUPS", str(groups))
        return json.loads(run(Unix64(), script.replace("CHANGES", changes), heap="4m")[-1])

    return go


@pytest.mark.parametrize("way", WAYS)
@pytest.mark.parametrize("pace", [0, 2000])
def test_each_way_of_losing_the_measurement_is_loud_within_10_s(lost: Any, way: str, pace: int) -> None:
    got = lost(WAYS[way], pace)

    first_ms, loud_of_6000_ms = got["loud"]
    assert got["active"] >> 8 & 1, way  # not_watching
    assert first_ms < 10_000
    assert loud_of_6000_ms > 2000
    assert (8, 0) in _alarm_after(got["kept"])
    assert got["crimes"] == []


@pytest.mark.parametrize("way", ["front._whole_scan = broken", "rig.board.silent.add(8)"])
def test_the_divider_bank_is_as_loud(lost: Any, way: str) -> None:
    got = lost(way, 200, 7, "BANK")

    assert got["active"] >> 8 & 1
    assert got["loud"][0] < 10_000


def test_a_relay_stuck_at_boot_is_told_though_nobody_asked_for_scans() -> None:
    script = SCRIPT.split("rig = Rig(")[0] + (
        "rig = Rig(groups=8, keep=True, changes={'alarms': {}}, faults=[{'kind': 'stuck_relay', 'tap': 3}])\n"
        "at = vtime.ms; listen(rig); step_for(rig, 12000)\n"
        "show(active=rig.app.watch.alarms.active, loud=loud_ms(at), kept=bytes(rig.sink.kept).hex())"
    )
    got = json.loads(run(Unix64(), script, heap="1m")[-1])

    assert got["active"] >> 8 & 1
    assert got["loud"][0] < 10_000
    assert (8, 0) in _alarm_after(got["kept"])


def test_a_bus_that_dies_while_nothing_is_asked_for_is_a_fault_and_is_told() -> None:
    """Before, a failed opening in idle fed the watchdog and said nothing."""
    script = SCRIPT.split("rig = Rig(")[0] + (
        "rig = Rig(groups=8, keep=True, changes={'alarms': {}}); listen(rig); step_for(rig, 5000); at = vtime.ms\n"
        "rig.board.silent.add(32); step_for(rig, 12000); down = [rig.app.state, rig.app.watch.alarms.active]\n"
        "rig.board.silent.discard(32); step_for(rig, 12000)\n"
        "show(down=down, loud=loud_ms(at), up=[rig.app.state, rig.app.watch.alarms.active])"
    )
    got = json.loads(run(Unix64(), script, heap="1m")[-1])

    assert got["down"] == [2, 1 << 8]
    assert got["loud"][0] < 10_000
    assert got["up"] == [0, 0]


def test_it_ends_when_the_measurement_is_back_and_not_when_only_the_self_test_passes(lost: Any) -> None:
    got = lost("rig.board.silent.add(72); step_for(rig, 12000); rig.board.silent.discard(72)")
    alarms = _alarm_after(got["kept"])

    assert alarms == [(8, 0), (8, 1)]
    assert got["active"] == 0


def test_a_stop_that_was_asked_for_and_one_bad_scan_are_no_alarm(lost: Any) -> None:
    stopped = lost("rig.command(wire.STOP, 9)")
    once = lost("rig.board.fail_in = 30", 2000)

    assert stopped["active"] == once["active"] == 0
    assert _alarm_after(once["kept"]) == []


def test_a_pulled_harness_is_not_remembered_as_a_visit_below_discard(lost: Any) -> None:
    got = lost(WAYS["the harness is unplugged"])

    assert all(alarm in (4, 8) for alarm, _ in _alarm_after(got["kept"]))  # lead_open, not_watching
