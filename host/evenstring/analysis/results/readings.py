"""What the readings say as they are: phases, spread, visits, shared leads, whether the profile fits."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from evenstring.analysis.results.kinds import Certainty, ClaimPlace, During, EventKind, PhaseKind

__all__ = [
    "CapacityCheck",
    "ChemistryCheck",
    "Event",
    "Phase",
    "ProfileCheck",
    "SharedLeads",
    "Spread",
    "SpreadClaim",
    "Unknown",
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

    kind: PhaseKind
    start_s: float
    end_s: float
    detail: str = ""  # for unknown: short pause, gap in the recording, holding


@dataclass(frozen=True, slots=True)
class SpreadClaim:
    """One statement on the spread, with its 95 % interval; the bias of a maximum minus a minimum is taken out."""

    where: ClaimPlace
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

    kind: EventKind
    group: int  # 1..N, 1 at pack negative
    start_s: float
    duration_s: float
    extreme_v: float | None
    under_load: bool | None  # None: no current sensor and no phase to tell
    certainty: Certainty = "yes"  # of the meter's absolute error
    during: During = "unknown"
    ir_free_v: float | None = None  # extreme without the resistive drop, where current tells
    recovered_v: float | None = None  # half a minute to two minutes after


@dataclass(frozen=True, slots=True)
class SharedLeads:
    """What bleeding does to the readings. Groups count from 1, times in s."""

    drop_mv: float  # of the bleeding group; its neighbours rise by half of it
    steps: int
    lead_mohm: float  # of one lead, with the profile's bleed current
    followed: bool  # each group was seen to begin and to end in turn, so hours and the correction can be had
    hours_by_group: tuple[tuple[int, float], ...]  # seen to bleed, for how long in this recording
    bleeding_at_end: tuple[int, ...]
    spans: tuple[tuple[int, float, float], ...]  # group, from, to
    text: str


@dataclass(frozen=True, slots=True)
class CapacityCheck:
    """Capacity by the recording beside the profile's; interval at level 0.95."""

    verdict: Literal["agrees", "off", "not_told"]
    profile_ah: float
    seen_ah: float | None = None
    low_ah: float | None = None
    high_ah: float | None = None
    depth: float | None = None
    why: str = ""


@dataclass(frozen=True, slots=True)
class ChemistryCheck:
    """Misfits are standard deviations of the string's mean group, mV."""

    verdict: Literal["fits", "does_not_fit", "not_told"]
    profile: str
    likelier: str | None = None
    misfit_mv: float | None = None
    best_misfit_mv: float | None = None
    why: str = ""


@dataclass(frozen=True, slots=True)
class ProfileCheck:
    """What was found, in words too, and what is withheld because of it."""

    capacity: CapacityCheck
    chemistry: ChemistryCheck
    withheld: tuple[str, ...] = ()
    lines: tuple[str, ...] = ()
    sensor: tuple[str, ...] = ()  # those of them that speak of the current sensor, not of the profile
