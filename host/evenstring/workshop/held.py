"""A report with its job, held against limits: what the report command and the Python calls share."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

from evenstring.report.additions import Addition
from evenstring.report.material import Material
from evenstring.workshop.acceptance.accept import Acceptance, accept
from evenstring.workshop.acceptance.limits import limits_named
from evenstring.workshop.acceptance.table import acceptance_addition
from evenstring.workshop.job import Job, UnreadJob, carried_job, job_addition

__all__ = ["Held", "hold"]


@dataclass(frozen=True, slots=True)
class Held:
    """The job and the decisions; None where there is none. `day`: of the recording.

    `unread`: a job that is in the recording and cannot be read.
    """

    job: Job | None
    acceptance: Acceptance | None
    day: date | None = None
    unread: UnreadJob | None = None

    @property
    def additions(self) -> tuple[Addition, ...]:
        """What page and report.json get of both."""
        unread = (self.unread.addition(),) if self.unread else ()
        job = (job_addition(self.job, self.day),) if self.job else unread
        return (*job, acceptance_addition(self.acceptance)) if self.acceptance else job

    @property
    def fails(self) -> bool:
        """Whether a limit was broken."""
        return self.acceptance is not None and self.acceptance.result == "fail"


def hold(material: Material, job: Job | None = None, limits: str | None = None) -> Held:
    """The job given, else that of the recording; and the limits (name of a ready file, or path), decided.

    Raises:
        InputError: limits that cannot be used.
    """
    carried = job or carried_job(material.session.job_toml)
    unread = carried if isinstance(carried, UnreadJob) else None
    known = None if isinstance(carried, UnreadJob) else carried
    day = material.session.start and material.session.start.date()
    decided = None if limits is None else accept(limits_named(limits, material.profile), material, known)
    return Held(known, decided, day, unread)
