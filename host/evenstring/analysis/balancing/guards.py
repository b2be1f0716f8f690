"""What a forecast may not say against what was measured, whatever model it came from.

A spread that has been closing, faster than its uncertainty, does not stay open for ever under a rule that gets a string
even; and a model that follows the voltages badly forecasts nothing.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from evenstring.analysis.balancing.map_fit import CLOSING, Fit, bleed_a, left_over_v
from evenstring.analysis.balancing.window import Window
from evenstring.analysis.results import Balancing, TimeAnswer
from evenstring.analysis.series.lines import line_through
from evenstring.chemistry import CHEMISTRIES
from evenstring.profile import PackProfile

__all__ = ["SLOWS", "Trend", "kept_to_trend", "misfit", "trend_of"]

F64 = NDArray[np.float64]
_LATE_H = 0.75  # the end of a held voltage, in which its trend is taken: our choice
_LEAST_MEANS = 6  # for a trend: our choice
_SETTLED = 0.1  # of full current; where it moves by more, what follows it is taken out: our choice
# Of the first half's closing, in the second: polarisation, gone to 1/e in half an hour, slows by more: our choice
_GOES_ON = 0.7
_TAPERS = 0.7  # correlation of current and time from which the current is taken to fall: our choice
# Errors of neighbouring means are alike: the slope is so many times as uncertain: tuned on published cells (`tuned`)
_ALIKE = 2.0
# Uncertainties of a trend from which it is one, and up to which it may be one: our choice
_CLEAR_U, _MAY_U = 3.0, 2.0
# Times of a straight line, at either end of an interval: groups that stop bleeding, and others that join in: our choice
_SOONER, _LATER = 0.5, 4.0
SLOWS = 1.25  # times of that line, the middle of what followed: tuned on published cells (`tuned`, `withheld`)
# Of a trend carried on, standard uncertainties: of the times themselves, as a log (groups stop, others join in), and of
# the gap as read: tuned on published cells (`tuned`, `withheld`). A forecast is not surer than the last, whatever its
# draws say.
_LINE_U, _GAP_U_V, _LEAST_U = 0.4, 1e-3, 0.15
_ERRS_MORE = 1.3  # times the width of an interval, as a log: tuned on published cells (`tuned`, `withheld`)
_Z90 = 1.645  # published (normal distribution, 90 % two-sided)
_SHORTEST_S, _OPEN = 180.0, 6.0  # for a low end of nothing; times the forecast, for an open high one: our choice
_STOPS = (
    "it closes now, and by the threshold alone it would stop; with balancer.rule and balancer.threshold_v in pack.toml"
    " this can be told"
)
_NONE_BLEEDS_V = 0.005  # highest group under the threshold that the owner gives: a board's own sensing: common practice
_LOST = "how far and how fast it closes is lost in the uncertainty of what was seen"
_DAY_H, _WEEK_H = 24.0, 168.0  # published (SI brochure, day)
# Left over of groups against their mean, and of the mean, V: more is no fit: tuned on published cells (`tuned`)
_LEFT_OWN_V, _LEFT_ALL_V = 2e-3, 5e-3
_LEFT_SHARE = 0.05  # of the spread, where that is wide as at the steep top of iron phosphate: our choice
_MOST_BLEED_A = 1.0  # of a passive board: 4 W a group: common practice


@dataclass(frozen=True, slots=True)
class Trend:
    """How fast a spread closed, V/h, and the standard uncertainty."""

    closing_v_h: float
    u_v_h: float

    @property
    def clear(self) -> bool:
        """Whether it closes, beyond doubt."""
        return self.closing_v_h > _CLEAR_U * self.u_v_h

    @property
    def grows(self) -> bool:
        """Whether it grows: where no current is known polarisation may still move it, and says nothing of its end."""
        return self.closing_v_h < -_MAY_U * self.u_v_h


def trend_of(w: Window, *, after_taper: bool = False) -> Trend | None:
    """How fast the spread of the last means at constant voltage closed beside what follows the current.

    Polarisation moves groups against each other as the current does. None where that falls steadily, for then the two
    are not told apart; unless `after_taper`: then by what comes after, which is enough to contradict a forecast and too
    short to better one. None, too, where only the closing tells whether polarisation has died away, and it slows down.
    """
    late = w.held & (np.arange(len(w.held)) >= len(w.held) - round(_LATE_H / w.step_h)) & (w.weight > 0.5)
    spread_v: F64 = np.ptp(w.volts_v[late], axis=1).astype(np.float64)
    hours: F64 = np.flatnonzero(late) * np.float64(w.step_h)
    if len(hours) < _LEAST_MEANS or (w.share is None and _slows_down(hours, spread_v)):
        return None
    share = np.zeros_like(hours) if w.share is None else w.share[late]
    if np.ptp(share) > _SETTLED and abs(np.corrcoef(hours, share)[0, 1]) > _TAPERS:
        if not after_taper:
            return None
        calm = np.abs(share - share[-1]) <= _SETTLED
        last = slice(int(np.flatnonzero(~calm).max()) + 1, None)
        hours, spread_v, share = hours[last], spread_v[last], share[last]
        if len(hours) < _LEAST_MEANS or _still_settles(hours, spread_v):
            return None
    columns = [np.ones_like(hours), hours - hours.mean()]
    if np.ptp(share) > _SETTLED:
        columns.append(share - share.mean())
    design = np.stack(columns, axis=1)
    fitted, *_ = np.linalg.lstsq(design, spread_v, rcond=None)
    left_v2 = float(np.sum((spread_v - design @ fitted) ** 2)) / (len(hours) - design.shape[1])
    u_v_h = float(np.sqrt(left_v2 * np.linalg.inv(design.T @ design)[1, 1]))
    return Trend(-float(fitted[1]), _ALIKE * u_v_h)


def _still_settles(hours: F64, spread_v: F64) -> bool:
    """Whether a spread moves as polarisation that dies away may move it: apart, or together and slower and slower."""
    line = line_through(hours, spread_v)
    return line.slope > 0.0 or _slows_down(hours, spread_v)


def _slows_down(hours: F64, spread_v: F64) -> bool:
    half = len(hours) // 2
    early, late = line_through(hours[:half], spread_v[:half]).slope, line_through(hours[half:], spread_v[half:]).slope
    return bool(late > _GOES_ON * early)


def misfit(w: Window, fit: Fit, profile: PackProfile) -> str:
    """Why nothing is forecast by a fit, or ""."""
    own_v, all_v = left_over_v(w, fit)
    wide_v = _LEFT_SHARE * float(np.ptp(w.volts_v[-1]))
    if own_v > max(_LEFT_OWN_V, wide_v) or all_v > max(_LEFT_ALL_V, wide_v):
        return f"the voltages move otherwise than any rule of boards explains ({own_v * 1e3:.1f} mV left over)"
    if fit.guess.rule != "none" and bleed_a(w, fit, profile) > _MOST_BLEED_A:
        return "the voltages would take a bleed current that no board has"
    return ""


def kept_to_trend(found: Balancing, w: Window, fit: Fit, goal_v: float, profile: PackProfile) -> Balancing:
    """A time is weighed with the trend, in volts; no "never" and no "over a day" is said against it."""
    gap_v = (found.spread_mv or 0.0) / 1e3 - goal_v
    if found.answer == "time" and not CHEMISTRIES[profile.chemistry].judged_by_charge:
        return _as_it_errs(_weighed(found, trend_of(w), gap_v))
    return _no_never(found, w, fit, gap_v, profile) if found.answer in ("never", "over_24_h") else found


def _no_never(found: Balancing, w: Window, fit: Fit, gap_v: float, profile: PackProfile) -> Balancing:
    """No "never" and no "over a day" against a spread that is seen to close; no "never" where it may well be closing.

    Nor where no trend shows, since the current still dies away; but if all groups are under the threshold that the
    owner gives, nothing bleeds. Of a board that bleeds by a threshold alone: `_stops`.
    """
    trend = trend_of(w, after_taper=True)
    given = "balancer.threshold_v" not in profile.defaults
    under = given and float(w.volts_v[-1].max()) < profile.threshold_v - _NONE_BLEEDS_V
    if found.answer == "never" and under and not (trend is not None and trend.clear):
        return found
    if fit.guess.rule == "threshold":
        stops = _stops(found, w, trend, gap_v, profile)
        if stops is not None:
            return stops
    if trend is None or (w.share is None and trend.grows):
        return found.without_time("none", "not_reached", _LOST) if found.answer == "never" else found
    if trend.clear and trend.closing_v_h > gap_v / _DAY_H:
        return _carried_on(found, trend, max(gap_v / trend.closing_v_h, 0.0))
    # Under a rule that closes they meet, but for what the board leaves alone.
    within_h = _WEEK_H if fit.guess.rule in CLOSING else _DAY_H
    if found.answer == "never" and trend.closing_v_h + _MAY_U * trend.u_v_h > gap_v / within_h:
        return found.without_time("none", "not_reached", _LOST)
    return found


def _stops(found: Balancing, w: Window, trend: Trend | None, gap_v: float, profile: PackProfile) -> Balancing | None:
    """By a threshold alone: its lowest group comes to it, and then the gap stays, however fast it closes now.

    As its owner says, unless it would be closed within as long again as the voltage was held. Where rule or threshold
    are a guess, a spread that closes says neither; one that does not is left to what holds for all rules: None.
    """
    if found.answer != "never":
        return found
    told = profile.bleed_rule is not None and "balancer.threshold_v" not in profile.defaults
    if trend is not None and trend.clear:
        soon = gap_v < trend.closing_v_h * np.count_nonzero(w.held) * w.step_h
        return found.without_time("none", "not_reached", _STOPS) if soon or not told else found
    return found if told else None


def _weighed(found: Balancing, trend: Trend | None, gap_v: float) -> Balancing:
    """The forecast and a clear trend carried on, as logs, by their uncertainties; how far they are apart is doubt, too.

    Two looks at one time, of which one knows nothing of boards and cells (weighted mean: JCGM 100:2008, and the spread
    of what is averaged: Hoeting et al., Stat. Sci. 14 (1999) 382).
    """
    if trend is None or not found.remaining_s or gap_v <= 0.0 or not trend.clear:
        return found
    low_s, high_s = found.remaining_low_s or 0.0, found.remaining_high_s or _OPEN * found.remaining_s
    line_u = np.linalg.norm([trend.u_v_h / trend.closing_v_h, _GAP_U_V / gap_v, _LINE_U])
    own_u = max(_LEAST_U, np.log(high_s / max(low_s, _SHORTEST_S)) / (2.0 * _Z90))
    logs = np.log([found.remaining_s, 3600.0 * gap_v / trend.closing_v_h])
    precision = np.array([own_u, line_u]) ** -2.0
    share = precision / precision.sum()
    middle = float(share @ logs)
    half = _Z90 * float(np.sqrt(1.0 / precision.sum() + share @ (logs - middle) ** 2))
    seconds, low_s, high_s = (float(np.exp(middle + k * half)) for k in (0, -1, 1))
    answer: TimeAnswer = "over_24_h" if seconds > _DAY_H * 3600.0 else "time"
    return replace(
        found, answer=answer, remaining_s=seconds, remaining_low_s=low_s,
        remaining_high_s=None if found.remaining_high_s is None else high_s,
    )  # fmt: skip


def _as_it_errs(found: Balancing) -> Balancing:
    """The same time, less sure by what forecasts err beyond their draws: no model is the cells' own."""
    said_s, low_s, high_s = found.remaining_s, found.remaining_low_s, found.remaining_high_s
    if not said_s:
        return found
    return replace(
        found,
        remaining_low_s=None if low_s is None else said_s * (low_s / said_s) ** _ERRS_MORE,
        remaining_high_s=None if high_s is None else said_s * (high_s / said_s) ** _ERRS_MORE,
    )


def _carried_on(found: Balancing, trend: Trend, hours: float) -> Balancing:
    why = f"by the trend of its end, {trend.closing_v_h * 1e3:.1f} mV an hour, carried on"
    return replace(
        found, state="converging", answer="time", remaining_s=SLOWS * hours * 3600.0,
        rate_mv_per_h=trend.closing_v_h * 1e3, rate_u_mv_per_h=trend.u_v_h * 1e3,
        remaining_low_s=_SOONER * hours * 3600.0, remaining_high_s=_LATER * hours * 3600.0, reasons=(why,),
    )  # fmt: skip
