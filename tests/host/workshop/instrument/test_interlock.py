"""Every way in which an output must not go on or must go off, each by itself; limits are our choice."""

from __future__ import annotations

from dataclasses import replace

import pytest
from evenstring.profile import parse_profile
from evenstring.workshop.instrument.dialect import dialect_named
from evenstring.workshop.instrument.interlock import Reading, Scan, Seen, Stop, refusal, stop
from evenstring.workshop.instrument.order import Order, charge_order, discharge_order

PACK = parse_profile('[pack]\ngroups = 4\nchemistry = "nmc"\ncapacity_ah = 20.0\n')
CHARGE = charge_order(PACK, dialect_named("supply", "supply"), 5.0)
TAKE = discharge_order(PACK, dialect_named("load", "load"), 8.0)


def scan(
    volts: float = 3.7, current_a: float | None = None, temps: tuple[float, ...] = (25.0,), **group: float | None
) -> Scan:
    """Four groups alike, but for those given as g1..g4."""
    return Scan(tuple(group.get(f"g{k}", volts) for k in range(1, 5)), current_a, temps)


def on(order: Order, one: Scan, reading: Reading | None, seconds: float = 60.0) -> Seen:
    """On for so long with the same scan and reading twice a second."""
    seen = Seen().switched(0.0)
    for k in range(int(2 * seconds) + 1):
        seen = seen.with_scan(one, order, k / 2)
        if reading is not None:
            seen = seen.with_reading(reading, order, k / 2)
    return seen


GOOD = Reading(14.9, 5.0)  # four groups at 3.7 V and a little in the leads
TAKEN = Reading(14.6, 8.0)


def test_all_as_it_should_be_stays_on() -> None:
    assert stop(on(CHARGE, scan(current_a=4.8), GOOD), CHARGE, 60.0) is None
    assert stop(on(TAKE, scan(current_a=-8.3), TAKEN), TAKE, 60.0) is None
    assert stop(on(CHARGE, scan(), GOOD), CHARGE, 60.0) is None  # no current sensor
    assert refusal(Seen().with_scan(scan(), CHARGE, 0.0), Reading(0.0, 0.0), CHARGE, 1.0) is None
    assert refusal(Seen().with_scan(scan(), TAKE, 0.0), Reading(14.8, 0.0), TAKE, 1.0) is None


@pytest.mark.parametrize(("order", "one", "reading", "why", "fault"), [
    (CHARGE, scan(g3=4.251), GOOD, "group 3 is at 4.251 V, its ceiling", False),
    (CHARGE, scan(g3=2.499), GOOD, "group 3 is at 2.499 V, its floor", False),
    (TAKE, scan(g2=3.0), TAKEN, "group 2 is at 3.000 V, its floor", False),
    (TAKE, scan(g2=4.26), TAKEN, "its ceiling", False),
    (CHARGE, scan(g1=None), GOOD, "has not been read", True),
    (CHARGE, scan(temps=(25.0, 45.1)), GOOD, "45.1 °C", True),
    (CHARGE, scan(temps=(-0.1,)), GOOD, "-0.1 °C", True),
    (TAKE, scan(temps=(60.2,)), TAKEN, "60.2 °C", True),
    (CHARGE, scan(), Reading(14.9, 4.5), "4.50 A, and 5.00 A was set", True),
    (CHARGE, scan(), Reading(14.9, 5.9), "5.90 A, and 5.00 A was set", True),
    (TAKE, scan(), Reading(14.6, 0.0), "0.00 A, and 8.00 A was set", True),  # the protection board cut off
    (CHARGE, scan(), Reading(18.9, 0.0), "18.90 V, and 16.80 V was set", True),
    (CHARGE, scan(), Reading(16.8, 0.0), "16.80 V at its terminals, and the pack 14.80 V", True),  # a lead came off
    (CHARGE, scan(current_a=-5.0), GOOD, "the monitor sees -5.00 A, and the instrument +5.00 A", True),
    (TAKE, scan(current_a=-4.0), TAKEN, "the monitor sees -4.00 A, and the instrument -8.00 A", True),
    (TAKE, scan(), Reading(11.0, 8.0), "the pack 14.80 V", True),
])  # fmt: skip
def test_each_thing_that_is_not_as_it_should_be_takes_it_off(
    order: Order, one: Scan, reading: Reading, why: str, fault: bool
) -> None:
    ended = stop(on(order, one, reading), order, 60.0)

    assert ended is not None
    assert why in ended.why
    assert ended.fault is fault


def test_a_monitor_that_falls_silent_takes_it_off_within_seconds() -> None:
    seen = on(CHARGE, scan(), GOOD)
    assert stop(seen, CHARGE, 64.9) is None
    assert stop(seen, CHARGE, 65.1) == Stop("the monitor has been silent for 5 s", fault=True)


def test_one_odd_reading_ends_nothing_and_two_in_a_row_do() -> None:
    seen = on(CHARGE, scan(), GOOD)
    once = seen.with_scan(scan(g3=4.3), CHARGE, 60.1)
    assert stop(once, CHARGE, 60.1) is None
    assert stop(once.with_scan(scan(), CHARGE, 60.2).with_scan(scan(g3=4.3), CHARGE, 60.3), CHARGE, 60.3) is None
    assert stop(once.with_scan(scan(g3=4.3), CHARGE, 60.2), CHARGE, 60.2) is not None


