"""Budget: what flows and heats when something is stuck, shorted or driven wrongly."""

from __future__ import annotations

from evenstring.hardware.budget.figures import Line
from evenstring.hardware.bus import string_v, worst_drive_a
from evenstring.hardware.front_end import RelayScan

__all__ = ["fault_lines"]

_DERATE = 0.6  # share of a rating that is used; common practice
_RELAY_MARGIN = 1.5  # off rating over string voltage; common practice


def fault_lines(d: RelayScan) -> list[Line]:
    """Currents, heat and voltages in the faults that last for ever."""
    full_v = string_v(d)
    fault_a = full_v / (2 * d.series.ohm)
    one_short_a = full_v / (2 * d.series.ohm - d.series.ohm / d.series.parts)
    many_a = worst_drive_a(d)
    part_ohm = d.series.ohm / d.series.parts
    return [
        Line("string_v", "full string", full_v, "V", "groups x highest group voltage"),
        Line("fault_ma", "current of a touch, a pinch or two relays stuck, full string", fault_a * 1e3, "mA",
             "string / two leads, whose resistors stand at the cells", d.bus.clamp_max_ma),
        Line("part_w", "heat in one series resistor then, for ever", fault_a**2 * part_ohm, "W",
             f"at most {_DERATE:.0%} of its rating", _DERATE * d.series.part_w),
        Line("many_ma", "current of one lead when a broken decoder closes many relays", many_a * 1e3, "mA",
             "the top tap against the lowest of its line"),
        Line("many_w", "heat in one series resistor then, for ever", many_a**2 * part_ohm, "W",
             f"at most {_DERATE:.0%} of its rating", _DERATE * d.series.part_w),
        Line("shorted_w", "heat in one of three when one of four has shorted", one_short_a**2 * part_ohm, "W",
             f"two relays stuck besides; at most {_DERATE:.0%} of its rating", _DERATE * d.series.part_w),
        Line("part_v", "voltage across one series resistor, worst of these", max(one_short_a, many_a) * part_ohm, "V",
             f"at most {_DERATE:.0%} of its rating", _DERATE * d.series.part_v),
        Line("stuck_ah_week", "taken through two relays stuck at the string's ends", fault_a * 168, "Ah/week",
             "uneven for ever, also in storage: unplug"),
        Line("stuck_near_ah_week", "taken through two relays stuck next to each other on a line",
             2 * d.string.group_max_v / (2 * d.series.ohm) * 168, "Ah/week", "two groups apart"),
        Line("relay_v", "off rating of the relay", d.relay.off_rating_v, "V",
             f"at least {_RELAY_MARGIN} x the string", _RELAY_MARGIN * full_v, True),
        Line("swapped_v", "two swapped neighbouring leads put on the lines", 2 * d.string.group_max_v, "V",
             "clamped well below that; over the threshold: shown as over range"),
        Line("range_v", "converter's range either way", d.converter.range_v, "V", "at least 5 V", 5.0, True),
    ]  # fmt: skip
