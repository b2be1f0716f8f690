"""Random sessions whose truth is known, and how a finding is marked against it. Seeds are fixed by number.

Held back from the tool: the cells' curve (another paper's in half of the sessions), the meter's offsets (up to 3 mV,
rectangular) and common gain (0.1 %), the charger's set point, and in half of the sessions the balancer's threshold and
bleed current (its rule always).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from evenstring.ocv import curve
from evenstring.profile import PackProfile
from evenstring.session import Meter, Session
from evenstring.sim import (
    Balancer,
    Charger,
    Load,
    MeterModel,
    Pack,
    Plan,
    Protection,
    Scatter,
    Trajectory,
    continue_until_balanced,
    measure,
    simulate,
)

KINDS = ("full", "unplugged_cc", "unplugged_cv", "hour_in_cv", "high_group", "deep_ride", "still_charging")
OFFSET_V, GAIN = 0.003, 0.001


@dataclass(frozen=True, eq=False)
class Case:
    number: int
    kind: str
    with_current: bool
    scans_per_s: float
    trajectory: Trajectory
    session: Session
    profile: PackProfile
    first_s: float  # of the session, on the trajectory's clock
    remaining_s: float | None = None  # truth, for hour_in_cv; None: not within 48 h


def make_case(number: int, kind: str) -> Case:
    rng = np.random.default_rng([20261125, number])
    groups = int(rng.choice([16, 20, 24]))
    pack = _pack(rng, groups, kind)
    plan = _plan(rng, pack, kind)
    trajectory = simulate(pack, plan, step_s=2.0)
    with_current = bool(number % 2)
    rate = float(np.exp(rng.uniform(0.0, np.log(10.0))))
    meter = MeterModel(
        offset_v=rng.uniform(-OFFSET_V, OFFSET_V, groups),
        gain=GAIN * float(rng.standard_normal()),
        noise_v=0.0005,
        current_noise_a=0.05,
        current_offset_a=0.01 * float(rng.standard_normal()),
        current_gain=0.01 * float(rng.standard_normal()),
        step_s=min(0.0056, 0.45 / rate / groups),
        stated=Meter(noise_v=0.0005, channel_u_v=OFFSET_V / np.sqrt(3.0), gain_u=GAIN),
    )
    session = measure(trajectory, meter, rng, scans_per_s=rate, quiet_s=max(1.0, 1 / rate), with_current=with_current)
    span = (2 * groups - 1) * meter.step_s + meter.turn_s
    remaining = continue_until_balanced(trajectory) if kind == "hour_in_cv" else None
    return Case(number, kind, with_current, rate, trajectory, session, _profile(rng, pack), span / 2, remaining)


def _pack(rng: np.random.Generator, groups: int, kind: str) -> Pack:
    capacity = float(rng.uniform(10.0, 40.0))
    name = str(rng.choice(["lg_m50_nmc", "umich_nmc"]))
    charge = float(rng.uniform(0.002, 0.008))
    soc = float(rng.uniform(0.6, 0.85))
    pack = Pack.random(
        rng,
        groups=groups,
        scatter=Scatter(charge=charge),
        capacity_ah=capacity,
        r0_ohm=0.14 / capacity,
        soc=soc,
        curve=curve(name),
    )
    lag = np.zeros(groups)
    if rng.random() < 0.6:
        lag[rng.integers(groups)] = -float(rng.uniform(0.005, 0.05))
    if kind == "high_group":
        lag[rng.integers(groups)] = float(rng.uniform(0.04, 0.10))
    if kind == "deep_ride":
        lag[rng.integers(groups)] = -float(rng.uniform(0.02, 0.08))
        lag -= soc - 0.30
    balancer = Balancer(
        rule=str(rng.choice(["above_lowest", "threshold", "odd_even"], p=[0.6, 0.2, 0.2])),
        threshold_v=float(rng.uniform(4.15, 4.19)),
        bleed_a=float(rng.uniform(0.03, 0.15)),
        sense_offset_v=pack.balancer.sense_offset_v,
    )
    set_v = groups * (4.20 + 0.003 * float(rng.standard_normal()))
    if kind == "full" and rng.random() < 0.15:
        set_v = groups * 4.10
    charger = Charger(current_a=capacity * float(rng.uniform(0.12, 0.35)), set_v=set_v, done_light_a=0.025 * capacity)
    protection = Protection(ceiling_v=4.25, floor_v=2.3, vehicle_cutoff_v=2.9)
    return replace(pack, soc0=pack.soc0 + lag, balancer=balancer, charger=charger, protection=protection)


def _profile(rng: np.random.Generator, pack: Pack) -> PackProfile:
    nominal = float(np.median(pack.capacity_ah)) * float(rng.uniform(0.9, 1.1))
    profile = PackProfile(groups=pack.groups, capacity_ah=nominal, done_light_a=pack.charger.done_light_a)
    if rng.random() < 0.5:
        return replace(profile, defaults=("balancer.bleed_ma", "balancer.threshold_v"))
    return replace(
        profile,
        bleed_ma=pack.balancer.bleed_a * 1000.0 * float(rng.uniform(0.8, 1.2)),
        threshold_v=pack.balancer.threshold_v,
    )


def _plan(rng: np.random.Generator, pack: Pack, kind: str) -> Plan:
    capacity = float(np.median(pack.capacity_ah))
    load = Load(peak_a=1.2 * capacity)
    seed = int(rng.integers(1 << 30))
    plan = Plan().rest(minutes=float(rng.uniform(6, 20)))
    if kind == "deep_ride":
        return plan.ride(minutes=float(rng.uniform(15, 40)), seed=seed, load=load).rest(minutes=20)
    plan = plan.ride(minutes=float(rng.uniform(8, 20)), seed=seed, load=load).rest(minutes=float(rng.uniform(8, 30)))
    if kind in ("full", "high_group"):
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
