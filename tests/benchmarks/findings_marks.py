"""Marks of the findings on random sessions: `python -m tests.benchmarks.findings_marks [SESSIONS [FIRST]]`.

Writes its table into host/METHODS.md, between the two marks there. Sessions are numbered; tuning used numbers below
300,000, the figures come from numbers above.
"""

from __future__ import annotations

import sys
from collections import defaultdict
from concurrent.futures import ProcessPoolExecutor
from itertools import pairwise
from pathlib import Path

import numpy as np
from evenstring.analysis.findings import analyse
from evenstring.analysis.model import Findings
from evenstring.sim import Phase
from scipy.stats import binomtest

from tests.benchmarks.findings_sessions import KINDS, Case, make_case

METHODS = Path(__file__).parents[2] / "host" / "METHODS.md"
BEGIN, END = "<!-- findings figures: begin -->", "<!-- findings figures: end -->"
Marks = dict[str, list[tuple[str, float]]]  # what is judged -> (group of sessions, 1 right, 0 wrong, or a number)
REPORT_FROM = 300_000
_NEAR_V = 0.008  # two standard uncertainties of the meter: truths nearer to a decision than this are not marked


def mark(case: Case) -> Marks:
    found = analyse(case.session, case.profile)
    marks: Marks = defaultdict(list)
    sensor = "current" if case.with_current else "no current"
    _mark_phases(case, found, marks, sensor)
    _mark_end(case, found, marks, sensor)
    _mark_discard(case, found, marks, sensor)
    _mark_spread(case, found, marks)
    if case.kind == "hour_in_cv":
        _mark_balancing(case, found, marks)
    return dict(marks)


def true_phases(case: Case) -> list[tuple[str, float, float]]:
    """Phases by the words of the report: held without current is rest; flicker between cc and cv is the first cv."""
    joined: list[list] = []
    for p in case.trajectory.phases:
        kind = "rest" if p.kind in ("held", "rest") else p.kind
        if joined and joined[-1][0] == "charge_cv" and kind == "charge_cc" and p.end_s - p.start_s < 60:
            kind = "charge_cv"
        if joined and joined[-1][0] == kind:
            joined[-1][2] = p.end_s
        else:
            joined.append([kind, p.start_s, p.end_s])
    return [(k, a, b) for k, a, b in joined]


def _mark_phases(case: Case, found: Findings, marks: Marks, sensor: str) -> None:
    allowed = 30.0 if case.with_current else 90.0
    true = true_phases(case)
    ours = [(p.kind, p.start_s + case.first_s, p.end_s + case.first_s) for p in found.phases]
    for (before, _, at), (after, start, _) in pairwise(true):
        if before == "charge_cv" and _end_step_v(case, at) < 3e-4:
            continue  # no step to be seen: 3 sigma of the pack sum, as a group's mean
        near = min(
            (abs(b - start) for (k, _, b), (m, _, _) in pairwise(ours) if (k, m) == (before, after)),
            default=np.inf,
        )
        marks["phase boundary"].append((sensor, float(near <= allowed)))
    expected, got = sum(k != "unknown" for k, _, _ in true), sum(k != "unknown" for k, _, _ in ours)
    marks["phases all there, none invented"].append((sensor, float(expected == got)))


def _end_step_v(case: Case, at_s: float) -> float:
    t = case.trajectory
    amps = float(np.interp(at_s - 5.0, t.time_s, t.current_a))
    return abs(amps) * float(np.median(t.pack.r0_ohm))


def true_end(case: Case) -> tuple[str, set[int]] | None:
    """How the charge ended, by the definitions, from true voltages; None where the truth lies too near a border."""
    charges = [p for p in case.trajectory.phases if p.kind.startswith("charge")]
    if not charges:
        return "none", set()
    last = charges[-1]
    t = case.trajectory
    at = int(np.searchsorted(t.time_s, last.end_s - 1e-6))
    volts = t.volts_v[max(0, at - 1)]
    if last.ended == "ceiling":
        alone = np.sort(volts)[-2] <= volts.max() - _NEAR_V
        return ("stopped_early", {int(volts.argmax()) + 1}) if alone else None
    if last.ended == "still_connected" or last.kind == "charge_cc":
        return "still_charging" if last.ended == "still_connected" else "stopped_before_cv", set()
    tapered = _tapered(case, charges, float(t.current_a[max(0, at - 1)]))
    if tapered is None:
        return None
    return _by_heights(case, volts) if tapered else ("interrupted_in_cv", set())


def _tapered(case: Case, charges: list[Phase], amps: float) -> bool | None:
    if case.with_current:
        near = abs(amps - case.profile.done_light_a) < 0.08 * case.profile.done_light_a + 0.05
        return None if near else amps <= case.profile.done_light_a
    held_s = charges[-1].end_s - next(p for p in charges if p.kind == "charge_cv").start_s
    return None if abs(held_s - 600.0) < 90.0 else held_s >= 600.0


def _by_heights(case: Case, volts: np.ndarray) -> tuple[str, set[int]] | None:
    border = case.profile.full_v - 0.030
    if abs(np.median(volts) - border) < _NEAR_V or abs(volts.min() - border) < _NEAR_V:
        return None
    if np.median(volts) < border:
        return "charger_low", set()
    return ("full", set()) if volts.min() >= border else ("ended_uneven", {int(volts.argmin()) + 1})


