"""What all findings ask for: reasons, each resting on one result, and the verdict that weighs them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from evenstring.analysis.results.cells import Weakness
from evenstring.analysis.results.charging import Balancing, Charge
from evenstring.analysis.results.hazards import Hazard
from evenstring.analysis.results.kinds import Action
from evenstring.analysis.results.readings import Event
from evenstring.analysis.results.riding import Ride, TemperatureVisit

__all__ = ["Coverage", "Extreme", "Picture", "Reason", "ReasonKind", "RestsOn", "Step", "Verdict"]

ReasonKind = Literal[
    "visit",
    "visit_near_limit",
    "more_visits",
    "cut_under_load",
    "regen_near_ceiling",
    "stopped_early",
    "ended_uneven",
    "charger_low",
    "interrupted_in_cv",
    "stopped_before_cv",
    "converging",
    "near_target",
    "not_converging",
    "uneven_for_good",
    "leaves_with_light",
    "full_and_even",
    "charged_cold",
    "charged_hot",
    "hot",
    "self_discharge",
    "balancer_fault",
    "connection",
    "extra_heat",
    "drains_at_rest",
    "spread_grows",
    "far_behind",
    "stays_above",
    "alone_above",
    "charge_offset",
    "low_capacity",
    "high_resistance",
    "stands_out",
    "sensor_odd",
    "profile_misfit",
    "no_scan",
    "never_read",
    "often_unread",
    "no_ride",
    "no_charge",
    "cells_unknown",
    "nothing_found",
]
Picture = Literal["levels", "spread", "events", "balancing", "weakness", "hazards", "profile", "recording"]
# What to do with the pack now.
Step = Literal[
    "leave_alone",
    "workshop",
    "mend_lead",
    "check_joint",
    "find_drain",
    "find_gap",
    "find_surplus",
    "check_meter",
    "charge_on",
    "after_ceiling_stop",
    "other_charger",
    "charger_that_stays",
    "mend_balancer",
    "charge_to_the_end",
    "ride_gently",
    "leave_room",
    "mind_temperature",
    "mend_sensor",
    "mend_profile",
    "record",
    "carry_on",
]


@dataclass(frozen=True, slots=True)
class Extreme:
    """The group farthest out in one respect, whether or not it stands out; with its standard uncertainty (k = 1)."""

    group: int
    percent: float
    u_percent: float


@dataclass(frozen=True, slots=True)
class Coverage:
    """What was read, for how long, and how finely; groups count from 1. Uncertainties are standard ones (k = 1)."""

    scans: int = 0
    groups: int = 0
    never_read: tuple[int, ...] = ()
    often_unread: tuple[int, ...] = ()  # in more than a tenth of the scans, or at the end
    interval_s: float | None = None  # between scans, 90th percentile
    ride_s: float = 0.0
    charge_s: float = 0.0
    rest_s: float = 0.0
    has_current: bool = False
    capacity_u_percent: float | None = None  # of the least known group; None: not known at all
    resistance_u_percent: float | None = None
    smallest: Extreme | None = None  # least capacity of all groups, % above the median group (so mostly negative)
    most_resistive: Extreme | None = None  # highest resistance, % above the median group


RestsOn = Event | Ride | Charge | Balancing | TemperatureVisit | Weakness | Hazard | Coverage | str | int | None


@dataclass(frozen=True, slots=True)
class Reason:
    """One thing that speaks for an action. Its sentence is the report's business."""

    kind: ReasonKind
    action: Action
    rests_on: RestsOn  # the result itself; a line where profile or sensor do not fit; of `more_visits` how many
    number: str  # path in report.json
    picture: Picture
    confidence: float = 0.9
    step: Step = "carry_on"


@dataclass(frozen=True, slots=True)
class Verdict:
    """What people commonly do next, and why: reasons by falling severity, each with its own step."""

    action: Action
    reasons: tuple[Reason, ...]
    keep_charging_s: float | None = None
    confidence: float = 0.0  # of 100 verdicts said at 0.9 about 90 are right
    steps: tuple[Reason, ...] = ()  # reasons whose steps are to be taken, in order, each step once
