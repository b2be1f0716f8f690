"""The plan as one self-contained page in the look of the report: the next charge first, then habits, then ageing."""

from __future__ import annotations

from evenstring import __version__
from evenstring.plan.answer import CAUTION, STORAGE, Plan, answer, dated, ranged, rests_on, row
from evenstring.plan.plan_pictures import ageing_picture, drift_picture, spread_picture
from evenstring.report.drawing.picture import draw
from evenstring.report.template import asset, own_css, page_template
from evenstring.report.words import CAUTIONS

__all__ = ["plan_page"]


def plan_page(plan: Plan, name: str) -> str:
    """The page; `name` is of the pack, as its owner calls it."""
    ageing = ageing_picture(plan)
    return page_template(asset("plan.html.j2")).render(
        css=own_css(),
        name=name or "This string",
        about=f"{plan.state.groups} groups · the year to come · {100 * plan.asked.ride_share:.0f} % ridden a day",
        answer=answer(plan),
        urgent=plan.least is None or (plan.first is not None and plan.first.grave),
        spread=draw(spread_picture(plan)),
        habits=_habits(plan),
        drift=draw(drift_picture(plan)),
        ageing=draw(ageing) if ageing else None,
        first=_which_first(plan),
        rests_on=rests_on(plan),
        storage=STORAGE,
        caution=CAUTION,
        cautions=CAUTIONS,
        made_by=f"evenstring {__version__}",
    )


def _habits(plan: Plan) -> list[tuple[str, ...]]:
    out: list[tuple[str, ...]] = []
    for one in plan.ahead:
        told = row(plan, one)
        low, middle, high = told["spread_mv"]
        out.append(
            (
                one.name,
                ranged(low, middle, high),
                dated(one.empty, plan.state.start_s),
                dated(one.ceiling, plan.state.start_s),
                f"{told['charger_h_per_week']:.1f}",
            )
        )
    return out


def _which_first(plan: Plan) -> list[tuple[str, str]]:
    """Drift against ageing, habit by habit: which takes more within the year, where that is clear."""
    out = []
    for one in plan.ahead:
        told = row(plan, one)
        low, middle, high = told["lost_to_spread_percent"]
        aged = told["lost_to_ageing_percent"]
        drift = f"drift takes {middle:.1f} % ({low:.1f} to {high:.1f})"
        if aged is None:
            out.append((one.name, f"{drift}; ageing is not told"))
            continue
        more = "drift comes first" if low > aged else "ageing comes first" if high < aged else "which is first is open"
        out.append((one.name, f"{drift}, ageing about {aged:.1f} %: {more}"))
    return out
