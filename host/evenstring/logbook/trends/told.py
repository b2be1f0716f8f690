"""All trends and sums that a history tells, as rows: for the page, for the command, for a document."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from evenstring.logbook.trends.group_changes import GroupChange
from evenstring.logbook.trends.history import QUANTITIES, History, Quantity
from evenstring.logbook.trends.likes import leaks_now, resistance_alike, sag_alike
from evenstring.logbook.trends.line import Trend, trend
from evenstring.logbook.trends.months_picture import day
from evenstring.logbook.trends.points import Points, points

__all__ = ["CYCLES_HIGH", "CYCLES_LOW", "TrendRow", "facts", "trend_rows"]

CYCLES_LOW, CYCLES_HIGH = 500.0, 700.0  # equivalent full cycles to 70 % of the charge when new: common practice
_WORDS: dict[Quantity, str] = {"departure": "charge", "resistance": "resistance", "capacity": "capacity"}
_FEW = 10.0  # cycles, which are told with a decimal: our choice
_S_PER_MIN = 60.0  # published (SI brochure, minute)


@dataclass(frozen=True, slots=True)
class TrendRow:
    """One line of the table of trends."""

    what: str
    unit: str
    trend: Trend


def trend_rows(history: History, changes: tuple[GroupChange, ...]) -> tuple[TrendRow, ...]:
    """Of the string, then of the groups that changed, then of the group farthest out in each quantity."""
    return tuple(_rows(history, changes))


def _rows(history: History, changes: tuple[GroupChange, ...]) -> Iterator[TrendRow]:
    for what, unit, series in _of_string(history):
        if (made := trend(series)) is not None:
            yield TrendRow(what, unit, made)
    for one in changes:
        series = history.of_group(one.quantity, one.group).since(one.change.at_s)
        what = f"group {one.group}, {_WORDS[one.quantity]}, since {day(one.change.at_s)}"
        if (made := trend(_in_unit(series, one.quantity))) is not None:
            yield TrendRow(what, _unit(one.quantity), made)
    changed = {(one.quantity, one.group) for one in changes}
    for quantity in QUANTITIES:
        if (row := _farthest(history, quantity)) is not None and (quantity, row[0]) not in changed:
            yield TrendRow(f"group {row[0]}, {_WORDS[quantity]}, farthest out", _unit(quantity), row[1])


def _of_string(history: History) -> Iterator[tuple[str, str, Points]]:
    yield "spread at the end of charge, last half year", "mV", history.spread_lately_mv()
    if history.spread_rest_mv is not None and history.spread_rest_sigma_mv is not None:
        yield "spread at rest", "mV", points(history.end_s, history.spread_rest_mv, history.spread_rest_sigma_mv)
    if (sag := sag_alike(history)) is not None:
        at = "" if sag.temperature_c is None else f" near {sag.temperature_c:.0f} °C"
        yield f"deepest sag at {sag.load_a:.0f} A{at}", "mV", sag.series
    if (ohm := resistance_alike(history)) is not None:
        at = "" if ohm.temperature_c is None else f" near {ohm.temperature_c:.0f} °C"
        yield f"resistance of the middle group{at}", "mΩ", ohm.series
    yield "hours on the charger after its light", "h", points(history.end_s, history.held_h, 0.1)


def _farthest(history: History, quantity: Quantity) -> tuple[int, Trend] | None:
    """The group whose line stands farthest on the worse side now."""
    lines = [(g, trend(_in_unit(history.of_group(quantity, g), quantity))) for g in range(1, history.groups + 1)]
    told = [(g, made) for g, made in lines if made is not None]
    sign = 1.0 if quantity == "resistance" else -1.0
    return max(told, key=lambda one: sign * one[1].level, default=None)


def _in_unit(series: Points, quantity: Quantity) -> Points:
    """Ratios as per cent above the middle group."""
    if quantity == "departure":
        return series
    return Points(series.time_s, 100.0 * (series.value - 1.0), 100.0 * series.sigma)


def _unit(quantity: Quantity) -> str:
    return "mV" if quantity == "departure" else "%"


def facts(history: History, changes: tuple[GroupChange, ...]) -> tuple[tuple[str, str], ...]:
    """What these recordings add up to: a word and a sentence each."""
    return tuple(_facts(history, changes)) if len(history) else ()


def _facts(history: History, changes: tuple[GroupChange, ...]) -> Iterator[tuple[str, str]]:
    if np.isfinite(history.cycles).any():
        used = float(np.nansum(history.cycles))
        life = f"{CYCLES_LOW:.0f} to {CYCLES_HIGH:.0f} to 70 % of the charge when new (common practice)"
        one = "one is the whole capacity of the profile, put in once"
        yield "cycles", f"{used:.{1 if used < _FEW else 0}f} equivalent full ones recorded, of {life}; {one}"
    if (said := _vehicle_range(history)) is not None:
        yield "what 0 to 100 % is", said
    known = history.full & np.isfinite(history.even)
    if known.any():
        even = int(history.even[known].sum())
        yield "balanced", f"at the end of {even} of {int(known.sum())} full charges of which it could be told"
    if np.isfinite(history.held_h).any():
        yield "left on after the light", f"{np.nanmedian(history.held_h):.1f} h, the middle one"
    if history.discharged_wh is not None and np.isfinite(history.discharged_wh).any():
        yield "energy", f"{np.nansum(history.discharged_wh) / 1000.0:.1f} kWh taken out while recording"
    if history.below_empty_s is not None:
        minutes = float(history.below_empty_s.sum()) / _S_PER_MIN
        yield "below empty", f"{minutes:.0f} min, all groups together" if minutes else "no group, in any recording"
    if (found := leaks_now(history, changes)) is not None:
        group = int(np.argmax(found.percent_week)) + 1
        best, low, high = found.interval(group)
        rests = f"95 %; {found.pairs} pairs of rests"
        rate = f"{best:+z.2f} % a week more than the middle one ({low:+z.2f} to {high:+z.2f}, {rests})"
        yield "leak", f"group {group} loses most: {rate}"


def _vehicle_range(history: History) -> str | None:
    """What the vehicle's own 0 to 100 % is of the cells' range, as far as these recordings tell."""
    ends = [None if v is None or not np.isfinite(v).any() else float(np.nanmedian(v)) for v in _ends(history)]
    empty, full = ends
    if full is None and empty is None:
        return None
    low = "empty is not seen" if empty is None else f"{empty:.0f} % (a group is at empty under this load)"
    high = "full is not seen" if full is None else f"{full:.0f} % (where the charger stops)"
    share = (
        "" if empty is None or full is None else f"; so a vehicle's full cycle is {(full - empty) / 100.0:.2f} of one"
    )
    return f"of the cells' own range, from {low} to {high}{share}"


def _ends(history: History) -> tuple[np.ndarray | None, np.ndarray | None]:
    return history.empty_percent, history.full_percent
