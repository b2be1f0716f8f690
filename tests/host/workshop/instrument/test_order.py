"""What an instrument may do is worked out from the pack, and more is refused before anything is switched."""

from __future__ import annotations

from dataclasses import replace

import pytest
from evenstring.errors import InputError
from evenstring.profile import parse_profile
from evenstring.workshop.instrument.dialect import dialect_named
from evenstring.workshop.instrument.order import charge_order, discharge_order, order_lines

SUPPLY, LOAD = dialect_named("supply", "supply"), dialect_named("load", "load")
PACK = parse_profile('[pack]\ngroups = 20\nchemistry = "nmc"\ncapacity_ah = 20.0\n')


def test_a_supply_goes_to_full_times_groups_and_no_further() -> None:
    assert charge_order(PACK, SUPPLY, 5.0).voltage_v == pytest.approx(84.0)  # 20 x 4.20 V
    assert charge_order(PACK, SUPPLY, 5.0, 80.0).voltage_v == pytest.approx(80.0)
    with pytest.raises(InputError, match=r"84\.1 V is above full"):
        charge_order(PACK, SUPPLY, 5.0, 84.1)
    with pytest.raises(InputError, match="would not charge"):
        charge_order(PACK, SUPPLY, 5.0, 48.0)


def test_a_full_voltage_in_the_profile_that_no_such_cell_has_does_not_count() -> None:
    asked = replace(PACK, full_v=4.35, ceiling_v=4.4)
    assert charge_order(asked, SUPPLY, 5.0).voltage_v == pytest.approx(84.0)
    lower = replace(PACK, full_v=4.10)
    assert charge_order(lower, SUPPLY, 5.0).voltage_v == pytest.approx(82.0)


def test_a_current_is_stated_or_there_is_none() -> None:
    with pytest.raises(InputError, match="--charge-a"):
        charge_order(PACK, SUPPLY, None)
    with pytest.raises(InputError, match="--current-a"):
        discharge_order(PACK, LOAD, None)
    assert charge_order(replace(PACK, charger_current_a=4.0), SUPPLY, None).current_a == 4.0


@pytest.mark.parametrize(("most_a", "most_v", "current_a", "why"), [
    (None, None, 21.0, "1 times the capacity"), (3.0, None, 5.0, "this bench supply can do"),
    (None, 60.0, 5.0, "this bench supply is made for"),
])  # fmt: skip
def test_more_than_pack_or_supply_can_do_is_refused(
    most_a: float | None, most_v: float | None, current_a: float, why: str
) -> None:
    with pytest.raises(InputError, match=why):
        charge_order(PACK, replace(SUPPLY, most_a=most_a, most_v=most_v), current_a)


def test_more_than_the_packs_own_charger_is_refused() -> None:
    with pytest.raises(InputError, match="own charger"):
        charge_order(replace(PACK, charger_current_a=4.0), SUPPLY, 5.0)


def test_a_load_for_less_than_the_packs_volts_is_refused() -> None:
    with pytest.raises(InputError, match="60 V"):
        discharge_order(PACK, replace(LOAD, most_v=60.0), 5.0)
    with pytest.raises(InputError, match="3 times the capacity"):
        discharge_order(PACK, LOAD, 61.0)


def test_limits_are_said_in_full() -> None:
    said = " ".join(order_lines(charge_order(PACK, SUPPLY, 5.0), SUPPLY))
    for figure in (
        "5.00 A",
        "84.00 V",
        "7.0 h",
        "4.25 V",
        "2.50 V",
        "under 0 or above 45 °C",
        "silent",
        "no answer",
        "0.5 A",
    ):
        assert figure in said
