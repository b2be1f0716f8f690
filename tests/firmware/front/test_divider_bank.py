"""The divider bank: numbers within its own bound, refused above it, disconnected when idle."""

from __future__ import annotations

import json
import math
import statistics

import pytest
from evenstring.hardware.budget import budget_of
from evenstring.hardware.front_end import parse_front_end

from tests.firmware.rig.cases import CASES
from tests.firmware.rig.run import run
from tests.mp import Unix64

BANK = """
def bank(groups=7, **changes):
    b = {"spi": 0, "sck": 18, "mosi": 19, "miso": 16, "enable_pin": 7,
         "settle_us": 500, "mismatch_ppm": 20, "claim_uv": 3333,
         "full_mv": [5000 * (g + 1) for g in range(groups)]}
    b["select_pins"] = [8, 9, 10, 11, 12][: (groups + 7) // 8]
    b.update(changes)
    return {"front_end": "divider_bank", "bank": b, "mux": None, "adc": None}
"""


PARTS = pytest.mark.parametrize("part", ["ads8688", "ltc1867"])
STEP_V = 5.0 / 65536  # of a divider's step, for each group below the tap


@pytest.fixture
def case(runtime):
    def go(script: str) -> dict:
        return json.loads(run(runtime, CASES + BANK + script)[-1])

    return go


@PARTS
@pytest.mark.parametrize("groups", [1, 7, 8, 9, 20])
def test_groups_are_right_within_the_noise_of_the_top_divider(case, part, groups):
    """Full scale / 65536 a step; noise of 0.6 or 0.8 steps (92 and 89 dB), four conversions a tap, two taps."""
    got = case(
        f"rig = Rig(groups={groups}, changes=bank({groups}, part={part!r}, claim_uv=9000)); ok = rig.app.scan_once()\n"
        f"show(ok=ok, got=[v * 200 for v in rig.front.readings], true=rig.volts_uv, current=list(rig.front.currents))"
    )

    step_uv = 1e6 * STEP_V * groups
    noise_uv = step_uv * {"ads8688": 0.6, "ltc1867": 0.8}[part] * math.sqrt(2 / 4)
    assert got["ok"]
    assert max(abs(a - b) for a, b in zip(got["got"], got["true"], strict=True)) <= 4 * noise_uv + step_uv + 400
    assert got["current"] == [500]


@PARTS
def test_the_models_make_the_noise_that_the_budget_states(part):
    """At tap 8 of 8 over 400 scans; full scale 40 V, so a step of 0.61 mV shakes well above the wire's 0.2 mV."""
    script = (
        f"rig = Rig(groups=8, changes=bank(8, part={part!r}, conversions=1)); seen = []\n"
        "for _ in range(400):\n    rig.app.scan_once(); seen.append(rig.front.readings[7])\n"
        "show(seen=seen)"
    )
    seen = json.loads(run(Unix64(), CASES + BANK + script, heap="2m")[-1])["seen"]

    design = f'kind = "divider_bank"\n[string]\ngroups = 8\ngroup_max_v = 5.0\n[converter]\npart = "{part}"\n'
    stated = budget_of(parse_front_end(design + "conversions = 1", "test"))
    # Two taps at 40 V and 35 V, and the step of each: a rectangle, so step / sqrt 12 (any handbook).
    two = 0.2 * statistics.pstdev(seen)
    expected = stated.value("noise_mv") * math.sqrt((40**2 + 35**2) / (2 * 40**2))
    rounding = stated.value("step_mv") * math.sqrt((1 + (35 / 40) ** 2) / 12)
    assert two == pytest.approx(math.hypot(expected, rounding), rel=0.15)


def test_it_is_refused_above_the_string_its_error_allows(case):
    """24 groups of 4.35 V with 100 ppm between two dividers: 10.44 mV, and two steps of 1.593 mV."""
    got = case(
        "data = dict(RP2040_24); data.update(bank(24, mismatch_ppm=100))\n"
        "app = make_app(data, boards.check(data), lambda b, n: n, lambda: None); app.begin()\n"
        "show(problem=app._problem, state=app.state)"
    )

    assert "13626 uV" in got["problem"]
    assert got["state"] == 2


def test_a_part_that_is_not_known_is_refused(case):
    got = case("data = dict(RP2040_24); data.update(bank(7, part='other')); show(problem=boards.check(data))")

    assert got["problem"] == "bank.part is not known"


