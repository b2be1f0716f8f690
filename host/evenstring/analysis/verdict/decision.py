"""From results to one verdict: what each result asks for, in one table, weighed once.

Never "safe": it says what was measured, how surely. Do not charge: a group was below the discard voltage at rest, free
of its resistive drop, or for more than ten seconds. A short dip under load is a reason to inspect, unless the profile
says strict. An open sense lead is ruled out before any cell is accused. A cell that loses charge by itself, a bad joint
and a bleeder at fault do not mend by charging or balancing, and get worse: they ask for an inspection once they are
said with confidence. Charging below 0 degC may plate lithium, which no later charge undoes (common practice: not below
0 degC; IEC 62133-2 leaves the limits to the cell's maker).
"""

from __future__ import annotations

from evenstring.analysis.causes.catalogue import cause_of
from evenstring.analysis.results import (
    Action,
    Balancing,
    Charge,
    Event,
    Findings,
    Picture,
    Reason,
    ReasonKind,
    RestsOn,
    Verdict,
)
from evenstring.profile import PackProfile

__all__ = ["decide"]

_BY_SEVERITY: tuple[Action, ...] = (
    "do_not_charge",
    "inspect",
    "keep_charging",
    "too_little_data",
    "ride_weak_group",
    "ride",
)
_LONG_S = 10.0  # a visit that lasts longer is no dip of a moment: our choice
_NEAR_LEAD_S = 5.0  # an open lead spoils its neighbours' readings that long before and after: our choice
_MANY = 5  # visits of one severity that are said one by one: our choice
_SURE = 0.8  # confidence from which a cause is spoken of: our choice
_FAR_V = 0.2  # below full at the end of a charge: balancing will not mend that in a night: our choice

# What each kind of reason asks for, and the picture that shows it. Where a figure decides, its function below says so.
_TABLE: dict[ReasonKind, tuple[Action, Picture]] = {
    "cut_under_load": ("inspect", "levels"),
    "regen_near_ceiling": ("ride", "levels"),
    "stopped_early": ("keep_charging", "levels"),
    "ended_uneven": ("keep_charging", "levels"),
    "interrupted_in_cv": ("ride", "levels"),
    "stopped_before_cv": ("ride", "levels"),
    "charger_low": ("ride", "levels"),
    "converging": ("keep_charging", "balancing"),
    "not_converging": ("inspect", "balancing"),
    "full_and_even": ("ride", "spread"),
    "charged_cold": ("inspect", "events"),
    "charged_hot": ("ride", "events"),
    "hot": ("inspect", "events"),
    "profile_misfit": ("ride", "profile"),
    "nothing_found": ("ride", "levels"),
}


def decide(found: Findings, profile: PackProfile) -> Verdict:
    """The most serious action that any result asks for, with all reasons, the most serious first."""
    reasons = [
        *_visits(found.events, profile),
        *_rides(found),
        *_charge(found.charge, profile),
        *_balancing(found.balancing, found.charge),
        *(_reason(t.kind, t, f"temperature.events[{k}]") for k, t in enumerate(found.temperature)),
        *_profile(found),
        *_causes(found),
    ]
    if not reasons:
        reasons = [_reason("nothing_found", None, "events")]
    reasons.sort(key=lambda r: _BY_SEVERITY.index(r.action))
    action = reasons[0].action
    return Verdict(action, tuple(reasons), found.balancing.remaining_s if action == "keep_charging" else None)


def _reason(kind: ReasonKind, rests_on: RestsOn, number: str, action: Action | None = None) -> Reason:
    usual, picture = _TABLE[kind]
    return Reason(kind, action or usual, rests_on, number, picture)


