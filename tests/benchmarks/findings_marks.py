"""Marks of the findings on random sessions: `python -m tests.benchmarks.findings_marks [SESSIONS [FIRST [SECONDS]]]`.

Writes its tables into host/MARKS.md, between the two marks there. Sessions are numbered; tuning used numbers below
300,000, the figures come from numbers above. With SECONDS it stops after that time and says how many it did.
"""

from __future__ import annotations

import os
import sys
import time
from collections import defaultdict
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from contextlib import contextmanager
from itertools import pairwise, repeat, takewhile

import numpy as np
from evenstring.analysis.balancing import charge_curve as top_curves
from evenstring.analysis.results import Findings
from evenstring.analysis.run import what_happened
from evenstring.analysis.series.signals import trusted_scans

from tests.benchmarks.findings_table import Collected, add_by_kind, table, write
from tests.worlds.sessions import KINDS, Case, make_case
from tests.worlds.truth import (
    SHORT_CV_S,
    STEP_V,
    absolute_u_v,
    end_step_v,
    extremes_v,
    is_balanced,
    true_charger,
    true_end,
    true_phases,
    true_spread_mv,
)

Marks = dict[str, list[tuple[str, float]]]  # what is judged -> (group of sessions, 1 right, 0 wrong, or a number)
REPORT_FROM = 300_000


def mark(case: Case) -> Marks:
    """All marks of one session."""
    with cells_unknown(case):
        found = what_happened(case.session, case.profile)
    marks: Marks = defaultdict(list)
    sensor = "current" if case.with_current else "no current"
    _mark_phases(case, found, marks, sensor)
    _mark_end(case, found, marks, sensor)
    _mark_events(case, found, marks)
    _mark_spread(case, found, marks)
    _mark_charger(case, found, marks)
    _mark_balanced(case, found, marks)
    if case.kind == "hour_in_cv":
        _mark_balancing(case, found, marks)
    return dict(marks)


@contextmanager
def cells_unknown(case: Case) -> Iterator[None]:
    """The paper of the session's cells taken out of what the forecast knows; of iron phosphate there is one only."""
    known = top_curves.CURVES
    paper = case.trajectory.pack.curve.name.split(",")[0]
    if case.profile.chemistry != "lfp":
        top_curves.CURVES = tuple(name for name in known if name != paper)
    try:
        yield
    finally:
        top_curves.CURVES = known


def _cells(case: Case, sensor: str) -> str:
    """Iron phosphate is marked apart: nearly flat, it shows phases and ends in another way."""
    return f"iron phosphate, {sensor}" if case.profile.chemistry == "lfp" else sensor


def _mark_phases(case: Case, found: Findings, marks: Marks, sensor: str) -> None:
    allowed = 30.0 if case.with_current else 90.0
    of = _cells(case, sensor)
    true = true_phases(case)
    ours = _long_enough([(p.kind, p.start_s + case.first_s, p.end_s + case.first_s) for p in found.phases])
    unseen = 0
    for (before, _, at), (after, start, _) in pairwise(true):
        if before == "charge_cv" and end_step_v(case, at) < STEP_V:
            unseen += not case.with_current
            continue
        near = min(
            (abs(b - start) for (k, _, b), (m, _, _) in pairwise(ours) if (k, m) == (before, after)),
            default=np.inf,
        )
        marks["phase boundary"].append((of, float(near <= allowed)))
    expected, got = sum(k != "unknown" for k, _, _ in true), sum(k != "unknown" for k, _, _ in ours)
    # An end that leaves no step parts nothing that voltages show: told or not, the count is right.
    marks["phases all there, none invented"].append((of, float(expected - unseen <= got <= expected)))
    if unseen:
        marks["'still charging' not said where an end leaves no step"].append(
            (of, float(found.charge.ended != "still_charging"))
        )


def _long_enough(phases: list[tuple[str, float, float]]) -> list[tuple[str, float, float]]:
    """A constant-voltage part shorter than a boundary may be off counts to the charge before it, as in the truth."""
    out: list[tuple[str, float, float]] = []
    for kind, start, end in phases:
        if out and out[-1][0] == "charge_cc" and kind == "charge_cv" and end - start < SHORT_CV_S:
            out[-1] = ("charge_cc", out[-1][1], end)
        else:
            out.append((kind, start, end))
    return out


def _mark_end(case: Case, found: Findings, marks: Marks, sensor: str) -> None:
    truth = true_end(case)
    if truth is None or truth[0] == "none":
        return
    ended, groups = truth
    right = found.charge.ended == ended and (not groups or bool(groups & set(found.charge.cause_groups)))
    marks["how the charge ended"].append((_cells(case, sensor), float(right)))
    if case.profile.chemistry != "lfp":
        marks[f"how the charge ended: {ended}"].append((sensor, float(right)))


