"""A pack over months as one self-contained page in the look of the report: what stands, what to do, level lines."""

from __future__ import annotations

from evenstring import __version__
from evenstring.logbook.trends.group_changes import group_changes
from evenstring.logbook.trends.history import History
from evenstring.logbook.trends.months_picture import day, months_picture
from evenstring.logbook.trends.standing import Standing, since_told, standing
from evenstring.logbook.trends.told import TrendRow, facts, trend_rows
from evenstring.report.drawing.picture import draw
from evenstring.report.template import asset, own_css, page_template
from evenstring.report.words import CAUTIONS, counted

__all__ = ["headline", "months_page", "next_charge", "since_words"]

_URGENT = ("discard", "last_report", "change")
_HEADLINES = {
    "discard": "Do not charge this pack: a group was too low",
    "last_report": "Have it looked at first, as its last report asks",
    "change": "Something began: have it looked at",
    "outruns": "It drifts faster than it is balanced",
    "not_even": "It does not get balanced any more",
    "stored_full": "It stands full for too long",
    "stored_empty": "It stands empty for too long",
    "calibration": "The meter is due for calibration",
    "cycles": "It has done a good part of its life",
}
_CARRY_ON = "as you do; nothing in these recordings asks for anything else"
_RECORD = "record it, to full and until the light has been on for an hour"


def months_page(history: History, name: str, now_s: float) -> str:
    """The page.

    Args:
        history: one string's recordings.
        name: of the pack, as its owner calls it.
        now_s: since 1970.
    """
    changes = group_changes(history)
    stands = standing(history, now_s, changes)
    picture = months_picture(history, changes)
    return page_template(asset("months.html.j2")).render(
        css=own_css(),
        name=name or "This string",
        about=_about(history),
        headline=headline(history, stands),
        urgent=bool(stands) and stands[0].kind in _URGENT,
        standing=[(since_words(one), one) for one in stands],
        next=next_charge(history, stands),
        levels=draw(picture) if picture else None,
        trends=[_row(row) for row in trend_rows(history, changes)],
        facts=facts(history, changes),
        cautions=CAUTIONS,
        made_by=f"evenstring {__version__}",
    )


def next_charge(history: History, stands: tuple[Standing, ...]) -> str:
    """What to do, in a sentence without its full stop."""
    return stands[0].do if stands else _CARRY_ON if len(history) else _RECORD


def headline(history: History, stands: tuple[Standing, ...]) -> str:
    """What stands first, in a few words."""
    if stands:
        return _HEADLINES[stands[0].kind]
    return "Nothing stands against this pack" if len(history) else "Nothing is recorded yet"


def _about(history: History) -> str:
    if not len(history):
        return "no recording"
    span = f"{day(float(history.start_s[0]))} to {day(float(history.end_s[-1]))}"
    return f"{history.groups} groups · {counted(len(history), 'recording')} · {span}"


def since_words(one: Standing) -> str:
    """Since when, with the interval where the date is an estimate."""
    days = (None if at_s is None else day(at_s) for at_s in (one.since_s, one.low_s, one.high_s))
    return since_told(one.kind, *days)


def _row(row: TrendRow) -> tuple[str, ...]:
    made = row.trend
    figures = (f"{v:+z.2f}".replace("-", "\N{MINUS SIGN}") for v in (made.a_week, made.low, made.high))
    return (f"{row.what}, {row.unit}", *figures, f"{made.level:.1f}".replace("-", "\N{MINUS SIGN}"), str(made.count))
