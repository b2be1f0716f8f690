"""What analysis finds, as immutable values with units in their names. report.json is made from these alone."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

__all__ = [
    "Balancing",
    "Capacity",
    "Charge",
    "Charger",
    "Event",
    "Evidence",
    "Findings",
    "Phase",
    "Repair",
    "Ride",
    "Spread",
    "SpreadClaim",
    "Unknown",
    "Verdict",
]


@dataclass(frozen=True, slots=True)
class Unknown:
    """A figure that is not there: why, and what to record so that it will be."""

    what: str  # the key in report.json
    why: str
    record_next: str | None = None


@dataclass(frozen=True, slots=True)
class Phase:
    """A stretch of time in which one thing happened."""

    kind: str  # rest, charge_cc, charge_cv, ride, unknown
    start_s: float
    end_s: float
    detail: str = ""  # for unknown: short pause, gap in the recording, holding


@dataclass(frozen=True, slots=True)
class SpreadClaim:
    """One statement on the spread, with its 95 % interval; the bias of a maximum minus a minimum is taken out."""

    where: str  # start, end, max, load (heaviest of a ride), rest, cv_end
    at_s: float
    measured_mv: float  # highest minus lowest as read
    best_mv: float
    low_mv: float
    high_mv: float
    scans: int  # averaged


@dataclass(frozen=True, slots=True)
class Spread:
    """Highest minus lowest group, mV, corrected for the meter's share. None: no scan could support the figure."""

    start_mv: float | None
    end_mv: float | None
    max_mv: float | None
    max_at_s: float | None
    rest_mv: float | None
    rest_after_s: float | None  # how long the pack had relaxed
    uncertainty_mv: float | None  # half of the widest 95 % interval of the claims
    scans_used: int
    scans_skewed: int  # not used: the string moved within the scan by more than the claim can bear
    departures_mv: tuple[float | None, ...]  # per group, from the median group, at the end
    claims: tuple[SpreadClaim, ...] = ()
    largest_move_within_scan_mv: float | None = None  # 95th percentile of the largest |out - back|


@dataclass(frozen=True, slots=True)
class Event:
    """A visit of one group beyond a limit, or an open sense lead."""

    kind: str  # below_empty, below_discard, above_full, above_ceiling, reversed, lead_open
    group: int  # 1..N, 1 at pack negative
    start_s: float
    duration_s: float
    extreme_v: float | None
    under_load: bool | None  # None: no current sensor and no phase to tell
    certainty: str = "yes"  # yes, within_uncertainty (of the meter's absolute error)
    during: str = "unknown"  # ride, charge, rest, unknown
    ir_free_v: float | None = None  # extreme without the resistive drop, where current tells
    recovered_v: float | None = None  # half a minute to two minutes after


@dataclass(frozen=True, slots=True)
class Charge:
    """How one charge went and how it ended."""

    # full, stopped_early, ended_uneven, charger_low, interrupted_in_cv, stopped_before_cv, still_charging, none;
    # cannot_tell: held to the end of a recording without current, for so long that the charger may have gone unseen
    ended: str
    cause_group: int | None = None
    cause_groups: tuple[int, ...] = ()  # all that may have been the cause, within the meter's uncertainty
    lowest_group: int | None = None
    highest_group: int | None = None
    pack_v_end: float | None = None
    start_s: float | None = None
    end_s: float | None = None
    by_itself: bool = False  # claimed only with a group at its ceiling
    lowest_v_end: float | None = None
    highest_v_end: float | None = None
    current_end_a: float | None = None
    charged_ah: float | None = None
    short_ah: float | None = None  # how much charge the lowest group lacks to full
    light_at_s: float | None = None  # current fell to the done-light threshold


@dataclass(frozen=True, slots=True)
class Charger:
    """What the charger holds, in the last constant-voltage part."""

    plateau_v: float | None
    plateau_per_group_v: float | None
    set: str  # low, right, high, unknown
    hold_after_light_s: float | None
    hold_needed_s: float | None
    current_a: float | None = None
    reaches_balancer: bool | None = None  # mean group at or above the bleed threshold, beyond the uncertainty
    u_per_group_v: float | None = None


