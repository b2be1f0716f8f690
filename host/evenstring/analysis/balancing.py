"""Does the string get even, how fast, and how much longer: from the end of the last constant-voltage part.

While the charger holds, groups that bleed fall against those that do not, at a steady rate (bleed current over
capacity, times the slope of the curve). Each group's departure from the mean is fitted with a straight line, with the
current as a second regressor where it is known (a taper moves groups of unlike resistance against each other). Rates
fall into at most two classes, bleeding or not; if they do, each class shares one rate, which is far better known.
The forecast carries the lines on, as it is, for draws of the meter's offsets and of the rates (JCGM 101:2008), and
reads off when the spread is at or under the target. Draws that never get there are counted as never.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from evenstring.analysis.model import Balancing, Charge, Phase
from evenstring.analysis.signals import Signals
from evenstring.analysis.spread import claim_at
from evenstring.analysis.uncertainty import MeterError, draw_departures
from evenstring.ocv import default_curve
from evenstring.profile import PackProfile

__all__ = ["find_balancing"]

F64 = NDArray[np.float64]
_LEAST_S = 900.0  # of constant voltage, for a rate
_TRANSIENT_S = 900.0  # taper and polarisation, left out where enough remains
_WINDOW_S = 7200.0
_DAY_S, _WEEK_S = 86400.0, 7 * 86400.0
_DRAWS = 1000
_DRIFT_MV_H = 0.10  # what relaxation and leftover taper may still do to a rate; standard uncertainty
_FLAT_V = 0.2  # V per 1.0 of SoC: flatter than this, a voltage says little about charge


@dataclass(frozen=True, slots=True, eq=False)
class _Lines:
    """Departures at the end of the window and their rates: all (g,), V and V/s."""

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
    base = _with_charge(base, profile, level)
    if span.end_s - span.start_s < _LEAST_S:
        state = "balanced" if now.high_mv <= target_v * 1e3 else "not_reached"
        why = f"constant voltage lasted {(span.end_s - span.start_s) / 60:.0f} min; a rate needs 15 min or more"
        return replace(base, state=state, reasons=(why,))
    return _forecast(_fit(signals, rows, span), base, profile, level, meter)


def _why_not_reached(charge: Charge) -> str:
    if charge.ended == "none":
        return "there is no charge in this recording"
    if charge.ended == "stopped_early":
        return f"group {charge.cause_group} reached its ceiling before the constant-voltage part"
    return "the charge did not reach its constant-voltage part, where balancing mostly happens"


def _with_charge(found: Balancing, profile: PackProfile, level_v: float) -> Balancing:
    """The spread also as charge, by the assumed curve at this level; left open where the curve is flat."""
    curve = default_curve(profile.chemistry)
    slope = float(curve.slope_v(curve.soc(level_v)))
    if slope < _FLAT_V or found.spread_mv is None:
        return found
    gap = found.spread_mv / 1e3 / slope
    return replace(found, gap_ah=gap * profile.capacity_ah, gap_percent=gap * 100.0, even_in_charge=gap <= 0.01)


def _fit(signals: Signals, rows: NDArray[np.int64], span: Phase) -> _Lines:
    t = signals.time_s[rows]
    start = max(t[-1] - _WINDOW_S, min(t[0] + _TRANSIENT_S, t[-1] - _LEAST_S))
    rows, t = rows[t >= start], t[t >= start]
    volts = signals.volts_v[rows]
    departure = volts - volts.mean(axis=1, keepdims=True)
    x = t - t[-1]
    columns = [np.ones_like(x), x]
    # Without a current: the taper of a held pack dies away exponentially, with about this time constant.
    taper = signals.current_a[rows] if signals.current_a is not None else np.exp(-(t - span.start_s) / 900.0)
    if np.ptp(taper) > (0.05 if signals.current_a is not None else 1e-3):
        columns.append(taper - taper[-1])
    design = np.stack(columns, axis=1)
    found, *_ = np.linalg.lstsq(design, departure, rcond=None)
    left = departure - design @ found
    freedom = max(1, len(x) - design.shape[1])
    inverse = np.linalg.inv(design.T @ design)
    # Residuals that stay on one side for long carry less than their number: AR(1) inflation of the variance.
    rho = np.clip((left[1:] * left[:-1]).sum(axis=0) / np.maximum((left**2).sum(axis=0), 1e-30), 0.0, 0.98)
    u = np.sqrt((left**2).sum(axis=0) / freedom * inverse[1, 1] * (1 + rho) / (1 - rho))
    u = np.hypot(u, _DRIFT_MV_H / 1e3 / 3600.0)
    rate, u, bleeding = _two_classes(found[1], u)
    return _Lines(found[0], rate, u, bleeding)


def _two_classes(rate: F64, u: F64) -> tuple[F64, F64, NDArray[np.bool_]]:
    """Rates of two classes where there clearly are two (or one where all agree), else each group's own."""
    order = np.argsort(rate)
    ordered = rate[order]
    best = _best_cut(ordered)
    typical = float(np.median(u))
    none = np.zeros(len(rate), dtype=bool)
    inside = np.concatenate([ordered[:best] - ordered[:best].mean(), ordered[best:] - ordered[best:].mean()])
    step = ordered[best:].mean() - ordered[:best].mean()
    if step < 5 * typical:
        if np.std(rate) < 1.5 * typical:
            return np.full_like(rate, rate.mean()), np.full_like(u, _DRIFT_MV_H / 3.6e6), none
        return rate, u, none
    bleeding = none.copy()
    bleeding[order[:best]] = True
    if np.std(inside) > 0.35 * step:
        return rate, u, bleeding
    out = np.where(bleeding, rate[bleeding].mean(), rate[~bleeding].mean())
    # Capacities differ by a few percent, so groups of one class do not bleed at quite one rate.
    own = np.maximum(typical / 2, 0.03 * step)
    return out, np.full_like(u, own), bleeding


def _best_cut(ordered: F64) -> int:
    """Where to cut sorted values in two so that the parts are tightest (least sum of squares)."""
    n = len(ordered)
    k = np.arange(1, n)
    total, square = np.cumsum(ordered), np.cumsum(ordered**2)
    low = square[:-1] - total[:-1] ** 2 / k
    high = (square[-1] - square[:-1]) - (total[-1] - total[:-1]) ** 2 / (n - k)
    return int(np.argmin(low + high)) + 1


def _forecast(lines: _Lines, base: Balancing, profile: PackProfile, level_v: float, meter: MeterError) -> Balancing:
    rng = np.random.default_rng(21)
    target_v = base.target_mv / 1e3
    start = draw_departures(lines.at_end_v, meter.one_v(300.0), rng, _DRAWS)
    rate = lines.rate_v_s + lines.rate_u_v_s * rng.normal(size=(_DRAWS, len(lines.rate_v_s)))
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
    return replace(found, state="converging", remaining_s=float(middle), answer=answer)


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
        clearly = lines.at_end_v - lines.at_end_v.min() > target_v + 4 * meter.channel_v
        time[:, ~lines.bleeding & ~clearly] = 0.0
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
    return apart / slope * profile.capacity_ah * 3600.0 * 1000.0 if slope >= _FLAT_V else None


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
