"""A report with its job, held against limits: what the report command and the Python calls share."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

from evenstring.errors import InputError
from evenstring.report.additions import Addition
from evenstring.report.material import Material
from evenstring.workshop.acceptance.accept import Acceptance, accept
from evenstring.workshop.acceptance.limits import limits_named
from evenstring.workshop.acceptance.table import acceptance_addition
from evenstring.workshop.job import Job, job_addition, parse_job

__all__ = ["Held", "hold"]


@dataclass(frozen=True, slots=True)
class Held:
    """The job and the decisions; None where there is none. `day`: of the recording."""

    job: Job | None
    acceptance: Acceptance | None
    day: date | None = None

    @property
    def additions(self) -> tuple[Addition, ...]:
        """What page and report.json get of both."""
        job = (job_addition(self.job, self.day),) if self.job else ()
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
    job = job or _carried(material)
    day = material.session.start and material.session.start.date()
    if limits is None:
        return Held(job, None, day)
    return Held(job, accept(limits_named(limits, material.profile), material, job), day)


def _carried(material: Material) -> Job | None:
    """The job in the recording. One that cannot be read hides no report: it is left out, and the recording keeps it."""
    if material.session.job_toml is None:
        return None
    try:
        return parse_job(material.session.job_toml, "job in the recording", newer=True)
    except InputError:
        return None
