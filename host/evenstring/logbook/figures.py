"""Figures of one recording that only months make telling: rests, sag, energy, how full it stood, how it may be used.

Pure: from the session and its findings. Nothing is found a second time; what is summed here is summed once.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from evenstring.analysis.results import Findings, Phase
from evenstring.analysis.series.arrays import column_means, rolling_mean
from evenstring.analysis.series.charge_moved import counted_steps_s
from evenstring.analysis.series.curve_slope import slope_at_level_v
from evenstring.analysis.series.rows_of_phase import between, rows_in, rows_of_kind
from evenstring.analysis.series.signals import Signals
from evenstring.analysis.series.uncertainty import MeterError
from evenstring.ocv import default_curve
from evenstring.profile import PackProfile
from evenstring.session import Session

__all__ = [
    "Rest",
    "Sag",
    "energy_wh",
    "mean_c",
    "rests_of",
    "seconds_below_empty",
    "soc_range",
    "stood_at",
    "worst_sag",
]

_RELAXED_S = 1800.0  # a rest from which charge is read: common practice
_MEAN_S = 600.0  # of a rest's end: our choice
_FLAT_V = 0.2  # V per 1.0 of SoC: our choice
# What is left of the relaxation after half an hour, differing between groups, V; less after longer: our choice
_RELAX_V = 0.0010
_LOAD_S = 5.0  # of the heaviest load, as for the reserve: our choice
_NEAR_S = 60.0  # within which a light load is looked for, so that the charge is the same: our choice
_LIGHT = 0.15  # of the heaviest load: our choice
_LEAST_SAG_A = 5.0  # a lighter load sags too little to compare: our choice
_SLOW_S = 5.0  # rows further apart show no load of five seconds: our choice
_MOST_SOC_U = 0.1  # of SoC; a flatter curve tells nothing of how full it stands: our choice
_S_PER_H = 3600.0  # published (SI brochure, hour)


@dataclass(frozen=True, slots=True)
class Rest:
    """The end of a relaxed rest.

    Attributes:
        at_s: since the recording began. relaxed_s: how long it had rested. level_v: of the median group.
        charge_percent: of each group above the median one, % of capacity. u_percent: what two rests differ by anyway.
        temperature_c: mean of the sensors, None where none was read.
    """

    at_s: float
    relaxed_s: float
    level_v: float
    charge_percent: tuple[float | None, ...]
    u_percent: float
    temperature_c: float | None = None


@dataclass(frozen=True, slots=True)
class Sag:
    """The deepest fall of a group's voltage under the heaviest load of a recording, from a light load just before it.

    current_a: what the load changed by, discharge positive. temperature_c: of the sensors then.
    """

    group: int
    sag_mv: float
    current_a: float
    temperature_c: float | None = None


def rests_of(
    session: Session, signals: Signals, phases: tuple[Phase, ...], profile: PackProfile
) -> tuple[Rest | None, Rest | None]:
    """The first and the last rest of half an hour or more; the same one where there is one only."""
    if profile.parallel_strings > 1:  # strings in parallel exchange current: none of their rests is one
        return None, None
    long = [p for p in phases if p.kind == "rest" and p.end_s - p.start_s >= _RELAXED_S]
    looks = [_rest(session, signals, p, profile) for p in (long[:1] + long[-1:])]
    return (looks[0], looks[-1]) if looks else (None, None)


def _rest(session: Session, signals: Signals, phase: Phase, profile: PackProfile) -> Rest | None:
    rows = rows_in(signals.time_s, phase) & (signals.time_s >= phase.end_s - _MEAN_S)
    if rows.sum() < 3:
        return None
    volts = column_means(signals.volts_v[rows])
    if not np.isfinite(volts).any():
        return None
    level_v = float(np.nanmedian(volts))
    slope = slope_at_level_v(profile, level_v)
    if slope < _FLAT_V:
        return None
    relaxed_s = phase.end_s - phase.start_s
    u_v = np.hypot(signals.reading_noise_v / np.sqrt(rows.sum()), _RELAX_V * _RELAXED_S / relaxed_s)
    away = 100.0 * (volts - level_v) / slope
    return Rest(
        round(float(signals.time_s[rows].mean()), 1),
        round(relaxed_s, 1),
        round(level_v, 5),
        tuple(round(float(v), 4) if np.isfinite(v) else None for v in away),
        round(float(100.0 * u_v / slope), 4),
        mean_c(session, phase.end_s - _MEAN_S, phase.end_s),
    )


def worst_sag(session: Session, signals: Signals, phases: tuple[Phase, ...]) -> Sag | None:
    """Of the heaviest five seconds of all rides, against the nearest light load within a minute."""
    riding = rows_of_kind(signals.time_s, phases, "ride")
    if signals.current_a is None or riding.sum() < 2:
        return None
    time_s, volts_v = signals.time_s[riding], signals.volts_v[riding]
    step_s = max(float(np.median(np.diff(time_s))), 1e-3)
    if step_s > _SLOW_S:
        return None
    wide = max(round(_LOAD_S / step_s), 1)
    load = -rolling_mean(signals.current_a[riding], wide)
    light = load < _LIGHT * load.max()
    near = rolling_mean(light, 2 * round(_NEAR_S / step_s) + 1) > 0.0
    heavy = int(np.argmax(np.where(near, load, 0.0)))
    if load[heavy] < _LEAST_SAG_A or not near.any():
        return None
    calm = int(np.flatnonzero(light)[np.argmin(np.abs(np.flatnonzero(light) - heavy))])
    part = [slice(max(k - wide // 2, 0), k + wide // 2 + 1) for k in (calm, heavy)]
    before, under = (column_means(volts_v[p]) for p in part)
    fall = before - under
    if not np.isfinite(fall).any():
        return None
    group = int(np.nanargmax(fall))
    changed_a = float(load[heavy] - load[calm])
    at_s = float(time_s[heavy])
    warm_c = mean_c(session, at_s - _NEAR_S, at_s + _NEAR_S)
    return Sag(group + 1, round(1e3 * float(fall[group]), 1), round(changed_a, 2), warm_c)


def energy_wh(signals: Signals) -> tuple[float | None, float | None]:
    """Watt-hours put in and taken out; None without a current. Silences count nothing."""
    if signals.current_a is None:
        return None, None
    watts = signals.current_a * signals.level_v * signals.volts_v.shape[1]
    wh = watts * counted_steps_s(signals.time_s) / _S_PER_H
    return round(float(wh[wh > 0].sum()), 2), round(float(-wh[wh < 0].sum()), 2)


def stood_at(
    signals: Signals, meter: MeterError, found: Findings, profile: PackProfile
) -> tuple[float | None, float | None]:
    """% of the cells' own range at the first and the last row, where the pack rested or was held full there."""
    if not found.phases:
        return None, None
    return _percent(signals, meter, found.phases[0], profile, 0), _percent(
        signals, meter, found.phases[-1], profile, -1
    )


