"""A bleeder that never conducts, and one that never stops, told apart from cells.

*Dead*: at constant voltage groups that bleed fall against those that do not, all at one rate (bleed current over
capacity). Boards choose by height, so a group that stands above others which bleed, and does not fall, has no bleeder.
*Stuck on*: the other way round, a low group that falls with the bleeding ones while higher groups do not; or, at a rest
well below the bleed threshold, one group that falls as fast as a bleeder draws. A cell's leak is far slower (a bleeder
of 50 mA takes 42 % of 20 Ah in a week), a charge offset does not move at all.

Rates by least squares with terms that die away after the taper; two classes at one common distance by their likelihood.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from evenstring.analysis.results import Phase, Weakness
from evenstring.analysis.series.arrays import robust_sigma
from evenstring.analysis.series.curve_slope import slope_at_level_v
from evenstring.analysis.series.rows_of_phase import between
from evenstring.analysis.series.signals import Signals
from evenstring.analysis.series.uncertainty import MeterError
from evenstring.profile import PackProfile

__all__ = ["find_balancer_faults", "without_consequences"]

F64 = NDArray[np.float64]

# Of constant voltage, and of rest, for a rate: tuned on own packs under 100,000
_LEAST_CV_S, _LEAST_REST_S = 1800.0, 2700.0
_SETTLE_S = 1200.0  # after the taper or the load: left out: tuned on own packs under 100,000
_SLOW_S, _QUICK_S = 1200.0, 400.0  # time constants of what dies away after the taper: tuned on own packs under 100,000
_WANDER_V_H = 0.25e-3  # a healthy group's own: tuned on own packs under 100,000
_SURE = 0.95  # probability from which a group is taken to bleed, or not to: our choice
_FLAT_V = 0.3  # V per 1.0 of SoC: our choice
_BELOW_THRESHOLD_V = 0.03  # no board bleeds on purpose this far below its threshold: our choice
_MARGIN_V = 0.005  # a board's own sensing of two groups, and this meter's: our choice
_CLEAR = 8.0  # log likelihood by which two classes must beat one: tuned on own packs under 100,000
# Of groups that began or ended to bleed meanwhile, and fall at any rate between: their share, over the height of a
# normal distribution of deviation 1: our choice
_PARTLY = 0.1 * np.sqrt(2.0 * np.pi)
_LIKE_U = 3.0  # uncertainties within which a group moves as its class does: our choice
_OTHERWISE_U = 8.0  # uncertainties beyond both classes, of a group that moves by something else: our choice
_FAR = 10.0  # deviations: what is farther off belongs to no class: our choice
_MOST = 0.97  # the highest confidence that is stated: our choice
_Z90 = 1.645  # standard uncertainties of a 90 % interval: published (normal distribution, 90 % two-sided)
# Logarithm, of the expected rate: with the bleed current given, and without: tuned on own packs under 100,000
_DOUBT_GIVEN, _DOUBT = 0.35, 0.7
# Of the expected rate, between which a fall at rest is a bleeder's: tuned on own packs under 100,000
_STILL_BLEEDS, _BLEEDS_MOST = 0.5, 1.8
_CLEARLY = 5.0  # deviations from the others: tuned on own packs under 100,000
_LEAST_NOISE_V, _DYING_V = 5e-5, 0.003  # of a row, and prior of what dies away: our choice
_MOST_FAULTS = 2  # with more it is another rule of the board, no fault: our choice


@dataclass(frozen=True, slots=True, eq=False)
class _Classes:
    """Rates, V/h: (g,) of each with uncertainty, of those that do not bleed, and how much faster bleeders fall.

    (g,) heights at begin and end in V, and the chance to bleed.
    """

    begin_v: F64
    height_v: F64
    rate_v_h: F64
    u_v_h: F64
    bleeds: F64
    quiet_v_h: float
    bleed_v_h: float

    def some_move_otherwise(self) -> bool:
        """Whether a group falls far faster than bleeders or rises far faster than the rest: it is not bleeding then."""
        away_v_h = self.rate_v_h - self.quiet_v_h
        beyond_v_h = np.maximum(away_v_h, -away_v_h - self.bleed_v_h)
        return bool((beyond_v_h > _OTHERWISE_U * self.u_v_h).any())

    def falls(self, g: int) -> bool:
        """Whether the group moves as those that bleed, or faster down."""
        return bool(self.rate_v_h[g] < self.quiet_v_h - self.bleed_v_h + _LIKE_U * self.u_v_h[g])


def find_balancer_faults(
    signals: Signals, profile: PackProfile, phases: tuple[Phase, ...], meter: MeterError
) -> tuple[Weakness, ...]:
    """Groups whose bleeder is dead or stuck, as far as a constant-voltage part or a rest shows it."""
    if signals.volts_v.shape[1] < 4 or profile.bleed_ma <= 0:
        return ()
    found: dict[int, Weakness] = {}
    for phase in phases:
        seconds = phase.end_s - phase.start_s
        if phase.kind == "charge_cv" and seconds >= _LEAST_CV_S + _SETTLE_S:
            new = _at_constant_voltage(signals, profile, phase, meter)
        elif phase.kind == "rest" and seconds >= _LEAST_REST_S + _SETTLE_S:
            new = _at_rest(signals, profile, phase)
        else:
            continue
        for w in new:
            if w.group not in found or found[w.group].confidence < w.confidence:
                found[w.group] = w
    return tuple(sorted(found.values(), key=lambda w: -w.confidence))


def without_consequences(weakness: tuple[Weakness, ...], faults: tuple[Weakness, ...]) -> tuple[Weakness, ...]:
    """All statements, less those on charge, capacity, leak or meter of a group whose bleeder explains them."""
    blamed = {f.group for f in faults}
    follows = ("charge_offset", "low_capacity", "self_discharge", "meter_offset", "balancer_fault", "cannot_tell")
    kept = [w for w in weakness if w.group not in blamed or w.cause not in follows]
    return tuple(sorted((*faults, *kept), key=lambda w: -w.confidence))


def _at_constant_voltage(signals: Signals, profile: PackProfile, phase: Phase, meter: MeterError) -> list[Weakness]:
    classes = _classes(signals, profile, phase)
    if classes is None or classes.some_move_otherwise():
        return []
    height, bleeds = classes.height_v, classes.bleeds
    begin = classes.begin_v
    margin = max(_MARGIN_V, 3.0 * np.sqrt(2.0) * min(meter.channel_v, 0.002))
    out = []
    for g in range(len(height)):
        lower = (height < height[g] - margin) & (begin < begin[g] - margin)
        higher = (height > height[g] + margin) & (begin > begin[g] + margin)
        quiet = bleeds[g] < 1.0 - _SURE and np.sum(lower & (bleeds > _SURE)) >= 2
        falls = classes.falls(g) and np.sum(higher & (bleeds < 1.0 - _SURE)) >= 2 and not np.any(lower)
        if quiet and _out_of_order(classes, g, quiet=True, margin=margin):
            sure = min(_MOST, 1.0 - float(bleeds[g]))
            out.append(_statement(g, classes, profile, sure, "dead: it stands above groups that bleed, and does not"))
        elif falls and _out_of_order(classes, g, quiet=False, margin=margin):
            sure = min(_MOST, float(bleeds[g]))
            out.append(_statement(g, classes, profile, sure, "stuck on: the lowest falls while higher groups do not"))
    if len(out) > _MOST_FAULTS:  # the board's rule is another one, not a fault
        return []
    return [w for w in out if _as_in_each_half(signals, profile, phase, w.group - 1, float(bleeds[w.group - 1]))]


def _as_in_each_half(signals: Signals, profile: PackProfile, phase: Phase, g: int, bleeds: float) -> bool:
    """Whether neither half of the time, where it can be judged by itself, has the group surely the other way.

    A group that bleeds in both, and jumped between them as a board's turn or a lead makes it, has no rate of its own.
    """
    middle_s = (phase.start_s + _SETTLE_S + phase.end_s) / 2.0
    halves = replace(phase, end_s=middle_s), replace(phase, start_s=middle_s - _SETTLE_S)
    each = [classes for half in halves if (classes := _classes(signals, profile, half)) is not None]
    return not any(abs(float(classes.bleeds[g]) - bleeds) > _SURE for classes in each)


def _out_of_order(classes: _Classes, g: int, quiet: bool, margin: float) -> bool:
    """Whether a group that does not bleed stands clearly above those that do, or one that bleeds below the quiet."""
    return _past_v(classes, g, quiet) > margin + 2.0 * _mixed_v(classes, g, quiet)


def _mixed_v(classes: _Classes, g: int, quiet: bool) -> float:
    """How far others of its class are out of order, V.

    A board senses each group with an error of its own, and some bleed by turns: so far out of order is no fault.
    """
    alike = classes.bleeds < 1.0 - _SURE if quiet else classes.bleeds > _SURE
    return max((_past_v(classes, int(k), quiet) for k in np.flatnonzero(alike) if k != g), default=0.0)


def _past_v(classes: _Classes, g: int, quiet: bool) -> float:
    """How far above those that bleed, or below those that do not, V; not the farthest, which may be one by chance."""
    others = classes.bleeds > _SURE if quiet else classes.bleeds < 1.0 - _SURE
    away = np.sort(classes.height_v[g] - classes.height_v[others])
    if len(away) < 2:
        return 0.0
    return float(away[-2] if quiet else -away[1])


def _classes(signals: Signals, profile: PackProfile, phase: Phase) -> _Classes | None:
    """Who bleeds, by rate alone; None when one class explains the rates as well as two."""
    rows = _rows(signals, phase)
    if len(rows) < 60:
        return None
    t = signals.time_s[rows]
    slope = slope_at_level_v(profile, float(np.median(signals.level_v[rows])))
    if slope < _FLAT_V:
        return None
    since = t - phase.start_s
    dying = [np.exp(-since / _SLOW_S), np.exp(-since / _QUICK_S)]
    height, rate, u = _lines(t, signals.volts_v[rows], dying)
    expected = profile.bleed_ma / 1e3 / profile.capacity_ah * slope
    given = "balancer.bleed_ma" not in profile.defaults
    best = _two_classes(rate, u, expected, _DOUBT_GIVEN if given else _DOUBT, height)
    if best is None:
        return None
    quiet, step, bleeds = best
    return _Classes(height - rate * (t[-1] - t[0]) / 3600.0, height, rate, u, bleeds, quiet, step)


def _two_classes(rate: F64, u: F64, expected: float, doubt: float, height: F64) -> tuple[float, float, F64] | None:
    """The rate of those that do not bleed, the bleeders' below it, (g,) chances to bleed; None: one class is enough."""
    grid = expected * np.exp(np.linspace(-1.2, 0.9, 43))
    best: tuple[float, float, float, F64] | None = None
    for step in grid:
        for base in np.quantile(rate, np.linspace(0.05, 0.95, 19)):
            quiet, falls = _log((rate - base) / u), _log((rate - base + step) / u)
            between = np.where((rate < base) & (rate > base - step), np.log(_PARTLY * u / step), -np.inf)
            score = float(np.sum(np.logaddexp(np.logaddexp(quiet, falls) - np.log(2.0), between)))
            score -= 0.5 * (np.log(step / expected) / doubt) ** 2
            if best is None or score > best[0]:
                best = (score, float(base), float(step), 1.0 / (1.0 + np.exp(quiet - falls)))
    return None if best is None or best[0] - _one_class(rate, u, height) < _CLEAR else best[1:]


