"""The relay-scan front end on register-level parts: numbers, faults, and what they are called."""

from __future__ import annotations

import json

import pytest

from tests.firmware.rig.run import run, run_cpython
from tests.mp import Unix64

CASES = """
import json, vtime
from rig import Rig
from evenstring_protocol import wire
def show(**values):
    print(json.dumps(values))
def state(rig):
    app = rig.app
    return [app.state, app._fault, app._fault_where]
"""


@pytest.fixture
def case():
    """Run lines on the 64-bit MicroPython and return the object that the last `show` printed."""

    def go(script: str) -> dict:
        return json.loads(run(Unix64(), CASES + script)[-1])

    return go


def test_readings_follow_the_pack_within_half_a_millivolt(case):
    """3 sigma of 75 uV noise and a 187.5 uV step, mean of two passes, is 0.3 mV."""
    got = case("rig = Rig(); rig.app.scan_once(); show(got=rig.readings_uv(), true=rig.volts_uv)")

    assert max(abs(a - b) for a, b in zip(got["got"], got["true"], strict=True)) < 500


@pytest.mark.parametrize("groups", [1, 2, 3, 40])
def test_any_number_of_groups(case, groups):
    got = case(
        f"rig = Rig(groups={groups}); ok = rig.app.scan_once(); show(ok=ok, got=rig.readings_uv(), true=rig.volts_uv)"
    )

    assert got["ok"]
    assert max(abs(a - b) for a, b in zip(got["got"], got["true"], strict=True)) < 500


def test_a_reversed_group_reads_negative_and_a_dead_one_near_zero(case):
    got = case(
        "v = [3700000] * 24; v[4] = -800000; v[9] = 0\n"
        "rig = Rig(v); ok = rig.app.scan_once(); show(ok=ok, got=rig.readings_uv())"
    )

    assert got["ok"]
    assert abs(got["got"][4] + 800000) < 500
    assert abs(got["got"][9]) < 500


def test_over_range_keeps_its_sign_and_is_no_fault(case):
    """6.144 V ends the converter's range; polarity alternates with the group."""
    got = case(
        "v = [3700000] * 24; v[2] = 7400000; v[5] = 7400000; v[8] = -7000000\n"
        "rig = Rig(v); ok = rig.app.scan_once(); show(ok=ok, raw=list(rig.front.readings)[:24], s=state(rig))"
    )

    assert got["ok"]
    assert [got["raw"][k] for k in (2, 5, 8)] == [32767, 32767, -32767]


@pytest.mark.parametrize("tap", [0, 1, 7, 23, 24])
def test_an_open_lead_is_named_and_its_neighbours_are_not(case, tap):
    got = case(
        f'rig = Rig(faults=[{{"kind": "lead_open", "tap": {tap}}}]); ok = rig.app.scan_once()\n'
        "show(ok=ok, raw=list(rig.front.readings)[:24])"
    )

    touched = [g for g in (tap, tap + 1) if 1 <= g <= 24]
    opened = [g + 1 for g, code in enumerate(got["raw"]) if code == -32766]
    assert got["ok"]
    assert opened == touched


@pytest.mark.parametrize("tap", [0, 1, 6, 13, 24])
def test_a_stuck_relay_ends_monitoring_and_is_named(case, tap):
    got = case(
        f'rig = Rig(faults=[{{"kind": "stuck_relay", "tap": {tap}, "start_s": 2}}])\n'
        "first = rig.app.scan_once(); vtime.sleep_ms(3000); rig.app.scan_once()\n"
        "show(first=first, s=state(rig), even=rig.world.even, odd=rig.world.odd, crimes=rig.world.crimes)"
    )

    assert got["first"]
    assert got["s"] == [2, 3, tap]  # fault, stuck_relay, where
    assert (got["even"], got["odd"], got["crimes"]) == (-1, -1, [])


def test_a_relay_stuck_at_boot_is_found_before_the_first_scan(case):
    got = case('rig = Rig(faults=[{"kind": "stuck_relay", "tap": 12}]); show(s=state(rig))')

    assert got["s"] == [2, 3, 12]


@pytest.mark.parametrize("address", [32, 72])
def test_a_part_that_stops_answering_opens_everything_and_comes_back(case, address):
    got = case(
        "rig = Rig(); rig.command(wire.START, 1, bytes(4)); rig.app.poll()\n"
        f"rig.board.silent.add({address})\n"
        "for _ in range(4): rig.app.poll(); vtime.sleep_ms(100)\n"
        "down = state(rig); even = rig.world.even; odd = rig.world.odd\n"
        f"rig.board.silent.discard({address}); vtime.sleep_ms(6000)\n"
        "for _ in range(3): rig.app.poll()\n"
        "show(down=down, even=even, odd=odd, up=state(rig), fed=rig.fed, bus=rig.front.bus_errors)"
    )

    assert got["down"][:2] == [2, 1]
    assert (got["even"], got["odd"]) == (-1, -1)
    assert got["up"][:2] == [1, 0]
    assert got["fed"] >= 5
    assert got["bus"] >= 3


def test_a_bus_held_low_is_freed_with_nine_clocks(case):
    """UM10204, I2C-bus specification: a device that holds SDA low is freed by up to nine clocks."""
    got = case(
        "rig = Rig(); rig.command(wire.START, 1, bytes(4)); rig.app.poll(); rig.board.bus_low = True\n"
        "for _ in range(4): rig.app.poll(); vtime.sleep_ms(100)\n"
        "down = state(rig); vtime.sleep_ms(6000)\n"
        "for _ in range(3): rig.app.poll()\n"
        "show(down=down, up=state(rig), low=rig.board.bus_low)"
    )

    assert got["down"][:2] == [2, 1]
    assert got["up"][:2] == [1, 0]
    assert got["low"] is False