def _mark_events(case: Case, found: Findings, marks: Marks) -> None:
    """Discard by the bar (two scans, 10 mV); the other limits by three values: sure, within the uncertainty, no."""
    p = case.profile
    two_s = 2.0 / case.scans_per_s
    for kind, limit, below in (
        ("below_empty", p.empty_v, True),
        ("below_discard", p.discard_v, True),
        ("above_ceiling", p.ceiling_v, False),
    ):
        furthest, longest = extremes_v(case, limit, below)
        beyond = (limit - furthest) * (1 if below else -1)
        said = {e.group: e.certainty for e in found.events if e.kind == kind}
        u = absolute_u_v(limit)
        for k, (by, lasted) in enumerate(zip(beyond, longest, strict=True)):
            if k + 1 in said and said[k + 1] == "yes":
                marks["limit visit said for sure is real"].append((kind, float(by > 0)))
            clear = by > 3 * u and lasted >= two_s
            if clear:
                marks["visit three uncertainties beyond a limit found"].append((kind, float(k + 1 in said)))
            if by < -3 * u and by > -0.3:
                marks["none said three uncertainties short of a limit"].append((kind, float(k + 1 not in said)))
        if kind == "below_discard":
            _mark_discard(case, marks, said, beyond, longest >= two_s)


def _mark_discard(case: Case, marks: Marks, said: dict[int, str], beyond: np.ndarray, lasted: np.ndarray) -> None:
    del case
    for k, by in enumerate(beyond):
        if by < -0.010 and (k + 1 in said or by > -0.3):
            marks["no false below-discard"].append(("all", float(k + 1 not in said)))
        if by > 0.010 and lasted[k]:
            marks["below-discard found"].append(("all", float(k + 1 in said)))


