"""Each reason of the verdict as one sentence: the only place that words them."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from evenstring.analysis.results import (
    Balancing,
    Charge,
    Coverage,
    Event,
    Hazard,
    Reason,
    ReasonKind,
    Ride,
    TemperatureVisit,
    Verdict,
    Weakness,
)
from evenstring.report.drawing.axis import clock
from evenstring.report.sections.section import brief
from evenstring.report.words import ACTIONS, EVENTS, counted, listed, surely

__all__ = ["headline", "sentence", "sure_line"]

_TENFOLD = 900.0  # % more, from where times are said: our choice


def sentence(reason: Reason) -> str:
    """What a reader is told."""
    return _WORDS[reason.kind](reason.rests_on)


def sure_line(verdict: Verdict) -> str:
    """How sure the headline is, in words."""
    if verdict.action == "too_little_data":
        return "What is missing is said below; nothing more is claimed."
    return f"How sure: {surely(verdict.confidence)}."


def headline(verdict: Verdict) -> str:
    """The action in words; where no one group is weak but the string uneven, it says that."""
    uneven = verdict.reasons and verdict.reasons[0].kind in ("leaves_with_light", "uneven_for_good", "ended_uneven")
    if verdict.action == "ride_weak_group" and uneven:
        return "Rideable, but it does not get even"
    kinds = {r.kind for r in verdict.reasons}
    if verdict.action == "ride_weak_group" and not kinds & {"low_capacity", "high_resistance"}:
        return "Rideable, but it was ridden to its end"
    return ACTIONS[verdict.action]


def _visit(e: Event) -> str:
    if e.kind == "lead_open":
        when = f"for {brief(e.duration_s)} from {clock(e.start_s)} on"
        return f"The sense lead of group {e.group} was open {when}; mend it before judging the cells."
    level = "beyond the meter's range" if e.extreme_v is None else f"at {e.extreme_v:.3f} V"
    load = {True: ", with current flowing", False: ", at rest", None: ""}[e.under_load]
    return f"Group {e.group} was {EVENTS[e.kind]} for {brief(e.duration_s)}, {level}{load}."


def _visit_near_limit(e: Event) -> str:
    level = "beyond the range" if e.extreme_v is None else f"{e.extreme_v:.3f} V"
    return (
        f"Group {e.group} was read {EVENTS[e.kind]} for {brief(e.duration_s)} ({level}), by less than the meter's own"
        " uncertainty: it may not have been."
    )


def _more_visits(count: int) -> str:
    return f"And {counted(count, 'more visit')} of this kind."


def _cut_under_load(ride: Ride) -> str:
    level = f"group {ride.group} at {ride.lowest_v:.2f} V"
    return f"The ride ended under load with {level}: power was probably cut because of it."


def _regen_near_ceiling(ride: Ride) -> str:
    return f"Braking lifted group {ride.group} above full: leave room before a descent, or braking may be cut."


def _lowest(charge: Charge) -> str:
    if charge.lowest_v_end is None:
        return ""
    lag = round(charge.lowest_lag_percent or 0.0, 1)
    by = f", by time and current at least {lag:.0f} % of charge behind the next," if lag >= 1.0 else ""
    return f"group {charge.lowest_group} at {charge.lowest_v_end:.3f} V{by}"


def _stopped_early(charge: Charge) -> str:
    who = " or ".join(str(g) for g in charge.cause_groups)
    return f"The charge stopped with group {who} at its ceiling while {_lowest(charge)} was still low."


def _ended_uneven(charge: Charge) -> str:
    return f"The charger finished, but {_lowest(charge)} is short of full by {charge.short_ah:.2f} Ah or more."


def _charger_low(_charge: Charge) -> str:
    return "The charger finished below full: set low, stopped by a setting, or a group is missing."


def _ended_in(where: str) -> Callable[[Charge], str]:
    return lambda _charge: f"The charge ended {where} its constant-voltage part, where balancing mostly happens."


def _converging(b: Balancing) -> str:
    much = "more than a day" if b.answer == "over_24_h" else f"about {(b.remaining_s or 0.0) / 3600.0:.1f} h"
    by_charge = b.target_percent is not None
    goal = f"{b.target_percent:.0f} % of charge" if by_charge else f"{b.target_mv:.0f} mV"
    pace = "" if b.rate_mv_per_h is None else f" at {b.rate_mv_per_h:.1f} mV an hour"
    return f"The groups are getting even{pace}; {much} more on the charger to {goal}."


def _near_target(b: Balancing) -> str:
    return f"On the charger the groups were as near to the target of {b.target_mv:.0f} mV as this meter can tell."


def _not_converging(b: Balancing) -> str:
    much = "" if b.spread_mv is None else f" of {b.spread_mv:.0f} mV"
    return f"The spread{much} is not closing: {'; '.join(b.reasons)}."


def _uneven_for_good(b: Balancing) -> str:
    gap = "" if b.gap_percent is None else f" The lowest group starts each ride {abs(b.gap_percent):.0f} % short."
    return _not_converging(b) + gap


def _leaves_with_light(b: Balancing) -> str:
    much = "" if b.spread_mv is None else f" with {b.spread_mv:.0f} mV still between the groups"
    return f"The charger leaves with its light{much}: as it is, they never get even."


def _stands_out(w: Weakness) -> str:
    # In per cent it is the size of one cause among several: said only where the cause is.
    much = f" by {abs(w.size):.0f} mV" if w.unit == "mV" else ""
    return f"Group {w.group} stands out{much}, and why cannot be told from this recording."


def _charge_offset(w: Weakness) -> str:
    way = "more" if w.size > 0 else "less"
    return f"Group {w.group} held about {abs(w.size):.1f} % {way} charge than the others; balancing mends that."


def _unread(groups: str, when: str) -> str:
    return f"{groups} {when}: nothing can be said of it, and nothing of the string as a whole."


def _groups(which: tuple[int, ...]) -> str:
    return f"{'Group' if len(which) == 1 else 'Groups'} {listed(which)}"


def _within(u_percent: float) -> str:
    """A 95 % half width in whole percent, never nought."""
    return f"{max(2 * u_percent, 1.0):.0f}"


def _cells_unknown(c: Coverage) -> str:
    if c.capacity_u_percent is None or c.resistance_u_percent is None:
        return "How much the groups hold and how they sag is not known from this recording; a weak one could hide."
    return (
        f"The groups' capacities are known to {_within(c.capacity_u_percent)} % and their resistances to"
        f" {_within(c.resistance_u_percent)} % (95 %): a weak group could hide."
    )


def _nothing_found(c: Coverage) -> str:
    seen = f"All {c.groups} groups were read, and none was seen where it must not be."
    if c.capacity_u_percent is None or c.resistance_u_percent is None:
        return seen
    return (
        f"{seen} Capacities are known to {_within(c.capacity_u_percent)} % and resistances to"
        f" {_within(c.resistance_u_percent)} % (95 %), and no group lags the others by more than scatter explains."
    )


def _full_and_even(b: Balancing) -> str:
    far = b.target_percent is None and b.spread_mv is not None and b.spread_mv > b.target_mv
    return f"After the charge the groups were even{', as far as this meter can tell' if far else ''}."


def _extra_heat(h: Hazard) -> str:
    more = h.more_percent or 0.0
    much = (
        f"{more:.0f} % more resistance than" if more < _TENFOLD else f"{1.0 + more / 100.0:.0f} times the resistance of"
    )
    return (
        f"Group {h.group} has about {much} the others, in a joint, link, lead or the cells: at"
        f" {h.current_a:.0f} A it makes about {h.size:.1f} W more heat in one place ({h.size_low:.1f} to"
        f" {h.size_high:.1f} W)."
    )


def _drains_at_rest(h: Hazard) -> str:
    drawn = (
        "" if h.unit != "mA" else f", as if {h.size:.0f} mA were drawn from it ({h.size_low:.0f} to {h.size_high:.0f})"
    )
    return (
        f"Group {h.group} fell by {h.seen_mv:.0f} mV against the others in {h.hours:.1f} h of rest{drawn}: a bleeder"
        " that is stuck on, a wet or chafed lead, or a leak within a cell."
    )


def _spread_grows(h: Hazard) -> str:
    return (
        f"The spread grew by {h.size:.0f} mV in {h.hours:.1f} h of rest, with nothing connected: something draws from"
        " some groups and not from others."
    )


def _far_behind(h: Hazard) -> str:
    whom = "the others" if h.seen_mv is None else "the fullest at the end of the charge"
    return (
        f"Group {h.group} is about {h.size:.0f} % of charge ({h.size_low:.0f} to {h.size_high:.0f} %) behind {whom}:"
        " that far no string drifts by itself in use."
    )


def _stays_above(h: Hazard) -> str:
    return (
        f"Group {h.group} alone stands {h.size:.0f} mV above the next highest while the charger holds the voltage, and"
        " hardly comes down: its bleeder is dead, or far too weak."
    )


def _alone_above(h: Hazard) -> str:
    return (
        f"Group {h.group} alone stands {h.seen_mv:.0f} mV above the next highest at the top of the charge, about"
        f" {h.size:.1f} % of charge. All groups get the same charge and a balancer bleeds the highest first, so none"
        " gets there by itself: its bleeder is dead, it holds less, it was changed, or its reading is off."
    )


def _temperature(text: str) -> Callable[[TemperatureVisit], str]:
    return lambda t: text.format(c=t.extreme_c, m=max(t.duration_s / 60.0, 1.0))


def _cause(text: str) -> Callable[[Weakness], str]:
    return lambda w: text.format(g=w.group, size=w.size, low=max(0.0, w.size_low), high=w.size_high, detail=w.detail)


_WORDS: dict[ReasonKind, Callable[[Any], str]] = {
    "visit": _visit,
    "visit_near_limit": _visit_near_limit,
    "more_visits": _more_visits,
    "cut_under_load": _cut_under_load,
    "regen_near_ceiling": _regen_near_ceiling,
    "stopped_early": _stopped_early,
    "ended_uneven": _ended_uneven,
    "charger_low": _charger_low,
    "interrupted_in_cv": _ended_in("in"),
    "stopped_before_cv": _ended_in("before"),
    "converging": _converging,
    "near_target": _near_target,
    "not_converging": _not_converging,
    "uneven_for_good": _uneven_for_good,
    "leaves_with_light": _leaves_with_light,
    "full_and_even": _full_and_even,
    "charged_cold": _temperature(
        "The pack was charged below 0 °C, down to {c:.0f} °C for {m:.0f} min: lithium may have plated, which can short"
        " a cell later; ask for the limits of the cells' maker."
    ),
    "charged_hot": _temperature("The pack was charged above 45 °C, up to {c:.0f} °C for {m:.0f} min: that ages cells."),
    "hot": _temperature("A sensor read over 60 °C, up to {c:.0f} °C for {m:.0f} min; find out what gets so warm."),
    "self_discharge": _cause("Group {g} loses {size:.2g} % of charge a week by itself: a cell may be damaged within."),
    "balancer_fault": _cause("Group {g} is drained or left out by its balancer ({detail})."),
    "connection": _cause("Group {g} has {size:.0f} % more resistance in a joint, link or lead: a bad joint gets hot."),
    "extra_heat": _extra_heat,
    "drains_at_rest": _drains_at_rest,
    "spread_grows": _spread_grows,
    "far_behind": _far_behind,
    "stays_above": _stays_above,
    "alone_above": _alone_above,
    "charge_offset": _charge_offset,
    "stands_out": _stands_out,
    "low_capacity": _cause(
        "Group {g} holds about {size:.0f} % less charge than the others ({low:.0f} to {high:.0f} %): it tends to be"
        " empty first, and no balancing mends that."
    ),
    "high_resistance": _cause(
        "Group {g} has about {size:.0f} % more resistance than the others ({low:.0f} to {high:.0f} %): it sags deepest"
        " under load, most of all when nearly empty or cold."
    ),
    "sensor_odd": lambda line: f"{line}.",
    "profile_misfit": lambda line: f"{line}.",
    "no_scan": lambda _c: "No group was read in this recording.",
    "never_read": lambda c: _unread(_groups(c.never_read), "was never read"),
    "often_unread": lambda c: _unread(_groups(c.often_unread), "was often not read, or not to the end"),
    "no_ride": lambda _c: "There is no ride in this recording, so how the groups bear a load was not seen.",
    "no_charge": lambda _c: "There is neither a charge nor a rest here, so how even the groups are was not seen.",
    "cells_unknown": _cells_unknown,
    "nothing_found": _nothing_found,
}
