"""From results to one verdict: the decision table, and how its rows are weighed.

Never "safe": it says what was measured, how surely, and what people commonly do next. A cell that loses charge by
itself, a bad joint and a bleeder at fault do not mend by charging or balancing, and get worse: they ask for an
inspection once they are said with confidence. Charging below 0 degC may plate lithium, which no later charge undoes
(common practice: not below 0 degC; IEC 62133-2 leaves the limits to the cell's maker).

"Nothing speaks against riding" needs every group read, a ride, a charge or a rest, and capacities and resistances
known well enough that a weakness a rider would feel could not hide. Else it is too little to say, and what is missing
is said.
"""

from __future__ import annotations

from dataclasses import dataclass

from evenstring.analysis.results import Action, Findings, Picture, Reason, ReasonKind, Step, Verdict
from evenstring.analysis.verdict.asks import Ask, asks_of
from evenstring.profile import PackProfile

__all__ = ["TABLE", "Row", "decide"]


@dataclass(frozen=True, slots=True)
class Row:
    """One row of the table.

    Attributes:
        action: what a reason of this kind asks for by itself.
        confidence: of such a reason, where it brings none of its own.
        step: what to do with the pack now.
        picture: the section that shows it.
        blocks: whether it goes before "keep charging"; of a missing thing: whether it takes the ground from that too.
        aside: said only where nothing graver is.
    """

    action: Action
    confidence: float
    step: Step
    picture: Picture
    blocks: bool = False
    aside: bool = False


# Actions and steps: our choice, after common practice. Confidences: tuned on own sessions under 300,000.
TABLE: dict[ReasonKind, Row] = {
    # What was seen beyond a limit; `asks` says per visit what it asks for.
    "visit": Row("inspect", 0.98, "workshop", "events"),
    "visit_near_limit": Row("too_little_data", 0.6, "check_meter", "events", blocks=True),
    "more_visits": Row("inspect", 0.9, "workshop", "events"),
    "charged_cold": Row("inspect", 0.95, "workshop", "events"),
    "charged_hot": Row("ride", 0.95, "mind_temperature", "events"),
    "hot": Row("inspect", 0.95, "workshop", "events"),
    # What neither charging nor balancing mends.
    "self_discharge": Row("inspect", 0.9, "workshop", "weakness"),
    "balancer_fault": Row("inspect", 0.9, "mend_balancer", "weakness"),
    "connection": Row("inspect", 0.9, "workshop", "weakness"),
    # Dangerous whatever its cause.
    "extra_heat": Row("inspect", 0.9, "check_joint", "hazards"),
    "drains_at_rest": Row("inspect", 0.9, "find_drain", "hazards"),
    "spread_grows": Row("inspect", 0.9, "find_drain", "hazards"),
    "far_behind": Row("inspect", 0.9, "find_gap", "hazards"),
    "stays_above": Row("inspect", 0.9, "mend_balancer", "hazards"),
    "alone_above": Row("inspect", 0.8, "find_surplus", "hazards"),
    "sensor_odd": Row("ride", 0.9, "mend_sensor", "profile"),
    "profile_misfit": Row("ride", 0.9, "mend_profile", "profile"),
    # What was not read: no statement below this line stands without it.
    "no_scan": Row("too_little_data", 0.99, "record", "recording", blocks=True),
    "never_read": Row("too_little_data", 0.99, "mend_lead", "recording", blocks=True),
    "often_unread": Row("too_little_data", 0.95, "mend_lead", "recording", blocks=True),
    # What charging mends.
    "stopped_early": Row("keep_charging", 0.95, "after_ceiling_stop", "levels"),
    "ended_uneven": Row("keep_charging", 0.95, "charge_on", "levels"),
    "converging": Row("keep_charging", 0.9, "charge_on", "balancing"),
    "charge_offset": Row("keep_charging", 0.9, "charge_to_the_end", "weakness"),
    # What a rider meets.
    "uneven_for_good": Row("ride_weak_group", 0.85, "mend_balancer", "balancing"),
    "leaves_with_light": Row("ride_weak_group", 0.9, "charger_that_stays", "balancing"),
    "low_capacity": Row("ride_weak_group", 0.9, "ride_gently", "weakness"),
    "high_resistance": Row("ride_weak_group", 0.9, "ride_gently", "weakness"),
    "cut_under_load": Row("ride_weak_group", 0.8, "ride_gently", "levels"),
    # What is missing for a statement on riding.
    "stands_out": Row("too_little_data", 0.6, "record", "weakness"),
    "no_ride": Row("too_little_data", 0.95, "record", "levels"),
    "no_charge": Row("too_little_data", 0.95, "record", "levels"),
    "cells_unknown": Row("too_little_data", 0.9, "record", "weakness"),
    # Worth knowing, and no more.
    "charger_low": Row("ride", 0.9, "other_charger", "levels"),
    "not_converging": Row("ride", 0.8, "carry_on", "balancing"),
    "near_target": Row("ride", 0.8, "carry_on", "balancing", aside=True),
    "regen_near_ceiling": Row("ride", 0.9, "leave_room", "levels"),
    "interrupted_in_cv": Row("ride", 0.9, "charge_to_the_end", "levels"),
    "stopped_before_cv": Row("ride", 0.95, "charge_to_the_end", "levels"),
    "full_and_even": Row("ride", 0.9, "carry_on", "spread", aside=True),
    "nothing_found": Row("ride", 0.9, "carry_on", "levels", aside=True),
}
# "Too little" stands twice: what blocks goes before charging on, what is only missing after a named weakness.
_ORDER: tuple[Action, ...] = ("do_not_charge", "inspect", "keep_charging", "ride_weak_group", "too_little_data", "ride")
_BEFORE_CHARGING = _ORDER.index("keep_charging") - 0.5  # our choice
_MOST_STEPS = 3  # more are not taken in: our choice
# A step, and those that are idle beside it.
_IDLE: dict[Step, tuple[Step, ...]] = {
    "leave_alone": ("workshop",),
    "after_ceiling_stop": ("charge_on", "charge_to_the_end"),
    "charge_on": ("charge_to_the_end",),
    "charger_that_stays": ("charge_to_the_end", "mend_balancer"),
    "other_charger": ("mend_balancer",),
}
_GRAVE = ("do_not_charge", "inspect")
_BLIND = 0.85  # of the confidence that nothing is there, without a current sensor: tuned on own sessions under 300,000


