"""Does the plan's interval hold? Random packs, lived a year: `python -m tests.benchmarks.plan_marks PACKS SEED`.

The truth of each pack is the simulator's; the plan knows its leaks, gaps, bleed and sag only as a meter would tell
them. With --write the table goes into host/MARKS.md.
"""

from __future__ import annotations

import argparse
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np
from evenstring.ocv import default_curve
from evenstring.plan.habits import DAYS, HABITS, HOLD_H, FirstDay, Outlook, first_day, outlooks
from evenstring.plan.state import PackState
from evenstring.sim.run.daily_habit import Fleet, live

_ORDER_MV = 5.0  # habits whose truth differs by less need not be in order
_SURE = 0.95  # of the packs that this one may be, on whose side a difference is called sure
_RIDE, _EMPTY_V = 0.3, 3.0
_PAGE = Path(__file__).parents[2] / "host" / "MARKS.md"
_BEGIN, _END = "<!-- plan figures: begin -->", "<!-- plan figures: end -->"


@dataclass(frozen=True)
class Lived:
    """A year of one pack under one habit: spread at its end, mV; first days at empty under load and at the ceiling."""

    spread_mv: float
    empty: FirstDay
    ceiling: FirstDay


@dataclass
class Marks:
    """Yes or no of all that was asked."""

    spread: list[bool] = field(default_factory=list)
    order: list[bool] = field(default_factory=list)
    sure_order: list[bool] = field(default_factory=list)
    empty: list[bool] = field(default_factory=list)
    ceiling: list[bool] = field(default_factory=list)

    @property
    def inside(self) -> float:
        """Share of spreads inside their interval."""
        return float(np.mean(self.spread))

    @property
    def in_order(self) -> float:
        """Share of pairs of habits in order, of those that differ."""
        return float(np.mean(self.order))


def one_pack(rng: np.random.Generator) -> tuple[PackState, list[Lived]]:
    """What is known of a random pack, and the truth of each habit."""
    groups, capacity_ah = int(rng.integers(12, 37)), float(rng.uniform(8.0, 40.0))
    curve = default_curve("nmc")
    leak = np.abs(float(np.exp(rng.uniform(np.log(3e-4), np.log(6e-3)))) * rng.standard_normal(groups))
    gap = 0.004 * rng.standard_normal(groups)
    bleed_a = float(rng.uniform(0.03, 0.15))
    leak_u = 0.1 * leak + 2e-4
    capacity = capacity_ah * (1.0 + 0.01 * rng.standard_normal((1, groups)))
    seen = (leak + leak_u * rng.standard_normal(groups)) - np.median(leak)
    read_gap = gap + 0.001 * rng.standard_normal(groups)
    read_bleed_a = bleed_a * float(np.exp(0.15 * rng.standard_normal()))
    sag_v = float(rng.uniform(0.1, 0.5)) * (1.0 + 0.04 * rng.standard_normal(groups))
    read_sag_v = sag_v * float(np.exp(0.15 * rng.standard_normal()))
    leak_a = (leak - leak.min())[None] * capacity_ah / 168.0
    true = Fleet(curve, capacity, 0.95 + gap[None], leak_a, bleed_a, sag_v=sag_v[None])
    state = PackState(
        "nmc", capacity_ah, 4.2, 4.25, 4.18, read_gap, 0.001, seen, leak_u, read_bleed_a, 0.15, _EMPTY_V,
        sag_v=read_sag_v, sag_u=0.15, sag_known=True,
    )  # fmt: skip
    return state, [_lived(true, k) for k in range(len(HABITS))]


def _lived(true: Fleet, habit: int) -> Lived:
    years = live(true, replace(HABITS[habit][1], hold_h=HOLD_H, ride_share=_RIDE), DAYS)
    spread_mv = 1e3 * float(years.spread_v[-1, 0])
    return Lived(spread_mv, first_day(years.lowest_v < _EMPTY_V), first_day(years.early))


def marks(packs: int, seed: int) -> Marks:
    """All habits of so many random packs."""
    rng, found = np.random.default_rng(seed), Marks()
    for _ in range(packs):
        state, true = one_pack(rng)
        ahead = outlooks(state, HOLD_H, _RIDE)
        for one, was in zip(ahead, true, strict=True):
            low, _, high = one.spread_mv[-1]
            found.spread.append(bool(low - 0.5 <= was.spread_mv <= high + 0.5))
            found.empty.append(_within(one.empty, was.empty))
            found.ceiling.append(_within(one.ceiling, was.ceiling))
        _judge_order(found, ahead, true)
    return found


def _judge_order(found: Marks, ahead: tuple[Outlook, ...], true: list[Lived]) -> None:
    for a in range(len(true)):
        for b in range(a):
            if abs(true[a].spread_mv - true[b].spread_mv) <= _ORDER_MV:
                continue
            said = bool(ahead[a].spread_mv[-1, 1] < ahead[b].spread_mv[-1, 1])
            right = said == (true[a].spread_mv < true[b].spread_mv)
            found.order.append(right)
            share = ahead[a].keeps_evener(ahead[b])
            if max(share, 1.0 - share) >= _SURE:
                found.sure_order.append(right)


def _within(said: FirstDay, was: FirstDay) -> bool:
    low, high = (np.inf if day is None else day for day in (said.low, said.high))
    return bool(low <= (np.inf if was.middle is None else was.middle) <= high)


def table(found: Marks, packs: int, seed: int) -> str:
    """As it stands in host/MARKS.md."""
    rows = [
        ("spread after a year inside its 90 % interval", found.spread, "85 to 95 %"),
        ("first day at empty under load, or none, inside its interval", found.empty, ""),
        ("first day at the ceiling in a charge, or none, inside its interval", found.ceiling, ""),
        ("order of two habits right, where the truth differs by over 5 mV", found.order, "all"),
        ("the same, of those that the plan calls sure (19 packs in 20)", found.sure_order, "all"),
    ]
    lines = [f"{packs} random packs, seed {seed}, five habits each, lived for a year by the simulator:", ""]
    lines += ["| what | share | of | must reach |", "|---|---|---|---|"]
    for what, right, must in rows:
        share = f"{100 * np.mean(right):.1f} % ({sum(right)})" if right else "none asked"
        lines.append(f"| {what} | {share} | {len(right)} | {must} |")
    return "\n".join(lines)


def main() -> None:
    """Print the table; into the page with --write."""
    parser = argparse.ArgumentParser()
    parser.add_argument("packs", type=int)
    parser.add_argument("seed", type=int)
    parser.add_argument("--write", action="store_true")
    args = parser.parse_args()
    made = table(marks(args.packs, args.seed), args.packs, args.seed)
    print(made)
    if args.write:
        text = _PAGE.read_text(encoding="utf-8")
        head, tail = text.split(_BEGIN)[0], text.split(_END)[1]
        _PAGE.write_text(f"{head}{_BEGIN}\n{made}\n{_END}{tail}", encoding="utf-8")


if __name__ == "__main__":
    main()
