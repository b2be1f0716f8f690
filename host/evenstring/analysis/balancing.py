"""Does the string get even, how fast, and how much longer: from the end of the last constant-voltage part.

While the charger holds, groups that bleed lose charge against those that do not, at a steady rate: bleed current over
capacity. So each group's voltage is turned into charge by the assumed curve, and its departure from the mean is fitted
with a straight line in time. A taper moves groups of unlike resistance, and of unlike place on the curve, against each
other: two terms that die away take that up (the current and its slow average where known, else exponentials). Which
groups bleed, and at what common rate, is worked out in `bleeding`.
The forecast carries the lines on, as it is, for draws of the meter's offsets and of the rates (JCGM 101:2008), and
reads off when the spread is at or under the target. Draws that never get there are counted as never.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from evenstring.analysis.bleeding import part_rates
from evenstring.analysis.evenness import EVEN_CHARGE, FLAT_V, at_top, by_charge, charge_gap, goal_v, too_flat
from evenstring.analysis.model import Balancing, Charge, Phase
from evenstring.analysis.signals import Signals
from evenstring.analysis.spread import claim_at
from evenstring.analysis.uncertainty import MeterError, draw_departures
from evenstring.ocv import default_curve
from evenstring.profile import PackProfile

__all__ = ["find_balancing"]

F64 = NDArray[np.float64]
_LEAST_S = 900.0  # of constant voltage, for a rate
_SETTLE_S = 120.0  # quick polarisation, left out
_WINDOW_S = 10800.0
_SLOW_S, _QUICK_S = 1200.0, 400.0  # time constants of what dies away after the taper
_DAY_S, _WEEK_S = 86400.0, 7 * 86400.0
_DRAWS = 1000
_RESISTANCE_SPREAD = 0.06  # of the resistive step: how far groups may differ in it


@dataclass(frozen=True, slots=True, eq=False)
class _Lines:
    """Departures at the end of the window and their rates: all (g,), in V at the top of charge, and V/s."""

    at_end_v: F64
    rate_v_s: F64
    rate_u_v_s: F64
    bleeding: NDArray[np.bool_]


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
    rows = np.flatnonzero((signals.time_s >= span.start_s) & (signals.time_s <= span.end_s))
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
    if span.end_s - span.start_s < _LEAST_S:
        even = base.even_in_charge if by_charge(profile) else now.high_mv <= target_v * 1e3
        state = "balanced" if even else "not_reached"
        why = f"constant voltage lasted {(span.end_s - span.start_s) / 60:.0f} min; a rate needs 15 min or more"
        return replace(base, state=state, reasons=(why,))
    return _forecast(_fit(signals, rows, span, profile), base, profile, level, meter)


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


def _fit(signals: Signals, rows: NDArray[np.int64], span: Phase, profile: PackProfile) -> _Lines:
    t = signals.time_s[rows]
    keep = t >= max(t[-1] - _WINDOW_S, min(t[0] + _SETTLE_S, t[-1] - _LEAST_S))
    rows, t = rows[keep], t[keep]
    volts = signals.volts_v[rows]
    curve = default_curve(profile.chemistry)
    slope = max(float(curve.slope_v(curve.soc(float(np.median(volts[-60:]))))), 1e-3)
    as_charge = curve.soc(volts) * slope  # charge, in volts at the top of charge
    departure = as_charge - as_charge.mean(axis=1, keepdims=True)
    dying = _dying_away(signals, rows, span)
    design = np.column_stack([np.ones_like(t), (t - t[-1]) / 3600.0, dying])
    found, covariance = _least_squares(design, departure)
    at_end = departure[-60:].mean(axis=0) - (dying[-60:].mean(axis=0) @ found[2:])
    resistive = _RESISTANCE_SPREAD * _resistive_step_v(signals, span)
    rates = part_rates(found[1:], covariance, at_end, resistive, _expected_v_h(profile, slope))
    return _Lines(at_end, rates.rate_v_h / 3600.0, np.full(len(at_end), rates.step_u_v_h / 3600.0), rates.bleeding)


def _expected_v_h(profile: PackProfile, slope_v: float) -> tuple[float, float]:
    """What the profile's bleed current would do, V/h, and its relative uncertainty: boards pause and take turns."""
    given = "balancer.bleed_ma" not in profile.defaults
    return profile.bleed_ma / 1000.0 / profile.capacity_ah * slope_v, 0.35 if given else 0.8


