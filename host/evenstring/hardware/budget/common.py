"""Budget: where the island floats, and what earth does to it through the barrier."""

from __future__ import annotations

import math

from evenstring.hardware.budget.figures import Line
from evenstring.hardware.bus import common_ohm, middle_v, string_v, taps_on_lines
from evenstring.hardware.front_end import RelayScan

__all__ = ["common_lines"]

_READING_LIMIT_UV = 1000.0  # what an earthed charger may move a single reading by; our choice


def common_lines(d: RelayScan) -> list[Line]:
    """Room of the inputs between the island's rails, and what a steady and an alternating earth take of it."""
    half_v = d.string.group_max_v / 2
    middle = middle_v(d, d.bus.supply_min_v)
    low_v, high_v = middle - half_v, middle + half_v
    room_v = min(low_v, d.bus.supply_min_v - high_v)
    omega = 2 * math.pi * d.barrier.earth_hz
    through_a = omega * d.barrier.pf * 1e-12 * d.barrier.earth_peak_v
    hold_ohm = 1 / math.hypot(1 / common_ohm(d), omega * 2 * d.bus.line_pf * 1e-12)
    even, odd = taps_on_lines(d.string.groups)
    led_a = omega * d.barrier.earth_peak_v * (even - odd) * d.relay.led_pf / 2 * 1e-12
    moved_uv = (through_a * d.bus.line_tolerance + led_a) * d.series.ohm * 1e6
    return [
        Line("middle_v", "where the lines' mean floats above the island's ground", middle_v(d, 5.0), "V",
             "bias against the converter's common inputs, at 5.00 V"),
        Line("input_low_v", "lowest voltage at an input", low_v, "V", "half a group below, at the lowest supply", 0.0,
             True),
        Line("input_high_v", "highest voltage at an input", high_v, "V", "half a group above; at most that supply",
             d.bus.supply_min_v),
        Line("room_v", "room that is left for earth to move the island", room_v, "V", "the lesser of both ends"),
        Line("barrier_dc_v", "moved by the full string across the barrier", string_v(d) / d.barrier.ohm * common_ohm(d),
             "V", f"earthed pack and computer, barrier {d.barrier.ohm / 1e9:g} Gohm; at most that room", room_v),
        Line("earth_v", "moved by an alternating earth, peak", through_a * hold_ohm, "V",
             f"{d.barrier.earth_peak_v:g} V peak, {d.barrier.earth_hz:g} Hz through {d.barrier.pf:g} pF; at most that"
             " room", room_v),
        Line("earth_uv", "that earth in a single reading, peak", moved_uv, "uV",
             "capacitors of the lines and diodes of the relays differ; falls with averaging", _READING_LIMIT_UV),
    ]  # fmt: skip
