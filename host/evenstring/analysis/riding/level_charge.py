"""Charge to add to each group, or to take from it, to bring it level with the median group; hours on a bench."""

from __future__ import annotations

import numpy as np

from evenstring.analysis.results import Bench, Phase, Repair, Unknown
from evenstring.analysis.series.arrays import column_means
from evenstring.analysis.series.curve_slope import slope_at_level_v, slopes_at_levels_v
from evenstring.analysis.series.rows_of_phase import rows_in
from evenstring.analysis.series.signals import Signals
from evenstring.analysis.series.uncertainty import MeterError
from evenstring.ocv import default_curve
from evenstring.profile import PackProfile

__all__ = ["bench_hours", "find_repair"]


_FLAT_V = 0.2  # V per 1.0 of SoC: our choice
_FLATTEST_V = 0.05  # V per 1.0 of SoC; flatter still, iron phosphate's plateau as it is anywhere: our choice
_RELAXED_S = 1800.0  # a rest from which charge is read: common practice
# Constant voltage from which repair is told, and relative uncertainty of a curve's slope: our choice
_HELD_S, _SLOPE_U = 900.0, 0.15
_BEND_U = 0.5  # of what a straight line would say otherwise: our choice
_WORTH_IT = 0.005  # of the capacity: production scatter, which nobody mends: our choice
_BENCH_A = 1.0  # of a bench supply or load, where nobody says: our choice


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
    level_v = float(np.nanmedian(volts))
    slope = slope_at_level_v(profile, level_v)
    if slope < _FLAT_V:
        why = f"at {level_v:.2f} V the curve is too flat to tell charge from voltage"
        return (), Unknown("repair", why, record)
    curve = default_curve(profile.chemistry)
    away = (curve.soc(level_v) - curve.soc(volts)) * profile.capacity_ah
    # What is not known: the meter, on the flatter of the two places; the curve's slope, to about 15 % at best; and
    # how much it bends between the group and the median, where a straight line would say something else.
    flatter = np.clip(slopes_at_levels_v(profile, volts), _FLATTEST_V, slope)
    bend = (level_v - volts) / slope * profile.capacity_ah - away
    u = np.hypot(np.hypot(meter.one_v(len(rows)) / flatter * profile.capacity_ah, _SLOPE_U * away), _BEND_U * bend)
    out = []
    for k, (add, error) in enumerate(zip(away, u, strict=True)):
        if not np.isfinite(add):
            continue
        hours = abs(float(add)) / (profile.bleed_ma / 1000.0) if profile.bleed_ma > 0 else None
        out.append(Repair(k + 1, float(add), float(add - 2 * error), float(add + 2 * error), hours))
    return tuple(out), None


def _relaxed(phase: Phase) -> bool:
    return phase.kind == "rest" and phase.end_s - phase.start_s >= _RELAXED_S


def bench_hours(repair: tuple[Repair, ...], profile: PackProfile) -> Bench | None:
    """How long a bench supply or load takes for each group whose gap is beyond its uncertainty."""
    amps = profile.repair_a or _BENCH_A
    clear = [r for r in repair if r.low_ah * r.high_ah > 0 and abs(r.add_ah) > _WORTH_IT * profile.capacity_ah]
    clear.sort(key=lambda r: -abs(r.add_ah))
    hours = tuple((r.group, round(abs(r.add_ah) / amps, 2)) for r in clear)
    return Bench(amps, profile.repair_a is not None, hours) if repair else None
