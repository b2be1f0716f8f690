"""Everything found in one session."""

from __future__ import annotations

from dataclasses import dataclass, field

from evenstring.analysis.results.cells import GroupFigures, MeterPattern, Weakness
from evenstring.analysis.results.charging import Balancing, Charge, Charger
from evenstring.analysis.results.hazards import Hazard
from evenstring.analysis.results.readings import Event, Phase, ProfileCheck, SharedLeads, Spread, Unknown
from evenstring.analysis.results.riding import (
    Bench,
    BrakingRoom,
    Capacity,
    Foretold,
    Repair,
    Reserve,
    Ride,
    TemperatureVisit,
    Usable,
)
from evenstring.analysis.results.verdict import Coverage, Verdict

__all__ = ["Findings"]


@dataclass(frozen=True, slots=True)
class Findings:
    """Everything found in one session. What is not there is None or empty, and `unknown` says why."""

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
    foretold: tuple[Foretold, ...] = ()  # what the board warned of ahead, and how it turned out
    repair: tuple[Repair, ...] = ()
    capacity: Capacity | None = None
    temperature: tuple[TemperatureVisit, ...] = ()
    weakness: tuple[Weakness, ...] = ()
    hazards: tuple[Hazard, ...] = ()  # dangerous whatever the cause
    reserve: Reserve | None = None
    unknown: tuple[Unknown, ...] = ()
    assumed: tuple[str, ...] = ()  # what was taken for granted because neither meter nor profile said it
    meter_patterns: tuple[MeterPattern, ...] = ()  # errors of the meter that several groups share
    shared_leads: SharedLeads | None = None  # bleeding moves the readings: balance leads that the meter shares
    profile_check: ProfileCheck | None = None  # whether the pack profile fits the recording
    usable: Usable | None = None  # usable charge now, balanced, with the smallest group replaced
    bench: Bench | None = None  # hours at a bench supply's current
    coverage: Coverage = field(default_factory=Coverage)  # what was read and seen; by default nothing
    figures: tuple[GroupFigures, ...] = ()  # of every group, where charge, capacity and resistance could be estimated
    room: BrakingRoom | None = None  # state of charge below which braking keeps every group under its ceiling