def _visits(events: tuple[Event, ...], profile: PackProfile) -> list[Reason]:
    """The first of each severity; the rest are in the list of events."""
    open_leads = [e for e in events if e.kind == "lead_open"]
    found = []
    for k, event in enumerate(events):
        action = _visit_asks(event, profile)
        if action == "do_not_charge" and any(_spoiled(event, lead) for lead in open_leads):
            action = "inspect"
        if action is not None:
            found.append(Reason("visit", action, event, f"events[{k}]", "events"))
    kept: list[Reason] = []
    for severity in _BY_SEVERITY:
        of = [r for r in found if r.action == severity]
        kept += of[:_MANY]
        if len(of) > _MANY:
            kept.append(Reason("more_visits", severity, len(of) - _MANY, "events", "events"))
    return kept


def _spoiled(event: Event, lead: Event) -> bool:
    near = lead.start_s - _NEAR_LEAD_S <= event.start_s <= lead.start_s + lead.duration_s + _NEAR_LEAD_S
    return abs(lead.group - event.group) <= 1 and near


def _visit_asks(event: Event, profile: PackProfile) -> Action | None:
    if event.kind == "reversed":
        return "do_not_charge"
    if event.kind == "below_discard":
        resting = event.under_load is False
        ir_free = event.ir_free_v is not None and event.ir_free_v < profile.discard_v
        deep = resting or ir_free or event.duration_s > _LONG_S or profile.strict_discard
        return "do_not_charge" if deep and (event.certainty == "yes" or resting) else "inspect"
    if event.kind in ("above_ceiling", "lead_open"):
        return "inspect"
    if event.kind == "below_empty" and (event.under_load is False or event.duration_s > _LONG_S):
        return "inspect"
    return None


def _rides(found: Findings) -> list[Reason]:
    return [_reason(r.ended, r, f"rides[{k}].ended") for k, r in enumerate(found.rides) if r.ended != "normal"]


def _charge(charge: Charge, profile: PackProfile) -> list[Reason]:
    if charge.ended in ("stopped_early", "ended_uneven"):
        far = charge.lowest_v_end is not None and charge.lowest_v_end < profile.full_v - _FAR_V
        number = "charge.cause_group" if charge.ended == "stopped_early" else "charge.lowest_group"
        return [_reason(charge.ended, charge, number, "inspect" if far else None)]
    if charge.ended in ("interrupted_in_cv", "stopped_before_cv"):
        return [_reason(charge.ended, charge, "charge.ended")]
    if charge.ended == "charger_low":
        return [_reason("charger_low", charge, "charger.plateau_per_group_v")]
    return []


def _balancing(balancing: Balancing, charge: Charge) -> list[Reason]:
    if balancing.state == "converging" and balancing.remaining_s is not None:
        return [_reason("converging", balancing, "balancing.remaining_s")]
    if balancing.state == "not_converging":
        return [_reason("not_converging", balancing, "balancing.state")]
    if balancing.state == "balanced" and charge.ended == "full":
        return [_reason("full_and_even", balancing, "balancing.state")]
    return []


def _profile(found: Findings) -> list[Reason]:
    check = found.profile_check
    if check is None:
        return []
    # Limits of another chemistry are no limits, so that alone asks for an inspection.
    action: Action | None = "inspect" if check.chemistry.verdict == "does_not_fit" else None
    return [_reason("profile_misfit", line, "profile_check", action) for line in check.lines]


def _causes(found: Findings) -> list[Reason]:
    """Sure causes that neither charging nor balancing mends, and what limits a ride."""
    first_empty = None if found.reserve is None else found.reserve.group
    reasons = []
    for k, w in enumerate(w for w in found.weakness if w.cause != "cannot_tell"):  # as report.json lists them
        cause = cause_of(w.cause)
        if cause.asks is None or w.confidence < _SURE:
            continue
        if cause.ride_from is not None and w.size < cause.ride_from and w.group != first_empty:
            continue
        # Each kind of cause is a kind of reason.
        reasons.append(Reason(w.cause, cause.asks, w, f"weakness[{k}]", "weakness"))  # type: ignore[arg-type]
    return reasons