def _percent(signals: Signals, meter: MeterError, phase: Phase, profile: PackProfile, end: int) -> float | None:
    if phase.kind not in ("rest", "charge_cv") or profile.parallel_strings > 1:
        return None
    at_s = phase.start_s if end == 0 else phase.end_s
    near = rows_in(signals.time_s, phase) & (np.abs(signals.time_s - at_s) <= _MEAN_S / 2)
    if not near.any():
        return None
    level_v, curve = float(np.median(signals.level_v[near])), default_curve(profile.chemistry)
    soc = float(curve.soc(level_v))
    # Near the ends a curve is steep, and steep is sure: full and empty are told of flat chemistries too.
    if meter.absolute_v(level_v) / max(float(curve.slope_v(soc)), 1e-3) > _MOST_SOC_U:
        return None
    return round(100.0 * min(max(soc, 0.0), 1.0), 1)


def soc_range(found: Findings, profile: PackProfile) -> tuple[float | None, float | None]:
    """% of the cells' own range at which a ride gets a group to empty, and at which the charger stops."""
    empty = None if found.reserve is None else round(100.0 * found.reserve.lowest_soc_at_full_load, 1)
    full_v = None if found.charger is None else found.charger.plateau_per_group_v
    full = None if full_v is None else 100.0 * float(default_curve(profile.chemistry).soc(full_v))
    return empty, None if full is None else round(min(full, 100.0), 1)


def seconds_below_empty(found: Findings) -> tuple[tuple[int, float], ...]:
    """Groups that were below empty, and for how long in all, s."""
    total: dict[int, float] = {}
    for event in found.events:
        if event.kind == "below_empty" and event.certainty == "yes":
            total[event.group] = total.get(event.group, 0.0) + event.duration_s
    return tuple((group, round(seconds, 1)) for group, seconds in sorted(total.items()))


def mean_c(session: Session, start_s: float, end_s: float) -> float | None:
    """Mean of all sensors over a time, degC."""
    if session.temps_c is None:
        return None
    seen = session.temps_c[between(session.time_s, start_s, end_s)]
    return round(float(np.nanmean(seen)), 1) if np.isfinite(seen).any() else None