def _dying_away(signals: Signals, rows: NDArray[np.int64], span: Phase) -> F64:
    """(m, 2) shapes of what the taper leaves behind, 1 at the start of the constant voltage, 0 in the end."""
    t = signals.time_s[rows]
    since = t - span.start_s
    slow = np.exp(-since / _SLOW_S)
    if signals.current_a is None:
        return np.column_stack([slow, np.exp(-since / _QUICK_S)])
    amps = np.clip(signals.current_a[rows], 0.0, None)
    top = max(float(amps.max()), 1e-3)
    lag = np.empty_like(amps)
    state = top
    for k, (i, dt) in enumerate(zip(amps, np.diff(t, prepend=t[0]), strict=True)):
        state += (i - state) * (1.0 - np.exp(-dt / _SLOW_S * 1.3))
        lag[k] = state
    return np.column_stack([lag / top, amps / top])


def _resistive_step_v(signals: Signals, span: Phase) -> float:
    """How much the level fell when the charge ended; a typical 40 mV where that was not recorded."""
    after = np.flatnonzero(signals.time_s > span.end_s)[:30]
    drop = float(signals.level_v[after[0] - 2] - signals.level_v[after[-1]]) if len(after) == 30 else 0.0
    # The tail's current is a tenth of the charge's: what it shows is a least.
    return float(np.clip(max(drop * 5.0, 0.040), 0.040, 0.150))


def _least_squares(design: F64, departure: F64) -> tuple[F64, F64]:
    """Coefficients (p, g) and covariance (g, p-1, p-1) of all but the first."""
    found = np.asarray(np.linalg.lstsq(design, departure, rcond=None)[0], dtype=np.float64)
    left = departure - design @ found
    sigma2 = np.maximum((left**2).sum(axis=0) / max(1, len(design) - design.shape[1]), 1e-12)
    # Residuals that stay on one side for long carry less than their number: AR(1) inflation.
    rho = np.clip((left[1:] * left[:-1]).sum(axis=0) / np.maximum((left**2).sum(axis=0), 1e-30), 0.0, 0.95)
    inverse = np.linalg.inv(design.T @ design)[1:, 1:]
    return found, np.asarray((sigma2 * (1 + rho) / (1 - rho))[:, None, None] * inverse)


def _forecast(lines: _Lines, base: Balancing, profile: PackProfile, level_v: float, meter: MeterError) -> Balancing:
    rng = np.random.default_rng(21)
    target_v = base.target_mv / 1e3
    start = draw_departures(lines.at_end_v, meter.one_v(300.0), rng, _DRAWS)
    rate = _draw_rates(lines, rng)
    remaining = _crossing(lines, start, rate, target_v, meter)
    low, middle, high = np.quantile(remaining, [0.05, 0.5, 0.95], method="nearest")
    closing = _closing_rate(lines, start, rate)
    found = replace(
        base,
        rate_mv_per_h=float(np.median(closing)) * 3.6e6,
        rate_u_mv_per_h=float(np.std(closing)) * 3.6e6,
        bleed_ma=_bleed_ma(lines, profile, level_v),
        bleeding_groups=tuple(int(k) + 1 for k in np.flatnonzero(lines.bleeding)),
        remaining_low_s=_end(low),
        remaining_high_s=_end(high),
    )
    if middle <= 0.0:
        return replace(found, state="balanced", remaining_s=0.0, answer="time")
    if not np.isfinite(middle) or middle > _WEEK_S:
        return replace(found, state="not_converging", answer="never", reasons=_why_not_closing(lines, profile, level_v))
    answer = "over_24_h" if middle > _DAY_S else "time"
    caution = "as it is: if the board also bleeds the lowest group once that reaches the threshold, the gap stays open"
    return replace(found, state="converging", remaining_s=float(middle), answer=answer, reasons=(caution,))