def test_dividers_are_joined_for_a_scan_only(case):
    got = case(
        "rig = Rig(groups=7, changes=bank()); seen = []\n"
        "whole = rig.board.spi_exchange\n"
        "def look(out, into):\n    seen.append(rig.board._levels.get(7, 0)); whole(out, into)\n"
        "rig.board.spi_exchange = look; rig.app.scan_once(); show(during=min(seen), after=rig.board._levels[7])"
    )

    assert got == {"during": 1, "after": 0}


@PARTS
def test_an_absent_converter_is_a_fault_and_not_a_dead_string(case, part):
    got = case(
        f"rig = Rig(groups=9, changes=bank(9, part={part!r})); rig.app.scan_once(); rig.board.silent.add(9)\n"
        "scan = rig.front.scan(); during = rig.front.fault, rig.board._levels[7]\n"
        "ok = rig.front.self_test(); show(ok=ok, fault=rig.front.fault, scan=scan, during=during)"
    )

    assert got == {"ok": False, "fault": 1, "scan": False, "during": [1, 0]}


@PARTS
def test_a_converter_that_ends_with_the_heap_locked_is_a_fault_too(runtime, part):
    script = f"""
import micropython
rig = Rig(groups=9, changes=bank(9, part={part!r}))
def go():
    rig.front.scan()
    rig.board.silent.add(9)
    micropython.heap_lock()
    scan = rig.front.scan()
    micropython.heap_unlock()
    show(scan=scan, fault=rig.front.fault)
go()
"""
    assert json.loads(run(runtime, CASES + BANK + script)[-1]) == {"scan": False, "fault": 1}


OPEN = -32766
GROUP = 18500


@PARTS
@pytest.mark.parametrize(
    ("off", "expected"),
    [
        ([1], [OPEN, OPEN] + [GROUP] * 7),
        ([5], [GROUP] * 4 + [OPEN, OPEN] + [GROUP] * 3),
        ([9], [GROUP] * 8 + [OPEN]),
        ([1, 2], [OPEN] * 3 + [GROUP] * 6),
        (list(range(1, 10)), [OPEN] * 9),
    ],
    ids=["lowest", "middle", "highest", "two", "unplugged"],
)
def test_a_lead_that_is_off_is_said_to_be_off(case, part, off, expected):
    got = case(
        f"rig = Rig(groups=9, volts_uv=[3700000] * 9, changes=bank(9, part={part!r}))\n"
        f"rig.break_it([{{'kind': 'lead_open', 'tap': t}} for t in {off}])\n"
        "ok = rig.app.scan_once(); show(ok=ok, got=list(rig.front.readings))"
    )

    assert got["ok"]
    for want, value in zip(expected, got["got"], strict=True):
        assert value == want if want == OPEN else abs(value - want) < 30


def test_dead_and_reversed_groups_are_numbers_and_no_open_leads(case):
    got = case(
        "rig = Rig(groups=6, volts_uv=[0, 0, 3700000, 3700000, -400000, 3700000], changes=bank(6))\n"
        "rig.app.scan_once(); show(got=list(rig.front.readings))"
    )

    assert [round(v / 5000, 1) for v in got["got"]] == [0, 0, 3.7, 3.7, -0.4, 3.7]


def test_a_tap_over_its_range_is_over_and_the_group_above_it_unknown(case):
    got = case(
        "rig = Rig(groups=9, changes=bank(9)); rig.volts_uv[7] = 17000000; rig.pack.values[8] = 17000000\n"
        "ok = rig.app.scan_once(); show(ok=ok, got=list(rig.front.readings)[6:])"
    )

    assert got["ok"]
    assert got["got"][1:] == [32767, 32767]


def test_the_spi_mode_is_that_of_the_part(case):
    """Data sheets, from memory: the one takes data at the falling edge, the other at the rising one."""
    got = case(
        "import machine; seen = []; plain = machine.SPI.__init__\n"
        "def look(self, ident, **k):\n    seen.append(k.get('phase')); plain(self, ident, **k)\n"
        "machine.SPI.__init__ = look\n"
        "Rig(groups=7, changes=bank(part='ads8688')); Rig(groups=7, changes=bank(part='ltc1867')); show(seen=seen)"
    )

    assert got["seen"] == [1, 0]
