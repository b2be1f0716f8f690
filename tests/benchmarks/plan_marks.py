"""Does the plan's interval hold? `python -m tests.benchmarks.plan_marks PACKS SEED`: random packs, lived a year.

The truth of each pack is the simulator's; the plan knows its leaks, gaps and bleed only as a meter would tell them.
"""

from __future__ import annotations

import sys
from dataclasses import dataclass, replace

import numpy as np
from evenstring.ocv import default_curve
from evenstring.plan.habits import DAYS, HABITS, HOLD_H, outlooks
from evenstring.plan.state import PackState
from evenstring.sim.run.daily_habit import Fleet, live

_ORDER_MV = 5.0  # habits whose truth differs by less need not be in order


@dataclass(frozen=True)
class Marks:
    """Shares that hold, and how many were asked."""

    inside: float
    asked: int
    order: float
    pairs: int


def one_pack(rng: np.random.Generator) -> tuple[PackState, list[float]]:
    """What is known of a random pack, and its true spreads after a year of each habit, mV."""
    groups, capacity_ah = int(rng.integers(12, 37)), float(rng.uniform(8.0, 40.0))
    curve = default_curve("nmc")
    leak = np.abs(float(np.exp(rng.uniform(np.log(3e-4), np.log(6e-3)))) * rng.standard_normal(groups))
    gap = 0.004 * rng.standard_normal(groups)
    bleed_a = float(rng.uniform(0.03, 0.15))
    leak_u = 0.1 * leak + 2e-4
    capacity = capacity_ah * (1.0 + 0.01 * rng.standard_normal((1, groups)))
    true = Fleet(curve, capacity, 0.95 + gap[None], (leak - leak.min())[None] * capacity_ah / 168.0, bleed_a)
    spreads = [
        float(1e3 * live(true, replace(h, hold_h=HOLD_H, ride_share=0.3), DAYS).spread_v[-1, 0]) for _, h in HABITS
    ]
    seen = (leak + leak_u * rng.standard_normal(groups)) - np.median(leak)
    state = PackState(
        "nmc", capacity_ah, 4.2, 4.25, 4.18, gap + 0.001 * rng.standard_normal(groups), 0.001, seen, leak_u,
        bleed_a * float(np.exp(0.15 * rng.standard_normal())), 0.15,
    )  # fmt: skip
    return state, spreads


def marks(packs: int, seed: int) -> Marks:
    """All habits of so many random packs."""
    rng, inside, order = np.random.default_rng(seed), [], []
    for _ in range(packs):
        state, true = one_pack(rng)
        ahead = outlooks(state)
        for one, spread in zip(ahead, true, strict=True):
            low, _, high = one.spread_mv[-1]
            inside.append(low - 0.5 <= spread <= high + 0.5)
        said = [float(o.spread_mv[-1, 1]) for o in ahead]
        order += [
            (said[a] < said[b]) == (true[a] < true[b])
            for a in range(len(true)) for b in range(a) if abs(true[a] - true[b]) > _ORDER_MV
        ]  # fmt: skip
    return Marks(float(np.mean(inside)), len(inside), float(np.mean(order)), len(order))


if __name__ == "__main__":
    found = marks(int(sys.argv[1]), int(sys.argv[2]))
    print(f"interval holds in {found.inside:.1%} of {found.asked}; order right in {found.order:.1%} of {found.pairs}")
