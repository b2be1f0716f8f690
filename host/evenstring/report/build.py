"""report.json, version 1: made from findings, nothing added. What is not known is null, and `unknown` says why."""

from __future__ import annotations

from dataclasses import asdict
from typing import Any

from evenstring import __version__
from evenstring.analysis.findings import analyse
from evenstring.analysis.model import Findings
from evenstring.profile import PackProfile
from evenstring.session import Session

__all__ = ["build_report"]


def build_report(session: Session, profile: PackProfile) -> dict[str, Any]:
    """The report of a session as plain values, ready for JSON."""
    found = analyse(session, profile)
    return {
        "format": "evenstring-report/1",
        "made_by": f"evenstring {__version__}",
        "recording": _recording(session),
        "instrument": _instrument(session),
        "limits": {k: getattr(profile, k) for k in ("full_v", "ceiling_v", "empty_v", "discard_v")},
        "profile": {"name": profile.name, "chemistry": profile.chemistry, "defaults": list(profile.defaults)},
        "phases": [asdict(p) for p in found.phases],
        "spread": _spread(found),
        "events": [_event(e) for e in (asdict(e) for e in found.events)],
        "shortest_visible_s": _rounded(found.shortest_visible_s, 3),
        "charge": None,
        "balancing": None,
        "weakness": [],
        "reserve": None,
        "verdict": None if found.verdict is None else asdict(found.verdict),
        "unknown": _unknown(found),
    }


def _recording(session: Session) -> dict[str, Any]:
    return {
        "groups": session.groups,
        "scans": session.scans,
        "duration_s": round(session.duration_s, 3),
        "frames_lost": session.link.frames_lost,
        "frames_damaged": session.link.frames_damaged,
        "start": None if session.start is None else session.start.isoformat(timespec="milliseconds"),
        "has_current": session.has_current,
        "frames_unknown": session.link.frames_unknown,
        "tail_bytes": session.link.tail_bytes,
        "gaps": [asdict(g) for g in session.gaps],
        "marks": [asdict(m) for m in session.marks],
    }


def _instrument(session: Session) -> dict[str, Any]:
    known = asdict(session.ident)
    known["meter"] = asdict(session.meter)
    return known


def _spread(found: Findings) -> dict[str, Any]:
    values = asdict(found.spread)
    values["departures_mv"] = [_rounded(v, 3) for v in found.spread.departures_mv]
    return {k: _rounded(v, 3) if isinstance(v, float) else v for k, v in values.items()}


def _event(event: dict[str, Any]) -> dict[str, Any]:
    return {k: _rounded(v, 4) if isinstance(v, float) else v for k, v in event.items()}


def _rounded(value: float | None, digits: int) -> float | None:
    return None if value is None else round(value, digits)


def _unknown(found: Findings) -> dict[str, dict[str, str]]:
    later = "this version does not work it out yet"
    unknown = {key: {"why": later} for key in ("charge", "balancing", "weakness", "reserve")}
    if found.verdict is None:
        unknown["verdict"] = {"why": "no limit was visited, and how the charge went is not worked out yet"}
    if found.spread.uncertainty_mv is None:
        unknown["spread.uncertainty_mv"] = {"why": "the instrument did not state its own uncertainty"}
    if found.spread.rest_mv is None:
        unknown["spread.rest_mv"] = {
            "why": "no rest of 5 minutes or more in this recording",
            "record_next": "leave the pack alone for an hour with the monitor on",
        }
    return unknown
