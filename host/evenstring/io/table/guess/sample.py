"""The rows at both ends of a table, as columns. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from evenstring.io.table.guess.cells import MISSING, kind_of, numbers
from evenstring.io.table.guess.layout import Layout, split_line
from evenstring.io.table.guess.names import Name, parse_name

__all__ = ["Sample", "take_sample"]

F64 = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class Sample:
    """Columns of a sample; `cells` in the order of the table, `values` NaN for what is no number."""

    names: tuple[Name, ...]
    shown: tuple[str, ...]  # names to show: "column 3" where there is none
    cells: tuple[tuple[str, ...], ...]
    values: tuple[F64, ...]

    def filled(self, column: int) -> list[str]:
        """Cells that say something."""
        return [cell for cell in self.cells[column] if cell.strip().lower() not in MISSING]

    def finite(self, column: int) -> F64:
        """Numbers of a column, without those not there."""
        values = self.values[column]
        return values[np.isfinite(values)]

    def is_numeric(self, column: int) -> bool:
        """Whether nearly all that a column says are numbers."""
        said = len(self.filled(column))
        return said > 0 and len(self.finite(column)) >= 0.9 * said

    def level(self, column: int) -> float:
        """Median of the numbers that are not 0 (which may stand for missing); NaN where there is none."""
        values = self.finite(column)
        values = np.abs(values[values != 0])
        return float(np.median(values)) if len(values) else float("nan")


def take_sample(layout: Layout, head: Sequence[str], tail: Sequence[str]) -> Sample:
    """Rows of the first and last lines that are as wide as the table."""
    lines = [*head[layout.first_row :], *tail]
    rows = [row for row in (split_line(line, layout.separator) for line in lines) if len(row) == layout.width]
    rows = [row for row in rows if _is_row(row)] or rows
    cells = tuple(tuple(row[k] for row in rows) for k in range(layout.width))
    names = tuple(
        parse_name(layout.names[k] if layout.names else "", layout.units[k] if layout.units else "")
        for k in range(layout.width)
    )
    shown = tuple(name.text or f"column {k + 1}" for k, name in enumerate(names))
    return Sample(names, shown, cells, tuple(numbers(list(column), layout.decimal) for column in cells))


def _is_row(row: Sequence[str]) -> bool:
    """Most of what it says are numbers or times: no line of names, no footer."""
    kinds = [kind for kind in map(kind_of, row) if kind != "missing"]
    return 2 * sum(kind in ("number", "time") for kind in kinds) >= len(kinds) > 0
