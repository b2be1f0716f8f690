"""Which column of a table is what: by the words of its name and the unit among them. Pure."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Sequence
from dataclasses import dataclass

from evenstring.errors import InputError
from evenstring.io.table.named_rows import NamedRows
from evenstring.workshop.matching.cells import QUANTITIES

__all__ = ["Column", "Columns", "columns_of"]

_LABEL = frozenset({"cell", "zelle", "group", "gruppe", "label", "name", "id", "serial", "sn", "no", "nr", "number"})
_UNCERTAIN = frozenset({"u", "uncertainty", "unsicherheit", "sigma"})
# Words of each quantity, in the order of QUANTITIES; a unit alone is word enough for the first two.
_WORDS = (
    frozenset({"capacity", "cap", "kapazitat", "capacite", "capacidad", "ah", "mah"}),
    frozenset({"resistance", "r", "ri", "ir", "r0", "dcir", "acir", "esr", "innenwiderstand", "widerstand",
               "mohm", "ohm", "ω", "mω"}),
    frozenset({"leak", "leakage", "selfdischarge", "selbstentladung"}),
)  # fmt: skip
# Unit, as letters in a column's name: factor to the quantity's own. A month has 30.4 days.
_UNITS = (
    {"ah": 1.0, "mah": 1e-3},
    {"mohm": 1.0, "mω": 1.0, "ohm": 1e3, "ω": 1e3, "uohm": 1e-3, "μohm": 1e-3, "μω": 1e-3},
    {"week": 1.0, "woche": 1.0, "month": 7.0 / 30.4, "monat": 7.0 / 30.4, "day": 7.0, "tag": 7.0},
)
_PERCENT = frozenset({"%", "percent", "prozent", "pct"})
_LEAK_A = {"ma": 1e-3, "ua": 1e-6, "μa": 1e-6}  # a current: needs the cell's capacity
_USUAL = ("Ah or mAh", "mohm or ohm", "ma, or percent_per_week")
_TOKEN = re.compile(r"[a-zωμ]+0?|%")
_SELF = re.compile(r"self[ _-]?discharge")


@dataclass(frozen=True, slots=True)
class Column:
    """One column that counts: its place, which of QUANTITIES, the factor to its unit; `is_current`: to amperes."""

    at: int
    quantity: int
    factor: float
    is_current: bool = False


@dataclass(frozen=True, slots=True)
class Columns:
    """What each column of a table is; `ignored`: names of those that are none of it."""

    label: int | None
    values: tuple[Column, ...]
    uncertainties: tuple[Column, ...]
    ignored: tuple[str, ...]

    def said(self, names: Sequence[str]) -> str:
        """In words."""
        label = "cells are counted by their rows" if self.label is None else f"{names[self.label]}: the cell's label"
        parts = [f"{names[c.at]}: {QUANTITIES[c.quantity].word}" for c in self.values]
        parts += [f"{names[c.at]}: uncertainty of the {QUANTITIES[c.quantity].word}" for c in self.uncertainties]
        unused = f"; not used: {', '.join(self.ignored)}" if self.ignored else ""
        return "; ".join([label, *parts]) + unused


def columns_of(rows: NamedRows) -> Columns:
    """By the columns' names.

    Raises:
        InputError: no capacity, resistance or leak among them, one of them twice, or without its unit.
    """
    words = [_tokens(name) for name in rows.names]
    found = [_column(at, [*w, *_tokens(rows.unit(at))]) for at, w in enumerate(words)]
    is_u = [bool(_UNCERTAIN & set(w)) for w in words]
    values = _each_once([c for c, u in zip(found, is_u, strict=True) if c and not u], rows)
    uncertain = _each_once([c for c, u in zip(found, is_u, strict=True) if c and u], rows)
    if not values:
        raise InputError(_nothing(rows, words))
    label = next((at for at, w in enumerate(words) if found[at] is None and _LABEL & set(w)), None)
    ignored = tuple(n for at, n in enumerate(rows.names) if n and found[at] is None and at != label)
    return Columns(label, values, uncertain, ignored)


def _nothing(rows: NamedRows, words: Sequence[Sequence[str]]) -> str:
    for name, tokens in zip(rows.names, words, strict=True):
        for k, own in enumerate(_WORDS):
            if own & set(tokens):
                return f"{rows.where}: column {name!r} does not say its unit; put it into the name: {_USUAL[k]}"
    names = ", ".join(rows.names)
    return (
        f"{rows.where}: no column is named capacity_ah, resistance_mohm, leak_ma or leak_percent_per_week; the names"
        f" are {names}"
    )


def _each_once(columns: Sequence[Column], rows: NamedRows) -> tuple[Column, ...]:
    seen: dict[int, Column] = {}
    for column in columns:
        if column.quantity in seen:
            both = f"{rows.names[seen[column.quantity].at]} and {rows.names[column.at]}"
            raise InputError(f"{rows.where}: {both} are both a {QUANTITIES[column.quantity].word}; keep one")
        seen[column.quantity] = column
    return tuple(seen.values())


def _tokens(name: str) -> list[str]:
    folded = unicodedata.normalize("NFKD", name)
    bare = "".join(c for c in folded if not unicodedata.combining(c)).lower()
    return _TOKEN.findall(_SELF.sub("selfdischarge", bare))


def _column(at: int, tokens: Sequence[str]) -> Column | None:
    """A leak may be told in mAh a week, which is no capacity: what names a leak is one, or nothing."""
    said = set(tokens)
    if said & _WORDS[2]:
        current = next((_LEAK_A[t] for t in tokens if t in _LEAK_A), None)
        if current is not None:
            return Column(at, 2, current, is_current=True)
        factor = next((_UNITS[2][t] for t in tokens if t in _UNITS[2]), None)
        return Column(at, 2, factor) if factor is not None and said & _PERCENT else None
    for k in (0, 1):
        factor = next((_UNITS[k][t] for t in tokens if t in _UNITS[k]), None)
        if factor is not None and said & _WORDS[k]:
            return Column(at, k, factor)
    return None