def test_too_much_current_takes_it_off_at_once_and_a_soft_start_does_not() -> None:
    seen = Seen().switched(0.0).with_scan(scan(), CHARGE, 0.0)
    assert stop(seen.with_reading(Reading(14.9, 6.0), CHARGE, 0.1), CHARGE, 0.1) is not None
    rising = seen.with_reading(Reading(14.9, 1.0), CHARGE, 0.1).with_reading(Reading(14.9, 3.0), CHARGE, 4.0)
    assert stop(rising, CHARGE, 4.0) is None
    assert stop(rising.with_reading(GOOD, CHARGE, 4.9), CHARGE, 4.9) is None
    assert stop(rising, CHARGE, 5.2) is not None


def test_less_current_is_right_where_a_supply_holds_its_voltage_and_done_after_the_light() -> None:
    held = on(CHARGE, scan(4.19), Reading(16.8, 2.0))
    assert stop(held, CHARGE, 60.0) is None
    order = replace(CHARGE, held_s=30.0)
    assert stop(on(order, scan(4.19), Reading(16.8, 0.5), 29.0), order, 29.5) is None
    assert stop(on(order, scan(4.19), Reading(16.8, 0.5), 31.0), order, 31.0) == Stop(
        "done: 0 min at less than 0.5 A", fault=False
    )


def test_no_step_lasts_longer_than_was_stated() -> None:
    seen = on(TAKE, scan(), TAKEN, 10.0)
    late_s = TAKE.longest_s + 1.0
    ended = stop(seen.with_scan(scan(), TAKE, late_s).with_reading(TAKEN, TAKE, late_s), TAKE, late_s)
    assert ended is not None
    assert not ended.fault
    assert "3.1 h" in ended.why  # 1.25 x 20 Ah / 8 A


@pytest.mark.parametrize(("kind", "place", "fault"), [
    ("hot", 1, True), ("lead_open", 3, True), ("bad_contact", 2, True), ("lead_order", 0, True), ("reversed", 2, True),
    ("below_discard", 2, True), ("not_watching", 0, True), ("alarm 99", 0, True), ("above_ceiling", 4, False),
    ("below_empty", 4, False),
])  # fmt: skip
def test_a_warning_of_the_board_takes_it_off(kind: str, place: int, fault: bool) -> None:
    seen = on(CHARGE, scan(), GOOD).with_alarms(frozenset({(kind, place), ("near_ceiling", 1)}))
    ended = stop(seen, CHARGE, 60.0)
    assert ended is not None
    assert ended.fault is fault
    assert refusal(seen, Reading(0.0, 0.0), CHARGE, 60.0) == ended


def test_what_is_only_foretold_takes_nothing_off() -> None:
    seen = on(TAKE, scan(), TAKEN).with_alarms(frozenset({("ease_off", 2), ("near_ceiling", 1)}))
    assert stop(seen, TAKE, 60.0) is None


def test_what_is_wrong_is_told_before_a_limit_that_was_reached() -> None:
    seen = on(CHARGE, scan(), GOOD).with_alarms(frozenset({("above_ceiling", 1), ("hot", 1)}))
    ended = stop(seen, CHARGE, 60.0)
    assert ended is not None
    assert ended.fault


@pytest.mark.parametrize(("order", "one", "at_rest", "why"), [
    (CHARGE, scan(g2=None), Reading(0.0, 0.0), "group 2 is not read"),
    (CHARGE, Scan((3.7,) * 5), Reading(0.0, 0.0), "reads 5 groups, and the pack profile has 4"),
    (CHARGE, scan(4.25), Reading(0.0, 0.0), "its ceiling"),
    (CHARGE, scan(2.4), Reading(0.0, 0.0), "its floor"),
    (CHARGE, scan(temps=(50.0,)), Reading(0.0, 0.0), "50.0 °C"),
    (CHARGE, scan(current_a=-8.0), Reading(0.0, 0.0), "-8.00 A flow already"),
    (CHARGE, scan(), Reading(-14.8, 0.0), "wrong way round"),
    (TAKE, scan(), Reading(0.0, 0.0), "is it wired"),
    (TAKE, scan(), Reading(-14.8, 0.0), "wrong way round"),
    (replace(CHARGE, voltage_v=13.0), scan(), Reading(0.0, 0.0), "above the 13.00 V"),
])  # fmt: skip
def test_nothing_is_switched_on_onto_what_does_not_fit(order: Order, one: Scan, at_rest: Reading, why: str) -> None:
    refused = refusal(Seen().with_scan(one, order, 0.0), at_rest, order, 1.0)
    assert refused is not None
    assert why in refused.why


def test_nothing_is_switched_on_without_fresh_scans() -> None:
    assert refusal(Seen(), Reading(0.0, 0.0), CHARGE, 0.0) is not None
    assert refusal(Seen().with_scan(scan(), CHARGE, 0.0), Reading(0.0, 0.0), CHARGE, 5.1) is not None
