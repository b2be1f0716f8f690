"""The figures beside the verdict: from the same facts as its sentences, each with when and of what it speaks."""

from __future__ import annotations

from collections import Counter

from evenstring.analysis.results import Event
from evenstring.report.drawing.axis import clock
from evenstring.report.material import Material
from evenstring.report.sections.balancing import interval, remaining_time
from evenstring.report.sections.section import Figure, both, claimed, millivolts
from evenstring.report.words import EVENTS, PHASES, counted

__all__ = ["headline_figures", "is_visit"]


def is_visit(event: Event) -> bool:
    """Whether an event counts as a visit beyond a limit.

    A little above full and under the ceiling is what a charge is, and what braking on a full pack makes for a moment.
    """
    return event.kind != "above_full"


def headline_figures(material: Material) -> list[Figure]:
    """Five figures, each with its note."""
    link = material.session.link
    damaged = link.frames_damaged + link.frames_lost
    return [
        _spread(material),
        _largest(material),
        _balanced(material),
        _visits(material),
        ("frames damaged or lost", f"{damaged:,}", _missing(damaged, link.cut_on_joining)),
    ]


def _missing(damaged: int, cut: int) -> str:
    if damaged > cut:
        return ""
    return "cut by joining a board that was sending; nothing is missing" if cut else "nothing is missing"


def _spread(material: Material) -> Figure:
    """The spread that the words on balance speak of; where there are none, the one at rest, else at the end."""
    spread, b = material.found.spread, material.found.balancing
    if b.state != "not_reached" and b.spread_mv is not None and b.at_s is not None and not _even_at_rest(material):
        return "spread on the charger", millivolts(b.spread_mv), f"at {clock(b.at_s)}"
    where = "rest" if spread.rest_mv is not None else "end"
    value = spread.rest_mv if where == "rest" else spread.end_mv
    relaxed = "" if where == "end" or spread.rest_after_s is None else f"after {clock(spread.rest_after_s)}"
    return (
        f"spread at {'rest' if where == 'rest' else 'the end'}",
        millivolts(value),
        both(relaxed, claimed(spread, where)),
    )


def _even_at_rest(material: Material) -> bool:
    """Whether it is the rest that shows the string balanced, not the charge before it."""
    b, rest_mv = material.found.balancing, material.found.spread.rest_mv
    over = b.spread_mv is not None and b.spread_mv > b.target_mv
    return b.state == "balanced" and over and rest_mv is not None and rest_mv <= b.target_mv


def _largest(material: Material) -> Figure:
    spread = material.found.spread
    at_s = spread.max_at_s
    kind = next((p.kind for p in material.found.phases if at_s is not None and p.start_s <= at_s <= p.end_s), None)
    during = "" if kind is None or kind == "unknown" else f", {PHASES[kind]}"
    return "largest spread", millivolts(spread.max_mv), "" if at_s is None else f"at {clock(at_s)}{during}"


def _balanced(material: Material) -> Figure:
    b = material.found.balancing
    when = "" if b.at_s is None else f"on the charger, at {clock(b.at_s)}"
    goal = f"within {b.target_percent:.0f} % of charge" if b.target_percent is not None else f"to {b.target_mv:g} mV"
    if _even_at_rest(material):
        return "time to balanced", "reached", f"{goal}, at rest"
    over = b.target_percent is None and b.spread_mv is not None and b.spread_mv > b.target_mv
    if b.state == "balanced" and not over:
        return "time to balanced", "reached", both(goal, when)
    if b.state == "not_reached":
        why = (
            "no hour at constant voltage to tell it from" if b.at_s is None else "this charge does not tell; why, below"
        )
        return "time to balanced", "not known", why
    if b.state == "balanced" or b.remaining_low_s == 0.0:
        return "time to balanced", "about reached", both("as near as this meter can tell", when)
    return "time to balanced", remaining_time(b), both(interval(b), goal if b.state == "converging" else "")


def _visits(material: Material) -> Figure:
    events = material.found.events
    counts = [e for e in events if is_visit(e)]
    unsure = sum(e.certainty != "yes" for e in counts)
    notes = [f"{n} {EVENTS[kind]}" for kind, n in Counter(e.kind for e in counts).most_common()]
    notes += [f"{unsure} of them within the meter's uncertainty"] if unsure else []
    if len(events) > len(counts):
        notes.append(f"besides {counted(len(events) - len(counts), 'time')} just above full")
    return "visits beyond a limit", str(len(counts)), "; ".join(notes)
