"""The relay scan's circuit in closed form: what hangs on the bus lines, how quick they are, where they float."""

from __future__ import annotations

import math

from evenstring.hardware.front_end import DividerBank, RelayScan

__all__ = [
    "bus_pf",
    "common_ohm",
    "leak_paths",
    "load_ohm",
    "middle_v",
    "settle_us",
    "string_v",
    "taps_on_lines",
    "worst_drive_a",
]

_NOMINAL_SUPPLY_V = 5.0


def string_v(design: RelayScan | DividerBank) -> float:
    """The whole string with every group at its highest, V."""
    return design.string.groups * design.string.group_max_v


def taps_on_lines(groups: int) -> tuple[int, int]:
    """Number of taps on the even and on the odd bus line; tap 0 is pack negative."""
    return groups // 2 + 1, (groups + 1) // 2


def leak_paths(groups: int, bank: int = 0) -> int:
    """Relays that leak into one bus line while one of its relays is closed, worst line.

    With banks only the rest of the closed bank and the other bank relays leak into the line.
    """
    taps = max(taps_on_lines(groups))
    if not bank:
        return taps - 1
    return min(bank, taps) - 1 + math.ceil(taps / bank) - 1


def bus_pf(d: RelayScan) -> float:
    """Capacitance between the lines, pF: each line's own, its open relays' (to taps that stand still), its lead's.

    All three stand from a line to something at rest, so that two lines in series have half of them.
    """
    return (d.bus.line_pf + leak_paths(d.string.groups, d.relay.bank) * d.relay.off_pf + d.series.lead_pf) / 2


def settle_us(series_ohm: float, pf: float) -> float:
    """Wait after closing a relay: eleven time constants of both leads and the bus, and 20 us. As the firmware does."""
    return 11 * 2 * series_ohm * pf * 1e-6 + 20


def load_ohm(d: RelayScan) -> float:
    """What the bus presents to a group, ohm: both bias resistors, the input, and both inputs to ground."""
    return 1 / (1 / (2 * d.bus.bias_ohm) + 1 / d.converter.input_ohm + 1 / (2 * d.converter.common_ohm))


def common_ohm(d: RelayScan) -> float:
    """What holds the island's ground to both lines together, ohm, without their capacitors."""
    return 1 / (2 / d.bus.bias_ohm + 2 / d.converter.common_ohm)


def middle_v(d: RelayScan, supply_v: float) -> float:
    """Where the lines' mean floats above the island's ground, V: the bias against the converter's common inputs."""
    bias_v = d.bus.bias_v * supply_v / _NOMINAL_SUPPLY_V
    return bias_v * d.converter.common_ohm / (d.converter.common_ohm + d.bus.bias_ohm)


def worst_drive_a(d: RelayScan) -> float:
    """Largest current of one lead when a broken decoder closes any number of one line's relays, A.

    The top tap against the m lowest of its line: the more there are, the lower the line, and the farther their mean.
    """
    top = d.string.groups if d.string.groups % 2 == 0 else d.string.groups - 1
    lower = [tap * d.string.group_max_v for tap in range(0, top, 2)]
    highest = top * d.string.group_max_v
    gaps = [highest - (highest + sum(lower[:m])) / (m + 1) for m in range(1, len(lower) + 1)]
    return max(gaps, default=0.0) / d.series.ohm