def _mark_end(case: Case, found: Findings, marks: Marks, sensor: str) -> None:
    truth = true_end(case)
    if truth is None or truth[0] == "none":
        return
    ended, groups = truth
    right = found.charge.ended == ended and (not groups or bool(groups & set(found.charge.cause_groups)))
    marks["how the charge ended"].append((sensor, float(right)))
    marks[f"how the charge ended: {ended}"].append((sensor, float(right)))


def _mark_discard(case: Case, found: Findings, marks: Marks, sensor: str) -> None:
    del sensor
    t, limit = case.trajectory, case.profile.discard_v
    said = {e.group for e in found.events if e.kind == "below_discard"}
    two = 2.0 / case.scans_per_s
    for k in range(t.volts_v.shape[1]):
        v = t.volts_v[:, k]
        if v.min() > limit + 0.010:
            if k + 1 in said or v.min() < limit + 0.3:
                marks["no false below-discard"].append(("all", float(k + 1 not in said)))
            continue
        below = np.flatnonzero(v < limit)
        runs = np.split(below, np.flatnonzero(np.diff(below) > 1) + 1) if len(below) else []
        if any(t.time_s[r[-1]] - t.time_s[r[0]] >= two and v[r].min() < limit - 0.010 for r in runs if len(r)):
            marks["below-discard found"].append(("all", float(k + 1 in said)))


def _mark_spread(case: Case, found: Findings, marks: Marks) -> None:
    t = case.trajectory
    for claim in found.spread.claims:
        true_mv = float(np.interp(claim.at_s + case.first_s, t.time_s, t.spread_v)) * 1e3
        size = "0 to 5 mV" if true_mv < 5 else "5 to 20 mV" if true_mv < 20 else "over 20 mV"
        marks["spread inside its 95 % interval"].append((size, float(claim.low_mv <= true_mv <= claim.high_mv)))
        marks["width of the spread's interval, mV"].append((size, claim.high_mv - claim.low_mv))


def _mark_balancing(case: Case, found: Findings, marks: Marks) -> None:
    b, truth = found.balancing, case.remaining_s
    short = truth is not None and truth < 1200.0
    if short:
        return
    if truth is None or truth > 86400.0:
        over = b.answer in ("never", "over_24_h")
        t = case.trajectory
        lowest_bleeds = t.bleeding[-600:, int(t.volts_v[-1].argmin())].mean() > 0.5
        later = "freezes later, when the lowest reaches the threshold"
        which = "frozen already" if lowest_bleeds else later if truth is None else "24 to 48 h"
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


def _one(number: int) -> tuple[int, str, Marks]:
    kind = KINDS[number % (len(KINDS) + 2)] if number % (len(KINDS) + 2) < len(KINDS) else "hour_in_cv"
    return number, kind, mark(make_case(number, kind))


def collect(count: int, first: int, workers: int = 1) -> dict[str, dict[str, list[float]]]:
    """What is judged -> group of sessions -> marks."""
    out: dict[str, dict[str, list[float]]] = defaultdict(lambda: defaultdict(list))
    numbers = range(first, first + count)
    if workers == 1:
        results = map(_one, numbers)
    else:
        with ProcessPoolExecutor(workers) as pool:
            results = iter(list(pool.map(_one, numbers, chunksize=4)))
    for number, kind, marks in results:
        for what, values in marks.items():
            for group, value in values:
                out[what][group].append(value)
                if value == 0.0 and count < 1000:
                    print(f"wrong: {what} ({group}), session {number}, {kind}", file=sys.stderr)
    return out


def table(marks: dict[str, dict[str, list[float]]]) -> list[str]:
    lines = ["| what | of | n | figure | 95 % range |", "|---|---|---|---|---|"]
    for what in sorted(marks):
        for group in sorted(marks[what]):
            values = np.array(marks[what][group])
            if "error" in what or "width" in what:
                unit = f"{np.median(values):.0%}" if "error" in what else f"{np.median(values):.1f}"
                lines.append(f"| {what} | {group} | {len(values)} | median {unit} | |")
            else:
                ends = binomtest(int(values.sum()), len(values)).proportion_ci()
                lines.append(
                    f"| {what} | {group} | {len(values)} | {values.mean():.1%} | {ends.low:.1%} to {ends.high:.1%} |"
                )
    return lines


def write(lines: list[str], count: int, first: int) -> None:
    text = METHODS.read_text(encoding="utf-8")
    a, b = text.index(BEGIN) + len(BEGIN), text.index(END)
    intro = f"{count} sessions, numbers {first} to {first + count - 1}, by `python -m tests.benchmarks.findings_marks`:"
    METHODS.write_text(text[:a] + "\n" + intro + "\n\n" + "\n".join(lines) + "\n" + text[b:], encoding="utf-8")


if __name__ == "__main__":
    how_many = int(sys.argv[1]) if len(sys.argv) > 1 else 300
    start = int(sys.argv[2]) if len(sys.argv) > 2 else REPORT_FROM
    made = table(collect(how_many, start, workers=2))
    print("\n".join(made))
    if start >= REPORT_FROM:
        write(made, how_many, start)
