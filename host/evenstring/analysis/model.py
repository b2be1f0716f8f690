"""What analysis finds, as immutable values with units in their names. report.json is made from these alone."""

from __future__ import annotations

from dataclasses import dataclass

__all__ = ["Event", "Findings", "Phase", "Spread", "Verdict"]


@dataclass(frozen=True, slots=True)
class Phase:
    """A stretch of time in which one thing happened."""

    kind: str  # rest, charge_cc, charge_cv, ride, unknown
    start_s: float
    end_s: float


@dataclass(frozen=True, slots=True)
class Spread:
    """Highest minus lowest group, mV. None: no scan could support the figure."""

    start_mv: float | None
    end_mv: float | None
    max_mv: float | None
    max_at_s: float | None
    rest_mv: float | None
    rest_after_s: float | None  # how long the pack had relaxed
    uncertainty_mv: float | None  # expanded, 95 %, of one trusted scan's spread; None: the meter did not state its own
    scans_used: int
    scans_skewed: int  # not used: the string moved within the scan by more than the claim can bear
    departures_mv: tuple[float | None, ...]  # per group, from the median group, at the end


@dataclass(frozen=True, slots=True)
class Event:
    """A visit of one group beyond a limit, or an open sense lead."""

    kind: str  # below_empty, below_discard, above_full, above_ceiling, reversed, lead_open
    group: int  # 1..N, 1 at pack negative
    start_s: float
    duration_s: float
    extreme_v: float | None
    under_load: bool | None  # None: no current sensor and no phase to tell


@dataclass(frozen=True, slots=True)
class Verdict:
    """What people commonly do next, and why."""

    action: str  # ride, keep_charging, inspect, do_not_charge
    reasons: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Findings:
    """Everything found in one session."""

    phases: tuple[Phase, ...]
    spread: Spread
    events: tuple[Event, ...]
    shortest_visible_s: float | None  # a dip shorter than this can hide between two looks
    verdict: Verdict | None
