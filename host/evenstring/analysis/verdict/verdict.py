"""What people commonly do next. Each reason names the number it rests on and the picture that shows it.

Never "safe": it says what was measured, how surely. Do not charge: a group was below the discard voltage at rest, free
of its resistive drop, or for more than ten seconds. A short dip under load is a reason to inspect, unless the profile
says strict. An open sense lead is ruled out before any cell is accused.
"""

from __future__ import annotations

from evenstring.analysis.results import Balancing, Charge, Event, Evidence, Ride, Verdict
from evenstring.profile import PackProfile

__all__ = ["find_verdict"]

_LONG_S = 10.0  # below discard for longer is no dip: our choice
_ORDER = ("do_not_charge", "inspect", "keep_charging", "ride")
_MANY = 5  # our choice


def find_verdict(
    profile: PackProfile,
    events: tuple[Event, ...],
    charge: Charge,
    balancing: Balancing,
    rides: tuple[Ride, ...],
) -> Verdict:
    """The most serious action that any finding asks for, with the reasons of that and of the lesser ones."""
    asked: list[tuple[str, Evidence]] = []
    asked += _from_events(events, profile)
    asked += _from_rides(rides)
    asked += _from_charge(charge, profile)
    asked += _from_balancing(charge, balancing)
    if not asked:
        text = "No group was seen beyond a limit, and nothing here asks for more charging."
        asked = [("ride", Evidence(text, "events", "levels"))]
    asked.sort(key=lambda a: _ORDER.index(a[0]))
    action = asked[0][0]
    evidence = tuple(e for _, e in asked[: 2 * _MANY])
    keep = balancing.remaining_s if action == "keep_charging" else None
    return Verdict(action, tuple(e.text for e in evidence), evidence, keep)


def _from_events(events: tuple[Event, ...], profile: PackProfile) -> list[tuple[str, Evidence]]:
    asked: list[tuple[str, Evidence]] = []
    open_leads = [(e.group, e.start_s, e.start_s + e.duration_s) for e in events if e.kind == "lead_open"]
    for k, e in enumerate(events):
        action = _action(e, profile)
        if action is None:
            continue
        if action == "do_not_charge" and any(
            abs(g - e.group) <= 1 and a - 5 <= e.start_s <= b + 5 for g, a, b in open_leads
        ):
            action = "inspect"
        asked.append((action, Evidence(_sentence(e), f"events[{k}]", "events")))
    # The worst of each kind and action speak; the rest are in the list of events.
    kept: list[tuple[str, Evidence]] = []
    for action in _ORDER:
        of = [a for a in asked if a[0] == action]
        kept += of[:_MANY]
        if len(of) > _MANY:
            kept.append((action, Evidence(f"And {len(of) - _MANY} more visits beyond a limit.", "events", "events")))
    return kept


def _action(e: Event, profile: PackProfile) -> str | None:
    if e.kind == "reversed":
        return "do_not_charge"
    if e.kind == "below_discard":
        resting = e.under_load is False
        ir_free = e.ir_free_v is not None and e.ir_free_v < profile.discard_v
        deep = resting or ir_free or e.duration_s > _LONG_S or profile.strict_discard
        return "do_not_charge" if deep and (e.certainty == "yes" or resting) else "inspect"
    if e.kind in ("above_ceiling", "lead_open"):
        return "inspect"
    if e.kind == "below_empty" and (e.under_load is False or e.duration_s > _LONG_S):
        return "inspect"
    return None


def _sentence(e: Event) -> str:
    what = e.kind.replace("_", " ")
    if e.kind == "lead_open":
        when = f"for {e.duration_s:.0f} s from {e.start_s:.0f} s on"
        return f"The sense lead of group {e.group} was open {when}; mend it before judging the cells."
    level = "beyond the meter's range" if e.extreme_v is None else f"at {e.extreme_v:.3f} V"
    load = {True: ", with current flowing", False: ", at rest", None: ""}[e.under_load]
    sure = "" if e.certainty == "yes" else " (within the meter's uncertainty of the limit)"
    return f"Group {e.group} was {what} for {e.duration_s:.1f} s, {level}{load}{sure}."


def _from_rides(rides: tuple[Ride, ...]) -> list[tuple[str, Evidence]]:
    asked = []
    for k, ride in enumerate(rides):
        if ride.ended == "cut_under_load":
            level = f"group {ride.group} at {ride.lowest_v:.2f} V"
            text = f"The ride ended under load with {level}: power was probably cut because of it."
            asked.append(("inspect", Evidence(text, f"rides[{k}].ended", "levels")))
        elif ride.ended == "regen_near_ceiling":
            text = f"Braking lifted group {ride.group} above full: leave room before a descent, or braking may be cut."
            asked.append(("ride", Evidence(text, f"rides[{k}].ended", "levels")))
    return asked


def _from_charge(charge: Charge, profile: PackProfile) -> list[tuple[str, Evidence]]:
    low = f"group {charge.lowest_group} at {charge.lowest_v_end:.3f} V" if charge.lowest_v_end is not None else ""
    if charge.ended == "stopped_early":
        who = " or ".join(str(g) for g in charge.cause_groups)
        text = f"The charge stopped with group {who} at its ceiling while {low} was still low."
        serious = charge.lowest_v_end is not None and charge.lowest_v_end < profile.full_v - 0.2
        return [("inspect" if serious else "keep_charging", Evidence(text, "charge.cause_group", "levels"))]
    if charge.ended == "ended_uneven":
        text = f"The charger finished, but {low} is short of full by {charge.short_ah:.2f} Ah or more."
        serious = charge.lowest_v_end is not None and charge.lowest_v_end < profile.full_v - 0.2
        return [("inspect" if serious else "keep_charging", Evidence(text, "charge.lowest_group", "levels"))]
    if charge.ended in ("interrupted_in_cv", "stopped_before_cv"):
        where = "in" if charge.ended == "interrupted_in_cv" else "before"
        text = f"The charge ended {where} its constant-voltage part, where balancing mostly happens."
        return [("ride", Evidence(text, "charge.ended", "levels"))]
    if charge.ended == "charger_low":
        text = "The charger finished below full: set low, stopped by a setting, or a group is missing."
        return [("ride", Evidence(text, "charger.plateau_per_group_v", "levels"))]
    return []


def _from_balancing(charge: Charge, balancing: Balancing) -> list[tuple[str, Evidence]]:
    if balancing.state == "converging" and balancing.remaining_s is not None:
        hours = balancing.remaining_s / 3600.0
        much = "more than a day" if balancing.answer == "over_24_h" else f"about {hours:.1f} h"
        pace = f"at {balancing.rate_mv_per_h:.1f} mV an hour"
        by_charge = balancing.target_percent is not None
        goal = f"{balancing.target_percent:.0f} % of charge" if by_charge else f"{balancing.target_mv:.0f} mV"
        text = f"The groups are getting even {pace}; {much} more on the charger to {goal}."
        return [("keep_charging", Evidence(text, "balancing.remaining_s", "balancing"))]
    if balancing.state == "not_converging":
        text = f"The spread of {balancing.spread_mv:.0f} mV is not closing: {'; '.join(balancing.reasons)}."
        return [("inspect", Evidence(text, "balancing.state", "balancing"))]
    if balancing.state == "balanced" and charge.ended == "full":
        return [("ride", Evidence("The charge was full and the groups even at its end.", "balancing.state", "spread"))]
    return []
