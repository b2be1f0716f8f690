"""Figures that are neither a budget's nor a circuit's: worked here, each with its calculation in words.

`NUMBERS` are what the pages ask for by name; `review_rows` sets the figures of an outside review beside ours.
"""

from __future__ import annotations

import json
import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path

from evenstring.hardware.budget import budget_of
from evenstring.hardware.bus import bus_pf, common_ohm, settle_us, worst_drive_a
from evenstring.hardware.front_end import RelayScan, Series, String
from evenstring.hardware.procedures import line_seen_v
from evenstring.hardware.reference import reference_design
from stress.cases import FAULTS

__all__ = ["NUMBERS", "review_rows"]

_HERE = Path(__file__).parent
_REVIEWED = RelayScan(
    series=Series(ohm=12000.0, part_w=0.25),
    bus=replace(RelayScan().bus, bias_ohm=2.4e6, bias_v=2.9, supply_min_v=5.0),
)
_REVIEWED_36 = replace(_REVIEWED, string=String(groups=36), series=Series(ohm=16000.0))
GROUP_OHM = 3e-3  # of one group with its share of bars; common practice for 15 to 25 Ah, take your own
LEAD_OHM = 0.107  # half a metre of 28 AWG at 0.213 ohm a metre; IEC 60228 gives 0.08 mm2 much the same


def _spice(name: str, key: str) -> float:
    return float(json.loads((_HERE / "circuits" / "results.json").read_text(encoding="utf-8"))[name][key])


def _left_v(more_ohm: float, pf: float, wait_us: float, ohm: float = 12000.0, swing_v: float = 8.7) -> float:
    """What is left of a swing after the wait, with a contact of that many ohm more."""
    return swing_v * math.exp(-wait_us / ((2 * ohm + more_ohm) * pf * 1e-6))


def _slow_ohm(limit_v: float, d: RelayScan) -> float:
    """Contact resistance at which a reading is off by that much because it has not settled."""
    pf, wait_us = bus_pf(d), settle_us(d.series.ohm, bus_pf(d))
    return wait_us / (math.log(2 * d.string.group_max_v / limit_v) * pf * 1e-6) - 2 * d.series.ohm


def _prospective_a(groups: int, leads: int) -> float:
    """Short circuit through leads with no resistor in them."""
    return groups * 4.35 / (groups * GROUP_OHM + leads * LEAD_OHM)


def _room_pf(d: RelayScan) -> float:
    """Barrier capacitance at which 50 Hz and 162 V peak use up the inputs' room."""
    room, earth = budget_of(d).value("room_v"), budget_of(d).value("earth_v")
    return d.barrier.pf * room / earth


_D = reference_design(24)
_B = budget_of(_D)

NUMBERS: dict[str, Callable[[], float]] = {
    "slow_ohm": lambda: _slow_ohm(2e-3, _D),
    "slow_50k_v": lambda: _left_v(50e3, _B.value("bus_pf"), _B.value("settle_us"), _D.series.ohm),
    "room_pf": lambda: _room_pf(_D),
    "tie_ma": lambda: 104.4 / 30e3 * 1e3,
    "line_seen_v": lambda: line_seen_v(_D),
    "prospective_far_a": lambda: _prospective_a(24, 2),
    "prospective_near_a": lambda: 4.35 / GROUP_OHM,
    "breaking_a": lambda: 1.5 * 4.35 / GROUP_OHM,
    "group_mohm": lambda: GROUP_OHM * 1e3,
    "meter_low_percent": lambda: 100 * 2 * _D.series.ohm / 10e6,
    "meter_low_mv": lambda: 4.2e3 * 2 * _D.series.ohm / 10e6,
    "seen_alone_v": lambda: _spice("relay_24.alone_unheld", "seen_v"),
    "seen_held_mv": lambda: _spice("relay_24.alone_held", "seen_v") * 1e3,
    "leads_mv_per_na": lambda: 1e3 * 1e-9 * 5e6,
    "island_ohm": lambda: common_ohm(_D) * 1e-6,
    "cases": lambda: float(len(FAULTS)),
    "touch_ua": lambda: 2 * math.pi * 50 * 162 * (2 * _D.barrier.pf + 26 * _D.relay.led_pf) * 1e-12 * 1e6,
    "lead_nc": lambda: 100e-12 * 8.7 * 1e9,
    "bleed_mv": lambda: 50 * 0.13,
    "resistors": lambda: 2.0 * (_D.string.groups + 1),
}


