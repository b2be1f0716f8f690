"""Columns of a table to cells: which column is what, by its name and the unit in it. Pure."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from evenstring.errors import InputError
from evenstring.io.table.guess.cells import MISSING, number
from evenstring.io.table.named_rows import NamedRows
from evenstring.workshop.matching.cells import QUANTITIES, Cell, Reading

__all__ = ["Columns", "cells_of_table", "columns_of"]

_WORDS = {
    "label": "cell zelle group gruppe label name id serial sn no nr number nummer",
    "capacity_ah": "capacity cap kapazitat capacite capacidad ah mah",
    "resistance_mohm": "resistance ri ir r r0 dcir acir esr innenwiderstand widerstand mohm ohm ω mω",
    "leak_percent_per_week": "leak leakage selfdischarge discharge selbstentladung loss",
}
_ROLES = {word: role for role, words in _WORDS.items() for word in words.split()}
_UNCERTAIN = frozenset({"u", "uncertainty", "unsicherheit", "sigma"})
# Unit, as letters in a column's name: factor to the quantity's own. Percent a month: of 30.4 days.
_UNITS = {
    "capacity_ah": {"ah": 1.0, "mah": 1e-3},
    "resistance_mohm": {"mohm": 1.0, "mω": 1.0, "ohm": 1e3, "ω": 1e3, "uohm": 1e-3, "μohm": 1e-3, "μω": 1e-3},
    "leak_percent_per_week": {"week": 1.0, "woche": 1.0, "month": 7.0 / 30.4, "monat": 7.0 / 30.4,
                              "day": 7.0, "tag": 7.0},
}  # fmt: skip
_LEAK_A = {"ma": 1e-3, "ua": 1e-6, "μa": 1e-6}  # a current: needs the cell's capacity
_WEEK_H = 168.0
_TOKEN = re.compile(r"[a-zωμ]+0?|%")


@dataclass(frozen=True, slots=True)
class _Column:
    at: int
    quantity: int  # in QUANTITIES
    factor: float
    is_current: bool = False


@dataclass(frozen=True, slots=True)
class Columns:
    """What each column of a table is; `ignored`: names of those that are none of it."""

    label: int | None
    values: tuple[_Column, ...]
    uncertainties: tuple[_Column, ...]
    ignored: tuple[str, ...]

    def said(self, names: Sequence[str]) -> str:
        """In words."""
        parts = [f"{names[c.at]}: {QUANTITIES[c.quantity].word}" for c in self.values]
        parts += [
            f"{names[c.at]}: its standard uncertainty ({QUANTITIES[c.quantity].word})" for c in self.uncertainties
        ]
        label = "cells are counted by their rows" if self.label is None else f"{names[self.label]}: the cell's label"
        unused = f"; not used: {', '.join(self.ignored)}" if self.ignored else ""
        return "; ".join([label, *parts]) + unused


def columns_of(rows: NamedRows) -> Columns:
    """By the columns' names.

    Raises:
        InputError: no capacity, resistance or leak among them, one of them twice, or without its unit.
    """
    label: int | None = None
    values: dict[int, _Column] = {}
    uncertain: dict[int, _Column] = {}
    ignored = []
    for at, name in enumerate(rows.names):
        tokens = _tokens(name)
        role = next((_ROLES[t] for t in tokens if t in _ROLES and _ROLES[t] != "label"), None)
        if role is not None:
            column = _column(at, role, [*tokens, *_tokens(rows.unit(at))], rows)
            into = uncertain if _UNCERTAIN & set(tokens) else values
            if column.quantity in into:
                both = f"{rows.names[into[column.quantity].at]} and {name}"
                raise InputError(f"{rows.where}: {both} are both a {QUANTITIES[column.quantity].word}; keep one")
            into[column.quantity] = column
        elif label is None and any(_ROLES.get(t) == "label" for t in tokens):
            label = at
        elif name:
            ignored.append(name)
    if not values:
        raise InputError(
            f"{rows.where}: no column is named capacity_ah, resistance_mohm or leak_ma (or leak_percent_per_week); the"
            f" names are {', '.join(rows.names) or 'none'}"
        )
    return Columns(label, tuple(values.values()), tuple(uncertain.values()), tuple(ignored))


def _tokens(name: str) -> list[str]:
    folded = unicodedata.normalize("NFKD", name)
    return _TOKEN.findall("".join(c for c in folded if not unicodedata.combining(c)).lower().replace("self-", "self"))


def _column(at: int, role: str, tokens: Sequence[str], rows: NamedRows) -> _Column:
    quantity = next(k for k, q in enumerate(QUANTITIES) if q.key == role)
    units = _UNITS[role]
    if role == "leak_percent_per_week":
        current = next((_LEAK_A[t] for t in tokens if t in _LEAK_A), None)
        if current is not None:
            return _Column(at, quantity, current, is_current=True)
    factor = next((units[t] for t in tokens if t in units), None)
    if factor is None:
        usual = {"capacity_ah": "Ah or mAh", "resistance_mohm": "mohm or ohm"}.get(role, "ma, or percent_per_week")
        raise InputError(
            f"{rows.where}: column {rows.names[at]!r} does not say its unit; put it into the name: {usual}"
        )
    return _Column(at, quantity, factor)


def cells_of_table(rows: NamedRows, columns: Columns, capacity_ah: float | None = None) -> Iterator[Cell]:
    """Row by row.

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
        label = label or f"row {len(seen) + 1}"
        if label in seen:
            raise InputError(f"{rows.where}: lines {seen[label]} and {line} are both cell {label!r}; give each its own")
        seen[label] = line
        values = {c.quantity: _value(rows, c, line, cells) for c in columns.values}
        u = {c.quantity: _value(rows, c, line, cells) for c in columns.uncertainties}
        yield Cell(label, rows.where, _readings(values, u, columns, rows, line, capacity_ah))


def _value(rows: NamedRows, column: _Column, line: int, cells: Sequence[str]) -> float | None:
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
