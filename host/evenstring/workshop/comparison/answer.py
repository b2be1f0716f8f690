"""Did the repair do what it should? Group by group: what stood out before, and what became of it. Pure.

A level stands out beyond half of the target that is set for the string's spread, anything else beyond two and a half
times the scatter of production. What was moved is said only beyond the interval of the change, which holds for all
groups together.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal, get_args

from evenstring.analysis.results import Action
from evenstring.report.words import ACTIONS, listed
from evenstring.workshop.comparison.compare import Change, Compared
from evenstring.workshop.comparison.quantities import QUANTITIES, Kind

__all__ = ["FATES", "UNPROVED", "Answer", "Became", "Fate", "answer"]

Fate = Literal["mended", "better", "still out", "worse"]
FATES: tuple[Fate, ...] = get_args(Fate)  # the gravest last
UNPROVED = (
    "nothing in these two says that they are of one pack: compare them only if you know it (then give --same-pack)."
    " What would say it: a name in pack.toml (evenstring pack --name), or an id of its own on the board"
)
_STOPPING: tuple[Action, ...] = ("do_not_charge", "inspect")  # with such a verdict no repair is done: our choice
_LASTING = ("capacity", "resistance")
_WAIT = "leave it on the charger past its light and record that; what is then still out is not mended by charging"
_NO_CHARGE = "no charging mends capacity or resistance: look at cells, joints and sense leads of these groups"
_AGAIN = "look at the work on these groups and at their sense leads again, then record once more"
_LATER = "record it again in some weeks: a leak comes back"
_SURE = "make sure that both recordings are of this pack, with the groups counted from the same end"
_BOTH = "record a charge to its held voltage, and a ride with the current, before and after"


@dataclass(frozen=True, slots=True)
class Became:
    """What became of a group that stood out before, or does now.

    Attributes:
        group: from 1.
        fate: mended, better, still out, or worse.
        change: of the quantity that stood out.
    """

    group: int
    fate: Fate
    change: Change


@dataclass(frozen=True, slots=True)
class Answer:
    """The answer in one line, whether it is a good one, what it rests on, and what to do next."""

    headline: str
    good: bool
    became: tuple[Became, ...]
    next: str


def answer(found: Compared) -> Answer:
    """From the rows of a comparison."""
    became = () if found.other_pack else _became(found)
    headline, good, todo = _said(found, became)
    return Answer(headline, good, became, todo)


def _said(found: Compared, became: tuple[Became, ...]) -> tuple[str, bool, str]:
    """The first that holds, the gravest first."""
    of = {fate: sorted({b.group for b in became if b.fate == fate}) for fate in FATES}
    left = sorted({*of["better"], *of["still out"]})
    lasting = any(b.fate in ("better", "still out") and b.change.quantity in _LASTING for b in became)
    todo = _NO_CHARGE if lasting else _WAIT
    stops = next((a for a in _STOPPING if a == found.verdicts[1]), None)
    nothing = not any(r.changes for r in found.rows)
    cases = (
        (found.other_pack, "These may be two packs: no repair can be judged by them", False, _SURE),
        (stops, f"Not done. {ACTIONS[stops or 'inspect']}", False, "read the report of the later recording"),
        (of["worse"], f"Worse than before: {_groups(of['worse'])}", False, _AGAIN),
        (of["mended"] and not left, f"The repair did what it should: {_groups(of['mended'])}", True, _LATER),
        (of["mended"] or of["better"], f"Better, but not all of it: {_groups(left)} still out", False, todo),
        (left, f"The repair does not show: {_groups(left)} as before", False, todo),
        (nothing, "Too little in common to compare", False, _BOTH),
        (True, "No group stood out before, and none does now", True, "nothing; keep both recordings"),
    )
    return next((headline, good, todo) for holds, headline, good, todo in cases if holds)


def _groups(numbers: list[int]) -> str:
    return f"group{'' if len(numbers) == 1 else 's'} {listed(numbers)}"


def _became(found: Compared) -> tuple[Became, ...]:
    out = []
    for row in found.rows:
        for kind in QUANTITIES:
            change = row.of(kind.key)
            fate = None if change is None else _fate(change, kind, found.level_mv)
            if change is not None and fate is not None:
                out.append(Became(row.group, fate, change))
    return tuple(sorted(out, key=lambda b: -FATES.index(b.fate)))  # the gravest first


def _fate(change: Change, kind: Kind, level_mv: float) -> Fate | None:
    """None: it did not stand out before, and does not now by more than chance."""
    most = level_mv if kind.most is None else kind.most
    before, after = _out(change.before, kind.bad), _out(change.after, kind.bad)
    if change.clear and after > before:
        return "worse" if after > most else None
    if before <= most:
        return None
    if not change.clear:
        return "still out"
    return "mended" if after <= most else "better"


def _out(value: float, bad: int) -> float:
    """How far on the side that is a weakness."""
    return abs(value) if bad == 0 else max(bad * value, 0.0)
