"""Marks on strings of published cells: `python -m tests.benchmarks.physics_marks --papers tuned --sessions 150`.

`--papers tuned` is for whoever changes the analysis, `checked` for a look at other cells, `withheld` for the end.
`--cache FOLDER` keeps the simulated sessions, so that the analysis can be run on them again within seconds. `--list`
prints what was wrong, with paper and seed; `--only PAPER:SEED` runs one session and prints all of its marks. With
`--family balancers` all sessions are of that family (and are other sessions than those of the same seeds without it).
"""

from __future__ import annotations

import argparse
import sys
import time
from collections import Counter, defaultdict
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from functools import partial
from pathlib import Path

import numpy as np

from tests.benchmarks.physics_judge import (
    DANGER,
    END,
    HEALTHY,
    LOG,
    METER,
    NAMED,
    NUMBERS,
    OTHER,
    ROWS,
    TIME,
    Mark,
    judge,
)
from tests.worlds.physics.families import FAMILIES
from tests.worlds.physics.papers import FIRST_SEED, SETS, job_of
from tests.worlds.physics.sessions import kept
from tests.worlds.physics.truth import Truth

_MUST = {METER: "95 %", OTHER: "98 %", DANGER: "all", TIME: "88 to 95 %", END: "98 %", NAMED: "71 %", HEALTHY: "99 %",
         LOG: "median under 0.15"}  # fmt: skip
_MARKS = Path(__file__).parents[2] / "host" / "MARKS.md"
Job = tuple[int, str]
Done = tuple[Job, Truth, list[Mark], float, float]  # and seconds of making and of analysis


def run_one(job: Job, folder: Path | None, curve_known: bool, family: str | None = None) -> Done:
    """The marks of one session, and how long it took."""
    seed, paper = job
    begun = time.process_time()
    session, profile, truth = kept(seed, paper, folder, family)
    made = time.process_time()
    marks = judge(session, profile, truth, curve_known)
    return job, truth, marks, made - begun, time.process_time() - made


def share(values: list[float]) -> tuple[float, float, float]:
    """Share and its 95 % interval (Wilson, J. Am. Stat. Assoc. 22 (1927) 209)."""
    n, z = len(values), 1.96
    p = float(np.mean(values))
    middle, half = p + z * z / (2 * n), z * np.sqrt(p * (1 - p) / n + z * z / (4 * n * n))
    return p, float(max(0.0, (middle - half) / (1 + z * z / n))), float(min(1.0, (middle + half) / (1 + z * z / n)))


def table(done: list[Done]) -> list[str]:
    """Rows of the table, as markdown."""
    values: dict[str, list[float]] = defaultdict(list)
    for _, _, marks, _, _ in done:
        for m in marks:
            values[m.row].append(m.value)
    lines = ["| what | share | of | 95 % interval | must reach |", "|---|---|---|---|---|"]
    for row in ROWS:
        got = values[row]
        if not got:
            lines.append(f"| {row} | - | 0 | - | {_MUST.get(row, '')} |")
        elif max(got) > 1.0 or row == LOG:
            q = np.quantile(got, [0.25, 0.75, 0.9])
            spread = f"half within {q[0]:.2f} to {q[1]:.2f}, nine tenths under {q[2]:.2f}"
            lines.append(f"| {row} | median {np.median(got):.2f} | {len(got)} | {spread} | {_MUST.get(row, '')} |")
        else:
            p, low, high = share(got)
            lines.append(
                f"| {row} | {100 * p:.0f} % ({round(sum(got))}) | {len(got)} | {100 * low:.0f} to {100 * high:.0f} % |"
                f" {_MUST.get(row, '')} |"
            )
    return lines


