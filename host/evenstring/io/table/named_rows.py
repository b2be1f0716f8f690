"""A table whose columns have names, row by row as text: for tables that are no time series."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from evenstring.errors import InputError
from evenstring.io.table.guess.layout import Layout, guess_layout, split_line
from evenstring.io.table.text import TableText, open_table

__all__ = ["NamedRows", "read_named_rows"]

_MOST_ROWS = 100_000  # our choice


@dataclass(frozen=True, slots=True)
class NamedRows:
    """A whole table.

    Attributes:
        where: name of the file, for messages. names, units: of the columns; units are empty where there is no such row.
        decimal: the decimal mark. rows: line number (from 1) and cells.
    """

    where: str
    names: tuple[str, ...]
    units: tuple[str, ...]
    decimal: str
    rows: Sequence[tuple[int, list[str]]]

    def unit(self, column: int) -> str:
        """What the row of units says of a column."""
        return self.units[column] if column < len(self.units) else ""


def read_named_rows(path: Path) -> NamedRows:
    """Read a CSV file or a workbook (.xlsx); empty lines are passed over.

    Raises:
        InputError: not readable, no table, or one without names.
    """
    with open_table(path) as text:
        layout = _layout(text)
        if not layout.names:
            raise InputError(f"{path}: the columns have no names; put a line of names above the numbers")
        rows: list[tuple[int, list[str]]] = []
        for number, block in text.blocks(layout.first_row):
            for k, line in enumerate(block.decode("utf-8", "replace").split("\n")):
                if line.strip(" \r\t,;|"):
                    rows.append((number + k + 1, _cells(line.rstrip("\r"), layout, path, number + k + 1)))
            if len(rows) > _MOST_ROWS:
                raise InputError(f"{path}: has more than {_MOST_ROWS:,} rows; give a smaller table")
        return NamedRows(path.name, layout.names, layout.units, layout.decimal, rows)


def _layout(text: TableText) -> Layout:
    try:
        return guess_layout(text.head, text.where)
    except InputError as error:  # whose advice is on tables over time
        what = str(error).partition("; ")[0]
        raise InputError(
            f"{what}; give one row each, numbers without their units, and a line of names above"
        ) from error


def _cells(line: str, layout: Layout, path: Path, number: int) -> list[str]:
    cells = split_line(line, layout.separator)
    if any(c.strip() for c in cells[layout.width :]):
        raise InputError(f"{path}: line {number} has {len(cells)} cells, the others {layout.width}; correct it")
    return cells + [""] * (layout.width - len(cells))
