"""Each reason of the verdict as one sentence: the only place that words them."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from evenstring.analysis.results import Balancing, Charge, Event, Reason, ReasonKind, Ride, TemperatureVisit, Weakness

__all__ = ["sentence"]


def sentence(reason: Reason) -> str:
    """What a reader is told."""
    return _WORDS[reason.kind](reason.rests_on)


def _visit(e: Event) -> str:
    what = e.kind.replace("_", " ")
    if e.kind == "lead_open":
        when = f"for {e.duration_s:.0f} s from {e.start_s:.0f} s on"
        return f"The sense lead of group {e.group} was open {when}; mend it before judging the cells."
    level = "beyond the meter's range" if e.extreme_v is None else f"at {e.extreme_v:.3f} V"
    load = {True: ", with current flowing", False: ", at rest", None: ""}[e.under_load]
    sure = "" if e.certainty == "yes" else " (within the meter's uncertainty of the limit)"
    return f"Group {e.group} was {what} for {e.duration_s:.1f} s, {level}{load}{sure}."


def _more_visits(count: int) -> str:
    return f"And {count} more visits beyond a limit."


def _cut_under_load(ride: Ride) -> str:
    level = f"group {ride.group} at {ride.lowest_v:.2f} V"
    return f"The ride ended under load with {level}: power was probably cut because of it."


def _regen_near_ceiling(ride: Ride) -> str:
    return f"Braking lifted group {ride.group} above full: leave room before a descent, or braking may be cut."


def _lowest(charge: Charge) -> str:
    return f"group {charge.lowest_group} at {charge.lowest_v_end:.3f} V" if charge.lowest_v_end is not None else ""


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
    return f"The groups are getting even at {b.rate_mv_per_h:.1f} mV an hour; {much} more on the charger to {goal}."


def _not_converging(b: Balancing) -> str:
    return f"The spread of {b.spread_mv:.0f} mV is not closing: {'; '.join(b.reasons)}."


def _full_and_even(_balancing: Balancing) -> str:
    return "The charge was full and the groups even at its end."


def _temperature(text: str) -> Callable[[TemperatureVisit], str]:
    return lambda t: text.format(c=t.extreme_c, m=max(t.duration_s / 60.0, 1.0))


def _cause(text: str) -> Callable[[Weakness], str]:
    return lambda w: text.format(g=w.group, size=w.size, low=max(0.0, w.size_low), high=w.size_high, detail=w.detail)


_WORDS: dict[ReasonKind, Callable[[Any], str]] = {
    "visit": _visit,
    "more_visits": _more_visits,
    "cut_under_load": _cut_under_load,
    "regen_near_ceiling": _regen_near_ceiling,
    "stopped_early": _stopped_early,
    "ended_uneven": _ended_uneven,
    "charger_low": _charger_low,
    "interrupted_in_cv": _ended_in("in"),
    "stopped_before_cv": _ended_in("before"),
    "converging": _converging,
    "not_converging": _not_converging,
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
    "low_capacity": _cause(
        "Group {g} holds about {size:.0f} % less charge than the others ({low:.0f} to {high:.0f} %): it tends to be"
        " empty first, and no balancing mends that."
    ),
    "high_resistance": _cause(
        "Group {g} has about {size:.0f} % more resistance than the others ({low:.0f} to {high:.0f} %): it sags deepest"
        " under load, most of all when nearly empty or cold."
    ),
    "profile_misfit": lambda line: f"{line}.",
    "nothing_found": lambda _nothing: "No group was seen beyond a limit, and nothing here asks for more charging.",
}
