"""The verdict against the truth, on random packs, sampled from 0.1 s to 60 s, with and without a current sensor.

    python -m tests.benchmarks.verdict_marks [sessions] [seed] [processes]

A healthy pack has the scatter of production and an offset of charge that a night on the charger evens out. A fault is
of a size that a rider would feel, or that is dangerous: less capacity (12 to 30 %), more resistance (50 to 120 %), less
charge (8 to 15 %), a leak (over stored weeks), a bad joint (40 to 90 %), a bleeder that is stuck, a group ridden below
the discard voltage. Marked: `ride` on a pack with a fault that is not named (at most 1 %), an inspection or worse asked
of a healthy one (at most 2 %), and how the charge ended and where its phases lie where the rows are sparse (97 %, or
said to be unknown). Seeds from 900,000 on were never looked at while tuning. Invented.
"""

from __future__ import annotations

import sys
from collections import Counter
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace

import numpy as np
from evenstring.analysis.results import Findings
from evenstring.analysis.run import analyse
from evenstring.profile import PackProfile
from evenstring.session import Session
from evenstring.sim import DutyCycle, MeterModel, Pack, Trajectory, measure, simulate
from scipy.stats import binomtest

FAULTS = ("low_capacity", "high_resistance", "low_charge", "leak", "joint", "stuck", "discard")
PLANS = ("ride", "charge", "ride and charge", "rest", "short charge", "two rides")
RATES_S = (0.1, 0.5, 1.0, 2.0, 10.0, 30.0, 60.0)
ACTIONS = ("do_not_charge", "inspect", "keep_charging", "ride_weak_group", "too_little_data", "ride")
# What names a fault: kinds of reason that rest on the group itself.
_DANGER = ("do_not_charge", "inspect")


@dataclass(frozen=True)
class Mark:
    number: int
    fault: str
    plan: str
    interval_s: float
    with_current: bool
    action: str
    confidence: float
    named: bool
    kinds: tuple[str, ...]
    end: bool | None  # whether the end of the charge was said rightly, None: unknown or not asked
    phases: float | None  # share of the time in the right phase, of what was not said to be unknown
    felt: bool = True


def make_pack(rng: np.random.Generator, fault: str, groups: int) -> tuple[Pack, int]:
    """A pack with the fault in one group (from 0)."""
    pack = Pack.random(rng, groups=groups, soc=float(rng.uniform(0.80, 0.95)))
    g = int(rng.integers(groups))
    capacity, r0, soc, leak = pack.capacity_ah.copy(), pack.r0_ohm.copy(), pack.soc0.copy(), pack.leak_a.copy()
    joint = pack.joint_ohm.copy()
    if fault == "low_capacity":
        capacity[g] *= 1 - rng.uniform(0.12, 0.30)
    elif fault == "high_resistance":
        r0[g] = np.median(r0) * rng.uniform(1.5, 2.2)
    elif fault == "low_charge":
        soc[g] -= rng.uniform(0.08, 0.15)
    elif fault == "leak":
        leak[g] += 0.01 * rng.uniform(3, 8) * capacity[g] / (7 * 24)
    elif fault == "joint":
        joint[g] += np.median(r0) * rng.uniform(0.4, 0.9)
    elif fault == "discard":
        soc[g] = rng.uniform(0.03, 0.08)
    pack = replace(pack, capacity_ah=capacity, r0_ohm=r0, soc0=soc, leak_a=leak, joint_ohm=joint)
    if fault == "stuck":
        pack = replace(pack, balancer=replace(pack.balancer, stuck=(g + 1,)))
    return pack, g


