"""How a table is laid out: separator, decimal mark, where its names and its rows are. Pure, from the first lines."""

from __future__ import annotations

import csv
import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

from evenstring.errors import InputError
from evenstring.io.table.guess.cells import has_unit, kind_of
from evenstring.io.table.guess.names import looks_like_unit

__all__ = ["Layout", "guess_layout", "split_line"]

_SEPARATORS = (";", "\t", ",", "|", " ")
_MAX_COLUMNS = 1000  # our choice
_SHARE = 0.6  # of the lines that must have the same number of cells; our choice
_COMMA_NUMBER = re.compile(r"[-+]?\d*,\d+")
_POINT_NUMBER = re.compile(r"[-+]?\d*\.\d+(?:[eE][-+]?\d+)?")
_POINT_GROUPS = re.compile(r"[-+]?\d{1,3}(?:\.\d{3})+")


@dataclass(frozen=True, slots=True)
class Layout:
    """Lines are counted from 0; `names` and `units` are as long as a row is wide."""

    separator: str  # " ": any run of blanks
    decimal: str
    names: tuple[str, ...]  # empty where the table has none
    units: tuple[str, ...]
    first_row: int  # line of the first row of values
    titles: int  # lines above the names that are none
    width: int

    def words(self) -> str:
        """The layout in words."""
        mark = {"\t": "tab", " ": "blanks", ",": "comma", ";": "semicolon", "|": "bar"}[self.separator]
        parts = [f"columns parted by {mark}", "decimal comma" if self.decimal == "," else "decimal point"]
        parts.append(f"names in line {self.titles + 1}" if self.names else "no line of names")
        if any(self.units):
            parts.append("units in the line below")
        return ", ".join(parts)


def split_line(line: str, separator: str) -> list[str]:
    """Cells of one line."""
    if separator == " ":
        return line.split()
    try:
        return next(csv.reader([line], delimiter=separator, skipinitialspace=True), [])
    except csv.Error:  # a cell longer than any number
        return line.split(separator)


def guess_layout(lines: Sequence[str], where: str) -> Layout:
    """Guess the layout from the first lines.

    Raises:
        InputError: no table, or decimal commas and separating commas cannot be told apart.
    """
    separator, rows = _separator(lines, where)
    width = _width(rows)
    kinds = [[kind_of(cell) for cell in row] for row in rows]
    usual = _usual_kinds(kinds, width)
    _refuse_units(rows, where)
    clean = next((k for k, row in enumerate(kinds) if _is_row(row, usual, width)), None)
    if clean is None:
        raise InputError(f"{where}: has no rows of numbers below its first lines; give a table with one row a time")
    head = _names_line(rows, kinds, clean, width)
    units: tuple[str, ...] = ()
    first = clean
    if head is not None:
        behind = [k for k in range(head + 1, clean + 1) if rows[k]]
        first = behind[0]
        if first < clean and all(looks_like_unit(cell) for cell in rows[first]):
            units, first = _padded(rows[first], width), behind[1]
    names = () if head is None else _padded(_bare_head(rows[head]), width)
    decimal = _decimal(rows[first:], where, first)
    _check_commas(rows, first, width, separator, where)
    return Layout(separator, decimal, names, units, first, first if head is None else head, width)


def _separator(lines: Sequence[str], where: str) -> tuple[str, list[list[str]]]:
    best, best_score = None, 0.0
    for separator in _SEPARATORS:
        rows = [split_line(line, separator) if line.strip(" \t,;|") else [] for line in lines]
        width = _width(rows)
        if width < 2:
            continue
        if width > _MAX_COLUMNS:
            raise InputError(
                f"{where}: line 1 has {width:,} columns, at most {_MAX_COLUMNS:,} are read; keep the time and one"
                " column a group"
            )
        whole = [row for row in rows if len(row) == width]
        cells = [cell for row in whole[:60] for cell in row if kind_of(cell) != "missing"]
        good = sum(kind_of(cell) in ("number", "time") or 0.5 * has_unit(cell) for cell in cells)
        share = len(whole) / max(sum(bool(row) for row in rows), 1)
        score = share * good / max(len(cells), 1) * (0.7 if separator == " " else 1.0)
        if score > best_score + 1e-9:
            best, best_score = (separator, rows), score
    if best is None:
        raise InputError(
            f"{where}: line 1: no columns found; part them by comma, semicolon or tab, the time first and one a group"
        )
    return best


