"""What each result asks for, as a kind of reason. What a kind means for the pack stands in the table of `decision`.

Do not charge: a group was below the discard voltage at rest, free of its resistive drop, or for more than ten seconds,
beyond the meter's uncertainty. A short dip under load is a reason to inspect, unless the profile says strict. An open
sense lead is ruled out before any cell is accused. A visit within the meter's uncertainty of the limit asks for a check
of the meter. A visit above the ceiling that the protection ended within seconds is the protection at work.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

from evenstring.analysis.causes.catalogue import cause_of
from evenstring.analysis.causes.self_discharge import DRAINS
from evenstring.analysis.hazards.extra_heat import ANOTHER_GROUP
from evenstring.analysis.results import (
    Action,
    Balancing,
    CauseKind,
    Charge,
    Event,
    EventKind,
    Findings,
    HazardKind,
    ReasonKind,
    RestsOn,
    Step,
    Weakness,
)
from evenstring.chemistry import CHEMISTRIES
from evenstring.profile import PackProfile

__all__ = ["Ask", "asks_of"]

_LONG_S = 10.0  # below a limit for longer is no dip of a moment: our choice
_LONG_EMPTY_S = 60.0  # under load, below empty for longer: a group ridden on after its end: our choice
# Above the ceiling for longer, or by more, is no cut-off doing its work. Long enough to be seen at one scan in ten
# seconds, so that the answer does not hang on the rate: our choice
_LONG_ABOVE_S, _FAR_ABOVE_V = 30.0, 0.05
_NEAR_LEAD_S = 5.0  # an open lead spoils its neighbours' readings that long before and after: our choice
_MANY = 3  # visits of one severity that are said one by one: our choice
# Confidence from which a cause is spoken of, a group stands out, and one that a rider would feel does: our choice
_SURE, _LIKELY, _FELT = 0.8, 0.5, 0.25
# Below full at the end of a charge, and on a flat curve what one lags alone: no night of balancing mends it: our choice
_FAR_V, _LAGS_PERCENT = 0.2, 5.0
_OFF_PERCENT = 2.0  # of charge, off the others: worth a charge to its end: our choice
_NEARLY = 0.75  # of the size that a rider feels: our choice
_FELT_PERCENT, _FELT_MV = 2.0, 30.0  # of charge, or spread, that stays: a rider meets it: our choice
# Standard uncertainties with which a group that a rider would feel could not hide: tuned on own sessions under 300,000
_KNOWN_CAPACITY, _KNOWN_RESISTANCE = 2.5, 8.0
# A cause that asks for an inspection by itself says what the hazard says, and more.
_SAME: dict[HazardKind, tuple[CauseKind, ...]] = {
    "extra_heat": ("connection",),
    "stays_above": ("balancer_fault",),
    "alone_above": ("balancer_fault",),
}
# The other way round: the hazard says the size, and all that it may come from.
_SAYS_ALL: dict[HazardKind, tuple[CauseKind, ...]] = {"extra_heat": ("high_resistance",), "drains_at_rest": DRAINS}
_WEAK = ("low_capacity", "high_resistance", "cut_under_load")
# What is said of a group that paid several visits: the first of these.
_GRAVITY: tuple[tuple[Action, EventKind], ...] = tuple(
    (action, kind)
    for action in ("do_not_charge", "inspect", "too_little_data", "ride_weak_group", "ride")
    for kind in ("lead_open", "reversed", "below_discard", "above_ceiling", "below_empty", "above_full")
)


@dataclass(frozen=True, slots=True)
class Ask:
    """A kind of reason, what it rests on, and where this one departs from the row of its kind."""

    kind: ReasonKind
    rests_on: RestsOn
    number: str
    action: Action | None = None
    confidence: float | None = None
    step: Step | None = None


def asks_of(found: Findings, profile: PackProfile) -> list[Ask]:
    """All asks; `nothing_found` where everything that riding rests on was seen and nothing speaks against it."""
    asks = [
        *_visits(found.events, profile),
        *(Ask(r.ended, r, f"rides[{k}].ended") for k, r in enumerate(found.rides) if r.ended != "normal"),
        *_charge(found, profile),
        *_balancing(found),
        *(Ask(t.kind, t, f"temperature.events[{k}]") for k, t in enumerate(found.temperature)),
        *_profile(found),
        *_causes(found),
        *_hazards(found),
        *_unread(found),
    ]
    if any(ask.kind in _WEAK for ask in asks) and not _felt(found.balancing):
        # A weak group is what a rider meets; a gap that is not felt comes after it.
        asks = [replace(ask, action="ride") if ask.kind == "converging" else ask for ask in asks]
    missing = _missing(found)
    return [*asks, *(missing or [Ask("nothing_found", found.coverage, "coverage")])]


def _visits(events: tuple[Event, ...], profile: PackProfile) -> list[Ask]:
    """The longest of each severity; the rest are in the list of events."""
    open_leads = [e for e in events if e.kind == "lead_open"]
    found = []
    for k, event in enumerate(events):
        asked = _visit_asks(event, profile)
        if asked is None:
            continue
        kind, action, step = asked
        if action == "do_not_charge" and any(_spoiled(event, lead) for lead in open_leads):
            action, step = "inspect", "mend_lead"
        confidence = None if event.certainty == "yes" else 0.6
        found.append((event, Ask(kind, event, f"events[{k}]", action, confidence, step)))
    return _fewer(found)


def _fewer(found: list[tuple[Event, Ask]]) -> list[Ask]:
    """Of each group and side the gravest visit, the longest of these; then at most a few of one severity."""
    kept: dict[tuple[int, bool], Ask] = {}
    for event, ask in sorted(found, key=lambda pair: (_GRAVITY.index((pair[1].action, pair[0].kind)),
                                                      -pair[0].duration_s)):  # fmt: skip
        kept.setdefault((event.group, event.kind.startswith("above")), ask)
    out: list[Ask] = []
    for action in dict.fromkeys(ask.action for ask in kept.values()):
        of = [ask for ask in kept.values() if ask.action == action]
        out += of[:_MANY]
        more = sum(ask.action == action for _, ask in found) - len(of[:_MANY])
        if more > 0:
            out.append(Ask("more_visits", more, "events", action, None, of[0].step))
    return out


def _spoiled(event: Event, lead: Event) -> bool:
    near = lead.start_s - _NEAR_LEAD_S <= event.start_s <= lead.start_s + lead.duration_s + _NEAR_LEAD_S
    return abs(lead.group - event.group) <= 1 and near


_Asked = tuple[ReasonKind, Action, Step]


def _visit_asks(event: Event, profile: PackProfile) -> _Asked | None:
    if event.kind == "lead_open":
        return "visit", "inspect", "mend_lead"
    if event.kind == "above_ceiling":
        return _above_ceiling(event, profile)
    if event.kind == "below_empty":
        return _below_empty(event)
    return None if event.kind == "above_full" else _far_below(event, profile)


def _above_ceiling(event: Event, profile: PackProfile) -> _Asked:
    if event.certainty != "yes":
        return "visit_near_limit", "ride", "check_meter"
    long = event.duration_s > _LONG_ABOVE_S or event.extreme_v is None
    far = event.extreme_v is not None and event.extreme_v > profile.ceiling_v + _FAR_ABOVE_V
    return ("visit", "inspect", "workshop") if long or far else ("visit", "ride", "check_meter")


def _far_below(event: Event, profile: PackProfile) -> _Asked:
    """Below the discard voltage, or reversed."""
    if event.certainty != "yes":
        return "visit_near_limit", "too_little_data", "check_meter"
    if event.kind == "reversed":
        return "visit", "do_not_charge", "leave_alone"
    resting = event.under_load is False
    ir_free = event.ir_free_v is not None and event.ir_free_v < profile.discard_v
    deep = resting or ir_free or event.duration_s > _LONG_S or profile.strict_discard
    return ("visit", "do_not_charge", "leave_alone") if deep else ("visit", "inspect", "workshop")


def _below_empty(event: Event) -> _Asked | None:
    if event.certainty != "yes":
        return None
    if event.under_load is False or event.duration_s > _LONG_EMPTY_S:
        return "visit", "inspect", "workshop"
    return ("visit", "ride_weak_group", "ride_gently") if event.duration_s > _LONG_S else None


def _charge(found: Findings, profile: PackProfile) -> list[Ask]:
    charge = found.charge
    if charge.ended in ("stopped_early", "ended_uneven"):
        far = _is_far(charge, profile)
        number = "charge.cause_group" if charge.ended == "stopped_early" else "charge.lowest_group"
        if far:
            return [Ask(charge.ended, charge, number, "inspect", None, "workshop")]
        if charge.ended == "ended_uneven" and found.balancing.state == "not_converging":  # more charging mends nothing
            return [Ask(charge.ended, charge, number, "ride_weak_group", None, _mending(found))]
        return [Ask(charge.ended, charge, number)]
    if charge.ended in ("interrupted_in_cv", "stopped_before_cv"):
        return [Ask(charge.ended, charge, "charge.ended")]
    if charge.ended == "charger_low":
        return [Ask("charger_low", charge, "charger.plateau_per_group_v")]
    return []


def _is_far(charge: Charge, profile: PackProfile) -> bool:
    """Whether the lowest group is far from full: by volts, or on a flat curve by the charge that it lags by."""
    flat = CHEMISTRIES[profile.chemistry].judged_by_charge
    if flat and (charge.lowest_lag_percent is not None or charge.ended == "stopped_early"):
        return (charge.lowest_lag_percent or 0.0) >= _LAGS_PERCENT
    return charge.lowest_v_end is not None and charge.lowest_v_end < profile.full_v - _FAR_V


def _balancing(found: Findings) -> list[Ask]:
    b, charger = found.balancing, found.charger
    if charger is not None and charger.leaves_with_light and b.state == "not_converging":
        return [Ask("leaves_with_light", b, "charger.leaves_with_light", *(() if _felt(b) else ("ride",)))]
    if b.state == "converging" and b.remaining_s is not None:
        open_end = not b.remaining_low_s
        return [Ask("near_target" if open_end and b.remaining_low_s is not None else "converging", b,
                    "balancing.remaining_s")]  # fmt: skip
    if b.state == "not_converging":
        if not _felt(b):
            return [Ask("not_converging", b, "balancing.state")]
        return [Ask("uneven_for_good", b, "balancing.state", None, None, _mending(found))]
    if b.state == "balanced" and found.charge.ended in ("full", "still_charging"):
        return [Ask("full_and_even", b, "balancing.state")]
    return []


def _mending(found: Findings) -> Step:
    """Whose fault it is that nothing evens out: the charger's, where it holds less than the balancer needs."""
    charger = found.charger
    low = found.charge.ended == "charger_low" or (charger is not None and charger.reaches_balancer is False)
    gone = charger is not None and bool(charger.leaves_with_light)
    return "charger_that_stays" if gone else "other_charger" if low else "mend_balancer"