def make_plan(rng: np.random.Generator, fault: str, plan: str) -> DutyCycle:
    seed = int(rng.integers(1 << 30))
    minutes = float(rng.uniform(35, 80))
    if fault in ("leak", "stuck"):
        stored = DutyCycle().rest(minutes=70, step_s=10.0).store(days=10).rest(minutes=70, step_s=10.0)
        return stored.ride(minutes=minutes, seed=seed).rest(minutes=20) if plan != "rest" else stored
    if fault == "discard":
        return DutyCycle().rest(minutes=10).ride(minutes=30, seed=seed).rest(minutes=20)
    start = DutyCycle().rest(minutes=float(rng.uniform(6, 40)))
    hours = float(rng.uniform(5, 8))
    return {
        "ride": lambda: start.ride(minutes=minutes, seed=seed).rest(minutes=30),
        "charge": lambda: start.load(np.full(360, -6.0), step_s=20.0).rest(minutes=20).charge(hours=hours),
        "ride and charge": lambda: (
            start.ride(minutes=minutes, seed=seed).rest(minutes=30).charge(hours=hours).rest(minutes=20)
        ),
        "rest": lambda: start.rest(minutes=40),
        "short charge": lambda: (
            start.ride(minutes=minutes, seed=seed).rest(minutes=30).charge(hours=0.6).rest(minutes=20)
        ),
        "two rides": lambda: (
            start.ride(minutes=minutes / 2, seed=seed)
            .rest(minutes=20)
            .ride(minutes=minutes / 2, seed=seed + 1)
            .rest(minutes=30)
        ),
    }[plan]()


