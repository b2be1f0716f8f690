"""Which group changed against the others, in what, since when: every series of every group is searched.

What may begin slowly is searched for a kink: a leak, a joint that loosens, a group that ages faster. What happens at
once for a step: a joint that gives way or is cleaned, a meter whose offset jumps, a group that was replaced. The level
of a group that leaks settles where balancing comes up with it, so that is searched for too.

Levels are coupled: while balancing is busy with one group that leaks, it bleeds all others alike and no longer evens
out their natural drift, so that each of them moves too. A level counts only where it moved farther than those of the
others do in the same weeks.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from evenstring.logbook.trends.change import Change, change
from evenstring.logbook.trends.dates import Kind
from evenstring.logbook.trends.history import History, Quantity
from evenstring.logbook.trends.line import trend
from evenstring.logbook.trends.points import WEEK_S, Points

__all__ = ["GroupChange", "group_changes"]

_KINDS: dict[Quantity, tuple[Kind, ...]] = {
    "departure": ("kink", "settling", "step"),
    "resistance": ("kink", "step"),
    "capacity": ("kink",),
}
# A change that is sure but smaller than this is not worth a word, and a meter moves as much with the seasons: mV (half
# the usual target of 10 mV), and parts of the median group's; our choice.
_LEAST: dict[Quantity, float] = {"departure": 5.0, "resistance": 0.06, "capacity": 0.02}
_LOOKS_A_YEAR = 52  # a rider looks weekly, so the bar holds for a year of looks at all groups; our choice
_LAST = 5  # recordings whose median says where a level that settles stands now: our choice
_STANDS_OUT = 3.5  # robust standard deviations: published (B. Iglewicz, D. C. Hoaglin, How to Detect Outliers, 1993)
_SIGMA_OF_MAD = 1.4826  # of normal scatter over its median absolute deviation: published (the same)
# How fast groups in which nothing began age apart, standard deviation, a week: of a string that loses 10 % a year a
# fifth of that, and half of it for resistances. Of levels nothing is known beforehand. Our choice.
_USUAL: dict[Quantity, float] = {"departure": math.inf, "resistance": 0.05 / 52, "capacity": 0.02 / 52}
# Balancing pushes a level about after a change, so that its course is no line and the date not as sure as one makes it:
# the interval's sides are longer by this, tuned on histories 5000 to 5499, where it holds 95 % of the dates of leaks.
_DATE_OF_LEVEL = 2.5
# Degrees of freedom that the other groups lend one group's scatter, as if the groups' own differed by a fifth; tuned on
# histories 0 to 99.
_BORROWED = 12


@dataclass(frozen=True, slots=True)
class GroupChange:
    """One group's change."""

    group: int  # from 1
    quantity: Quantity
    change: Change
    moved: float  # in the unit of the quantity: a step, else what it stands apart now from where it stood before

    @property
    def worse(self) -> bool:
        """Lower charge or capacity, higher resistance."""
        return self.moved > 0 if self.quantity == "resistance" else self.moved < 0

    @property
    def weight(self) -> float:
        """How many times what is worth a word."""
        return abs(self.moved) / _LEAST[self.quantity]


def group_changes(history: History) -> tuple[GroupChange, ...]:
    """The likeliest change of each series that has one, the surest first."""
    found = [
        made
        for quantity in _KINDS
        for group, series in enumerate(_alike(history, quantity), 1)
        if (made := _likeliest(series, quantity, group, history.groups * _LOOKS_A_YEAR)) is not None
        and (quantity != "departure" or _stands_out(history, made))
    ]
    return tuple(sorted(found, key=lambda one: -one.change.evidence))


def _stands_out(history: History, one: GroupChange) -> bool:
    """Whether this group's level moved since the date unlike those of the others, by the same line through each."""
    told = np.isfinite(history.departure_mv).all(axis=1)
    weeks = (history.end_s[told] - one.change.at_s) / WEEK_S
    columns = np.column_stack((np.ones(len(weeks)), weeks, one.change.shape(history.end_s[told])))
    _, slope, size = np.linalg.lstsq(columns, history.departure_mv[told], rcond=None)[0]
    moved = size * columns[-1, 2] + (slope * weeks[-1] if one.change.kind == "kink" else 0.0)
    away = np.abs(moved - np.median(moved))
    return bool(away[one.group - 1] > _STANDS_OUT * _SIGMA_OF_MAD * np.median(away))


def _alike(history: History, quantity: Quantity) -> list[Points]:
    """The groups' series, with the scatter between recordings of the middle group in each point's uncertainty.

    Few points of one group tell little of how they scatter; all groups together tell it well, and what a group scatters
    beyond that still counts for itself. The idea is that of moderated t (Smyth, Statistical Applications in Genetics
    and Molecular Biology 3, 2004, article 3).
    """
    series = [history.of_group(quantity, group) for group in range(1, history.groups + 1)]
    lines = [made for one in series if (made := trend(one)) is not None]
    excess = float(np.median([made.excess for made in lines])) if lines else 0.0
    return [Points(one.time_s, one.value, np.hypot(one.sigma, excess)) for one in series]


def _likeliest(series: Points, quantity: Quantity, group: int, looks: int) -> GroupChange | None:
    tried = (change(series, kind, looks, borrowed=_BORROWED, usual=_USUAL[quantity]) for kind in _KINDS[quantity])
    changes = [made for made in tried if made is not None]
    if not changes:
        return None
    best = max(changes, key=lambda one: one.explains - one.bar)
    moved = _moved(series, best)
    if quantity == "departure":
        best = _less_sure(series, best)
    return GroupChange(group, quantity, best, moved) if abs(moved) >= _LEAST[quantity] else None


def _moved(series: Points, one: Change) -> float:
    """By the changed line, where that is one."""
    if one.kind == "step":
        return one.size
    if one.kind == "kink":
        return (one.before + one.size) * float(series.time_s[-1] - one.at_s) / WEEK_S
    return float(np.median(series.since(one.at_s).value[-_LAST:]) - np.median(series.until(one.at_s).value))


def _less_sure(series: Points, one: Change) -> Change:
    low_s = one.at_s - _DATE_OF_LEVEL * (one.at_s - one.low_s)
    high_s = one.at_s + _DATE_OF_LEVEL * (one.high_s - one.at_s)
    return replace(one, low_s=max(low_s, float(series.time_s[0])), high_s=min(high_s, float(series.time_s[-1])))
