"""What an instrument is to do, and within which limits: worked out and refused before anything is switched."""

from __future__ import annotations

from dataclasses import dataclass

from evenstring.chemistry import CHEMISTRIES
from evenstring.errors import InputError
from evenstring.profile import PackProfile
from evenstring.workshop.instrument.dialect import Dialect

__all__ = ["HELD_S", "Order", "charge_order", "discharge_order", "order_lines"]

_CHARGE_C, _DISCHARGE_C = 1.0, 3.0  # most current over the capacity in Ah: our choice, against a slip of the unit
_COLD_CHARGE_C, _HOT_CHARGE_C = 0.0, 45.0  # °C: common practice for lithium-ion cells
_COLD_DISCHARGE_C, _HOT_DISCHARGE_C = -20.0, 60.0  # °C: common practice
_SPARE = 1.25  # on so many times the hours that the capacity takes: our choice
HELD_S = 3600.0  # on after the current fell to the done light, for balancing to be seen: our choice


@dataclass(frozen=True, slots=True)
class Order:
    """One switching on: what is set, and what takes it off. Volts of one group unless they are the instrument's."""

    kind: str  # supply, load
    groups: int
    current_a: float
    voltage_v: float | None  # a supply's; None: a load
    floor_v: float
    ceiling_v: float
    cold_c: float
    hot_c: float
    longest_s: float
    done_a: float = 0.0  # a supply that holds its voltage is done below that
    held_s: float = HELD_S

    @property
    def expected_a(self) -> float:
        """What the monitor's own sensor should see, charging positive."""
        return self.current_a if self.kind == "supply" else -self.current_a


def charge_order(
    profile: PackProfile,
    dialect: Dialect,
    current_a: float | None,
    voltage_v: float | None = None,
    held_s: float = HELD_S,
) -> Order:
    """A supply's order: constant current up to constant voltage.

    Args:
        profile: of the pack: groups, limits, capacity, charger.
        dialect: of the supply, with what it can do.
        current_a: None: that of the charger in the profile.
        voltage_v: of the whole string; None: full voltage times groups.
        held_s: on for so long after the current fell to the done light.

    Raises:
        InputError: no current is known, or a value goes beyond pack or instrument.
    """
    current_a = profile.charger_current_a if current_a is None else current_a
    if current_a is None:
        raise InputError("a supply needs a stated current: give --charge-a, or [charger] current_a in pack.toml")
    full_v = min(profile.full_v, CHEMISTRIES[profile.chemistry].full_v)
    most_v = round(full_v * profile.groups, 3)
    voltage_v = most_v if voltage_v is None else voltage_v
    if voltage_v > most_v + 1e-6:
        raise InputError(f"{voltage_v:g} V is above full for this pack: {profile.groups} groups of"
                         f" {profile.chemistry} at {full_v:g} V are {most_v:g} V")  # fmt: skip
    if voltage_v < profile.empty_v * profile.groups:
        raise InputError(f"{voltage_v:g} V would not charge {profile.groups} groups; full is {most_v:g} V")
    if profile.charger_current_a is not None and current_a > profile.charger_current_a:
        raise InputError(f"{current_a:g} A is more than the pack's own charger gives"
                         f" ({profile.charger_current_a:g} A in pack.toml)")  # fmt: skip
    _refuse_current(current_a, _CHARGE_C, profile, dialect)
    _refuse_voltage(voltage_v, dialect)
    hours_s = _SPARE * 3600.0 * profile.capacity_ah / current_a
    return Order(
        "supply", profile.groups, current_a, voltage_v, profile.discard_v, profile.ceiling_v, _COLD_CHARGE_C,
        _HOT_CHARGE_C, hours_s + HELD_S + held_s, profile.done_light_a, held_s,
    )  # fmt: skip


def discharge_order(profile: PackProfile, dialect: Dialect, current_a: float | None) -> Order:
    """A load's order: constant current.

    Raises:
        InputError: no current is stated, or it goes beyond pack or instrument.
    """
    if current_a is None:
        raise InputError("a load needs a stated current: give --current-a, what pack, leads and load are made for")
    _refuse_current(current_a, _DISCHARGE_C, profile, dialect)
    _refuse_voltage(profile.full_v * profile.groups, dialect)
    return Order(
        "load", profile.groups, current_a, None, profile.empty_v, profile.ceiling_v, _COLD_DISCHARGE_C,
        _HOT_DISCHARGE_C, _SPARE * 3600.0 * profile.capacity_ah / current_a,
    )  # fmt: skip


def order_lines(order: Order, dialect: Dialect) -> list[str]:
    """What it is set to and what takes it off, in sentences, as they are said before anything is switched."""
    volts = "" if order.voltage_v is None else f" up to {order.voltage_v:.2f} V"
    does = "gives" if order.kind == "supply" else "takes"
    most = f"at most {order.current_a:.2f} A{volts}, for at most {order.longest_s / 3600:.1f} h"
    bounds = f"a group at {order.ceiling_v:.2f} V or above, or at {order.floor_v:.2f} V or under; not read"
    temps = f"under {order.cold_c:.0f} or above {order.hot_c:.0f} °C"
    rest = "a monitor silent or warning; current or volts that are not what was set; no answer; this command ended."
    lines = [f"The {dialect.what} {does} {most}.", f"Off by itself: {bounds}; {temps}; {rest}"]
    if order.kind == "supply":
        lines.append(f"Done {order.held_s / 60:.0f} min after its current fell to {order.done_a:g} A.")
    return lines


def _refuse_current(current_a: float, most_c: float, profile: PackProfile, dialect: Dialect) -> None:
    if current_a > most_c * profile.capacity_ah:
        raise InputError(f"{current_a:g} A is more than {most_c:g} times the capacity of {profile.capacity_ah:g} Ah;"
                         " state less, or correct pack.toml")  # fmt: skip
    if dialect.most_a is not None and current_a > dialect.most_a:
        raise InputError(f"{current_a:g} A is more than this {dialect.what} can do ({dialect.most_a:g} A)")


def _refuse_voltage(voltage_v: float, dialect: Dialect) -> None:
    if dialect.most_v is not None and voltage_v > dialect.most_v:
        raise InputError(f"{voltage_v:g} V is more than this {dialect.what} is made for ({dialect.most_v:g} V)")
