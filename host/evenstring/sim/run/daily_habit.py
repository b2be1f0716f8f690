"""Years of daily habit for many packs at once, in coarse steps: how spread grows or heals with the way of charging.

Every day: a ride takes charge from all groups alike, then the charger is connected for some hours, either to a stop in
per cent (no constant-voltage part, so no balancing) or to full. While full, groups above the lowest bleed, and the
charger holds the sum of the open-circuit voltages; a group at its ceiling ends the charge. Leaks act around the clock.
What happens within an hour (resistances, relaxation) is left out: these steps are for weeks, `engine` is for hours.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from evenstring.ocv import OcvCurve

__all__ = ["Fleet", "Habit", "Years", "live"]

F64 = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Habit:
    """One day's habit.

    Attributes:
        ride_share: of the capacity taken each day.
        full_every: every this many days the charge goes to full; 0 never. Other days stop at `stop_soc`.
        hold_h: hours on the charger after full, in steps of `step_h`.
    """

    ride_share: float = 0.3
    full_every: int = 1
    stop_soc: float = 0.8
    hold_h: float = 2.0
    step_h: float = 0.5


@dataclass(frozen=True, eq=False)
class Fleet:
    """Packs to live through time: arrays (packs, g), or (packs, 1) for what a whole pack shares.

    bleed_a is the balancer's current; a group bleeds when above `threshold_v` and `above_lowest_v` above the lowest.
    sag_v is what a group falls by under the heaviest load of a ride, near empty.
    """

    curve: OcvCurve
    capacity_ah: F64
    soc: F64
    leak_a: F64
    bleed_a: float | F64 = 0.05
    threshold_v: float = 4.18
    above_lowest_v: float = 0.005
    full_v: float = 4.20
    ceiling_v: float = 4.25
    sag_v: float | F64 = 0.0

    @cached_property
    def usual_ah(self) -> float:
        """Capacity of the median group."""
        return float(np.median(self.capacity_ah))

    @cached_property
    def mean_ah(self) -> F64:
        """(packs,) of the capacity."""
        return np.asarray(self.capacity_ah.mean(axis=1))

    @cached_property
    def full_soc(self) -> float:
        """Of a group at full."""
        return float(self.curve.soc(self.full_v))

    @classmethod
    def random(cls, rng: np.random.Generator, packs: int, groups: int, curve: OcvCurve, *, capacity_ah: float = 20.0,
               leak_per_week: float = 0.001) -> Fleet:  # fmt: skip
        """Production scatter as in `Scatter`: 1 % capacity, 0.4 % charge, leaks half-normal."""
        shape = (packs, groups)
        return cls(
            curve=curve,
            capacity_ah=capacity_ah * (1.0 + 0.01 * rng.standard_normal(shape)),
            soc=0.9 + 0.004 * rng.standard_normal(shape),
            leak_a=np.abs(leak_per_week * rng.standard_normal(shape)) * capacity_ah / 168.0,
        )


@dataclass(frozen=True, eq=False)
class Years:
    """At the end of each day, after charging: (days, packs).

    gap_ah: largest difference of missing charge between groups; spread_v: at rest, as the
    groups would stand with the highest full, so that days of any level compare; bleed_h: hours of the day in which
    any group bled; early: the charge was ended by a ceiling; lowest_v: of any group under load at the end of the ride.
    """

    gap_ah: F64
    spread_v: F64
    bleed_h: F64
    early: NDArray[np.bool_]
    lowest_v: F64
    soc: F64  # (packs, g) at the end


def live(fleet: Fleet, habit: Habit, days: int) -> Years:
    """Let a fleet live `days` days."""
    packs = fleet.soc.shape[0]
    soc = fleet.soc.copy()
    gap, spread, bleed_h, lowest = (np.zeros((days, packs)) for _ in range(4))
    early = np.zeros((days, packs), bool)
    holds = round(habit.hold_h / habit.step_h)
    for day in range(days):
        to_full = habit.full_every > 0 and (day + 1) % habit.full_every == 0
        awake_h = 24.0 - (holds * habit.step_h if to_full else 0.0)
        soc -= (habit.ride_share * fleet.usual_ah + fleet.leak_a * awake_h) / fleet.capacity_ah
        lowest[day] = (fleet.curve.voltage_v(soc) - fleet.sag_v).min(axis=1)
        if to_full:
            soc, early[day] = _fill(fleet, soc)
            for _ in range(holds):
                soc, bleeding = _hold(fleet, soc, habit.step_h, early[day])
                bleed_h[day] += habit.step_h * bleeding
        else:
            soc = _give(fleet, soc, habit.stop_soc - soc.mean(axis=1))
        missing_ah = (1.0 - soc) * fleet.capacity_ah
        gap[day] = np.ptp(missing_ah, axis=1)
        spread[day] = _spread_at_full(fleet, soc)
    return Years(gap, spread, bleed_h, early, lowest, soc)


def _spread_at_full(fleet: Fleet, soc: F64) -> F64:
    """(packs,) V by which the lowest group is below the highest when that is full: the same charge to every group."""
    room_ah = ((fleet.full_soc - soc) * fleet.capacity_ah).min(axis=1)
    return np.asarray(np.ptp(fleet.curve.voltage_v(soc + room_ah[:, None] / fleet.capacity_ah), axis=1))


def _give(fleet: Fleet, soc: F64, mean_soc: F64) -> F64:
    """The same charge to every group of a pack: this much of SoC on average, (packs,)."""
    charge_ah = mean_soc * fleet.mean_ah
    return np.asarray(soc + charge_ah[:, None] / fleet.capacity_ah)


def _fill(fleet: Fleet, soc: F64) -> tuple[F64, NDArray[np.bool_]]:
    """Charge until the sum of voltages is full, or a group is at its ceiling (then True)."""
    target = fleet.full_v * soc.shape[1]
    soc = _give(fleet, soc, 0.97 - soc.mean(axis=1))
    for _ in range(4):  # Newton: the curve is smooth near the top
        rest = target - fleet.curve.voltage_v(soc).sum(axis=1)
        soc = _give(fleet, soc, rest / fleet.curve.slope_v(soc).sum(axis=1))
    over = fleet.curve.voltage_v(soc).max(axis=1) > fleet.ceiling_v
    if over.any():
        top = fleet.curve.soc(np.array(fleet.ceiling_v))
        back_ah = ((soc - top) * fleet.capacity_ah).max(axis=1)
        soc = soc - np.where(over, back_ah, 0.0)[:, None] / fleet.capacity_ah
    return soc, over


def _hold(fleet: Fleet, soc: F64, hours: float, early: NDArray[np.bool_]) -> tuple[F64, NDArray[np.bool_]]:
    """A step at full: high groups bleed, the charger keeps up the sum. Returns SoC, and whether anything bled."""
    volts = fleet.curve.voltage_v(soc)
    lowest = volts.min(axis=1, keepdims=True)
    bleeding = (volts > fleet.threshold_v) & (volts > lowest + fleet.above_lowest_v) & ~early[:, None]
    drained = soc - (bleeding * fleet.bleed_a + fleet.leak_a) * hours / fleet.capacity_ah
    rest = fleet.full_v * soc.shape[1] - fleet.curve.voltage_v(drained).sum(axis=1)
    more = np.maximum(rest, 0.0) / fleet.curve.slope_v(drained).sum(axis=1)
    return _give(fleet, drained, np.where(early, 0.0, more)), bleeding.any(axis=1)
