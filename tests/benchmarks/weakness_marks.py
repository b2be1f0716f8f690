"""Marks of the causes: `python -m tests.benchmarks.weakness_marks [SHARE [FIRST]]`; a share of 1 is a long run.

Tuning used numbers below 100,000; figures come from numbers above, and their tables go into host/MARKS.md
(`weakness_table`). "Right" is over all sessions of a row, "cannot tell" counted as not right; "wrong" is a statement at
confidence 0.8 or more of another group or cause. A healthy group that truly lies 3.5 deviations out is no false one.
"""

from __future__ import annotations

import os
import sys
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass

import numpy as np
from evenstring.analysis.causes.catalogue import SCATTER
from evenstring.analysis.causes.diagnosis import Diagnosis, diagnose
from evenstring.analysis.phases.segment import find_phases
from evenstring.analysis.riding.reserve import find_reserve

from tests.worlds.fault_sessions import CAUSES, CLASSES, GRADIENTS, STORE, Case, make_case
from tests.worlds.fault_truth import true_departure, true_reserve

REPORT_FROM = 100_000
CONFIDENT = 0.8
_LEAK_SCATTER = 0.1  # % a week, healthy groups
Job = tuple[int, str, str, float]  # number, kind, cause, share of the full size


@dataclass(frozen=True)
class Said:
    cause: str
    confidence: float
    true: bool


@dataclass(frozen=True)
class Mark:
    kind: str
    cause: str
    share: float
    right: bool
    wrong: bool
    named: bool  # its group is spoken of
    undecided: bool  # as "cannot tell", or as an error of the meter that it shares
    said: tuple[Said, ...] = ()  # every statement of a cause
    error: float | None = None  # of size, relative
    inside: bool | None = None  # truth in the 90 % interval
    reserve: tuple[float, bool, float] | None = None  # error in SoC, inside the interval, its width


def jobs(part: float, first: int) -> list[Job]:
    """What to run: most weight on the class in which all causes can be told, and on healthy packs."""
    out: list[tuple[str, str, float]] = []
    size = np.random.default_rng(first)
    for cause in CAUSES:
        out += [(CLASSES[0], cause, 1.0)] * round(150 * part) + [(CLASSES[0], cause, 0.5)] * round(150 * part)
        out += [(CLASSES[0], cause, float(s)) for s in size.uniform(0.5, 1.3, round(50 * part))]
        for kind in CLASSES[1:]:
            out += [(kind, cause, 1.0)] * round(50 * part)
    out += [(CLASSES[0], "healthy", 0.0)] * round(3000 * part)
    for kind in GRADIENTS:
        out += [(kind, "healthy", 0.0)] * round(60 * part) + [(kind, "high_resistance", 1.0)] * round(60 * part)
    out += [(STORE, "self_discharge", 1.0)] * round(100 * part) + [(STORE, "healthy", 0.0)] * round(100 * part)
    return [(first + k, *job) for k, job in enumerate(out)]


def mark(job: Job) -> Mark:
    case = make_case(*job)
    phases = find_phases(case.session, case.profile)
    diagnosis = diagnose(case.session, case.profile, phases)
    right = wrong = False
    said, error, inside = [], None, None
    for w in diagnosis.weakness:
        truth = true_departure(case, w.group, w.cause)
        if truth is None:
            continue
        good = w.group == case.group and w.cause == case.cause
        true = good or abs(truth) > 3.5 * (SCATTER[CAUSES.index(w.cause)] if w.cause in CAUSES else _LEAK_SCATTER)
        said.append(Said(w.cause, w.confidence, true))
        if w.confidence >= CONFIDENT and not true:
            wrong = True
            print(f"wrong: {job}, group {case.group}, said {w}", file=sys.stderr)
        if good:
            right, error, inside = True, abs(w.size / truth - 1.0), w.size_low <= truth <= w.size_high
    named, undecided = _named(case, diagnosis)
    reserve = _reserve(case, diagnosis, phases) if case.kind == CLASSES[0] and case.group is not None else None
    return Mark(job[1], job[2], job[3], right, wrong, named, undecided and not right, tuple(said), error, inside,
                reserve)  # fmt: skip


def _named(case: Case, diagnosis: Diagnosis) -> tuple[bool, bool]:
    """Whether the faulty group is spoken of at all, and whether without a cause."""
    here = [w.cause == "cannot_tell" for w in diagnosis.weakness if w.group == case.group]
    here += [True for p in diagnosis.patterns if case.group in p.groups]
    return bool(here), any(here)


def _reserve(case: Case, diagnosis: Diagnosis, phases) -> tuple[float, bool, float] | None:
    found, _ = find_reserve(case.session, case.profile, phases, diagnosis.evidence)
    if found is None:
        return None
    truth = true_reserve(case, found.empty_at_current_a)
    inside = found.soc_low <= truth <= found.soc_high
    return found.lowest_soc_at_full_load - truth, inside, found.soc_high - found.soc_low


def collect(part: float, first: int, processes: int = 1) -> list[Mark]:
    """Marks of a share of all sessions."""
    if processes == 1:
        return [mark(job) for job in jobs(part, first)]
    with ProcessPoolExecutor(processes) as pool:
        return list(pool.map(mark, jobs(part, first), chunksize=8))


if __name__ == "__main__":
    from tests.benchmarks.weakness_table import figure, table, write

    share_of_all = float(sys.argv[1]) if len(sys.argv) > 1 else 1.0
    start = int(sys.argv[2]) if len(sys.argv) > 2 else REPORT_FROM
    results = collect(share_of_all, start, os.cpu_count() or 1)
    made = table(results)
    print("\n".join(made))
    if start >= REPORT_FROM:
        write(made, len(results), start, figure(results))
