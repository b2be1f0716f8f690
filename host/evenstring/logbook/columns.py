"""Columns of a history that come from many entries: what each tells, and what only two of them in a row tell."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

from evenstring.logbook.entry import Entry
from evenstring.logbook.figures import Rest
from evenstring.logbook.trends.points import WEEK_S

__all__ = ["calibrated_s", "more_columns"]

F64 = NDArray[np.float64]
_LEAST_S = 2 * 86400.0  # between two rests, or a leak is not told: our choice
_SAME_V = 0.010  # a level that moved by less stayed: nothing was charged or ridden between: our choice
_SPREAD_U_MV = 1.0  # of a spread at rest, beside what its recording says: relaxation that goes on: our choice


def more_columns(told: Sequence[Entry], groups: int) -> dict[str, Any]:
    """By name in `History`; the entries are of one string and in order of time."""
    leak, leak_sigma = _leaks(told, groups)
    return {
        "capacity": _table([e.capacity for e in told], groups),
        "capacity_sigma": _column([e.capacity_sigma for e in told]),
        "charge_percent": _table([e.charge_percent for e in told], groups),
        "charge_sigma": _column([e.charge_sigma for e in told]),
        "leak_percent_week": leak,
        "leak_sigma": leak_sigma,
        "spread_rest_mv": _column([e.spread_rest_mv for e in told]),
        "spread_rest_sigma_mv": np.full(len(told), _SPREAD_U_MV),
        "left_percent": _column([e.left_percent for e in told]),
        "began_percent": _column([e.began_percent for e in told]),
        "empty_percent": _column([e.empty_percent for e in told]),
        "full_percent": _column([e.full_percent for e in told]),
        "discharged_wh": _column([e.discharged_wh for e in told]),
        "below_empty_s": np.array([sum(s for _, s in e.below_empty) for e in told], np.float64),
        "sag_mv": _column([None if e.sag is None else e.sag.sag_mv for e in told]),
        "sag_a": _column([None if e.sag is None else e.sag.current_a for e in told]),
        "sag_c": _column([None if e.sag is None else e.sag.temperature_c for e in told]),
        "resistance_mohm": _column([e.resistance_mohm for e in told]),
        "temperature_c": _column([e.temperature_c for e in told]),
    }


def calibrated_s(told: Sequence[Entry]) -> float | None:
    """When the calibration in force at the last recording that told one was found."""
    return next((e.calibrated_s for e in reversed(told) if e.calibrated_s is not None), None)


def _leaks(told: Sequence[Entry], groups: int) -> tuple[F64, F64]:
    """(n, g) and (n,) % a week: of an entry's own, else from the rest before it, where the pack was left alone."""
    rates, sigmas = np.full((len(told), groups), np.nan), np.full(len(told), np.nan)
    for k, entry in enumerate(told):
        if entry.leak_percent_week and entry.leak_sigma is not None:
            rates[k], sigmas[k] = _row(entry.leak_percent_week, groups), entry.leak_sigma
    for k, (early, late) in enumerate(pairwise(told), start=1):
        found = _between(early, late) if np.isnan(sigmas[k]) else None
        if found is not None:
            rates[k], sigmas[k] = found
    return rates, sigmas


def _between(early: Entry, late: Entry) -> tuple[F64, float] | None:
    """As `analysis.causes.self_discharge` has it between two rests; the middle group's own loss does not show."""
    before, after = early.last_rest, late.first_rest
    if before is None or after is None or early.start_s is None or late.start_s is None:
        return None
    apart_s = late.start_s + after.at_s - early.start_s - before.at_s
    if apart_s < _LEAST_S or abs(after.level_v - before.level_v) > _SAME_V:
        return None
    weeks = apart_s / WEEK_S
    fell = _charge(before) - _charge(after)
    return fell / weeks, float(np.hypot(before.u_percent, after.u_percent)) / weeks


def _charge(rest: Rest) -> F64:
    return _row(rest.charge_percent, len(rest.charge_percent))


def _row(values: tuple[float | None, ...], groups: int) -> F64:
    return np.array([np.nan if v is None else v for v in values] or [np.nan] * groups, np.float64)


def _table(rows: list[tuple[float | None, ...]], groups: int) -> F64:
    return np.array([_row(row, groups) for row in rows], np.float64).reshape(len(rows), groups)


def _column(values: Sequence[float | None]) -> F64:
    return np.array([np.nan if v is None else v for v in values], np.float64)
