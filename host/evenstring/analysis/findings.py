"""All findings of a session, in the order in which they need each other."""

from __future__ import annotations

from evenstring.analysis.events import find_events, shortest_visible_s
from evenstring.analysis.model import Event, Findings, Verdict
from evenstring.analysis.phases import find_phases
from evenstring.analysis.spread import find_spread
from evenstring.profile import PackProfile
from evenstring.session import Session

__all__ = ["analyse"]


def analyse(session: Session, profile: PackProfile) -> Findings:
    """What happened to this string: a pure function of the session and the profile."""
    phases = find_phases(session, profile)
    events = find_events(session, profile, phases)
    return Findings(
        phases=phases,
        spread=find_spread(session, phases),
        events=events,
        shortest_visible_s=shortest_visible_s(session),
        verdict=_verdict(events, profile),
    )


def _verdict(events: tuple[Event, ...], profile: PackProfile) -> Verdict | None:
    """Only what limit events alone can carry; None when they say nothing."""
    discarded = [e for e in events if e.kind in ("below_discard", "reversed")]
    if discarded:
        reasons = tuple(
            f"Group {e.group} went to {'beyond the range' if e.extreme_v is None else f'{e.extreme_v:.2f} V'}"
            f" ({e.kind.replace('_', ' ')}, limit {profile.discard_v:.2f} V) for {e.duration_s:.1f} s."
            for e in discarded[:5]
        )
        return Verdict("do_not_charge", reasons)
    serious = [e for e in events if e.kind in ("above_ceiling", "lead_open", "below_empty")]
    if serious:
        reasons = tuple(f"Group {e.group}: {e.kind.replace('_', ' ')} at {e.start_s:.0f} s." for e in serious[:5])
        return Verdict("inspect", reasons)
    return None
