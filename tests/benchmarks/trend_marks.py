"""How soon a fault is found in two-year histories, how well it is dated, how often a healthy pack is warned of.

    python -m tests.benchmarks.trend_marks --first 0 --histories 100 --pack-years 20

Found: six weeks after it became visible (`tests.worlds.histories.Fault` says what that is) the warning stands, for the
right group and quantity. Beside it the same of those faults of which three recordings or more in these six weeks tell
the quantity at all: a pack that is put away, or rarely ridden deep, cannot be told about. Dated: at the end of the
history the 95 % interval of the date holds the true one. False: a change for the worse that stands at any weekly look
at a healthy pack, each once.
"""

from __future__ import annotations

import argparse
from collections import defaultdict
from dataclasses import dataclass

from evenstring.logbook.trends.group_changes import GroupChange, group_changes
from evenstring.logbook.trends.history import History
from evenstring.logbook.trends.points import WEEK_S

from tests.worlds.histories import DAY_S, SHOWS_IN, START_S, Fault, World, a_pack, with_fault

__all__ = ["Judged", "false_warnings", "judged"]

_WITHIN_S = 6 * WEEK_S
_TOLD = 3  # recordings: one alone may be an accident, and two make no line; stated before the marks were taken


@dataclass(frozen=True, slots=True)
class Judged:
    """One fault."""

    fault: Fault
    found: bool  # in time
    told: int  # recordings of the quantity in the six weeks
    dated: bool | None  # None: not found at the end


def judged(world: World) -> Judged | None:
    """None where the fault never became visible, or the history ends before the six weeks do."""
    fault, history = world.fault, world.history
    if fault is None or fault.visible_s is None or fault.visible_s + _WITHIN_S > history.end_s[-1]:
        return None
    then = history.until(fault.visible_s + _WITHIN_S)
    told = len(then.of_group(SHOWS_IN[fault.kind], fault.group).since(fault.visible_s))
    last = _of_fault(history, fault)
    dated = None if last is None else last.change.low_s <= fault.begins_s <= last.change.high_s
    return Judged(fault, _of_fault(then, fault) is not None, told, dated)


def _of_fault(history: History, fault: Fault) -> GroupChange | None:
    worse = (c for c in group_changes(history) if c.worse)
    return next((c for c in worse if (c.group, c.quantity) == (fault.group, SHOWS_IN[fault.kind])), None)


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
    _faults(args.first, args.histories, args.list)
    false = [false_warnings(a_pack(args.first + k)) for k in range(args.pack_years // 2)]
    print(f"false warnings in {2 * len(false)} healthy pack-years, looked at weekly: {sum(map(len, false))}")
    for k, series in enumerate(false):
        for group, quantity in sorted(series):
            print(f"  seed {args.first + k}: group {group}, {quantity}")


def _faults(first: int, histories: int, listed: bool) -> None:
    by_kind: dict[str, list[Judged]] = defaultdict(list)
    seed = first
    while sum(map(len, by_kind.values())) < histories:
        one = judged(with_fault(seed))
        if one is not None:
            by_kind[one.fault.kind].append(one)
            if listed and not one.found:
                days = [((at_s or 0.0) - START_S) / DAY_S for at_s in (one.fault.begins_s, one.fault.visible_s)]
                print(
                    f"  missed: seed {seed} {one.fault.kind} begins day {days[0]:.0f} visible day {days[1]:.0f},"
                    f" {one.told} recordings"
                )
        seed += 1
    by_kind["all"] = [one for kind in by_kind.values() for one in kind]
    print(f"found within 6 weeks of becoming visible (seeds {first} to {seed - 1})")
    for kind, ones in by_kind.items():
        told = [one.found for one in ones if one.told >= _TOLD]
        dated = [one.dated for one in ones if one.dated is not None]
        print(
            f"  {kind}: {sum(one.found for one in ones)} of {len(ones)};"
            f" with {_TOLD} recordings or more {sum(told)} of {len(told)}; dated {sum(dated)} of {len(dated)}"
        )


if __name__ == "__main__":
    main()