def _felt(b: Balancing) -> bool:
    """Whether the gap that stays is one that a rider meets: by charge, where that is known, else by the spread."""
    if b.gap_percent is not None:
        return abs(b.gap_percent) >= _FELT_PERCENT
    return b.spread_mv is not None and b.spread_mv >= _FELT_MV


def _profile(found: Findings) -> list[Ask]:
    check = found.profile_check
    if check is None:
        return []
    # Limits of another chemistry are no limits, so that alone asks for an inspection.
    action: Action | None = "inspect" if check.chemistry.verdict == "does_not_fit" else None
    return [
        Ask("sensor_odd", line, "profile_check")
        if line in check.sensor
        else Ask("profile_misfit", line, "profile_check", action)
        for line in check.lines
    ]


def _causes(found: Findings) -> Iterator[Ask]:
    """Sure causes that limit a ride or that neither charging nor balancing mends, and groups that stand out."""
    first_empty = None if found.reserve is None else found.reserve.group
    said = {(h.group, cause) for h in found.hazards for cause in _SAYS_ALL.get(h.kind, ())}
    # No balancing mends that in a night, or at all.
    far = {h.group for h in found.hazards if h.kind in ("far_behind", "stays_above", "alone_above")}
    for k, w in enumerate(w for w in found.weakness if w.cause != "cannot_tell"):  # as report.json lists them
        cause = cause_of(w.cause)
        if w.cause == "charge_offset":
            if w.confidence >= _SURE and abs(w.size) >= _OFF_PERCENT and _still_off(found) and w.group not in far:
                yield Ask("charge_offset", w, f"weakness[{k}]", None, w.confidence)
            continue
        if cause.asks is None or w.confidence < _SURE or (w.group, w.cause) in said:
            continue
        # Heat that small steps hide from the hazards.
        if w.cause == "high_resistance" and w.size_low >= 100.0 * ANOTHER_GROUP:
            yield Ask("high_resistance", w, f"weakness[{k}]", "inspect", w.confidence, "check_joint")
            continue
        if cause.ride_from is not None and not _may_be_felt(w) and w.group != first_empty:
            continue
        yield Ask(w.cause, w, f"weakness[{k}]", cause.asks, w.confidence)  # type: ignore[arg-type]  # a kind each
    for w in found.weakness:
        if _stands_out(w):
            yield Ask("stands_out", w, "weakness_undecided", None, w.abnormal)


