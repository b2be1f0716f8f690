"""Visits beyond a limit, per group: start, length, extreme, under load or not, how surely.

One noisy reading is no event: a visit needs two readings at or very near the limit, one of them beyond it. In a scan
that goes out and back each pass is a reading of its own. What happens between two looks cannot be seen; the shortest
dip that is sure to be seen is stated instead. An extreme within two absolute uncertainties of the limit is reported as
`within_uncertainty`; a group that came this near without crossing is listed among what is not known (`not_excluded`).
A short dip under load is not an emptied electrode: the extreme without its resistive drop and
the voltage after recovery stand beside it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from evenstring.analysis.results import Certainty, During, Event, EventKind, Phase, PhaseKind, Unknown
from evenstring.analysis.series.arrays import runs_of
from evenstring.analysis.series.resistance import group_resistance
from evenstring.analysis.series.rest import rest_current_a
from evenstring.analysis.series.uncertainty import MeterError
from evenstring.profile import PackProfile
from evenstring.session import Quality, Session

__all__ = ["extremes", "find_events", "not_excluded", "shortest_visible_s"]

F32 = NDArray[np.float32]
_JOIN_S = 2.0  # visits closer than this are one visit: our choice
_NEAR_V = 0.008  # a second reading this near to the limit confirms a visit: tuned on own sessions under 300,000
_FULL_MARGIN_V = 0.010  # a charger holds the full voltage: noise round it is no visit above it: our choice
_RECOVERED_S = (30.0, 120.0)  # after a visit: our choice

_DURING: dict[PhaseKind, During] = {
    "charge_cc": "charge",
    "charge_cv": "charge",
    "rest": "rest",
    "ride": "ride",
    "unknown": "unknown",
}
# Without a sensor the phase tells whether current flowed.
_LOADED: dict[During, bool | None] = {"ride": True, "charge": True, "rest": False, "unknown": None}


@dataclass(frozen=True, slots=True)
class _Limit:
    kind: EventKind
    volts: float
    below: bool


@dataclass(frozen=True, slots=True, eq=False)
class _Context:
    session: Session
    profile: PackProfile
    phases: tuple[Phase, ...]
    meter: MeterError
    resistance_ohm: NDArray[np.float64] | None
    interval_s: float


def _limits(profile: PackProfile) -> tuple[_Limit, ...]:
    return (
        _Limit("below_empty", profile.empty_v, True),
        _Limit("below_discard", profile.discard_v, True),
        _Limit("above_full", profile.full_v + _FULL_MARGIN_V, False),
        _Limit("above_ceiling", profile.ceiling_v, False),
        _Limit("reversed", 0.0, True),
    )


def find_events(
    session: Session, profile: PackProfile, phases: tuple[Phase, ...], meter: MeterError
) -> tuple[Event, ...]:
    """All visits, by start and group."""
    if not session.scans:
        return ()
    interval = float(np.median(np.diff(session.time_s))) if session.scans > 1 else 0.0
    low, high = extremes(session)
    over = session.quality == Quality.OVER_POSITIVE
    under = session.quality == Quality.OVER_NEGATIVE
    touched = [
        (limit, int(group), beyond[:, group].copy())
        for limit in _limits(profile)
        for beyond in [(low < limit.volts) | under if limit.below else (high > limit.volts) | over]
        for group in np.flatnonzero(beyond.any(axis=0))
    ]
    resistance = group_resistance(session) if touched else None
    context = _Context(session, profile, phases, meter, None if resistance is None else resistance[0], interval)
    found: list[Event] = []
    for limit, group, beyond in touched:
        found += _visits(context, limit, group, beyond, (low if limit.below else high)[:, group])
    found += _open_leads(session)
    return tuple(sorted(found, key=lambda e: (e.start_s, e.group, e.kind)))


def extremes(session: Session) -> tuple[F32, F32]:
    """Lower and higher of the two passes, or of all in the row; the reading itself with one pass."""
    if session.folded is not None:
        return session.folded.lowest_v, session.folded.highest_v
    if session.out_back_v is None:
        return session.volts_v, session.volts_v
    half = np.abs(session.out_back_v) / np.float32(2)
    half[np.isnan(half)] = 0.0
    return (session.volts_v - half).astype(np.float32), (session.volts_v + half).astype(np.float32)


def _visits(context: _Context, limit: _Limit, group: int, beyond: NDArray[np.bool_], values: F32) -> list[Event]:
    t = context.session.time_s
    sign = 1.0 if limit.below else -1.0
    near = beyond | (sign * (values - limit.volts) < _NEAR_V)
    sure = _by_itself(context.session, limit, group)
    joined: list[list[int]] = []
    stretch = np.cumsum(np.diff(near.astype(np.int8), prepend=0) == 1)  # number of the stretch near the limit
    for first, last in runs_of(beyond):
        gap_s = t[first] - t[joined[-1][1] - 1] if joined else np.inf
        same = bool(joined) and stretch[first] == stretch[joined[-1][1] - 1]
        if same or gap_s <= max(_JOIN_S, 2.5 * context.interval_s):
            joined[-1][1] = last
        else:
            joined.append([first, last])
    events = []
    for first, last in joined:
        around = near[max(0, first - 1) : last + 1].sum()
        if around >= 2 or sure[first:last].any():
            events.append(_event(context, limit, group, first, last, values))
    return events


def _by_itself(session: Session, limit: _Limit, group: int) -> NDArray[np.bool_]:
    """Rows that hold two readings which confirm each other: both passes beyond the limit; of several scans, any two."""
    if session.folded is not None:
        kept = session.folded
        gap_mv = kept.low_gap_mv if limit.below else kept.high_gap_mv
        away = limit.volts - kept.lowest_v[:, group] if limit.below else kept.highest_v[:, group] - limit.volts
        return np.asarray((away > 0) & (gap_mv[:, group] < 255) & (gap_mv[:, group] * 1e-3 - away < _NEAR_V))
    if session.out_back_v is None:
        return np.zeros(session.scans, dtype=bool)
    half = np.abs(np.nan_to_num(session.out_back_v[:, group])) / 2
    mean = session.volts_v[:, group]
    return np.asarray((mean + half < limit.volts) if limit.below else (mean - half > limit.volts))


def _event(context: _Context, limit: _Limit, group: int, first: int, last: int, values: F32) -> Event:
    t = context.session.time_s
    part = values[first:last]
    known = np.isfinite(part)
    extreme, at = None, first
    if known.any():
        at = first + int(np.nanargmin(part) if limit.below else np.nanargmax(part))
        extreme = float(values[at])
    loaded, during = _under_load(context, at)
    end = float(t[last]) if last < len(t) else float(t[-1])
    return Event(
        limit.kind,
        group + 1,
        float(t[first]),
        end - float(t[first]),
        extreme,
        loaded,
        _certainty(context, limit, extreme),
        during,
        _ir_free(context, group, at, extreme),
        _recovered(context, group, end),
    )


def _certainty(context: _Context, limit: _Limit, extreme_v: float | None) -> Certainty:
    if extreme_v is None:
        return "yes"  # beyond the range of the meter
    level = limit.volts - (_FULL_MARGIN_V if limit.kind == "above_full" else 0.0)
    return "yes" if abs(extreme_v - level) > 2 * context.meter.absolute_v(limit.volts) else "within_uncertainty"


def _under_load(context: _Context, at: int) -> tuple[bool | None, During]:
    """Whether current flowed at the extreme, and in which phase it was."""
    t = context.session.time_s[at]
    kind: PhaseKind = next((p.kind for p in context.phases if p.start_s <= t <= p.end_s), "unknown")
    during = _DURING[kind]
    if context.session.current_a is not None and np.isfinite(context.session.current_a[at]):
        amps = context.session.current_a[max(0, at - 1) : at + 2]
        return bool(np.nanmax(np.abs(amps)) > rest_current_a(context.profile)), during
    return _LOADED[during], during


def _ir_free(context: _Context, group: int, at: int, extreme_v: float | None) -> float | None:
    """The extreme without its resistive drop; None without a current or a resistance.

    The current of a row of several scans is that of their mean, so it is the mean that it is taken from.
    """
    current = context.session.current_a
    if extreme_v is None or current is None or context.resistance_ohm is None or not np.isfinite(current[at]):
        return None
    ohm = context.resistance_ohm[group]
    if context.session.folded is not None:
        extreme_v = float(context.session.volts_v[at, group])
        if not np.isfinite(extreme_v):
            return None
    return float(extreme_v - ohm * current[at]) if ohm > 0.0 else None


def _recovered(context: _Context, group: int, end_s: float) -> float | None:
    t = context.session.time_s
    first, last = np.searchsorted(t, [end_s + s for s in _RECOVERED_S])
    part = context.session.volts_v[first:last, group]
    part = part[np.isfinite(part)]
    return float(np.median(part)) if len(part) else None


def _open_leads(session: Session) -> list[Event]:
    t = session.time_s
    events = []
    lead = session.quality == Quality.LEAD_OPEN
    for group in np.flatnonzero(lead.any(axis=0)):
        for first, last in runs_of(lead[:, group]):
            end = t[min(last, len(t) - 1)]
            events.append(Event("lead_open", int(group) + 1, float(t[first]), float(end - t[first]), None, None))
    return events


def not_excluded(session: Session, profile: PackProfile, meter: MeterError, events: tuple[Event, ...]) -> list[Unknown]:
    """Visits that are not shown and not excluded: two readings within two absolute uncertainties of a limit."""
    if session.scans < 2:
        return []
    found = []
    low, high = extremes(session)
    for limit in _limits(profile):
        if limit.kind not in ("below_discard", "above_ceiling"):
            continue
        short_v = low - limit.volts if limit.below else limit.volts - high  # NaN, never near, where not read
        reach = 2 * meter.absolute_v(limit.volts)
        said = {e.group for e in events if e.kind == limit.kind}
        near = [k for k in np.flatnonzero((short_v <= reach).sum(axis=0) >= 2).tolist() if k + 1 not in said]
        if near:
            who = ("group " if len(near) == 1 else "groups ") + ", ".join(str(k + 1) for k in near)
            why = (
                f"{who} came within {reach * 1e3:.0f} mV of {limit.volts:.2f} V (two absolute uncertainties of the"
                f" meter): a visit {limit.kind.replace('_', ' ')} is not excluded"
            )
            record = "compare one group with a calibrated meter (evenstring calibrate)"
            found.append(Unknown(f"events.{limit.kind}", why, record))
    return found


def shortest_visible_s(session: Session) -> float | None:
    """A dip at least this long is read twice whatever its start: two intervals between looks at one group."""
    if session.scans < 2:
        return None
    interval = float(np.percentile(np.diff(session.time_s), 90))
    if session.folded is not None:
        interval = session.folded.interval_s
    return interval if session.out_back_v is not None else 2 * interval
