"""Pictures of a plan: the spread over the year under each habit, and what drift and ageing take, on one scale."""

from __future__ import annotations

from datetime import UTC, datetime

import numpy as np
from numpy.typing import NDArray

from evenstring.plan.answer import Plan, aged_percent
from evenstring.plan.habits import DAYS, Outlook
from evenstring.report.drawing.axis import Axis, number_axis
from evenstring.report.drawing.picture import Area, Line, Picture, Rule

__all__ = ["ageing_picture", "drift_picture", "spread_picture"]

F64 = NDArray[np.float64]
_DAY_S = 86_400.0  # published (SI brochure, day)
_SHORT = ("each time", "every 5th", "every 10th", "80 % only", "monthly")  # as wide as a phone's margin
_DAYS = np.arange(1.0, DAYS + 1)


def spread_picture(plan: Plan) -> Picture:
    """Middle of the interval for each habit; the whole interval for the two habits that people argue about."""
    highest = max(float(one.spread_mv[:, 1].max()) for one in plan.ahead)
    fans = [one for one in plan.ahead if one.habit.full_every in (0, 1)]
    top = max(highest, 1.3 * plan.asked.limit_mv, min(max(float(o.spread_mv[-1, 2]) for o in fans), 2.0 * highest))
    lines = tuple(
        Line(_DAYS, one.spread_mv[:, 1], one.name, _kind(plan, k), _SHORT[k]) for k, one in enumerate(plan.ahead)
    )
    return Picture(
        key="habits",
        alt="Spread over a year. "
        + "; ".join(f"{o.name}: {o.spread_mv[-1, 1]:.0f} mV at its end" for o in plan.ahead)
        + ".",
        caption="Each line is one habit, the middle of a hundred packs that this one may be; shaded: where nine in ten"
        " of them lie, for the first habit and for 80 % only. A line falls where a full charge was held.",
        x=_year(plan.state.start_s),
        y=number_axis(0.0, top, "mV"),
        y_word="mV, highest minus lowest group at rest after the day's charge",
        lines=lines,
        areas=tuple(Area(_DAYS, one.spread_mv[:, 0], one.spread_mv[:, 2]) for one in fans),
        rules=(Rule(plan.asked.limit_mv, f"{plan.asked.limit_mv:.0f} mV: from here a ride feels it"),),
        timed=False,
    )


def ageing_picture(plan: Plan) -> Picture | None:
    """Capacity that ageing takes, a line for each top of the ordinary day; None where no model is known."""
    tops: dict[str, F64] = {}
    for one in plan.ahead:
        aged = _aged(plan, one)
        if aged is None:
            return None
        tops.setdefault("to 100 %" if one.habit.full_every == 1 else f"to {100 * one.habit.stop_soc:.0f} %", aged)
    lines = [Line(_DAYS, v, f"charged {word}", f"main n{k}", word) for k, (word, v) in enumerate(tops.items())]
    why = "by a published model; no balancing brings it back. It goes by the top of the ordinary day"
    return _lost(plan, "ageing", lines, "What ageing takes", why)


def drift_picture(plan: Plan) -> Picture:
    """Range that the spread takes."""
    kinds = [_kind(plan, k) for k in range(len(plan.ahead))]
    inside = [k for k, kind in enumerate(kinds) if kind.startswith("main")]
    # Those that stay level lie on one another, and so would their names.
    names = dict.fromkeys(inside[1:], "") | ({inside[0]: "the others"} if len(inside) > 1 else {})
    lines = [
        Line(_DAYS, one.gap_percent[:, 1], one.name, kinds[k], names.get(k, _SHORT[k]))
        for k, one in enumerate(plan.ahead)
    ]
    return _lost(plan, "drift", lines, "What drift takes", "the charge by which the lowest group ends every ride early")


def _lost(plan: Plan, key: str, lines: list[Line], title: str, why: str) -> Picture:
    return Picture(
        key=key,
        alt=f"{title} over a year. " + "; ".join(f"{one.name}: {one.y[-1]:.1f} %" for one in lines) + ".",
        caption=f"{title}: {why}. Both pictures have one scale.",
        x=_year(plan.state.start_s),
        y=number_axis(0.0, _most(plan), "%", 5),
        y_word="% of the capacity",
        lines=tuple(lines),
        timed=False,
    )


def _most(plan: Plan) -> float:
    """The scale that drift and ageing share."""
    aged = [float(v[-1]) for one in plan.ahead if (v := _aged(plan, one)) is not None]
    return max([float(one.gap_percent[:, 1].max()) for one in plan.ahead] + aged + [1.0])


def _aged(plan: Plan, one: Outlook) -> F64 | None:
    at = [aged_percent(plan.state, one, plan.asked.ride_share, float(d)) for d in _DAYS[:: DAYS // 24]]
    if any(v is None for v in at):
        return None
    return np.asarray(np.interp(_DAYS, _DAYS[:: DAYS // 24], np.array(at, np.float64)))


def _kind(plan: Plan, k: int) -> str:
    """The accent for what leaves the surface: a habit that ends the year above the limit; dashes tell habits apart."""
    out = float(plan.ahead[k].spread_mv[-1, 1]) > plan.asked.limit_mv
    return f"{'leaves' if out else 'main'} n{min(k, 3)}"


def _year(start_s: float | None) -> Axis:
    """Days of the year to come; months where the first day is known."""
    if start_s is None:
        ticks = tuple((float(d), f"day {d}") for d in range(90, DAYS, 90))
        return Axis(1.0, float(DAYS), ticks, "d")
    first = datetime.fromtimestamp(start_s, UTC)
    months = [first.year * 12 + first.month - 1 + k for k in range(3, 13, 3)]
    starts = [datetime(m // 12, m % 12 + 1, 1, tzinfo=UTC) for m in months]
    days = [((d.timestamp() - start_s) / _DAY_S, d.strftime("%Y-%m")) for d in starts]
    return Axis(1.0, float(DAYS), tuple((d, word) for d, word in days if 1.0 < d < DAYS), "d")
