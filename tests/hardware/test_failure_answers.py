"""What the failure table says of the board beyond its names: each sentence that had no test of its own elsewhere.

Run on the virtual board, whose parts follow data sheets from memory; `sentences.toml` says what is held where.
"""

from __future__ import annotations

import json
from typing import Any

import pytest
from evenstring.wire.stream import StreamDecoder
from evenstring_protocol import wire

from tests.firmware.rig.cases import CASES
from tests.firmware.rig.run import run
from tests.mp import Unix64

PRELUDE = (
    CASES
    + """
MUX = dict(RP2040_24["mux"], series_ohm=12080, bus_pf=5650)
def make(groups=24, keep=False, **changes):
    changes.update({"alarms": {}, "mux": MUX})
    rig = Rig(groups=groups, changes=changes, keep=keep)
    rig.world.loop_ohm = 24160
    rig.world.pair_tau_us = 136
    rig.app._self_test()
    return rig
def step_for(rig, ms):
    end = vtime.ms + ms
    while vtime.ms < end:
        wait = rig.app.step()
        if wait:
            vtime.sleep_ms(min(wait, 20))
"""
)


@pytest.fixture
def case() -> Any:
    def go(script: str) -> Any:
        return json.loads(run(Unix64(), PRELUDE + script, heap="2m")[-1])

    return go


@pytest.mark.parametrize(
    ("fault", "code"),
    [
        ({"kind": "zero_stuck"}, wire.FAULT_STUCK_RELAY),
        ({"kind": "decoder_many", "taps": [0, 2, 4, 6, 24]}, wire.FAULT_MUX),
    ],
)
def test_the_scan_itself_finds_it_ends_and_nothing_of_it_is_sent(case: Any, fault: dict[str, Any], code: int) -> None:
    """No self-test before: it came since the latest one."""
    got = case(
        "rig = make(keep=True); rig.app.scan_once()\n"
        f"rig.break_it([json.loads('{json.dumps(fault)}')]); rig.sink.kept[:] = b''\n"
        "ok = rig.app.scan_once()\n"
        "show(ok=ok, fault=rig.front.fault, open=[rig.world.even, rig.world.odd, rig.world.zero],\n"
        "    sent=bytes(rig.sink.kept).hex())"
    )

    assert not got["ok"]
    assert (got["fault"], got["open"]) == (code, [-1, -1, False])
    assert not StreamDecoder().feed(bytes.fromhex(got["sent"])).scans


def test_in_a_self_test_the_one_shot_is_not_fed_for_80_ms_with_a_group_closed(case: Any) -> None:
    got = case(
        "rig = make(); kicks = []; plain = rig.world.kick\n"
        "def kick():\n"
        "    kicks.append([vtime.ms, rig.world.even, rig.world.odd]); plain()\n"
        "rig.world.kick = kick; ok = rig.front.self_test(); show(ok=ok, kicks=kicks)"
    )
    kicks = got["kicks"]
    longest = max(range(1, len(kicks)), key=lambda k: kicks[k][0] - kicks[k - 1][0])

    assert got["ok"]
    assert 80 <= kicks[longest][0] - kicks[longest - 1][0] < 100


def test_before_a_fault_is_left_the_leads_are_measured_too(case: Any) -> None:
    """The contact went bad while a part did not answer."""
    got = case(
        "rig = make(); start(rig); step_for(rig, 2000); before = rig.app.watch.alarms.active\n"
        "rig.board.silent.add(72); step_for(rig, 6000); rig.break_it([{'kind': 'lead_ohm', 'tap': 7, 'ohm': 5000}])\n"
        "rig.board.silent.discard(72); step_for(rig, 8000)\n"
        "show(before=before, active=rig.app.watch.alarms.active, state=rig.app.state,\n"
        "    leads=list(rig.front.leads.lead_ohm))"
    )

    assert got["before"] == 0
    assert (got["state"], got["active"]) == (wire.STATE_SCANNING, 1 << wire.ALARM_BAD_CONTACT)
    assert got["leads"][7] == pytest.approx(5000, rel=0.2)


