"""The recordings of one pack as columns for the trends."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from evenstring.logbook.columns import calibrated_s, more_columns
from evenstring.logbook.entry import Entry
from evenstring.logbook.trends.history import DiscardVisit, History

__all__ = ["history_of"]

F64 = NDArray[np.float64]
_FULL = (
    "full",
    "ended_uneven",
    "charger_low",
    "stopped_early",
)  # a group was at its top, or the light came: as in report.json


def history_of(entries: Sequence[Entry], cleared: dict[int, tuple[float, str]] | None = None) -> History:
    """Entries of one string in order of time. Those without a date count in no column, but their visits do.

    Args:
        entries: of equal group counts.
        cleared: by group, when and why a visit below the discard voltage was cleared.
    """
    told = sorted((e for e in entries if e.start_s is not None), key=lambda e: e.start_s or 0.0)
    start = np.array([e.start_s for e in told], np.float64)
    unknown = np.full((len(told), entries[0].groups if entries else 0), np.nan)
    undated = [e for e in entries if e.start_s is None]
    visits = [
        DiscardVisit(e.start_s, group, lowest, _why(cleared or {}, group, e.start_s))
        for e in (*undated, *told)
        for group, lowest in e.below_discard
    ]
    return History(
        start_s=start,
        end_s=start + np.array([e.duration_s for e in told], np.float64),
        departure_mv=_table([e.departure_mv for e in told], unknown),
        departure_sigma_mv=_column([e.departure_sigma_mv for e in told]),
        resistance=_table([e.resistance for e in told], unknown),
        resistance_sigma=_column([e.resistance_sigma for e in told]),
        **more_columns(told, unknown.shape[1]),
        full=np.array([e.ended in _FULL for e in told], bool),
        even=_column([None if e.balanced is None else float(e.balanced) for e in told]),
        held_h=_column([e.held_h for e in told]),
        cycles=_column([None if e.charged_ah is None else e.charged_ah / e.capacity_ah for e in told]),
        calibrated_s=calibrated_s(told),
        visits=tuple(visits),
        asks=tuple((e.start_s, e.action) for e in (told or undated)[-1:]),
    )


def _why(cleared: dict[int, tuple[float, str]], group: int, visit_s: float | None) -> str:
    at_s, reason = cleared.get(group, (-np.inf, ""))
    return reason if visit_s is None or at_s >= visit_s else ""


def _table(rows: list[tuple[float | None, ...]], unknown: F64) -> F64:
    return np.array([[np.nan if v is None else v for v in row] for row in rows], np.float64).reshape(unknown.shape)


def _column(values: Sequence[float | None]) -> F64:
    return np.array([np.nan if v is None else v for v in values], np.float64)
