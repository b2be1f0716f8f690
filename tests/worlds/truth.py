"""What was true in a random session, by the words of the report; None where the truth lies too near a decision."""

from __future__ import annotations

import numpy as np
from evenstring.analysis.charging.charge_end import near_full_v
from evenstring.analysis.series.rest import rest_current_a
from evenstring.sim import TruePhase

from tests.worlds.packs import GAIN, OFFSET_V
from tests.worlds.sessions import Case

__all__ = [
    "NEAR_V",
    "SHORT_CV_S",
    "STEP_V",
    "absolute_u_v",
    "end_step_v",
    "extremes_v",
    "is_balanced",
    "true_charger",
    "true_end",
    "true_phases",
    "true_spread_mv",
]

NEAR_V = 0.008  # two standard uncertainties of the meter: truths nearer to a decision than this are not marked
STEP_V = 3e-4  # three sigma of the pack sum, as a group's mean: ends that leave a smaller step do not show
_STEP_S, _SETTLED_S = 30.0, 4.0  # means on both sides; the board takes a row or two to follow
SHORT_CV_S = 30.0  # as long as a boundary may be off
_SET_BAND_V = 0.010  # a group: the band in which a set point counts as right


def absolute_u_v(volts: float) -> float:
    """Standard uncertainty of one group's reading against the volt."""
    return float(np.hypot(OFFSET_V / np.sqrt(3.0), GAIN * volts))


def true_phases(case: Case) -> list[tuple[str, float, float]]:
    """Phases by the words of the report: held without current is rest; flicker between cc and cv is the first cv."""
    joined: list[list] = []
    for p in case.trajectory.phases:
        kind = "rest" if p.kind in ("held", "rest") else p.kind
        if joined and joined[-1][0] == "charge_cv" and kind == "charge_cc" and p.end_s - p.start_s < 60:
            kind = "charge_cv"
        if kind == "charge_cv" and p.end_s - p.start_s < SHORT_CV_S:
            kind = "charge_cc"  # cut within seconds of reaching the voltage
        if kind == "ride":
            begin, end = _in_motion(case, p)
            if joined:
                joined[-1][2] = begin
            joined.append([kind, begin, end])
            continue
        if joined and joined[-1][0] == kind:
            joined[-1][2] = p.end_s
        else:
            joined.append([kind, joined[-1][2] if joined else p.start_s, p.end_s])
    return [(k, a, b) for k, a, b in joined]


def _in_motion(case: Case, ride: TruePhase) -> tuple[float, float]:
    """When a ride's current first and last is more than what counts as rest: a rider who stands still rests."""
    t = case.trajectory
    a, b = np.searchsorted(t.time_s, [ride.start_s, ride.end_s])
    moving = np.flatnonzero(np.abs(t.current_a[a:b]) > rest_current_a(case.profile))
    if not len(moving):
        return ride.start_s, ride.end_s
    return float(t.time_s[a + moving[0]]), float(t.time_s[min(a + moving[-1] + 1, b)])


def end_step_v(case: Case, at_s: float) -> float:
    """The step of the pack sum, as a group's mean, that stays when the charger goes, and is the charger's.

    No more than the drop of its current just before: what else changes then are bleeders. Less where a board stops
    bleeding with the charger, for then the cells' own current hardly changes.
    """
    t = case.trajectory
    drop = abs(float(np.interp(at_s - 5.0, t.time_s, t.current_a))) * float(np.median(t.pack.r0_ohm))
    level = t.volts_v.mean(axis=1)
    before = (t.time_s > at_s - _STEP_S) & (t.time_s < at_s - _SETTLED_S)
    after = (t.time_s > at_s + _SETTLED_S) & (t.time_s < at_s + _STEP_S)
    if not before.any() or not after.any():
        return drop
    return min(drop, abs(float(level[before].mean() - level[after].mean())))


