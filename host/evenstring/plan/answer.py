"""What the plan says, for terminal, page and JSON: one answer for the next charge, a row a habit, what it rests on."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

import numpy as np

from evenstring.chemistry import CHEMISTRIES
from evenstring.ocv import default_curve
from evenstring.plan.ageing import capacity_lost
from evenstring.plan.first import First
from evenstring.plan.habits import DAYS, FirstDay, Outlook, least_balancing, outlooks
from evenstring.plan.state import PackState
from evenstring.sim.run.daily_habit import Habit

__all__ = ["CAUTION", "STORAGE", "Answer", "Asked", "Plan", "answer", "dated", "made_plan", "ranged", "rests_on", "row"]

_DAY_S = 86_400.0  # published (SI brochure, day)
_ORDINAL = {2: "second", 3: "third", 5: "fifth", 7: "seventh", 10: "tenth"}
_SELDOM = 0.05  # chance below which a first day is not spoken of: half of what a 90 % interval leaves out
CAUTION = (
    "Stay with a pack while it charges, or somebody who would notice; never charge a group that was below its discard"
    " voltage."
)
STORAGE = "Storage of weeks: leave it at 50 to 60 %; on coming back charge to full and leave it on for 2 to 3 h."


@dataclass(frozen=True, slots=True)
class Asked:
    """What the rider says: hours on the charger after full, share of the pack ridden a day, spread that is too much."""

    hold_h: float
    ride_share: float
    limit_mv: float


@dataclass(frozen=True, slots=True)
class Answer:
    """Of the next charge: the headline, why, and what to do."""

    headline: str
    why: str
    do: str


@dataclass(frozen=True, slots=True, eq=False)
class Plan:
    """All of it."""

    state: PackState
    asked: Asked
    ahead: tuple[Outlook, ...]
    least: Habit | None
    first: First | None = None  # what comes before any habit


def made_plan(state: PackState, asked: Asked, first: First | None = None) -> Plan:
    """Lives the year under each habit, and looks for the least balancing."""
    ahead = outlooks(state, asked.hold_h, asked.ride_share)
    return Plan(state, asked, ahead, least_balancing(state, asked.limit_mv, asked.ride_share), first)


def answer(plan: Plan) -> Answer:
    """What a rider who reads one line only should know."""
    habit = _habit(plan)
    if plan.first is None:
        return habit
    why = f"{plan.first.why}. " if plan.first.why else ""
    return Answer(plan.first.headline, f"{why}From then on: {habit.do}", plan.first.do)


def _habit(plan: Plan) -> Answer:
    limit = f"{plan.asked.limit_mv:.0f} mV"
    never = next(o for o in plan.ahead if o.habit.full_every == 0)
    if float(never.spread_mv[-1, 1:].max()) <= plan.asked.limit_mv:
        why = f"Stopped at 80 % it stays within {limit} for a year"
        return Answer("Stop at 80 % as you like", why, "stop at 80 %; charge to full when you need the range")
    if plan.least is None:
        return _none_keeps(plan, limit)
    pause, hold = plan.least.full_every, _hours_words(plan.least.hold_h)
    often = "every time" if pause == 1 else f"every {_ORDINAL.get(pause, f'{pause}th')} time"
    why = f"Charged to full {often} and left on for {hold} after the light, it stays within {limit}"
    to_full = f"to full, and leave it on for {hold} after the light, where you can watch it"
    if pause == 1:
        do = to_full
    elif plan.first is None and _now_mv(plan.state) > plan.asked.limit_mv:
        do = f"{to_full}; after that every {_ORDINAL.get(pause, f'{pause}th')} time, and 80 % between"
    else:
        do = f"stop at 80 %, but {often} {to_full}"
    return Answer(f"To full {often}, and on for {hold}", why, do)


def _none_keeps(plan: Plan, limit: str) -> Answer:
    if plan.state.leak is None:
        why = f"No habit tried here keeps it within {limit}, by a drift that is assumed"
        do = "to full, and stay with it; record two rests some days apart, so that its own drift is known"
    else:
        why = f"No habit tried here keeps it within {limit}: it may drift faster than its board balances"
        do = "have it inspected; until then stay with it at each charge"
    return Answer("No habit of charging keeps it even", why, do)


def _hours_words(hours: float) -> str:
    """Hours as people say them."""
    return "half an hour" if hours == 0.5 else f"{hours:g} h"


def _now_mv(state: PackState) -> float:
    """Spread at full, of what is known of the groups' charge now."""
    curve = default_curve(state.chemistry)
    slope = float(curve.slope_v(curve.soc(state.full_v)))
    return 1e3 * slope * float(np.ptp(state.gap))


