"""Which rows belong to a phase: those from its start to its end, both included."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
from numpy.typing import NDArray

from evenstring.analysis.results import Phase

__all__ = ["between", "rows_in", "rows_of_kind"]

F64 = NDArray[np.float64]


def between(time_s: F64, start_s: float, end_s: float) -> NDArray[np.bool_]:
    """(n,) True from a time to another."""
    return np.asarray((time_s >= start_s) & (time_s <= end_s))


def rows_in(time_s: F64, *phases: Phase) -> NDArray[np.bool_]:
    """(n,) True from the start of the first of some phases to the end of the last."""
    return between(time_s, phases[0].start_s, phases[-1].end_s)


def rows_of_kind(time_s: F64, phases: Iterable[Phase], kind: str, margin_s: float = 0.0) -> NDArray[np.bool_]:
    """(n,) True in every phase whose kind begins with `kind` ("charge" is both its parts), and so long around it."""
    rows = np.zeros(len(time_s), dtype=bool)
    for phase in phases:
        if phase.kind.startswith(kind):
            rows |= between(time_s, phase.start_s - margin_s, phase.end_s + margin_s)
    return rows
