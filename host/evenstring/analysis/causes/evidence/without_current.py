"""Evidence on each group without a current sensor: the string's own sag stands in for the current (see `sag`).

Charge, capacity and meter come from a constant-current charge: the charge moved grows with time alone, and how much of
the capacity that was is read from the curve. Resistance comes from the ratios of sags. What comes out is relative:
resistance as a multiple of the median group's, charge and capacity in shares, never ohms or ampere-hours. What rests on
the curve alone is less sure by `_CURVE_SHARE`, and on a flat curve charge and capacity are not claimed at all.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from evenstring.analysis.causes.catalogue import SCALE_U
from evenstring.analysis.causes.evidence.estimates import (
    AT_ONCE_S,
    CAPACITY,
    CHARGE,
    RESISTANCE,
    Evidence,
    gather,
    nothing_known,
)
from evenstring.analysis.causes.evidence.relative_sag import implied_rate, relative_resistance, resistance_by_charger
from evenstring.analysis.causes.evidence.rests import SeenAtRest, with_rests
from evenstring.analysis.causes.evidence.shifts import Shifts, with_shifts
from evenstring.analysis.results import Phase
from evenstring.analysis.series.rows_of_phase import between, rows_in
from evenstring.analysis.series.signals import make_signals
from evenstring.ocv import default_curve
from evenstring.profile import PackProfile
from evenstring.session import Session

__all__ = ["BLIND_NOTE", "Blind", "gather_blind"]

BLIND_NOTE = "no current sensor: against the median group only, charge and capacity by the assumed curve"
# Of a charge or capacity: the depth moved is the curve's word alone: tuned on own packs under 100,000
_CURVE_SHARE = 0.15
F64 = NDArray[np.float64]

_LEAST_DEPTH = 0.15  # of the capacity charged, or nothing is told of charge: our choice
_SCALE_U = (*SCALE_U[:3], 0.25)  # of sags whose loads are not known, more than of steps: tuned on cells of others
_EVERY_S = 6.0  # one scan in so many seconds: our choice
_RELAXED_S = 1500.0  # after a load: left out: tuned on own packs under 100,000
# Of an extra resistance at once: how far the extra over minutes of charge may differ: tuned on own packs under
# 100,000
_SLOW_SHARE = 0.25
# Of SoC: a recording that begins here counts charge from its beginning, others from the top: our choice
_NEAR_FULL = 0.75
_FLAT_V = 0.25  # V per 1.0 of SoC: our choice


@dataclass(frozen=True, slots=True, eq=False)
class Blind:
    """Evidence, and what it cannot tell with the reason; `why_not` is empty when nothing is missing."""

    evidence: Evidence | None
    why_not: str


def gather_blind(
    session: Session,
    profile: PackProfile,
    phases: tuple[Phase, ...],
    rests: tuple[SeenAtRest, ...],
    shifts: Shifts | None = None,
) -> Blind:
    """Evidence of a session without a current sensor; `rests`: all of its rests; `shifts`: on a flat curve."""
    if session.scans < 100 or session.groups < 4:
        return Blind(None, "the recording is too short")
    evidence, why_not = _of_charge(session, profile, phases)
    evidence = with_rests(evidence or _of_rests_alone(session.groups, rests), rests)
    evidence = with_shifts(evidence, shifts)
    if evidence.depth >= _LEAST_DEPTH:
        why_not = ""
    by_load = relative_resistance(session)
    late = by_load is None or float(np.median(np.diff(session.time_s))) > AT_ONCE_S
    found = by_load or resistance_by_charger(session, phases)
    evidence = replace(_with_resistance(evidence, found), late=late)
    missing = [why_not] if why_not else []
    if not evidence.has_steps:
        missing.append("resistance is not told (the load hardly changed)")
    return Blind(evidence, "; ".join(missing))


def _of_rests_alone(groups: int, rests: tuple[SeenAtRest, ...]) -> Evidence:
    """Nothing yet, counted from the first rest: the depth is between the rests."""
    telling = [rest for rest in rests if rest.tells_charge]
    nothing = nothing_known(groups)
    if not telling:
        return nothing
    seen_mv = np.nan_to_num(np.array([rest.away_mv for rest in telling]))
    socs = [rest.soc for rest in telling]
    return replace(
        nothing, soc0=socs[0], depth=float(np.ptp(socs)), seen_mv=np.stack([seen_mv.min(axis=0), seen_mv.max(axis=0)])
    )


def _of_charge(session: Session, profile: PackProfile, phases: tuple[Phase, ...]) -> tuple[Evidence | None, str]:
    """Meter, charge and capacity from the longest constant-current charge and the relaxed rest before it.

    There the charge moved grows with time alone, whatever the current is; in a ride the stand-in is not good enough.
    """
    charges = [k for k, p in enumerate(phases) if p.kind == "charge_cc"]
    if not charges:
        return None, "charge, capacity and meter are not told apart (no constant-current charge was recorded)"
    signals = make_signals(session)
    implied = implied_rate(signals, profile, phases)
    if implied is None:
        return None, "charge, capacity and meter are not told apart (the recording is too short)"
    at = max(charges, key=lambda k: phases[k].end_s - phases[k].start_s)
    cc = phases[at]
    inside = rows_in(signals.time_s, cc)
    low, high = (float(x) for x in np.quantile(implied.soc[inside], [0.0, 1.0])) if inside.any() else (0.0, 0.0)
    if high - low < _LEAST_DEPTH:
        return None, f"charge, capacity and meter are not told apart (only {high - low:.0%} was charged)"
    slope = default_curve(profile.chemistry).slope_v(np.linspace(low, high, 50))
    if float(np.median(slope)) < _FLAT_V:
        return None, "charge and capacity are not told (the curve is flat: its voltage does not say how much was moved)"
    rate = implied.rate_c.copy()
    rate[inside] = rate[inside].mean()
    before = phases[at - 1] if at and phases[at - 1].kind == "rest" else cc
    first = min(before.start_s + _RELAXED_S, cc.start_s)  # what a load leaves behind is not in the stand-in
    last = next((p.end_s for p in phases[at + 1 : at + 2] if p.kind == "charge_cv"), cc.end_s)
    keep = between(session.time_s, first, last) & _every(session.time_s, _EVERY_S)
    amps = np.interp(session.time_s, signals.time_s, rate * profile.capacity_ah)
    evidence = gather(_part(session, keep, amps), profile)
    if evidence is None:
        return None, "too little of the charge lies below its top"
    begin = float(np.interp(first, signals.time_s, implied.soc))
    start = float(implied.soc[0])
    top = start if start > _NEAR_FULL else high
    return _less_sure(_counted_from(evidence, begin - top)), ""


def _every(t: NDArray[np.float64], step_s: float) -> NDArray[np.bool_]:
    """One scan in `step_s`: the current stands in for one only over times far longer than a scan."""
    return np.diff(np.floor(t / step_s), prepend=-1.0) > 0


def _counted_from(evidence: Evidence, moved: float) -> Evidence:
    """Charge as it was before `moved` (a share of the capacity) went in: a small group is low only when empty."""
    change = np.eye(4)
    change[CHARGE, CAPACITY] = moved
    covariance = np.einsum("ij,gjk,lk->gil", change, evidence.covariance, change)
    soc0 = float(np.clip(evidence.soc0 - moved, 0.0, 1.0))
    return replace(evidence, size=evidence.size @ change.T, covariance=covariance, soc0=soc0)


def _part(session: Session, keep: NDArray[np.bool_], amps: NDArray[np.float64]) -> Session:
    """These scans alone, with this current."""
    return replace(
        session,
        time_s=session.time_s[keep],
        volts_v=session.volts_v[keep],
        quality=session.quality[keep],
        span_s=session.span_s[keep],
        out_back_v=None if session.out_back_v is None else session.out_back_v[keep],
        current_a=amps[keep].astype(np.float32),
        current_out_a=None,
        current_back_a=None,
        pack_v=None,
        temps_c=None,
        folded=None,
    )


def _with_resistance(evidence: Evidence, found: tuple[F64, F64] | None) -> Evidence:
    """The sags' ratios, joined to what the charge tells: there a resistance and the meter look much alike."""
    nothing = np.full(len(evidence.size), np.nan)  # joint or cell shows in slow against fast: the slow is not known
    if found is None:
        return replace(evidence, slow_share=nothing, has_steps=False)
    seen, u = 100.0 * (found[0] - 1.0), 100.0 * found[1]
    own = evidence.covariance[:, :, RESISTANCE]  # (g, 4), of each figure with the resistance
    like = np.hypot(u, _SLOW_SHARE * seen)
    gain = own / (own[:, RESISTANCE] + like**2)[:, None]
    size = evidence.size + gain * (seen - evidence.size[:, RESISTANCE])[:, None]
    covariance = evidence.covariance - gain[:, :, None] * own[:, None, :]
    size[:, RESISTANCE] = seen
    covariance[:, RESISTANCE, :] = covariance[:, :, RESISTANCE] = 0.0
    covariance[:, RESISTANCE, RESISTANCE] = u**2
    size -= np.median(size, axis=0)
    return replace(evidence, size=size, covariance=covariance, slow_share=nothing, has_steps=True, scale_u=_SCALE_U)


def _less_sure(evidence: Evidence) -> Evidence:
    covariance = evidence.covariance.copy()
    for k in (CHARGE, CAPACITY):
        covariance[:, k, k] += (_CURVE_SHARE * evidence.size[:, k]) ** 2
    return replace(evidence, covariance=covariance)
