"""A group alone far above the others while the charger holds the voltage, that does not come down.

Every board bleeds the highest group first, whatever its rule. So one that stays up there has a bleeder that is dead, or
far too weak for what it is asked; each charge drives it further above full.
"""

from __future__ import annotations

import numpy as np

from evenstring.analysis.results import Balancing, Hazard, Phase
from evenstring.analysis.series.chances import chance_above
from evenstring.analysis.series.curve_slope import slope_at_level_v
from evenstring.analysis.series.lines import line_through
from evenstring.analysis.series.rows_of_phase import between
from evenstring.analysis.series.signals import Signals
from evenstring.profile import PackProfile

__all__ = ["find_stays_above", "without_closing"]

_LEAST_S = 1800.0  # of held voltage: the later half is looked at, the earlier left to the polarisation: our choice
_BINS = 12  # means over such a share of it: our choice
_ALONE_V, _ALONE_CHARGE = 0.015, 0.015  # above the next highest; of charge: our choice
_STAYS_H = 10.0  # at this pace it would take longer to come down: more than one sitting: our choice
_OVER_V = 0.005  # above the bleed threshold, where it must be bled: our choice
_LEAST_GROUPS = 4  # our choice
_Z90, _MOST = 1.645, 0.95  # published (normal distribution, 90 % two-sided); the highest confidence: our choice


def find_stays_above(signals: Signals, profile: PackProfile, phases: tuple[Phase, ...]) -> tuple[Hazard, ...]:
    """Of the last voltage that was held long enough."""
    held = [p for p in phases if p.kind == "charge_cv" and p.end_s - p.start_s >= _LEAST_S]
    if not held or signals.volts_v.shape[1] < _LEAST_GROUPS or profile.bleed_ma <= 0:
        return ()
    begin_s, end_s = held[-1].start_s, held[-1].end_s
    rows = between(signals.time_s, max((begin_s + end_s) / 2.0, end_s - 2.0 * _LEAST_S), end_s) & np.isfinite(
        signals.volts_v
    ).all(axis=1)
    if rows.sum() < 2 * _BINS:
        return ()
    parts = np.array_split(np.flatnonzero(rows), _BINS)
    hours = np.array([signals.time_s[p].mean() for p in parts]) / 3600.0
    means = np.array([signals.volts_v[p].mean(axis=0) for p in parts])
    g = int(means[-1].argmax())
    above = means[:, g] - np.delete(means, g, axis=1).max(axis=1)
    line = line_through(hours, above)
    left = float(np.sqrt(line.squares_left / (_BINS - 2)))
    u_rate = left / float(np.sqrt(np.sum((hours - hours.mean()) ** 2)))
    now, level = float(above[-3:].mean()), float(np.median(means[-1]))
    least = max(_ALONE_V, _ALONE_CHARGE * slope_at_level_v(profile, level))
    stays = chance_above(line.slope, u_rate, -now / _STAYS_H) * chance_above(now, left, least)
    if stays < 0.5 or float(means[-1, g]) < profile.threshold_v + _OVER_V:
        return ()
    size, half = 1e3 * now, 1e3 * _Z90 * left
    span_h = float(np.ptp(hours))
    return (
        Hazard("stays_above", g + 1, size, "mV", size - half, size + half, round(min(stays, _MOST), 3), size, span_h),
    )


def without_closing(balancing: Balancing, hazards: tuple[Hazard, ...]) -> Balancing:
    """No time to balanced where a group stays above: more hours on the charger are not what it needs."""
    stays = next((h for h in hazards if h.kind == "stays_above"), None)
    if stays is None or balancing.state != "converging":
        return balancing
    why = f"group {stays.group} stays above the others, as if its bleeder hardly acted"
    return balancing.without_time("none", "not_converging", why)
