"""The reference design for a number of groups: one of three, told apart by the resistors of the leads."""

from __future__ import annotations

from evenstring.hardware.front_end import RelayScan, Series, String

__all__ = ["MOST_GROUPS", "reference_design"]

MOST_GROUPS = 40  # of decoders, firmware, tool and notes alike

# Most groups -> resistors of a lead; as hardware_notes/front_ends/relay_*.toml (a test compares them).
_SERIES = {
    24: Series(),
    36: Series(ohm=16120.0, part_w=1.0, part_v=350.0),
    40: Series(ohm=18180.0, part_w=1.0, part_v=350.0),
}


def reference_design(groups: int) -> RelayScan:
    """The reference relay scan for 1 to 40 groups."""
    series = next(series for most, series in _SERIES.items() if groups <= most)
    return RelayScan(string=String(groups=groups), series=series)