@dataclass(frozen=True, slots=True)
class Balancing:
    """Whether the string gets even in the constant-voltage part, how fast, and how much longer."""

    state: str  # balanced, converging, not_converging, not_reached
    rate_mv_per_h: float | None = None  # positive: closing
    rate_u_mv_per_h: float | None = None
    remaining_s: float | None = None
    remaining_low_s: float | None = None
    remaining_high_s: float | None = None  # None with a low end: no upper end can be given
    answer: str = "none"  # time, over_24_h, never, none
    level: float = 0.9
    target_mv: float = 10.0
    spread_mv: float | None = None
    gap_ah: float | None = None
    gap_percent: float | None = None
    even_in_charge: bool | None = None  # gap at most 1 % at the top of charge; None: curve too flat, or not known
    target_percent: float | None = None  # of charge, where balance is judged by charge; target_mv is its like in mV
    even_here: bool | None = None  # at the last rest; None: no rest, or the curve there too flat to tell
    bleed_ma: float | None = None  # effective, from the rate and the curve
    bleeding_groups: tuple[int, ...] = ()
    at_s: float | None = None
    reasons: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Ride:
    """How a ride went, as far as the groups' voltages tell."""

    start_s: float
    end_s: float
    ended: str  # normal, cut_under_load, regen_near_ceiling
    group: int | None
    lowest_v: float | None
    used_ah: float | None


@dataclass(frozen=True, slots=True)
class Repair:
    """Charge to add to (or, negative, take from) a group to bring it level with the median group."""

    group: int
    add_ah: float
    low_ah: float
    high_ah: float
    hours_at_bleed: float | None


@dataclass(frozen=True, slots=True)
class Capacity:
    """Pack capacity from the charge moved between two rests."""

    ah: float
    low_ah: float
    high_ah: float
    depth: float  # share of the whole between the rests
    nameplate_ah: float


@dataclass(frozen=True, slots=True)
class Evidence:
    """What one reason rests on: a sentence, the key of its number, and the picture that shows it."""

    text: str
    number: str  # path in report.json
    picture: str  # levels, spread, events, balancing


@dataclass(frozen=True, slots=True)
class Verdict:
    """What people commonly do next, and why."""

    action: str  # ride, keep_charging, inspect, do_not_charge
    reasons: tuple[str, ...]
    evidence: tuple[Evidence, ...] = ()
    keep_charging_s: float | None = None


@dataclass(frozen=True, slots=True)
class Findings:
    """Everything found in one session."""

    phases: tuple[Phase, ...]
    spread: Spread
    events: tuple[Event, ...]
    shortest_visible_s: float | None  # a dip shorter than this can hide between two looks
    verdict: Verdict
    charge: Charge = field(default_factory=lambda: Charge("none"))
    charges: tuple[Charge, ...] = ()
    charger: Charger | None = None
    balancing: Balancing = field(default_factory=lambda: Balancing("not_reached"))
    rides: tuple[Ride, ...] = ()
    repair: tuple[Repair, ...] = ()
    capacity: Capacity | None = None
    temperature: tuple[dict[str, Any], ...] = ()
    weakness: tuple[Any, ...] = ()
    reserve: Any | None = None
    unknown: tuple[Unknown, ...] = ()
    assumed: tuple[str, ...] = ()  # what was taken for granted because neither meter nor profile said it
    meter_patterns: tuple[Any, ...] = ()  # errors of the meter that several groups share
    shared_leads: Any | None = None  # bleeding moves the readings: balance leads that the meter shares
    profile_check: Any | None = None  # whether the pack profile fits the recording
    usable: Any | None = None  # usable charge now, balanced, with the smallest group replaced
    bench: Any | None = None  # hours at a bench supply's current
    room: Any | None = None  # state of charge below which braking keeps every group under its ceiling
