"""Groups of measured packs to cells: from the values of a report.json. Pure.

A report tells a group against the median group of its own pack. What that is in ampere-hours needs a measured capacity
of the pack; a leak stays against the median group, whose own is not known.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from evenstring.errors import InputError
from evenstring.workshop.matching.cells import Cell, Reading

__all__ = ["FORMAT", "OfReport", "cells_of_report"]

FORMAT = "evenstring-report/1"
_Z90 = 1.645  # of a two-sided 90 % normal interval: published
_UNTOLD_PERCENT = 50.0  # standard uncertainty from which a group was as good as not measured: our choice
_BARRING = {  # events after which a cell is not to be charged again
    "below_discard": "was below its discard voltage",
    "reversed": "was driven into reversal",
}

OfReport = tuple[tuple[Cell, ...], tuple[str, ...]]  # the groups, and what was not measured of them


def cells_of_report(report: Mapping[str, Any], where: str, *, alone: bool) -> OfReport:
    """Every group as a cell to be matched, and notes on what is not known.

    Args:
        report: values of report.json.
        where: its name.
        alone: no other file is given, so that departures within the pack are enough.

    Raises:
        InputError: no such report, or one without figures of its groups.
    """
    try:
        groups = report["groups"]
        if report["format"] != FORMAT:
            raise InputError(f"{where}: is no report of a format known here ({FORMAT})")
        if not groups:
            raise InputError(
                f"{where}: tells nothing of its single groups; record a ride and a whole charge, with current"
            )
        whole, said = _whole_ah(report, alone)
        barred, leaks = _barred(report), _leaks(report)
        cells = tuple(_cell(g, where, whole, leaks, barred) for g in groups)
    except (KeyError, TypeError, ValueError, AttributeError) as error:
        older = "; make it anew with `evenstring report`" if "format" in report else ""
        raise InputError(f"{where}: is no report.json with figures of each group{older}") from error
    notes = [f"{where}: {line}" for line in (*said, *_missing(cells))]
    return cells, tuple(notes)


def _whole_ah(report: Mapping[str, Any], alone: bool) -> tuple[float | None, list[str]]:
    measured = report["capacity"]
    if measured:
        return float(measured["ah"]), []
    stated = (report["usable"] or {}).get("ah")
    if alone and stated:
        return float(stated), ["the pack's capacity was not measured: its groups stand against the nameplate's"]
    return None, ["the pack's capacity was not measured, so that its groups' cannot be held against other packs'"]


def _missing(cells: tuple[Cell, ...]) -> list[str]:
    words = ("capacity", "resistance", "leak")
    none = [w for k, w in enumerate(words) if all(c.readings[k] is None for c in cells)]
    return [f"not measured: {', '.join(none)}"] if none else []


def _barred(report: Mapping[str, Any]) -> dict[int, str]:
    out: dict[int, str] = {}
    for event in report["events"]:
        if event["kind"] in _BARRING:
            out[int(event["group"])] = f"{_BARRING[event['kind']]}: not to be charged again"
    for weak in report["weakness"]:
        if weak["cause"] == "self_discharge":
            out.setdefault(int(weak["group"]), "loses charge by itself: to be inspected first")
    for hazard in report["hazards"]:
        if hazard["group"] is not None:
            out.setdefault(int(hazard["group"]), f"{hazard['kind'].replace('_', ' ')}: to be inspected first")
    return out


def _leaks(report: Mapping[str, Any]) -> dict[int, Reading]:
    second = report["second_look"] or {}
    return {
        int(g): Reading(float(percent), (float(high) - float(low)) / 2.0 / _Z90)
        for g, percent, low, high in second.get("all_leaks", ())
    }


def _cell(
    group: Mapping[str, Any], where: str, whole: float | None, leaks: dict[int, Reading], barred: dict[int, str]
) -> Cell:
    number = int(group["group"])
    capacity = resistance = None
    if whole is not None and group["capacity_u_percent"] <= _UNTOLD_PERCENT:
        part = 0.01 * whole
        capacity = Reading(whole + part * float(group["capacity_percent"]), part * float(group["capacity_u_percent"]))
    if group["resistance_mohm"] is not None and group["resistance_u_percent"] <= _UNTOLD_PERCENT:
        mohm = float(group["resistance_mohm"])
        resistance = Reading(mohm, 0.01 * abs(mohm) * float(group["resistance_u_percent"]))
    return Cell(f"group {number}", where, (capacity, resistance, leaks.get(number)), barred.get(number, ""))
