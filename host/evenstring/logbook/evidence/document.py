"""evidence.json: all that evidence says, made from the facts of each recording. Page and PDF are made from it alone.

Nothing here reads a file or the clock, so that whoever has the recordings comes to the same document.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass
from datetime import datetime
from typing import Any

from evenstring.logbook.evidence.cannot_say import cannot_say
from evenstring.logbook.evidence.facts import Facts, facts_from, stamp
from evenstring.logbook.evidence.typed import typed
from evenstring.logbook.of_pack import history_of
from evenstring.logbook.trends.group_changes import group_changes
from evenstring.logbook.trends.history import History
from evenstring.logbook.trends.line import student_t975
from evenstring.logbook.trends.months_page import headline, next_charge
from evenstring.logbook.trends.months_picture import months_picture
from evenstring.logbook.trends.standing import standing
from evenstring.logbook.trends.told import TrendRow, facts, trend_rows
from evenstring.report.drawing.picture import Picture
from evenstring.report.report_json import plain_values

__all__ = ["FORMAT", "Cleared", "PackName", "Told", "document", "facts_in", "picture_of", "told_in"]

FORMAT = "evenstring-evidence/1"
_UNDATED = "No recording says when it was made, so nothing is said over time"


@dataclass(frozen=True, slots=True)
class Cleared:
    """A visit below the discard voltage that a person said was dealt with."""

    group: int
    at: str  # ISO 8601 in UTC
    reason: str


@dataclass(frozen=True, slots=True)
class PackName:
    """Which string, by its names in the logbook."""

    vehicle: str
    name: str
    string_name: str
    groups: int
    chemistry: str


@dataclass(frozen=True, slots=True)
class Told:
    """What no recording holds: it is said by people, or by the clock of the day."""

    pack: PackName
    at: str  # when the evidence was written, ISO 8601 in UTC; warnings are those that stood then
    made_by: str
    cleared: tuple[Cleared, ...] = ()

    @property
    def at_s(self) -> float:
        """Since 1970."""
        return _since_1970(self.at)


def document(recordings: Sequence[Facts], told: Told) -> dict[str, Any]:
    """evidence.json as plain values.

    Args:
        recordings: all of one string, in any order.
        told: what they do not hold.
    """
    ordered = sorted(recordings, key=lambda one: (one.start or "", one.number))
    history = _history(ordered, told)
    changes = group_changes(history)
    stands = standing(history, told.at_s, changes)
    dated = [one for one in ordered if one.start]
    last = (dated or ordered)[-1] if ordered else None
    return {
        "format": FORMAT,
        "made_by": told.made_by,
        "at": told.at,
        "pack": asdict(told.pack),
        "headline": _UNDATED if ordered and not (dated or stands) else headline(history, stands),
        "next_charge": next_charge(history, stands),
        "last_recording": None if last is None else {"action": last.action, "next_step": last.next_step},
        "period": {
            "first": dated[0].start if dated else None,
            "last": dated[-1].start if dated else None,
            "recordings": len(ordered),
            "undated": len(ordered) - len(dated),
            "hours": round(sum(one.duration_s for one in ordered) / 3600.0, 1),
        },
        "standing": [_standing(plain_values(one)) for one in stands],
        "cleared": [asdict(one) | {"lowest_v": _lowest(history, one)} for one in told.cleared],
        "trends": [_trend(row) for row in trend_rows(history, changes)],
        "sums": [{"what": what, "said": said} for what, said in facts(history, changes)],
        "meters": _meters(ordered),
        "cannot_say": cannot_say(ordered),
        "recordings": [plain_values(one) for one in ordered],
    }


def facts_in(doc: dict[str, Any]) -> list[Facts]:
    """The facts that a document rests on.

    Raises:
        KeyError, TypeError, ValueError: it is no such document.
    """
    return [facts_from(one) for one in doc["recordings"]]


def told_in(doc: dict[str, Any]) -> Told:
    """What a document holds besides.

    Raises:
        KeyError, TypeError, ValueError: as `facts_in`.
    """
    told = typed(Told, doc)
    _ = [told.at_s, *(_since_1970(one.at) for one in told.cleared)]  # are to be times
    return told


def picture_of(doc: dict[str, Any]) -> Picture | None:
    """The level lines over all its recordings; None below two full charges."""
    history = _history(facts_in(doc), told_in(doc))
    return months_picture(history, group_changes(history))


def _history(facts: Sequence[Facts], told: Told) -> History:
    cleared = {one.group: (_since_1970(one.at), one.reason) for one in told.cleared}
    return history_of([one.of_entry for one in facts], cleared)


def _since_1970(text: str) -> float:
    return datetime.fromisoformat(text).timestamp()


def _lowest(history: History, cleared: Cleared) -> float | None:
    """Of the visits that this clears; None: there is none in these recordings."""
    visits = [v.lowest_v for v in history.visits if v.group == cleared.group and v.cleared]
    return round(min(visits), 3) if visits else None


def _standing(one: dict[str, Any]) -> dict[str, Any]:
    """Times as everywhere in the document."""
    times = {key: None if one[f"{key}_s"] is None else stamp(one[f"{key}_s"]) for key in ("since", "low", "high")}
    return {key: one[key] for key in ("kind", "group", "said", "do")} | times


def _trend(row: TrendRow) -> dict[str, Any]:
    made = row.trend
    reach = student_t975(made.count - 2) * made.level_sigma
    figures = {"a_week": made.a_week, "low": made.low, "high": made.high, "level": made.level,
               "level_low": made.level - reach, "level_high": made.level + reach}  # fmt: skip
    when = {"since": stamp(made.start_s), "until": stamp(made.end_s)}
    return {"what": row.what, "unit": row.unit, **plain_values(figures), "recordings": made.count, **when}


def _meters(facts: Sequence[Facts]) -> list[dict[str, Any]]:
    """Each meter with its calibration once, and the recordings that it read."""
    out: list[dict[str, Any]] = []
    for one in facts:
        known = next((m for m in out if m["meter"] == one.meter), None)
        if known is None:
            out.append({"meter": one.meter, "recordings": [one.number]})
        else:
            known["recordings"].append(one.number)
    return out