def _hazards(found: Findings) -> Iterator[Ask]:
    """What is dangerous whatever it is called, where no cause that says the same is named of that group."""
    named = {(w.group, w.cause) for w in found.weakness if w.confidence >= _SURE}
    for k, h in enumerate(found.hazards):
        if not any((h.group, cause) in named for cause in _SAME.get(h.kind, ())):
            yield Ask(h.kind, h, f"hazards[{k}]", None, h.confidence)


def _still_off(found: Findings) -> bool:
    """Whether a gap in charge is still there: no later charge is known to have evened it or to be about to."""
    return found.balancing.state not in ("balanced", "converging")


def _stands_out(w: Weakness) -> bool:
    """Beyond the scatter of its kind, and why cannot be told. What is surely the meter's, or charge, is no weakness."""
    unsure = w.cause == "cannot_tell" or (w.confidence < _SURE and w.cause in (*_WEAK, "connection"))
    return unsure and not w.within_scatter and w.abnormal >= (_FELT if _may_be_felt(w) else _LIKELY)


def _may_be_felt(w: Weakness) -> bool:
    """Whether a rider would feel it: by its size, or nearly so and by the upper end of its interval."""
    ride_from = cause_of(w.cause).ride_from
    return ride_from is not None and (
        w.size >= ride_from or (w.size >= _NEARLY * ride_from and w.size_high >= ride_from)
    )


