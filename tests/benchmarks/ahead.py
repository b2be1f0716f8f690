"""How long before a group falls below empty the board says "ease off", and how often it says so for nothing.

    python -m tests.benchmarks.ahead SEED [--own 880] [--physics 120] [--write] [--list]

Simulated rides from SEED on (`tests/worlds/low_rides.py`). The firmware's own `warn/ahead.py` takes the readings of a
scan every 0.37 s, once with and once without the current. The marks:

- of the rides in which a group falls below empty under load: the share in which a warning stood that had been raised
  20 s or more before, and the median of that time (to the first reading below empty, from the raise of the warning
  that then stood);
- of the rides in which every reading stays 100 mV clear of empty: warnings in 100 hours.

Layered oxides make the sums; iron phosphate (flat, then a knee) has rows of its own, a quarter as many rides more.
`--write` puts the table into host/MARKS.md, `--list` prints each ride that was told late or for nothing.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from scipy.stats import binomtest

from tests.worlds.low_rides import IRON, KINDS, LAYERED, SCAN_S, Family, Ride, own_ride, physics_ride

sys.path.insert(0, str(Path(__file__).parents[2] / "firmware"))  # the same files that a board runs
sys.path.insert(1, str(Path(__file__).parents[2] / "protocol"))
sys.path.insert(2, str(Path(__file__).parents[2] / "firmware" / "virtual" / "cpython"))

from evenboard.warn.ahead import Ahead  # type: ignore[import-not-found]  # firmware, not typed

CLEAR_V = 0.1  # above empty
IN_TIME_S = 20.0
MARKS = Path(__file__).parents[2] / "host" / "MARKS.md"
BEGIN, END = "<!-- ahead figures: begin -->", "<!-- ahead figures: end -->"


@dataclass(frozen=True, slots=True)
class Mark:
    """What the board said in one ride."""

    seed: int
    kind: str
    cells: str
    family: str
    hours: float
    above_v: float  # the lowest reading of all, above empty
    lead_s: float | None  # None: no group fell below empty; 0: it fell and no warning stood
    raises: int

    @property
    def is_clear(self) -> bool:
        """Whether every reading stayed 100 mV clear of empty."""
        return self.above_v >= CLEAR_V


def judge(seed: int, ride: Ride, with_current: bool, values: dict[str, int] | None = None) -> Mark:
    """Feeds the firmware and marks what it says; a ride that neither falls nor stays clear is not fed."""
    empty_v, ceiling_v = ride.family.empty_v, ride.family.ceiling_v
    above_v = float(ride.volts_v.min()) - empty_v
    about = (seed, ride.kind, ride.cells, ride.family.name, ride.hours, above_v)
    if 0 <= above_v < CLEAR_V:
        return Mark(*about, None, 0)
    steps = np.round(ride.volts_v * 5000).astype(np.int64)
    amps = np.round(ride.current_a * 100).astype(np.int64).tolist()
    board: Any = Ahead(steps.shape[1], round(5000 * empty_v), round(5000 * ceiling_v), values)
    below = (ride.volts_v < empty_v).any(axis=1)
    falls = int(np.argmax(below)) if below.any() else -1
    raised_at, raises, lead_s = -1, 0, None
    for k, row in enumerate(steps.tolist()):
        board.look(row, 1, amps[k] if with_current else -32768, 370)
        if board.raised & 3:
            if raised_at < 0:
                raised_at, raises = k, raises + 1
        else:
            raised_at = -1
        if k == falls:
            lead_s = (k - raised_at) * SCAN_S if raised_at >= 0 else 0.0
            break
    return Mark(*about, lead_s, raises)


def _one(job: tuple[str, int, Family]) -> tuple[Mark, Mark]:
    cells, seed, family = job
    made = own_ride(seed, family) if cells == "own" else physics_ride(seed, family)
    return judge(seed, made, True), judge(seed, made, False)


def _share(part: int, of: int) -> str:
    if not of:
        return "-"
    low, high = binomtest(part, of).proportion_ci(0.95, "wilson")
    return f"{part / of:.1%} ({100 * low:.0f} to {100 * high:.0f})"


def row(name: str, marks: list[Mark]) -> str:
    """A row of the table: rides that fall, in time, median; rides that stay clear, told for nothing."""
    leads = [m.lead_s for m in marks if m.lead_s is not None]
    in_time = sum(lead >= IN_TIME_S for lead in leads)
    clear = [m for m in marks if m.is_clear]
    hours, raises = sum(m.hours for m in clear), sum(m.raises for m in clear)
    median = f"{np.median(leads):.0f} s" if leads else "-"
    rate = f"{100 * raises / hours:.1f}" if hours else "-"
    share = _share(in_time, len(leads))
    return f"| {name} | {len(leads)} | {share} | {median} | {len(clear)}, {hours:.0f} h | {raises}, {rate} |"


def table(with_current: list[Mark], without: list[Mark]) -> Iterator[str]:
    """Both ways to listen, all rides, then by cells, then by kind."""
    yield "| | fall below empty | told 20 s before (95 %) | median | 100 mV clear | told falsely, in 100 h |"
    yield "|---|---|---|---|---|---|"
    for name, marks in (("with the current", with_current), ("without", without)):
        layered = [m for m in marks if m.family == LAYERED.name]
        yield row(f"{name}: all", layered)
        yield row(f"{name}: our own cells", [m for m in layered if m.cells == "own"])
        yield row(f"{name}: pybamm's cells", [m for m in layered if m.cells != "own"])
        for kind in KINDS:
            yield row(f"{name}: {kind}", [m for m in layered if m.kind == kind])
        iron = [m for m in marks if m.family == IRON.name]
        yield row(f"{name}: iron phosphate, our own cells", [m for m in iron if m.cells == "own"])
        yield row(f"{name}: iron phosphate, pybamm's cells", [m for m in iron if m.cells != "own"])


def write(lines: list[str]) -> None:
    """Put the table between its two marks."""
    text = MARKS.read_text(encoding="utf-8")
    a, b = text.index(BEGIN) + len(BEGIN), text.index(END)
    MARKS.write_text(text[:a] + "\n" + "\n".join(lines) + "\n" + text[b:], encoding="utf-8")


def main(args: argparse.Namespace) -> None:
    """Prints the table, and writes it when asked."""
    jobs = [
        (cells, args.seed + k, family)
        for family, part in ((LAYERED, 1), (IRON, 4))
        for cells, count in (("own", args.own), ("physics", args.physics))
        for k in range(count // part)
    ]
    with ProcessPoolExecutor(args.processes) as pool:
        pairs = list(pool.map(_one, jobs, chunksize=4))
    what = f"{args.own} rides on our own cells and {args.physics} on pybamm's, from seed {args.seed}"
    lines = [f"{what}; {args.own // 4} and {args.physics // 4} more of iron phosphate:", ""]
    lines += table([pair[0] for pair in pairs], [pair[1] for pair in pairs])
    print("\n".join(lines))
    if args.list:
        for mark in (m for pair in pairs for m in pair):
            if (mark.lead_s is not None and mark.lead_s < IN_TIME_S) or (mark.is_clear and mark.raises):
                print(mark)
    if args.write:
        write(lines)


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("seed", type=int)
    parser.add_argument("--own", type=int, default=880)
    parser.add_argument("--physics", type=int, default=120)
    parser.add_argument("--processes", type=int, default=1)
    parser.add_argument("--write", action="store_true")
    parser.add_argument("--list", action="store_true")
    main(parser.parse_args())
