"""What a recording covers: which groups were read, what was seen of rides, charges and rests, and how finely."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from evenstring.analysis.causes.evidence.estimates import CAPACITY, RESISTANCE, Evidence
from evenstring.analysis.results import Coverage, Extreme, Phase
from evenstring.session import Quality, Session

__all__ = ["coverage_of", "with_evidence"]

_UNREAD = 0.1  # share of scans without a reading from which a group counts as often not read: our choice
_END = 20  # last scans, in which a group must have been read at least once: our choice


def coverage_of(session: Session, phases: tuple[Phase, ...]) -> Coverage:
    """Who was read, and for how long each thing was seen."""
    read = ~np.isin(session.quality, (Quality.NO_READING, Quality.LEAD_OPEN))  # beyond the range is a reading too
    missing = 1.0 - read.mean(axis=0) if session.scans else np.ones(session.groups)
    gone = ~read[-_END:].any(axis=0) if session.scans else np.ones(session.groups, bool)
    never = missing >= 1.0
    often = ~never & ((missing > _UNREAD) | gone)

    def seconds(*kinds: str) -> float:
        return float(sum(p.end_s - p.start_s for p in phases if p.kind in kinds))

    return Coverage(
        scans=session.scans_read,
        groups=session.groups,
        never_read=_numbers(never),
        often_unread=_numbers(often),
        interval_s=float(np.percentile(np.diff(session.time_s), 90)) if session.scans > 1 else None,
        ride_s=seconds("ride"),
        charge_s=seconds("charge_cc", "charge_cv"),
        rest_s=seconds("rest"),
        has_current=session.has_current,
    )


def with_evidence(coverage: Coverage, evidence: Evidence | None) -> Coverage:
    """The same with how finely capacities and resistances are known (the least known group), and their extremes."""
    if evidence is None:
        return coverage
    u = np.sqrt(np.einsum("gkk->gk", evidence.covariance))
    return replace(
        coverage,
        capacity_u_percent=float(u[:, CAPACITY].max()),
        resistance_u_percent=float(u[:, RESISTANCE].max()),
        smallest=_extreme(evidence, u, CAPACITY, int(np.argmin(evidence.size[:, CAPACITY]))),
        most_resistive=_extreme(evidence, u, RESISTANCE, int(np.argmax(evidence.size[:, RESISTANCE]))),
    )


def _extreme(evidence: Evidence, u: NDArray[np.float64], column: int, group: int) -> Extreme:
    return Extreme(group + 1, float(evidence.size[group, column]), float(u[group, column]))


def _numbers(which: NDArray[np.bool_]) -> tuple[int, ...]:
    return tuple(int(g) + 1 for g in np.flatnonzero(which))