def _one_class(rate: F64, u: F64, height: F64) -> float:
    """Log likelihood of rates of one class: alike; scattered; or scattered about a growth of what they stand apart by.

    Departures grow alike where the curve's slope does, as while what leads in charge comes to rest. They shrink where
    the board bleeds, too: that is no sign of one class.
    """
    alike = max(float(np.sum(_log((rate - c) / u))) for c in np.median(rate) + np.linspace(-1, 1, 21) * np.median(u))
    apart = height - np.median(height)
    growth = max(0.0, float(apart @ (rate - np.median(rate))) / max(float(apart @ apart), 1e-12))
    scattered = []
    for left in (rate - np.median(rate), rate - growth * apart - np.median(rate - growth * apart)):
        wide = np.maximum(u, robust_sigma(left))
        scattered.append(float(np.sum(_log(left / wide) - np.log(wide / u))))
    return max(alike, *scattered)


def _log(deviations: F64) -> F64:
    """Log likelihoods; what is far off all classes counts alike in each."""
    return -0.5 * np.minimum(np.abs(deviations), _FAR) ** 2


def _rows(signals: Signals, phase: Phase) -> NDArray[np.int64]:
    inside = between(signals.time_s, phase.start_s + _SETTLE_S, phase.end_s)
    return np.flatnonzero(inside & np.isfinite(signals.volts_v).all(axis=1))