def _draw_rates(lines: _Lines, rng: np.random.Generator) -> F64:
    """(draws, g): one error for the whole class where groups share a rate, else one each."""
    if lines.bleeding.any():
        common = rng.normal(size=(_DRAWS, 1)) * float(lines.rate_u_v_s[0])
        return np.asarray(lines.rate_v_s + np.where(lines.bleeding, common, 0.0))
    return np.asarray(lines.rate_v_s + lines.rate_u_v_s * rng.normal(size=(_DRAWS, len(lines.rate_v_s))))


def _end(seconds: float) -> float | None:
    return float(seconds) if np.isfinite(seconds) and seconds <= _WEEK_S else None


def _crossing(lines: _Lines, start_v: F64, rate_v_s: F64, target_v: float, meter: MeterError) -> F64:
    """(draws,) seconds until every group is within the target of the lowest; inf where that never comes.

    A group that bleeds falls until it is near the lowest and then stops, so each closes its own gap and the slowest
    counts. A group that does not bleed and stands clearly too high blocks.
    """
    low = start_v.min(axis=1, keepdims=True)
    gap = start_v - low - target_v
    closing = _against_lowest(lines, start_v, rate_v_s)
    with np.errstate(divide="ignore", invalid="ignore"):
        time = np.where(gap <= 0, 0.0, np.where(closing > 0, gap / closing, np.inf))
    if lines.bleeding.any():
        # Who was put below the cut and stands too high starts to bleed as it rises: boards look at height alone.
        high = lines.at_end_v - lines.at_end_v.min() > target_v + 4 * meter.channel_v
        time[:, ~lines.bleeding & ~high] = 0.0
        pace = rate_v_s[:, ~lines.bleeding].mean(axis=1) - rate_v_s[:, lines.bleeding].mean(axis=1)
        waits = ~lines.bleeding & high
        time[:, waits] = np.maximum(gap[:, waits], 0.0) / np.maximum(pace, 1e-12)[:, None]
    return np.asarray(time.max(axis=1))


def _against_lowest(lines: _Lines, start_v: F64, rate_v_s: F64) -> F64:
    """(draws, g) how fast each group closes on the lowest, V/s.

    With two clear classes the lowest is taken for one that does not bleed, if any of the lower ones does not.
    """
    lowest = start_v.argmin(axis=1)
    floor = rate_v_s[np.arange(len(start_v)), lowest]
    if lines.bleeding.any() and not lines.bleeding[int(np.argmin(lines.at_end_v))]:
        floor = rate_v_s[:, ~lines.bleeding].mean(axis=1)
    return np.asarray(floor[:, None] - rate_v_s)


def _closing_rate(lines: _Lines, start_v: F64, rate_v_s: F64) -> F64:
    """(draws,) V/s at which the highest closes on the lowest."""
    return np.asarray(_against_lowest(lines, start_v, rate_v_s)[np.arange(len(start_v)), start_v.argmax(axis=1)])


def _bleed_ma(lines: _Lines, profile: PackProfile, level_v: float) -> float | None:
    """Effective bleed current: the two classes' difference in rate, over the slope, times the capacity."""
    if not lines.bleeding.any() or lines.bleeding.all():
        return None
    curve = default_curve(profile.chemistry)
    slope = float(curve.slope_v(curve.soc(max(level_v, profile.threshold_v))))
    apart = float(lines.rate_v_s[~lines.bleeding].mean() - lines.rate_v_s[lines.bleeding].mean())
    return apart / slope * profile.capacity_ah * 3600.0 * 1000.0 if slope >= FLAT_V else None


def _why_not_closing(lines: _Lines, profile: PackProfile, level_v: float) -> tuple[str, ...]:
    if lines.bleeding.any() and not lines.bleeding.all():
        highest = int(np.argmax(lines.at_end_v))
        lowest = int(np.argmin(lines.at_end_v))
        if not lines.bleeding[highest]:
            return (f"groups bleed, but the highest, group {highest + 1}, is not among them",)
        if lines.bleeding[lowest]:
            return (
                f"the lowest group, {lowest + 1}, falls as fast as those that bleed: it bleeds too, or takes no charge",
            )
        return ("the bleed is too weak for this gap",)
    if level_v < profile.threshold_v - 0.005:
        return ("the charger holds less than the bleed threshold, so nothing bleeds",)
    return ("all groups move alike: either all bleed or none does, so the gap stays as it is",)
