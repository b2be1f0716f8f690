"""What changed between recordings of one pack."""

from __future__ import annotations

from evenstring.analysis.results import Change, GroupLeak, SecondLook
from evenstring.report.material import Material
from evenstring.report.sections.section import Section, signed

__all__ = ["lines_of", "section"]

_CHANGES = {"low_capacity": "capacity", "high_resistance": "resistance"}


def section(material: Material) -> Section | None:
    """Words and table; None with one recording. What could not be told is said in its lines."""
    look = material.second
    if look is None:
        return None
    rows = [
        (f"group {g}", signed(f"{rate:+z.2f} %"), signed(f"{low:+z.2f} to {high:+z.2f} %"))
        for g, rate, low, high in look.all_leaks
    ]
    heads = ["loses a week, against the median group", "of capacity", "interval, level 0.9"] if rows else []
    missing = material.missing("second_look")
    return Section("second_look", "Since the recording before", lines_of(look), [], [], heads, rows, missing=missing)


def lines_of(look: SecondLook) -> list[str]:
    """Sentences on what changed."""
    apart = "; they do not state when they began." if look.days is None else f", {look.days:.0f} days apart."
    lines = [f"Two recordings of one pack are compared{apart}", *_warmth(look), *map(_leak, look.leaks)]
    if look.all_leaks and not look.leaks:
        lines.append("No group loses charge faster than its neighbours by more than their scatter.")
    if look.monitor_percent_per_week is not None:
        line = signed(f"{look.monitor_percent_per_week:+z.2f} % a week from the first group to the last")
        lines.append(f"A load that grows along the string ({line}), as a monitor's taps make, was taken off first.")
    lines += map(_change, look.changes)
    if not look.changes and not any(u.what == "second_look.fade" for u in look.unknown):
        lines.append("No group's capacity or resistance moved against the others by more than its uncertainty.")
    return lines + [f"Not known: {u.why}. To know it: {u.record_next}." for u in look.unknown]


def _warmth(look: SecondLook) -> list[str]:
    warm = [e.rest_temperature_c for e in look.looks]
    known = [c for c in warm if c is not None]
    if len(known) == len(warm) == 2:
        return [f"At rest it was {known[0]:.0f} °C and {known[1]:.0f} °C."]
    if look.all_leaks:
        return ["The temperature is not known in both: its share in the drift is in the intervals."]
    return []


def _leak(leak: GroupLeak) -> str:
    what = "its bleeder may never stop" if leak.by_balancer else "balancing does not mend this"
    return (
        f"Group {leak.group} loses {leak.percent_per_week:.2f} % a week more than the others"
        f" ({leak.low:.2f} to {leak.high:.2f}), confidence {leak.confidence:.2f}; {what}."
    )


def _change(change: Change) -> str:
    much = signed(f"{change.change:+z.1f} % ({change.low:+z.1f} to {change.high:+z.1f})")
    return f"Group {change.group}: {_CHANGES[change.what]} against the others changed by {much}."
