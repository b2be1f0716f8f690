"""What a simulated pack is made of. All frozen; arrays have shape (g,), group 1 first. Charging current is positive.

Defaults marked "our choice" are typical figures from memory, not from a source.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from evenstring.chemistry import CHEMISTRIES
from evenstring.ocv import OcvCurve, default_curve

__all__ = ["Balancer", "ChargerModel", "Pack", "Protection", "Scatter"]

F64 = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Scatter:
    """Standard deviations of healthy production, and of the balancer's own voltage sensing (our choice)."""

    capacity: float = 0.01  # of capacity
    resistance: float = 0.04  # of resistance
    charge: float = 0.004  # of SoC
    leak_per_week: float = 0.001  # of capacity
    sense_v: float = 0.001


@dataclass(frozen=True, eq=False)
class Balancer:
    """Passive bleed. A group bleeds when its sensed voltage is above the threshold and the rule allows it.

    Attributes:
        rule: "threshold" (that alone); "above_lowest" (and more than `above_lowest_v` above the lowest group);
            "odd_even" (as above_lowest, but odd and even groups take turns of `turn_s`).
        at_rest: bleeds without charge current too; while_charging: False for boards that bleed only without it.
        most: this many bleeders at once and no more, the highest groups first (heat); 0: no limit.
        bleed_a: current of one bleeder while on, times `duty` (boards that pause it to measure).
        check_s: the board decides this often. sense_offset_v: (g,) or 0, error of the board's own measuring.
        dead, stuck: groups (1..g) whose bleeder never, or always, conducts.
    """

    rule: str = "above_lowest"
    threshold_v: float = 4.18
    hysteresis_v: float = 0.005
    above_lowest_v: float = 0.005
    bleed_a: float = 0.050
    duty: float = 1.0
    at_rest: bool = False
    while_charging: bool = True
    most: int = 0
    check_s: float = 10.0
    turn_s: float = 60.0
    sense_offset_v: Any = 0.0
    dead: tuple[int, ...] = ()
    stuck: tuple[int, ...] = ()


@dataclass(frozen=True, slots=True)
class ChargerModel:
    """Constant current, then constant pack voltage. `set_v` is volts of the pack; None: groups x full."""

    current_a: float = 5.0
    set_v: float | None = None
    done_light_a: float = 0.5
    off_at_light: bool = False


@dataclass(frozen=True, slots=True)
class Protection:
    """Volts of one group, except the vehicle's cut-off, which only sees the pack (volts per group on average)."""

    ceiling_v: float = 4.25  # any group above: charging stops
    release_v: float | None = None  # all groups below: charging starts again; None: not before the next plug-in
    floor_v: float = 2.50  # any group below: discharge stops
    vehicle_cutoff_v: float = 3.00


@dataclass(frozen=True, eq=False)
class Pack:
    """A string of groups: an equivalent circuit each (OCV, R0, two RC pairs), and what is connected to it.

    Attributes:
        capacity_ah, soc0, r0_ohm, leak_a, temp_offset_k: (g,). alive: (g,) bool; a dead group is shorted, 0 V.
        joint_ohm: (g,) ohmic only, no RC with it: a joint, link or lead.
        r1_share, r2_share: resistances of the RC pairs as shares of R0; tau1_s, tau2_s their time constants. All of R
            scales with 1 + low_soc_rise exp(-SoC / 0.08), and doubles from 25 to 0 degC (our choice).
            With these, R after 30 s is 1.7 x R after 1 s; published pulses give 1.6 to 2.3.
        leak_a: at 25 degC; doubles with 10 K. charge_efficiency: coulombic. entropic_v_per_k: dOCV/dT.
    """

    curve: OcvCurve
    capacity_ah: F64
    soc0: F64
    r0_ohm: F64
    joint_ohm: F64
    leak_a: F64
    alive: NDArray[np.bool_]
    temp_offset_k: F64
    full_v: float = 4.20
    r1_share: float = 0.9
    r2_share: float = 0.8
    tau1_s: float = 12.0
    tau2_s: float = 900.0
    low_soc_rise: float = 0.8
    cold_rate_per_k: float = float(np.log(2.0) / 25.0)
    charge_efficiency: float = 1.0
    entropic_v_per_k: float = 0.0
    heat_k_per_a2: float = 0.004
    heat_tau_s: float = 1800.0
    balancer: Balancer = field(default_factory=Balancer)
    charger: ChargerModel = field(default_factory=ChargerModel)
    protection: Protection = field(default_factory=Protection)

    @property
    def groups(self) -> int:
        """Number of groups, g."""
        return len(self.capacity_ah)

    @property
    def set_v(self) -> float:
        """The charger's constant voltage, of the pack."""
        return self.groups * self.full_v if self.charger.set_v is None else self.charger.set_v

    @classmethod
    def even(cls, groups: int = 24, *, capacity_ah: float = 20.0, r0_ohm: float = 0.007, soc: float = 0.9,
             chemistry: str = "nmc", curve: OcvCurve | None = None) -> Pack:  # fmt: skip
        """A pack whose groups are all alike and do not leak."""
        limits = CHEMISTRIES[chemistry]
        full, zero = np.full(groups, 1.0), np.zeros(groups)
        return cls(
            curve=curve or default_curve(chemistry),
            capacity_ah=full * capacity_ah,
            soc0=full * soc,
            r0_ohm=full * r0_ohm,
            joint_ohm=zero,
            leak_a=zero,
            alive=np.ones(groups, bool),
            temp_offset_k=zero,
            full_v=limits.full_v,
            balancer=Balancer(threshold_v=limits.threshold_v),
            protection=Protection(
                ceiling_v=limits.ceiling_v, floor_v=limits.discard_v, vehicle_cutoff_v=limits.empty_v
            ),
        )

    @classmethod
    def random(cls, rng: np.random.Generator, *, groups: int = 24, scatter: Scatter | None = None,
               capacity_ah: float = 20.0, r0_ohm: float = 0.007, soc: float = 0.9, chemistry: str = "nmc",
               curve: OcvCurve | None = None) -> Pack:  # fmt: skip
        """A healthy pack with production scatter; a smaller group also has more resistance (less electrode area)."""
        s = scatter or Scatter()
        pack = cls.even(groups, capacity_ah=capacity_ah, r0_ohm=r0_ohm, soc=soc, chemistry=chemistry, curve=curve)
        size = 1.0 + s.capacity * rng.standard_normal(groups)
        leak_share = np.abs(s.leak_per_week * rng.standard_normal(groups))
        return replace(
            pack,
            capacity_ah=pack.capacity_ah * size,
            r0_ohm=pack.r0_ohm / size * (1.0 + s.resistance * rng.standard_normal(groups)),
            soc0=pack.soc0 + s.charge * rng.standard_normal(groups),
            leak_a=leak_share * capacity_ah / (7 * 24),
            balancer=replace(pack.balancer, sense_offset_v=s.sense_v * rng.standard_normal(groups)),
        )
