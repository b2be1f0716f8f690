"""Habits side by side: the spread over the next year, and the least balancing that keeps it under a limit.

Each habit is lived day by day by the simulator (`sim.run.daily_habit`) with the packs that this one may be. By hand:
the bleed that keeps up is leakage difference over the share of time (D. Andrea, Battery Management Systems for Large
Lithium-Ion Battery Packs, 2010; cited from memory).
"""

from __future__ import annotations

from bisect import bisect_left
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from evenstring.plan.state import PackState, drawn
from evenstring.sim.run.daily_habit import Fleet, Habit, live

__all__ = ["HABITS", "FirstDay", "Outlook", "first_day", "interval", "least_balancing", "outlooks"]

F64 = NDArray[np.float64]
HOLD_H = 2.0  # on the charger after full, where the rider does not say: our choice
HABITS = (
    ("full each time", Habit(full_every=1)),
    ("full every fifth time", Habit(full_every=5)),
    ("full every tenth time", Habit(full_every=10)),
    ("always stopped at 80 %", Habit(full_every=0)),
    ("80 %, full once a month", Habit(full_every=30)),
)
DAYS = 365  # our choice
_DRAWS = 100  # of a forecast: its 90 % interval is good to a tenth: our choice
_LEVELS = (0.05, 0.5, 0.95)
# Tried, longest pause first, for the least balancing: our choice
_PAUSES, _HOLDS_H = (60, 30, 20, 10, 7, 5, 3, 2, 1), (0.5, 1.0, 2.0, 4.0, 8.0)


@dataclass(frozen=True, slots=True)
class FirstDay:
    """The first day of something, from 1; 90 % interval. None: not within the year.

    `chance`: share of the packs that this one may be to which it happens within the year.
    """

    low: int | None
    middle: int | None
    high: int | None
    chance: float


@dataclass(frozen=True, slots=True, eq=False)
class Outlook:
    """One habit.

    Attributes:
        name, habit: as asked. spread_mv: (DAYS, 3) low, middle and high of a 90 % interval, at rest, the highest full.
        gap_percent: (DAYS, 3) of capacity: range that the lowest group takes from the pack.
        empty: when a group would first be at empty under load at the end of the usual ride.
        ceiling: when a group would first end the charge at its ceiling.
        charger_h_per_week: on the charger after full.
        last_mv: (draws,) spread after the year of each pack that this one may be, the same packs under each habit.
    """

    name: str
    habit: Habit
    spread_mv: F64
    gap_percent: F64
    empty: FirstDay
    ceiling: FirstDay
    charger_h_per_week: float
    last_mv: F64

    def keeps_evener(self, other: Outlook) -> float:
        """Share of the packs that this one may be which this habit leaves evener than another after the year."""
        return float(np.mean(self.last_mv < other.last_mv))


def outlooks(state: PackState, hold_h: float = HOLD_H, ride_share: float = 0.3, seed: int = 1) -> tuple[Outlook, ...]:
    """All habits with the same packs, so that their order is not a matter of chance."""
    fleet = drawn(state, _DRAWS, np.random.default_rng(seed))
    return tuple(
        _lived(name, fleet, replace(h, hold_h=hold_h, ride_share=ride_share), state.empty_v) for name, h in HABITS
    )


def _lived(name: str, fleet: Fleet, habit: Habit, empty_v: float) -> Outlook:
    years = live(fleet, habit, DAYS)
    full_a_week = 7.0 / habit.full_every if habit.full_every else 0.0
    return Outlook(
        name,
        habit,
        1e3 * interval(years.spread_v),
        100.0 * interval(years.gap_ah / np.median(fleet.capacity_ah)),
        first_day(years.lowest_v < empty_v),
        first_day(years.early),
        full_a_week * habit.hold_h,
        1e3 * years.spread_v[-1],
    )


def interval(values: F64) -> F64:
    """From (days, packs): (days, 3) low, middle and high, of which low to high holds 90 % of what is drawn next.

    That is with the k-th of n draws at k / (n + 1) (E. J. Gumbel, Statistics of Extremes, 1958; from memory). With
    the first and the last draw at 0 and 1 it would hold 88 % of a hundred.
    """
    return np.asarray(np.quantile(values, _LEVELS, axis=1, method="weibull").T)


def first_day(happens: NDArray[np.bool_]) -> FirstDay:
    """From (days, packs): on which day it first happened to a pack, over the packs."""
    ever = happens.any(axis=0)
    days = np.where(ever, happens.argmax(axis=0) + 1.0, np.inf)
    low, middle, high = (
        int(d) if np.isfinite(d) else None for d in np.quantile(days, _LEVELS, method="nearest").tolist()
    )
    return FirstDay(low, middle, high, float(ever.mean()))


def least_balancing(state: PackState, limit_mv: float, ride_share: float = 0.3, seed: int = 1) -> Habit | None:
    """The habit with the fewest hours on the charger that keeps the spread under a limit in 95 of 100; None: none does.

    Judged on every day of the year's last two months. For each hold the longest pause is found by halving, since to be
    full more often never leaves a pack less even; no pause is tried that would take more hours than what was found.
    """
    fleet = drawn(state, _DRAWS, np.random.default_rng(seed))

    def kept(habit: Habit) -> bool:
        worst = live(fleet, habit, DAYS).spread_v[-max(_PAUSES) :].max(axis=0)
        return 1e3 * float(np.quantile(worst, _LEVELS[-1])) <= limit_mv

    if not kept(Habit(ride_share=ride_share, full_every=_PAUSES[-1], hold_h=_HOLDS_H[-1])):
        return None
    least = None
    for hold_h in _HOLDS_H:
        habits = [Habit(ride_share=ride_share, full_every=pause, hold_h=hold_h) for pause in _PAUSES]
        fewer = [h for h in habits if least is None or hold_h / h.full_every < least.hold_h / least.full_every]
        longest = bisect_left(fewer, True, key=kept)
        least = fewer[longest] if longest < len(fewer) else least
    return least