def decide(found: Findings, profile: PackProfile) -> Verdict:
    """The most serious action that any result asks for, with all reasons, the most serious first."""
    reasons = sorted(map(_reason, asks_of(found, profile)), key=_weight)
    action = reasons[0].action
    if action not in ("ride", "too_little_data"):
        reasons = [r for r in reasons if not TABLE[r.kind].aside and not _only_missing(r)]
        reasons = [r for r in reasons if action not in _GRAVE or r.kind != "stands_out"]
    elif action == "too_little_data":
        reasons = [r for r in reasons if r.kind != "nothing_found"]
    confidence = max(r.confidence for r in reasons if r.action == action)
    if action == "ride":
        confidence = min(r.confidence for r in reasons if r.action == action)
        confidence *= 1.0 if found.coverage.has_current else _BLIND
    longer = found.balancing.remaining_s if action == "keep_charging" else None
    return Verdict(action, tuple(reasons), longer, round(confidence, 2), _steps(reasons, action))


def _reason(ask: Ask) -> Reason:
    row = TABLE[ask.kind]
    confidence = row.confidence if ask.confidence is None else ask.confidence
    return Reason(
        ask.kind, ask.action or row.action, ask.rests_on, ask.number, row.picture, confidence, ask.step or row.step
    )


def _weight(reason: Reason) -> float:
    if reason.action == "too_little_data" and TABLE[reason.kind].blocks:
        return _BEFORE_CHARGING
    return float(_ORDER.index(reason.action))


def _only_missing(reason: Reason) -> bool:
    """What is missing for a milder statement than the one that was made."""
    return reason.action == "too_little_data" and not TABLE[reason.kind].blocks and reason.kind != "stands_out"


def _steps(reasons: list[Reason], action: Action) -> tuple[Reason, ...]:
    """The reasons whose steps are to be taken, each step once, without what a graver one makes idle."""
    first: dict[Step, Reason] = {}
    for reason in reasons:
        if action not in _GRAVE or reason.action in _GRAVE:  # where it is grave, nothing that means charging or riding
            first.setdefault(reason.step, reason)
    for step, idle in _IDLE.items():
        if step in first:
            first = {s: r for s, r in first.items() if s not in idle}
    if len(first) > 1:
        first.pop("carry_on", None)
    return tuple(list(first.values())[:_MOST_STEPS])
