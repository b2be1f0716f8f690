"""Did the repair do what it should? Group by group: what stood out before, and what became of it. Pure.

A departure stands out beyond half of the target that is set for the string's spread, a resistance beyond two and a half
times the scatter of production. What was moved is said only beyond the interval of the change, which holds for all
groups together.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal, get_args

from evenstring.analysis.causes.catalogue import SCATTER
from evenstring.analysis.causes.estimates import RESISTANCE
from evenstring.analysis.results import Action
from evenstring.report.words import ACTIONS, listed
from evenstring.workshop.comparison.compare import Compared

__all__ = ["FATES", "Answer", "Became", "Fate", "answer"]

Fate = Literal["mended", "better", "still out", "worse"]
FATES: tuple[Fate, ...] = get_args(Fate)
_OUT_PERCENT = 2.5 * float(SCATTER[RESISTANCE])  # resistance over the median's: our choice
_STOPPING: tuple[Action, ...] = ("do_not_charge", "inspect")  # with such a verdict no repair is done: our choice
_WAIT = "leave it on the charger past its light and record that; what is then still out is not mended by charging"
_AGAIN = "look at the work on these groups and at their sense leads again, then record once more"
_LATER = "record it again in some weeks: a leak comes back"
_SURE = "make sure that both recordings are of this pack, with the groups counted from the same end"
_BOTH = "record a charge to its held voltage, and a ride with the current, before and after"


@dataclass(frozen=True, slots=True)
class Became:
    """What became of a group that stood out before, or does now.

    Attributes:
        group: from 1.
        quantity: "level", mV from the median group at the end of the charge; "resistance", % over the median group's.
        fate: mended, better, still out, or worse.
        before, after: in that unit. changed: low, middle, high.
    """

    group: int
    quantity: Literal["level", "resistance"]
    fate: Fate
    before: float
    after: float
    changed: tuple[float, float, float]


@dataclass(frozen=True, slots=True)
class Answer:
    """The answer in one line, whether it is a good one, what it rests on, and what to do next."""

    headline: str
    good: bool
    became: tuple[Became, ...]
    next: str


def answer(found: Compared) -> Answer:
    """From the rows of a comparison."""
    became = _became(found)
    headline, good, todo = _said(found, became)
    return Answer(headline, good, became, todo)


def _said(found: Compared, became: tuple[Became, ...]) -> tuple[str, bool, str]:
    """The first that holds, the gravest first."""
    of = {fate: sorted({b.group for b in became if b.fate == fate}) for fate in FATES}
    left = sorted({*of["better"], *of["still out"]})
    stops = next((a for a in _STOPPING if a == found.verdicts[1]), None)
    nothing = not any(r.moved_mv or r.changed_percent for r in found.rows)
    cases = (
        (found.other_pack, "These may be two packs: no repair can be judged by them", False, _SURE),
        (stops, f"Not done. {ACTIONS[stops or 'inspect']}", False, "read the report of the later recording"),
        (of["worse"], f"Worse than before: {_groups(of['worse'])}", False, _AGAIN),
        (of["mended"] and not left, f"The repair did what it should: {_groups(of['mended'])}", True, _LATER),
        (of["mended"] or of["better"], f"Better, but not all of it: {_groups(left)} still out", False, _WAIT),
        (left, f"The repair does not show: {_groups(left)} as before", False, _WAIT),
        (nothing, "Too little in common to compare", False, _BOTH),
        (True, "No group stood out before, and none does now", True, "nothing; keep both recordings"),
    )
    return next((headline, good, todo) for holds, headline, good, todo in cases if holds)


def _groups(numbers: list[int]) -> str:
    return f"group{'' if len(numbers) == 1 else 's'} {listed(numbers)}"


def _became(found: Compared) -> tuple[Became, ...]:
    out = []
    for row in found.rows:
        if row.departure_mv is not None and row.moved_mv is not None:
            away = abs(row.departure_mv[0]), abs(row.departure_mv[1])
            fate = _fate(away, row.moved_mv, found.level_mv)
            if fate:
                out.append(Became(row.group, "level", fate, *row.departure_mv, row.moved_mv))
        if row.resistance_percent is not None and row.changed_percent is not None:
            over = max(row.resistance_percent[0], 0.0), max(row.resistance_percent[1], 0.0)
            fate = _fate(over, row.changed_percent, _OUT_PERCENT)
            if fate:
                out.append(Became(row.group, "resistance", fate, *row.resistance_percent, row.changed_percent))
    return tuple(out)


def _fate(away: tuple[float, float], changed: tuple[float, float, float], most: float) -> Fate | None:
    """None: it did not stand out before, and does not now by more than chance."""
    before, after = away
    clear = changed[0] > 0.0 or changed[2] < 0.0
    if clear and after > before:
        return "worse" if after > most else None
    if before <= most:
        return None
    if not clear:
        return "still out"
    return "mended" if after <= most else "better"
