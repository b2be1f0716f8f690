"""What is judged in a session of physics cells: rows of marks, each 1 right, 0 wrong, or a number."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass

import numpy as np
from evenstring.analysis.balancing import charge_curve
from evenstring.analysis.causes.catalogue import CAUSES
from evenstring.analysis.results import Balancing, Findings, Weakness
from evenstring.analysis.run import analyse
from evenstring.chemistry import CHEMISTRIES
from evenstring.profile import PackProfile
from evenstring.session import Session

from tests.worlds.physics.papers import paper_of
from tests.worlds.physics.truth import Truth

__all__ = ["ROWS", "Mark", "judge"]

CONFIDENT = 0.8
_METER_WITHIN_MV = 4.0
_DRAINS_V = 0.008  # a departure that grew by less at rest is nothing that anybody could see; our choice
# Production scatter that the strings have (mV, %, %, %): a group truly 3.5 of it out is no healthy one.
_SCATTER, _TRULY_OUT = np.array([1.5, 0.4, 1.0, 4.0]), 3.5
_FAIR = {
    "charge_offset": ("charge_offset",),
    "low_capacity": ("low_capacity",),
    "high_resistance": ("high_resistance", "connection"),
    "connection": ("connection", "high_resistance"),
    "meter_offset": ("meter_offset",),
    "self_discharge": ("self_discharge", "balancer_fault"),
    "stuck_bleeder": ("balancer_fault", "self_discharge"),
    "dead_bleeder": ("balancer_fault", "charge_offset"),
}

METER = "meter offset said at 0.8 or more is within 4 mV (charge, no ride)"
METER_RIDE = "the same after a ride, or with neither"
OTHER = "another cause said at 0.8 or more is the group's"
DANGER = "verdict asks for an inspection where there is danger"
TIME = "time to balanced inside its 90 % interval, 'never' not said where it closes"
SILENT = "share of times to balanced not told (of those that close)"
NEVER = "'never' or 'over 24 h' where so, if anything is said"
EVEN = "no more than half an hour asked of a string that is even already"
AFTER_LIGHT = "no time to balanced said after a charger that went with its light"
LOG = "time: |log(said/true)|"
WIDTH = "time: high end over low end of the interval"
END = "how the charge ended, where said"
END_SILENT = "share of ends not told"
NAMED = "injected fault is named at all"
HEALTHY = "healthy string, none accused at 0.8 or more"
SIZES = "size inside its 90 % interval, cause right"
HOPEFUL = "reserve not too hopeful by more than three points"
RESERVE = "reserve inside its interval"
RESERVE_SILENT = "share of reserves not told"
SENSOR = "odd sensor: something is said in the profile check"
ROWS = (METER, METER_RIDE, OTHER, DANGER, TIME, END, NAMED, LOG, WIDTH, SILENT, NEVER, EVEN, AFTER_LIGHT, END_SILENT,
        HEALTHY, SIZES, HOPEFUL, RESERVE, RESERVE_SILENT, SENSOR)  # fmt: skip
NUMBERS = (LOG, WIDTH, SILENT, END_SILENT, RESERVE_SILENT)  # rows of numbers or shares: nothing in them is wrong


@dataclass(frozen=True)
class Mark:
    """One mark: its row, what it is counted under, its value, and what was said against what was true."""

    row: str
    under: str
    value: float
    said: str = ""


def judge(session: Session, profile: PackProfile, truth: Truth, curve_known: bool = False) -> list[Mark]:
    """All marks of a session; unless `curve_known` the tool's curve of this very cell is taken out."""
    with _curve_taken_out(truth.paper, curve_known):
        found = analyse(session, profile)
    named = _named(found, truth) if _shows(session, truth) else []
    marks = [*_causes(found, truth), *named, *_balancing(found, truth, session), *_end(found, truth)]
    marks += _reserve(found, truth)
    if truth.danger and _shows(session, truth):
        ok = found.verdict.action in ("inspect", "do_not_charge")
        marks.append(Mark(DANGER, truth.faults[0][1], float(ok), f"{truth.faults[0]}: {found.verdict.action}"))
    if truth.sensor not in ("good", "none"):
        check = found.profile_check
        lines = tuple(check.lines) if check else ()
        marks.append(Mark(SENSOR, truth.sensor, float(bool(lines)), f"{lines}"))
    return marks


