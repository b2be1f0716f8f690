"""Extra resistance of one group, as the heat that it makes at the usual current.

Whether it sits in a joint, a link, a lead or the cells is not asked: what gets hot is dangerous in each. When the
current steps, all groups see the same step, so the changes of two groups stand to each other as their resistances
(step response dV/dI: G. Plett, Battery Management Systems, Vol. I, 2015). The heat is I^2 R (Joule). Without a current
sensor the median group's resistance and the usual current are those of common cells, and the interval says so.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from evenstring.analysis.results import Hazard, Phase
from evenstring.analysis.series.arrays import median_group_v, one_way
from evenstring.analysis.series.chances import chance_above
from evenstring.analysis.series.resistance import elsewhere
from evenstring.analysis.series.rows_of_phase import rows_of_kind
from evenstring.analysis.series.signals import Signals
from evenstring.profile import PackProfile

__all__ = ["ANOTHER_GROUP", "find_extra_heat"]

F64 = NDArray[np.float64]

# W in one spot. Still air takes about 10 W/(m2 K) off a surface, radiation included (common practice, from memory), so
# 2 W at one round cell of 21 by 70 mm (46 cm2 of mantle) make about 40 K; a joint is smaller yet: our choice
_HEAT_W = 2.0
# As much extra as another whole group in one spot asks for a look at any current: our choice
ANOTHER_GROUP = 1.0
_USUAL_C = 0.5  # usual current in capacities an hour, where no ride was measured: our choice
_USUAL_VH = 0.14  # at once, times the capacity: 7 mohm of 20 Ah, where no current was measured: common practice
_NEAR_S, _LEAST_STEP_V, _MOST_STEP_V = 65.0, 0.010, 1.0  # apart; of the median group; of any: our choice
# A step in which one group alone moves by so much counts too: by tens of times the others where these hardly move
_ALONE_V = 0.05  # our choice
_LEAST_POWER_V = 0.010  # root of the sum of squares of the steps: our choice
_BESIDE_V = 0.004  # of a single step: bleeders that switch at once with it, skew of a scan: our choice
# Of the ohms: with a sensor; without one, where also the current is supposed: our choice
_U_SENSOR, _U_BLIND = 0.1, 0.5
_LEAST_GROUPS = 4  # our choice
# A, of a step by which a group that moves alone is measured; its resistance up and down, as a share: our choice
_LEAST_STEP_A, _ALIKE = 1.0, 0.5
_OVER_ROWS = (1, 2)  # our choice
_CLIMBS, _MUCH = 4, 0.05  # rows of a climb, and its last rise, of the step that ends it: our choice
_Z90, _MOST = 1.645, 0.97  # published (normal distribution, 90 % two-sided); the highest confidence: our choice


@dataclass(frozen=True, slots=True, eq=False)
class _Steps:
    """(g,) extra resistance over the median group's, 0: none, with standard uncertainty; that group's ohm or None."""

    extra: F64
    u: F64
    ohm: float | None


def find_extra_heat(signals: Signals, profile: PackProfile, phases: tuple[Phase, ...]) -> tuple[Hazard, ...]:
    """The groups whose extra resistance makes more heat than is let pass, or is as much as another group's."""
    if signals.volts_v.shape[1] < _LEAST_GROUPS:
        return ()
    return _by_steps(signals, profile, phases) or _alone(signals, profile, _usual_a(signals, profile, phases))


def _by_steps(signals: Signals, profile: PackProfile, phases: tuple[Phase, ...]) -> tuple[Hazard, ...]:
    """By what each group's steps are to the median group's."""
    each = [steps for rows in _OVER_ROWS if (steps := _steps(signals, rows)) is not None]
    if not each:
        return ()
    steps = min(each, key=lambda s: float(np.median(s.u)))
    usual_a = _usual_a(signals, profile, phases)
    ohm = _USUAL_VH / profile.capacity_ah if steps.ohm is None else steps.ohm
    relative = _U_BLIND if steps.ohm is None else _U_SENSOR
    most = np.argsort(-steps.extra)[:2]
    found = [_heat(int(g), steps.extra[g], steps.u[g], ohm * usual_a**2, relative, usual_a) for g in most]
    return tuple(h for h in found if h.confidence >= 0.5)


def _heat(g: int, extra: float, u_extra: float, median_w: float, relative: float, usual_a: float) -> Hazard:
    """`extra`: over the median group's resistance; `median_w`: heat of that at the usual current."""
    watt = extra * median_w
    u = float(np.hypot(u_extra * median_w, relative * watt))
    real = chance_above(extra, 2.0 * u_extra, 0.3)  # an extra of less is scatter, whatever the watts
    sure = max(real * chance_above(watt, u, _HEAT_W), chance_above(extra, u_extra, ANOTHER_GROUP))
    return Hazard(
        "extra_heat", g + 1, watt, "W", max(watt - _Z90 * u, 0.0), watt + _Z90 * u, round(min(sure, _MOST), 3),
        current_a=usual_a, more_percent=100.0 * extra,
    )  # fmt: skip


