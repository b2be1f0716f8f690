"""Each row of the failure table on the virtual board: the firmware's answer is the name that the table gives, no other.

The rows' `virtual` faults are given to the models; the answer is read off the front end, the alarms and the latch.
"""

from __future__ import annotations

import json
import tomllib
from functools import cache
from pathlib import Path
from typing import Any

import pytest
from evenstring.paths import protocol_dir
from evenstring_protocol import wire

from tests.firmware.rig.run import run
from tests.mp import Unix64

NOTES = Path(__file__).parents[2] / "hardware_notes"
ROWS = tomllib.loads((NOTES / "failure_modes.toml").read_text(encoding="utf-8"))["mode"]
TRIED = [row for row in ROWS if {"virtual", "volts", "dead_group"} & set(row)]
CASE = """
import json
from rig import Rig
volts = {volts}
rig = Rig(volts, changes={{"alarms": {{}}, "mux": {mux}}})
healthy = rig.app.scan_once() if volts[0] > 0 else True
before = rig.app.watch.alarms.active if min(volts) > 3000000 else 0
rig.break_it(json.loads('{faults}'))
runs = rig.app._self_test() if {boot} else True
for _ in range(6):
    runs = runs and rig.app.scan_once()
alarms = rig.app.watch.alarms
print(json.dumps([healthy, before, rig.front.fault, alarms.active, alarms.latched, list(rig.front.readings)[:24]]))
"""
MUX = {"part": "pca9555", "address": 32, "alive_pin": 6, "relay_on_us": 2000, "relay_off_us": 1000,
    "series_ohm": 12080, "bus_pf": 5650}  # fmt: skip


@cache
def printed(script: str) -> str:
    """What the board says of one fault, which several tests look at."""
    return run(Unix64(), script, heap="2m")[-1]


def answer(row: dict[str, Any], boot: bool = True) -> tuple[int, set[str], set[str], list[int]]:
    """Fault, active alarms, latched alarms and readings after the fault came, with a self-test or without."""
    volts = [round(1e6 * row.get("volts", 3.7)) + 1000 * g for g in range(24)]
    if "dead_group" in row:
        volts[row["dead_group"] - 1] = 0
    script = CASE.format(volts=volts, mux=json.dumps(MUX), faults=json.dumps(row.get("virtual", [])), boot=boot)
    healthy, before, fault, active, latched, readings = json.loads(printed(script))
    assert healthy
    assert before == 0

    def names(bits: int) -> set[str]:
        return {name for name, bit in ALARMS.items() if bits >> bit & 1}

    return fault, names(active), names(latched), readings


ALARMS = tomllib.loads((protocol_dir() / "messages.toml").read_text(encoding="utf-8"))["enums"]["alarm"]


@pytest.mark.parametrize("row", TRIED, ids=lambda row: row["what"][:40])
def test_the_board_answers_by_the_name_that_the_table_gives(row: dict[str, Any]) -> None:
    fault, active, _, readings = answer(row)
    expected = getattr(wire, "FAULT_" + row["fault"].upper()) if "fault" in row else wire.FAULT_NONE
    assert fault == expected
    if "alarm" in row:
        assert active == {row["alarm"], *row.get("also", ())}
    else:
        assert active <= {"not_watching"}
    if "reading" in row:
        assert getattr(wire, row["reading"].upper()) in readings


@pytest.mark.parametrize("row", [r for r in TRIED if "dead_group" not in r], ids=lambda row: row["what"][:40])
def test_what_is_wrong_with_leads_or_relays_never_latches_a_cell(row: dict[str, Any]) -> None:
    """Below discard, reversed and over the ceiling are said of cells, and are kept for good."""
    assert answer(row)[2] == set()
    assert answer(row, boot=False)[2] == set()


def test_two_leads_far_apart_swapped_are_no_cells_either() -> None:
    row = {"virtual": [{"kind": "swapped_leads", "tap": 3, "other_tap": 17}]}
    fault, active, latched, _ = answer(row)
    assert (fault, active, latched) == (wire.FAULT_NONE, {"lead_order"}, set())


def test_ends_of_the_string_touching_are_named_and_bounded() -> None:
    fault, active, latched, _ = answer({"virtual": [{"kind": "bridge", "tap": 0, "other_tap": 24, "ohm": 0}]})
    assert (fault, active, latched) == (wire.FAULT_NONE, {"lead_order"}, set())


def test_a_plug_that_is_out_is_not_watching_and_no_dead_pack() -> None:
    row = {"virtual": [{"kind": "lead_open", "tap": tap} for tap in range(25)]}
    fault, active, latched, readings = answer(row)
    assert fault == wire.FAULT_NONE
    assert "not_watching" in active  # one loud alarm, not one for each of 25 leads
    assert active <= {"lead_open", "not_watching"}
    assert latched == set()
    assert set(readings) == {wire.LEAD_OPEN}


@pytest.mark.parametrize("tap", [0, 1, 12, 23, 24])
def test_a_stuck_relay_anywhere_is_found_and_a_healthy_board_is_not_accused(tap: int) -> None:
    assert answer({"virtual": [{"kind": "stuck_relay", "tap": tap}]})[0] == wire.FAULT_STUCK_RELAY
    assert answer({"virtual": []})[:3] == (wire.FAULT_NONE, set(), set())


def test_a_lead_with_twice_its_resistors_is_seen() -> None:
    """The review held it for unseen; what went unseen was a lead with none."""
    fault, active, _, _ = answer({"virtual": [{"kind": "lead_ohm", "tap": 9, "ohm": 12080}]})
    assert (fault, active) == (wire.FAULT_NONE, {"bad_contact"})
    fault, active, _, _ = answer({"virtual": [{"kind": "lead_ohm", "tap": 9, "ohm": -12000}]})
    assert (fault, active) == (wire.FAULT_NONE, {"bad_contact"})