@dataclass(frozen=True, slots=True)
class Row:
    """One figure of the review: what, theirs, ours in the same unit, how it is worked."""

    what: str
    theirs: float
    ours: float
    unit: str
    how: str
    within: float = 0.03  # relative difference that still counts as reproduced

    @property
    def verdict(self) -> str:
        """Reproduced, or what differs."""
        near = abs(self.ours - self.theirs) <= self.within * abs(self.theirs)
        return "reproduced" if near else "differs"


def review_rows() -> list[Row]:
    """The review's figures for the circuit as it was then, worked anew; and what the same is now, where it differs."""
    old, old36 = budget_of(_REVIEWED), budget_of(_REVIEWED_36)
    seen = old.value("load_mohm")
    return [*_fault_rows(old, old36), *_bus_rows(), *_other_rows(seen, old, old36)]


def _fault_rows(old, old36) -> list[Row]:  # type: ignore[no-untyped-def]  # two budgets
    return [
        Row("two leads touching, 24 groups, 12 kohm", 4.35, old.value("fault_ma"), "mA", "104.4 V / 24 kohm"),
        Row("the same, 36 groups, 16 kohm", 4.89, old36.value("fault_ma"), "mA", "156.6 V / 32 kohm"),
        Row("40 groups with 16 kohm", 5.44, 174 / 32e3 * 1e3, "mA", "174 V / 32 kohm: refused"),
        Row("40 groups with 18 kohm", 4.83, 174 / 36e3 * 1e3, "mA", "174 V / 36 kohm"),
        Row("decoder drives many, 24", 6.09, worst_drive_a(_REVIEWED) * 1e3, "mA", "top tap against taps 0, 2, 4, 6"),
        Row("heat in a 0.25 W resistor then", 0.22, old.value("many_w"), "W", "squared, x 6 kohm: 0.5 W now"),
        Row("decoder drives many, 36", 7.25, worst_drive_a(_REVIEWED_36) * 1e3, "mA", "the same"),
        Row("heat in a 0.5 W resistor then", 0.42, old36.value("many_w"), "W", "squared, x 8 kohm: 1 W now"),
        Row("two stuck relays in storage, full string", 0.73, 104.4 / 24e3 * 168, "Ah/week", "4.35 mA x 168 h"),
        Row("the same, next to each other on a line", 0.06, 8.7 / 24e3 * 168, "Ah/week", "8.7 V / 24 kohm x 168 h"),
        Row("barrier test: 25 open relays of 50 Gohm", 2.1, 50 / 24, "Gohm", "24 of them, one of the 25 aside; 2.0 for 25"),
        Row("500 V then stands on the contacts", 338, 500 * (50 / 24) / (50 / 24 + 1.0), "V",
            "2.08 Gohm in series with a barrier of 1 Gohm"),
        Row("and on the barrier", 162, 500 / (50 / 24 + 1.0), "V", "the rest: it was hardly tested"),
        Row("prospective current at the far end, 36", 470, 156.6 / (36 * GROUP_OHM + 2 * LEAD_OHM), "A",
            "3 mohm a group, half a metre of 28 AWG each way: our assumption, theirs is not stated", 0.15),
        Row("energy of 22 uF at the full string, 36", 0.27, 0.5 * 22e-6 * 157**2, "J", "C V^2 / 2"),
        Row("peak of plugging it in through 0.35 ohm", 450, 157 / 0.35, "A",
            f"with no inductance at all; {_spice('relay_36.plug_bare', 'peak_a'):.0f} A with 0.1 uH of leads"),
        Row("ringing nears twice the string", 2 * 157, _spice("relay_36.plug_ringing", "peak_v"), "V",
            "1 uF behind 2 uH and 0.35 ohm (ngspice); damped leads ring less", 0.2),
    ]  # fmt: skip


