"""Rides, how full the string may be at the top of a descent, and the capacity of the pack."""

from __future__ import annotations

from evenstring.analysis.results import BrakingRoom
from evenstring.ocv import default_curve, mean_voltage_v
from evenstring.profile import PackProfile
from evenstring.report.drawing.axis import clock
from evenstring.report.material import Material
from evenstring.report.sections.section import Figure, Section
from evenstring.report.words import RIDES

__all__ = ["section"]

_SHOWN = 8  # rides that get a sentence each; our choice
_FULL = 0.995  # of charge: as good as full; our choice


def section(material: Material) -> Section:
    """Words and figures."""
    lines = []
    for r in material.found.rides[:_SHOWN]:
        group = f", group {r.group}" if r.group else ""
        low = "" if r.lowest_v is None else f" Lowest group {r.lowest_v:.3f} V."
        lines.append(f"The ride at {clock(r.start_s)} {RIDES[r.ended]}{group}.{low}")
    lines += _room(material.found.room)
    return Section("ride", "Rides and capacity", lines, _capacity(material), missing=material.missing("capacity"))


def _room(room: BrakingRoom | None) -> list[str]:
    if room is None:
        return []
    if room.highest_soc >= _FULL:
        return ["Braking as on this ride keeps every group under its ceiling even when full, if only just: leave room."]
    soc, low, high = (100.0 * v for v in (room.highest_soc, room.soc_low, room.soc_high))
    return [
        (
            f"Leave room for braking: begin descents below {soc:.0f} % SoC ({low:.0f} to {high:.0f}),"
            f" {room.resting_pack_v:.1f} V at rest; above it a minute of braking at {room.regen_current_a:.0f} A lifts"
            f" group {room.group} to its ceiling, and braking may be cut."
        )
    ]


def _capacity(material: Material) -> list[Figure]:
    capacity = material.found.capacity
    if capacity is None:
        return []
    named = f"; profile says {capacity.nameplate_ah:g} Ah"
    volts = _mean_pack_v(material.profile)
    energy = f"{capacity.low_ah * volts:.0f} to {capacity.high_ah * volts:.0f} Wh, ridden slowly"
    return [
        ("capacity of the pack", f"{capacity.ah:.1f} Ah", f"{capacity.low_ah:.1f} to {capacity.high_ah:.1f} Ah{named}"),
        ("energy of the pack", f"{capacity.ah * volts:.0f} Wh", energy),
    ]


def _mean_pack_v(profile: PackProfile) -> float:
    return profile.groups * mean_voltage_v(default_curve(profile.chemistry))
