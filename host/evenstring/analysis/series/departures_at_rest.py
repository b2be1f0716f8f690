"""How far each group stands from the median one when no current flows."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from evenstring.analysis.results import Phase
from evenstring.analysis.series.arrays import column_medians, median_group_v
from evenstring.analysis.series.rows_of_phase import between
from evenstring.session import Session

__all__ = ["at_rest_v"]


def at_rest_v(session: Session, phases: tuple[Phase, ...]) -> NDArray[np.float64]:
    """(g,) departures in V from the median group: in the later half of the longest rest, else all through."""
    rests = [p for p in phases if p.kind == "rest"]
    rows = np.ones(session.scans, bool)
    if rests:
        rest = max(rests, key=lambda p: p.end_s - p.start_s)
        rows = between(session.time_s, (rest.start_s + rest.end_s) / 2.0, rest.end_s)
    volts = session.volts_v[rows]
    return np.asarray(column_medians(volts - median_group_v(volts)[:, None]), np.float64)
