"""Warnings that stand: what a pack's history says until it says otherwise, or until a person clears it with a reason.

Each says since when, how surely, and what to do. The order is that of urgency.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Literal

import numpy as np

from evenstring.hardware.calibrations import INTERVAL_MONTHS
from evenstring.logbook.trends.group_changes import GroupChange, group_changes
from evenstring.logbook.trends.history import History, Quantity
from evenstring.logbook.trends.line import trend
from evenstring.logbook.trends.points import WEEK_S
from evenstring.logbook.trends.told import CYCLES_HIGH, CYCLES_LOW

__all__ = ["Standing", "StandingKind", "since_told", "standing"]

StandingKind = Literal[
    "discard", "last_report", "change", "outruns", "not_even", "stored_full", "stored_empty", "calibration", "cycles"
]
_LAST_CHARGES = 5  # full charges that ended uneven, one after the other; our choice
_STORED_WEEKS = 3.0  # our choice
_FULL_PERCENT, _EMPTY_PERCENT = 90.0, 10.0  # makers advise 30 to 60 % for storage; common practice
_CALIBRATION_WEEKS = INTERVAL_MONTHS * 52.0 / 12.0  # between two calibrations; common practice
_OUTRUN_MV = 20.0  # spread below which drift does not matter yet; twice the usual target of 10 mV, our choice

_SAID: dict[Quantity, str] = {
    "departure": "falls behind the middle group, by {:.0f} mV at the end of charge; likely it leaks, or its bleeding is"
    " stuck on",
    "resistance": "has {:.0f} % more resistance, as of the middle group; likely a joint that works loose, or cells that"
    " failed",
    "capacity": "holds {:.0f} % less charge, as of the middle group; likely its cells age faster, or one was lost",
}
_DO: dict[Quantity, str] = {
    "departure": "charge to full and hold, let the pack rest a day, record again: what still falls at rest leaks in the"
    " cells; do not leave this pack charging alone",
    "resistance": "do not ride hard; have this group's joints looked at and measured by somebody trained for it",
    "capacity": "record a ride to near empty; plan for the range of this group, and have its cells tested",
}


# By the verdict of the last report: our choice
_ASKED = {
    "do_not_charge": (
        "the report of the last recording forbids charging and riding",
        "neither charge nor ride it; its report says why and what to do",
    ),
    "inspect": (
        "the report of the last recording asks for an inspection",
        "have it inspected before the next charge or ride; its report says why",
    ),
}


@dataclass(frozen=True, slots=True)
class Standing:
    """One warning that stands."""

    kind: StandingKind
    since_s: float | None  # when it became true; of a change the likeliest date; None: not told
    said: str  # one sentence, with figures and how sure
    do: str  # what to do
    group: int | None = None  # from 1; None: the whole string
    low_s: float | None = None  # 95 % interval of the date, where there is one
    high_s: float | None = None


def since_told(kind: str, since: str | None, low: str | None, high: str | None) -> str:
    """Since when a warning stands, of days in words, with the interval where the date is an estimate."""
    if kind == "outruns":
        return "by its trend"  # a mean over months: when it began is for the changes to say
    if since is None:
        return "in a recording without a date"
    if low is None or high is None:
        return f"since {since}"
    return f"since about {since} (95 %: {low} to {high})"


def standing(history: History, now_s: float, changes: tuple[GroupChange, ...] | None = None) -> tuple[Standing, ...]:
    """All warnings that stand at a time.

    Args:
        history: of one string, up to that time.
        now_s: since 1970.
        changes: of the same history, where they are known already.
    """
    if not len(history):
        return (*_discard(history), *_asked(history))  # of recordings without a date
    found = group_changes(history) if changes is None else changes
    rules = (_discard(history), _asked(history), _changed(found), _outruns(history), _not_even(history))
    return tuple(
        one
        for rule in (*rules, _stored(history, now_s), _calibration(history, now_s), _cycles(history))
        for one in rule
    )


def _discard(history: History) -> Iterator[Standing]:
    """One for each group, the lowest first: since its first visit, with the lowest voltage of all."""
    open_ones = [v for v in history.visits if not v.cleared]
    lowest = {group: min(v.lowest_v for v in open_ones if v.group == group) for group in {v.group for v in open_ones}}
    for group, volts in sorted(lowest.items(), key=lambda one: (one[1], one[0])):
        of_group = [v for v in open_ones if v.group == group]
        told = [v.at_s for v in of_group if v.at_s is not None]
        often = f" ({len(of_group)} times in all)" if len(of_group) > 1 else ""
        yield Standing(
            "discard",
            min(told) if told else None,
            f"group {group} was at {volts:.2f} V, where its cells are to be discarded{often}",
            "do not charge or ride this pack; have the group tested and replaced by somebody trained for it."
            " A reason is needed to clear this",
            group,
        )


def _asked(history: History) -> Iterator[Standing]:
    """What the last report asked for stands until a later one does not."""
    for at_s, action in history.asks:
        if action in _ASKED:
            said, do = _ASKED[action]
            yield Standing("last_report", at_s, said, do)


def _changed(changes: tuple[GroupChange, ...]) -> Iterator[Standing]:
    """The largest first: of two groups the one that fell farther is looked at first."""
    for one in sorted(changes, key=lambda one: -one.weight):
        if one.worse:
            moved = abs(one.moved) * (1 if one.quantity == "departure" else 100)
            said = f"group {one.group} {_SAID[one.quantity].format(moved)}"
            made = one.change
            yield Standing("change", made.at_s, said, _DO[one.quantity], one.group, made.low_s, made.high_s)


def _outruns(history: History) -> Iterator[Standing]:
    """The spread grows although charges go to full: what balances is slower than what drifts."""
    line = trend(history.spread_lately_mv())
    if line is not None and line.low > 0 and line.level - 2 * line.level_sigma > _OUTRUN_MV:
        weeks = (float(history.end_s[-1]) - line.start_s) / WEEK_S
        yield Standing(
            "outruns",
            None,
            f"the spread at the end of charge grew by {line.a_week:.1f} mV a week over the last {weeks:.0f} weeks"
            f" ({line.low:.1f} to {line.high:.1f}, 95 %) and stands at {line.level:.0f} mV: the groups drift faster"
            " than they are balanced",
            "next charge: to full, and leave it on after the light for several hours, where you can watch it; then each"
            " time until this goes away",
        )


def _not_even(history: History) -> Iterator[Standing]:
    known = np.flatnonzero(history.full & np.isfinite(history.even))
    last = known[-_LAST_CHARGES:]
    if len(last) == _LAST_CHARGES and not history.even[last].any():
        held = float(np.nanmedian(history.held_h[last])) if np.isfinite(history.held_h[last]).any() else None
        hours = "" if held is None else f"; it stayed on for {held:.1f} h after the light, middle of these"
        yield Standing(
            "not_even",
            float(history.end_s[last[0]]),
            f"none of the last {_LAST_CHARGES} full charges ended balanced{hours}",
            "next charge: leave it on longer after the light, where you can watch it",
        )


def _stored(history: History, now_s: float) -> Iterator[Standing]:
    """Only the last stretch: what was before is over and cannot be mended."""
    weeks, left = (now_s - float(history.end_s[-1])) / WEEK_S, float(history.left_percent[-1])
    if weeks < _STORED_WEEKS:
        return
    if left >= _FULL_PERCENT:
        said = f"stands at {left:.0f} % since {weeks:.0f} weeks, by the last recording: full cells age faster"
        yield Standing("stored_full", float(history.end_s[-1]), said, "ride it down to 40 to 60 % before it stands on")
    if left <= _EMPTY_PERCENT:
        said = (
            f"stands at {left:.0f} % since {weeks:.0f} weeks, by the last recording: a group may fall below its limit"
        )
        do = "measure each group before charging; none below its lowest limit? then charge to 40 to 60 %, watching it"
        yield Standing("stored_empty", float(history.end_s[-1]), said, do)


def _calibration(history: History, now_s: float) -> Iterator[Standing]:
    if history.calibrated_s is None:
        said = "the meter's calibration has no date: how far to trust absolute voltages is not known"
        yield Standing("calibration", float(history.end_s[0]), said, "calibrate the meter against a known one")
        return
    weeks = (now_s - history.calibrated_s) / WEEK_S
    if weeks > _CALIBRATION_WEEKS:
        said = f"the meter was calibrated {weeks:.0f} weeks ago, more than a year"
        yield Standing("calibration", history.calibrated_s + _CALIBRATION_WEEKS * WEEK_S, said, "calibrate the meter")


def _cycles(history: History) -> Iterator[Standing]:
    used = np.nancumsum(history.cycles)
    if used[-1] >= CYCLES_LOW:
        place = int(np.searchsorted(used, CYCLES_LOW))
        said = (
            f"{used[-1]:.0f} equivalent full cycles recorded of the {CYCLES_LOW:.0f} to {CYCLES_HIGH:.0f} after which"
            " 70 % of the charge is left, as a rule"
        )
        do = "record a ride to near empty: the charge it gives says more than the count"
        yield Standing("cycles", float(history.end_s[place]), said, do)
