"""How far down the pack can be ridden, at the ride's own load and at one that was asked for."""

from __future__ import annotations

import numpy as np

from evenstring.analysis.results import LoadLimit, Reserve
from evenstring.report.drawing.axis import Axis
from evenstring.report.drawing.picture import Area, Picture, Rule
from evenstring.report.material import Material
from evenstring.report.sections.section import Figure, Section, drawn, signed

__all__ = ["section"]

_TITLE = "How far down"
_FULL = 0.995  # of charge: as good as full; our choice
_MORE = 1.1  # times the ridden load: beyond it the resistances seen are carried on; our choice


def section(material: Material) -> Section:
    """Words, figures, table and picture."""
    r, missing = material.found.reserve, material.missing("reserve")
    if r is None:
        return Section("reserve", _TITLE, missing=missing)
    heads, rows = _limits(r)
    return Section("reserve", _TITLE, _lines(r), _no_lower_than(r), drawn(_picture(r)), heads, rows, missing=missing)


def _lines(r: Reserve) -> list[str]:
    lines = [
        (
            f"Under full load group {r.group} is the first to reach empty at {r.empty_at_current_a:.0f} A, at"
            f" {_soc(r.lowest_soc_at_full_load)} of the pack."
        ),
        f"Ride no lower than {r.resting_pack_v:.1f} V at rest, {r.loaded_pack_v:.1f} V under load.",
        f"The interval is {_soc(r.soc_low)} to {_soc(r.soc_high)} at level 0.9.",
    ]
    if r.why:
        lines.append(f"Less sure: {r.why}.")
    if r.temperature_c is not None:
        lines.append(f"It holds for about {r.temperature_c:.0f} °C, as on this ride; in the cold there is more sag.")
    if r.asked and r.asked[0].current_a > _MORE * r.empty_at_current_a:
        lines.append(
            f"{r.asked[0].current_a:.0f} A is more than was ridden here: the resistances seen are carried on to it."
        )
    return lines


def _no_lower_than(r: Reserve) -> list[Figure]:
    """The reserve in volts that a rider can read."""
    high = r.display_offset_v == 1.0
    note = "which may read 1 V high" if high else signed(f"which reads {r.display_offset_v:+.1f} V off")
    named = [
        ("ride no lower than, at rest", r.resting_pack_v, "whole pack, by this meter"),
        ("ride no lower than, under full load", r.loaded_pack_v, "whole pack, by this meter"),
        ("by the vehicle's own display, at rest", r.resting_pack_v_by_display, note),
        ("by the vehicle's own display, under full load", r.loaded_pack_v_by_display, note),
    ]
    return [(label, f"{volts:.1f} V", note) for label, volts, note in named if volts is not None]


def _limits(r: Reserve) -> tuple[list[str], list[tuple[str, ...]]]:
    """One row a load: acceleration and hill of the ride, and what was asked for."""
    named = [("the ride's highest minute, as on a hill", r.hill)] if r.hill else []
    named += [("asked for", limit) for limit in r.asked]
    heads = ["load", "how much", "first at empty", "at", "no lower than, at rest and loaded", "the same by the display"]
    return (heads, [_row(what, limit) for what, limit in named]) if named else ([], [])


def _row(what: str, limit: LoadLimit) -> tuple[str, ...]:
    at = f"{_soc(limit.lowest_soc)} ({100 * limit.soc_low:.0f} to {100 * limit.soc_high:.0f})"
    return (
        what,
        f"{limit.current_a:.0f} A for {limit.load_s:.0f} s",
        f"group {limit.group}",
        "not even full" if limit.lowest_soc > _FULL else at,
        f"{limit.resting_pack_v:.1f} V, {limit.loaded_pack_v:.1f} V",
        f"{limit.resting_pack_v_by_display:.1f} V, {limit.loaded_pack_v_by_display:.1f} V",
    )


def _soc(value: float) -> str:
    return f"{value * 100:.0f} % SoC"


def _picture(r: Reserve) -> Picture:
    """Charge as depth: what lies below the line is not to be asked for under full load."""
    soc, low, high = (100.0 * v for v in (r.lowest_soc_at_full_load, r.soc_low, r.soc_high))
    x = np.array([0.0, 1.0])
    return Picture(
        key="reserve",
        alt=f"Of 100 % SoC, group {r.group} reaches empty under full load at {soc:.0f} %.",
        caption="Depth of the pack. The shaded part is where the named group is below empty under full load.",
        x=Axis(0.0, 1.0, (), ""),
        y=Axis(0.0, 100.0, tuple((float(v), f"{v}") for v in (0, 25, 50, 75, 100)), "%"),
        y_word="% SoC",
        areas=(Area(x, np.zeros(2), np.full(2, soc)), Area(x, np.full(2, low), np.full(2, high))),
        rules=(Rule(soc, f"group {r.group} at empty under full load, {soc:.0f} %"),),
        timed=False,
    )
