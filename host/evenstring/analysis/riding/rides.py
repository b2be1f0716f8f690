"""Each ride, and how it ended."""

from __future__ import annotations

import numpy as np

from evenstring.analysis.results import Event, Phase, Ride, RideEnd
from evenstring.analysis.series.charge_moved import charge_total_ah
from evenstring.analysis.series.rows_of_phase import rows_in
from evenstring.analysis.series.signals import Signals
from evenstring.profile import PackProfile

__all__ = ["find_rides"]


_RELEASED_V = 0.010  # of the level when a load vanishes at once: tuned on own sessions under 300,000
_AT_END_S = 10.0  # of a ride's end: our choice


def find_rides(
    signals: Signals, profile: PackProfile, phases: tuple[Phase, ...], events: tuple[Event, ...]
) -> tuple[Ride, ...]:
    """Each ride; a cut under load shows as a group at or near discard, or far under empty, at the very end."""
    rides = []
    for phase in phases:
        if phase.kind != "ride":
            continue
        inside = rows_in(signals.time_s, phase)
        volts = signals.volts_v[inside]
        if not np.isfinite(volts).any():
            continue
        volts = np.where(np.isfinite(volts), volts, np.inf)  # no reading is no low
        lows = volts.min(axis=0)
        late = volts[-max(3, round(5.0 / signals.step_s)) :].min(axis=0)
        ended: RideEnd = "normal"
        group: int | None = None
        high = next((e for e in events if _ended_by_regeneration(e, phase)), None)
        if late.min() < profile.empty_v and _pack_jumps_after(signals, phase):
            ended, group = "cut_under_load", int(late.argmin()) + 1
        elif high is not None:
            ended, group = "regen_near_ceiling", high.group
        used = None
        if signals.current_a is not None:
            used = -charge_total_ah(signals.time_s[inside], signals.current_a[inside])
        rides.append(Ride(phase.start_s, phase.end_s, ended, group, float(lows.min()), used))
    return tuple(rides)


def _ended_by_regeneration(event: Event, phase: Phase) -> bool:
    """Above the ceiling (or full) within the ride's last seconds."""
    high = event.kind in ("above_ceiling", "above_full")
    return high and phase.start_s <= event.start_s and abs(event.start_s + event.duration_s - phase.end_s) < _AT_END_S


def _pack_jumps_after(signals: Signals, phase: Phase) -> bool:
    """The load vanished at once: the level rises by 10 mV a group or more within seconds of the end."""
    before = signals.level_v[signals.time_s <= phase.end_s][-3:]
    after = signals.level_v[signals.time_s > phase.end_s][:5]
    return bool(len(before) and len(after) and after.max() - before.min() > _RELEASED_V)