def _shows(session: Session, truth: Truth) -> bool:
    """Whether a group that drains at rest has moved at all: on a flat curve it does not for hours."""
    if not truth.faults or truth.faults[0][1] not in ("self_discharge", "stuck_bleeder"):
        return True
    away = session.volts_v[:, truth.faults[0][0] - 1] - np.median(session.volts_v, axis=1)
    part = max(1, len(away) // 20)
    return bool(abs(away[-part:].mean() - away[:part].mean()) >= _DRAINS_V)


@contextmanager
def _curve_taken_out(paper: str, known: bool) -> Iterator[None]:
    kept = charge_curve.CURVES
    family = CHEMISTRIES[paper_of(paper).chemistry].curve_family
    its = {curve for c in CHEMISTRIES.values() if c.curve_family == family for curve in c.curves}
    # Of iron phosphate, sodium and titanate the tool has one curve only: it stays.
    if not known and len(its) > 1:
        charge_curve.CURVES = tuple(name for name in kept if name != paper_of(paper).curve)
    try:
        yield
    finally:
        charge_curve.CURVES = kept


def _faults_of(truth: Truth, group: int) -> list[str]:
    return [cause for g, cause, _ in truth.faults if g == group]


def _truly(truth: Truth, w: Weakness) -> bool:
    """Whether the cause is the group's: injected, or a departure of its kind that far out, to the same side."""
    if w.cause in CAUSES:
        departure = truth.departures[w.group - 1][CAUSES.index(w.cause)]
        same_side = departure * _signed(w)[0] > 0
    else:
        departure, same_side = 0.0, True
    injected = _faults_of(truth, w.group)
    if injected:
        return same_side and any(w.cause in _FAIR[cause] for cause in injected)
    return same_side and w.cause in CAUSES and abs(departure) >= _TRULY_OUT * _SCATTER[CAUSES.index(w.cause)]


def _signed(w: Weakness) -> tuple[float, float, float]:
    """Size and its interval as departures: of capacity the report says how much is missing."""
    if w.cause == "low_capacity":
        return -w.size, -w.size_high, -w.size_low
    return w.size, w.size_low, w.size_high


def _said(w: Weakness, truth: Truth) -> str:
    return (
        f"group {w.group} {w.cause} {w.size:+.1f} [{w.size_low:.1f}, {w.size_high:.1f}] {w.unit} at {w.confidence:.2f},"
        f" true {truth.departures[w.group - 1]}, put in {_faults_of(truth, w.group)}"
    )


def _causes(found: Findings, truth: Truth) -> list[Mark]:
    marks, accused = [], []
    for w in found.weakness:
        if w.cause == "cannot_tell" or w.within_scatter:
            continue
        right = _truly(truth, w)
        if right and w.cause in CAUSES:
            true = truth.departures[w.group - 1][CAUSES.index(w.cause)]
            _, low, high = _signed(w)
            marks.append(Mark(SIZES, w.cause, float(low <= true <= high), _said(w, truth)))
        if w.confidence < CONFIDENT:
            continue
        if w.cause == "meter_offset":
            off = abs(w.size - truth.departures[w.group - 1][0])
            row = METER if not truth.ride and truth.ended != "none" else METER_RIDE
            marks.append(Mark(row, truth.sensor, float(off <= _METER_WITHIN_MV), _said(w, truth)))
            accused += [w] if off > _METER_WITHIN_MV else []
        else:
            marks.append(Mark(OTHER, w.cause, float(right), _said(w, truth)))
            accused += [] if right else [w]
    if not truth.faults:
        marks.append(Mark(HEALTHY, truth.sensor, float(not accused), "; ".join(_said(w, truth) for w in accused)))
    return marks


def _named(found: Findings, truth: Truth) -> list[Mark]:
    marks = []
    for group, cause, size in truth.faults:
        if cause in CAUSES and abs(size) < _TRULY_OUT * _SCATTER[CAUSES.index(cause)]:
            continue  # within what production may do
        of = [w for w in found.weakness if w.group == group]
        named = any(w.cause in _FAIR[cause] and not w.within_scatter for w in of)
        said = "; ".join(_said(w, truth) for w in of) or "nothing"
        marks.append(Mark(NAMED, cause, float(named), f"group {group} {cause} {size:+.1f}: {said}"))
    return marks


def _balancing(found: Findings, truth: Truth, session: Session) -> list[Mark]:
    b, rule = found.balancing, truth.rule + (", shared leads" if truth.shared_leads else "")
    said = f"{b.answer} {_hours(b.remaining_s)} [{_hours(b.remaining_low_s)}, {_hours(b.remaining_high_s)}] h"
    said += f", true {truth.answer} {_hours(truth.remaining_s)} h, spread {truth.spread_end_mv} mV"
    marks = []
    if truth.answer == "none" and truth.light_off and truth.ended in ("full", "ended_uneven", "charger_low"):
        marks.append(Mark(AFTER_LIGHT, rule, float(b.answer != "time" or not b.remaining_s), said))
    if truth.answer == "even":
        asks = b.answer != "none" and (b.remaining_s or (np.inf if b.answer != "time" else 0.0)) > 1800.0
        marks.append(Mark(EVEN, rule, float(not asks), said))
    if truth.answer in ("never", "over_24_h") and b.answer != "none":
        marks.append(Mark(NEVER, rule, float(b.answer in ("never", "over_24_h")), said))
    if truth.answer == "time" and truth.remaining_s is not None:
        told = b.answer != "none" and b.state != "not_reached"
        marks.append(Mark(SILENT, rule, float(not told), said))
        # Said of an instant before the last scan.
        later_s = session.duration_s - b.at_s if b.at_s is not None else 0.0
        marks += _time(b, rule, truth.remaining_s + later_s, said) if told else []
    return marks


def _time(b: Balancing, rule: str, true_s: float, said: str) -> list[Mark]:
    if b.answer == "never":
        return [Mark(TIME, rule, 0.0, said)]
    low = -np.inf if b.remaining_low_s is None else b.remaining_low_s
    high = np.inf if b.remaining_high_s is None else b.remaining_high_s
    bounded = b.remaining_low_s is not None or b.remaining_high_s is not None
    inside = (low <= true_s <= high) if bounded else b.answer == "over_24_h" and true_s > 0.75 * 86400.0
    marks = [Mark(TIME, rule, float(inside), said)]
    if b.remaining_s and true_s > 600.0:
        marks.append(Mark(LOG, rule, float(abs(np.log(b.remaining_s / true_s))), said))
    if b.remaining_low_s and b.remaining_high_s:
        marks.append(Mark(WIDTH, rule, float(b.remaining_high_s / b.remaining_low_s)))
    return marks


def _hours(seconds: float | None) -> str:
    return "-" if seconds is None else f"{seconds / 3600.0:.2f}"


def _end(found: Findings, truth: Truth) -> list[Mark]:
    ended = found.charge.ended
    if truth.ended in (None, "none"):
        return []
    told = ended not in ("none", "cannot_tell")
    marks = [Mark(END_SILENT, truth.ended, float(not told))]
    if told:
        causes = set(found.charge.cause_groups)
        right = ended == truth.ended and (not truth.end_groups or bool(set(truth.end_groups) & causes))
        right |= ended == truth.ended_too
        said = f"{ended} {found.charge.cause_groups}, true {truth.ended} {truth.end_groups} or {truth.ended_too},"
        said += f" light {truth.light_a:.2f} A"
        marks.append(Mark(END, truth.ended, float(right), said))
    return marks


def _reserve(found: Findings, truth: Truth) -> list[Mark]:
    if truth.reserve_soc is None:
        return []
    r, sensor = found.reserve, truth.sensor
    marks = [Mark(RESERVE_SILENT, sensor, float(r is None))]
    if r is not None:
        said = f"{r.lowest_soc_at_full_load:.3f} [{r.soc_low:.3f}, {r.soc_high:.3f}] group {r.group},"
        said += f" true {truth.reserve_soc:.3f} group {truth.reserve_group}"
        marks.append(Mark(HOPEFUL, sensor, float(r.lowest_soc_at_full_load >= truth.reserve_soc - 0.03), said))
        marks.append(Mark(RESERVE, sensor, float(r.soc_low <= truth.reserve_soc <= r.soc_high), said))
    return marks
