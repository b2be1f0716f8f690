"""Visits beyond a limit, per group: start, length, extreme, under load or not.

One noisy reading is no event: a visit needs two readings. In a scan that goes out and back each pass is a reading of
its own, so a dip of one scan counts when both its passes saw it. What happens between two looks cannot be seen; the
shortest dip that is sure to be seen is stated instead.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from evenstring.analysis.arrays import runs_of
from evenstring.analysis.model import Event, Phase
from evenstring.analysis.phases import rest_current_a
from evenstring.profile import PackProfile
from evenstring.session import Quality, Session

__all__ = ["find_events", "shortest_visible_s"]

_JOIN_S = 2.0  # visits closer than this are one visit


@dataclass(frozen=True, slots=True)
class _Limit:
    kind: str
    volts: float
    below: bool


def _limits(profile: PackProfile, tolerance_v: float) -> tuple[_Limit, ...]:
    return (
        _Limit("below_empty", profile.empty_v, True),
        _Limit("below_discard", profile.discard_v, True),
        # A charger holds the full voltage: noise round it is no visit above it.
        _Limit("above_full", profile.full_v + max(0.010, tolerance_v), False),
        _Limit("above_ceiling", profile.ceiling_v, False),
        _Limit("reversed", 0.0, True),
    )


def find_events(session: Session, profile: PackProfile, phases: tuple[Phase, ...]) -> tuple[Event, ...]:
    """All visits, by start and group."""
    if not session.scans:
        return ()
    noise = session.meter.noise_v or 0.0
    found: list[Event] = []
    over = session.quality == Quality.OVER_POSITIVE
    under = session.quality == Quality.OVER_NEGATIVE
    low, high = _extremes(session)
    for limit in _limits(profile, 4 * noise):
        beyond = (low < limit.volts) | under if limit.below else (high > limit.volts) | over
        with_both = _agreed(session, limit, beyond)
        for group in np.flatnonzero(beyond.any(axis=0)):
            values = (low if limit.below else high)[:, group]
            found += _visits(session, profile, phases, limit, int(group), beyond[:, group], with_both[:, group], values)
    found += _open_leads(session)
    return tuple(sorted(found, key=lambda e: (e.start_s, e.group, e.kind)))


def _extremes(session: Session) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Lower and higher of the two passes; the reading itself with one pass."""
    if session.out_back_v is None:
        return session.volts_v, session.volts_v
    half = np.abs(np.nan_to_num(session.out_back_v)) / np.float32(2)
    return (session.volts_v - half).astype(np.float32), (session.volts_v + half).astype(np.float32)


def _agreed(session: Session, limit: _Limit, beyond: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Where both passes of a scan are beyond the limit: two readings, so the scan stands for itself."""
    if session.out_back_v is None:
        return np.zeros_like(beyond)
    half = np.abs(np.nan_to_num(session.out_back_v)) / 2
    milder = session.volts_v + half if limit.below else session.volts_v - half
    return np.asarray((milder < limit.volts) if limit.below else (milder > limit.volts))


def _visits(
    session: Session,
    profile: PackProfile,
    phases: tuple[Phase, ...],
    limit: _Limit,
    group: int,
    beyond: NDArray[np.bool_],
    sure: NDArray[np.bool_],
    values: NDArray[np.float32],
) -> list[Event]:
    t = session.time_s
    joined: list[list[int]] = []
    for first, last in runs_of(beyond):
        if joined and t[first] - t[joined[-1][1] - 1] <= _JOIN_S:
            joined[-1][1] = last
        else:
            joined.append([first, last])
    events = []
    for first, last in joined:
        if beyond[first:last].sum() < 2 and not sure[first:last].any():
            continue
        part = values[first:last]
        known = part[np.isfinite(part)]
        extreme = None if not len(known) else float(known.min() if limit.below else known.max())
        end = t[min(last, len(t) - 1)] if last < len(t) else t[-1]
        loaded = _under_load(session, profile, phases, first, last)
        events.append(Event(limit.kind, group + 1, float(t[first]), float(end - t[first]), extreme, loaded))
    return events


def _under_load(
    session: Session, profile: PackProfile, phases: tuple[Phase, ...], first: int, last: int
) -> bool | None:
    if session.current_a is not None:
        amps = session.current_a[first:last]
        amps = amps[np.isfinite(amps)]
        if len(amps):
            return bool(amps.min() < -rest_current_a(profile))
    kinds = {p.kind for p in phases if p.end_s >= session.time_s[first] and p.start_s <= session.time_s[last - 1]}
    if kinds & {"ride"}:
        return True
    return False if kinds & {"rest", "charge_cc", "charge_cv"} else None


def _open_leads(session: Session) -> list[Event]:
    t = session.time_s
    events = []
    lead = session.quality == Quality.LEAD_OPEN
    for group in np.flatnonzero(lead.any(axis=0)):
        for first, last in runs_of(lead[:, group]):
            end = t[min(last, len(t) - 1)]
            events.append(Event("lead_open", int(group) + 1, float(t[first]), float(end - t[first]), None, None))
    return events


def shortest_visible_s(session: Session) -> float | None:
    """A dip at least this long is read twice whatever its start: two intervals between looks at one group."""
    if session.scans < 2:
        return None
    interval = float(np.percentile(np.diff(session.time_s), 90))
    return interval if session.out_back_v is not None else 2 * interval