def _lines(t: F64, volts: F64, dying: list[F64]) -> tuple[F64, F64, F64]:
    """Heights at the end, V, and rates against the mean group, V/h, with standard uncertainty; (g,) each."""
    y = volts - volts.mean(axis=1, keepdims=True)
    hours = (t - t[-1]) / 3600.0
    # A prior on what dies away keeps it from taking the place of a steady rate: a few mV and no more.
    design = np.column_stack([np.ones_like(t), hours, *dying])
    noise = max(float(np.median(np.std(np.diff(y, axis=0), axis=0))) / np.sqrt(2.0), _LEAST_NOISE_V)
    prior = np.diag([0.0, 0.0, *[(noise / _DYING_V) ** 2] * len(dying)])
    inverse = np.linalg.inv(design.T @ design + prior)
    found = inverse @ (design.T @ y)
    u = np.hypot(noise * np.sqrt(inverse[1, 1]), _WANDER_V_H)
    return found[0], found[1], np.full(y.shape[1], u)


def _at_rest(signals: Signals, profile: PackProfile, phase: Phase) -> list[Weakness]:
    """One group that falls as fast as a bleeder draws, where no board bleeds on purpose."""
    rows = _rows(signals, phase)
    if len(rows) < 60:
        return []
    slope = slope_at_level_v(profile, float(np.median(signals.level_v[rows])))
    if slope < _FLAT_V or float(signals.volts_v[rows].max()) > profile.threshold_v - _BELOW_THRESHOLD_V:
        return []
    t = signals.time_s[rows]
    height, rate, u = _lines(t, signals.volts_v[rows], [np.exp(-(t - phase.start_s) / _SLOW_S)])
    rate = rate - np.median(rate)
    expected = profile.bleed_ma / 1e3 / profile.capacity_ah * slope
    others = float(robust_sigma(rate))
    away = np.hypot(u, others)
    out = []
    for g in np.flatnonzero(
        (rate < -_STILL_BLEEDS * expected) & (rate > -_BLEEDS_MOST * expected) & (rate < -_CLEARLY * away)
    ):
        classes = _Classes(
            height, height, rate, away, (rate < -_STILL_BLEEDS * expected).astype(np.float64), 0.0, float(-rate[g])
        )
        sure = min(_MOST, 1.0 - float(np.exp(-0.5 * (rate[g] / away[g]) ** 2)))
        text = "stuck on: at rest, below the bleed threshold, it falls as fast as a bleeder draws"
        out.append(_statement(int(g), classes, profile, sure, text))
    return out if len(out) <= _MOST_FAULTS else []


def _statement(g: int, classes: _Classes, profile: PackProfile, confidence: float, text: str) -> Weakness:
    """Size is the current that the bleeder draws, by what the others' rate says of 1 mA."""
    quiet = classes.bleeds < 0.5
    base = float(np.median(classes.rate_v_h[quiet])) if quiet.any() else 0.0
    per_ma = classes.bleed_v_h / profile.bleed_ma
    draws = float(base - classes.rate_v_h[g]) / per_ma
    half = _Z90 * float(classes.u_v_h[g]) / per_ma
    return Weakness(
        group=g + 1,
        cause="balancer_fault",
        size=round(max(draws, 0.0), 2),
        unit="mA",
        confidence=round(confidence, 3),
        size_low=round(max(draws - half, 0.0), 2),
        size_high=round(max(draws + half, 0.0), 2),
        abnormal=round(confidence, 3),
        detail=f"its bleeder is {text}",
        probabilities=(("balancer_fault", round(confidence, 3)),),
    )
