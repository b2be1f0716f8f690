"""Visits of single groups beyond a limit, and open sense leads."""

from __future__ import annotations

import numpy as np

from evenstring.report.drawing.axis import Axis, clock, time_axis
from evenstring.report.drawing.level_line import phase_spans
from evenstring.report.drawing.picture import Line, Picture
from evenstring.report.material import Material
from evenstring.report.sections.first import is_visit
from evenstring.report.sections.section import Section, brief, drawn, volts
from evenstring.report.words import EVENTS, counted

__all__ = ["section"]

_ROWS = 100  # visits in the table; our choice
_BARS = 800  # visits in the picture; our choice
_NAMED_EVENTS = 8  # groups named beside their bars; our choice


def section(material: Material) -> Section:
    """Words, table and picture."""
    every, seen = material.found.events, material.found.shortest_visible_s
    events = tuple(sorted(every, key=lambda e: (not is_visit(e), e.start_s)))  # those that count come first
    hidden = "" if seen is None else f"A dip shorter than {brief(seen)} can hide between two looks."
    aside = sum(not is_visit(e) for e in events)
    if aside:
        many = f"{counted(aside, 'time')} a group stood just above full"
        hidden = f"{hidden} {many}: under the ceiling, that counts as no visit.".strip()
    if not events:
        seen_none = [f"No group was seen beyond a limit. {hidden}"]
        return Section("events", "Limits", seen_none, missing=material.missing("events.below_discard"))
    rows = [
        (
            f"group {e.group}",
            EVENTS[e.kind],
            clock(e.start_s),
            brief(e.duration_s),
            volts(e.extreme_v) or "no reading",
            {True: "under load", False: "without load", None: "not known"}[e.under_load],
            "within the meter's uncertainty" if e.certainty == "within_uncertainty" else "clear",
        )
        for e in events[:_ROWS]
    ]
    more = f"{len(events) - _ROWS} more are in report.json." if len(events) > _ROWS else ""
    heads = ["where", "what", "when", "for", "extreme", "load", "certainty"]
    return Section("events", "Limits", [hidden] * bool(hidden), [], drawn(_picture(material)), heads, rows, more)


def _picture(material: Material) -> Picture | None:
    """When and where on the string a limit was passed: time across, place along the string upwards."""
    session, events = material.session, material.found.events
    if not events or session.scans < 2:
        return None
    least = session.duration_s / 160  # a short visit must still be seen
    by_group: dict[int, str] = {}
    lines = []
    for e in sorted(events, key=lambda one: one.start_s)[:_BARS]:
        start = min(e.start_s, session.duration_s - least)
        end = min(max(start + e.duration_s, start + least), session.duration_s)
        by_group.setdefault(e.group, EVENTS[e.kind])
        name = f"group {e.group}, {EVENTS[e.kind]}"
        lines.append(Line(np.array([start, end]), np.array([e.group] * 2, float), name, f"event {e.kind}"))
    if len(by_group) <= _NAMED_EVENTS:  # more would lie on each other; the scale and the table name them all
        edge = np.array([session.duration_s])
        lines += [Line(edge, np.array([float(g)]), "", "label", f"group {g}") for g in by_group]
    said = ", ".join(f"group {g} {word}" for g, word in sorted(by_group.items()))
    return Picture(
        key="events",
        alt=f"{len(events)} visits beyond a limit: {said}.",
        caption="Each bar is one visit of one group beyond a limit, at its place along the string"
        " (group 1 is at pack negative). Very short visits are drawn wider than they were.",
        x=time_axis(0.0, session.duration_s),
        y=_places(session.groups),
        y_word="place along the string",
        lines=tuple(lines),
        spans=phase_spans(material.found.phases),
    )


def _places(groups: int) -> Axis:
    step = max(round(groups / 6), 1)
    marks = sorted({1, *range(step, groups + 1, step), groups})
    return Axis(0.2, groups + 0.8, tuple((float(m), str(m)) for m in marks), "place along the string")
