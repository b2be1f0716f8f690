"""Smaller findings: rides and how they ended, repair in ampere-hours, capacity between rests, temperatures."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from evenstring.analysis.results import (
    Capacity,
    Event,
    HeatKind,
    Phase,
    Repair,
    Ride,
    RideEnd,
    TemperatureVisit,
    Unknown,
)
from evenstring.analysis.series.arrays import column_means, runs_of
from evenstring.analysis.series.charge_moved import charge_total_ah
from evenstring.analysis.series.curve_slope import slope_at_level_v
from evenstring.analysis.series.rows_of_phase import rows_in, rows_of_kind
from evenstring.analysis.series.signals import Signals
from evenstring.analysis.series.uncertainty import MeterError
from evenstring.ocv import default_curve
from evenstring.profile import PackProfile
from evenstring.session import Session

__all__ = ["find_capacity", "find_repair", "find_rides", "find_temperature"]

F64 = NDArray[np.float64]
_MODEL_SOC_U = 0.02  # standard uncertainty of a state of charge read from an assumed curve: our choice
_LEAST_DEPTH = 0.3  # between two rests, of the pack, for its capacity: our choice
_FLAT_V = 0.2  # V per 1.0 of SoC: our choice
_RELAXED_S = 1800.0  # a rest from which charge is read: common practice
# Limits while charging, degrees Celsius: common practice, from memory. Below 0 metal may plate: common practice.
_COLD_C, _WARM_C, _HOT_C = 0.0, 45.0, 60.0
# Constant voltage from which repair is told, and relative uncertainty of a curve's slope: our choice
_HELD_S, _SLOPE_U = 900.0, 0.15
_RELEASED_V = 0.010  # of the level when a load vanishes at once: tuned on own sessions under 300,000
_AT_END_S = 10.0  # of a ride's end: our choice
_USUAL_V = 3.8  # at which the absolute uncertainty is taken: our choice


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


def find_repair(
    signals: Signals, profile: PackProfile, phases: tuple[Phase, ...], meter: MeterError
) -> tuple[tuple[Repair, ...], Unknown | None]:
    """Charge to add to each group, from the end of the last held or relaxed phase, where the curve is steep enough."""
    record = "charge to the end and keep the monitor on for an hour after the light"
    fit = [p for p in phases if (p.kind == "charge_cv" and p.end_s - p.start_s >= _HELD_S) or _relaxed(p)]
    if not fit or signals.volts_v.shape[1] < 2:
        return (), Unknown("repair", "no rest of half an hour and no constant-voltage part of 15 minutes", record)
    rows = np.flatnonzero(rows_in(signals.time_s, fit[-1]))[-60:]
    volts = column_means(signals.volts_v[rows])
    if not np.isfinite(volts).any():
        return (), Unknown("repair", "no group was read where the charge had ended or the pack had rested", record)
    slope = slope_at_level_v(profile, float(np.nanmedian(volts)))
    if slope < _FLAT_V:
        why = f"at {np.nanmedian(volts):.2f} V the curve is too flat to tell charge from voltage"
        return (), Unknown("repair", why, record)
    away = (np.nanmedian(volts) - volts) / slope * profile.capacity_ah
    # The meter, and a curve whose slope is known to about 15 % at best.
    u = np.hypot(meter.one_v(len(rows)) / slope * profile.capacity_ah, _SLOPE_U * np.abs(away))
    out = []
    for k, (add, error) in enumerate(zip(away, u, strict=True)):
        if not np.isfinite(add):
            continue
        hours = abs(float(add)) / (profile.bleed_ma / 1000.0) if profile.bleed_ma > 0 else None
        out.append(Repair(k + 1, float(add), float(add - 2 * error), float(add + 2 * error), hours))
    return tuple(out), None


def _relaxed(phase: Phase) -> bool:
    return phase.kind == "rest" and phase.end_s - phase.start_s >= _RELAXED_S


def find_capacity(
    signals: Signals, profile: PackProfile, phases: tuple[Phase, ...], meter: MeterError
) -> tuple[Capacity | None, Unknown | None]:
    """Charge moved between two relaxed rests over the change of the median group's state of charge."""
    record = "a rest of half an hour, a ride or charge over a third of the pack or more, and another rest, with current"
    if signals.current_a is None:
        return None, Unknown("capacity", "without a current sensor only ratios between groups show", record)
    if profile.parallel_strings > 1:
        return None, Unknown("capacity", "parallel strings exchange current: the charge is not this string's", record)
    rests = [p for p in phases if _relaxed(p)]
    if len(rests) < 2:
        return None, Unknown("capacity", "fewer than two rests of half an hour", record)
    curve = default_curve(profile.chemistry)
    ends = [int(np.flatnonzero(signals.time_s <= p.end_s)[-1]) for p in (rests[0], rests[-1])]
    soc = [float(curve.soc(float(np.median(signals.level_v[max(0, k - 20) : k + 1])))) for k in ends]
    depth = abs(soc[1] - soc[0])
    part = slice(ends[0], ends[1] + 1)
    if depth < _LEAST_DEPTH or signals.gap_after[part].any():
        return None, Unknown(
            "capacity", f"the two rests lie only {depth:.0%} of the pack apart, or the record has a gap", record
        )
    slopes = [float(curve.slope_v(s)) for s in soc]
    if min(slopes) < _FLAT_V:
        return None, Unknown("capacity", "at one of the rests the curve is too flat to tell the charge", record)
    moved = abs(charge_total_ah(signals.time_s[part], signals.current_a[part]))
    ah = moved / depth
    u_soc = np.sqrt(2 * _MODEL_SOC_U**2 + sum((meter.absolute_v(_USUAL_V) / s) ** 2 for s in slopes))
    u = ah * float(np.hypot(u_soc / depth, 0.01))
    return Capacity(ah, ah - 2 * u, ah + 2 * u, depth, profile.capacity_ah), None


def find_temperature(
    session: Session, phases: tuple[Phase, ...]
) -> tuple[tuple[TemperatureVisit, ...], Unknown | None]:
    """Charging below 0 or above 45 degrees Celsius, and above 60 at any time; a minute or two scans at least."""
    if session.temps_c is None or not np.isfinite(session.temps_c).any():
        return (), Unknown("temperature", "no temperature was measured", "fit a temperature sensor at the cells")
    t = session.time_s
    charging = rows_of_kind(t, phases, "charge")
    found = []
    for channel in range(session.temps_c.shape[1]):
        c = session.temps_c[:, channel]
        visits: dict[HeatKind, NDArray[np.bool_]] = {
            "charged_cold": charging & (c < _COLD_C),
            "charged_hot": charging & (c > _WARM_C),
            "hot": c > _HOT_C,
        }
        for kind, mask in visits.items():
            for first, last in runs_of(mask):
                if last - first >= 2 and t[last - 1] - t[first] >= min(60.0, 2 * float(np.median(np.diff(t)))):
                    part = c[first:last]
                    extreme = float(np.nanmin(part) if kind == "charged_cold" else np.nanmax(part))
                    lasted_s = float(t[last - 1] - t[first])
                    found.append(TemperatureVisit(kind, channel + 1, float(t[first]), lasted_s, round(extreme, 1)))
    return tuple(found), None
