"""Charge and capacity on a flat curve, from when each group passes the same places of a charge.

On iron phosphate's plateau volts say nothing of charge, but the plateau has a step and an end (the stages of graphite:
J. Dahn, Phys. Rev. B 44, 1991), and under one current all groups pass them in the same way, sooner or later. A group
that lacks charge draws the median group's course later; one that holds less draws it quicker. No curve is needed.

The course is compared over a grid of both; what a group always reads above it, by its meter or its resistance, is free.
Each place of the grid weighs by its likelihood, so a course that would lie elsewhere as well tells little.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from evenstring.analysis.causes.evidence.estimates import CAPACITY, CHARGE, Evidence
from evenstring.analysis.results import Phase, Weakness
from evenstring.analysis.series.charge_moved import charge_moved_ah, charge_or_label_ah
from evenstring.analysis.series.rows_of_phase import between
from evenstring.chemistry import CHEMISTRIES
from evenstring.profile import PackProfile
from evenstring.session import Session

__all__ = ["Shifts", "no_surer_than_courses", "shifts_seen", "with_shifts"]

F64 = NDArray[np.float64]

_SETTLE_S = 300.0  # after the begin of the charge: left out: our choice
_STEADY = 0.15  # of the current, by which it may go up and down, or the volts do by themselves: our choice
_LEAST_MOVED, _LEAST_COMMON = 0.06, 0.04  # of the capacity, charged, and under both courses: our choice
_BIN, _LEAST_BINS = 0.004, 15  # of the capacity; means over it: our choice
# Departures that are tried, of the capacity: in charge at the begin, and in capacity as what goes in more quickly
_CHARGES = np.arange(-0.20, 0.0801, 0.0025)  # our choice
_CAPACITIES = np.arange(-0.06, 0.3001, 0.02)  # our choice
_HEALTHY_CHARGE, _HEALTHY_CAPACITY = 0.01, 0.025  # of groups in order, which show what is left over: our choice
# What is left over in V, at the least, and where the curve is steep, by an error of the place in charge: our choice
_LEAST_LEFT_V, _PLACE_U = 0.0005, 0.003
_UNEXPLAINED = 2.0  # times what is usually left over, of a part that courses do not share: our choice
_LIKELY = 0.75  # the highest confidence that is stated: our choice
_NOT_THERE = 1e3  # where courses share too little: our choice
_ALIKE = 0.015  # of the capacity: what is left over stays alike so long: our choice
_BELIEVED = 0.06, 0.08  # what departures are believed before looking: hardly anything: our choice
# %, of charge in the middle of the way and of capacity, beside what the grid tells: tuned on published cells
_LEAST_U = 0.15, 0.8
_SENSOR_U, _LABEL_U = 0.12, 0.2  # relative, of the charge moved: by the sensor, and by the charger's label: our choice


@dataclass(frozen=True, slots=True, eq=False)
class Shifts:
    """(g, 2) departures in charge at the begin of the course and in capacity, %, with (g, 2, 2) covariance.

    `moved`: by the begin, share of the capacity since the session's start; None without a current sensor, then charge
    is counted from there. `depth`: share charged. `relative_u`: standard uncertainty of all sizes at once.
    """

    size: F64
    covariance: F64
    moved: float | None
    depth: float
    relative_u: float


def with_shifts(evidence: Evidence, shifts: Shifts | None) -> Evidence:
    """Evidence, and that of its looks in doubt, with charge and capacity as the courses of a charge tell them.

    By the volts of a flat curve they are hardly known.
    """
    if shifts is None:
        return evidence
    back = np.array([[1.0, shifts.moved or 0.0], [0.0, 1.0]])  # a smaller group is lower by its share of what went out
    size, covariance = shifts.size @ back.T, back @ shifts.covariance @ back.T
    blind = shifts.moved is None
    return replace(
        _with(evidence, size, covariance, shifts.relative_u),
        depth=max(evidence.depth, shifts.depth),
        soc0=1.0 - shifts.depth if blind else evidence.soc0,  # on a flat curve a charge goes on to its steep end
        doubted=tuple(_with(look, size, covariance, shifts.relative_u) for look in evidence.doubted),
    )


def _with(evidence: Evidence, of_both: F64, covariance_of_both: F64, relative_u: float) -> Evidence:
    size, covariance = evidence.size.copy(), evidence.covariance.copy()
    both = [CHARGE, CAPACITY]
    size[:, both] = of_both
    covariance[:, both, :] = 0.0
    covariance[:, :, both] = 0.0
    covariance[:, CHARGE : CAPACITY + 1, CHARGE : CAPACITY + 1] = covariance_of_both
    scale = (evidence.scale_u[0], relative_u, relative_u, evidence.scale_u[3])
    return replace(evidence, size=size - np.median(size, axis=0), covariance=covariance, scale_u=scale)


def no_surer_than_courses(w: Weakness) -> Weakness:
    """The statement; of charge or capacity no surer than likely: a course may look like another by chance."""
    by_course = w.cause in ("charge_offset", "low_capacity")
    return replace(w, confidence=min(w.confidence, _LIKELY)) if by_course else w


def shifts_seen(session: Session, profile: PackProfile, phases: tuple[Phase, ...]) -> Shifts | None:
    """Of the longest constant-current charge; None on curves that volts tell of, or where too little was charged."""
    charges = [p for p in phases if p.kind == "charge_cc"]
    if not CHEMISTRIES[profile.chemistry].judged_by_charge or not charges or session.groups < 4:
        return None
    longest = max(charges, key=lambda p: p.end_s - p.start_s)
    rows = np.flatnonzero(
        between(session.time_s, longest.start_s + _SETTLE_S, longest.end_s) & np.isfinite(session.volts_v).all(axis=1)
    )[:-1]  # the last may lie half in the rest after it
    moved = _moved(session, profile, rows)
    if moved is None or np.ptp(moved) < _LEAST_MOVED:
        return None
    course = _course(moved, session.volts_v[rows].astype(np.float64))
    if course is None:
        return None
    known = session.current_a is not None
    begin = float(course[0][0]) if known else None
    return Shifts(*_placed(*course), begin, float(np.ptp(moved)), _SENSOR_U if known else _LABEL_U)


def _moved(session: Session, profile: PackProfile, rows: NDArray[np.intp]) -> F64 | None:
    """Charge moved by each row, as a share of the capacity, since the session's start, or by the label since the first.

    None where it is not known, and where the current steps: there volts step by themselves.
    """
    if len(rows) < _LEAST_BINS:
        return None
    if session.current_a is None:
        moved_ah = charge_or_label_ah(session.time_s[rows], None, profile.charger_current_a)
        return None if moved_ah is None else moved_ah / profile.capacity_ah
    amps = np.nan_to_num(session.current_a[rows].astype(np.float64))
    usual = float(np.median(amps))
    if usual <= 0.0 or float(np.mean(np.abs(amps - usual) > _STEADY * usual)) > _STEADY:
        return None
    return np.asarray(charge_moved_ah(session.time_s, session.current_a)[rows] / profile.capacity_ah)


def _course(moved: F64, volts_v: F64) -> tuple[F64, F64] | None:
    """(b,) charge moved and (b, g) volts, as means over equal charges."""
    place = np.floor((moved - moved[0]) / _BIN).astype(np.int64)
    first = np.flatnonzero(np.diff(place, prepend=-1) > 0)
    if len(first) < _LEAST_BINS:
        return None
    count = np.diff(np.append(first, len(moved)))
    return np.add.reduceat(moved, first) / count, np.add.reduceat(volts_v, first, axis=0) / count[:, None]


def _placed(moved: F64, volts_v: F64) -> tuple[F64, F64]:
    """(g, 2) departures in charge at the begin and in capacity, %, and their covariance: moments over the grid."""
    median_v = np.median(volts_v, axis=1)
    charges, capacities = (x.ravel() for x in np.meshgrid(_CHARGES, _CAPACITIES, indexing="ij"))
    since = moved - moved[0]
    at = since * (1.0 + capacities[:, None]) + charges[:, None]  # (k, b) where the median group stood then
    common = (at >= 0.0) & (at <= since[-1])
    share = common.mean(axis=1)
    expected = np.interp(at, since, median_v)
    u_v = np.hypot(_LEAST_LEFT_V, _PLACE_U * np.gradient(volts_v, since, axis=0))
    left = np.array([_left(v - expected, common, u) for v, u in zip(volts_v.T, u_v.T, strict=True)])  # (g, k)
    left[:, share * since[-1] < _LEAST_COMMON] = _NOT_THERE
    healthy = (np.abs(charges) <= _HEALTHY_CHARGE) & (np.abs(capacities) <= _HEALTHY_CAPACITY)
    usual = max(float(np.median(left[:, healthy].min(axis=1))), 1.0)
    scale = np.maximum(left.min(axis=1), usual)[:, None]
    pieces = since[-1] / _ALIKE
    # Where the courses have no part in common a place explains nothing.
    log = -0.5 * pieces * (share * (left / scale) ** 2 + _UNEXPLAINED * (1.0 - share))
    log -= 0.5 * ((charges / _BELIEVED[0]) ** 2 + (capacities / _BELIEVED[1]) ** 2)
    weight = np.exp(log - log.max(axis=1, keepdims=True))
    weight /= weight.sum(axis=1, keepdims=True)
    both = 100.0 * np.stack([charges, 1.0 / (1.0 + capacities) - 1.0])  # (2, k)
    size = weight @ both.T
    away = both[None] - size[:, :, None]
    from_middle = np.array([[1.0, 0.5 * since[-1]], [0.0, 1.0]])
    least = from_middle @ np.diag(np.square(_LEAST_U)) @ from_middle.T
    return size, np.einsum("gk,gik,gjk->gij", weight, away, away) + least


def _left(away_v: F64, common: NDArray[np.bool_], u_v: F64) -> F64:
    """(k,) what (k, b) departures leave over beside one constant, root mean square over (b,) u where they are known."""
    weight = common / u_v**2
    total = np.maximum(weight.sum(axis=1), 1e-9)
    mean = (weight * away_v).sum(axis=1) / total
    squares = (weight * (away_v - mean[:, None]) ** 2).sum(axis=1)
    return np.asarray(np.sqrt(squares / np.maximum(common.sum(axis=1), 1)))
