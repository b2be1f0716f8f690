"""Limits against a recording: each criterion decided, and what follows for the whole.

The whole passes when every criterion that is needed passed, fails when any failed, and stays open else. The chance
that any of its decisions is wrong is at most the sum of theirs (Boole's inequality), and that is what is stated.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from evenstring.report.material import Material
from evenstring.workshop.acceptance.conformity import (
    Decision,
    GlobalRisks,
    Measured,
    decide,
    global_risks,
    probability_within,
    risk_of,
)
from evenstring.workshop.acceptance.limits import AcceptanceLimits, Criterion
from evenstring.workshop.acceptance.measured import Missing, measure
from evenstring.workshop.job import Job

__all__ = ["Acceptance", "Decided", "accept"]

Result = Literal["pass", "fail", "open"]


@dataclass(frozen=True, slots=True)
class Decided:
    """One criterion: its value, its decision, and how likely that is wrong. None: not measured, or not decided."""

    criterion: Criterion
    decision: Decision
    measured: Measured | None = None
    of: str = ""
    within: float | None = None  # conformance probability
    risk: float | None = None  # specific risk: of this decision being wrong
    global_risks: GlobalRisks | None = None  # where the file states a prior
    why: str = ""
    record_next: str = ""


@dataclass(frozen=True, slots=True)
class Acceptance:
    """All criteria of a file, and the whole. `risk`: of any decision being wrong, at most."""

    name: str
    about: str
    result: Result
    risk: float
    decided: tuple[Decided, ...]


def accept(limits: AcceptanceLimits, material: Material, job: Job | None = None) -> Acceptance:
    """Decide every criterion by what was found, and by what was noted by hand in the job."""
    decided = tuple(_decided(c, material, job) for c in limits.criteria)
    return Acceptance(
        limits.name, limits.about, _result(decided), min(1.0, sum(d.risk or 0.0 for d in decided)), decided
    )


def _decided(criterion: Criterion, material: Material, job: Job | None) -> Decided:
    found = measure(criterion, material, job)
    if isinstance(found, Missing):
        return Decided(criterion, "not_measured", why=found.why, record_next=found.record_next)
    measured, limit, prior = found.measured, criterion.limit, criterion.prior
    decision = decide(measured, limit)
    within = probability_within(measured, limit, prior)
    u = max(measured.u_low, measured.u_high)
    risks = global_risks(limit, u, prior) if prior is not None and u > 0 else None
    return Decided(criterion, decision, measured, found.of, within, risk_of(decision, within), risks)


def _result(decided: tuple[Decided, ...]) -> Result:
    if any(d.decision == "fail" for d in decided):
        return "fail"
    needed = [d for d in decided if d.criterion.needed]
    return "pass" if needed and all(d.decision == "pass" for d in needed) else "open"
