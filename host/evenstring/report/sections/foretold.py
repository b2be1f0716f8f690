"""What the board warned of ahead, when, and whether it was right."""

from __future__ import annotations

from evenstring.analysis.results import Foretold, ForetoldKind
from evenstring.report.drawing.axis import clock
from evenstring.report.material import Material
from evenstring.report.sections.section import Section, brief, volts
from evenstring.report.words import counted

__all__ = ["section"]

_ROWS = 50  # in the table; our choice
_SAID: dict[ForetoldKind, str] = {
    "ease_off": "ease off",
    "near_ceiling": "about to reach its ceiling",
    "brake_gently": "brake gently",
    "below_empty": "below empty",
}


def section(material: Material) -> Section | None:
    """Words and table; None where the board warned of nothing ahead."""
    every = material.found.foretold
    if not every:
        return None
    rows = [(f"group {f.group}", _said(f), clock(f.start_s), _stood(f), volts(f.foreseen_v), _then(f)) for f in every]
    more = f"{len(every) - _ROWS} more are in report.json." if len(every) > _ROWS else ""
    heads = ["where", "the board said", "when", "for", "foreseen", "what came"]
    return Section("foretold", "Warned ahead", _summary(every), heads=heads, rows=rows[:_ROWS], more=more)


def _summary(every: tuple[Foretold, ...]) -> list[str]:
    warned = [f for f in every if f.outcome != "not_foretold"]
    right = sum(f.outcome in ("came", "near") for f in warned)
    lines = []
    if warned:
        many = counted(len(warned), "warning")
        lines.append(f"Right: {right} of {many} ahead. A group passed the limit, or came near it, while it stood.")
    if any(f.outcome == "stayed_clear" for f in warned):
        lines.append("Where nothing came, the load was eased in time or it was false: a recording cannot tell which.")
    missed = len(every) - len(warned)
    if missed:
        lines.append(f"{counted(missed, 'time')} a group fell below empty with no warning ahead.")
    return lines


def _said(one: Foretold) -> str:
    urgent = (
        "" if one.urgent_s is None else ", now" if one.urgent_s == one.start_s else f", now at {clock(one.urgent_s)}"
    )
    return f"{_SAID[one.kind]}{urgent}"


def _stood(one: Foretold) -> str:
    if one.outcome == "not_foretold":
        return ""
    return "to the end" if one.end_s is None else brief(one.end_s - one.start_s)


def _then(one: Foretold) -> str:
    if one.outcome == "not_foretold":
        return f"not foretold; {volts(one.reached_v)}".rstrip("; ")
    if one.outcome == "not_read":
        return "not read"
    limit = "empty" if one.kind == "ease_off" else "its ceiling"
    beyond = "below" if one.kind == "ease_off" else "above"
    reached = f"group {one.reached_group} at {volts(one.reached_v)}"
    if one.after_s is not None:
        return f"{beyond} {limit} {brief(one.after_s)} later; {reached}"
    return f"{'near' if one.outcome == 'near' else 'clear of'} {limit}: {reached}"