def families(done: list[Done]) -> list[str]:
    """Right and wrong marks by family, and by the kind that each row is counted under."""
    by: dict[tuple[str, str], list[float]] = defaultdict(list)
    for _, truth, marks, _, _ in done:
        for m in marks:
            if m.row not in NUMBERS:
                by[truth.family, m.row].append(m.value)
                by["under: " + m.under, m.row].append(m.value)
    lines = ["| row | by | right | of |", "|---|---|---|---|"]
    for row in ROWS:
        for of, what in sorted(by):
            if what == row:
                got = by[of, what]
                lines.append(f"| {row} | {of.removeprefix('under: ')} | {round(sum(got))} | {len(got)} |")
    return lines


def wrong(done: list[Done]) -> list[str]:
    """Every wrong mark, with paper and seed."""
    return [
        f"{row} | {paper}:{seed} {truth.family}, {truth.sensor}, {truth.row_s:g} s | {m.said}"
        for row in ROWS
        if row not in NUMBERS
        for (seed, paper), truth, marks, _, _ in done
        for m in marks
        if m.row == row and m.value == 0.0
    ]


def write(papers: str, lines: list[str]) -> None:
    """Between the marks of these papers in host/MARKS.md."""
    text = _MARKS.read_text(encoding="utf-8")
    begin, end = (f"<!-- physics {papers} figures: {word} -->" for word in ("begin", "end"))
    a, b = text.index(begin) + len(begin), text.index(end)
    _MARKS.write_text(text[:a] + "\n" + "\n".join(lines) + "\n" + text[b:], encoding="utf-8")


def run_all(jobs: list[Job], one: Callable[[Job], Done], processes: int) -> list[Done]:
    """All sessions, on so many processes."""
    if processes == 1:
        return [one(job) for job in jobs]
    with ProcessPoolExecutor(processes) as pool:
        out = []
        for k, done in enumerate(pool.map(one, jobs)):
            out.append(done)
            if k % 25 == 24:
                print(f"{k + 1} of {len(jobs)}", file=sys.stderr)
        return out


def main() -> None:
    options = argparse.ArgumentParser(description=(__doc__ or "").split("\n\n")[0])
    options.add_argument("--papers", choices=sorted(SETS), default="tuned")
    options.add_argument("--sessions", type=int, default=150)
    options.add_argument("--seed", type=int, help="of the first session; by default those of the set of papers")
    options.add_argument("--cache", type=Path)
    options.add_argument("--jobs", type=int, default=2)
    options.add_argument("--curves-known", action="store_true", help="the tool keeps its curve of the very cell")
    options.add_argument("--family", choices=FAMILIES, help="sessions of this family only")
    options.add_argument("--by", action="store_true", help="tables by family and kind too")
    options.add_argument("--list", action="store_true", help="what was wrong")
    options.add_argument("--write", action="store_true", help="the table into host/MARKS.md")
    options.add_argument("--only", help="PAPER:SEED")
    args = options.parse_args()
    first = FIRST_SEED[args.papers] if args.seed is None else args.seed
    jobs = [(first + k, job_of(args.papers, k)) for k in range(args.sessions)]
    if args.only:
        paper, seed = args.only.split(":")
        jobs = [(int(seed), paper)]
    one = partial(run_one, folder=args.cache, curve_known=args.curves_known, family=args.family)
    done = run_all(jobs, one, 1 if args.only else args.jobs)
    if args.only:
        print(done[0][1])
        print("\n".join(f"{m.row} | {m.value:g} | {m.said}" for m in done[0][2]))
        return
    lines = table(done)
    print("\n".join(lines))
    if args.write:
        write(args.papers, [f"{len(done)} sessions of the papers `{args.papers}`, seeds {first} on:", "", *lines])
    if args.by:
        print("\n".join(families(done)))
    if args.list:
        print("\n".join(wrong(done)))
    count = Counter(truth.family for _, truth, _, _, _ in done)
    makes, looks = (np.mean([d[k] for d in done]) for k in (3, 4))
    print(f"{len(done)} sessions {dict(count)}; {makes:.2f} s of CPU to make or read, {looks:.2f} s to analyse, each")


if __name__ == "__main__":
    main()