@pytest.mark.parametrize(("kohm", "named"), [(100, True), (220, True), (1000, False)])
def test_a_film_between_pins_is_named_from_250_kohm_down_and_seen_in_the_readings(
    case: Any, kohm: int, named: bool
) -> None:
    """Two leads of 12.08 kohm before a film of R: the group between reads 1 / (1 + 24.16 / R) of itself (Ohm's law)."""
    got = case(
        f"rig = make(); rig.break_it([{{'kind': 'bridge', 'tap': 7, 'other_tap': 8, 'ohm': {kohm * 1000}}}])\n"
        "rig.app._self_test(); rig.app.scan_once()\n"
        "show(active=rig.app.watch.alarms.active, read=rig.readings_uv()[7] / rig.volts_uv[7])"
    )

    assert bool(got["active"] >> wire.ALARM_BAD_CONTACT & 1) is named
    assert got["read"] == pytest.approx(1 / (1 + 24.16 / kohm), abs=0.005)


def test_the_zero_is_read_with_all_taps_open(case: Any) -> None:
    got = case(
        "rig = make(); seen = []; plain = rig.front.convert\n"
        "def convert():\n"
        "    seen.append([rig.world.even, rig.world.odd, rig.world.zero]); return plain()\n"
        "rig.front.convert = convert; rig.front.read_zero(); show(seen=seen)"
    )

    assert got["seen"] == [[-1, -1, True]]


@pytest.mark.parametrize(("uv", "is_scan"), [(4500, True), (-4500, True), (5500, False), (-5500, False)])
def test_a_zero_further_off_than_5_mv_is_no_scan(case: Any, uv: int, is_scan: bool) -> None:
    got = case(
        f"rig = make(); rig.break_it([{{'kind': 'converter_offset', 'uv': {uv}}}])\n"
        "show(ok=rig.app.scan_once(), fault=rig.front.fault)"
    )

    assert got["ok"] is is_scan
    assert got["fault"] == (wire.FAULT_NONE if is_scan else wire.FAULT_ADC)


@pytest.mark.parametrize(("bad", "state"), [(1, wire.STATE_SCANNING), (2, wire.STATE_SCANNING), (3, wire.STATE_FAULT)])
def test_one_bad_scan_is_a_gap_and_three_in_a_row_end_the_monitoring(case: Any, bad: int, state: int) -> None:
    got = case(
        "rig = make(keep=True); start(rig); step_for(rig, 3000); rig.sink.kept[:] = b''\n"
        "n = rig.front.bus_errors; plain = rig.front._whole_scan\n"
        "def failing():\n"
        f"    if rig.front.bus_errors - n < {bad}: raise OSError(5)\n"
        "    plain()\n"
        f"rig.front._whole_scan = failing; step_for(rig, 1000 * {bad} + 100)\n"
        "state = rig.app.state; opened = [rig.world.even, rig.world.odd]; step_for(rig, 1500)\n"
        "show(state=state, opened=opened, sent=bytes(rig.sink.kept).hex())"
    )
    rows = [row for found in StreamDecoder().feed(bytes.fromhex(got["sent"])).scans for row in found.rows]

    assert (got["state"], got["opened"]) == (state, [-1, -1])
    if state == wire.STATE_SCANNING:
        assert [bool(row["flags"] & wire.SCAN_GAP_BEFORE) for row in rows] == [True] + [False] * (len(rows) - 1)
    else:
        assert not rows


def test_the_islands_supply_is_taken_away_for_100_ms(case: Any) -> None:
    got = case(
        "rig = make(groups=12, island={'pin': 20, 'start_ms': 20}); log = []; plain = rig.board.pin_set\n"
        "def pin_set(number, level):\n"
        "    if number == 20: log.append([vtime.ms, level])\n"
        "    plain(number, level)\n"
        "rig.board.pin_set = pin_set; start(rig); step_for(rig, 2000); rig.board.hung.add(72); step_for(rig, 12000)\n"
        "show(log=log, state=rig.app.state)"
    )
    (off_ms, off), (on_ms, on) = got["log"]

    assert (off, on) == (0, 1)
    assert 100 <= on_ms - off_ms <= 101
    assert got["state"] == wire.STATE_SCANNING