def test_a_converter_at_full_scale_with_shorted_lines_is_a_fault(case):
    got = case(
        'rig = Rig(faults=[{"kind": "converter_offset", "uv": 7000000, "start_s": 2}]); rig.app.scan_once()\n'
        "vtime.sleep_ms(3000)\n"
        "for _ in range(3): rig.app.scan_once()\n"
        "show(s=state(rig), even=rig.world.even, odd=rig.world.odd)"
    )

    assert got["s"][:2] == [2, 2]
    assert (got["even"], got["odd"]) == (-1, -1)


def test_calibration_is_exact_to_a_step_at_the_extremes(case):
    """The board's v + (v // 64 * ppm) // 15625 against plain arithmetic."""
    got = case(
        "out = []\n"
        "for ppm in (-10000, -1, 0, 1, 10000):\n"
        "    cal = {'offset_uv': [50000] * 24, 'gain_ppm': [ppm] * 24}\n"
        "    rig = Rig(changes={'calibration': cal})\n"
        "    for uv in (-6000000, -3, 0, 4200000, 6000000):\n"
        "        out.append([ppm, uv, rig.front._steps(3, uv)])\n"
        "show(out=out)"
    )

    for ppm, uv, steps in got["out"]:
        assert abs(steps * 200 - (uv + 50000) * (1 + ppm * 1e-6)) <= 200


def test_the_stated_scan_time_is_what_a_scan_takes(case):
    got = case("rig = Rig(); t = vtime.ms; rig.app.scan_once(); show(took=vtime.ms - t, said=rig.front.scan_ms())")

    assert abs(got["took"] - got["said"]) <= 0.1 * got["said"]


def test_zero_is_read_and_taken_off(case):
    got = case(
        'rig = Rig(faults=[{"kind": "converter_offset", "uv": 1500}])\n'
        "for _ in range(3): rig.app.scan_once()\n"
        "show(zero=rig.front.zero_uv, got=rig.readings_uv(), true=rig.volts_uv)"
    )

    assert abs(got["zero"] - 1500) < 200
    assert max(abs(a - b) for a, b in zip(got["got"], got["true"], strict=True)) < 600


def test_the_one_shot_opens_everything_when_the_firmware_hangs(case):
    got = case(
        "rig = Rig(); rig.front.mux.close_group(5); shut = [rig.world.even, rig.world.odd]\n"
        "vtime.sleep_ms(60); rig.world.line_uv(0); show(shut=shut, then=[rig.world.even, rig.world.odd])"
    )

    assert got["shut"] == [4, 5]
    assert got["then"] == [-1, -1]


def test_the_same_files_scan_under_cpython():
    line = run_cpython(
        CASES + "rig = Rig(); ok = rig.app.scan_once(); show(ok=ok, got=rig.readings_uv(), true=rig.volts_uv)"
    )
    got = json.loads(line[-1])

    assert got["ok"]
    assert max(abs(a - b) for a, b in zip(got["got"], got["true"], strict=True)) < 500


MID_SCAN = """
out = []
for tap in TAPS:
    for at in range(0, 2 * GROUPS, STEP):
        rig = Rig(groups=GROUPS)
        rig.app.scan_once()
        plain = rig.front._read_into
        began = [0]
        def breaks(group, slot, switch):
            if slot == at:
                rig.break_it([{"kind": "stuck_relay", "tap": tap}])
                began[0] = vtime.ms
            return plain(group, slot, switch)
        rig.front._read_into = breaks
        rig.front.scan()
        out.append([at, tap, rig.front.fault, rig.front.fault_where, vtime.ms - began[0]])
show(out=out)
"""


@pytest.mark.parametrize(("groups", "taps"), [(24, [0, 7, 12, 23, 24]), (36, [0, 17, 35, 36])])
def test_a_relay_that_sticks_mid_scan_ends_that_scan_at_once_however_far_away(case, groups, taps):
    """It puts more than a group between the lines, not nothing: before, up to 460 commands to close came after it."""
    script = MID_SCAN.replace("TAPS", repr(taps)).replace("GROUPS", str(groups)).replace("STEP", "5")
    got = case(script)["out"]

    assert [(fault, where) for _, _, fault, where, _ in got] == [(3, tap) for _, tap, *_ in got]
    assert max(took_ms for *_, took_ms in got) < 150


@pytest.mark.parametrize("group", [1, 6, 8])
def test_a_group_beyond_the_range_stands_so_in_both_passes_and_the_scan_is_settled(case, group):
    """Looking for a stuck relay because of it leaves other relays closed: the turn of the passes must read on."""
    got = case(
        f"v = [3700000] * 8; v[{group - 1}] = 7400000\n"
        "rig = Rig(v, groups=8); ok = rig.app.scan_once()\n"
        "show(ok=ok, raw=list(rig.front.readings), unsettled=rig.front.flags & wire.SCAN_UNSETTLED)"
    )

    assert got["ok"]
    assert [k for k, raw in enumerate(got["raw"]) if raw == 32767] == [group - 1, 8 + group - 1]
    assert max(abs(raw * 200 - 3_700_000) for raw in got["raw"] if raw != 32767) < 600
    assert not got["unsettled"]