def row(plan: Plan, one: Outlook) -> dict[str, Any]:
    """One habit; ageing beside the drift. Ageing is None where no published model fits the chemistry."""
    aged = aged_percent(plan.state, one, plan.asked.ride_share, DAYS)
    return {
        "habit": one.name,
        "spread_mv": [round(float(v), 1) for v in one.spread_mv[-1]],
        "lost_to_spread_percent": [round(float(v), 2) for v in one.gap_percent[-1]],
        "lost_to_ageing_percent": None if aged is None else round(aged, 1),
        "first_empty_under_load": _first(one.empty, plan.state.start_s),
        "first_ceiling": _first(one.ceiling, plan.state.start_s),
        "charger_h_per_week": round(one.charger_h_per_week, 1),
    }


def aged_percent(state: PackState, one: Outlook, ride_share: float, days: float) -> float | None:
    """% of the capacity that the ordinary day of a habit takes in so many days."""
    if CHEMISTRIES[state.chemistry].judged_by_charge:
        return None
    top = one.habit.stop_soc if one.habit.full_every != 1 else 1.0
    return 100.0 * capacity_lost(state.chemistry, top, ride_share, days)


def _first(found: FirstDay, start_s: float | None) -> dict[str, Any]:
    days = {"low": found.low, "middle": found.middle, "high": found.high}
    return {
        "days": days,
        "dates": {k: None if d is None or start_s is None else _date(d, start_s) for k, d in days.items()},
        "chance": round(found.chance, 2),
    }


def _date(day: int, start_s: float) -> str:
    return datetime.fromtimestamp(start_s + day * _DAY_S, UTC).strftime("%Y-%m-%d")


def dated(found: FirstDay, start_s: float | None) -> str:
    """In words: a date, or the day of the year to come, with a 90 % interval; or that it is not within the year."""
    if found.chance < _SELDOM:
        return "not within a year"

    def when(day: int) -> str:
        return f"day {day}" if start_s is None else _date(day, start_s)

    if found.low is None or found.middle is None:
        return f"perhaps: in {100 * found.chance:.0f} of 100 packs like this, within a year"
    high = "later than a year" if found.high is None else when(found.high)
    return f"{when(found.middle)} ({when(found.low)} to {high})"


def ranged(low: float, middle: float, high: float) -> str:
    """Whole numbers with their interval, which is left out where it would say the same number three times."""
    said = [f"{value:.0f}" for value in (low, middle, high)]
    return said[1] if len(set(said)) == 1 else f"{said[1]} ({said[0]} to {said[2]})"


def rests_on(plan: Plan) -> tuple[str, ...]:
    """What is assumed, and what would make it surer."""
    state, said = plan.state, []
    if state.assumed:
        said.append(f"Assumed, since nobody says it: {'; '.join(state.assumed)}.")
    if state.leak is None:
        said.append(
            "Drift is assumed: no two rests, days apart with nothing between, tell it. Such a pair makes it sure."
        )
    if not state.sag_known:
        said.append(
            "The sag under load is assumed, a quarter of a volt: a recorded ride with current makes the date of empty"
            " this pack's own."
        )
    if CHEMISTRIES[state.chemistry].judged_by_charge:
        said.append("Ageing is not told: the published model is of NMC cells.")
    else:
        said.append("Ageing: a published NMC model at 25 °C, below its tests: compare habits by it, not years.")
    return tuple(said)
