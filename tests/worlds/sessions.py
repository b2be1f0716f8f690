"""Random sessions whose truth is known. Seeds are fixed by number; `packs` draws what they are made of."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from evenstring.profile import PackProfile
from evenstring.session import Session
from evenstring.sim import (
    DutyCycle,
    Load,
    MeterModel,
    Pack,
    Trajectory,
    continue_until_balanced,
    measure,
    simulate,
)

from tests.worlds.packs import make_meter, make_pack, make_profile

KINDS = (
    "full", "unplugged_cc", "unplugged_cv", "hour_in_cv", "high_group", "deep_ride", "still_charging", "even", "lfp",
    "shared_leads", "hour_in_cv",
)  # fmt: skip


@dataclass(frozen=True, eq=False)
class Case:
    number: int
    kind: str
    with_current: bool
    scans_per_s: float
    trajectory: Trajectory
    session: Session
    profile: PackProfile
    meter: MeterModel
    first_s: float  # of the session, on the trajectory's clock
    remaining_s: float | None = None  # truth, for hour_in_cv; None: not within 48 h


def make_case(number: int, kind: str, *, with_truth: bool = True) -> Case:
    rng = np.random.default_rng([20261125, number])
    groups = int(rng.choice([16, 20, 24]))
    pack = make_pack(rng, groups, kind)
    plan = _plan(rng, pack, kind)
    trajectory = simulate(pack, plan, step_s=2.0)
    with_current = bool(number % 2)
    rate = float(np.exp(rng.uniform(0.0, np.log(10.0))))
    meter = make_meter(rng, groups, rate, kind)
    session = measure(trajectory, meter, rng, scans_per_s=rate, quiet_s=max(1.0, 1 / rate), with_current=with_current)
    span = (2 * groups - 1) * meter.step_s + meter.turn_s
    remaining = continue_until_balanced(trajectory) if kind == "hour_in_cv" and with_truth else None
    profile = make_profile(rng, pack, kind)
    return Case(number, kind, with_current, rate, trajectory, session, profile, meter, span / 2, remaining)


def _plan(rng: np.random.Generator, pack: Pack, kind: str) -> DutyCycle:
    capacity = float(np.median(pack.capacity_ah))
    load = Load(peak_a=1.2 * capacity)
    seed = int(rng.integers(1 << 30))
    plan = DutyCycle().rest(minutes=float(rng.uniform(6, 20)))
    if kind == "deep_ride":
        return plan.ride(minutes=float(rng.uniform(15, 40)), seed=seed, load=load).rest(minutes=20)
    plan = plan.ride(minutes=float(rng.uniform(8, 20)), seed=seed, load=load).rest(minutes=float(rng.uniform(8, 30)))
    if kind in ("full", "high_group", "even", "lfp", "shared_leads"):
        return plan.charge(hours=14.0, leave_hours=float(rng.uniform(0.1, 1.5))).rest(minutes=20)
    empty_h = (1.1 - float(pack.soc0.min())) * capacity / pack.charger.current_a  # constant current is over by then
    before = simulate(pack, plan.charge(hours=empty_h + 0.3), step_s=20.0)
    charge_s = next(p.start_s for p in before.phases if p.kind == "charge_cc")
    cv_s = next((p.start_s for p in before.phases if p.kind == "charge_cv"), charge_s + 3600.0)
    in_cc_h = (cv_s - charge_s) / 3600.0
    if kind == "unplugged_cc":
        return plan.charge(hours=max(0.2, in_cc_h * float(rng.uniform(0.3, 0.9)))).rest(minutes=20)
    if kind == "still_charging":
        return plan.charge(hours=max(0.2, in_cc_h * float(rng.uniform(0.3, 0.9))))
    if kind == "unplugged_cv":
        return plan.charge(hours=in_cc_h + float(rng.uniform(0.05, 0.3))).rest(minutes=20)
    return plan.charge(hours=in_cc_h + 1.0)  # hour_in_cv
