"""Does the string get even, how fast, and how much longer: from the end of the last constant-voltage part.

A model of the string near its top is fitted to the last hour or so of the charge under each rule that boards follow
(`top_window`, `top_model`, `top_fit`), and the one that explains it is carried on, as it is, until the spread is at or
under the target (`top_forecast`). Where the recording cannot tell whether the board would bleed the lowest group too
once that has risen to the threshold, it is taken to leave it alone, and said.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from evenstring.analysis.balancing.as_read import kept_to_reading
from evenstring.analysis.balancing.criterion import EVEN_CHARGE, at_top, by_charge, charge_gap, goal_v, too_flat
from evenstring.analysis.balancing.forecast import Target, carry_on
from evenstring.analysis.balancing.guards import kept_to_trend, misfit
from evenstring.analysis.balancing.map_fit import CLOSING, Fit, bleed_a, explain
from evenstring.analysis.balancing.window import make_window
from evenstring.analysis.readings.spread import claim_at
from evenstring.analysis.results import Balancing, BalancingState, Charge, Phase, TimeAnswer
from evenstring.analysis.series.rows_of_phase import rows_in
from evenstring.analysis.series.signals import Signals
from evenstring.analysis.series.uncertainty import MeterError
from evenstring.profile import PackProfile

__all__ = ["find_balancing"]

F64 = NDArray[np.float64]
_LEAST_S = 900.0  # of constant voltage, for a rate: our choice
_DAY_S = 86400.0  # s: published (SI brochure, day)
_DRAWS = 160  # draws of a forecast: the quantiles are good to some per cent: our choice
_CLEAR = 5.0  # nats: below this an explanation is not taken to be told from another: our choice
_HIDDEN = "what it stands apart by may be the meter's and the charging's, or a gap that does not close"
_DOUBT = {
    "threshold": "as it is: if the board also bleeds the lowest group once that reaches the threshold,"
    " the gap stays open",
    "none": "as it is: the recording hardly tells whether anything bleeds; if nothing does, the gap stays open",
}


def find_balancing(
    signals: Signals,
    profile: PackProfile,
    phases: tuple[Phase, ...],
    charge: Charge,
    meter: MeterError,
    target_v: float = 0.010,
) -> Balancing:
    """State, rate and forecast. `remaining_s` is counted from the end of the constant-voltage part (`at_s`)."""
    held = [p for p in phases if p.kind == "charge_cv"]
    if signals.volts_v.shape[1] < 2:
        return Balancing("not_reached", reasons=("a single group has nothing to be even with",))
    if not held:
        return Balancing("not_reached", target_mv=target_v * 1e3, reasons=(_why_not_reached(charge),))
    span = held[-1]
    rows = np.flatnonzero(rows_in(signals.time_s, span))
    # A group that is not read would pull the mean; rows with all groups are used.
    rows = rows[np.isfinite(signals.volts_v[rows]).all(axis=1)]
    if len(rows) < 10:
        return Balancing("not_reached", target_mv=target_v * 1e3, reasons=("too few whole scans at constant voltage",))
    edge = rows[signals.time_s[rows] >= signals.time_s[rows[-1]] - 60.0]
    now = claim_at("cv_end", signals, edge, meter)
    level = float(np.median(signals.level_v[edge]))
    base = Balancing("not_reached", target_mv=target_v * 1e3, spread_mv=now.best_mv, at_s=span.end_s)
    base = _with_charge(base, profile, signals.volts_v[edge].mean(axis=0), meter.one_v(len(edge)))
    goal = goal_v(profile, level, target_v)
    if goal is None:
        return replace(base, reasons=(too_flat(level),))
    base = replace(base, target_mv=goal * 1e3, target_percent=100.0 * EVEN_CHARGE if by_charge(profile) else None)
    even = base.even_in_charge if by_charge(profile) else now.high_mv <= target_v * 1e3
    held_s = span.end_s - span.start_s
    if held_s >= _LEAST_S and not (even and not by_charge(profile)):
        found = _forecast(base, now.low_mv, signals, profile, phases, meter)
        return found if by_charge(profile) else kept_to_reading(found, now)
    return _without_forecast(base, bool(even), held_s)


def _without_forecast(base: Balancing, even: bool, held_s: float) -> Balancing:
    """Even as it was read, or held for too short a time to say more."""
    state: BalancingState = "balanced" if even else "not_reached"
    if held_s >= _LEAST_S:
        return replace(base, state=state, remaining_s=0.0, answer="time")
    why = f"constant voltage lasted {held_s / 60:.0f} min; a rate needs 15 min or more"
    return replace(base, state=state, reasons=(why,))


def _why_not_reached(charge: Charge) -> str:
    if charge.ended == "none":
        return "there is no charge in this recording"
    if charge.ended == "stopped_early":
        return f"group {charge.cause_group} reached its ceiling before the constant-voltage part"
    return "the charge did not reach its constant-voltage part, where balancing mostly happens"


def _with_charge(found: Balancing, profile: PackProfile, volts_v: F64, u_v: float) -> Balancing:
    """The spread also as charge, by the assumed curve; left open where that is flat; even only at the top of charge."""
    gap = charge_gap(volts_v, u_v, profile)
    if gap is None:
        return found
    even = gap.best <= EVEN_CHARGE if at_top(profile, float(np.median(volts_v))) else None
    return replace(found, gap_ah=gap.best * profile.capacity_ah, gap_percent=gap.best * 100.0, even_in_charge=even)


def _forecast(
    base: Balancing,
    least_mv: float,
    signals: Signals,
    profile: PackProfile,
    phases: tuple[Phase, ...],
    meter: MeterError,
) -> Balancing:
    """`least_mv`: the spread as read, at least."""
    held = [p for p in phases if p.kind == "charge_cv"][-1]
    window = make_window(signals, phases, held, profile.full_v)
    if window is None:
        return replace(base, reasons=("too few whole scans at constant voltage",))
    fits = explain(window, profile, meter.channel_v)
    chosen, doubt = _choose(fits)
    why_not = misfit(window, chosen, profile)
    if why_not:
        even = by_charge(profile) and bool(base.even_in_charge)  # which needs no forecast
        state: BalancingState = "balanced" if even else "not_reached"
        return replace(
            base, state=state, remaining_s=0.0 if even else None, answer="time" if even else "none", reasons=(why_not,)
        )
    target = Target(base.target_mv / 1e3, EVEN_CHARGE if by_charge(profile) else None)
    ahead = carry_on(window, chosen, target, _DRAWS)
    low, middle, high = np.quantile(ahead.hours, [0.05, 0.5, 0.95], method="nearest") * 3600.0
    bleeding = ahead.bleeding.mean(axis=0) > 0.5
    found = replace(
        base,
        rate_mv_per_h=float(np.median(ahead.closing_v_h)) * 1e3,
        rate_u_mv_per_h=float(np.std(ahead.closing_v_h)) * 1e3,
        bleed_ma=bleed_a(window, chosen, profile) * 1e3 if bleeding.any() else None,
        bleeding_groups=tuple(int(k) + 1 for k in np.flatnonzero(bleeding)),
        remaining_low_s=_end(low),
        remaining_high_s=_end(high),
    )
    # What stays as it is and cannot be told from the target is at the target.
    there = middle <= 0.0 or (low <= 0.0 and not np.isfinite(middle))
    if there and least_mv > base.target_mv and not by_charge(profile):
        return found.without_time("none", "not_reached", _HIDDEN)  # no model sees what was not read
    if there or (by_charge(profile) and base.even_in_charge):
        return replace(found, state="balanced", remaining_s=0.0, answer="time")
    if not np.isfinite(middle):
        why = _why_not_closing(chosen, bleeding, float(window.set_v), profile)
        found = replace(found, state="not_converging", answer="never", reasons=(why,))
    else:
        answer: TimeAnswer = "over_24_h" if middle > _DAY_S else "time"
        caution = (_DOUBT[doubt],) if doubt else ()
        found = replace(found, state="converging", remaining_s=float(middle), answer=answer, reasons=caution)
    return kept_to_trend(found, window, chosen, target.volts_v, profile)


def _choose(fits: list[Fit]) -> tuple[Fit, str]:
    """The explanation to carry on, and the rule that explains about as well but never gets even, or ""."""
    closing = [f for f in fits if f.guess.rule in CLOSING]
    others = [f for f in fits if f.guess.rule not in CLOSING]
    if not closing or not others or others[0].evidence > closing[0].evidence + _CLEAR:
        return fits[0], ""
    return closing[0], others[0].guess.rule if others[0].evidence > closing[0].evidence - _CLEAR else ""


def _end(seconds: float) -> float | None:
    return float(seconds) if np.isfinite(seconds) else None


def _why_not_closing(fit: Fit, bleeding: NDArray[np.bool_], level_v: float, profile: PackProfile) -> str:
    if fit.guess.rule == "threshold" and bleeding.all():
        return "all groups bleed alike, the lowest too, so the gap stays as it is"
    if fit.guess.rule == "threshold":
        return "the board bleeds by the threshold alone: the lowest group will bleed too, and the gap then stays"
    if not bleeding.any() and level_v < profile.threshold_v - 0.005:
        return "the charger holds less than the bleed threshold, so nothing bleeds"
    if not bleeding.any():
        return "all groups move alike: nothing seems to bleed"
    return "the bleed is too weak for this gap"
