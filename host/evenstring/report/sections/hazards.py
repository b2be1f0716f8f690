"""What asks for an inspection whatever its cause: what was seen, how large, how sure."""

from __future__ import annotations

from evenstring.analysis.results import Hazard, HazardKind
from evenstring.report.material import Material
from evenstring.report.sections.section import Section, signed

__all__ = ["section"]

_TITLE = "Dangerous, whatever its cause"
_HEADS = ["where", "what", "how much", "90 % interval", "seen", "chance that it is more than may be let pass"]
_WHAT: dict[HazardKind, str] = {
    "extra_heat": "extra heat in one place",
    "drains_at_rest": "drains at rest",
    "spread_grows": "the spread grows at rest",
    "far_behind": "far behind at the end of charge",
    "stays_above": "stays above the others while the charger holds",
    "alone_above": "alone above the others at the top of the charge",
}


def section(material: Material) -> Section | None:
    """A row for each; nothing where there is none, for what was looked at stands in the sections of its kind."""
    if not material.found.hazards:
        return None
    lines = ["These are read off the volts without asking why, so that no wrong guess of a cause can hide them."]
    return Section("hazards", _TITLE, lines, [], [], _HEADS, [_row(h) for h in material.found.hazards])


def _row(h: Hazard) -> tuple[str, ...]:
    return (
        "the string" if h.group is None else f"group {h.group}",
        _WHAT[h.kind],
        f"{h.size:.3g} {h.unit}" + ("" if h.current_a is None else f" at {h.current_a:.0f} A"),
        signed(f"{h.size_low:.3g} to {h.size_high:.3g} {h.unit}"),
        _seen(h),
        f"{h.confidence:.2f}",
    )


def _seen(h: Hazard) -> str:
    parts = [
        "" if h.more_percent is None else f"{h.more_percent:.0f} % more resistance than the median group",
        "" if h.seen_mv is None else f"{abs(h.seen_mv):.0f} mV",
        "" if h.hours is None else f"over {h.hours:.1f} h",
    ]
    return signed(" ".join(p for p in parts if p)) or "see above"
