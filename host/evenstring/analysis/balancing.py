"""Does the string get even, how fast, and how much longer: from the end of the last constant-voltage part.

While the charger holds, groups that bleed fall against those that do not, at a steady rate (bleed current over
capacity, times the slope of the curve). Each group's departure from the mean is fitted with a straight line, with the
current as a second regressor where it is known (a taper moves groups of unlike resistance against each other). Rates
fall into at most two classes, bleeding or not; if they do, each class shares one rate, which is far better known.
The forecast carries the lines on, as it is, for draws of the meter's offsets and of the rates (JCGM 101:2008), and
reads off when the spread is at or under the target. Draws that never get there are counted as never.
"""

from __future__ import annotations

from dataclasses import dataclass

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
_ANODE_SLOPE_V = 0.6  # V per 1.0 of SoC: flatter than a third of this, a voltage says little about charge
_FLAT_V = 0.2


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
    common = _in_charge(profile, now.best_mv / 1e3, float(np.median(signals.level_v[edge])))
    if span.end_s - span.start_s < _LEAST_S:
        state = "balanced" if now.high_mv <= target_v * 1e3 else "not_reached"
        why = f"constant voltage lasted {(span.end_s - span.start_s) / 60:.0f} min; a rate needs 15 min or more"
        return Balancing(
            state, target_mv=target_v * 1e3, spread_mv=now.best_mv, at_s=span.end_s, reasons=(why,), **common
        )
    lines = _fit(signals, rows, span)
    return _forecast(lines, signals, profile, span, now.best_mv, meter, target_v, common)


def _why_not_reached(charge: Charge) -> str:
    if charge.ended == "none":
        return "there is no charge in this recording"
    if charge.ended == "stopped_early":
        return f"group {charge.cause_group} reached its ceiling before the constant-voltage part"
    return "the charge did not reach its constant-voltage part, where balancing mostly happens"


def _in_charge(profile: PackProfile, spread_v: float, level_v: float) -> dict[str, float | bool | None]:
    curve = default_curve(profile.chemistry)
    slope = float(curve.slope_v(curve.soc(level_v)))
    if slope < _FLAT_V:
        return {"gap_ah": None, "gap_percent": None, "even_in_charge": None}
    gap = spread_v / slope
    return {"gap_ah": gap * profile.capacity_ah, "gap_percent": gap * 100.0, "even_in_charge": gap <= 0.01}


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


def _forecast(
    lines: _Lines,
    signals: Signals,
    profile: PackProfile,
    span: Phase,
    spread_mv: float,
    meter: MeterError,
    target_v: float,
    common: dict[str, float | bool | None],
) -> Balancing:
    rng = np.random.default_rng(21)
    start = draw_departures(lines.at_end_v, meter.one_v(300.0), rng, _DRAWS)
    rate = lines.rate_v_s + lines.rate_u_v_s * rng.normal(size=(_DRAWS, len(lines.rate_v_s)))
    remaining = _crossing(start, rate, target_v)
    low, middle, high = np.quantile(remaining, [0.05, 0.5, 0.95], method="nearest")
    closing = _closing_rate(start, rate)
    known: dict[str, object] = {
        "rate_mv_per_h": float(np.median(closing)) * 3.6e6,
        "rate_u_mv_per_h": float(np.std(closing)) * 3.6e6,
        "target_mv": target_v * 1e3,
        "spread_mv": spread_mv,
        "bleed_ma": _bleed_ma(lines, profile, float(np.median(signals.level_v[-1:]))),
        "bleeding_groups": tuple(int(k) + 1 for k in np.flatnonzero(lines.bleeding)),
        "at_s": span.end_s,
        **common,
    }
    if middle <= 0.0:
        return Balancing(
            "balanced", remaining_s=0.0, remaining_low_s=0.0, remaining_high_s=_end(high), answer="time", **known
        )  # type: ignore[arg-type]  # keys above are fields
    if not np.isfinite(middle) or middle > _WEEK_S:
        reasons = _why_not_closing(lines, profile, signals)
        return Balancing("not_converging", remaining_low_s=_end(low), answer="never", reasons=reasons, **known)  # type: ignore[arg-type]  # keys above are fields
    return Balancing(
        "converging",
        remaining_s=float(middle),
        remaining_low_s=_end(low),
        remaining_high_s=_end(high),
        answer="over_24_h" if middle > _DAY_S else "time",
        **known,  # type: ignore[arg-type]  # keys above are fields
    )


def _end(seconds: float) -> float | None:
    return float(seconds) if np.isfinite(seconds) and seconds <= _WEEK_S else None


def _crossing(start_v: F64, rate_v_s: F64, target_v: float) -> F64:
    """(draws,) seconds until highest minus lowest is at most the target; inf where it is not within a week."""
    times = np.concatenate([[0.0], np.geomspace(60.0, _WEEK_S, 160)])
    out = np.full(len(start_v), np.inf)
    before = np.full(len(start_v), np.nan)
    for k, t in enumerate(times):
        at = start_v + rate_v_s * t
        spread = at.max(axis=1) - at.min(axis=1)
        new = np.isinf(out) & (spread <= target_v)
        if k == 0:
            out[new] = 0.0
        else:
            share = (before[new] - target_v) / np.maximum(before[new] - spread[new], 1e-12)
            out[new] = times[k - 1] + share * (t - times[k - 1])
        before = spread
    return out


def _closing_rate(start_v: F64, rate_v_s: F64) -> F64:
    rows = np.arange(len(start_v))
    return np.asarray(rate_v_s[rows, start_v.argmin(axis=1)] - rate_v_s[rows, start_v.argmax(axis=1)])


def _bleed_ma(lines: _Lines, profile: PackProfile, level_v: float) -> float | None:
    """Effective bleed current: the two classes' difference in rate, over the slope, times the capacity."""
    if not lines.bleeding.any() or lines.bleeding.all():
        return None
    curve = default_curve(profile.chemistry)
    slope = float(curve.slope_v(curve.soc(max(level_v, profile.threshold_v))))
    apart = float(lines.rate_v_s[~lines.bleeding].mean() - lines.rate_v_s[lines.bleeding].mean())
    return apart / slope * profile.capacity_ah * 3600.0 * 1000.0 if slope >= _FLAT_V else None


def _why_not_closing(lines: _Lines, profile: PackProfile, signals: Signals) -> tuple[str, ...]:
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
    end = float(signals.level_v[-1])
    if end < profile.threshold_v - 0.005:
        return ("the charger holds less than the bleed threshold, so nothing bleeds",)
    return ("all groups move alike: either all bleed or none does, so the gap stays as it is",)
