"""How long before a group falls below empty the board says "ease off", and how often it says so for nothing.

    python -m tests.benchmarks.ahead SEED [--own 880] [--physics 120] [--kept FOLDER] [--write] [--list]

Simulated rides from SEED on (`tests/worlds/low_rides.py`). The firmware's own `warn/ahead.py` takes the readings of a
scan every 0.37 s on MicroPython, once with and once without the current. The marks:

- of the rides in which a group falls below empty under load: the share in which a warning stood that had been raised
  20 s or more before, and the median of that time (to the first reading below empty, from the raise of the warning
  that then stood);
- of the rides in which every reading stays 100 mV clear of empty: warnings in 100 hours.

Layered oxides make the sums; iron phosphate (flat, then a knee) has rows of its own, a quarter as many rides more.
Making the rides takes most of the time (pybamm's cells some seconds a ride); `--kept` leaves them in a folder and takes
those that are there. `--write` puts the table into host/MARKS.md, `--list` prints each ride that was told late or for
nothing.
"""

from __future__ import annotations

import argparse
import json
import tempfile
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from functools import partial
from pathlib import Path

import numpy as np
from scipy.stats import binomtest

from tests.firmware.rig.run import run as run_script
from tests.mp import Unix64
from tests.worlds.low_rides import IRON, KINDS, LAYERED, SCAN_S, Family, own_ride, physics_ride

CLEAR_V = 0.1  # above empty
IN_TIME_S = 20.0
MARKS = Path(__file__).parents[2] / "host" / "MARKS.md"
BEGIN, END = "<!-- ahead figures: begin -->", "<!-- ahead figures: end -->"
_A_START = 20  # rides that one start of the interpreter hears

# On MicroPython: a ride's file is a line that says what it holds, then rows of readings (0.2 mV) and current (10 mA).
_LISTENS = """
import json, sys
from array import array
from evenboard.warn.ahead import Ahead

for path in {paths!r}:
    with open(path, "rb") as f:
        about = json.loads(f.readline())
        groups = about["groups"]
        row = array("h", bytes(2 * (groups + 1)))
        boards = [Ahead(groups, about["empty"], about["ceiling"]) for _ in range(2)]
        said = [0, 0]
        for k in range(about["scans"]):
            f.readinto(row)
            for way in range(2):
                board = boards[way]
                board.look(row, 1, -32768 if way else row[groups], 370)
                told = 1 if board.raised & 3 else 0
                if told != said[way]:
                    said[way] = told
                    print(path, way, k, told)
"""


@dataclass(frozen=True, slots=True)
class Job:
    """Which ride: "own" or "physics", its seed, its chemistry."""

    cells: str
    seed: int
    family: Family

    def file(self, folder: Path) -> Path:
        """Where it is kept."""
        return folder / f"{self.family.name.split()[0]}_{self.cells}_{self.seed}.ride"


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


def keep(folder: Path, job: Job) -> None:
    """Make a ride and its file, up to the first reading below empty; no rows where it neither falls nor stays clear."""
    file = job.file(folder)
    if file.exists():
        return
    ride = (own_ride if job.cells == "own" else physics_ride)(job.seed, job.family)
    empty_v = job.family.empty_v
    above_v = float(ride.volts_v.min()) - empty_v
    below = (ride.volts_v < empty_v).any(axis=1)
    scans = int(np.argmax(below)) + 1 if above_v < 0 else len(below) if above_v >= CLEAR_V else 0
    about = {
        "kind": ride.kind, "cells": ride.cells, "hours": ride.hours, "above_v": above_v,
        "groups": ride.volts_v.shape[1], "scans": scans,
        "empty": round(5000 * empty_v), "ceiling": round(5000 * job.family.ceiling_v),
    }  # fmt: skip
    rows = np.column_stack([np.round(ride.volts_v[:scans] * 5000), np.round(ride.current_a[:scans] * 100)])
    part = file.with_suffix(".part")
    part.write_bytes(json.dumps(about).encode() + b"\n" + rows.astype("<i2").tobytes())
    part.replace(file)


def listen(folder: Path, jobs: list[Job]) -> list[tuple[Mark, Mark]]:
    """What the firmware says in these rides, with and without the current."""
    paths = [str(job.file(folder)) for job in jobs]
    changes: dict[tuple[str, int], list[int]] = {(path, way): [] for path in paths for way in (0, 1)}
    for line in run_script(Unix64(), _LISTENS.format(paths=paths), timeout_s=600):
        path, way, scan, _ = line.rsplit(" ", 3)
        changes[path, int(way)].append(int(scan))  # raised, over, raised ...
    return [
        (_mark(job, path, changes[path, 0]), _mark(job, path, changes[path, 1]))
        for job, path in zip(jobs, paths, strict=True)
    ]


def _mark(job: Job, path: str, changes: list[int]) -> Mark:
    with Path(path).open("rb") as f:
        about = json.loads(f.readline())
    stands = len(changes) % 2 == 1
    lead_s = (about["scans"] - 1 - changes[-1]) * SCAN_S if stands else 0.0
    falls = about["above_v"] < 0
    return Mark(job.seed, about["kind"], about["cells"], job.family.name, about["hours"], about["above_v"],
                lead_s if falls else None, (len(changes) + 1) // 2)  # fmt: skip


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


def main(args: argparse.Namespace, folder: Path) -> None:
    """Prints the table, and writes it when asked."""
    jobs = [
        Job(cells, args.seed + k, family)
        for family, part in ((LAYERED, 1), (IRON, 4))
        for cells, count in (("own", args.own), ("physics", args.physics))
        for k in range(count // part)
    ]
    folder.mkdir(parents=True, exist_ok=True)
    with ProcessPoolExecutor(args.processes) as pool:
        list(pool.map(partial(keep, folder), jobs, chunksize=4))
        starts = [jobs[k : k + _A_START] for k in range(0, len(jobs), _A_START)]
        pairs = [pair for pairs in pool.map(partial(listen, folder), starts) for pair in pairs]
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
    parser.add_argument("--kept", type=Path)
    parser.add_argument("--write", action="store_true")
    parser.add_argument("--list", action="store_true")
    given = parser.parse_args()
    with tempfile.TemporaryDirectory() as made:
        main(given, given.kept or Path(made))
