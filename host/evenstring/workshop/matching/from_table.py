"""Rows of a table to cells. Pure."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from evenstring.errors import InputError
from evenstring.io.table.guess.cells import MISSING, number
from evenstring.io.table.named_rows import NamedRows
from evenstring.workshop.matching.cells import QUANTITIES, Cell, Reading
from evenstring.workshop.matching.columns import Column, Columns

__all__ = ["cells_of_table"]

_WEEK_H = 168.0
# Rows below a table that are no cell; common practice.
_SUMMARY = frozenset({"total", "sum", "summe", "mean", "average", "avg", "mittelwert", "median", "min", "max", "stdev"})


def cells_of_table(rows: NamedRows, columns: Columns, capacity_ah: float | None = None) -> Iterator[Cell]:
    """Row by row; rows of totals and means are passed over.

    Args:
        rows: of the table.
        columns: what they are.
        capacity_ah: of a cell, where a leak in mA has no capacity beside it.

    Raises:
        InputError: with line and column.
    """
    seen: dict[str, int] = {}
    for line, cells in rows.rows:
        label = cells[columns.label].strip() if columns.label is not None else ""
        if label.lower().rstrip(":.") in _SUMMARY:
            continue
        label = label or f"row {len(seen) + 1}"
        if label in seen:
            raise InputError(f"{rows.where}: lines {seen[label]} and {line} are both cell {label!r}; give each its own")
        seen[label] = line
        values = {c.quantity: _value(rows, c, line, cells) for c in columns.values}
        u = {c.quantity: _value(rows, c, line, cells) for c in columns.uncertainties}
        yield Cell(label, rows.where, _readings(values, u, columns, rows, line, capacity_ah))


def _value(rows: NamedRows, column: Column, line: int, cells: Sequence[str]) -> float | None:
    text = cells[column.at].strip() if column.at < len(cells) else ""
    if text.lower() in MISSING:
        return None
    try:
        value = number(text, rows.decimal) * column.factor
    except ValueError as error:
        raise InputError(
            f"{rows.where}: line {line}, column {rows.names[column.at]!r}: {text[:40]!r} is no number; correct it, or"
            " leave the cell empty where nothing was measured"
        ) from error
    if value < 0.0 and column.quantity < 2:
        raise InputError(f"{rows.where}: line {line}, column {rows.names[column.at]!r}: {text[:40]} is below zero")
    return value


def _readings(
    values: dict[int, float | None],
    u: dict[int, float | None],
    columns: Columns,
    rows: NamedRows,
    line: int,
    capacity_ah: float | None,
) -> tuple[Reading | None, Reading | None, Reading | None]:
    factor = {}
    for column in (*columns.values, *columns.uncertainties):
        if column.is_current:
            ah = values.get(0) or capacity_ah
            if not ah and values.get(column.quantity) is not None:
                raise InputError(
                    f"{rows.where}: line {line}: a leak in mA needs the cell's capacity; add it, or say --capacity"
                )
            factor[id(column)] = 100.0 * _WEEK_H / (ah or 1.0)
    for given, of in ((values, columns.values), (u, columns.uncertainties)):
        for column in of:
            value = given[column.quantity]
            if value is not None:
                given[column.quantity] = value * factor.get(id(column), 1.0)
    made = []
    for k in range(len(QUANTITIES)):
        value = values.get(k)
        made.append(None if value is None else Reading(value, u.get(k)))
    return made[0], made[1], made[2]
