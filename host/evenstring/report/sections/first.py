"""The figures beside the verdict."""

from __future__ import annotations

from evenstring.report.material import Material
from evenstring.report.sections.balancing import interval, remaining_time
from evenstring.report.sections.section import Figure, at, claimed, millivolts

__all__ = ["headline_figures"]


def headline_figures(material: Material) -> list[Figure]:
    """Five figures, each with its note."""
    spread, link, balancing = material.found.spread, material.session.link, material.found.balancing
    damaged = link.frames_damaged + link.frames_lost
    resting = spread.rest_mv is not None
    return [
        (
            "spread at rest" if resting else "spread at the end",
            millivolts(spread.rest_mv if resting else spread.end_mv),
            claimed(spread, "rest" if resting else "end"),
        ),
        ("largest spread", millivolts(spread.max_mv), at(spread.max_at_s)),
        ("time to balanced", remaining_time(balancing), interval(balancing)),
        ("visits beyond a limit", str(len(material.found.events)), ""),
        ("frames damaged or lost", f"{damaged:,}", "" if damaged else "nothing is missing"),
    ]
