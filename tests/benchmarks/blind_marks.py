"""Causes without a current sensor, and bleeders dead or stuck, marked on random packs whose truth is known.

    python -m tests.benchmarks.blind_marks [sessions a row] [first number]

A session counts as right when the injected group is the first one named, with the injected cause; cannot tell counts as
not right. Wrong: any other statement at a confidence of 0.8 or more. Fixed by number; invented.
"""

from __future__ import annotations

import sys
from collections import defaultdict
from dataclasses import replace

import numpy as np
from evenstring.analysis.causes.bleeders import find_balancer_faults
from evenstring.analysis.causes.diagnosis import diagnose
from evenstring.analysis.phases.segment import find_phases
from evenstring.analysis.series.signals import make_signals
from evenstring.analysis.series.uncertainty import meter_error
from evenstring.profile import PackProfile
from evenstring.sim import DutyCycle, MeterModel, Pack, measure, simulate
from scipy.stats import binomtest

from tests.worlds.fault_sessions import CAUSES, make_case

KINDS = ("ride and charge", "ride", "charge")
Rows = dict[tuple[str, str], list[tuple[bool, bool, bool]]]  # right, wrong, group named


def blind(count: int, first: int) -> Rows:
    rows: Rows = defaultdict(list)
    for kind in KINDS:
        for cause in (*CAUSES, "healthy"):
            for number in range(first, first + count):
                rows[kind, cause].append(_blind_one(number, kind, cause))
    return rows


def _blind_one(number: int, kind: str, cause: str) -> tuple[bool, bool, bool]:
    case = make_case(number, kind, cause)
    session = replace(case.session, current_a=None, current_out_a=None, current_back_a=None)
    found = diagnose(session, case.profile, find_phases(session, case.profile)).weakness
    said = [(w.group, w.cause, w.confidence) for w in found if w.cause != "cannot_tell"]
    right = bool(said) and said[0][:2] == (case.group, cause)
    wrong = any(s[:2] != (case.group, cause) and s[2] >= 0.8 for s in said)
    return right, wrong, any(w.group == case.group for w in found)


def bleeders(count: int, first: int) -> Rows:
    """A rest of 80 minutes and a charge with three hours at constant voltage; four groups are high."""
    rows: Rows = defaultdict(list)
    for fault in ("dead", "stuck on", "none"):
        for number in range(first, first + count):
            rng = np.random.default_rng([77, number])
            pack = Pack.random(rng, groups=20, soc=0.55)
            soc = pack.soc0.copy()
            high = rng.choice(20, 4, replace=False)
            soc[high] += (
                0.010,
                0.013,
                0.016,
                0.018,
            )  # more, and the ceiling ends the charge before anything can be seen
            group = int(high[2]) + 1 if fault == "dead" else int(rng.integers(20)) + 1
            faulty = {"dead": {"dead": (group,)}, "stuck on": {"stuck": (group,)}, "none": {}}[fault]
            rule = ("above_lowest", "threshold", "odd_even")[number % 3] if fault == "none" else "above_lowest"
            pack = replace(pack, soc0=soc, balancer=replace(pack.balancer, rule=rule, **faulty))
            trajectory = simulate(pack, DutyCycle().rest(minutes=80).charge(hours=5.2), step_s=2.0)
            session = measure(trajectory, MeterModel.random(rng, 20), rng, quiet_s=2.0)
            profile = PackProfile(groups=20)
            phases = find_phases(session, profile)
            found = find_balancer_faults(make_signals(session), profile, phases, meter_error(session))
            groups = [w.group for w in found]
            right = groups == [group] if fault != "none" else not groups
            rows["bleeder", fault].append((right, any(g != group or fault == "none" for g in groups), group in groups))
    return rows


def table(rows: Rows) -> list[str]:
    lines = [
        "| session | fault | n | right (95 % range) | wrong at 0.8 or more | group named |",
        "|---|---|---|---|---|---|",
    ]
    for (kind, cause), marks in rows.items():
        n = len(marks)
        right, wrong, named = (sum(m[k] for m in marks) for k in range(3))
        interval = binomtest(right, n).proportion_ci(0.95, method="exact")
        share = f"{right / n:.0%} ({interval.low:.0%} to {interval.high:.0%})"
        healthy = cause == "healthy"
        name = cause.replace("_", " ")
        lines.append(f"| {kind} | {name} | {n} | {'' if healthy else share} | {wrong} | {'' if healthy else named} |")
    return lines


if __name__ == "__main__":
    sessions = int(sys.argv[1]) if len(sys.argv) > 1 else 12
    start = int(sys.argv[2]) if len(sys.argv) > 2 else 630_000
    print("\n".join(table(bleeders(2 * sessions, start) | blind(sessions, start))))
