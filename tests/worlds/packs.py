"""What a random session is made of, and what the tool is told of it: cells, boards, chargers, meters.

Held back from the tool: the cells' curve (the forecast does not know its paper; half of them aged as well, their window
slipped by 2 to 4 %), the meter's patterns and drift, the charger's set point, and in half of the sessions the board's
rule, threshold and bleed current.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from evenstring.chemistry import CHEMISTRIES
from evenstring.ocv import OcvCurve, curve, slipped
from evenstring.profile import PackProfile
from evenstring.session import Meter
from evenstring.sim import Balancer, ChargerModel, MeterModel, Pack, Protection, Scatter

__all__ = ["GAIN", "OFFSET_V", "make_meter", "make_pack", "make_profile"]

OFFSET_V, GAIN = 0.003, 0.001
_GAIN_PER_H = 1e-4  # standard deviation: a reference of 10 ppm/K in a case that warms by 10 K an hour (our choice)
_CHANNEL_V = OFFSET_V / np.sqrt(3.0)


def make_pack(rng: np.random.Generator, groups: int, kind: str) -> Pack:
    """Cells, board and charger of one session."""
    if kind == "lfp":
        return _lfp(rng, groups)
    capacity = float(rng.uniform(10.0, 40.0))
    name = str(rng.choice(["lg_m50_nmc", "umich_nmc"]))
    charge = float(rng.uniform(0.002, 0.008))
    soc = float(rng.uniform(0.6, 0.85))
    even = kind == "even"
    scatter = Scatter(charge=charge)
    if even:  # fresh cells of one lot, matched by charge and capacity
        scatter = Scatter(charge=charge / 12.0, capacity=0.001, resistance=0.01, leak_per_week=0.0005)
    cells = curve(name) if rng.random() < 0.5 else _aged(rng, curve(name))
    pack = Pack.random(
        rng, groups=groups, scatter=scatter, capacity_ah=capacity, r0_ohm=0.14 / capacity, soc=soc, curve=cells
    )
    lag = np.zeros(groups)
    if rng.random() < 0.6 and not even:
        lag[rng.integers(groups)] = -float(rng.uniform(0.005, 0.05))
    if kind == "high_group":
        lag[rng.integers(groups)] = float(rng.uniform(0.04, 0.10))
    if kind == "deep_ride":
        lag[rng.integers(groups)] = -float(rng.uniform(0.02, 0.08))
        lag -= soc - 0.30
    threshold = float(rng.uniform(4.15, 4.19))
    board = _board(rng, threshold, pack.balancer.sense_offset_v, plain=kind == "hour_in_cv")
    set_v = groups * _set_v(rng, kind)
    charger = ChargerModel(
        current_a=capacity * float(rng.uniform(0.12, 0.35)), set_v=set_v, done_light_a=0.025 * capacity
    )
    protection = Protection(ceiling_v=4.25, floor_v=2.3, vehicle_cutoff_v=2.9)
    return replace(pack, soc0=pack.soc0 + lag, balancer=board, charger=charger, protection=protection)


def _aged(rng: np.random.Generator, fresh: OcvCurve) -> OcvCurve:
    return slipped(fresh, float(rng.choice([-1.0, 1.0]) * rng.uniform(0.02, 0.04)))


def _lfp(rng: np.random.Generator, groups: int) -> Pack:
    """Iron phosphate: gaps from next to nothing to 4 % of charge, an aged curve."""
    capacity = float(rng.uniform(10.0, 40.0))
    pack = Pack.random(
        rng,
        groups=groups,
        scatter=Scatter(charge=float(np.exp(rng.uniform(np.log(2e-4), np.log(6e-3))))),
        capacity_ah=capacity,
        r0_ohm=0.10 / capacity,
        soc=float(rng.uniform(0.5, 0.85)),
        chemistry="lfp",
        curve=_aged(rng, curve("a123_lfp")),
    )
    lag = np.zeros(groups)
    if rng.random() < 0.4:
        lag[rng.integers(groups)] = -float(rng.uniform(0.005, 0.03))
    board = _board(rng, float(rng.uniform(3.40, 3.50)), pack.balancer.sense_offset_v, plain=False)
    set_v = groups * float(rng.uniform(3.50, 3.60))
    charger = ChargerModel(
        current_a=capacity * float(rng.uniform(0.12, 0.35)), set_v=set_v, done_light_a=0.025 * capacity
    )
    protection = Protection(ceiling_v=float(rng.choice([3.65, 3.75])), floor_v=1.8, vehicle_cutoff_v=2.5)
    return replace(pack, soc0=pack.soc0 + lag, balancer=board, charger=charger, protection=protection)


def _board(rng: np.random.Generator, threshold_v: float, sense_v: object, *, plain: bool) -> Balancer:
    """A protection board: rule, current and habits at random.

    Plain: one that bleeds steadily while charging, by one of the three rules. Else it may also pause to measure (duty),
    bleed at rest, bleed at rest only, or bleed a few groups at once for its heat.
    """
    board = Balancer(
        rule=str(rng.choice(["above_lowest", "threshold", "odd_even"], p=[0.6, 0.2, 0.2])),
        threshold_v=threshold_v,
        bleed_a=float(rng.uniform(0.03, 0.15)),
        sense_offset_v=sense_v,
    )
    if plain:
        return board
    habit = str(rng.choice(["steady", "pauses", "also at rest", "at rest only", "few at once"]))
    few = int(rng.integers(2, 6))
    return replace(
        board,
        duty=float(rng.uniform(0.5, 0.95)) if habit == "pauses" else 1.0,
        at_rest="at rest" in habit,
        while_charging=habit != "at rest only",
        most=few if habit == "few at once" else 0,
    )


def _set_v(rng: np.random.Generator, kind: str) -> float:
    """What the charger holds, of a group: right within 3 mV (sd), in some kinds clearly low or high."""
    right = 4.20 + 0.003 * float(rng.standard_normal())
    off = rng.random()
    if kind == "full" and off < 0.15:
        return 4.10
    if kind in ("full", "unplugged_cv", "even") and off < 0.45:
        return float(rng.choice([4.16, 4.18, 4.22, 4.225]))
    return right


def make_meter(rng: np.random.Generator, groups: int, rate: float, kind: str) -> MeterModel:
    """A meter whose channel errors have the stated standard deviation, by one pattern or several.

    Patterns: independent; odd/even comb; errors of taps (opposite on neighbours); rising along the string. A pattern
    takes 30 to 80 % of the variance, the rest is independent and rectangular.
    """
    pattern = str(rng.choice(["independent", "comb", "tap", "position"]))
    share = 0.0 if pattern == "independent" else float(rng.uniform(0.3, 0.8))
    part = _CHANNEL_V * np.sqrt(share)
    sign = float(rng.choice([-1.0, 1.0]))
    return MeterModel(
        offset_v=np.sqrt(1.0 - share) * rng.uniform(-OFFSET_V, OFFSET_V, groups),
        comb_v=sign * part if pattern == "comb" else 0.0,
        tap_v=rng.normal(0.0, part / np.sqrt(2.0), groups + 1) if pattern == "tap" else None,
        position_v=sign * part * np.sqrt(12.0) if pattern == "position" else 0.0,
        gain=GAIN * float(rng.standard_normal()),
        gain_per_h=_GAIN_PER_H * float(rng.standard_normal()),
        noise_v=0.0005,
        shared_lead_ohm=float(rng.uniform(0.03, 0.09)) if kind == "shared_leads" else 0.0,
        current_noise_a=0.05,
        current_offset_a=0.01 * float(rng.standard_normal()),
        current_gain=0.01 * float(rng.standard_normal()),
        step_s=min(0.0056, 0.45 / rate / groups),
        stated=Meter(noise_v=0.0005, channel_u_v=_CHANNEL_V, gain_u=GAIN),
    )


def make_profile(rng: np.random.Generator, pack: Pack, kind: str) -> PackProfile:
    """What the owner says: capacity within 10 %, and of the balancer the half of them nothing."""
    nominal = float(np.median(pack.capacity_ah)) * float(rng.uniform(0.9, 1.1))
    profile = PackProfile(groups=pack.groups, capacity_ah=nominal, done_light_a=pack.charger.done_light_a)
    if kind == "lfp":
        profile = replace(profile, chemistry="lfp", **CHEMISTRIES["lfp"].limits)
    if rng.random() < 0.5:
        return replace(profile, defaults=("balancer.bleed_ma", "balancer.threshold_v"))
    return replace(
        profile,
        bleed_rule=pack.balancer.rule,
        bleed_ma=pack.balancer.bleed_a * 1000.0 * float(rng.uniform(0.8, 1.2)),
        threshold_v=pack.balancer.threshold_v,
    )