def true_end(case: Case) -> tuple[str, set[int]] | None:
    """How the charge ended and by which groups, from true voltages."""
    charges = [p for p in case.trajectory.phases if p.kind.startswith("charge")]
    if not charges:
        return "none", set()
    last = charges[-1]
    t = case.trajectory
    at = int(np.searchsorted(t.time_s, last.end_s - 1e-6))
    volts = t.volts_v[max(0, at - 1)]
    if last.ended == "ceiling":
        alone = np.sort(volts)[-2] <= volts.max() - NEAR_V
        return ("stopped_early", {int(volts.argmax()) + 1}) if alone else None
    if last.ended == "unplugged" and _hidden(case, last, volts):
        return None
    if last.ended == "still_connected" or last.kind == "charge_cc":
        return "still_charging" if last.ended == "still_connected" else "stopped_before_cv", set()
    tapered = _tapered(case, charges, float(t.current_a[max(0, at - 1)]))
    if tapered is None:
        return None
    return _by_heights(case, volts) if tapered else ("interrupted_in_cv", set())


def _hidden(case: Case, last: TruePhase, volts: np.ndarray) -> bool:
    """Whether nothing shows that the plug was pulled: a group near its ceiling by the meter, or no step in voltage."""
    near_ceiling = volts.max() > case.profile.ceiling_v - 4 * absolute_u_v(case.profile.ceiling_v)
    return bool(near_ceiling) or (not case.with_current and end_step_v(case, last.end_s) < STEP_V)


def _tapered(case: Case, charges: list[TruePhase], amps: float) -> bool | None:
    if case.with_current:
        near = abs(amps - case.profile.done_light_a) < 0.08 * case.profile.done_light_a + 0.05
        return None if near else amps <= case.profile.done_light_a
    held_s = charges[-1].end_s - next(p for p in charges if p.kind == "charge_cv").start_s
    return None if abs(held_s - 600.0) < 90.0 else held_s >= 600.0


def _by_heights(case: Case, volts: np.ndarray) -> tuple[str, set[int]] | None:
    border = near_full_v(case.profile)
    near_v = 3 * absolute_u_v(border)
    if abs(np.median(volts) - border) < near_v or abs(volts.min() - border) < near_v:
        return None
    if np.median(volts) < border:
        return "charger_low", set()
    return ("full", set()) if volts.min() >= border else ("ended_uneven", {int(volts.argmin()) + 1})


def true_spread_mv(case: Case, at_s: float) -> float:
    """At an instant of the session's clock."""
    t = case.trajectory
    return float(np.interp(at_s + case.first_s, t.time_s, t.spread_v)) * 1e3


def is_balanced(case: Case, at_s: float) -> bool | None:
    """Spread at or under 10 mV, iron phosphate: charge within 1 %; None within about two uncertainties of either."""
    t = case.trajectory
    if case.profile.chemistry == "lfp":
        row = int(np.clip(np.searchsorted(t.time_s, at_s + case.first_s - 1e-6), 0, len(t.time_s) - 1))
        gap = float(np.ptp(t.soc[row]))
        return None if 0.006 < gap < 0.016 else gap <= 0.01
    spread_mv = true_spread_mv(case, at_s - 1.0)
    return None if 5.0 < spread_mv < 15.0 else spread_mv <= 10.0


def true_charger(case: Case) -> str:
    """How the charger is set: right within 10 mV a group."""
    away = case.trajectory.pack.set_v / case.trajectory.pack.groups - case.profile.full_v
    return "right" if abs(away) <= _SET_BAND_V + 1e-9 else "low" if away < 0 else "high"


def extremes_v(case: Case, limit_v: float, below: bool) -> tuple[np.ndarray, np.ndarray]:
    """(g,) the furthest true voltage towards a limit, and how long at most the group stayed beyond it, s."""
    t = case.trajectory
    v = t.volts_v
    furthest = v.min(axis=0) if below else v.max(axis=0)
    longest = np.zeros(v.shape[1])
    for k in np.flatnonzero(furthest < limit_v if below else furthest > limit_v):
        at = np.flatnonzero(v[:, k] < limit_v if below else v[:, k] > limit_v)
        runs = np.split(at, np.flatnonzero(np.diff(at) > 1) + 1)
        longest[k] = max(float(t.time_s[r[-1]] - t.time_s[r[0]]) for r in runs)
    return furthest, longest
