"""The divider bank: numbers within its own bound, refused above it, disconnected when idle."""

from __future__ import annotations

import json

import pytest

from tests.firmware.run import run
from tests.firmware.test_app import CASES
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


@pytest.fixture
def case():
    def go(script: str) -> dict:
        return json.loads(run(Unix64(), CASES + BANK + script)[-1])

    return go


@pytest.mark.parametrize("groups", [1, 7, 8, 9, 20])
def test_groups_are_right_within_a_step_of_the_top_divider(case, groups):
    """A step is full scale / 65536; a group is a difference of two taps; four looks do not help without noise."""
    got = case(
        f"rig = Rig(groups={groups}, changes=bank({groups}, claim_uv=9000)); ok = rig.app.scan_once()\n"
        f"show(ok=ok, got=[v * 200 for v in rig.front.readings], true=rig.volts_uv, current=list(rig.front.currents))"
    )

    step_uv = 5_000_000 * groups / 65536
    assert got["ok"]
    assert max(abs(a - b) for a, b in zip(got["got"], got["true"], strict=True)) <= 2 * step_uv + 400
    assert got["current"] == [500]


def test_it_is_refused_above_the_string_its_error_allows(case):
    """24 groups of 4.35 V with 100 ppm between two dividers: 10.4 mV and a step of 1.6 mV."""
    got = case(
        "data = dict(RP2040_24); data.update(bank(24, mismatch_ppm=100))\n"
        "app = make_app(data, boards.check(data), lambda b, n: n, lambda: None); app.begin()\n"
        "show(problem=app._problem, state=app.state)"
    )

    assert "12033 uV" in got["problem"]
    assert got["state"] == 2


def test_dividers_are_joined_for_a_scan_only(case):
    got = case(
        "rig = Rig(groups=7, changes=bank()); seen = []\n"
        "whole = rig.board.spi_exchange\n"
        "def look(out, into):\n    seen.append(rig.board._levels.get(7, 0)); whole(out, into)\n"
        "rig.board.spi_exchange = look; rig.app.scan_once(); show(during=min(seen), after=rig.board._levels[7])"
    )

    assert got == {"during": 1, "after": 0}


def test_an_absent_converter_is_a_fault_and_not_a_dead_string(case):
    got = case(
        "rig = Rig(groups=7, changes=bank()); rig.app.scan_once(); rig.board.silent.add(8)\n"
        "ok = rig.front.self_test(); show(ok=ok, fault=rig.front.fault)"
    )

    assert got == {"ok": False, "fault": 1}
