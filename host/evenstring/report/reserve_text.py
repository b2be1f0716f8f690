"""The reserve in words: how far down the pack can be ridden, at the ride's own load and at one that was asked for."""

from __future__ import annotations

from typing import Any

from evenstring.report.causes import reserve_picture
from evenstring.report.finding import Figure, Finding, drawn, unknown_of

__all__ = ["reserve_of"]

_FULL = 0.995


def reserve_of(report: dict[str, Any]) -> Finding:
    """The section."""
    r = report.get("reserve") or {}
    if not r:
        return Finding("reserve", "How far down", missing=unknown_of(report, "reserve"))
    soc = r.get("lowest_soc_at_full_load")
    at = "" if r.get("empty_at_current_a") is None else f" at {r['empty_at_current_a']:.0f} A"
    lines = []
    if soc is not None:
        lines.append(
            f"Under full load group {r.get('group')} is the first to reach empty{at}, at {_soc(soc)} of the pack."
        )
    if r.get("resting_pack_v") is not None and r.get("loaded_pack_v") is not None:
        lines.append(f"Ride no lower than {r['resting_pack_v']:.1f} V at rest, {r['loaded_pack_v']:.1f} V under load.")
    if r.get("soc_low") is not None and r.get("soc_high") is not None:
        lines.append(f"The interval is {_soc(r['soc_low'])} to {_soc(r['soc_high'])} at level 0.9.")
    if r.get("why"):
        lines.append(f"Less sure: {r['why']}.")
    if r.get("temperature_c") is not None:
        lines.append(f"It holds for about {r['temperature_c']:.0f} °C, as on this ride; in the cold there is more sag.")
    asked = [limit["current_a"] for limit in r.get("asked") or []]
    if asked and r.get("empty_at_current_a") and asked[0] > 1.1 * r["empty_at_current_a"]:
        lines.append(f"{asked[0]:.0f} A is more than was ridden here: the resistances seen are carried on to it.")
    heads, rows = _limits(r)
    pictures = drawn(reserve_picture(r))
    missing = unknown_of(report, "reserve")
    return Finding("reserve", "How far down", lines, _no_lower_than(r), pictures, heads, rows, missing=missing)


def _no_lower_than(reserve: dict[str, Any]) -> list[Figure]:
    """The reserve in volts that a rider can read."""
    offset = reserve.get("display_offset_v")
    note = "which may read 1 V high" if offset in (None, 1.0) else f"which reads {offset:+.1f} V off".replace("-", "−")
    named = [
        ("ride no lower than, at rest", "resting_pack_v", "whole pack, by this meter"),
        ("ride no lower than, under full load", "loaded_pack_v", "whole pack, by this meter"),
        ("by the vehicle's own display, at rest", "resting_pack_v_by_display", note),
        ("by the vehicle's own display, under full load", "loaded_pack_v_by_display", note),
    ]
    return [(label, f"{reserve[key]:.1f} V", note) for label, key, note in named if reserve.get(key) is not None]


def _limits(reserve: dict[str, Any]) -> tuple[list[str], list[tuple[str, ...]]]:
    """One row a load: acceleration and hill of the ride, and what was asked for."""
    hill = [reserve["hill"]] if reserve.get("hill") else []
    named = [("the ride's highest minute, as on a hill", limit) for limit in hill]
    named += [("asked for", limit) for limit in reserve.get("asked") or []]
    rows: list[tuple[str, ...]] = [
        (
            what,
            f"{limit['current_a']:.0f} A for {limit['load_s']:.0f} s",
            f"group {limit['group']}",
            "not even full"
            if limit["lowest_soc"] > _FULL
            else f"{_soc(limit['lowest_soc'])} ({100 * limit['soc_low']:.0f} to {100 * limit['soc_high']:.0f})",
            f"{limit['resting_pack_v']:.1f} V, {limit['loaded_pack_v']:.1f} V",
            f"{limit['resting_pack_v_by_display']:.1f} V, {limit['loaded_pack_v_by_display']:.1f} V",
        )
        for what, limit in named
    ]
    heads = ["load", "how much", "first at empty", "at", "no lower than, at rest and loaded", "the same by the display"]
    return (heads, rows) if rows else ([], [])


def _soc(value: float) -> str:
    return f"{value * 100 if value <= 1 else value:.0f} % SoC"