def _mark_spread(case: Case, found: Findings, marks: Marks) -> None:
    claims = found.spread.claims
    if not claims:
        return
    # Claims of one session share the meter's offsets: one of them counts for the session, taken in turn.
    one = claims[(case.number // len(KINDS)) % len(claims)]
    for claim in claims:
        true_mv = true_spread_mv(case, claim.at_s)
        size = "0 to 5 mV" if true_mv < 5 else "5 to 20 mV" if true_mv < 20 else "over 20 mV"
        right = float(claim.low_mv <= true_mv <= claim.high_mv)
        where = "shared leads" if case.kind == "shared_leads" else "own leads"
        marks[f"spread inside its 95 % interval, {where}: {claim.where}"].append(("each claim", right))
        if claim is one:
            marks["spread inside its 95 % interval, one claim a session"].append((size, right))
        if claim.where == "rest":
            marks["width of the spread's interval at rest, mV"].append((size, claim.high_mv - claim.low_mv))
            ratio = (claim.high_mv - claim.low_mv) / ideal_width_mv(case, claim.at_s)
            marks["width of the spread's interval at rest over the ideal"].append((size, ratio))
    _mark_load(case, marks)


def _mark_load(case: Case, marks: Marks) -> None:
    s = case.session
    t = s.time_s + case.first_s
    riding = np.zeros(len(t), dtype=bool)
    for p in case.trajectory.phases:
        if p.kind == "ride":
            riding |= (t >= p.start_s) & (t <= p.end_s)
    pace = "1 to 3 scans/s" if case.scans_per_s < 3 else "3 to 10 scans/s"
    if riding.any():
        marks["share of a ride's scans that bear a spread"].append((pace, float(trusted_scans(s)[riding].mean())))


def ideal_width_mv(case: Case, at_s: float) -> float:
    """Width that 95 of 100 spreads as read span, for this string and a meter of the stated errors (Monte Carlo)."""
    t = case.trajectory
    volts = np.array([np.interp(at_s + case.first_s, t.time_s, t.volts_v[:, k]) for k in range(t.volts_v.shape[1])])
    u = float(case.session.meter.channel_u_v or 0.0)
    draws = volts + u * np.random.default_rng(23).standard_normal((400, len(volts)))
    low, high = np.quantile(np.ptp(draws, axis=1), [0.025, 0.975])
    return float(high - low) * 1e3


def _mark_charger(case: Case, found: Findings, marks: Marks) -> None:
    if found.charger is None or case.profile.chemistry == "lfp" or true_phases(case)[-1][0] == "charge_cc":
        return
    if not any(p.kind == "charge_cv" for p in case.trajectory.phases):
        return
    truth, said = true_charger(case), found.charger.set
    if said != "unknown":
        marks["charger's set point, where said, is right"].append((truth, float(said == truth)))
    marks["share of charger's set point not told"].append((truth, float(said == "unknown")))


def _mark_balanced(case: Case, found: Findings, marks: Marks) -> None:
    b = found.balancing
    if b.at_s is None or not any(p.kind == "charge_cv" for p in case.trajectory.phases):
        return
    truth = is_balanced(case, b.at_s)
    if truth is None:
        return
    which = {"lfp": "iron phosphate", "shared_leads": "shared leads"}.get(case.kind, "others")
    right = float((b.state == "balanced") == truth)
    marks["balanced said when so" if truth else "balanced not said when not"].append((which, right))


def _mark_balancing(case: Case, found: Findings, marks: Marks) -> None:
    b, truth = found.balancing, case.remaining_s
    short = truth is not None and truth < 1200.0
    if short:
        return
    if truth is None or truth > 86400.0:
        over = b.answer in ("never", "over_24_h")
        t = case.trajectory
        lowest_bleeds = t.bleeding[-600:, int(t.volts_v[-1].argmin())].mean() > 0.5
        known = "rule given" if case.profile.bleed_rule else "rule not given"
        later = f"freezes later, when the lowest reaches the threshold, {known}"
        which = "frozen already" if lowest_bleeds else later if truth is None else "24 to 48 h"
        if truth is not None and truth <= 32.0 * 3600.0 and b.remaining_s is not None:
            over |= abs(b.remaining_s - truth) <= 0.3 * truth  # near to a day a time that is about right is right too
        marks["'never' or 'over 24 h' said when so"].append((which, float(over)))
        return
    band = "20 min to 3 h" if truth < 3 * 3600 else "3 to 8 h" if truth < 8 * 3600 else "8 to 24 h"
    said = b.remaining_s
    error = abs(said - truth) / truth if said is not None else 10.0
    marks["time to balanced, relative error"].append((band, error))
    # The true rate on average until balanced: what the taper does in the first hour is not it.
    rate_mv_h = max(0.1, (case.trajectory.spread_v[-1] * 1e3 - b.target_mv) / (truth / 3600.0))
    allowed = max(0.15, 3.0 / rate_mv_h * 3600.0 / truth)
    marks["time to balanced within max(15 %, 3 mV)"].append((band, float(error <= allowed)))
    marks["time to balanced within twice that"].append((band, float(error <= 2 * allowed)))
    low = -np.inf if b.remaining_low_s is None else b.remaining_low_s
    high = np.inf if b.remaining_high_s is None else b.remaining_high_s
    inside = b.state != "not_reached" and (b.remaining_low_s is not None or b.remaining_high_s is not None)
    marks["time to balanced inside its 90 % interval"].append((band, float(inside and low <= truth <= high)))


def _one(number: int, until: float) -> tuple[int, str, Marks] | None:
    """The marks of a session, or None once the time is over (`time.monotonic` is the same in all processes)."""
    if time.monotonic() > until:
        return None
    kind = KINDS[number % len(KINDS)]
    return number, kind, mark(make_case(number, kind))


def _timely(count: int, first: int, seconds: float, processes: int) -> Iterator[tuple[int, str, Marks]]:
    until = time.monotonic() + seconds
    numbers = range(first, first + count)
    if processes == 1:
        yield from takewhile(bool, (_one(number, until) for number in numbers))
        return
    with ProcessPoolExecutor(processes) as pool:
        yield from takewhile(bool, pool.map(_one, numbers, repeat(until)))


def collect(count: int, first: int, seconds: float = np.inf, processes: int = 1) -> tuple[Collected, int]:
    """What is judged -> group of sessions -> marks; and how many sessions were done in the time."""
    out: Collected = defaultdict(lambda: defaultdict(list))
    done = 0
    for number, kind, marks in _timely(count, first, seconds, processes):
        done += 1
        add_by_kind(out, number, kind, marks)
        for what, values in marks.items():
            for group, value in values:
                out[what][group].append(value)
                if value == 0.0 and "share" not in what:
                    print(f"wrong: {what} ({group}), session {number}, {kind}", file=sys.stderr)
    return out, done


if __name__ == "__main__":
    how_many = int(sys.argv[1]) if len(sys.argv) > 1 else 300
    start = int(sys.argv[2]) if len(sys.argv) > 2 else REPORT_FROM
    limit_s = float(sys.argv[3]) if len(sys.argv) > 3 else float("inf")
    made, finished = collect(how_many, start, limit_s, os.cpu_count() or 1)
    lines = table(made)
    print("\n".join(lines))
    if start >= REPORT_FROM:
        write(lines, finished, start)
