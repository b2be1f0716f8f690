"""What is said of single groups, and of errors of the meter that several share."""

from __future__ import annotations

from dataclasses import dataclass

from evenstring.analysis.results.kinds import CauseKind, PatternKind
from evenstring.analysis.results.readings import Unknown

__all__ = ["Change", "GroupFigures", "GroupLeak", "Leak", "Look", "MeterPattern", "SecondLook", "Weakness"]


@dataclass(frozen=True, slots=True)
class Weakness:
    """One group that stands out."""

    group: int
    cause: CauseKind
    size: float
    unit: str
    confidence: float  # of the cause
    size_low: float  # 90 % interval
    size_high: float
    abnormal: float  # probability that this is more than production scatter
    detail: str
    probabilities: tuple[tuple[CauseKind, float], ...]
    within_scatter: bool = False  # stands out, but no further than scatter may take some group: not accused


@dataclass(frozen=True, slots=True)
class GroupFigures:
    """What was estimated of one group against the median one, in %, with standard uncertainties (k = 1).

    Charge and capacity are negative when less, resistance is positive when more. Healthy or not is not said here.
    `resistance_mohm` is the group's at once, from the steps of the current; None where these do not tell it.
    """

    group: int  # 1..N
    charge_percent: float
    charge_u_percent: float
    capacity_percent: float
    capacity_u_percent: float
    resistance_percent: float
    resistance_u_percent: float
    resistance_mohm: float | None = None


@dataclass(frozen=True, slots=True)
class MeterPattern:
    """An error of the meter that several groups share. Tap k lies between groups k and k+1."""

    kind: PatternKind
    size_mv: float  # comb: odd minus even groups; position: last minus first group; tap: on the group below it
    low_mv: float  # 90 % interval
    high_mv: float
    confidence: float
    tap: int | None
    groups: tuple[int, ...]  # that it touches; empty: all
    text: str


@dataclass(frozen=True, slots=True)
class Leak:
    """A group's loss of charge against the median group; % of capacity a week, positive: loses more."""

    group: int
    percent_per_week: float
    u_percent_per_week: float
    confidence: float
    by_balancer: bool  # as much as a bleeder that is always on
    days: float


@dataclass(frozen=True, slots=True)
class Change:
    """What became of one group between two recordings, in UNITS; 90 % interval; negative capacity: faded."""

    group: int
    what: CauseKind  # low_capacity or high_resistance
    change: float
    low: float
    high: float
    unit: str


@dataclass(frozen=True, slots=True)
class Look:
    """One of the recordings."""

    start: str | None  # ISO 8601
    duration_s: float
    rest_temperature_c: float | None
    has_current: bool


@dataclass(frozen=True, slots=True)
class GroupLeak:
    """Loss against the median group, % of capacity a week; 90 % interval."""

    group: int
    percent_per_week: float
    low: float
    high: float
    confidence: float
    by_balancer: bool


@dataclass(frozen=True, slots=True)
class SecondLook:
    """Between the first and the last recording. `monitor_percent_per_week`: last minus first group, taken off."""

    looks: tuple[Look, ...]
    days: float | None
    leaks: tuple[GroupLeak, ...]
    all_leaks: tuple[tuple[int, float, float, float], ...]  # every group: number, % a week, low, high
    changes: tuple[Change, ...]
    monitor_percent_per_week: float | None
    unknown: tuple[Unknown, ...]