def _alone(signals: Signals, profile: PackProfile, usual_a: float) -> tuple[Hazard, ...]:
    """A group that alone moves far with steps of a measured current which hardly move the others.

    Up and down alike, as resistance does: what comes down from a steep top when the charger goes did not jump there.
    """
    if signals.current_a is None:
        return ()
    di = np.diff(signals.current_a.astype(np.float64))
    own_v = np.diff(signals.volts_v, axis=0).astype(np.float64)
    own_v -= median_group_v(own_v.astype(np.float32))[:, None]
    steps = (np.abs(di) > _LEAST_STEP_A) & (np.diff(signals.time_s) < _NEAR_S)
    di, own_v = di[steps], own_v[steps]
    found = []
    for g in np.flatnonzero((np.abs(own_v) > _ALONE_V).any(axis=0)):
        far = (np.abs(own_v[:, g]) > _ALONE_V) & (np.abs(own_v[:, g]) < _MOST_STEP_V)
        ohm = own_v[far, g] / di[far]
        ways = [float(np.median(ohm[way])) for way in (di[far] > 0.0, di[far] < 0.0) if way.any()]
        if len(ways) == 2 and min(ways) > _ALIKE * max(ways):
            usual_ohm = _USUAL_VH / profile.capacity_ah
            extra = min(ways) / usual_ohm
            found.append(_heat(int(g), extra, _U_SENSOR * extra, usual_ohm * usual_a**2, _U_SENSOR, usual_a))
    return tuple(h for h in found if h.confidence >= 0.5)


def _steps(signals: Signals, rows: int) -> _Steps | None:
    """From a row to the next but so many: a step may fall into a row, which then holds its mean.

    What the steps of a group disagree by is part of its uncertainty: one may fall where its curve is steep.
    """
    volts, t = signals.volts_v, signals.time_s
    dv = volts[rows:] - volts[:-rows]
    middle = median_group_v(dv.astype(np.float32)).astype(np.float64)
    largest = np.abs(dv).max(axis=1)  # NaN where a group was not read: no step
    use = (t[rows:] - t[:-rows] < _NEAR_S) & (largest < _MOST_STEP_V)
    use &= (np.abs(middle) > _LEAST_STEP_V) | (largest > _ALONE_V)
    use &= ~_out_of_a_climb(signals.level_v, middle, rows)
    dv, middle = dv[use], middle[use]
    together = one_way(dv, middle)
    dv, middle = dv[together], middle[together]
    use[use] = together
    away = volts - signals.level_v[:, None]
    comparable = ~elsewhere(away[:-rows][use], away[rows:][use])
    noise_v = float(np.hypot(np.sqrt(2.0) * signals.reading_noise_v, _BESIDE_V))
    each = [_extra(dv[way], middle[way], comparable[way], rows, noise_v) for way in _ways(middle, rows)]
    found = [way for way in each if way is not None]
    if not found:
        return None
    extra, u = (np.array(column) for column in zip(*found, strict=True))
    least = np.argmin(extra, axis=0)[None]
    amps = signals.current_a
    ohm = None if amps is None else _ohm(middle, (amps[rows:] - amps[:-rows])[use])
    return _Steps(np.take_along_axis(extra, least, 0)[0], np.take_along_axis(u, least, 0)[0], ohm)


def _ways(middle: F64, rows: int) -> list[NDArray[np.bool_]]:
    """The steps up and those down, each that tells something; all, where only both do.

    Resistance is alike both ways. What was on a steep top when the charger went comes down far, and never jumped there.
    """
    ways = [middle > 0.0, middle < 0.0]
    return [way for way in ways if np.sum(middle[way] ** 2) >= rows * _LEAST_POWER_V**2] or [ways[0] | ways[1]]


def _extra(dv: F64, middle: F64, comparable: NDArray[np.bool_], rows: int, noise_v: float) -> tuple[F64, F64] | None:
    """(g,) extra over the median group's, and its uncertainty, by some steps; None where too few groups are told of."""
    part = np.where(comparable, middle[:, None], 0.0)
    power = np.sum(part**2, axis=0) / rows  # each step is seen as often
    told = power >= _LEAST_POWER_V**2
    if 2 * told.sum() < len(told):
        return None
    power = np.maximum(power, _LEAST_POWER_V**2)
    ratio = np.where(told, np.sum(part * dv, axis=0) / (power * rows), 1.0)
    left_v = np.sqrt(
        np.sum((dv * comparable - ratio * part) ** 2, axis=0) / np.maximum(comparable.sum(axis=0) - rows, 1.0)
    )
    extra = np.where(told, ratio / np.median(ratio[told]) - 1.0, 0.0)
    return extra, np.maximum(noise_v, left_v) / np.sqrt(power)


def _out_of_a_climb(level_v: F64, middle: F64, rows: int) -> NDArray[np.bool_]:
    """Changes after a steady climb by much of them, row by row: where the curve is steep they are not the current's."""
    rise = np.diff(level_v, prepend=level_v[:1])[: len(middle)]  # into the row before the step
    steady = rise > 0.0
    for back in range(1, _CLIMBS):
        steady &= np.roll(rise, back) > 0.0
    return np.asarray(steady & (rise > _MUCH * np.abs(middle) / rows))


def _ohm(dv: F64, di: F64) -> float | None:
    """The median group's; None where the sensor did not follow the steps."""
    power = float(di @ di)
    ohm = float(dv @ di) / power if power > 0 else 0.0
    return ohm if ohm > 0 else None


def _usual_a(signals: Signals, profile: PackProfile, phases: tuple[Phase, ...]) -> float:
    """Root mean square of the rides' current; without one the profile's load, or what is common."""
    usual = profile.load_a or _USUAL_C * profile.capacity_ah
    riding = rows_of_kind(signals.time_s, phases, "ride")
    if signals.current_a is None or not riding.any():
        return usual
    return float(np.sqrt(np.mean(signals.current_a[riding] ** 2)))