def test_readings_that_do_not_settle_are_flagged_counted_and_told(case: Any) -> None:
    """300 kohm in the leads at both ends: the pair that is read twice moves between its two looks."""
    got = case(
        "rig = make(keep=True); start(rig); step_for(rig, 2000); before = rig.front.settle_fails\n"
        "rig.break_it([{'kind': 'lead_ohm', 'tap': t, 'ohm': 300000} for t in (0, 1, 23, 24)])\n"
        "step_for(rig, 3000); rig.sink.kept[:] = b''; step_for(rig, 11000)\n"
        "show(before=before, count=rig.front.settle_fails, sent=bytes(rig.sink.kept).hex())"
    )
    batch = StreamDecoder().feed(bytes.fromhex(got["sent"]))
    healths = [f.values for f in batch.frames if f.name == "HEALTH"]

    assert got["before"] == 0
    assert got["count"] > 3
    assert all(row["flags"] & wire.SCAN_UNSETTLED for found in batch.scans for row in found.rows)
    assert healths[-1]["fault"] == wire.FAULT_SETTLE
    assert healths[-1]["settle_fails"] > 0


@pytest.mark.parametrize("part", ["outputs", "direction"])
def test_outputs_that_read_back_otherwise_are_a_fault_of_the_multiplexer(case: Any, part: str) -> None:
    """A brown-out of the expander: the PCA9555 class comes back with every pin an input (data sheet, from memory)."""
    lost = (
        "p._registers[2] = p._registers[3] = 0xFF" if part == "outputs" else "p._registers[6] = p._registers[7] = 0xFF"
    )
    got = case(
        "rig = make(); p = rig.board.parts[32]; plain = p.write\n"
        f"def write(data):\n    plain(data); {lost}\n"
        "p.write = write; ok = rig.app.scan_once()\n"
        "show(ok=ok, fault=rig.front.fault, open=[rig.world.even, rig.world.odd])"
    )

    assert not got["ok"]
    assert (got["fault"], got["open"]) == (wire.FAULT_MUX, [-1, -1])


def test_a_damaged_block_on_flash_costs_itself_and_is_told(case: Any) -> None:
    """Blocks are not read back by the board: the CRC that stands with each lets the host count it."""
    got = case(
        "import os\n"
        "folder = '/tmp/evenstring-damaged'\n"
        "rig = make(groups=4, keep=True, recorder={'folder': folder, 'room_kb': 100}); start(rig, 0)\n"
        "rig.app.watch.recorder.set_mode(wire.RECORD_MODE_ON)\n"
        "for k in range(3):\n    step_for(rig, 4000); rig.app.watch.recorder.flush()\n"
        "rig.app.watch.recorder.set_mode(wire.RECORD_MODE_OFF); step_for(rig, 100)\n"
        "name = [n for n in os.listdir(folder) if n.endswith('.seg') or n.endswith('.alm')][0]\n"
        "data = open(folder + '/' + name, 'rb').read(); show(data=data.hex())\n"
        "for n in os.listdir(folder): os.remove(folder + '/' + n)\n"
        "os.rmdir(folder)"
    )
    data = bytes.fromhex(got["data"])
    whole = StreamDecoder()
    blocks = len([f for f in whole.feed(data).frames if f.name == "DELTA"]) or 3
    hurt = bytearray(data)
    at = len(data) // 2
    hurt[at] = hurt[at] ^ 0x55 or 1
    torn = StreamDecoder()
    torn.feed(bytes(hurt))

    assert blocks >= 2
    assert (whole.frames_damaged, torn.frames_damaged) == (0, 1)
    assert torn.frames_good == whole.frames_good - 1
