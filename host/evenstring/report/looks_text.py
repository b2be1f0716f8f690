"""What changed between recordings of one pack, in words."""

from __future__ import annotations

from typing import Any

from evenstring.report.finding import Finding, unknown_of

__all__ = ["second_look_lines", "second_look_of"]

_CHANGES = {"low_capacity": "capacity", "high_resistance": "resistance"}


def second_look_of(report: dict[str, Any]) -> Finding:
    """The section; what could not be told is said in its lines."""
    lines = second_look_lines(report)
    look = report.get("second_look") or {}
    rows = [
        (f"group {g}", f"{rate:+.2f} %".replace("-", "−"), f"{low:+.2f} to {high:+.2f} %".replace("-", "−"))
        for g, rate, low, high in look.get("all_leaks") or []
    ]
    heads = ["loses a week, against the median group", "of capacity", "interval, level 0.9"] if rows else []
    missing = unknown_of(report, "second_look")
    return Finding("second_look", "Since the recording before", lines, [], [], heads, rows, missing=missing)


def second_look_lines(report: dict[str, Any]) -> list[str]:
    """Sentences; empty when there was one recording only."""
    look = report.get("second_look") or {}
    if not look:
        return []
    days = look.get("days")
    lines = [
        "Two recordings of one pack are compared"
        + ("; they do not state when they began." if days is None else f", {days:.0f} days apart.")
    ]
    warm = [e.get("rest_temperature_c") for e in look.get("looks") or []]
    if all(c is not None for c in warm) and len(warm) == 2:
        lines.append(f"At rest it was {warm[0]:.0f} °C and {warm[1]:.0f} °C.")
    elif look.get("all_leaks"):
        lines.append("The temperature is not known in both: its share in the drift is in the intervals.")
    for leak in look.get("leaks") or []:
        what = "its bleeder may never stop" if leak.get("by_balancer") else "balancing does not mend this"
        lines.append(
            f"Group {leak['group']} loses {leak['percent_per_week']:.2f} % a week more than the others"
            f" ({leak['low']:.2f} to {leak['high']:.2f}), confidence {leak['confidence']:.2f}; {what}."
        )
    if look.get("all_leaks") and not look.get("leaks"):
        lines.append("No group loses charge faster than its neighbours by more than their scatter.")
    if look.get("monitor_percent_per_week") is not None:
        line = f"{look['monitor_percent_per_week']:+.2f} % a week from the first group to the last".replace("-", "−")
        lines.append(f"A load that grows along the string ({line}), as a monitor's taps make, was taken off first.")
    for change in look.get("changes") or []:
        word = _CHANGES.get(change["what"], str(change["what"]))
        much = f"{change['change']:+.1f} % ({change['low']:+.1f} to {change['high']:+.1f})".replace("-", "−")
        lines.append(f"Group {change['group']}: {word} against the others changed by {much}.")
    if not look.get("changes") and not _why(look, "second_look.fade"):
        lines.append("No group's capacity or resistance moved against the others by more than its uncertainty.")
    lines += [f"Not known: {u['why']}. To know it: {u['record_next']}." for u in look.get("unknown") or []]
    return lines


def _why(look: dict[str, Any], key: str) -> str:
    return next((str(u.get("why")) for u in look.get("unknown") or [] if u.get("what") == key), "")