def make_session(number: int) -> tuple[str, str, float, int, Session, PackProfile, Trajectory]:
    rng = np.random.default_rng([20261127, number])
    fault = "healthy" if number % 2 else FAULTS[(number // 2) % len(FAULTS)]
    plan = PLANS[int(rng.integers(len(PLANS)))]
    groups = int(rng.integers(16, 33))
    pack, g = make_pack(rng, fault, groups)
    trajectory = simulate(pack, make_plan(rng, fault, plan), step_s=1.0)
    interval = float(RATES_S[int(rng.integers(len(RATES_S)))])
    with_current = bool(rng.integers(2))
    quick = trajectory.time_s[-1] / interval > 60_000  # stored weeks at ten scans a second would be all there is
    interval = max(interval, float(trajectory.time_s[-1]) / 60_000) if quick else interval
    session = measure(
        trajectory, MeterModel.random(rng, groups), rng, scans_per_s=1.0 / interval,
        quiet_s=max(interval, 2.0), with_current=with_current,
    )  # fmt: skip
    return fault, plan, interval, g + 1, session, PackProfile(groups=groups), trajectory


def mark(number: int) -> Mark:
    fault, plan, interval, group, session, profile, trajectory = make_session(number)
    found = analyse(session, profile)
    verdict = found.verdict
    named = any(getattr(r.rests_on, "group", None) == group for r in verdict.reasons)
    return Mark(
        number, fault, plan, interval, session.has_current, verdict.action, verdict.confidence, named,
        tuple(r.kind for r in verdict.reasons), _end(found, trajectory), _phases(found, trajectory, interval),
    )  # fmt: skip


def _end(found: Findings, trajectory: Trajectory) -> bool | None:
    """Whether a charge was in its constant-voltage part when it ended, as said; None where nothing was claimed."""
    charges = [p for p in trajectory.phases if p.kind.startswith("charge")]
    said = found.charge.ended
    if not charges or said in ("cannot_tell", "none", "stopped_early"):
        return None
    last = charges[-1]
    held = last.kind == "charge_cv" and last.end_s - last.start_s > 60.0
    if said == "still_charging":
        return last.end_s >= trajectory.time_s[-1] - 120.0
    return (said != "stopped_before_cv") == held


def _phases(found: Findings, trajectory: Trajectory, interval_s: float) -> float | None:
    """Share of the claimed time in which the kind is right, less two rows round each true boundary.

    Held or tapering to nothing may count as rest. Stored time is left out of a session, so such are not asked.
    """
    edges = trajectory.phases
    if any(e.kind == "store" for e in edges):
        return None
    right = claimed = 0.0
    for p in found.phases:
        if p.kind == "unknown":
            continue
        for e in edges:
            overlap = min(p.end_s, e.end_s - 2 * interval_s) - max(p.start_s, e.start_s + 2 * interval_s)
            if overlap <= 0:
                continue
            same = {"held": ("rest", "charge_cv"), "charge_cv": ("charge_cv", "rest")}.get(e.kind, (e.kind,))
            claimed += overlap
            right += overlap * (p.kind in same)
    return right / claimed if claimed else None


def collect(count: int, first: int, processes: int = 1) -> list[Mark]:
    numbers = range(first, first + count)
    if processes == 1:
        return [mark(n) for n in numbers]
    with ProcessPoolExecutor(processes) as pool:
        return list(pool.map(mark, numbers, chunksize=4))


def table(marks: list[Mark]) -> list[str]:
    """The whole confusion table, then the bars."""
    lines = ["| truth | n | " + " | ".join(a.replace("_", " ") for a in ACTIONS) + " |", "|---" * 8 + "|"]
    for fault in ("healthy", *FAULTS):
        of = [m for m in marks if m.fault == fault]
        counts = Counter(m.action for m in of)
        lines.append(f"| {fault.replace('_', ' ')} | {len(of)} | {' | '.join(str(counts[a]) for a in ACTIONS)} |")
    faulty = [m for m in marks if m.fault != "healthy"]
    healthy = [m for m in marks if m.fault == "healthy"]
    sparse = [m for m in marks if m.interval_s >= 10]
    ends = [m.end for m in sparse if m.end is not None]
    phases = [m.phases for m in sparse if m.phases is not None]
    rides = [m for m in marks if m.action == "ride"]
    lines += [
        "",
        _bar("fault a rider would feel, said to be fine to ride and not named", faulty,
             [m for m in faulty if m.action == "ride" and not m.named], "at most 1 %"),
        _bar("healthy, sent to inspection or worse", healthy,
             [m for m in healthy if m.action in _DANGER], "at most 2 %"),
        _bar("healthy, weak group named", healthy, [m for m in healthy if m.action == "ride_weak_group"], "no bar"),
        _bar("healthy with a ride, said to be fine to ride", [m for m in healthy if "ride" in m.plan],
             [m for m in healthy if "ride" in m.plan and m.action == "ride"], "no bar"),
        _bar("said to be fine to ride, and healthy", rides, [m for m in rides if m.fault == "healthy"],
             f"stated {np.mean([m.confidence for m in rides]) if rides else 0:.2f}"),
        _bar("sparse rows: end of charge right where said", ends, [e for e in ends if e], "at least 97 %"),
        _bar("sparse rows: sessions with 97 % of the claimed time in the right phase", phases,
             [p for p in phases if p >= 0.97], "at least 97 %"),
    ]  # fmt: skip
    return lines


def _bar(what: str, of: list, hits: list, bar: str) -> str:  # type: ignore[type-arg]
    if not of:
        return f"{what}: none"
    interval = binomtest(len(hits), len(of)).proportion_ci(0.95, method="exact")
    return f"{what}: {len(hits)} of {len(of)} ({100 * interval.low:.1f} to {100 * interval.high:.1f} %; {bar})"


def odd(marks: list[Mark]) -> list[str]:
    """The sessions that miss a bar, one a line."""
    return [
        f"{m.number} {m.fault}, {m.plan}, {m.interval_s:g} s, {'current' if m.with_current else 'no current'}:"
        f" {m.action} ({', '.join(m.kinds)}), end {m.end}, phases {m.phases}"
        for m in marks
        if (m.fault != "healthy" and m.action == "ride" and not m.named)
        or (m.fault == "healthy" and m.action in ("do_not_charge", "inspect"))
        or (m.interval_s >= 10 and (m.end is False or (m.phases is not None and m.phases < 0.97)))
    ]


if __name__ == "__main__":
    sessions = int(sys.argv[1]) if len(sys.argv) > 1 else 60
    start = int(sys.argv[2]) if len(sys.argv) > 2 else 100_000
    made = collect(sessions, start, int(sys.argv[3]) if len(sys.argv) > 3 else 1)
    print("\n".join([*table(made), "", *odd(made)]))
