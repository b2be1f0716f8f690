"""Limits of a single cell, whatever its neighbours are."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from evenstring.workshop.matching.cells import QUANTITIES, Cell

__all__ = ["Limits"]


@dataclass(frozen=True, slots=True)
class Limits:
    """None: no limit. A quantity that was not measured breaks none."""

    least_capacity_ah: float | None = None
    most_resistance_mohm: float | None = None
    most_leak_percent_per_week: float | None = None

    def applied(self, cells: Sequence[Cell]) -> list[Cell]:
        """The same cells; barred are those beyond a limit."""
        return [replace(c, barred=c.barred or self._broken(c)) for c in cells]

    def _broken(self, cell: Cell) -> str:
        limits = (self.least_capacity_ah, self.most_resistance_mohm, self.most_leak_percent_per_week)
        for q, limit, reading in zip(QUANTITIES, limits, cell.readings, strict=True):
            if limit is not None and reading is not None and q.worse * (reading.value - limit) > 0.0:
                side = "above" if q.worse > 0.0 else "below"
                return f"{q.word} {reading.value:.{q.digits}f} {q.unit}, {side} the limit of {limit:g}"
        return ""
