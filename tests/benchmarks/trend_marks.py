"""How soon a fault that begins is found in two-year histories, and how often a healthy pack is warned of.

    python -m tests.benchmarks.trend_marks --first 0 --histories 100 --pack-years 20

Found: six weeks after it became visible (`tests.worlds.histories.Fault` says what that is) the warning stands, for the
right group and quantity. False: a change for the worse that stands at any weekly look at a healthy pack, each once.
"""

from __future__ import annotations

import argparse
from collections import Counter

from evenstring.logbook.trends.group_changes import group_changes
from evenstring.logbook.trends.points import WEEK_S

from tests.worlds.histories import DAY_S, SHOWS_IN, START_S, World, a_pack, with_fault

__all__ = ["false_warnings", "found_in_time"]

_WITHIN_S = 6 * WEEK_S


def found_in_time(world: World) -> bool | None:
    """None where the fault never became visible, or the history ends before the six weeks do."""
    fault = world.fault
    if fault is None or fault.visible_s is None or fault.visible_s + _WITHIN_S > world.history.end_s[-1]:
        return None
    known = group_changes(world.history.until(fault.visible_s + _WITHIN_S))
    return any(c.worse and (c.group, c.quantity) == (fault.group, SHOWS_IN[fault.kind]) for c in known)


def false_warnings(world: World, every_weeks: int = 1) -> set[tuple[int, str]]:
    """Group and quantity of what was warned of in a healthy pack at any look."""
    last = float(world.history.end_s[-1])
    looks = [START_S + w * WEEK_S for w in range(4, int((last - START_S) / WEEK_S) + 1, every_weeks)]
    return {(c.group, c.quantity) for at in looks for c in group_changes(world.history.until(at)) if c.worse}


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--histories", type=int, default=100)
    parser.add_argument("--pack-years", type=int, default=20)
    parser.add_argument("--list", action="store_true")
    args = parser.parse_args()
    judged: Counter[str] = Counter()
    found: Counter[str] = Counter()
    seed = args.first
    while judged.total() < args.histories:
        world = with_fault(seed)
        hit = found_in_time(world)
        if hit is not None and world.fault is not None:
            judged[world.fault.kind] += 1
            found[world.fault.kind] += hit
            if args.list and not hit:
                days = (world.fault.begins_s - START_S) / DAY_S, ((world.fault.visible_s or 0) - START_S) / DAY_S
                print(f"  missed: seed {seed} {world.fault.kind} begins day {days[0]:.0f} visible day {days[1]:.0f}")
        seed += 1
    print(
        f"found within 6 weeks of becoming visible: {found.total()} of {judged.total()} (seeds {args.first} to {seed})"
    )
    for kind, count in judged.items():
        print(f"  {kind}: {found[kind]} of {count}")
    false = [false_warnings(a_pack(args.first + k)) for k in range(args.pack_years // 2)]
    print(f"false warnings in {2 * len(false)} healthy pack-years, looked at weekly: {sum(map(len, false))}")
    for k, series in enumerate(false):
        for group, quantity in sorted(series):
            print(f"  seed {args.first + k}: group {group}, {quantity}")


if __name__ == "__main__":
    main()