def _unread(found: Findings) -> list[Ask]:
    coverage = found.coverage
    if not coverage.scans or not coverage.groups or len(coverage.never_read) == coverage.groups:
        return [Ask("no_scan", coverage, "coverage")]
    out = []
    opened = {e.group for e in found.events if e.kind == "lead_open"}
    if coverage.never_read:
        out.append(Ask("never_read", coverage, "coverage.never_read"))
    if set(coverage.often_unread) - opened:
        out.append(Ask("often_unread", coverage, "coverage.often_unread"))
    return out


def _missing(found: Findings) -> list[Ask]:
    """What a statement on riding would need and this recording does not hold."""
    c = found.coverage
    if not c.scans:
        return []
    out = []
    if not c.ride_s:
        out.append(Ask("no_ride", c, "coverage.ride_s"))
    if not c.charge_s and not c.rest_s:
        out.append(Ask("no_charge", c, "coverage.charge_s"))
    known = (c.capacity_u_percent or 99.0) <= _KNOWN_CAPACITY and (c.resistance_u_percent or 99.0) <= _KNOWN_RESISTANCE
    withheld = found.profile_check is not None and "weakness" in found.profile_check.withheld
    if not out and (withheld or not known):
        out.append(Ask("cells_unknown", c, "coverage.capacity_u_percent"))
    return out
