"""A group alone far above the others at the top of a charge.

All groups of a string get the same charge, and every board bleeds the highest first, whatever its rule. So one that
stays up there while the voltage is held has a bleeder that is dead, or far too weak for what it is asked; each charge
drives it further above full. Where it was not watched for long enough to see, it is suspect all the same, for none gets
there by itself: its bleeder is dead, it holds less than the others, it was changed, or its reading is off.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from evenstring.analysis.results import Balancing, Hazard, Phase
from evenstring.analysis.series.chances import chance_above
from evenstring.analysis.series.curve_slope import SLOPE_SCALE_U, slope_at_level_v
from evenstring.analysis.series.lines import line_through
from evenstring.analysis.series.rows_of_phase import between
from evenstring.analysis.series.signals import Signals
from evenstring.analysis.series.uncertainty import MeterError
from evenstring.profile import PackProfile

__all__ = ["OVER_V", "SUSPECT_MOST", "find_alone_above", "find_stays_above", "judged", "without_closing"]

_LEAST_S = 1800.0  # of held voltage: the later half is looked at, the earlier left to the polarisation: our choice
_BINS = 12  # means over such a share of it: our choice
_ALONE_V, _ALONE_CHARGE = 0.015, 0.015  # above the next highest; of charge: our choice
_STAYS_H = 10.0  # at this pace it would take longer to come down: more than one sitting: our choice
_DRAWS_AWAY = 0.99  # chance that it rises over the others: our choice
OVER_V = 0.005  # above the bleed threshold, where it must be bled: our choice
_LEAST_GROUPS = 4  # our choice
# Above the next highest, where it was not watched for long: beyond the spread that is aimed at, and three deviations
# of the charge that makers and boards leave; of charge: our choice
_SUSPECT_V, _SUSPECT_CHARGE = 0.012, 0.012
SUSPECT_MOST = 0.85  # the highest confidence that is stated of it: our choice
# Of rest after a charge, or half of a held voltage; the last part in so many of it counts; the charge's end: our choice
_REST_S, _LATE, _TOP_S = 300.0, 3.0, 60.0
_Z90, _MOST = 1.645, 0.95  # published (normal distribution, 90 % two-sided); the highest confidence: our choice


def find_stays_above(
    signals: Signals, profile: PackProfile, phases: tuple[Phase, ...], meter: MeterError
) -> tuple[Hazard, ...]:
    """Of the last voltage that was held long enough; of a charge that shows less, the group alone at its top."""
    held = [p for p in phases if p.kind == "charge_cv" and p.end_s - p.start_s >= _LEAST_S]
    watched = _watched(signals, profile, held[-1]) if held and judged(signals, profile) else ()
    return find_alone_above(signals, profile, phases, meter) if watched == () else tuple(filter(None, watched))


def _watched(signals: Signals, profile: PackProfile, held: Phase) -> tuple[Hazard | None, ...]:
    """The hazard seen while the voltage is held; None in its place for a group that comes down; else nothing."""
    begin_s, end_s = held.start_s, held.end_s
    rows = between(signals.time_s, max((begin_s + end_s) / 2.0, end_s - 2.0 * _LEAST_S), end_s) & np.isfinite(
        signals.volts_v
    ).all(axis=1)
    if rows.sum() < 2 * _BINS:
        return ()
    parts = np.array_split(np.flatnonzero(rows), _BINS)
    hours = np.array([signals.time_s[p].mean() for p in parts]) / 3600.0
    means = np.array([signals.volts_v[p].mean(axis=0) for p in parts])
    g, _ = _highest(means[-1])
    above = means[:, g] - np.delete(means, g, axis=1).max(axis=1)
    line = line_through(hours, above)
    left = float(np.sqrt(line.squares_left / (_BINS - 2)))
    u_rate = left / float(np.sqrt(np.sum((hours - hours.mean()) ** 2)))
    now, level = float(above[-3:].mean()), float(np.median(means[-1]))
    least = max(_ALONE_V, _ALONE_CHARGE * slope_at_level_v(profile, level))
    up_there = chance_above(line.slope, u_rate, -now / _STAYS_H)
    stays = up_there * chance_above(now, left, least)
    if up_there < 0.5:
        return (None,)
    # Where nobody gave the threshold, one that draws away from the others shows that these are bled.
    bled = "balancer.threshold_v" in profile.defaults and chance_above(line.slope, u_rate, 0.0) > _DRAWS_AWAY
    if stays < 0.5 or (not bled and float(means[-1, g]) < profile.threshold_v + OVER_V):
        return ()
    size, half = 1e3 * now, 1e3 * _Z90 * left
    span_h = float(np.ptp(hours))
    return (
        Hazard("stays_above", g + 1, size, "mV", size - half, size + half, round(min(stays, _MOST), 3), size, span_h),
    )


def find_alone_above(
    signals: Signals, profile: PackProfile, phases: tuple[Phase, ...], meter: MeterError, leads_v: float = 0.0
) -> tuple[Hazard, ...]:
    """The group alone above the others once no current, or hardly any, flows after the last charge.

    `leads_v`: by which bleeding over shared leads may move a reading.
    """
    if not judged(signals, profile):
        return ()
    last = max((k for k, p in enumerate(phases) if p.kind.startswith("charge")), default=None)
    if last is None:
        return ()
    charge, after = phases[last], phases[last + 1 : last + 2]
    if after and after[0].kind == "rest" and after[0].end_s - after[0].start_s >= _REST_S:
        settled = after[0]
    elif charge.kind == "charge_cv" and charge.end_s - charge.start_s >= 2.0 * _REST_S:
        settled = charge
    else:
        return ()
    late_s = (settled.end_s - settled.start_s) / _LATE
    top = _means(signals, charge.end_s - max(_TOP_S, 3.0 * signals.step_s), charge.end_s)
    volts = _means(signals, settled.end_s - late_s, settled.end_s)
    if top is None or volts is None:
        return ()
    g, above_v = _highest(volts)
    slope_v = slope_at_level_v(profile, float(np.median(volts)))
    least_v = max(_SUSPECT_V, _SUSPECT_CHARGE * slope_v)
    sure = chance_above(above_v, np.sqrt(2.0) * meter.channel_v, least_v + leads_v)
    if sure < 0.5 or float(top[g]) < profile.threshold_v + OVER_V:
        return ()
    percent = 100.0 * above_v / max(slope_v, above_v)
    half = _Z90 * SLOPE_SCALE_U * percent
    low, sure = max(percent - half, 0.0), round(min(sure, SUSPECT_MOST), 3)
    return (Hazard("alone_above", g + 1, percent, "%", low, percent + half, sure, seen_mv=1e3 * above_v),)


def judged(signals: Signals, profile: PackProfile) -> bool:
    """Whether there are others to compare with, and a balancer that should act."""
    return signals.volts_v.shape[1] >= _LEAST_GROUPS and profile.bleed_ma > 0


def _highest(volts_v: NDArray[np.float64]) -> tuple[int, float]:
    """The highest of (g,) groups, counted from 0, and how far it is above the next."""
    g = int(volts_v.argmax())
    return g, float(volts_v[g] - np.delete(volts_v, g).max())


def _means(signals: Signals, begin_s: float, end_s: float) -> NDArray[np.float64] | None:
    """(g,) means between two times, V; None where no row holds all groups."""
    rows = between(signals.time_s, begin_s, end_s) & np.isfinite(signals.volts_v).all(axis=1)
    return np.asarray(signals.volts_v[rows].mean(axis=0)) if rows.any() else None


def without_closing(balancing: Balancing, hazards: tuple[Hazard, ...]) -> Balancing:
    """No time to balanced where a group stays above: more hours on the charger are not what it needs."""
    stays = next((h for h in hazards if h.kind == "stays_above"), None)
    if stays is None or balancing.state != "converging":
        return balancing
    why = f"group {stays.group} stays above the others, as if its bleeder hardly acted"
    return balancing.without_time("none", "not_converging", why)