def _refuse_units(rows: Sequence[list[str]], where: str) -> None:
    """Cells like "3.91 V" in most of a row."""
    for k, row in enumerate(rows[:20]):
        with_unit = [cell for cell in row if has_unit(cell) and not looks_like_unit(cell)]
        if k and len(with_unit) > 2 and 2 * len(with_unit) > len(row):
            said = with_unit[-1].strip()
            raise InputError(
                f"{where}: line {k + 1}: cells carry their unit ({said!r}); take it out of the cells, and put it into"
                " the names of the columns or say --unit"
            )


def _width(rows: Sequence[list[str]]) -> int:
    counts = Counter(len(row) for row in rows if row)
    return counts.most_common(1)[0][0] if counts else 0


def _usual_kinds(kinds: Sequence[list[str]], width: int) -> list[str]:
    usual = []
    for column in range(width):
        counts = Counter(row[column] for row in kinds if len(row) == width and row[column] != "missing")
        best = max(counts.values(), default=0)
        few = [kind for kind in ("number", "time", "text") if counts[kind] == best]
        usual.append(few[0] if counts else "missing")
    return usual


def _is_row(kinds: Sequence[str], usual: Sequence[str], width: int) -> bool:
    """A row of values: as wide as the others, and each of its cells of its column's kind."""
    if len(kinds) != width or all(kind == "missing" for kind in kinds):
        return False
    pairs = [(a, b) for a, b in zip(kinds, usual, strict=True) if a != "missing" and b in ("number", "time")]
    return bool(pairs) and all(a == b for a, b in pairs)


def _names_line(rows: Sequence[list[str]], kinds: Sequence[list[str]], clean: int, width: int) -> int | None:
    """The line of names above the first clean row: the one with most text."""
    best, most = None, 0
    for k in range(clean):
        if len(rows[k]) < width - 1:
            continue
        text = sum(kind == "text" for kind in kinds[k])
        text -= sum(looks_like_unit(cell) and bool(cell) and len(cell) < 3 for cell in rows[k])  # rather units
        if text > most:
            best, most = k, text
    return best


def _bare_head(cells: list[str]) -> list[str]:
    """Names, without the sign of a remark before the first."""
    first = re.sub(r"^#\s*(?=[A-Za-z])", "", cells[0]) if cells else ""
    return [first, *cells[1:]]


def _padded(cells: Sequence[str], width: int) -> tuple[str, ...]:
    return tuple([cell.strip() for cell in cells[:width]] + [""] * (width - len(cells)))


def _decimal(rows: Sequence[list[str]], where: str, first: int) -> str:
    commas, points = None, None
    for k, row in enumerate(rows):
        for cell in row:
            bare = cell.strip()
            if commas is None and _COMMA_NUMBER.fullmatch(bare):
                commas = (k, bare)
            elif points is None and _POINT_NUMBER.fullmatch(bare) and not _POINT_GROUPS.fullmatch(bare):
                points = (k, bare)
    if commas and points:
        k, cell = max(commas, points)
        raise InputError(
            f"{where}: line {first + k + 1}: {cell!r}: both {commas[1]} and {points[1]} stand for numbers; write all of"
            " them with one decimal mark"
        )
    return "," if commas else "."


def _check_commas(rows: Sequence[list[str]], first: int, width: int, separator: str, where: str) -> None:
    """Names half as many as cells: each number was cut in two."""
    for k in range(first):
        text = sum(kind_of(cell) == "text" for cell in rows[k])
        if separator == "," and len(rows[k]) > 2 and text > 1 and 2 * len(rows[k]) - 2 <= width <= 2 * len(rows[k]):
            raise InputError(
                f"{where}: line {first + 1}: {width} cells below {len(rows[k])} names: comma seems to be decimal mark"
                " and separator at once; export with semicolons"
            )
