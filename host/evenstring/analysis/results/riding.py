"""What rides showed, and how far this string can be ridden."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from evenstring.analysis.results.kinds import ForetoldKind, ForetoldOutcome, HeatKind, RideEnd

__all__ = [
    "DISPLAY_V",
    "Bench",
    "BrakingRoom",
    "Capacity",
    "Estimate",
    "Foretold",
    "LoadLimit",
    "Repair",
    "Reserve",
    "Ride",
    "TemperatureVisit",
    "Usable",
]

DISPLAY_V = 1.0  # a vehicle's own display may read so much high: common practice


@dataclass(frozen=True, slots=True)
class Ride:
    """How a ride went, as far as the groups' voltages tell."""

    start_s: float
    end_s: float
    ended: RideEnd
    group: int | None
    lowest_v: float | None
    used_ah: float | None


@dataclass(frozen=True, slots=True)
class Foretold:
    """A warning ahead of the board, held against what it then read.

    Attributes:
        group, foreseen_v: whom the board meant, and where it saw that group.
        end_s: None where it stood to the end. urgent_s: when "ease off" became "ease off now", or None.
        after_s: from the warning to the first reading beyond the limit, or None.
        reached_v: the reading nearest to the limit, or farthest beyond it, while the warning stood; of `reached_group`.
    """

    kind: ForetoldKind
    outcome: ForetoldOutcome
    group: int
    start_s: float
    end_s: float | None = None
    urgent_s: float | None = None
    foreseen_v: float | None = None
    after_s: float | None = None
    reached_group: int | None = None
    reached_v: float | None = None


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
class TemperatureVisit:
    """A stretch in which the pack was charged cold or hot, or a sensor was hot."""

    kind: HeatKind
    channel: int  # of the meter's temperatures, from 1
    start_s: float
    duration_s: float
    extreme_c: float


@dataclass(frozen=True, slots=True)
class LoadLimit:
    """How far down a load may be asked for; fields as in `Reserve`."""

    current_a: float
    load_s: float
    group: int
    lowest_soc: float
    soc_low: float
    soc_high: float
    sag_mv: float
    resting_pack_v: float
    loaded_pack_v: float
    resting_pack_v_by_display: float
    loaded_pack_v_by_display: float


@dataclass(frozen=True, slots=True)
class Reserve:
    """SoC is of the median group, 1.0 is full; volts are of the pack; currents are positive for discharge."""

    group: int  # first to reach empty
    lowest_soc_at_full_load: float
    empty_at_current_a: float  # the full load: highest mean over five seconds
    soc_low: float  # 90 % interval
    soc_high: float
    load_s: float
    hill_current_a: float  # highest mean over a minute
    lowest_soc_on_hill: float
    sag_mv: float  # of the named group in five seconds of full load
    sag_hill_mv: float
    anchor: Literal["full", "curve"]
    resting_pack_v: float  # ride no lower than this at rest
    loaded_pack_v: float  # or this under full load
    resting_pack_v_by_display: float  # the same with a vehicle's display one volt high
    lowest_soc_visited: float
    why: str
    loaded_pack_v_by_display: float | None = None
    display_offset_v: float = DISPLAY_V  # as given in the profile, else what is common
    temperature_c: float | None = None  # of the ride: in the cold there is more sag
    hill: LoadLimit | None = None  # the ride's highest minute
    asked: tuple[LoadLimit, ...] = ()  # at the current that was asked for: five seconds, and a minute


@dataclass(frozen=True, slots=True)
class Estimate:
    """A best value with its 90 % interval."""

    best: float
    low: float
    high: float


@dataclass(frozen=True, slots=True)
class Usable:
    """Shares of the median group's capacity; `ah` is the profile's capacity, by which a share becomes ampere-hours."""

    now: Estimate
    balanced: Estimate
    replaced: Estimate  # balanced, and the smallest group as good as the median
    gain_by_balancing: Estimate
    gain_by_replacing: Estimate
    full_first: int  # group that ends a charge
    empty_first: int  # group that ends a ride
    smallest: int
    ah: float | None  # None: without a current sensor, shares only


@dataclass(frozen=True, slots=True)
class Bench:
    """Hours that each group of `repair` with a clear gap takes at a current given, one at a time; largest first."""

    current_a: float
    given: bool
    hours: tuple[tuple[int, float], ...]


@dataclass(frozen=True, slots=True)
class BrakingRoom:
    """Start descents below this state of charge (of the median group): 90 % interval; first group at its ceiling."""

    group: int
    regen_current_a: float
    load_s: float
    highest_soc: float
    soc_low: float
    soc_high: float
    resting_pack_v: float
