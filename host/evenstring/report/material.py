"""What a report is made of: the session and everything found in it. Page and report.json are made from this alone."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from evenstring.analysis.causes.between_recordings import find_second_look
from evenstring.analysis.results import Findings, SecondLook, Unknown
from evenstring.analysis.run import analyse
from evenstring.profile import PackProfile
from evenstring.session import Session

__all__ = ["Material", "gather_material"]


@dataclass(frozen=True, slots=True, eq=False)
class Material:
    """A session, what was known of the pack, and the findings."""

    session: Session
    profile: PackProfile
    found: Findings
    second: SecondLook | None = None  # with several recordings: what changed between them
    no_second: Unknown | None = None

    @property
    def unknown(self) -> tuple[Unknown, ...]:
        """All that is not known, and why."""
        more = self.second.unknown if self.second else ()
        return (*self.found.unknown, *((self.no_second,) if self.no_second else ()), *more)

    def missing(self, key: str) -> Unknown | None:
        """Why a key of report.json is not known; None when it is."""
        return next((u for u in reversed(self.unknown) if u.what == key), None)


def gather_material(session: Session, profile: PackProfile, parts: Sequence[Session] = ()) -> Material:
    """All findings of a session; `parts`: its recordings, when there were several."""
    second, no_second = find_second_look(parts, profile)
    return Material(session, profile, analyse(session, profile), second, no_second)
