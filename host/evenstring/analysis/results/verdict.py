"""What all findings ask for: reasons, each resting on one result, and the verdict that weighs them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from evenstring.analysis.results.cells import Weakness
from evenstring.analysis.results.charging import Balancing, Charge
from evenstring.analysis.results.kinds import Action
from evenstring.analysis.results.readings import Event
from evenstring.analysis.results.riding import Ride, TemperatureVisit

__all__ = ["Picture", "Reason", "ReasonKind", "RestsOn", "Verdict"]

ReasonKind = Literal[
    "visit",
    "more_visits",
    "cut_under_load",
    "regen_near_ceiling",
    "stopped_early",
    "ended_uneven",
    "charger_low",
    "interrupted_in_cv",
    "stopped_before_cv",
    "converging",
    "not_converging",
    "full_and_even",
    "charged_cold",
    "charged_hot",
    "hot",
    "self_discharge",
    "balancer_fault",
    "connection",
    "low_capacity",
    "high_resistance",
    "profile_misfit",
    "nothing_found",
]
Picture = Literal["levels", "spread", "events", "balancing", "weakness", "profile"]
RestsOn = Event | Ride | Charge | Balancing | TemperatureVisit | Weakness | str | int | None


@dataclass(frozen=True, slots=True)
class Reason:
    """One thing that speaks for an action. Its sentence is the report's business."""

    kind: ReasonKind
    action: Action
    rests_on: RestsOn  # the result itself; for `profile_misfit` what does not fit, for `more_visits` how many
    number: str  # path in report.json
    picture: Picture


@dataclass(frozen=True, slots=True)
class Verdict:
    """What people commonly do next, and why: reasons by falling severity."""

    action: Action
    reasons: tuple[Reason, ...]
    keep_charging_s: float | None = None
