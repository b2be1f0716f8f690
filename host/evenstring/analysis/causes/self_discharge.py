"""What only time shows: groups that lose charge by themselves between two rests, and what changed between recordings.

A leak is the change of a group's departure from one rest to a later one with no charge or ride between, over the slope
of the curve (rest-to-rest drift: Y. Barsukov, J. Qian, Battery Power Management for Portable Devices, Artech House
2013). The meter's constant offset cancels; relaxation that goes on, a change of temperature across the string and the
meter's own drift do not. A charge between would let the balancer hide a leak, so such pairs are not used.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from evenstring.analysis.causes.catalogue import CAUSES, UNITS, cause_of
from evenstring.analysis.causes.evidence.estimates import CAPACITY, RESISTANCE, gather
from evenstring.analysis.results import CauseKind, Change, Hazard, Leak, Phase, Weakness
from evenstring.analysis.series.arrays import median_group_v, robust_sigma
from evenstring.analysis.series.curve_slope import slope_at_level_v
from evenstring.profile import PackProfile
from evenstring.session import Session

__all__ = [
    "DRAINS", "RestLook", "drift_rates", "find_leaks", "named_leaks", "rest_look", "second_look", "told_leaks",
    "with_drains",
]  # fmt: skip

F64 = NDArray[np.float64]

_WEEK_S = 7 * 86400.0  # seven days: published (SI brochure, day)
_LEAST_APART_S = 2 * 86400.0  # between two looks, or a leak is not told: our choice
_RELAXED_S = 1800.0  # a rest from which charge is read: common practice
_MEAN_S = 600.0  # of a rest's end: our choice
_SAME_V = 0.010  # level of the string at both rests: a charge or a ride between moves it by more: our choice
_DRIFT_V = 0.0004  # meter and temperature across the string, between two rests: our choice
# What is left of the relaxation after half an hour, differing between groups; falls with time: our choice
_RELAX_V = 0.0010
# Of a cell, largest: published (V. Viswanathan et al., J. Power Sources 195 (2010) 3720, from memory)
_ENTROPIC_V_K = 0.0003
_UNEVEN_HEAT = 0.2  # share of a change of temperature in which groups of a string differ: our choice
_UNKNOWN_K = 5.0  # change of temperature where none was measured: our choice
_SCATTER = cause_of("self_discharge").scatter or 0.0  # % a week, healthy groups (standard deviation): common practice
_EFFECT = 0.8  # % a week, of a leaking group, typically: our choice
_PREVALENCE = 0.1  # share of packs with a leaking group, assumed: our choice
_SCALE = 0.1  # of a change: charge moved is only known as well as sensor and profile's capacity: our choice
_Z90 = 1.645  # standard uncertainties of a 90 % interval: published (normal distribution, 90 % two-sided)
_NOISE_V = 0.0005  # of a meter that states none: our choice
_FLAT_V = 0.2  # V per 1.0 of SoC: our choice
# Causes by which charge leaves a group at rest: our choice
DRAINS: tuple[CauseKind, ...] = ("self_discharge", "balancer_fault")
_FOLLOWS = ("charge_offset", "cannot_tell", "meter_offset")


@dataclass(frozen=True, slots=True, eq=False)
class RestLook:
    """The end of a relaxed rest: (g,) mean volts, when (s of its recording), relaxed for, readings, noise, degC."""

    volts_v: F64
    at_s: float
    relaxed_s: float
    readings: int
    noise_v: float
    temperature_c: float | None


def find_leaks(session: Session, profile: PackProfile, phases: tuple[Phase, ...]) -> tuple[Leak, ...] | None:
    """Groups that leak with a probability of one half or more, and None when no pair of rests can show it."""
    pair = _pair_of_rests(session, phases)
    if pair is None or session.groups < 4:
        return None
    early, late = (rest_look(session, rows, relaxed_s) for rows, relaxed_s in pair)
    found = drift_rates(early, late, late.at_s - early.at_s, profile)
    return None if found is None else named_leaks(*found, profile, (late.at_s - early.at_s) / 86400.0)


def rest_look(session: Session, rows: NDArray[np.bool_], relaxed_s: float) -> RestLook:
    """Means over some rows of a rest."""
    temps = None if session.temps_c is None else session.temps_c[rows]
    known = temps is not None and bool(np.isfinite(temps).any())
    part = session.volts_v[rows].astype(np.float64)
    known_v = np.isfinite(part)
    count = known_v.sum(axis=0)
    volts = np.where(count > 0, np.where(known_v, part, 0.0).sum(axis=0) / np.maximum(count, 1), np.nan)
    return RestLook(
        volts_v=np.asarray(volts),
        at_s=float(session.time_s[rows].mean()),
        relaxed_s=relaxed_s,
        readings=int(rows.sum()),
        noise_v=session.meter.noise_v or _NOISE_V,
        temperature_c=round(float(np.nanmean(temps)), 1) if temps is not None and known else None,
    )


def drift_rates(early: RestLook, late: RestLook, apart_s: float, profile: PackProfile) -> tuple[F64, float] | None:
    """(g,) loss of charge against the median group, % of capacity a week, and its standard uncertainty.

    A change of temperature moves all cells' voltages alike (entropic term); what differs between groups that are not
    equally warm stays, and is in the uncertainty. None where the curve is too flat.
    """
    slope = slope_at_level_v(profile, float(np.nanmedian(late.volts_v)))
    if slope < _FLAT_V:
        return None
    drift = late.volts_v - early.volts_v
    drift = drift - np.nanmedian(drift)
    weeks = apart_s / _WEEK_S
    noise = np.hypot(early.noise_v / np.sqrt(early.readings), late.noise_v / np.sqrt(late.readings))
    relaxed_s = min(early.relaxed_s, late.relaxed_s)
    warmer_k = (
        abs((late.temperature_c or 0.0) - (early.temperature_c or 0.0)) if _both_warm(early, late) else _UNKNOWN_K
    )
    heat = _ENTROPIC_V_K * _UNEVEN_HEAT * warmer_k
    u_v = float(np.sqrt(noise**2 + _DRIFT_V**2 + (_RELAX_V * _RELAXED_S / relaxed_s) ** 2 + heat**2))
    return -drift / slope * 100.0 / weeks, u_v / slope * 100.0 / weeks


def _both_warm(early: RestLook, late: RestLook) -> bool:
    return early.temperature_c is not None and late.temperature_c is not None


def named_leaks(rate: F64, u: float, profile: PackProfile, days: float) -> tuple[Leak, ...]:
    """The groups whose loss stands out, with the probability that it is a leak."""
    known = np.nan_to_num(rate)
    own = float(robust_sigma(known - np.median(known)))
    healthy = max(float(np.hypot(_SCATTER, u)), min(own, 3.0 * _SCATTER))
    leaking = float(np.hypot(healthy, max(_EFFECT, float(known.max()) / 2)))
    log_odds = 0.5 * known**2 * (1 / healthy**2 - 1 / leaking**2) - np.log(leaking / healthy)
    log_odds = np.where(known > 0, log_odds + np.log(2.0), -np.inf) + np.log(_PREVALENCE / len(known))
    chance = 1.0 / (1.0 + np.exp(-np.clip(log_odds, -50.0, 50.0)))
    bleed = 0.1 * profile.bleed_ma * 7 * 24 / profile.capacity_ah  # % a week of a bleeder that never stops
    found = [
        Leak(int(k) + 1, round(float(known[k]), 3), round(u, 3), round(min(float(chance[k]), 0.99), 3),
             bool(known[k] > 0.5 * bleed), round(days, 2))
        for k in np.argsort(-chance) if chance[k] >= 0.5
    ]  # fmt: skip
    return tuple(found)


def _pair_of_rests(
    session: Session, phases: tuple[Phase, ...]
) -> tuple[tuple[NDArray[np.bool_], float], tuple[NDArray[np.bool_], float]] | None:
    """Rows at the end of an early and a late relaxed rest with nothing but rest or silence between."""
    t = session.time_s
    rests: list[tuple[float, float, int]] = []  # end of the look, relaxed for, index of the phase
    for k, p in enumerate(phases):
        if p.kind == "rest" and p.end_s - p.start_s >= _RELAXED_S:
            if p.end_s - p.start_s >= _LEAST_APART_S:  # one long rest: its beginning, once relaxed, is a look too
                rests.append((p.start_s + 2 * 3600.0, 2 * 3600.0, k))
            rests.append((p.end_s, p.end_s - p.start_s, k))
    best = None
    for early in rests:
        for late in rests:
            apart = late[0] - early[0]
            between = {p.kind for p in phases[early[2] : late[2] + 1]}
            if apart < _LEAST_APART_S or not between <= {"rest", "unknown"}:
                continue
            looks = [((t > r[0] - _MEAN_S) & (t <= r[0]), r[1]) for r in (early, late)]
            if min(rows.sum() for rows, _ in looks) < 3 or (best is not None and apart <= best[0]):
                continue
            levels = [float(np.median(median_group_v(session.volts_v[rows]))) for rows, _ in looks]
            if abs(levels[0] - levels[1]) < _SAME_V:
                best = (apart, looks[0], looks[1])
    return None if best is None else (best[1], best[2])


def told_leaks(session: Session, profile: PackProfile, phases: tuple[Phase, ...]) -> tuple[Weakness, ...]:
    """Groups that lost charge by themselves between two rests of a recording, as statements."""
    out = []
    for leak in find_leaks(session, profile, phases) or ():
        half = _Z90 * leak.u_percent_per_week
        cause: CauseKind = "balancer_fault" if leak.by_balancer else "self_discharge"
        detail = f"from two rests {leak.days:.1f} days apart with no charge between"
        if leak.by_balancer:
            detail += "; as much as a bleeder takes that never stops"
        size = leak.percent_per_week
        low, high = round(size - half, 3), round(size + half, 3)
        chances: tuple[tuple[CauseKind, float], ...] = ((cause, leak.confidence),)
        unit, sure = cause_of(cause).unit, leak.confidence
        out.append(Weakness(leak.group, cause, size, unit, sure, low, high, sure, detail, chances))
    return tuple(out)


def second_look(early: Session, late: Session, profile: PackProfile) -> tuple[Change, ...] | None:
    """How each group's capacity and resistance moved against the median group between two recordings of one pack.

    Only changes whose 90 % interval leaves out zero. Both recordings need the current; None when one shows too little.
    """
    if early.groups != late.groups:
        return None
    looks = [gather(early, profile), gather(late, profile)]
    if looks[0] is None or looks[1] is None:
        return None
    changes = looks[1].size - looks[0].size
    u = np.sqrt(np.einsum("gkk->gk", looks[0].covariance + looks[1].covariance))
    out = []
    for k in (CAPACITY, RESISTANCE):
        for g in np.flatnonzero(np.abs(changes[:, k]) > _Z90 * u[:, k]):
            middle = float(changes[g, k])
            half = float(np.hypot(_Z90 * u[g, k], _SCALE * middle))
            change = Change(int(g) + 1, CAUSES[k], round(middle, 3), round(middle - half, 3), round(middle + half, 3),
                            UNITS[k])  # fmt: skip
            out.append(change)
    return tuple(sorted(out, key=lambda c: -abs(c.change)))


def with_drains(
    weakness: tuple[Weakness, ...], hazards: tuple[Hazard, ...], profile: PackProfile
) -> tuple[Weakness, ...]:
    """All statements, and of each group that was seen to drain at rest that it loses charge: once.

    What it had lost by then shows as less charge, or as a departure without a cause.
    """
    told = {w.group for w in weakness if w.cause in DRAINS}
    new = {h.group: _of_drain(h, h.group, profile) for h in hazards if h.kind == "drains_at_rest" and h.unit == "mA"
           and h.group is not None and h.group not in told}  # fmt: skip
    kept = [w for w in weakness if w.group not in new or w.cause not in _FOLLOWS]
    return tuple(sorted((*new.values(), *kept), key=lambda w: -w.confidence))


def _of_drain(h: Hazard, group: int, profile: PackProfile) -> Weakness:
    per_ma = 0.1 * 7 * 24 / profile.capacity_ah  # % a week
    size, low, high = (round(per_ma * ma, 3) for ma in (h.size, h.size_low, h.size_high))
    detail = (
        f"fell by {h.seen_mv or 0.0:.0f} mV in {h.hours or 0.0:.1f} h at rest: a leak, or a bleeder that is stuck on"
    )
    chances: tuple[tuple[CauseKind, float], ...] = (("self_discharge", h.confidence),)
    unit = cause_of("self_discharge").unit
    return Weakness(group, "self_discharge", size, unit, h.confidence, low, high, h.confidence, detail, chances)
