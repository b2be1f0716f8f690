"""What a look at the groups leaves open, in words, and which recording would tell."""

from __future__ import annotations

from evenstring.analysis.causes.evidence.estimates import Evidence
from evenstring.analysis.results import Weakness

__all__ = ["next_recording", "undecided", "why_unsure"]

_SHALLOW, _HALF_DEEP = 0.15, 0.4  # of the capacity moved: a small fault hides; more would show: our choice


def why_unsure(evidence: Evidence, found: tuple[Weakness, ...]) -> str:
    """Why more could be known, or nothing."""
    why = undecided(found)
    if evidence.depth < _SHALLOW:
        why.append(f"only {evidence.depth:.0%} of the capacity was moved: a small fault would not show")
    elif not evidence.has_steps:
        why.append("no ride was recorded: a small fault would not show")
    return "; ".join(why)


def undecided(found: tuple[Weakness, ...]) -> list[str]:
    """The groups that stand out without a cause, in words."""
    said = []
    causes = [w.group for w in found if w.cause == "cannot_tell" and not w.within_scatter]
    if causes:
        said.append(f"{_groups(causes)}, but this recording fits more than one cause")
    little = [w.group for w in found if w.within_scatter]
    if little:
        said.append(f"{_groups(little)}, though no further than production scatter goes")
    return said


def _groups(numbers: list[int]) -> str:
    """Who stands out, in words."""
    listed = ", ".join(str(n) for n in sorted(numbers))
    return f"groups {listed} stand out" if len(numbers) > 1 else f"group {listed} stands out"


def next_recording(evidence: Evidence, found: tuple[Weakness, ...]) -> str:
    """What would tell."""
    if not evidence.has_steps:
        return "a ride with the current sensor, then a whole charge"
    if found and all(w.within_scatter for w in found):
        return "the same again in some weeks: what has grown is a fault, what has not is scatter"
    if evidence.depth < _HALF_DEEP:
        return "a ride below half, then a whole charge in one recording"
    return "two rests a week apart with no charge between"
