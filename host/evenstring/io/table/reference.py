"""Readings of a reference meter at the cells, from a table: what a calibration rests on."""

from __future__ import annotations

import math
from collections.abc import Iterator

from evenstring.errors import InputError
from evenstring.hardware.calibrate import ReferencePoint
from evenstring.hardware.meter_spec import MeterUncertainty
from evenstring.io.table.hand_table import HandRow, HandTable

__all__ = ["REFERENCE_NEEDS", "reference_points"]

REFERENCE_NEEDS = (
    "group and volts (the meter at each group), or tap and volts (against tap 0); beside them start_s and end_s, or"
    " at_s (seconds of the recording; without them all of it), and u_volts (the meter's standard uncertainty)"
)
_AROUND_S = 15.0  # on either side of a reading whose one moment is told; our choice


def reference_points(table: HandTable, meter: MeterUncertainty | None) -> tuple[ReferencePoint, ...]:
    """Reference points of a table with one reading a line, group by group or against tap 0.

    Args:
        table: as it was read.
        meter: for readings whose line says no uncertainty.

    Raises:
        InputError: with its line, what cannot be used; or nothing says how uncertain the meter is.
    """
    if table.by_group:
        # A reading is rounded to its last digit: a rectangle (JCGM 100:2008, F.2.2.1).
        own_v = table.digit_v / math.sqrt(12)
        return tuple(_point(table, row, row, row.volts_v, (_u_v(table, row, meter), own_v)) for row in table.rows)
    return tuple(point for sweep in _sweeps(table) for point in _between_taps(table, sweep, meter))


def _sweeps(table: HandTable) -> Iterator[dict[int, HandRow]]:
    """Readings against tap 0, each tap once; one that comes again begins the next sweep."""
    sweep: dict[int, HandRow] = {}
    for row in table.rows:
        if row.place in sweep:
            yield sweep
            sweep = {}
        sweep[row.place] = row
    yield sweep


def _between_taps(
    table: HandTable, sweep: dict[int, HandRow], meter: MeterUncertainty | None
) -> Iterator[ReferencePoint]:
    """Groups as differences of taps: two readings each, whose uncertainties may well not cancel."""
    for tap, high in sorted(sweep.items()):
        low = sweep.get(tap - 1)
        if tap == 0 or (low is None and tap > 1):
            continue
        low = low or high  # tap 0 need not be measured against itself
        low_v = 0.0 if tap == 1 else low.volts_v
        volts_v, u_high_v = high.volts_v - low_v, _u_v(table, high, meter)
        u_low_v = 0.0 if tap == 1 else _u_v(table, low, meter)
        common_v = u_high_v * volts_v / high.volts_v if high.volts_v > volts_v else u_high_v
        own_v = (
            math.hypot(u_high_v, u_low_v, table.digit_v / math.sqrt(6)) if tap > 1 else table.digit_v / math.sqrt(12)
        )
        yield _point(table, low, high, volts_v, (common_v, own_v), tap)


def _point(
    table: HandTable, low: HandRow, high: HandRow, volts_v: float, u_v: tuple[float, float], group: int | None = None
) -> ReferencePoint:
    (start_s, end_s), (start_2_s, end_2_s) = _when(table, low), _when(table, high)
    return ReferencePoint(group or high.place, min(start_s, start_2_s), max(end_s, end_2_s), volts_v, *u_v)


def _when(table: HandTable, row: HandRow) -> tuple[float, float]:
    if row.start_s is None and row.end_s is None:
        return -math.inf, math.inf
    if row.start_s is None or row.end_s is None or row.end_s < row.start_s:
        raise InputError(f"{table.where}: line {row.line}: end_s must come after start_s, and both be there")
    if row.start_s == row.end_s:
        return row.start_s - _AROUND_S, row.end_s + _AROUND_S
    return row.start_s, row.end_s


def _u_v(table: HandTable, row: HandRow, meter: MeterUncertainty | None) -> float:
    if row.u_v is not None:
        return row.u_v
    if meter is None:
        raise InputError(
            f"{table.where}: line {row.line}: nothing says how uncertain the meter is; add a column u_volts (standard"
            ' uncertainty), or give --job "meter_uncertainty=0.02 % + 0.5 mV (k = 2)"'
        )
    return meter.u_v(row.volts_v)
