"""What rooms above the report put onto the page and into report.json: a job, acceptance, a history."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from evenstring.report.sections.section import Section

__all__ = ["Addition"]


@dataclass(frozen=True, slots=True)
class Addition:
    """One of them.

    Attributes:
        key: in report.json; none of the report's own.
        value: what stands there, as plain values.
        section: on the page, before the sections of the report's own; None: none.
        head: label and value of what stands at the head of the page.
        said: a sentence beside the verdict, which the section rests on; needs one whose key is `key`.
    """

    key: str
    value: Any
    section: Section | None = None
    head: tuple[tuple[str, str], ...] = ()
    said: str = ""