def _bus_rows() -> list[Row]:
    wait, wait36 = settle_us(12e3, 3300), settle_us(16e3, 3300)
    return [
        Row("time constant with 100 pF a relay, 24", 93.6, 24e3 * 3900e-6, "us", "24 kohm x (3300 + 600) pF"),
        Row("left of the swing then", 0.64, _left_v(0, 3900, wait) * 1e3, "mV", "8.7 V exp(-891 us / 93.6 us)"),
        Row("the same, 36", 1.32, _left_v(0, 4200, wait36, 16e3) * 1e3, "mV", "4200 pF x 32 kohm"),
        Row("with 200 pF, 24", 2.3, _left_v(0, 4500, wait) * 1e3, "mV", "4500 pF"),
        Row("with 200 pF, 36", 6.2, _left_v(0, 5100, wait36, 16e3) * 1e3, "mV", "5100 pF"),
        Row("contact at which 2 mV are left, 24", 8, (wait / (math.log(8.7 / 2e-3) * 3300e-6) - 24e3) / 1e3, "kohm",
            "solved for it"),
        Row("left with 20 kohm more", 19, _left_v(20e3, 3300, wait) * 1e3, "mV", "44 kohm x 3300 pF"),
        Row("left with 50 kohm more", 226, _left_v(50e3, 3300, wait) * 1e3, "mV", "74 kohm x 3300 pF"),
    ]  # fmt: skip


def _other_rows(seen_mohm: float, old, old36) -> list[Row]:  # type: ignore[no-untyped-def]  # as above
    clamps = budget_of(replace(_REVIEWED, bus=replace(_REVIEWED.bus, clamp_leak_na=1e-9, line_pf=6500.0)))
    no_bend = budget_of(
        replace(
            _REVIEWED,
            bus=replace(_REVIEWED.bus, clamp_leak_na=1e-9, line_pf=6500.0),
            converter=replace(_REVIEWED.converter, bent_steps=1e-9),
        )
    )
    return [
        Row("load of the bus", 3.29, seen_mohm, "Mohm", "4.8, 22 and 20 Mohm side by side"),
        Row("gain lost, 24", 7238, old.value("load_ppm"), "ppm", "24 kohm of it"),
        Row("gain lost, 36", 9628, old36.value("load_ppm"), "ppm", "32 kohm of it"),
        Row("with the converter's own, 24", 8738, old.value("gain_need_ppm"), "ppm", "+ 1500"),
        Row("with the converter's own, 36", 11128, old36.value("gain_need_ppm"), "ppm", "+ 1500: refused, so 3.9 Mohm now"),
        Row("each kohm of a contact", 1.1, 4.35e3 / 3.94e6 * 1e3, "mV", "4.35 V over their 3.94 Mohm; 1.32 over 3.29"),
        Row("1 % drift of one lead", 30, 120 / 3.94e6 * 1e6, "ppm", "120 ohm over 3.94 Mohm; 36 over 3.29", 0.05),
        Row("the same in a full group", 0.13, 120 / 3.94e6 * 4.35e3, "mV", "x 4.35 V", 0.05),
        Row("uncertainty of a difference before", 0.568, no_bend.value("spread_u_mv"), "mV", "no nonlinearity", 0.05),
        Row("with the converter's nonlinearity", 0.645, clamps.value("spread_u_mv"), "mV", "one step as a rectangle", 0.05),
        Row("what held the island", 0.97, common_ohm(_REVIEWED) / 1e6, "Mohm", "1.2 beside 5 Mohm"),
        Row("157 V over 1 Gohm use", 0.152, 157e-9 * common_ohm(_REVIEWED), "V", "of the room of the inputs"),
        Row("that room", 0.164, budget_of(_REVIEWED).value("input_low_v"), "V", "2.34 V less half a group"),
        Row("100 kHz, 2 V peak, 60 pF, as it was", -0.20, _spice("before.earth_100k_2", "moved_v"), "V",
            "ngspice, our diodes: the effect, not the digit", 0.25),
        Row("100 kHz, 5 V peak, 60 pF, as it was", -0.94, _spice("before.earth_100k_5", "moved_v"), "V", "the same", 0.05),
        Row("50 Hz, 162 V peak, 60 pF, as it was", 30, _spice("before.earth_50", "moved_v") * 1e3, "mV", "the same", 0.15),
        Row("an ordinary zener, 1 uA over 24 kohm", 24, 1e-6 * 24e3 * 1e3, "mV", "so: low-leakage diodes to the rails"),
        Row("relay leakage on a 10 Mohm meter across 10 Mohm", 5, 1e-9 * 5e6 * 1e3, "mV/nA", "the meter halves it"),
        Row("swapped neighbours push", 0.1, (8.7 - 6.2) / 24e3 * 1e3, "mA", "8.7 V less what the clamps hold", 0.1),
    ]  # fmt: skip
