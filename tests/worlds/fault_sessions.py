"""Random sessions with one known fault, or none, or a temperature gradient. Fixed by number; invented.

Every other session has a curve other than the tool's: the window slipped by up to 4 % of SoC. Meter offsets 1 mV,
current sensor 30 mA and 1 %, one scan a second to four. How much resistance rises towards empty differs from pack to
pack (0.8, standard deviation 0.4, never less than none). An effect is the group's own departure from the median,
scatter included.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from evenstring.ocv import default_curve, slipped
from evenstring.profile import PackProfile
from evenstring.session import Session
from evenstring.sim import DutyCycle, MeterModel, Pack, Trajectory, measure, simulate

CAUSES = ("meter_offset", "charge_offset", "low_capacity", "high_resistance")
FULL_SIZE = {"meter_offset": 5.0, "charge_offset": 2.0, "low_capacity": 5.0, "high_resistance": 20.0}
CLASSES = ("ride and charge", "ride", "charge", "single rest")
GRADIENTS = ("linear", "bowed", "folded")
STORE = "two rests in three weeks"
LEAK_PERCENT_PER_WEEK = 0.5
_GRADIENT_K = 5.0


@dataclass(frozen=True, eq=False)
class Case:
    number: int
    kind: str  # a class, or a gradient
    cause: str  # of CAUSES, or healthy
    group: int | None
    truth: np.ndarray  # (g, 4) departures, in mV, %, %, %
    session: Session
    profile: PackProfile
    trajectory: Trajectory
    pack: Pack  # as it was at the start


def make_case(number: int, kind: str, cause: str, share: float = 1.0) -> Case:
    """Session `number` of a kind; `share` of the full size of the effect."""
    rng = np.random.default_rng([20261125, number])
    curve = slipped(default_curve("nmc"), rng.uniform(-0.04, 0.04)) if number % 2 else None
    groups = int(rng.integers(16, 33))
    pack = Pack.random(rng, groups=groups, soc=rng.uniform(0.85, 0.97), curve=curve)
    meter = MeterModel.random(rng, groups)
    if kind == STORE:
        return _stored(number, replace(pack, soc0=pack.soc0 - 0.3), meter, cause, rng)
    group = int(rng.choice([0, groups - 1, groups // 2])) if kind in GRADIENTS else int(rng.integers(groups))
    pack, meter = _with_fault(
        pack, meter, cause, group, share * rng.choice([-1, 1] if cause == "meter_offset" else [1])
    )
    if kind in GRADIENTS:
        pack = replace(pack, temp_offset_k=_gradient(kind, groups))
    rise = max(0.0, 0.8 + 0.4 * float(np.random.default_rng([20261126, number]).standard_normal()))
    pack = replace(pack, low_soc_rise=rise)
    trajectory = simulate(pack, _plan(kind, rng, number), step_s=1.0)
    session = measure(trajectory, meter, rng, scans_per_s=float(rng.uniform(1.0, 4.0)), quiet_s=2.0)
    return Case(
        number,
        kind,
        cause,
        None if cause == "healthy" else group + 1,
        _truth(pack, meter),
        session,
        PackProfile(groups=groups),
        trajectory,
        pack,
    )


def _stored(number: int, pack: Pack, meter: MeterModel, cause: str, rng: np.random.Generator) -> Case:
    """Two rests of an hour three weeks apart; one group leaks so much more than the median one, or none does.

    Leaks of healthy groups: half-normal, 0.1 % a week. Truth is the leak of each group beyond the median's, % a week.
    """
    groups, group = pack.groups, int(rng.integers(pack.groups))
    leak = pack.leak_a.copy()
    if cause == "self_discharge":
        leak[group] = np.median(leak) + 0.01 * LEAK_PERCENT_PER_WEEK * pack.capacity_ah[group] / (7 * 24)
    pack = replace(pack, leak_a=leak)
    plan = DutyCycle().rest(minutes=60, step_s=10.0).store(days=21).rest(minutes=60, step_s=10.0)
    trajectory = simulate(pack, plan, step_s=10.0)
    session = measure(trajectory, meter, rng, scans_per_s=0.1)
    truth = (leak - np.median(leak)) * 7 * 24 / pack.capacity_ah * 100.0
    named = None if cause == "healthy" else group + 1
    return Case(number, STORE, cause, named, truth[:, None], session, PackProfile(groups=groups), trajectory, pack)


def _with_fault(pack: Pack, meter: MeterModel, cause: str, g: int, share: float) -> tuple[Pack, MeterModel]:
    size = 0.0 if cause == "healthy" else FULL_SIZE[cause] * share
    capacity, r0, soc = pack.capacity_ah.copy(), pack.r0_ohm.copy(), pack.soc0.copy()
    offset = np.array(meter.offset_v)
    if cause == "low_capacity":  # electrode area: its resistance goes with it
        capacity[g] = np.median(capacity) * (1.0 - 0.01 * size)
        r0[g] = np.median(r0) / (1.0 - 0.01 * size)
    elif cause == "high_resistance":
        r0[g] = np.median(r0) * (1.0 + 0.01 * size)
    elif cause == "charge_offset":
        soc[g] = np.median(soc) - 0.01 * size
    elif cause == "meter_offset":
        offset[g] = np.median(offset) + 0.001 * size
    return replace(pack, capacity_ah=capacity, r0_ohm=r0, soc0=soc), replace(meter, offset_v=offset)


def _truth(pack: Pack, meter: MeterModel) -> np.ndarray:
    def percent(values: np.ndarray) -> np.ndarray:
        return (values / np.median(values) - 1.0) * 100.0

    offset = meter.constant_v(pack.groups) * 1e3
    charge = pack.soc0 * 100.0
    return np.column_stack([
        offset - np.median(offset), charge - np.median(charge), percent(pack.capacity_ah), percent(pack.r0_ohm),
    ])  # fmt: skip


def _gradient(kind: str, groups: int) -> np.ndarray:
    x = np.linspace(0.0, 1.0, groups)
    if kind == "bowed":
        return _GRADIENT_K * (1.0 - (2.0 * x - 1.0) ** 2)
    return _GRADIENT_K * (x if kind == "linear" else 1.0 - np.abs(2.0 * x - 1.0))


def _plan(kind: str, rng: np.random.Generator, number: int) -> DutyCycle:
    if kind == "single rest":
        return DutyCycle().rest(minutes=40)
    if kind == "charge":
        return DutyCycle().load(np.full(360, -5.0), step_s=20.0).rest(minutes=20).charge(hours=6, leave_hours=0.2)
    plan = DutyCycle().rest(minutes=10).ride(minutes=float(rng.uniform(45, 80)), seed=number).rest(minutes=20)
    return plan if kind == "ride" else plan.charge(hours=6, leave_hours=0.2)
